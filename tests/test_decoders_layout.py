"""Layouts: where fields lie, how they scale, and what is not there."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

import pytest
from cantools.database.can import Database
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import DecodeError
from decoders.layout import (
    Bits,
    Field,
    FieldKind,
    FieldValue,
    Layout,
    LayoutReading,
    Number,
    Order,
    Scale,
    When,
    read_layout,
    whole_bytes,
)


def value_of(field: Field, data: bytes) -> FieldValue:
    """The one field of a block that is just as long as `data`."""
    [value] = read_layout(Layout(name="block", length=len(data), fields=(field,)), data).values
    return value


def at(start: int, length: int, order: Order = "big", kind: FieldKind = "unsigned") -> Field:
    return Field(name="x", bits=Bits(start=start, length=length, order=order), kind=kind)


# --- where a field lies -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "length", "order", "data", "expected"),
    [
        # Worked by hand from the definition of Bits: big counts from the highest bit of byte 0 on.
        (0, 8, "big", "A5 3C", 0xA5),
        (8, 8, "big", "A5 3C", 0x3C),
        (0, 16, "big", "A5 3C", 0xA53C),
        (4, 8, "big", "A5 3C", 0x53),
        (0, 1, "big", "80 00", 1),
        (15, 1, "big", "00 01", 1),
        # little counts from the lowest bit of byte 0 on.
        (0, 8, "little", "A5 3C", 0xA5),
        (8, 8, "little", "A5 3C", 0x3C),
        (0, 16, "little", "A5 3C", 0x3CA5),
        (4, 8, "little", "A5 3C", 0xCA),
        (0, 1, "little", "01 00", 1),
        (15, 1, "little", "00 80", 1),
    ],
)
def test_bits_are_counted_by_their_byte_order(start: int, length: int, order: Order, data: str, expected: int) -> None:
    assert expected == value_of(at(start, length, order), bytes.fromhex(data)).value


@pytest.mark.parametrize(("start", "length", "expected"), [(0, 1, 1), (0, 8, 1), (0, 9, 2), (7, 2, 2), (8, 8, 2)])
def test_a_field_needs_the_bytes_up_to_its_last_bit(start: int, length: int, expected: int) -> None:
    assert [expected, expected] == [at(start, length, order).size for order in ("big", "little")]


def test_whole_bytes_lie_high_byte_first() -> None:
    expected = Field(name="x", bits=Bits(start=16, length=24), unit="V", names=((1, "one"),))
    assert expected == whole_bytes("x", 2, 3, unit="V", names=[(1, "one")])


# --- what a field means -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "data", "expected"),
    [
        ("unsigned", "FF FE", 0xFFFE),
        ("signed", "FF FE", -2),
        ("signed", "7F FF", 32767),
        ("signed", "80 00", -32768),
        # IEEE 754: binary16, binary32 and binary64 of known numbers.
        ("float", "3C 00", 1.0),
        ("float", "C0 20 00 00", -2.5),
        ("float", "3F D0 00 00 00 00 00 00", 0.25),
        ("text", "41 42 43", "ABC"),
        ("text", "41 42 00 00", "AB"),
        ("text", "41 20 42 20 FF", "A B"),
        ("text", "00 00", ""),
        ("text", "41 07 42", None),
        ("bytes", "0A BC", "0ABC"),
    ],
)
def test_each_kind_reads_its_bits(kind: FieldKind, data: str, expected: Number | str | None) -> None:
    content = bytes.fromhex(data)
    value = value_of(at(0, len(content) * 8, kind=kind), content)
    assert (expected, int.from_bytes(content, "big")) == (value.value, value.raw)


def test_a_float_that_is_no_number_stays_one() -> None:
    value = value_of(at(0, 32, kind="float"), bytes.fromhex("7FC00000")).value
    assert isinstance(value, float)
    assert math.isnan(value)


@pytest.mark.parametrize("length", [8, 24, 31])
def test_no_float_has_another_length(length: int) -> None:
    with pytest.raises(DecodeError) as caught:
        value_of(at(0, length, kind="float"), bytes(8))
    assert ("x", f"no floating-point number has {length} bits") == (caught.value.field, caught.value.reason)


def test_a_number_with_a_name_has_both() -> None:
    door = Field(name="door", bits=Bits(start=0, length=2), names=((0, "closed"), (1, "open")))
    assert [(0, "closed"), (1, "open"), (2, None)] == [
        (value.value, value.label) for value in (value_of(door, bytes([raw << 6])) for raw in range(3))
    ]


def test_a_name_belongs_to_the_raw_number_not_to_the_scaled_one() -> None:
    field = Field(name="x", bits=Bits(start=0, length=8), kind="signed", scale=Scale(add=1), names=((0xFF, "none"),))
    value = value_of(field, b"\xff")
    assert (0, "none", 0xFF) == (value.value, value.label, value.raw)


# --- scales -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "offset", "raw", "expected"),
    [
        ("1", "0", 7, 7),
        ("1", "-40", 0, -40),
        ("2", "3", 7, 17),
        ("0.1", "0", 3, 0.3),
        ("0.1", "-0.2", 3, 0.1),
        ("0.25", "-40", 200, 10.0),
        ("1/3", "1/7", 6, 15 / 7),
        ("0.000000001", "0", 2**53 + 1, 9007199.254740993),
    ],
)
def test_a_scale_rounds_once_at_the_end(factor: str, offset: str, raw: int, expected: Number) -> None:
    # The expected values are the exact results, rounded once to the nearest double.
    scale = Scale.of(Fraction(factor), Fraction(offset))
    found = scale.apply(raw)
    assert (expected, type(expected)) == (found, type(found))


@given(st.fractions(), st.fractions(), st.integers(-(2**64), 2**64))
def test_a_scale_is_the_exact_fraction(factor: Fraction, offset: Fraction, raw: int) -> None:
    scale = Scale.of(factor, offset)
    assert raw * factor + offset == Fraction(raw * scale.num + scale.add, scale.den)


# --- blocks -----------------------------------------------------------------------------------------

CHOSEN = Layout(
    name="chosen",
    length=3,
    fields=(
        whole_bytes("page", 0, 1),
        whole_bytes("speed", 1, 2, when=[When(bits=Bits(start=0, length=8), values=(1, 2))]),
        whole_bytes("level", 1, 1, when=[When(bits=Bits(start=0, length=8), values=(3,))]),
        whole_bytes(
            "deep",
            2,
            1,
            when=[When(bits=Bits(start=0, length=8), values=(3,)), When(bits=Bits(start=8, length=8), values=(9,))],
        ),
    ),
)


@pytest.mark.parametrize(
    ("data", "carried", "absent"),
    [
        ("01 02 03", {"page": 1, "speed": 0x0203}, ("level", "deep")),
        ("02 02 03", {"page": 2, "speed": 0x0203}, ("level", "deep")),
        ("03 02 03", {"page": 3, "level": 2}, ("speed", "deep")),
        ("03 09 07", {"page": 3, "level": 9, "deep": 7}, ("speed",)),
        ("04 09 07", {"page": 4}, ("speed", "level", "deep")),
    ],
)
def test_a_block_carries_a_field_only_where_all_its_conditions_hold(
    data: str, carried: dict[str, int], absent: tuple[str, ...]
) -> None:
    reading = read_layout(CHOSEN, bytes.fromhex(data))
    assert (carried, absent) == ({item.name: item.value for item in reading.values}, reading.absent)


def test_what_is_behind_the_layout_is_left_over() -> None:
    layout = Layout(name="block", length=1, fields=(whole_bytes("x", 0, 1, unit="V"),))
    expected = LayoutReading(
        layout="block",
        values=(FieldValue(name="x", value=1, unit="V", label=None, raw=1),),
        absent=(),
        leftover=b"\x02\x03",
        raw=b"\x01\x02\x03",
    )
    assert expected == read_layout(layout, b"\x01\x02\x03")


@pytest.mark.parametrize("data", [b"", b"\x01", b"\x01\x02"])
def test_a_short_block_is_an_error_at_its_end(data: bytes) -> None:
    with pytest.raises(DecodeError) as caught:
        read_layout(CHOSEN, data)
    assert ("chosen", len(data), data) == (caught.value.field, caught.value.offset, caught.value.data)
    assert f"3 bytes are needed, {len(data)} are there" == caught.value.reason


@pytest.mark.parametrize(
    "field",
    [
        whole_bytes("x", 1, 2),
        Field(name="x", bits=Bits(start=9, length=8, order="little")),
        whole_bytes("x", 0, 1, when=[When(bits=Bits(start=16, length=1), values=(1,))]),
    ],
)
def test_a_field_outside_its_layout_is_an_error_also_where_the_block_is_long(field: Field) -> None:
    with pytest.raises(DecodeError) as caught:
        read_layout(Layout(name="block", length=2, fields=(field,)), bytes(8))
    assert ("x", 2) == (caught.value.field, caught.value.offset)
    assert "the layout puts it at byte 2 of 2" == caught.value.reason


@given(st.binary(max_size=5))
def test_any_bytes_are_read_or_refused_with_one_kind_of_error(data: bytes) -> None:
    if len(data) < CHOSEN.length:
        with pytest.raises(DecodeError):
            read_layout(CHOSEN, data)
        return
    reading = read_layout(CHOSEN, data)
    assert (data, data[3:]) == (reading.raw, reading.leftover)
    assert len(CHOSEN.fields) == len(reading.values) + len(reading.absent)


# --- beside cantools --------------------------------------------------------------------------------

FACTORS = ("1", "2", "-3", "0.5", "0.1", "0.015625", "-0.001")
OFFSETS = ("0", "-40", "0.5", "1000")


@st.composite
def fields(draw: st.DrawFn, length: int) -> list[Field]:
    """Fields of a block of so many bytes, of which no two share a bit."""
    used: set[tuple[int, int]] = set()
    made: list[Field] = []
    for number in range(draw(st.integers(1, 8))):
        kind: FieldKind = draw(st.sampled_from(("unsigned", "signed", "float")))
        order: Order = draw(st.sampled_from(("big", "little")))
        bits = draw(st.sampled_from((32, 64)) if kind == "float" else st.integers(1, 64))
        start = draw(st.integers(0, length * 8 - 1))
        places = range(start, start + bits)
        here = {divmod(place, 8) if order == "little" else (place // 8, 7 - place % 8) for place in places}
        if start + bits > length * 8 or used & here:
            continue
        used |= here
        scale = Scale.of(Fraction(draw(st.sampled_from(FACTORS))), Fraction(draw(st.sampled_from(OFFSETS))))
        made.append(Field(name=f"S{number}", bits=Bits(start=start, length=bits, order=order), kind=kind, scale=scale))
    return made


def as_dbc(made: list[Field], length: int) -> str:
    """The same fields in the words of a DBC file, whose bit 0 is always the lowest bit of byte 0."""
    lines = [f"BO_ 256 M: {length} Unit"]
    for field in made:
        start, scale = field.bits.start, field.scale
        place = start if field.bits.order == "little" else start - start % 8 + 7 - start % 8
        sign = "+" if field.kind == "unsigned" else "-"
        scaling = f"({scale.num / scale.den:.12f},{scale.add / scale.den:.12f})"
        endian = 1 if field.bits.order == "little" else 0
        lines.append(f' SG_ {field.name} : {place}|{field.bits.length}@{endian}{sign} {scaling} [0|0] "" Other')
    lines += [
        f"SIG_VALTYPE_ 256 {field.name} : {1 if field.bits.length == 32 else 2};"
        for field in made
        if field.kind == "float"
    ]
    return "\n".join(lines) + "\n"


def same(ours: Number | str | None, theirs: object) -> bool:
    """Equal, but for the rounding of a factor that is no double; not-a-number equals itself."""
    if not isinstance(ours, (int, float)) or not isinstance(theirs, (int, float)):
        return False
    return (math.isnan(ours) and math.isnan(theirs)) or math.isclose(ours, theirs, rel_tol=1e-12, abs_tol=1e-9)


@given(st.data())
@settings(deadline=None)
def test_cantools_reads_every_block_alike(data: st.DataObject) -> None:
    # Judge: cantools 45.1 on a DBC text that says the same.
    length = data.draw(st.integers(1, 16))
    made = data.draw(fields(length))
    block = data.draw(st.binary(min_size=length, max_size=length))
    database = Database()
    database.add_dbc_string(as_dbc(made, length))
    theirs = database.get_message_by_name("M").decode(block)
    ours = read_layout(Layout(name="M", length=length, fields=tuple(made)), block)
    assert isinstance(theirs, dict)
    assert {field.name for field in made} == set(theirs)
    assert [] == [item for item in ours.values if not same(item.value, theirs[item.name])]


def test_the_largest_float_times_a_factor_is_no_error() -> None:
    largest = struct.pack(">d", 1.7976931348623157e308)
    field = Field(name="x", bits=Bits(start=0, length=64), kind="float", scale=Scale(num=10))
    assert math.inf == value_of(field, largest).value


def test_a_number_too_large_for_its_scale_is_an_error_at_its_place() -> None:
    field = whole_bytes("huge", 1, 200, scale=Scale(den=3))
    with pytest.raises(DecodeError, match="huge at byte 1: the number is too large for its scale"):
        read_layout(Layout(name="block", length=201, fields=(field,)), b"\xff" * 201)
