"""SAE J1979 answers: values, lists, monitors and vehicle information, with python-OBD and scapy as judges."""

import obd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from obd.protocols.protocol import Message
from scapy.contrib.automotive.obd.obd import OBD

from decoders import (
    COMPRESSION_MONITORS,
    CONTINUOUS_MONITORS,
    PIDS,
    SPARK_MONITORS,
    DecodeError,
    decode_info,
    decode_live,
    decode_monitor_status,
    decode_obd_codes,
    decode_supported,
    pid_did_length,
    scale,
    scale_did,
)
from decoders.values import Dtc

CUT_LIVE = ("41", "41 0C 1B", "41 0C 1B E4 A7 10", "41 00 BE 3F A8", "7F 01 12", "41 0D 00 AA 00")
CUT_BITMAPS = ("41", "41 00", "41 00 80 00 00", "41 01 80 00 00 00", "41 00 80 00 00 00 01")
NO_MONITORS = ("41 01 00 27 E1", "41 02 00 00", "62 F5 01 00 07 65 00", "41 01 00 27 E1 00 41 00")
CODES = st.lists(st.integers(1, 0xFFFF), max_size=40)


def judged_by_python_obd(command: obd.OBDCommand, data: bytes) -> object:
    message = Message([])
    message.ecu = command.ecu
    message.data = bytearray(data)
    return command([message]).value


@pytest.mark.parametrize(
    ("data_hex", "pid", "value", "unit"),
    [
        # recorded from a vehicle
        ("41 0C 1B E4", 0x0C, 1785.0, "rpm"),
        ("41 05 86", 0x05, 94.0, "C"),
        ("41 42 2F EA", 0x42, 12.266, "V"),
        ("41 31 51 B0", 0x31, 20912.0, "km"),
        ("41 31 51 CB", 0x31, 20939.0, "km"),
        ("41 1C 06", 0x1C, 6.0, ""),
        # SAE J1979-DA scaling, recomputed
        ("41 A6 00 01 E2 40", 0xA6, 12345.6, "km"),
        ("41 04 FF", 0x04, 100.0, "%"),
        ("41 06 80", 0x06, 0.0, "%"),
        ("41 07 00", 0x07, -100.0, "%"),
        ("41 46 00", 0x46, -40.0, "C"),
        ("41 30 FF", 0x30, 255.0, ""),
        ("41 4D 01 00", 0x4D, 256.0, "min"),
        ("41 4E FF FF", 0x4E, 65535.0, "min"),
    ],
)
def test_a_value_has_the_scale_of_its_pid(data_hex: str, pid: int, value: float, unit: str) -> None:
    (found,) = decode_live(bytes.fromhex(data_hex))
    assert (found.pid, found.value, found.unit) == (pid, value, unit)
    assert (found.name, found.raw) == (PIDS[pid].name, bytes.fromhex(data_hex)[2:])


def test_several_pids_in_one_answer_are_all_read() -> None:
    # SAE J1979, several PIDs in one request
    found = decode_live(bytes.fromhex("41 0C 00 00 0D 00 1F 01 2C 42 31 38"))
    assert [(value.pid, value.value) for value in found] == [(0x0C, 0), (0x0D, 0), (0x1F, 300), (0x42, 12.6)]


@pytest.mark.parametrize("data_hex", CUT_LIVE)
def test_unknown_or_cut_values_are_refused(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_live(bytes.fromhex(data_hex))


def test_scale_refuses_a_wrong_length_and_an_unknown_pid() -> None:
    with pytest.raises(DecodeError, match="PID 0C at byte 1: 2 bytes expected, 1 found"):
        scale(0x0C, b"\x01")
    with pytest.raises(DecodeError, match="the length of PID A7 is not known"):
        scale(0xA7, b"\x01")


def test_the_support_bitmap_names_the_next_pids() -> None:
    # SAE J1979: the high bit of the first byte is the next PID
    assert decode_supported(bytes.fromhex("41 00 80 00 00 01")) == {0x01, 0x20}
    assert decode_supported(bytes.fromhex("41 00 00 00 00 01 20 40 00 00 00")) == {0x20, 0x22}
    assert decode_supported(bytes.fromhex("41 E0 00 00 00 00")) == frozenset()


@given(st.sampled_from([0x00, 0x20, 0x40]), st.binary(min_size=4, max_size=4))
def test_python_obd_reads_the_same_bitmap(base: int, bits: bytes) -> None:
    # python-OBD, its decoder of the support PIDs
    data = bytes([0x41, base]) + bits
    theirs = judged_by_python_obd(obd.commands[1][base], data)
    assert decode_supported(data) == {base + 1 + index for index in range(32) if theirs[index]}


@pytest.mark.parametrize("data_hex", CUT_BITMAPS)
def test_a_cut_bitmap_is_refused(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_supported(bytes.fromhex(data_hex))


@pytest.mark.parametrize(
    ("did", "length"),
    [
        (0xF400, 4),
        (0xF401, 4),
        (0xF402, 2),
        (0xF40C, 2),
        (0xF40D, 1),
        (0xF4A6, 4),
        (0xF410, 2),
        (0xF470, 10),
        (0xF4A7, None),
        (0xF50C, None),
    ],
)
def test_an_identifier_of_page_f4_has_the_length_of_its_pid(did: int, length: int | None) -> None:
    # SAE J1979-2 / ISO 27145-2, identifiers F4xx; F400 and F401 recorded from a vehicle
    assert pid_did_length(did) == length


def test_an_identifier_of_page_f4_has_the_scale_of_its_pid() -> None:
    assert scale_did(0xF40C, b"\x1b\xe4") == decode_live(bytes.fromhex("41 0C 1B E4"))[0]
    assert scale_did(0xF401, bytes(4)) is None
    assert scale_did(0xF414, b"\x5a\x80") is None  # two numbers
    assert scale_did(0xF4A7, b"\x01") is None
    assert scale_did(0x4711, b"\x01") is None


def list_answer(service: int, codes: list[int]) -> bytes:
    return bytes([service + 0x40, len(codes)]) + b"".join(code.to_bytes(2, "big") for code in codes)


@given(st.sampled_from([0x03, 0x07, 0x0A]), CODES)
def test_a_code_list_gives_back_what_was_put_in(service: int, codes: list[int]) -> None:
    # SAE J1979, services 03, 07 and 0A on CAN
    found = decode_obd_codes(list_answer(service, codes))
    assert (found.service, found.codes) == (service, tuple(map(Dtc, codes)))
    assert (found.zero_entries, found.leftover) == (0, b"")


@given(CODES)
def test_python_obd_writes_the_same_codes(codes: list[int]) -> None:
    # python-OBD, its decoder of service 03
    data = list_answer(0x03, codes)
    theirs = [code.upper() for code, _ in judged_by_python_obd(obd.commands.GET_DTC, data)]
    assert [dtc.text for dtc in decode_obd_codes(data).codes] == theirs


@given(st.sampled_from([0x03, 0x07, 0x0A]), CODES)
def test_scapy_dissects_the_same_codes(service: int, codes: list[int]) -> None:
    # scapy, OBD layer
    data = list_answer(service, codes)
    theirs = [
        dtc.location << 14 | dtc.code1 << 12 | dtc.code2 << 8 | dtc.code3 << 4 | dtc.code4 for dtc in OBD(data).dtcs
    ]
    assert [dtc.base for dtc in decode_obd_codes(data).codes] == theirs


@pytest.mark.parametrize(
    "data_hex", ["43", "43 01", "43 01 04", "43 02 04 20", "43 00 04 20", "43 01 04 20 00 AA", "7F 03 11"]
)
def test_a_count_that_disagrees_with_the_bytes_is_refused(data_hex: str) -> None:
    # SAE J1979: the count must be that of the bytes
    with pytest.raises(DecodeError):
        decode_obd_codes(bytes.fromhex(data_hex))


def monitor_names(data_hex: str) -> tuple[set[str], set[str]]:
    """Names of the supported monitors and of those that are complete."""
    monitors = decode_monitor_status(bytes.fromhex(data_hex)).monitors
    supported = {item.name for item in monitors if item.supported}
    return supported, {item.name for item in monitors if item.complete}


def test_a_recorded_car_has_its_fuel_monitor_incomplete() -> None:
    supported, complete = monitor_names("41 01 00 27 E1 00")
    once = {"catalyst", "oxygen sensor", "oxygen sensor heater", "EGR or VVT"}
    assert supported == {*CONTINUOUS_MONITORS, *once}
    assert supported - complete == {"fuel system"}


def test_a_recorded_identifier_has_all_monitors_complete() -> None:
    supported, complete = monitor_names("62 F4 01 00 07 65 00")
    once = {"catalyst", "evaporative system", "oxygen sensor", "oxygen sensor heater"}
    assert supported == complete == {*CONTINUOUS_MONITORS, *once}


def test_a_compression_engine_has_its_own_monitors() -> None:
    # SAE J1979, PID 01; reserved bits name no monitor
    supported, complete = monitor_names("41 01 00 0F FF 02")
    assert supported == {*CONTINUOUS_MONITORS, *filter(None, COMPRESSION_MONITORS)}
    assert supported - complete == {"NOx aftertreatment"}


def test_a_monitor_that_is_not_supported_is_never_complete() -> None:
    supported, complete = monitor_names("41 01 00 00 00 00")
    assert (supported, complete) == (set(), set())


@given(st.binary(min_size=4, max_size=4))
def test_python_obd_reads_the_same_monitors(body: bytes) -> None:
    # python-OBD, its decoder of PID 01
    data = b"\x41\x01" + body
    ours, theirs = decode_monitor_status(data), judged_by_python_obd(obd.commands.STATUS, data)
    assert (ours.mil, ours.code_count, ours.ignition) == (theirs.MIL, theirs.DTC_count, theirs.ignition_type)
    tests = {
        "misfire": theirs.MISFIRE_MONITORING,
        "fuel system": theirs.FUEL_SYSTEM_MONITORING,
        "components": theirs.COMPONENT_MONITORING,
    }
    for monitor in ours.monitors[:3]:
        test = tests[monitor.name]
        assert (monitor.supported, monitor.complete) == (test.available, test.available and test.complete)


@given(st.integers(0, 0xFF), st.integers(0, 0xFF))
def test_scapy_sees_the_same_once_per_trip_bits(supported: int, incomplete: int) -> None:
    # scapy, OBD layer; it calls the "not complete" bits "ready"
    data = bytes([0x41, 0x01, 0x00, 0x07, supported, incomplete])
    record = OBD(data).data_records[0].payload
    theirs = int(record.once_per_trip_tests_supported), int(record.once_per_trip_tests_ready)
    assert theirs == (supported, incomplete)
    for bit, monitor in enumerate(decode_monitor_status(data).monitors[3:]):
        assert monitor.name == SPARK_MONITORS[bit]
        assert monitor.supported == bool(theirs[0] >> bit & 1)
        assert monitor.complete == bool(theirs[0] & ~theirs[1] & 1 << bit)


@pytest.mark.parametrize("data_hex", NO_MONITORS)
def test_an_answer_that_is_no_monitor_status_is_refused(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_monitor_status(bytes.fromhex(data_hex))


@pytest.mark.parametrize(
    ("data_hex", "field"),
    [
        ("49 02 01 31 47", "VIN 1"),
        ("49 02 00 31", "end of items"),
        ("49 08 02 00 01", "counter 2 of 2"),
        ("49 08 01 00 01 02", "end of counters"),
        ("49 01", "number of messages"),
        ("49 00 55 40 00 00 01", "support group"),
        ("49", "infotype"),
        ("49 06 02 00 00 00 01", "calibration verification number 2"),
        ("49 00 55 40", "support bits of group 00"),
    ],
)
def test_vehicle_information_of_another_form_is_refused(data_hex: str, field: str) -> None:
    with pytest.raises(DecodeError) as caught:
        decode_info(bytes.fromhex(data_hex))
    assert caught.value.field == field


def test_an_item_that_is_not_text_keeps_its_bytes_beside_the_others() -> None:
    # SAE J1979, infotype 04: items of 16 ASCII characters, filled with 00
    good, bad = b"CAL-0001".ljust(16, b"\0"), b"CAL\x01".ljust(16, b"\x02")
    found = decode_info(b"\x49\x04\x03" + good + bad + bytes(16))
    assert ("CAL-0001", f"0x{bad.hex().upper()}", "") == found.items
    assert ((1,), b"") == (found.unreadable, found.leftover)


@given(*(st.one_of(st.binary(min_size=17, max_size=17), st.just(b"1G1JC5444R7252367")) for _ in range(2)))
def test_an_item_that_is_not_text_equals_only_the_same_bytes(one: bytes, other: bytes) -> None:
    # Two vehicles are told apart by their VINs: bytes that are no text must never be the VIN of another.
    first, second = (decode_info(b"\x49\x02\x01" + raw) for raw in (one, other))
    assume(first.unreadable or second.unreadable)
    assert (one == other) == (first.items == second.items)


@given(st.lists(st.binary(min_size=4, max_size=4), max_size=6))
def test_scapy_dissects_the_same_verification_numbers(numbers: list[bytes]) -> None:
    # scapy, OBD layer, infotype 06
    data = bytes([0x49, 0x06, len(numbers)]) + b"".join(numbers)
    record = OBD(data).data_records[0].payload
    theirs = [number.hex().upper() for number in record.calibration_verification_numbers]
    assert list(decode_info(data).items) == theirs
