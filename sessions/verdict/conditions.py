"""The operating conditions a fault was seen under, and whether later readings met them.

Powertrain: engine speed, load and warm-up state, the regulation's similar conditions (13 CCR 1968.2, made for
misfire and fuel). Elsewhere our own choice: road speed, engine state, outside temperature.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from decoders import decode_snapshots, pid_did_length, scale_did
from decoders.errors import DecodeError
from decoders.layout import FieldValue, read_layout
from decoders.values import Outcome
from sessions.profile import Profile
from sessions.record import CodeReading, JobRecord, Moment
from sessions.verdict.live import LiveTracks, Test
from sessions.verdict.settings import RuleSettings
from sessions.verdict.sights import FaultKey

POWERTRAIN_NEEDS = ("engine_rpm", "load_percent", "coolant_c")
ELSEWHERE_USES = ("road_kmh", "engine_rpm", "ambient_c")
_WORDS: Mapping[str, str] = {
    "engine_rpm": "engine speed",
    "load_percent": "engine load",
    "coolant_c": "coolant temperature",
    "road_kmh": "road speed",
    "ambient_c": "outside temperature",
}
"""The quantities that conditions compare, in words."""

Told = tuple[str, float | None]
"""A quantity that a stored record declares, and its value; None where it is declared and not told."""
KEEPS_NO_SUCH = frozenset({0x11, 0x12, 0x31})
"""Refusals by which a unit says that it keeps no such record. Source: ISO 14229-1, Annex A."""

_QUANTITY_OF_DID = {
    0xF40C: "engine_rpm",
    0xF404: "load_percent",
    0xF405: "coolant_c",
    0xF40D: "road_kmh",
    0xF446: "ambient_c",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionSet:
    """One set of conditions.

    Args:
        origin: where it comes from, in words.
        values: quantity to value, in the unit the quantity's name ends with.
        problem: why it cannot be compared, or None.
    """

    origin: str
    values: tuple[tuple[str, float], ...] = ()
    problem: str | None = None

    def tests(self, system: str | None, settings: RuleSettings) -> Mapping[str, Test]:
        """One test for each quantity that counts in this part of the vehicle."""
        values = dict(self.values)
        if system == "powertrain":
            load = values["load_percent"]
            return {
                "engine_rpm": _near_speed(values["engine_rpm"], settings.near_engine_rpm),
                "load_percent": _near(load, _load_tolerance(load, settings.near_load_percent)),
                "coolant_c": _same_warmth(values["coolant_c"], settings.warm_coolant_c),
            }
        tests: dict[str, Test] = {}
        if "road_kmh" in values:
            tests["road_kmh"] = _near_speed(values["road_kmh"], settings.near_road_kmh)
        if "engine_rpm" in values:
            tests["engine_rpm"] = _same_engine_state(values["engine_rpm"])
        if "ambient_c" in values:
            tests["ambient_c"] = _near(values["ambient_c"], settings.near_ambient_k)
        return tests

    def words(self, system: str | None, settings: RuleSettings) -> str:
        """What counts as the same conditions, in words with units and tolerances."""
        values = dict(self.values)
        makers = _POWERTRAIN_WORDS if system == "powertrain" else _ELSEWHERE_WORDS
        return ", ".join(maker(values[name], settings) for name, maker in makers.items() if name in values)


def _speed_words(stored: float, settings: RuleSettings) -> str:
    return f"engine {stored:.0f} ± {settings.near_engine_rpm} rpm" if stored else "engine off"


def _load_words(stored: float, settings: RuleSettings) -> str:
    return f"load {stored:.0f} ± {_load_tolerance(stored, settings.near_load_percent):.0f} %"


def _warmth_words(stored: float, settings: RuleSettings) -> str:
    warm = settings.warm_coolant_c
    return f"coolant {warm} °C or more" if stored >= warm else f"coolant below {warm} °C"


def _road_words(stored: float, settings: RuleSettings) -> str:
    if not stored:
        return "standing"
    moving = " but not standing" if stored <= settings.near_road_kmh else ""
    return f"{stored:.0f} ± {settings.near_road_kmh} km/h{moving}"


def _engine_words(stored: float, _settings: RuleSettings) -> str:
    return "engine running" if stored else "engine off"


def _ambient_words(stored: float, settings: RuleSettings) -> str:
    return f"outside {stored:.0f} ± {settings.near_ambient_k} °C"


_POWERTRAIN_WORDS = {"engine_rpm": _speed_words, "load_percent": _load_words, "coolant_c": _warmth_words}
_ELSEWHERE_WORDS = {"road_kmh": _road_words, "engine_rpm": _engine_words, "ambient_c": _ambient_words}


def _near(stored: float, tolerance: float) -> Test:
    return lambda value: abs(value - stored) <= tolerance


def _near_speed(stored: float, tolerance: float) -> Test:
    """Within the tolerance, and standing only if it stood (an engine speed likewise)."""
    return lambda value: abs(value - stored) <= tolerance and (value == 0) == (stored == 0)


def _load_tolerance(stored: float, percent: float) -> float:
    # At least two points: a load byte resolves 0.4 %, and a share of almost nothing is nothing.
    return max(stored * percent / 100, 2.0)


def _same_warmth(stored: float, warm_c: float) -> Test:
    return lambda value: (value >= warm_c) == (stored >= warm_c)


def _same_engine_state(stored: float) -> Test:
    return lambda value: (value > 0) == (stored > 0)


def checked_set(origin: str, values: Mapping[str, float], system: str | None) -> ConditionSet:
    """A set of conditions, with the problem named if it lacks what this part of the vehicle needs."""
    kept = tuple(sorted(values.items()))
    if system is None:
        return ConditionSet(
            origin=origin, values=kept, problem="the profile does not say which system this unit belongs to"
        )
    if system == "powertrain":
        lacking = [name for name in POWERTRAIN_NEEDS if name not in values]
        if lacking:
            return ConditionSet(origin=origin, values=kept, problem=f"it does not hold {', '.join(lacking)}")
    elif not any(name in values for name in ("road_kmh", "engine_rpm")):
        return ConditionSet(
            origin=origin, values=kept, problem="it holds neither road speed nor engine state to compare"
        )
    return ConditionSet(origin=origin, values=kept)


def stored_sets(record: JobRecord, key: FaultKey, system: str | None, before_seq: int) -> tuple[ConditionSet, ...]:
    """One set for each stored snapshot read before the clear; what could not be read is a set that is never met."""
    request = b"\x19\x04" + key.dtc.raw + b"\xff"
    readings = [
        code
        for code in record.codes
        if code.unit == key.unit and code.request == request and code.moment.seq < before_seq
    ]
    if not readings:
        return (ConditionSet(origin="stored records", problem="they were never asked for"),)
    found: dict[tuple[int, bytes], ConditionSet] = {}
    unread: ConditionSet | None = None
    answered = False
    for reading in readings:
        for number, raw, values, problem in _records(reading, record.profile, key.unit):
            origin = f"stored record {number:02X}"
            made = checked_set(origin, values, system)
            found[number, raw] = made if problem is None else ConditionSet(origin=origin, problem=problem)
        answered = answered or reading.outcome is Outcome.ANSWERED
        if not (answered and reading.outcome in (Outcome.SILENT, Outcome.UNSENT)):
            unread = _unread(reading)
    return (*found.values(), *((unread,) if unread is not None else ()))


def _unread(reading: CodeReading) -> ConditionSet | None:
    """A set that stands for records nobody could read; the next answer takes its place."""
    if reading.outcome is Outcome.ANSWERED:
        return None
    if reading.outcome is Outcome.REFUSED and reading.refusal in KEEPS_NO_SUCH:
        return None
    return ConditionSet(origin="stored records", problem=f"they could not be read ({reading.outcome.value})")


def _records(
    reading: CodeReading, profile: Profile, unit: str
) -> list[tuple[int, bytes, dict[str, float], str | None]]:
    """Each record of a 59 04 answer: number, raw bytes, known quantities, problem."""
    if reading.data is None:
        return []
    lengths = _pid_lengths(reading.data) | profile.identifier_lengths(unit)
    try:
        answer = decode_snapshots(reading.data, lengths)
    except DecodeError as error:
        return [(0, reading.data, {}, f"it does not decode ({error})")]
    found: list[tuple[int, bytes, dict[str, float], str | None]] = []
    for record in answer.records:
        told: list[Told] = []
        for did, raw in record.values:
            told += _declared(profile, unit, did, raw) or _standard(did, raw)
        values, problem = _joined(told)
        raw_record = b"".join(did.to_bytes(2, "big") + raw for did, raw in record.values)
        found.append((record.number, raw_record, values, problem))
    if answer.undecoded:
        found.append((0, answer.undecoded, {}, "the layout of its data is not known: add it to the profile"))
    return found


def _declared(profile: Profile, unit: str, did: int, raw: bytes) -> list[Told]:
    """The quantities that the profile finds in an identifier; none where it names none that conditions compare."""
    if (divided := profile.layouts_for(unit, "identifier").get(did)) is not None:
        read = {value.name: value for value in read_layout(divided.layout, raw).values}
        compared = [(name, quantity) for name, quantity in divided.quantities if quantity in _WORDS]
        if compared:
            return [(quantity, _number_of(read.get(name))) for name, quantity in compared]
    item = profile.identifiers_for(unit).get(did)
    if item is None or item.quantity not in _WORDS:
        return []
    number = int.from_bytes(raw, "big", signed=item.signed)
    return [(item.quantity, number * item.scale_num / item.scale_den + item.offset)]


def _number_of(value: FieldValue | None) -> float | None:
    """A field's number; None where the record does not carry it, or gives a name in place of a measured value."""
    if value is None or value.label is not None or not isinstance(value.value, (int, float)):
        return None
    return value.value if math.isfinite(value.value) else None


def _standard(did: int, raw: bytes) -> list[Told]:
    """The quantity of an identifier F4xx, which the standard scales; none where the profile gives it another length."""
    fits = did in _QUANTITY_OF_DID and len(raw) == pid_did_length(did)
    scaled = scale_did(did, raw) if fits else None
    return [] if scaled is None else [(_QUANTITY_OF_DID[did], scaled.value)]


def _joined(told: list[Told]) -> tuple[dict[str, float], str | None]:
    """The values of a record, and what is wrong with it if one is not told or told twice and differently."""
    values: dict[str, float] = {}
    for quantity, value in told:
        if value is None:
            return {}, f"{_WORDS[quantity]} is not told in it"
        if values.setdefault(quantity, value) != value:
            return {}, f"{_WORDS[quantity]} is told twice in it, and differently"
    return values, None


def _pid_lengths(data: bytes) -> dict[int, int]:
    """Lengths of the identifiers F4xx, which the standard fixes, for those that can occur in this answer."""
    dids = {0xF400 | low for high, low in pairwise(data) if high == 0xF4}
    return {did: length for did in dids if (length := pid_did_length(did)) is not None}


def values_at(tracks: LiveTracks, system: str | None, moment: Moment) -> dict[str, float]:
    """What was read, near enough in time, of the quantities that count in this part of the vehicle."""
    wanted = POWERTRAIN_NEEDS if system == "powertrain" else ELSEWHERE_USES
    values = {name: tracks.value_at(name, moment) for name in wanted}
    return {name: value for name, value in values.items() if value is not None}
