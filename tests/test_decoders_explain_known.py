"""What a profile knows of a unit gets into an explanation: layouts, lengths and the maker's words."""

from __future__ import annotations

import pytest

from decoders.explain import Known, Part, explain
from decoders.explain.words import formula
from decoders.layout import Bits, Field, FieldKind, Layout, Scale, When, whole_bytes


def parts(hex_text: str, known: Known) -> list[str]:
    """The parts behind the service and the identifier, as ``bytes, field: meaning``."""
    explanation = explain(bytes.fromhex(hex_text), known)
    assert explanation.problem is None
    return [shown(part) for part in explanation.parts]


def shown(part: Part) -> str:
    return f"{part.raw.hex(' ').upper()}, {part.field}: {part.meaning}"


def identifier(*fields: Field, length: int, name: str = "pump") -> Known:
    return Known(identifiers={0x4711: Layout(name=name, length=length, fields=fields)})


def data_parts(hex_text: str, known: Known) -> list[str]:
    return parts("62 47 11" + hex_text, known)[2:]


def test_the_makers_words_for_a_code_come_first() -> None:
    known = Known(texts={"C0035-13": "Left front wheel speed sensor, open circuit"})
    assert [
        "40 35 13, code: C0035-13: Left front wheel speed sensor, open circuit",
        "0F, status: test failed, failed this cycle, pending, confirmed",
        "40 35 00, code: C0035-00: generic range: brakes, wheels, steering and vehicle dynamics",
        "00, status: no supported bit set",
    ] == parts("5902FF4035130F40350000", known)[3:]


def test_an_identifier_of_a_profile_is_named_and_scaled() -> None:
    known = identifier(whole_bytes("pressure", 0, 2, scale=Scale(num=5, add=-400, den=2), unit="kPa"), length=2)
    assert [
        "62, service: answer to 22: read data by identifier",
        "47 11, identifier: 4711, pump",
        "01 F4, pressure: 1050 kPa = (500 * 5 - 400) / 2",
        "F1 86, identifier: F186, active session",
        "01, data: default session",
    ] == parts("62471101F4F18601", known)


def test_a_length_of_the_profile_comes_before_the_one_that_the_standard_fixes() -> None:
    known = Known(identifiers={0xF186: Layout(name="session and mode", length=2, fields=())})
    assert [
        "F1 86, identifier: F186, session and mode",
        "01 02, data: layout not known here: a profile can give it",
        "F4 0D, identifier: F40D, OBD value: road speed",
        "32, road speed: 50 km/h",
    ] == parts("62F1860102F40D32", known)[1:]


def test_a_signed_number_is_shown_with_its_sign() -> None:
    known = identifier(whole_bytes("current", 0, 1, kind="signed", scale=Scale(den=2), unit="A"), length=1)
    assert ["FD, current: -1.5 A = -3 / 2"] == data_parts("FD", known)
    assert ["03, current: 1.5 A = 3 / 2"] == data_parts("03", known)


def test_small_numbers_keep_their_digits() -> None:
    known = identifier(whole_bytes("leak", 0, 1, scale=Scale(den=4096), unit="L"), length=1)
    assert ["01, leak: 0.000244141 L = 1 / 4096"] == data_parts("01", known)


@pytest.mark.parametrize(
    ("kind", "raw", "meaning"),
    [
        ("float", "3FC00000", "3 V = raw * 2"),
        ("text", "50554D50", "PUMP"),
        ("text", "00000000", "no text"),
        ("text", "01020304", "no text"),
        ("bytes", "01020304", "01020304"),
    ],
)
def test_every_kind_of_field_is_said(kind: FieldKind, raw: str, meaning: str) -> None:
    scale = Scale(num=2) if kind == "float" else Scale()
    known = identifier(whole_bytes("field", 0, 4, kind=kind, scale=scale, unit="V"), length=4)
    assert [f"{bytes.fromhex(raw).hex(' ').upper()}, field: {meaning}"] == data_parts(raw, known)


def test_fields_that_share_a_byte_stand_together_and_a_gap_says_so() -> None:
    known = identifier(
        Field(name="valve", bits=Bits(start=7, length=1), names=((1, "open"),)),
        Field(name="step", bits=Bits(start=0, length=4)),
        whole_bytes("level", 2, 1),
        length=4,
    )
    assert [
        "51, pump: step: 5; valve: open (1)",
        "22, pump: no meaning that is certain",
        "33, level: 51",
        "44, pump: no meaning that is certain",
    ] == data_parts("51223344", known)


def test_a_field_over_two_bytes_joins_what_lies_in_them() -> None:
    known = identifier(
        Field(name="low", bits=Bits(start=0, length=12, order="little")),
        Field(name="high", bits=Bits(start=12, length=4, order="little")),
        length=2,
    )
    assert ["21 43, pump: low: 801; high: 4"] == data_parts("2143", known)


def test_a_field_whose_condition_does_not_hold_is_not_there() -> None:
    condition = When(bits=Bits(start=7, length=1), values=(1,))
    known = identifier(whole_bytes("level", 1, 1, when=(condition,)), length=2)
    assert ["00, pump: says which of the values are there", "33, level: not there"] == data_parts("0033", known)


def test_a_layout_that_cannot_be_applied_loses_no_byte() -> None:
    outside = identifier(whole_bytes("level", 1, 1), length=1)
    assert ["33, pump: cannot be read by its layout: level at byte 1: the layout puts it at byte 1 of 1"] == data_parts(
        "33", outside
    )
    too_large = identifier(whole_bytes("level", 0, 200, scale=Scale(den=3)), length=200)
    [part] = data_parts("FF" * 200, too_large)
    assert "pump: cannot be read by its layout" in part


def test_a_length_alone_lets_the_next_identifier_be_found() -> None:
    known = identifier(length=2, name="identifier 4711")
    assert [
        "62, service: answer to 22: read data by identifier",
        "47 11, identifier: 4711, identifier 4711",
        "01 02, data: layout not known here: a profile can give it",
        "F4 0D, identifier: F40D, OBD value: road speed",
        "32, road speed: 50 km/h",
    ] == parts("6247110102F40D32", known)


def test_extended_data_records_are_read_by_their_layouts() -> None:
    counter = Layout(name="occurrence counter", length=1, fields=(whole_bytes("occurrences", 0, 1),))
    known = Known(records={1: counter, 2: Layout(name="record 02", length=2, fields=())})
    assert [
        "01, record number: record 01",
        "05, occurrences: 5",
        "02, record number: record 02",
        "11 22, data of record 02: layout not known here: a profile can give it",
        "10, record number: record 10",
        "99, data: its size is not known here, a profile can give it; it may hold further records",
    ] == parts("59060420002F01050211221099", known)[4:]


def test_one_extended_data_record_of_all_codes_is_read_by_its_layout() -> None:
    known = Known(records={1: Layout(name="counter", length=1, fields=(whole_bytes("occurrences", 0, 1),))})
    assert [
        "01, record number: record 01",
        "04 20 00, code: P0420-00: generic range: auxiliary emission controls",
        "2F, status: sent, support not read: test failed, failed this cycle, pending, confirmed, failed since clear",
        "05, occurrences: 5",
        "00 00 00 00 00, empty record: zero bytes only: names no code",
    ] == parts("5916010420002F050000000000", known)[2:]


@pytest.mark.parametrize(
    ("kind", "raw", "meaning"),
    [
        ("unsigned", "FF" * 16, str(2**128 - 1)),
        ("unsigned", "01" + "00" * 16, f"0x1{'0' * 32}"),
        ("unsigned", "FF" * 3000, f"0x{'F' * 6000}"),
        ("signed", "80" + "00" * 2999, f"-0x8{'0' * 5999}"),
        ("signed", "FF" * 3000, "-1"),
    ],
    ids=["128 bits", "129 bits", "3000 bytes", "3000 bytes below zero", "3000 bytes of a small number"],
)
def test_a_number_that_nobody_could_read_is_shown_in_hex(kind: FieldKind, raw: str, meaning: str) -> None:
    known = identifier(whole_bytes("field", 0, len(raw) // 2, kind=kind), length=len(raw) // 2)
    [part] = data_parts(raw, known)
    assert part.endswith(f", field: {meaning}")


def test_a_scale_of_thousands_of_digits_is_shown() -> None:
    scale = Scale(num=2**20000, add=-(2**20000))
    [part] = data_parts("FF" * 2000, identifier(whole_bytes("field", 0, 2000, scale=scale), length=2000))
    assert f" = 0x{'F' * 4000} * 0x1{'0' * 5000} - 0x1{'0' * 5000}" in part


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (Scale(), ""),
        (Scale(den=4), "raw / 4"),
        (Scale(add=-40), "raw - 40"),
        (Scale(num=10), "raw * 10"),
        (Scale(num=100, den=255), "raw * 100 / 255"),
        (Scale(num=100, add=12800, den=128), "(raw * 100 + 12800) / 128"),
    ],
)
def test_a_scale_is_written_as_what_is_done_to_the_raw_number(scale: Scale, words: str) -> None:
    assert words == formula(scale)
