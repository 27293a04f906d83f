"""Values of service 01 against python-OBD, scapy and an independent database, and where these are wrong."""

import math
import random
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cantools
import obd
import pytest
from obd.protocols.protocol import Message
from recorded_unit import read_candump
from scapy.contrib.automotive.obd.obd import OBD
from scapy.fields import ScalingField

from decoders.obd_data import PIDS, decode_current_data, decode_live
from decoders.obd_dids import read_obd_did

INPUTS = 60
"""Random contents tried for each identifier."""
NO_TRIM = 0xFF
DATABASE = Path("ref", "OBD-v4.4.dbc")
# The database has only the first byte of these, as one number, and readiness and fuel system as one word.
NOT_IN_DATABASE = {0x01, 0x03, 0x41, *range(0x65, 0x71)}
DATABASE_IS_WRONG = {0x32, 0x54}
IN_DATABASE = {
    *(0x02, *range(0x04, 0x13), *range(0x14, 0x1D), 0x1F, *range(0x21, 0x32), 0x33, *range(0x34, 0x40)),
    *(*range(0x42, 0x54), *range(0x55, 0x60), 0x61, 0x62, 0x63, 0x8E, 0xA6),
}
"""Identifiers whose numbers the database gives as we do."""

# python-OBD: identifier -> which of the numbers it gives. It has no others.
PYTHON_OBD_GIVES = (
    {pid: 0 for pid in range(0x04, 0x60) if pid in PIDS and len(PIDS[pid].fields) == 1}
    | dict.fromkeys(range(0x14, 0x1C), 0)
    | dict.fromkeys((*range(0x24, 0x2C), *range(0x34, 0x3C)), 1)
    | dict.fromkeys(range(0x55, 0x59), 0)
)
# 12, 1C, 51, 5F it gives as texts or not at all; 1E, 32 and 54 it reads wrong.
NOT_IN_PYTHON_OBD = {0x12, 0x1C, 0x1E, 0x32, 0x51, 0x54, 0x5F}
PYTHON_OBD_NUMBERS = set(PYTHON_OBD_GIVES) - NOT_IN_PYTHON_OBD

# scapy: other lengths or layouts than the standard's, see the tests below.
SCAPY_IS_WRONG = {0x10, *range(0x34, 0x3C), 0x6D, 0x6E, 0x70, 0x71, 0x74, 0x7A, 0x7B, 0x7F, 0x81, 0x82, 0x83}
SCAPY_SCALES = sorted({*range(0x04, 0x84)} & set(PIDS) - SCAPY_IS_WRONG - {0x20, 0x40, 0x41, 0x60, 0x80})
SCAPY_HAS_ANOTHER_LENGTH = {0x10, 0x6D, 0x6E, 0x70, 0x71, 0x7F, 0x83, 0x8C, 0x8F}
NOT_IN_SCAPY = {0xC4, 0xE0}
SPARE = bytes(64)
"""Bytes behind an answer, so that a record that is longer than ours shows."""


def contents(pid: int) -> Iterable[bytes]:
    """Random data bytes of one identifier: all parts there, no trim of FF."""
    chance = random.Random(pid)  # noqa: S311 - bytes, not a secret
    for _ in range(INPUTS):
        raw = bytearray(chance.randbytes(PIDS[pid].length))
        if 0x14 <= pid < 0x1C:
            raw[1] = chance.randrange(NO_TRIM)
        if pid >= 0x65 and PIDS[pid].fields[0].when:
            raw[0] = 0xFF
        yield bytes(raw)


def ours(pid: int, raw: bytes) -> list[float]:
    return [value.value for value in decode_live(bytes([0x41, pid]) + raw)]


def python_obd(pid: int, raw: bytes) -> Any:
    command = obd.commands[1][pid]
    message = Message([])
    message.ecu = command.ecu
    message.data = bytearray([0x41, pid]) + bytearray(raw)
    value = command([message]).value
    return getattr(value, "magnitude", value)


def scapy_record(pid: int, raw: bytes) -> Any:
    return OBD(bytes([0x41, pid]) + raw).data_records[0].payload


def scapy_numbers(pid: int, raw: bytes) -> list[float]:
    """All scaled numbers of scapy's record, in their order."""
    record = scapy_record(pid, raw)
    return [float(getattr(record, field.name)) for field in record.fields_desc if isinstance(field, ScalingField)]


SCAPY_NUMBERS = {pid for pid in SCAPY_SCALES if scapy_numbers(pid, bytes(PIDS[pid].length))}
"""Identifiers of which scapy gives numbers that are compared with ours."""


@pytest.fixture(scope="module")
def database(recordings: Path) -> cantools.database.Database:
    """The independent database; it knows every answer that fits into one frame."""
    found = cantools.database.load_file(recordings / DATABASE)
    assert isinstance(found, cantools.database.Database)
    return found


def in_database(database: cantools.database.Database, pid: int, raw: bytes) -> list[float]:
    """The numbers of one identifier, in the order of their places."""
    return _signals(database, 0x7E8, f"S01PID{pid:02X}_", bytes([0x41, pid]) + raw)


def _signals(database: cantools.database.Database, can_id: int, prefix: str, data: bytes) -> list[float]:
    message = database.get_message_by_frame_id(can_id)
    frame = (bytes([len(data)]) + data).ljust(8, b"\x00")
    theirs = message.decode(frame, decode_choices=False)
    assert isinstance(theirs, dict)
    places = sorted((signal.start, signal.name) for signal in message.signals if signal.name.startswith(prefix))
    return [float(theirs[name]) for _, name in places]


def known_pids(database: cantools.database.Database) -> list[int]:
    names = {signal.name for signal in database.get_message_by_frame_id(0x7E8).signals}
    return sorted({int(name[6:8], 16) for name in names if name.startswith("S01PID") and "_" in name})


def test_the_database_gives_the_same_numbers_for_every_identifier_it_knows(
    database: cantools.database.Database,
) -> None:
    assert IN_DATABASE == set(known_pids(database)) - NOT_IN_DATABASE - DATABASE_IS_WRONG
    compared = 0
    for pid in IN_DATABASE:
        for raw in contents(pid):
            assert in_database(database, pid, raw) == pytest.approx(ours(pid, raw), rel=1e-4, abs=1e-4), f"{pid:02X}"
            compared += 1
    assert len(IN_DATABASE) * INPUTS == compared > 4000


@pytest.mark.parametrize("file", ["obd_s01_7E0_7E8_drive_32min.log", "obd_s01_replies_only_7E8.log"])
def test_a_recorded_drive_has_the_numbers_of_the_database(
    recordings: Path, database: cantools.database.Database, file: str
) -> None:
    # captures C1 and C5
    frames = {frame for can_id, frame in read_candump(recordings / "can" / file) if can_id == 0x7E8}
    answers = {frame[1 : 1 + frame[0]] for frame in frames if frame[0] < 8 and frame[1] == 0x41}
    judged = {data for data in answers if data[1] in set(known_pids(database)) - NOT_IN_DATABASE}
    assert 10 <= len({data[1] for data in judged})
    for data in judged:
        assert in_database(database, data[1], data[2:]) == pytest.approx(ours(data[1], data[2:]), rel=1e-4, abs=1e-4)


def test_the_database_gives_the_same_numbers_by_identifier(database: cantools.database.Database) -> None:
    for pid in set(known_pids(database)) - NOT_IN_DATABASE - DATABASE_IS_WRONG - {0x02}:
        for raw in contents(pid):
            found = read_obd_did(0xF400 | pid, raw)
            assert found is not None
            assert found.value is not None
            theirs = _signals(database, 0x18DAF115, f"S22F4PID{pid:02X}_", bytes([0x62, 0xF4, pid]) + raw)
            mine = [item.value for item in found.value.values]
            assert theirs == pytest.approx(mine, rel=1e-4, abs=1e-4), f"{pid:02X}"


def test_the_database_takes_two_signed_pressures_for_unsigned(database: cantools.database.Database) -> None:
    # SAE J1979-DA: 32 and 54 are two's complement, as scapy reads them. The database is wrong below zero in 32 and
    # everywhere in 54.
    assert ([-0.25], [16383.75]) == (ours(0x32, b"\xff\xff"), in_database(database, 0x32, b"\xff\xff"))
    assert [-0.25] == scapy_numbers(0x32, b"\xff\xff")
    assert ([0], [-32767.0]) == (ours(0x54, b"\x00\x00"), in_database(database, 0x54, b"\x00\x00"))
    assert [0] == scapy_numbers(0x54, b"\x00\x00")


@pytest.mark.parametrize("pid", sorted(PYTHON_OBD_NUMBERS))
def test_python_obd_gives_the_same_number(pid: int) -> None:
    for raw in contents(pid):
        assert math.isclose(
            ours(pid, raw)[PYTHON_OBD_GIVES[pid]], float(python_obd(pid, raw)), rel_tol=1e-3, abs_tol=1e-9
        )


def test_python_obd_knows_most_of_the_lower_identifiers() -> None:
    assert 79 == len(PYTHON_OBD_NUMBERS)


def test_python_obd_misreads_the_pressure_of_the_evaporative_system() -> None:
    # SAE J1979-DA: 32 and 54 are two's complement words. It takes the sign of each byte of 32 by itself, and an
    # offset for the sign of 54; scapy reads both as we do.
    assert ([64.0], 0.0) == (ours(0x32, b"\x01\x00"), python_obd(0x32, b"\x01\x00") - 64.0)
    assert ([63.75], -0.25) == (ours(0x32, b"\x00\xff"), python_obd(0x32, b"\x00\xff"))
    assert ([0], -32767) == (ours(0x54, b"\x00\x00"), python_obd(0x54, b"\x00\x00"))


def test_python_obd_numbers_the_fitted_sensors_from_the_wrong_end() -> None:
    # SAE J1979-DA, 13: the lowest bit is sensor 1 of bank 1. It reads the highest bit as that.
    (block,) = decode_current_data(bytes.fromhex("411301")).blocks
    assert ["oxygen sensor 1 of bank 1"] == [item.name for item in block.values if item.value]
    assert ((), (False, False, False, False), (False, False, False, True)) == python_obd(0x13, b"\x01")
    assert ["Bank1Sensor1"] == str(scapy_record(0x13, b"\x01").sensors_present).split("+")


def test_python_obd_looks_for_the_power_take_off_in_the_highest_bit() -> None:
    # SAE J1979-DA, 1E: the lowest bit; scapy reads it there.
    assert ([1], False, 1) == (ours(0x1E, b"\x01"), python_obd(0x1E, b"\x01"), scapy_record(0x1E, b"\x01").pto_status)


def test_python_obd_tells_the_same_fuel_system_states() -> None:
    # Its texts are its own; that each single bit has a text of its own in both is what counts.
    states = [bytes([1 << bit, 1 << bit]) for bit in range(5)]
    labels = [decode_live(b"\x41\x03" + raw)[0].label for raw in states]
    assert 5 == len(set(labels) - {None}) == len({python_obd(0x03, raw) for raw in states})


@pytest.mark.parametrize("pid", SCAPY_SCALES)
def test_scapy_gives_the_same_numbers(pid: int) -> None:
    # scapy rounds its factors and values to a few digits.
    for raw in contents(pid):
        theirs = scapy_numbers(pid, raw)
        mine = ours(pid, raw)
        assert not theirs or theirs[: len(mine)] == pytest.approx(mine, rel=1e-3, abs=2e-3)


def test_scapy_scales_most_identifiers_that_carry_numbers() -> None:
    assert 93 == len(SCAPY_NUMBERS)


def test_scapy_misses_the_offset_of_the_pump_current() -> None:
    # SAE J1979-DA, 34 to 3B: 8000 is no current; the database and python-OBD have -128 mA at 0 as we do.
    assert ([0.0, -128.0], -128.0) == (ours(0x34, bytes(4)), python_obd(0x34, bytes(4)))
    assert [0.0, 0.0] == scapy_numbers(0x34, bytes(4))


def test_scapy_reads_one_byte_of_the_air_mass_flow() -> None:
    # SAE J1979-DA, 10: two bytes of 0.01 g/s; the database and python-OBD read both.
    raw = bytes.fromhex("0190")
    assert ([4.0], [0.01], 4.0) == (ours(0x10, raw), scapy_numbers(0x10, raw), python_obd(0x10, raw))


def test_scapy_counts_turbocharger_speed_in_single_revolutions() -> None:
    # SAE J1979-DA (from memory), 74: 10 rpm for each bit; by scapy none could turn faster than 65535 rpm.
    raw = bytes.fromhex("0327100000")
    assert ([100000, 0], [10000.0, 0.0]) == (ours(0x74, raw), scapy_numbers(0x74, raw))


def test_scapy_puts_an_offset_where_the_filter_pressure_has_a_sign() -> None:
    # SAE J1979-DA (from memory), 7A: two's complement; no pressure at all would be 327.68 kPa below zero by scapy.
    raw = bytes.fromhex("07000000000000")
    assert ([0.0, 0.0, 0.0], -327.68) == (ours(0x7A, raw), scapy_numbers(0x7A, raw)[0])


def test_scapy_takes_eight_bytes_for_each_run_time() -> None:
    # SAE J1979-DA, 7F: four bytes each, 13 in all; scapy wants 25.
    raw = bytes.fromhex("07 00000E10 00000258 00000000")
    assert ([3600, 600, 0], 25) == (ours(0x7F, raw), len(scapy_record(0x7F, raw + bytes(12))))
    assert 0x00000E1000000258 == scapy_numbers(0x7F, raw + bytes(12))[0]


@pytest.mark.parametrize(("pid", "length", "theirs"), [(0x6D, 11, 6), (0x6E, 9, 5), (0x70, 10, 9), (0x71, 6, 5)])
def test_scapy_has_an_older_shorter_form(pid: int, length: int, theirs: int) -> None:
    # SAE J1979-DA (from memory): the part of the second system, or the byte of the control states, came later.
    raw = b"\xff" + bytes(length - 1)
    assert (length, theirs) == (PIDS[pid].length, len(scapy_record(pid, raw)))


def test_scapy_knows_two_nox_sensors_of_four() -> None:
    # SAE J1979-DA (from memory), 83: nine bytes, two sensors for each bank.
    raw = bytes.fromhex("0F 000A 0014 001E 0028")
    assert ([10, 20, 30, 40], 5) == (ours(0x83, raw), len(scapy_record(0x83, raw)))


def test_scapy_names_states_by_numbers_that_mean_none() -> None:
    # SAE J1979-DA, 03 and 12: one bit for each state, the lowest of them 1. Recorded with the engine off: 03 = 00 00.
    off, open_loop = (decode_live(bytes([0x41, 0x03, state, 0]))[0].label for state in (0, 1))
    assert ("off or not fitted", "open loop, not warm yet") == (off, open_loop)
    states = scapy_record(0x03, b"\x00\x00").get_field("fuel_system1").i2s
    assert ("OpenLoopInsufficientEngineTemperature", False) == (states[0], 1 in states)
    assert (None, "ahead of the catalyst") == tuple(
        decode_live(bytes([0x41, 0x12, state]))[0].label for state in (0, 1)
    )
    assert "upstream" == scapy_record(0x12, b"\x00").get_field("data").i2s[0]


def scapy_length(pid: int) -> int:
    """Bytes of scapy's record of one identifier."""
    record = scapy_record(pid, bytes(PIDS[pid].length) + SPARE)
    return len(record) - len(record.payload)


@pytest.mark.parametrize("pid", sorted(set(PIDS) - NOT_IN_SCAPY - SCAPY_HAS_ANOTHER_LENGTH))
def test_scapy_gives_most_identifiers_the_same_length(pid: int) -> None:
    assert PIDS[pid].length == scapy_length(pid)


@pytest.mark.parametrize(("pid", "length", "theirs"), [(0x8C, 17, 16), (0x8F, 7, 5)])
def test_scapy_is_short_of_the_last_parts(pid: int, length: int, theirs: int) -> None:
    # SAE J1979-DA (from memory): 8C has a support byte and eight words, 8F two banks.
    assert (length, theirs) == (PIDS[pid].length, scapy_length(pid))


@pytest.mark.parametrize("pid", sorted(NOT_IN_SCAPY))
def test_scapy_leaves_the_bytes_of_the_last_identifiers_as_they_are(pid: int) -> None:
    assert "Raw" == scapy_record(pid, bytes(PIDS[pid].length)).name
