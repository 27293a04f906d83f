"""A block of bytes with a layout: cut where its fields begin, each with its value."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from decoders.errors import DecodeError
from decoders.explain.scribe import Scribe
from decoders.explain.words import formula, number_text
from decoders.layout import Field, Layout, read_layout

_NO_MEANING = "no meaning that is certain"
_SAYS_WHICH = "says which of the values are there"
_NOT_THERE = "not there"
_NO_TEXT = "no text"


def write_layout(scribe: Scribe, layout: Layout) -> None:
    """Write the next bytes down by a layout; bytes that belong to none of its fields say so.

    Raises:
        DecodeError: fewer bytes are left.
    """
    block = scribe.peek(layout.length, layout.name)
    try:
        read_layout(layout, block)
    except DecodeError as error:
        scribe.note(layout.length, layout.name, f"cannot be read by its layout: {error}")
        return
    at = 0
    for first, last, fields in _spans(layout):
        _write_gap(scribe, layout, at, first)
        name = fields[0].name if len(fields) == 1 else layout.name
        said = [(field.name, _field_text(field, layout, block)) for field in fields]
        text = said[0][1] if len(said) == 1 else "; ".join(f"{field}: {words}" for field, words in said)
        scribe.note(last - first, name, text)
        at = last
    _write_gap(scribe, layout, at, layout.length)


def _write_gap(scribe: Scribe, layout: Layout, first: int, last: int) -> None:
    conditions = [when.bits for field in layout.fields for when in field.when]
    is_asked = any(first * 8 < bits.start + bits.length and bits.start < last * 8 for bits in conditions)
    scribe.note(last - first, layout.name, _SAYS_WHICH if is_asked else _NO_MEANING)


def _spans(layout: Layout) -> Iterator[tuple[int, int, list[Field]]]:
    """Whole bytes as (first, behind the last, the fields in them); fields that share a byte stand together."""
    together: list[Field] = []
    start = end = 0
    for field in sorted(layout.fields, key=lambda item: item.bits.start):
        first = field.bits.start // 8
        if together and first >= end:
            yield start, end, together
            together = []
        if not together:
            start = first
        together.append(field)
        end = max(end, field.bits.size)
    if together:
        yield start, end, together


def _field_text(field: Field, layout: Layout, block: bytes) -> str:
    """What one field says: its value with unit and scaling, its meaning, or that it is not there."""
    reading = read_layout(replace(layout, fields=(field,)), block)
    if reading.absent:
        return _NOT_THERE
    found = reading.values[0]
    if not isinstance(found.value, int | float):
        return found.value or _NO_TEXT
    shown = f"{number_text(found.value)} {found.unit}".rstrip()
    if found.label is not None:
        return f"{found.label} ({shown})"
    scaling = formula(field.scale, _raw_text(field, found.raw))
    return f"{shown} = {scaling}" if scaling else shown


def _raw_text(field: Field, raw: int) -> str:
    """A raw number with the sign that it has."""
    if field.kind == "float":
        return "raw"
    return number_text(
        raw - (1 << field.bits.length) if field.kind == "signed" and raw >> field.bits.length - 1 else raw
    )
