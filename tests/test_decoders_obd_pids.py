"""The table of service 01: its shape, its parts, and its values against the bench's own encoders."""

import random

import pytest

from decoders.errors import DecodeError
from decoders.layout import FieldValue
from decoders.obd_data import PIDS, PidBlock, decode_current_data, decode_live, read_pid, scale
from simulators import wire
from simulators import wire_obd as bench

INPUTS = 40
ENCODED = sorted(pid for pid in PIDS if bench.numbers_of(pid))
GUARDED = [pid for pid in ENCODED if pid > 0x65 and PIDS[pid].fields[0].when]


def number_of(item: FieldValue) -> float:
    assert isinstance(item.value, int | float)
    return item.value


def numbers(block: PidBlock) -> list[float]:
    return [number_of(item) for item in block.values]


def answer(pid: int, data: bytes) -> PidBlock:
    (block,) = decode_current_data(wire.current_data([(pid, data)])).blocks
    return block


def test_the_table_knows_the_published_identifiers() -> None:
    # SAE J1979-DA: 95 to 97 and A7 on are not assigned, or their length is not certain (C4 is).
    missing = {pid for pid in range(0xC5) if pid not in PIDS}
    assert {0x95, 0x96, 0x97, *range(0xA7, 0xC0), 0xC1, 0xC2, 0xC3} == missing


@pytest.mark.parametrize("pid", PIDS)
def test_each_field_lies_in_its_block_and_has_a_name_of_its_own(pid: int) -> None:
    layout = PIDS[pid]
    assert len(layout.fields) == len({field.name for field in layout.fields})
    assert all(field.size <= layout.length for field in layout.fields)
    assert layout.name


@pytest.mark.parametrize("pid", PIDS)
def test_no_two_fields_share_a_bit(pid: int) -> None:
    bits = [at for item in PIDS[pid].fields for at in range(item.bits.start, item.bits.start + item.bits.length)]
    assert len(bits) == len(set(bits))


@pytest.mark.parametrize("pid", ENCODED)
def test_the_bench_writes_back_the_bytes_that_were_read(pid: int) -> None:
    chance = random.Random(pid)  # noqa: S311 - bytes, not a secret
    room = bench.numbers_of(pid)
    for _ in range(INPUTS):
        data = bytearray(chance.randrange(0xFF) for _ in range(PIDS[pid].length))
        if pid in GUARDED:
            data[0] = (1 << room) - 1
        found = numbers(answer(pid, bytes(data)))
        assert bytes(data) == bench.parameter(pid, *found)


@pytest.mark.parametrize("pid", GUARDED)
def test_only_the_part_that_a_unit_has_is_a_number(pid: int) -> None:
    room = bench.numbers_of(pid)
    for part in range(room):
        data = bench.parameter(pid, *(6.0 if at == part else None for at in range(room)))
        block = answer(pid, data)
        (found,) = numbers(block)
        assert data == bench.parameter(pid, *(found if at == part else None for at in range(room)))
        assert room - 1 == len(block.absent)
        noise = data[:1] + b"\xff" * (len(data) - 1)
        assert [block.values[0].name] == [item.name for item in answer(pid, noise).values]


def test_the_bench_encodes_most_identifiers_that_carry_numbers() -> None:
    assert (133, 34) == (len(ENCODED), len(GUARDED))


@pytest.mark.parametrize(
    ("data_hex", "labels"),
    [
        # SAE J1979-DA (from memory)
        ("41 03 02 04", ["closed loop", "open loop, load or overrun"]),
        ("41 12 08", ["pump on for diagnosis"]),
        ("41 1C 21", ["HD EOBD-VI"]),
        ("41 1E 01", ["on"]),
        ("41 51 04", ["diesel"]),
        ("41 5F 0E", ["heavy duty, Euro IV B1"]),
        ("41 65 0F 05", ["on", "park or neutral", "in gear", "off"]),
        ("41 65 01 00", ["off"]),
        ("41 70 24 0000 0000 0000 0000 09", ["open loop", "closed loop"]),
        ("41 7D 01", ["yes", "no", "no", "no"]),
        ("41 88 80 00 00 0000 0000 0000 0000 0000", ["no", "no", "no", "no", "yes"]),
        ("41 8B 0F 03 00 0000 0000", ["running", "active", "not running", "not running"]),
        ("41 92 11 10", ["open loop", "closed loop"]),
        ("41 9A 01 01 0000 0000", ["charge depleting"]),
        # numbers without a name stay without one
        ("41 03 03 20", [None, None]),
        ("41 12 10", [None]),
        ("41 1C 0E", [None]),
        ("41 51 FA", [None]),
        ("41 5F 01", [None]),
    ],
)
def test_states_have_the_names_of_the_standard_and_no_others(data_hex: str, labels: list[str | None]) -> None:
    assert labels == [value.label for value in decode_live(bytes.fromhex(data_hex))]


@pytest.mark.parametrize(
    ("data_hex", "values"),
    [
        # SAE J1979-DA (from memory); what no other decoder at hand scales
        ("41 8B 70 00 80 003C 0064", [("%", 100 * 128 / 255), ("min", 60), ("km", 100)]),
        ("41 8F 0F 01 2710 02 D8F0", [("", 1), ("", 0), ("%", 100.0), ("", 0), ("", 1), ("%", -100.0)]),
        ("41 90 00 000A", [("h", 10)]),
        ("41 91 00 000A 0014", [("h", 10), ("h", 20)]),
        ("41 93 01 000A", [("h", 10)]),
        ("41 93 00 000A", []),
        ("41 94 00 0000 0000 0000 0000 0000 00", []),
        ("41 9A 06 00 6400 FF9C", [("V", 400.0), ("A", -10.0)]),
        ("41 9B 0E 82 41 FF", [("%", 32.5), ("C", 25), ("%", 100.0)]),
        ("41 A4 02 00 0BB8", [("", 3.0)]),
        ("41 A4 00 00 0BB8", []),
        # 83: the second sensor is there and has no value yet
        ("41 83 23 000A 0014 0000 0000", [("ppm", 10)]),
    ],
)
def test_later_identifiers_have_their_scales(data_hex: str, values: list[tuple[str, float]]) -> None:
    found = [(value.unit, value.value) for value in decode_live(bytes.fromhex(data_hex))]
    assert [unit for unit, _ in values] == [unit for unit, _ in found]
    assert [value for _, value in values] == pytest.approx([value for _, value in found])


def test_readiness_and_bitmaps_are_read_where_they_stand_among_values() -> None:
    # SAE J1979, several PIDs in one request; readiness recorded from a vehicle
    found = decode_current_data(bytes.fromhex("41 01 00 27 E1 00 41 00 07 05 00 20 80 00 00 01 0D 32"))
    since_clear, this_cycle, bitmap, speed = found.blocks
    assert since_clear.monitors is not None
    assert ["fuel system"] == [m.name for m in since_clear.monitors.monitors if m.supported and not m.complete]
    assert this_cycle.monitors is not None
    assert (0x41, None) == (this_cycle.monitors.pid, this_cycle.monitors.mil)
    assert (frozenset({0x21, 0x40}), None) == (bitmap.supported, bitmap.monitors)
    assert ([50], None) == (numbers(speed), speed.supported)
    assert [since_clear.raw, this_cycle.raw] == [since_clear.monitors.raw, this_cycle.monitors.raw]


def test_each_number_of_one_identifier_is_a_live_value_of_its_own() -> None:
    voltage, trim = decode_live(bytes.fromhex("41 15 5A 80"))
    assert (0x15, "oxygen sensor 2, voltage", 0.45, "V") == (voltage.pid, voltage.name, voltage.value, voltage.unit)
    assert ("oxygen sensor 2, short-term trim", 0.0, b"\x5a\x80") == (trim.name, trim.value, trim.raw)


def test_the_place_of_an_identifier_of_unknown_length_is_named() -> None:
    with pytest.raises(DecodeError, match="the length of PID A7 is not known") as caught:
        decode_live(bytes.fromhex("41 0D 32 A7 01"))
    assert ("PID", 3) == (caught.value.field, caught.value.offset)


def test_the_value_of_an_identifier_with_one_number_needs_no_answer_around_it() -> None:
    assert 12.266 == scale(0x42, b"\x2f\xea")  # recorded from a vehicle


def test_one_value_of_an_identifier_with_several_is_not_chosen() -> None:
    with pytest.raises(DecodeError, match="PID 14 at byte 0: it carries 2 numbers"):
        scale(0x14, b"\x5a\x80")


def test_the_bytes_of_an_unknown_identifier_are_not_read() -> None:
    with pytest.raises(DecodeError, match="the length of PID B2 is not known"):
        read_pid(0xB2, b"\x00")


def test_the_bench_refuses_a_number_that_does_not_fit() -> None:
    with pytest.raises(OverflowError):
        bench.parameter(0x0D, 300)
