"""Network codes against the published list and the pairs joined from it."""

import csv
import os
import re
from pathlib import Path

import pytest
from vectors.codes import PARTNERS

from decoders import network_parts, network_units
from decoders.network_codes import NetworkMeaning, Relation, network_meaning, partners, same_module_group
from decoders.values import Dtc

RECORDINGS = os.environ.get("MENDPROOF_RECORDINGS")
needs_recordings = pytest.mark.skipif(RECORDINGS is None, reason="MENDPROOF_RECORDINGS is not set")

COLUMNS = {
    "lost_communication": Relation.LOST,
    "invalid_data": Relation.INVALID,
    "software_incompatibility": Relation.SOFTWARE,
}
BEGINNINGS = (
    (r"lost communications? with ", Relation.LOST),
    (r"invalid data (?:received )?from ", Relation.INVALID),
    (r".* received invalid data from ", Relation.INVALID),
    (r"software incompatibility with ", Relation.SOFTWARE),
)
UNSURE = "U02A0"
"""Listed as invalid data, in the middle of the codes for lost communication: our table leaves it out."""

OTHER_WORDS = (
    # what the list calls a thing -> what we call it
    (r"ecm/pcm", "engine control unit"),
    (r"(tcm|transmission control module)$", "transmission control unit"),
    (r"anti-lock brake system \(abs\)", "abs"),
    (r"instrument panel( cluster \(ipc\))? control module", "instrument cluster"),
    (r"\ba/c\b", "air conditioning"),
    (r"hvac", "climate"),
    (r"\bpto\b", "power take-off"),
    (r"\begr\b", "exhaust gas recirculation"),
    (r"\bevap\b|evaporative emission", "fuel vapour"),
    (r"\bnh3\b", "ammonia"),
    (r"v2x", "vehicle-to-everything"),
    (r"global", "satellite"),
    (r"hybrid/ev battery", "traction battery"),
    (r"hybrid/ev powertrain", "hybrid or electric drive"),
    (r"hybrid/ev electronics", "drive electronics"),
    (r"restraints", "restraint"),
    (r"telematic ", "telematics "),
    (r"serial data gateway", "gateway"),
    (r"park brake", "parking brake"),
    (r"immobilizer", "immobiliser"),
    (r"ion sense", "ion sensing"),
    (r"air flow control", "airflow control"),
    (r"tire", "tyre"),
    (r"windshield", "windscreen"),
    (r"center", "centre"),
    (r"mass or volume", "intake"),
)


def listed() -> dict[str, str]:
    """Every network code of the list with its text in small letters, without quotation marks."""
    lines = (Path(str(RECORDINGS)) / "ref" / "u_codes.txt").read_text(encoding="utf-8").splitlines()
    rows = [line.split(" - ", 1) for line in lines if line]
    return {code: re.sub("[“”]", "", text).strip().lower() for code, text in rows}


def listed_modules() -> dict[str, tuple[Relation, str]]:
    """Each code that names a module: relation and module as the list has them."""
    found = {}
    for code, text in listed().items():
        for beginning, relation in BEGINNINGS:
            if match := re.match(beginning, text):
                found[code] = relation, text[match.end() :]
                break
    return found


def meaning_of(code: str) -> NetworkMeaning:
    found = network_meaning(Dtc.parse(code))
    assert found is not None
    return found


def words_of(module: str) -> set[str]:
    for theirs, ours in OTHER_WORDS:
        module = re.sub(theirs, ours, module)
    return set(re.findall(r"[a-z0-9]+", module)) - {"module", "control", "unit", "system", "sensor"}


@needs_recordings
def test_every_pair_of_the_joined_table_is_one_module_of_ours() -> None:
    with (Path(str(RECORDINGS)) / "ref" / "u_code_pairs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert 335 == len(rows)
    for row in rows:
        codes = {row[column]: kind for column, kind in COLUMNS.items() if row[column] not in ("", UNSURE)}
        found = {code: meaning_of(code) for code in codes}
        assert codes == {code: item.relation for code, item in found.items()}
        assert 1 == len({item.module for item in found.values()})
        assert {same_module_group(Dtc.parse(code)) >= set(map(Dtc.parse, codes)) for code in codes} == {True}


@needs_recordings
def test_every_partner_of_ours_stands_in_the_joined_table_or_has_the_same_name_in_the_list() -> None:
    modules = listed_modules()
    with (Path(str(RECORDINGS)) / "ref" / "u_code_pairs.csv").open(encoding="utf-8") as file:
        joined = [{row[column] for column in COLUMNS} for row in csv.DictReader(file)]
    for code, (_relation, module) in modules.items():
        for other in partners(Dtc.parse(code)):
            assert any({code, other.text} <= row for row in joined) or module == modules[other.text][1]


@needs_recordings
def test_every_code_of_the_list_that_names_a_module_has_its_relation_and_module() -> None:
    modules = listed_modules()
    assert {code for code in listed() if "U0100" <= code < "U1000"} == {*modules, "U0300", "U0400"}
    for code, (relation, module) in modules.items():
        if code == UNSURE:
            continue
        found = meaning_of(code)
        assert (code, relation) == (code, found.relation)
        theirs, ours = words_of(module), words_of(str(found.module).lower())
        assert len(theirs & ours) >= 0.6 * len(theirs), (code, module, found.module)


@needs_recordings
def test_the_letter_or_number_that_tells_like_modules_apart_is_kept() -> None:
    sides = re.compile(r"\b(?:[a-z]|[0-9]|left|right|front|rear|side|bank|(?:ac|dc)/(?:ac|dc))\b")
    for code, (_relation, module) in listed_modules().items():
        if code == UNSURE:
            continue
        theirs = sides.findall(re.sub(r"a/c", "", module))
        ours = sides.findall(str(meaning_of(code).module).lower().partition(", told by")[0])
        # In places the list leaves out the A of the first of like modules.
        assert sorted(ours) in (sorted(theirs), sorted(["a", *theirs])), code


@needs_recordings
def test_our_table_has_no_code_that_the_list_has_not() -> None:
    ours = {Dtc(base).text for base in range(0x10000) if network_meaning(Dtc(base))}
    modules = {code for code in listed() if "U0000" < code < "U1000"}
    assert modules - {UNSURE} == ours


WIRES = (
    # what the list says -> what we say
    (r"shorted to bus", "minus wire shorted to plus wire"),
    (r"\(?\+\)? open$", "plus wire open"),
    (r"\(?\+\)? low$", "plus wire low"),
    (r"\(?\+\)? high$", "plus wire high"),
    (r"\(?-\)? open$", "minus wire open"),
    (r"\(?-\)? low$", "minus wire low"),
    (r"\(?-\)? high$", "minus wire high"),
    (r"performance$", "works poorly"),
    (r"off$", "off"),
    (r"$", "failure"),
)


def bus_text(text: str) -> str:
    """The list's text for a bus in our words."""
    fault = next(ours for theirs, ours in WIRES if re.search(theirs, text))
    if speed := re.match(r"(high|medium|low) speed can", text):
        return f"{speed[1]}-speed CAN bus: {fault}"
    letter = re.search(r"communication bus ([a-m])\b", text)
    return f"vehicle bus {letter[1].upper() if letter else '?'}: {fault}"


@needs_recordings
def test_every_code_about_a_bus_names_the_bus_and_the_wire_of_the_list() -> None:
    buses = {code: text for code, text in listed().items() if "U0000" < code < "U0100"}
    assert 116 == len(buses)
    assert {code: bus_text(text) for code, text in buses.items()} == {code: meaning_of(code).text for code in buses}
    assert {Relation.BUS} == {meaning_of(code).relation for code in buses}


@pytest.mark.parametrize("row", PARTNERS)
def test_partners_are_the_other_codes_about_the_module(row: str) -> None:
    codes = [Dtc.parse(code) for code in row.split()]
    assert {code: {*codes} - {code} for code in codes} == {code: {*partners(code)} for code in codes}
    assert 1 == len({meaning_of(code.text).module for code in codes})


def test_a_failure_type_changes_nothing_about_partners_and_is_kept_in_the_meaning() -> None:
    code = Dtc.parse("U0415-81")
    assert partners(Dtc.parse("U0415")) == partners(code)
    assert code == meaning_of("U0415-81").dtc


def test_makers_mix_abs_and_vehicle_dynamics_so_their_codes_are_one_group() -> None:
    # Source: a published table of one maker's codes, with U0122 and U0415 about the same unit.
    group = {Dtc.parse(code) for code in ["U0121", "U0415", "U0315", "U0122", "U0416", "U0316"]}
    assert {frozenset(group)} == {same_module_group(code) for code in group}
    assert Dtc.parse("U0122") not in partners(Dtc.parse("U0121"))


def test_any_other_module_is_a_group_of_its_own() -> None:
    codes = {Dtc.parse(code) for code in ("U0100", "U0401", "U0301")}
    assert codes == same_module_group(Dtc.parse("U0100-87"))


@pytest.mark.parametrize("code", ["U0400", "U0300", "U0001", "U0073", "U02A0", "U0FFF", "U1001", "U3003", "P0100"])
def test_a_code_that_names_no_module_has_no_partner(code: str) -> None:
    assert ((), frozenset()) == (partners(Dtc.parse(code)), same_module_group(Dtc.parse(code)))


@pytest.mark.parametrize("code", ["U02A0", "U0FFF", "U1001", "U3003", "P0100", "C0035-13", "P0000"])
def test_a_code_outside_the_table_complains_about_nothing(code: str) -> None:
    assert network_meaning(Dtc.parse(code)) is None


@pytest.mark.parametrize("code", ["U0300", "U0400"])
def test_a_code_may_name_no_module(code: str) -> None:
    assert meaning_of(code).module is None


def test_invalid_data_told_by_a_sensor_is_about_the_unit_that_sent_it() -> None:
    # Source: the list, "NOx Sensor A Received Invalid Data From ..."
    assert "engine control unit, told by NOx sensor A" == meaning_of("U05A1").module


def test_each_module_and_each_code_stands_once_in_the_tables() -> None:
    lines = [line for rows in (network_units.ROWS, network_parts.ROWS) for line in rows.split("\n") if line]
    modules = [line.split(" ", 3)[3] for line in lines]
    codes = [code for line in lines for code in line.split(" ", 3)[:3] if code != "----"]
    assert (len(modules), len(codes)) == (len(set(modules)), len(set(codes)))
