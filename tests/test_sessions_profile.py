"""A profile as a value, and its way through a journal."""

from __future__ import annotations

import json
from dataclasses import replace

from decoders.layout import Bits, Field, Layout, Scale, When, whole_bytes
from sessions.journal import canonical
from sessions.profile import (
    NO_PROFILE,
    Profile,
    ProfileCode,
    ProfileIdentifier,
    ProfileLayout,
    ProfileMessage,
    ProfileUnit,
)

ENGINE, BRAKES = "7E0/7E8", "18DA28F1/18DAF128"
SHARED = ProfileIdentifier(number=0x1105, name="battery", length=2, scale_den=1000, unit="V")
OF_BRAKES = ProfileIdentifier(number=0x1105, name="pressure", length=2, signed=True, units=(BRAKES,))
# Numbers beyond 2**53, which a journal cannot hold as numbers (RFC 7493 section 2.2).
LARGE = Field(
    name="Large",
    bits=Bits(start=0, length=64, order="little"),
    scale=Scale(num=2**60 + 1, add=-(2**70), den=10**30),
    unit="V",
    names=((2**64 - 1, "not known"),),
    when=(When(bits=Bits(start=64, length=8), values=(1, 2**63)),),
)
DIVIDED = ProfileLayout(
    subject="identifier",
    number=0x1106,
    layout=Layout(name="Drive", length=9, fields=(LARGE, whole_bytes("Speed", 0, 2, kind="signed"))),
    quantities=(("Speed", "road_kmh"),),
    units=(BRAKES,),
)
RECORD = ProfileLayout(
    subject="record", number=2, layout=Layout(name="Counters", length=4, fields=(whole_bytes("Seen", 0, 1),))
)
MESSAGE = ProfileMessage(
    can_id="18FEF1FE",
    layout=Layout(name="SPEEDS", length=9, fields=(LARGE,)),
    quantities=(("Large", "supply_v"),),
    sender="Engine",
    cycle_ms=100,
)
SPARE = ProfileMessage(can_id="2F0", layout=Layout(name="Spare", length=8, fields=()))
PROFILE = Profile(
    name="Corvane Lumo",
    maker="Corvane",
    electric_drive=True,
    broadcast="lumo.dbc",
    units=(
        ProfileUnit(
            address=ENGINE,
            name="Engine",
            system="powertrain",
            occurrence_record=1,
            extended_sizes=((1, 1), (2, 4)),
        ),
        ProfileUnit(address=BRAKES, name="Brakes", system="chassis", fitted=False),
    ),
    codes=(
        ProfileCode(unit=BRAKES, code="C0035-13", text="Wheel speed, front left", continuous=True, hold_s=20),
        ProfileCode(unit=BRAKES, code="U0100-00", text="Engine silent", about=ENGINE),
    ),
    identifiers=(SHARED, OF_BRAKES),
    layouts=(DIVIDED, RECORD),
    messages=(MESSAGE, SPARE),
    settings={"near_engine_rpm": 375},
)


def test_a_profile_survives_the_journal() -> None:
    profile = PROFILE
    assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))


def test_the_empty_profile_survives_the_journal() -> None:
    profile = NO_PROFILE
    assert profile == Profile.from_payload(json.loads(canonical(profile.to_payload())))


def test_a_payload_has_no_key_without_a_value() -> None:
    # The record's own rule: no key without a value.
    brakes = PROFILE.to_payload()["units"][1]
    assert {"address", "name", "system", "fitted", "extended_sizes"} == set(brakes)
    spare = PROFILE.to_payload()["messages"][1]
    assert {"can_id", "layout", "quantities", "sender"} == set(spare)


def test_a_payload_from_before_there_were_layouts_is_read() -> None:
    payload = PROFILE.to_payload()
    for key in ("layouts", "messages", "broadcast"):
        del payload[key]
    assert replace(PROFILE, layouts=(), messages=(), broadcast="") == Profile.from_payload(payload)


def test_layouts_of_a_unit_are_found_by_number_and_subject() -> None:
    assert ({0x1106: DIVIDED}, {2: RECORD}) == (
        PROFILE.layouts_for(BRAKES, "identifier"),
        PROFILE.layouts_for(BRAKES, "record"),
    )
    assert {} == PROFILE.layouts_for(ENGINE, "identifier")


def test_lengths_come_from_identifiers_and_layouts() -> None:
    assert {0x1105: 2, 0x1106: 9} == PROFILE.identifier_lengths(BRAKES)
    assert {0x1105: 2} == PROFILE.identifier_lengths(ENGINE)


def test_sizes_of_records_come_from_the_unit_and_from_layouts() -> None:
    assert {1: 1, 2: 4} == PROFILE.record_sizes(ENGINE)
    assert {2: 4} == PROFILE.record_sizes(BRAKES)
    assert {2: 4} == PROFILE.record_sizes("7E1/7E9")


def test_a_unit_is_found_by_its_address() -> None:
    found = PROFILE.unit(BRAKES)
    assert found is PROFILE.units[1]
    assert PROFILE.unit("7E1/7E9") is None


def test_a_code_is_found_by_its_unit_and_text() -> None:
    assert PROFILE.code(BRAKES, "C0035-13") is PROFILE.codes[0]
    assert PROFILE.code(ENGINE, "C0035-13") is None


def test_an_identifier_that_names_the_unit_wins() -> None:
    of_brakes, of_engine = {0x1105: OF_BRAKES}, {0x1105: SHARED}
    assert of_brakes == PROFILE.identifiers_for(BRAKES)
    assert of_engine == PROFILE.identifiers_for(ENGINE)
