"""Layouts as a profile writes them: one block of bytes and the fields in it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any, get_args

from decoders.errors import UsageError
from decoders.layout import Bits, Field, FieldKind, Layout, Scale
from gateway.profiles import fields as read
from gateway.profiles.fields import optional, required
from sessions.profile import QUANTITIES, Profile, ProfileIdentifier, ProfileLayout, ProfileMessage, Quantity

Block = ProfileLayout | ProfileMessage
Fail = Callable[[str, UsageError], UsageError]

_LONGEST = 0xFFF
LAYOUT = {
    "name": required(read.name),
    "identifier": optional(read.identifier_number),
    "record": optional(read.record_number),
    "message": optional(read.message_id),
    "length": required(read.integer(1, _LONGEST)),
    "units": optional(read.addresses),
}
FIELD = {
    "name": required(read.name),
    "byte": optional(read.integer(0, _LONGEST)),
    "bytes": optional(read.integer(1, _LONGEST)),
    "bit": optional(read.integer(0, 8 * _LONGEST)),
    "bits": optional(read.integer(1, 8 * _LONGEST)),
    "little_endian": optional(read.boolean),
    "kind": optional(read.one_of(get_args(FieldKind))),
    "scale_num": optional(read.integer()),
    "scale_den": optional(read.not_zero),
    "offset": optional(read.exact),
    "unit": optional(read.text),
    "names": optional(read.raw_names),
    "quantity": optional(read.one_of(QUANTITIES)),
}
_SUBJECTS = ("identifier", "record", "message")
_PLACES = ("byte", "bytes", "bit", "bits")
_OF_NUMBERS = ("little_endian", "scale_num", "scale_den", "offset", "unit", "names", "quantity")
_MEANINGLESS: Mapping[str, tuple[str, ...]] = {"text": _OF_NUMBERS, "bytes": _OF_NUMBERS, "float": ("names",)}
FLOAT_BITS = (16, 32, 64)
MOST_NUMBER_BITS = 64
MOST_NUMBER_BYTES = MOST_NUMBER_BITS // 8


def make_block(values: Mapping[str, Any], rows: Iterable[Mapping[str, Any]], fail: Fail, fails: list[Fail]) -> Block:
    """Make a layout from what was read of its table and of its fields' tables.

    Args:
        values: the table, read by `LAYOUT`.
        rows: its fields, each read by `FIELD`.
        fail: adds the place of a key of the table to what is wrong with it.
        fails: the same for each field.

    Raises:
        UsageError: the parts do not fit together.
    """
    given = [key for key in _SUBJECTS if key in values]
    if len(given) != 1:
        raise fail(given[-1] if given else "name", UsageError("needs one of identifier, record and message"))
    made: list[Field] = []
    quantities: list[tuple[str, Quantity]] = []
    for row, fail_field in zip(rows, fails, strict=True):
        if any(item.name == row["name"] for item in made):
            raise fail_field("name", UsageError(f"'{row['name']}' is there twice in this layout"))
        made.append(_field(row, values["length"], fail_field))
        if row.get("quantity", "other") != "other":
            if any(quantity == row["quantity"] for _, quantity in quantities):
                raise fail_field("quantity", UsageError(f"{row['quantity']} is there twice in this layout"))
            quantities.append((row["name"], row["quantity"]))
    layout = Layout(name=values["name"], length=values["length"], fields=tuple(made))
    units = values.get("units", ())
    if given == ["message"]:
        if units:
            raise fail("units", UsageError("a message is known by its CAN identifier, whoever sends it"))
        return ProfileMessage(can_id=values["message"], layout=layout, quantities=tuple(quantities))
    return ProfileLayout(
        subject="identifier" if given == ["identifier"] else "record",
        number=values[given[0]],
        layout=layout,
        quantities=tuple(quantities),
        units=units,
    )


def _field(row: Mapping[str, Any], length: int, fail: Fail) -> Field:
    kind: FieldKind = row.get("kind", "unsigned")
    for key in _MEANINGLESS.get(kind, ()):
        if key in row:
            raise fail(key, UsageError(f"means nothing for a field of kind {kind}"))
    bits = _bits(row, kind, fail)
    if bits.size > length:
        last = next(key for key in reversed(_PLACES) if key in row)
        raise fail(last, UsageError(f"the field ends behind the {length} bytes of its layout"))
    return Field(
        name=row["name"],
        bits=bits,
        kind=kind,
        scale=Scale.of(Fraction(row.get("scale_num", 1), row.get("scale_den", 1)), row.get("offset", Fraction(0))),
        unit=row.get("unit", ""),
        names=_names(row.get("names", ()), bits.length, kind, fail),
    )


def _bits(row: Mapping[str, Any], kind: FieldKind, fail: Fail) -> Bits:
    match [key for key in _PLACES if key in row]:
        case ["byte", "bytes"]:
            start, length = row["byte"] * 8, row["bytes"] * 8
        case ["bit", "bits"]:
            start, length = row["bit"], row["bits"]
        case given:
            raise fail(
                given[-1] if given else "name", UsageError("needs byte and bytes, or bit and bits, and no other")
            )
    if kind in ("text", "bytes") and (start % 8 or length % 8):
        raise fail("bits", UsageError(f"a field of kind {kind} is whole bytes"))
    if kind == "float" and length not in FLOAT_BITS:
        raise fail("bits" if "bits" in row else "bytes", UsageError("a float has 16, 32 or 64 bits"))
    if kind in ("unsigned", "signed") and length > MOST_NUMBER_BITS:
        raise fail(
            "bits" if "bits" in row else "bytes",
            UsageError(f'a number has at most {MOST_NUMBER_BITS} bits: write kind = "bytes" for more'),
        )
    return Bits(start=start, length=length, order="little" if row.get("little_endian") else "big")


def _names(given: Iterable[tuple[int, str]], length: int, kind: FieldKind, fail: Fail) -> tuple[tuple[int, str], ...]:
    lowest = -(1 << length - 1) if kind == "signed" else 0
    names: dict[int, str] = {}
    for number, meaning in given:
        if not lowest <= number < lowest + (1 << length):
            raise fail("names", UsageError(f"{number} is no raw number of {length} bits ({kind})"))
        raw = number % (1 << length)
        if raw in names:
            raise fail("names", UsageError(f"{number} is there twice"))
        names[raw] = meaning
    return tuple(sorted(names.items()))


def says_number(item: ProfileIdentifier) -> bool:
    """True if an identifier has more than name and length: then it is a number, else its bytes may be anything."""
    return item != replace(item, signed=False, scale_num=1, scale_den=1, offset=0, unit="", quantity="other")


def lengths_that_differ(profile: Profile) -> Iterable[tuple[ProfileLayout, str]]:
    """Layouts whose length is not what [[identifier]] or extended_sizes say in some unit, with what is wrong."""
    for address in (*(unit.address for unit in profile.units), ""):
        unit = profile.unit(address)
        sizes = {number: item.length for number, item in profile.identifiers_for(address).items()}
        records = dict(unit.extended_sizes if unit else ())
        for number, item in profile.layouts_for(address, "identifier").items():
            if sizes.get(number, item.layout.length) != item.layout.length:
                yield item, f"{number:04X} has {sizes[number]} bytes by its [[identifier]]"
        for number, item in profile.layouts_for(address, "record").items():
            if records.get(number, item.layout.length) != item.layout.length:
                yield item, f"record {number:02X} has {records[number]} bytes by the extended_sizes of {address}"
