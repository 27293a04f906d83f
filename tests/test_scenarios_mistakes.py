"""Scenario files that cannot be meant: each names file, line and key, and nothing else ever gets out."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenario_help import SMALL, beside, read_small, small_car

from simulators.errors import BenchError
from simulators.scenarios import SCENARIOS, Scenario, find_scenario
from simulators.scenarios.fields import Node, Source
from simulators.scenarios.loader import read_document
from simulators.scenarios.vehicle import Vehicle

# What stands in the file, what stands there instead, and how the error begins behind file and line.
CHANGES = [
    ('about = "A lamp', 'abaut = "A lamp', "scenario.abaut: unknown key; did you mean 'about'?"),
    ('vin = "ZZ9CRVLD1ST002417"', 'vin = "ZZ9CRVLDIST002417"', "vehicle.vin: must be 17 digits and capitals"),
    ("odometer_km = 31870", "odometer_km = true", "vehicle.odometer_km: must be a whole number, not true"),
    ("odometer_km = 31870", "odometer_km = -1", "vehicle.odometer_km: must be from 0 to 2000000, not -1"),
    ("odometer_km = 31870", "", "vehicle.odometer_km: is missing"),
    ("warm_ups = 143", "warm_ups = 256", "vehicle.since_clear.warm_ups: must be from 0 to 255"),
    ("{ warm_ups = 143, distance_km = 6120, run_h = 118 }", "3", "vehicle.since_clear: must be a table, not 3"),
    ('broadcast = "small.dbc"', 'broadcast = "../small.dbc"', "vehicle.broadcast: must be the name of a file beside"),
    ('broadcast = "small.dbc"', 'broadcast = "none.dbc"', "vehicle.broadcast: there is no text file 'none.dbc'"),
    ('broadcast = "small.dbc"', "", "broadcast.message: needs a DBC file"),
    ('name = "Odometer"', 'name = ""', "identifier.name: must be text in quotes, not ''"),
    ('name = "Odometer"', 'name = "Odo\\nmeter"', "identifier.name: must be one line of printable text"),
    ('number = "1105"', 'number = "11"', 'identifier.number: must be hex text in quotes from "0000" to "FFFF"'),
    ('number = "1105"', "number = 1105", "identifier.number: must be hex text in quotes"),
    ('value = "odometer_km"', 'value = "odometer"', "identifier.value: 'odometer' is not one of speed_kmh"),
    ("length = 3", "length = 3\nscale_num = 0", "identifier.scale_num: must be from"),
    ("length = 3", 'length = 3\nunits = ["700/708"]', "identifier.units: no [[unit]] has the address 700/708"),
    ("[[identifier]]", '[[identifier]]\nnumber = "1105"\nname = "x"\nvalue = "run_s"\nlength = 1\n[[identifier]]',
     "identifier.number: 1105 is there twice"),
    ('address = "742/74A"', 'address = "742"', "unit.address: must be a unit address like"),
    ('address = "742/74A"', 'address = "942/74A"', "unit.address: must be a unit address like"),
    ('address = "742/74A"', 'address = "7E0/74A"', "unit.address: 'Lighting control' is already the unit asked at 7E0"),
    ('electronics = "lighting_unit"', 'electronics = "a b"', "unit.electronics: must be a name of letters"),
    ('F195 = "0x0102"', 'F195 = "0x012"', "unit.identification.F195: must be pairs of hex digits behind"),
    ('F195 = "0x0102"', 'F195 = "ä"', "unit.identification.F195: must be ASCII text, or hex behind"),
    ('F195 = "0x0102"', 'f18c = "1"', "unit.identification.f18c: is there twice"),
    ('F195 = "0x0102"', 'F1 = "1"', "unit.identification.F1: must be hex text in quotes"),
    ("{ F18C", "[] # { F18C", "unit.identification: must be a table, not a list"),
    ('"F40D", "1105"', '"F40D", "1106"', "unit.snapshot: 1106 is neither an [[identifier]] of this unit nor F4"),
    ('"F40D", "1105"', '"F4FF"', "unit.snapshot: F4FF is neither"),
    ('"F40D", "1105"', '"F40D", "F40D"', "unit.snapshot: 'F40D' is there twice"),
    ('snapshot = ["F40D", "1105"]', 'snapshot = "F40D"', "unit.snapshot: must be a list, not 'F40D'"),
    ('snapshot = ["F40D", "1105"]', 'services = ["22"]', "unit.services: a unit with routines needs service 31"),
    ('snapshot = ["F40D", "1105"]', 'services = ["27"]', "unit.services: service 27 is not one that the bench has"),
    ('snapshot = ["F40D", "1105"]', "uds = false", "unit.uds: a unit without UDS needs [unit.obd]"),
    ('snapshot = ["F40D", "1105"]', 'doip = "1001"', "unit.doip: 'Lighting control' is already the unit"),
    ('code = "B1A21-15"\ntext', 'code = "B1A21"\ntext', "unit.code.code: must be a code like C0035-13, not 'B1A21'"),
    ('code = "U0100-00"', 'code = "B1A21-15"', "unit.code.code: B1A21-15 is there twice"),
    ('component = "left_headlamp_wire"\n', "", "unit.code.component: a code needs either component or lost_unit"),
    ('lost_unit = "7E0/7E8"', 'lost_unit = "7E1/7E9"', "unit.code.lost_unit: no [[unit]] has the address 7E1/7E9"),
    ('lost_unit = "7E0/7E8"', 'lost_unit = "742/74A"', "unit.code.lost_unit: a unit cannot miss itself"),
    ('lost_unit = "7E0/7E8"', 'lost_unit = "7E0/7E8"\nabout = "7E1/7E9"', "unit.code.about: no [[unit]] has the"),
    ("debounce_s = 10", "debounce_s = 0", "unit.code.debounce_s: must be from 1 to 86400, not 0"),
    ("lamp = true\npermanent", "permanent", "unit.code.permanent: a permanent copy is kept of codes with lamp"),
    ("debounce_s = 3", 'debounce_s = 3\nreadiness = "misfire"', "unit.code.readiness: needs [unit.obd]"),
    ('readiness = "misfire"', 'readiness = "misfires"', "unit.code.readiness: 'misfires' is not one of misfire"),
    ('readiness = "misfire"', 'readiness = "boost_pressure"', "unit.code.readiness: an engine with spark ignition"),
    ('when = { engine = "running" }', 'when = { engine = "on" }', "unit.code.when.engine: 'on' is not one of running"),
    ('when = { engine = "running" }', 'when = { key = "off", engine = "running" }', "unit.code.when.engine: no engine"),
    ('number = "0311"', 'number = "0310"', "unit.routine.number: 0310 is there twice"),
    ('clears = ["B1A21-15"]', 'clears = ["B1A22-15"]', "unit.routine.clears: this unit has no code B1A22-15"),
    ('"01", "0C"', '"01", "66"', "unit.obd.parameters: parameter 66 is not one that the bench measures: 01, 04"),
    ("permanent = true\nvin = true", 'calibration = "12345678901234567"', "unit.obd.calibration: must be at most 16"),
    ("permanent = true\nvin = true", 'verification = "123456"', "unit.obd.verification: must be 8 hex digits"),
    ("volatile = true", "volatile = 1", "unit.volatile: must be true or false, not 1"),
    ("every_km = 100\n", "", "component.due_in_km: needs every_km beside it"),
    ('name = "oil_service"', 'name = "flux"', "component.name: no code, routine or unit is about 'flux'"),
    ("[[component]]", '[[component]]\nname = "oil_service"\n[[component]]',
     "component.name: oil_service is there twice"),
    ('unit = "742/74A"', 'unit = "742/74B"', "donor.unit: no [[unit]] has the address 742/74B"),
    ('codes = ["B1A21-15"]', 'codes = ["P0300-00"]', "donor.codes: 742/74A has no code P0300-00"),
    ("[[donor]]", '[[donor]]\nname = "spare"\nunit = "742/74A"\nvin = "ZZ9SPARE1RT880045"\nodometer_km = 1\n[[donor]]',
     "donor.name: spare is there twice for 742/74A"),
    ('after = "repair component=left_headlamp_wire"', 'after = "repair"', "mishap.after: 'repair' takes component"),
    ('after = "repair component=left_headlamp_wire"', 'after = "repair component=x"', "mishap.after: no part 'x'"),
    ('"break component=lighting_unit"', '"brake component=lighting_unit"', "mishap.then: unknown action 'brake'; did"),
    ('"break component=lighting_unit"', '"swap_unit unit=x"', "mishap.then: no unit 'x'"),
    ('message = "Drive"', 'message = "Drives"', "broadcast.message: small.dbc has no message 'Drives'; known: Drive"),
    ('RoadSpeed = "speed_kmh"', 'Speed = "speed_kmh"', "broadcast.signals: message Drive has no signal 'Speed'"),
    ('RoadSpeed = "speed_kmh"', 'RoadSpeed = "speed"', "broadcast.signals.RoadSpeed: 'speed' is not one of speed_kmh"),
    ('"lamp:7E0/7E8"', '"lamp:7E0"', "broadcast.signals.EngineLamp: must be a unit address like"),
    ('"lamp:7E0/7E8"', '"lamp:7E1/7E9"', "broadcast.signals.EngineLamp: no [[unit]] has the address 7E1/7E9"),
    ('signals = { RoadSpeed = "speed_kmh", Coolant = "coolant_c" }', "signals = 1", "broadcast.signals: must be a"),
    ("cycle_ms = 20\n", "", "broadcast.signals: message Drive has no cycle time in the file: give cycle_ms"),
    ('"wait seconds=20"', '"wait 20"', "story.steps: '20' is not NAME=VALUE"),
    ('"wait seconds=20"', '"wait seconds=1 seconds=2"', "story.steps: seconds is there twice"),
    ('"wait seconds=20"', '"wait seconds=x"', "story.steps: seconds must be a whole number from 1 to 604800, not 'x'"),
    ('"wait seconds=20"', '"break component=flux"', "story.steps: no part 'flux'"),
    ('"wait seconds=20"', '"disconnect plug=flux"', "story.steps: no plug 'flux'"),
    ('"wait seconds=20"', '""', "story.steps: must be text in quotes"),
    ("steps = [", "step = [", "story.step: unknown key; did you mean 'steps'?"),
    ("[story]", "[story2]", "story2: unknown key; did you mean 'story'?"),
    ("[[component]]", "[component]", "component: must be a list, not a table"),
    ("[[component]]", "[[components]]", "components: unknown key; did you mean 'component'?"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "error"), CHANGES)
def test_what_cannot_be_meant_names_file_line_and_key(old: str, new: str, error: str) -> None:
    assert 1 <= SMALL.count(old)
    changed = SMALL.replace(old, new, 1)
    with pytest.raises(BenchError) as caught:
        read_small(changed)
    head, _, said = str(caught.value).partition(", ")
    line, _, reason = said.partition(", ")
    assert ("small.toml", error) == (head, reason[: len(error)])
    number = int(line.removeprefix("line "))
    shown = changed.split("\n")[number - 1]
    if any(word in error for word in ("missing", "needs", "already", "twice")):  # what it contradicts, or its table
        assert error.partition(":")[0].rpartition(".")[2] in shown or shown.strip()[0] in '["'
    else:
        first = SMALL[: SMALL.index(old)].count("\n") + 1
        assert number - first in (0, new.count("\n"))


def test_a_step_far_down_a_list_is_found() -> None:
    text = SMALL.replace('"wait seconds=20",', '"wait seconds=20", # not "here"\n    "wait seconds=3",\n "fly",')
    with pytest.raises(BenchError) as caught:
        read_small(text)
    line = text[: text.index('"fly"')].count("\n") + 1
    assert str(caught.value).startswith(f"small.toml, line {line}, story.steps: unknown action 'fly'; known: key_off")


def test_a_story_that_cannot_happen_names_its_step() -> None:
    text = SMALL.replace('"wait seconds=20",', '"drive kmh=10 seconds=5",')
    with pytest.raises(BenchError) as caught:
        small_car(text)
    line = text[: text.index('"drive')].count("\n") + 1
    expected = f"small.toml, line {line}, story.steps: cannot happen: the engine is not running; start it first"
    assert expected == str(caught.value)


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("a = [", "small.toml, line 1: Invalid value"),
        ("[vehicle]\nname = \"a\nb\"", "small.toml, line 2: Illegal character"),
        ("x = " + "[" * 5000, "small.toml: lists are nested too deeply"),
        ("x = 1" + "0" * 5000, "small.toml: Exceeds the limit"),
        ("", "small.toml, line 1, scenario: is missing"),
        (SMALL.split("[[unit]]")[0] + "[story]\nsteps = []", "small.toml, line 1, unit: is missing: a vehicle has"),
    ],
)  # fmt: skip
def test_what_is_no_scenario_at_all(text: str, error: str) -> None:
    with pytest.raises(BenchError) as caught:
        read_small(text)
    assert error == str(caught.value)[: len(error)]


@pytest.mark.parametrize(
    ("dbc", "error"),
    [
        ("nonsense", "vehicle.broadcast: small.dbc cannot be read"),
        ('BO_ 672 Drive: 4 A\n SG_ S M : 0|8@1+ (1,0) [0|1] "" A\n SG_ RoadSpeed m0 : 8|8@1+ (1,0) [0|1] "" A\n',
         "broadcast.signals: message Drive selects signals by another one"),
        ('BO_ 672 Drive: 4 A\n SG_ RoadSpeed : 0|8@1+ (0,0) [0|1] "" A\n',
         "broadcast.signals: signal RoadSpeed of message Drive is no whole number with a scale"),
    ],
)  # fmt: skip
def test_a_dbc_file_that_cannot_be_used(monkeypatch: pytest.MonkeyPatch, dbc: str, error: str) -> None:
    head = dbc if dbc == "nonsense" else f'VERSION ""\n\nBU_: A\n\n{dbc}'
    monkeypatch.setattr("scenario_help.DBC", head)
    with pytest.raises(BenchError) as caught:
        read_small(SMALL.replace(', Coolant = "coolant_c"', ""))
    assert error == str(caught.value).split(", ", 2)[2][: len(error)]


SERIES = '\n[[unit_series]]\ncount = {count}\nfirst = {first}\naddress = "6{{n}}/5{{n}}"\nname = "Module {{n}}"\n'


def with_series(count: int, first: int) -> str:
    return SMALL + SERIES.format(count=count, first=first)


def test_a_series_that_runs_out_of_digits() -> None:
    with pytest.raises(BenchError, match=r"unit_series\.count: the last number would be 100; two hex digits"):
        read_small(with_series(17, 0xF0))
    assert 18 == len(read_small(with_series(16, 0xF0)).units)


def test_a_series_with_a_mistake_of_a_unit() -> None:
    with pytest.raises(BenchError, match=r"unit_series\.maks: unknown key; did you mean 'mask'"):
        read_small(with_series(2, 1) + 'maks = "FF"\n')
    with pytest.raises(BenchError, match="unit_series: must be written with two brackets"):
        read_small("unit_series = [1]\n" + SMALL)


# --- anything at all ---


def shuffled(text: str, at: int, what: str) -> str:
    at %= len(text) + 1
    return text[:at] + what + text[at + len(what) :]


def outcome(read: Callable[[], Vehicle]) -> str:
    """What is wrong, or a word that nothing is; any other error gets out."""
    try:
        return "a vehicle" if read().units else "no unit"
    except BenchError as error:
        return str(error)


@given(st.integers(0, 5000), st.text(max_size=4))
def test_any_change_of_the_text_gives_a_vehicle_or_a_bench_error(at: int, what: str) -> None:
    said = outcome(lambda: read_small(shuffled(SMALL, at, what)))
    assert said == "a vehicle" or said.startswith("small.toml")
    assert said.isprintable()


VALUES = st.recursive(
    st.one_of(st.integers(), st.booleans(), st.floats(allow_nan=False), st.text(max_size=6), st.dates()),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=4,
)


def places_of(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(deeper for key, item in inner for deeper in places_of(item, (*path, key)))]


@given(st.data())
def test_any_value_at_any_place_gives_a_vehicle_or_a_bench_error(data: st.DataObject) -> None:
    document = tomllib.loads(SMALL)
    path = data.draw(st.sampled_from(places_of(document)[1:]))
    holder = document
    for key in path[:-1]:
        holder = holder[key]  # type: ignore[index]
    holder[path[-1]] = data.draw(VALUES)  # type: ignore[index]
    said = outcome(lambda: read_document(Node(document, (), Source("small.toml", SMALL)), beside))
    assert said == "a vehicle" or said.startswith("small.toml, line ")


# --- files ---


def test_a_file_of_ones_own_is_named_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "my_car.toml"
    path.write_text(SMALL.replace('broadcast = "small.dbc"', "").split("[[broadcast]]")[0] + "[story]\nsteps = []")
    scenario = find_scenario(str(path))
    assert ("my-car", "A lamp's wire is broken.", 2) == (scenario.name, scenario.about, len(scenario.units))
    assert scenario.new_car(1).world.now_s == 0


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"the scenario file .*none.toml cannot be read: No such file"):
        _ = Scenario.of_file(tmp_path / "none.toml").vehicle
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"# one\n# \xff\n")
    with pytest.raises(BenchError, match=r"bad.toml, line 2: is not UTF-8 text"):
        _ = Scenario.of_file(bad).vehicle


def test_a_name_that_is_none_shows_those_there_are() -> None:
    with pytest.raises(BenchError, match=r"known: .*warning-lamps.*; or the path of a \.toml file"):
        find_scenario("x")
    assert find_scenario("unit-lost") is SCENARIOS["unit-lost"]
