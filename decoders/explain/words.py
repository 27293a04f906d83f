"""What the fields that several messages share say, in words; each is a row that a message's table names."""

from __future__ import annotations

from collections.abc import Callable

from decoders.code_texts import NOT_KNOWN, describe_code
from decoders.explain.scribe import NO_CODE, Row, Scribe
from decoders.layout import Number, Scale
from decoders.obd_data import support_bits
from decoders.uds_dtc_requests import functional_group_name
from decoders.uds_severity import Severity
from decoders.values import Dtc, Status
from decoders.values.dtc import format_name
from decoders.values.status import BIT_NAMES
from decoders.vin import check_vin

SUPPRESS_BIT = 0x80
_ALL_BITS = 0xFF
_LAST_DIGITS = 3
_READABLE_BITS = 128
_FAILED, _PASSED = 127, -128
_ALL_RECORDS, _EMISSIONS_RECORDS = 0xFF, 0xFE


def number_text(value: Number) -> str:
    """A number without needless digits: three places, more for one below 1; in hex where nobody could read it."""
    if isinstance(value, int):
        return str(value) if value.bit_length() <= _READABLE_BITS else f"{'-' if value < 0 else ''}0x{abs(value):X}"
    return f"{value:.6g}" if abs(value) < 1 else f"{value:.{_LAST_DIGITS}f}".rstrip("0").rstrip(".")


def formula(scale: Scale, raw: str = "raw") -> str:
    """How a raw number becomes a value, e.g. ``6904 / 4``; empty where both are the same."""
    if scale == Scale():
        return ""
    num, add, den = (number_text(number) for number in (scale.num, abs(scale.add), scale.den))
    text = f"{raw} * {num}" if scale.num != 1 else raw
    if scale.add:
        text += f" {'+' if scale.add > 0 else '-'} {add}"
    if scale.den == 1:
        return text
    return f"({text}) / {den}" if scale.add else f"{text} / {den}"


def plural(count: int, what: str) -> str:
    """A count with its noun: ``1 code``, ``2 codes``."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def supported_text(base: int, bits: bytes) -> str:
    """The numbers that a support bitmap names, in hex."""
    found = sorted(support_bits(base, bits))
    return f"supports {' '.join(f'{number:02X}' for number in found)}" if found else "supports none of this group"


def vin_text(text: str) -> str:
    """A VIN with what can be said of it by its characters."""
    found = check_vin(text)
    place = f" ({found.region})" if found.region else ""
    return f"{text}{place}: {found.words}"


def bit_names(bits: int) -> str:
    """Status bits in words, in the order of the bits."""
    return ", ".join(name for bit, name in BIT_NAMES.items() if bits & bit)


def code_text(dtc: Dtc, scribe: Scribe) -> str:
    """A code with the maker's words, else with what is published of it."""
    text = dtc.text_in(scribe.seen.get(FORMAT.field))
    told = scribe.known.texts.get(text)
    if told is None:
        told = describe_code(dtc).text if text == dtc.text else NOT_KNOWN
    return f"{text}: {told}"


def _code(raw: bytes, scribe: Scribe) -> str:
    return code_text(Dtc.from_bytes(raw), scribe) if any(raw) else NO_CODE


def _mask(raw: bytes, _scribe: Scribe) -> str:
    if raw[0] == _ALL_BITS:
        return "the unit supports all eight status bits"
    lacking = f"not supported, so they say nothing: {bit_names(~raw[0])}"
    return f"the unit supports: {bit_names(raw[0])}; {lacking}" if raw[0] else f"the unit supports none; {lacking}"


def _wanted(raw: bytes, _scribe: Scribe) -> str:
    if raw[0] == _ALL_BITS:
        return "codes with any status bit set"
    return f"codes with any of these: {bit_names(raw[0])}" if raw[0] else "no bit: no code can be meant"


def _status(raw: bytes, scribe: Scribe) -> str:
    return Status.of(raw[0], scribe.seen.get(MASK.field)).words


def _severity(raw: bytes, scribe: Scribe) -> str:
    supported = scribe.seen.get(SEVERITY_MASK.field, _ALL_BITS)
    words, others = Severity(raw[0] & supported).words, raw[0] & ~supported
    return f"{words}; sent but not supported: {Severity(others).words}" if others else words


def _severity_wanted(raw: bytes, _scribe: Scribe) -> str:
    return f"codes with any of these: {Severity(raw[0]).words}" if raw[0] else "no bit: no code can be meant"


def _count(raw: bytes, _scribe: Scribe) -> str:
    return plural(int.from_bytes(raw, "big"), "code")


def _counter(raw: bytes, _scribe: Scribe) -> str:
    counter = int.from_bytes(raw, "big", signed=True)
    words = {_FAILED: "failed", _PASSED: "passed", 0: "no tendency"}
    return f"{counter}: {words.get(counter, 'on the way to failed' if counter > 0 else 'on the way to passed')}"


def _record(raw: bytes, _scribe: Scribe) -> str:
    return f"record {raw[0]:02X}"


def _record_wanted(raw: bytes, _scribe: Scribe) -> str:
    all_of_them = {_ALL_RECORDS: "all records", _EMISSIONS_RECORDS: "all records of emissions"}
    return all_of_them.get(raw[0], f"record {raw[0]:02X}")


MASK = Row("status mask of the unit", 1, _mask)
STATUS_WANTED = Row("status mask", 1, _wanted)
CODE = Row("code", 3, _code)
SHORT_CODE = Row("code", 2, _code)
STATUS = Row("status", 1, _status)
SEVERITY = Row("severity", 1, _severity)
SEVERITY_MASK = Row("severity mask of the unit", 1, lambda raw, _: f"the unit supports: {Severity(raw[0]).words}")
SEVERITY_WANTED = Row("severity mask", 1, _severity_wanted)
FUNCTIONAL_UNIT = Row("functional unit", 1, lambda raw, _: f"{raw[0]:02X}, by the maker's own numbering")
FORMAT = Row("format of the codes", 1, lambda raw, _: format_name(raw[0]))
GROUP = Row("functional group", 1, lambda raw, _: functional_group_name(raw[0]))
READINESS_GROUP = Row("readiness group", 1, lambda raw, _: f"readiness group {raw[0]:02X}")
MEMORY = Row("memory", 1, lambda raw, _: f"user-defined memory {raw[0]:02X}")
COUNT = Row("count", 2, _count)
SHORT_COUNT = Row("count", 1, _count)
COUNTER = Row("fault detection counter", 1, _counter)
RECORD = Row("record number", 1, _record)
RECORD_WANTED = Row("record number", 1, _record_wanted)


def subfunction_row(name: Callable[[int], str], *, is_request: bool) -> Row:
    """The row of a sub-function, named by its number; in a request its highest bit says that no answer is wanted."""

    def say(raw: bytes, _scribe: Scribe) -> str:
        quietly = is_request and raw[0] & SUPPRESS_BIT
        return f"{name(raw[0] & ~SUPPRESS_BIT)}; no positive answer is wanted" if quietly else name(raw[0])

    return Row("sub-function", 1, say)
