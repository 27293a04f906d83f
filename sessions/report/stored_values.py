"""What the bytes of one stored value say, by the profile or by the standards; what nobody describes says so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Self

from decoders import (
    PIDS,
    Field,
    FieldValue,
    Layout,
    MonitorStatus,
    Scale,
    identifier_name,
    read_layout,
    read_pid,
    whole_bytes,
)
from decoders.errors import DecodeError
from decoders.explain.words import number_text
from decoders.layout import FieldKind
from decoders.obd_dids import OBD_PAGES
from sessions.obd_values import OBD_PAGE
from sessions.profile import Profile, ProfileIdentifier
from sessions.report.words import number_words

NOT_DIVIDED = "layout not known: add it to the profile"

_PID_LENGTHS = {OBD_PAGE | pid: layout.length for pid, layout in PIDS.items()}
_UNITS = {"C": "°C"}
"""Units of the tables of PIDs that the report writes in its own way."""

_LONGEST_NUMBER = 8
"""Bytes of the longest identifier or record that is shown as one number."""

_LONGEST_BITS = 128
"""A longer number is not written out: its bytes stand beside it."""

_NARROW = 40
"""Characters that a narrow cell of the report takes without growing tall."""

Lines = tuple[tuple[str, str], ...]
"""(name of a field, what it says); the name is empty where the block has no parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredItem:
    """One identifier of a snapshot, or one extended data record.

    Args:
        number: its number in hex; empty where the name says it.
        name: what it is.
        lines: its fields.
        raw: its bytes in hex; empty where it has none.
    """

    number: str
    name: str
    lines: Lines
    raw: str

    @property
    def is_wide(self) -> bool:
        """True if it needs the whole width of the page: it has several fields, or much to show."""
        return len(self.lines) > 1 or max(len(self.raw), len(self.lines[0][1])) > _NARROW


@dataclass(frozen=True, slots=True, kw_only=True)
class Forms:
    """How the records of one unit are divided.

    Args:
        identifiers: identifier to its layout, by the profile.
        lengths: identifier to its bytes, those that carry a PID among them.
        records: extended data record to its layout.
        sizes: extended data record to its bytes.
    """

    identifiers: Mapping[int, Layout]
    lengths: Mapping[int, int]
    records: Mapping[int, Layout]
    sizes: Mapping[int, int]

    @classmethod
    def of(cls, profile: Profile, unit: str) -> Self:
        """The forms that a profile gives for a unit."""
        known, sizes = profile.unit(unit), profile.record_sizes(unit)
        counters = {
            number: _one_number(whole_bytes("occurrence counter", 0, size))
            for number, size in sizes.items()
            if known and number == known.occurrence_record
        }
        return cls(
            identifiers={number: _number(item) for number, item in profile.identifiers_for(unit).items()}
            | {number: item.layout for number, item in profile.layouts_for(unit, "identifier").items()},
            lengths=_PID_LENGTHS | profile.identifier_lengths(unit),
            records=counters | {number: item.layout for number, item in profile.layouts_for(unit, "record").items()},
            sizes=sizes,
        )


def _number(item: ProfileIdentifier) -> Layout:
    scale = Scale.of(Fraction(item.scale_num, item.scale_den), Fraction(item.offset))
    kind: FieldKind = "signed" if item.signed else "unsigned"
    return _one_number(whole_bytes(item.name, 0, item.length, kind=kind, scale=scale, unit=item.unit))


def _one_number(field: Field) -> Layout:
    """A block that is one number; one too long for a number has no fields."""
    is_number = field.size <= _LONGEST_NUMBER
    return Layout(name=field.name, length=field.size, fields=(field,) if is_number else ())


def plain_item(name: str, words: str, raw: bytes) -> StoredItem:
    """An item that is named by words alone."""
    return StoredItem(number="", name=name, lines=(("", words),), raw=hex_words(raw))


def data_item(did: int, raw: bytes, forms: Forms) -> StoredItem:
    """One identifier of a snapshot, of a length that is known."""
    number, name = named(did, forms)
    layout = forms.identifiers.get(did)
    # Without the profile only an identifier that carries a PID has a length.
    lines = _pid_lines(did & 0xFF, raw) if layout is None else _lines(layout, raw)
    return StoredItem(number=number, name=name, lines=lines, raw=hex_words(raw))


def named(did: int, forms: Forms) -> tuple[str, str]:
    """Number and name of an identifier, by the profile or by the standards; the number alone is its name."""
    number = f"{did:04X}"
    if (layout := forms.identifiers.get(did)) is not None:
        return number, layout.name
    if did in _PID_LENGTHS:
        return number, PIDS[did & 0xFF].name
    name = identifier_name(did) or OBD_PAGES.get(did >> 8)
    return ("", f"identifier {number}") if name is None else (number, name)


def record_item(number: int, raw: bytes, forms: Forms) -> StoredItem:
    """One extended data record of a size that is known."""
    layout = forms.records.get(number)
    if layout is None:
        return plain_item(f"record {number:02X}", NOT_DIVIDED, raw)
    return StoredItem(number=f"{number:02X}", name=layout.name, lines=_lines(layout, raw), raw=hex_words(raw))


def _lines(layout: Layout, raw: bytes) -> Lines:
    try:
        reading = read_layout(layout, raw)
    except DecodeError as error:
        return (("", f"cannot be read by its layout ({error.field}: {error.reason})"),)
    return _field_lines(layout.name, reading.values, reading.absent)


def _pid_lines(pid: int, raw: bytes) -> Lines:
    block = read_pid(pid, raw)
    if block.monitors is not None:
        return _monitor_lines(block.monitors)
    if block.supported is not None:
        return (("", " ".join(f"{number:02X}" for number in sorted(block.supported)) or "none"),)
    values = [replace(value, unit=_UNITS.get(value.unit, value.unit)) for value in block.values]
    return _field_lines(block.name, values, block.absent)


def _field_lines(name: str, values: Sequence[FieldValue], absent: Sequence[str]) -> Lines:
    found = [(value.name, _value_words(value)) for value in values] + [(field, "not there") for field in absent]
    if not found:
        return (("", NOT_DIVIDED),)
    return (("", found[0][1]),) if [field for field, _words in found] == [name] else tuple(found)


def _monitor_lines(status: MonitorStatus) -> Lines:
    """Lamp, count and monitors; PID 41 tells neither lamp nor count."""
    supported = [monitor for monitor in status.monitors if monitor.supported]
    lines = [] if status.mil is None else [("malfunction lamp", "on" if status.mil else "off")]
    lines += [] if status.code_count is None else [("stored codes", str(status.code_count))]
    for label, complete in (("complete", True), ("not complete", False)):
        names = ", ".join(monitor.name for monitor in supported if monitor.complete is complete)
        lines.append((label, names or "none"))
    return tuple(lines)


def _value_words(found: FieldValue) -> str:
    value = found.value
    if value is None:
        return "no text"
    if isinstance(value, str):
        return value or "blank"
    shown = f"{_number_words(value)} {found.unit}".rstrip()
    return shown if found.label is None else f"{found.label} ({shown})"


def _number_words(value: int | float) -> str:
    if isinstance(value, float):
        return number_text(value)
    return number_words(value) if value.bit_length() <= _LONGEST_BITS else f"number of {value.bit_length()} bits"


def hex_words(raw: bytes) -> str:
    """Bytes as the report prints them: ``2F 00``."""
    return raw.hex(" ").upper()
