"""A profile as a value, and its way through a journal."""

from __future__ import annotations

import json

from sessions.journal import canonical
from sessions.profile import NO_PROFILE, Profile, ProfileCode, ProfileIdentifier, ProfileUnit

ENGINE, BRAKES = "7E0/7E8", "18DA28F1/18DAF128"
SHARED = ProfileIdentifier(number=0x1105, name="battery", length=2, scale_den=1000, unit="V")
OF_BRAKES = ProfileIdentifier(number=0x1105, name="pressure", length=2, signed=True, units=(BRAKES,))
PROFILE = Profile(
    name="Corvane Lumo",
    maker="Corvane",
    electric_drive=True,
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
