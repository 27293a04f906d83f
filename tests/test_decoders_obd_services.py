"""Services 02, 05, 06, 08 and 09, their requests, and the same data by identifiers."""

import math

import obd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.protocols.protocol import Message
from obd.UnitsAndScaling import UAS_IDS
from scapy.contrib.automotive.obd.mid.mids import OBD_MIDXX, OBD_S06_PR_Record
from scapy.contrib.automotive.obd.obd import OBD

from decoders.errors import DecodeError
from decoders.obd_dids import read_obd_did
from decoders.obd_freeze import decode_freeze_frame
from decoders.obd_info import decode_info, read_info_did
from decoders.obd_requests import decode_control, decode_obd_request
from decoders.obd_tests import MONITOR_NAMES, TEST_NAMES, decode_monitor_tests, decode_oxygen_test, read_monitor_did
from decoders.obd_units import UNIT_SCALINGS, scaled_number, signed_number
from decoders.values import Dtc
from simulators import wire, wire_obd

WORDS = st.integers(0, 0xFFFF)
SAMPLES = (0, 1, 100, 0x7FFF, 0x8000, 0xFF9C, 0xFFFF)
RESULTS = st.builds(
    wire_obd.Result,
    test=st.sampled_from(sorted(TEST_NAMES)),
    scaling=st.sampled_from(sorted(UNIT_SCALINGS)),
    value=WORDS,
    low=WORDS,
    high=WORDS,
)


def signed(scaling: int, word: int) -> int:
    return word - 0x10000 if scaling >= 0x80 and word >= 0x8000 else word


# Freeze frames.


def test_a_freeze_frame_gives_back_what_the_bench_put_in() -> None:
    data = wire_obd.freeze_frame(
        [
            (0x02, 0, wire_obd.freeze_code("P0302")),
            (0x0C, 0, wire_obd.parameter(0x0C, 2500)),
            (0x05, 0, wire_obd.parameter(0x05, 88)),
            (0x02, 1, wire_obd.freeze_code(None)),
        ]
    )
    found = decode_freeze_frame(data)
    assert ((0, Dtc.parse("P0302")), (1, None)) == found.codes
    assert ["P0302", 2500.0, 88, "none"] == [item.label or item.value for b in found.blocks for item in b.values]
    assert [0, 0, 0, 1] == [block.frame for block in found.blocks]


def test_scapy_dissects_the_same_freeze_frame() -> None:
    # scapy, OBD layer
    data = bytes.fromhex("42 02 00 01 43 0C 00 1B E4")
    code, speed = OBD(data).data_records
    assert (0, 0x0143) == (code.frame_no, int.from_bytes(bytes(code.payload)[:2], "big"))
    assert ((0, Dtc(0x0143)),) == decode_freeze_frame(data).codes
    assert 1785.0 == speed.payload.data == decode_freeze_frame(data).blocks[1].values[0].value


@pytest.mark.parametrize(
    "data_hex", ["42", "42 0C", "42 0C 00", "42 0C 00 1B", "42 A7 00 01", "41 0C 00", "42 0D 00 32 01"]
)
def test_a_freeze_frame_that_is_cut_or_of_unknown_length_is_refused(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_freeze_frame(bytes.fromhex(data_hex))


# Monitor tests.


@given(st.sampled_from(sorted(MONITOR_NAMES)), st.lists(RESULTS, min_size=1, max_size=6))
def test_results_give_back_what_the_bench_put_in(monitor: int, put_in: list[wire_obd.Result]) -> None:
    found = decode_monitor_tests(wire_obd.monitor_results(monitor, put_in))
    assert [item.data for item in put_in] == [test.raw for test in found.tests]
    for item, test in zip(put_in, found.tests, strict=True):
        value, low, high = (signed(item.scaling, word) for word in (item.value, item.low, item.high))
        expected = "not completed" if not (value or low or high) else "passed" if low <= value <= high else "failed"
        assert (monitor, item.test, expected, bool(low or high)) == (test.monitor, test.test, test.result, test.bounded)


@given(st.sampled_from(sorted(MONITOR_NAMES)), st.lists(RESULTS, min_size=1, max_size=6))
def test_an_identifier_gives_the_same_results_as_the_service(monitor: int, put_in: list[wire_obd.Result]) -> None:
    by_service = decode_monitor_tests(wire_obd.monitor_results(monitor, put_in)).tests
    by_identifier = read_obd_did(0xF600 | monitor, wire_obd.monitor_identifier(monitor, put_in)[3:])
    assert by_identifier is not None
    assert by_identifier.tests is not None
    assert by_service == by_identifier.tests.tests


@pytest.mark.parametrize("scaling", sorted(set(UNIT_SCALINGS) - {0x2E}))
def test_python_obd_scales_the_same(scaling: int) -> None:
    # python-OBD, its table of unit-and-scaling identifiers
    for word in SAMPLES:
        theirs = UAS_IDS[scaling](word.to_bytes(2, "big")).magnitude
        found = scaled_number(scaling, word)
        assert found is not None
        assert math.isclose(theirs, found, rel_tol=1e-9, abs_tol=1e-9)


def test_python_obd_knows_the_same_scalings() -> None:
    assert set(UAS_IDS) == set(UNIT_SCALINGS)


@pytest.mark.parametrize("scaling", sorted(set(OBD_MIDXX.unit_and_scaling_ids) - {0x2E}))
def test_scapy_scales_the_same(scaling: int) -> None:
    # scapy, OBD layer; it rounds values to three digits
    for word in SAMPLES:
        item = bytes([0x01, 0x01, scaling]) + word.to_bytes(2, "big") + bytes(4)
        theirs = float(OBD_S06_PR_Record(item).payload.test_value)
        found = scaled_number(scaling, word)
        assert found is not None
        assert math.isclose(theirs, found, rel_tol=1e-4, abs_tol=1e-3)


def test_a_signed_temperature_has_no_offset_and_two_signed_ids_mirror_nothing() -> None:
    # SAE J1979-DA, 96, B0 and B1 beside 16, 30 and 31
    assert (10.0, -40.0) == (scaled_number(0x96, 100), scaled_number(0x16, 0))
    assert (3.052, 2000) == (scaled_number(0xB0, 1000), scaled_number(0xB1, 1000))
    assert (1.526, 1.0) == (scaled_number(0x30, 1000), scaled_number(0x31, 1000))
    assert ("%", "mV/s", "L") == tuple(UNIT_SCALINGS[number].unit for number in (0xB0, 0xB1, 0x31))


def test_unknown_scalings_have_no_value_and_keep_their_sign() -> None:
    assert (None, None, None) == tuple(scaled_number(scaling, 1) for scaling in (0x00, 0x7F, 0xFF))
    assert (0xFFFF, -1, None, None) == tuple(signed_number(scaling, 0xFFFF) for scaling in (0x7F, 0xA0, 0x00, 0xFF))


def test_names_of_what_is_not_known_keep_the_number() -> None:
    (item,) = decode_monitor_tests(bytes.fromhex("46 7E 0F 7F 00 02 00 01 00 03")).tests
    assert ("unknown monitor 7E", "unknown test 0F") == (item.monitor_name, item.test_name)
    assert ("unknown scaling 7F", bytes.fromhex("0F7F000200010003")) == (item.scaling_name, item.raw)
    (own,) = decode_monitor_tests(bytes.fromhex("46 01 85 24 00 02 00 01 00 03")).tests
    assert ("maker's test 85", "") == (own.test_name, own.scaling_name)


@pytest.mark.parametrize(("monitor", "is_named"), [(0x01, True), (0x10, True), (0x21, False), (0x41, False)])
def test_a_test_of_oxygen_sensors_has_its_name_under_their_monitors_alone(monitor: int, is_named: bool) -> None:
    # SAE J1979-DA, test identifiers 01 to 0A (from memory)
    (item,) = decode_monitor_tests(bytes([0x46, monitor]) + bytes.fromhex("05 10 00 02 00 01 00 03")).tests
    assert ("switch time, rich to lean" if is_named else "unknown test 05") == item.test_name


def test_a_test_of_misfires_has_its_name() -> None:
    (item,) = decode_monitor_tests(bytes.fromhex("46 A2 0B 24 00 02 00 01 00 03")).tests
    assert "misfires, mean of ten cycles" == item.test_name


def test_python_obd_knows_the_same_monitors() -> None:
    # python-OBD, its commands of service 06
    theirs = {at for at, item in enumerate(obd.commands[6]) if item is not None and at % 0x20}
    assert set(MONITOR_NAMES) == theirs


def test_python_obd_calls_a_test_that_never_ran_passed() -> None:
    # SAE J1979: value and bounds 0 mean that the test has not completed since the clear; its results have no word
    # for that, and 0 within 0 and 0 is "passed" there.
    data = bytes.fromhex("46 01 0A 10 00 00 00 00 00 00")
    message = Message([])
    command = obd.commands[6][1]
    message.ecu, message.data = command.ecu, bytearray(data)
    assert command([message]).value.SENSOR_PERIOD.passed
    assert ["not completed"] == [item.result for item in decode_monitor_tests(data).tests]


@pytest.mark.parametrize(
    ("data_hex", "field", "offset"),
    [
        ("46", "monitor", 1),
        ("47 01", "service", 0),
        ("46 01 01 0A", "result 1", 4),
        ("46 01 01 0A 0B B0 0B B0 0B B0 02", "result 2", 11),
        ("46 01 01 0A 0B B0 0B B0 0B B0 20 80 00 00 01", "monitor", 10),
        ("46 00 80 00 00", "support bits of group 00", 5),
        ("46 00 80 00 00 01 01", "support group", 6),
    ],
)
def test_results_that_are_cut_name_the_place(data_hex: str, field: str, offset: int) -> None:
    with pytest.raises(DecodeError) as caught:
        decode_monitor_tests(bytes.fromhex(data_hex))
    assert (field, offset) == (caught.value.field, caught.value.offset)


@pytest.mark.parametrize("data", [b"", b"\x01\x0a", bytes(range(1, 11))])
def test_results_by_identifier_that_are_cut_are_refused(data: bytes) -> None:
    with pytest.raises(DecodeError):
        read_monitor_did(0x01, data)


def test_support_by_identifier_tells_fill_bytes_apart() -> None:
    found = read_monitor_did(0x20, bytes.fromhex("80 00 00 01 AA AA"))
    assert (frozenset({0x21, 0x40}), b"\xaa\xaa") == (found.supported, found.leftover)


def test_the_support_of_the_bench_is_read() -> None:
    bitmaps = [(base, wire.support_bitmap(base, (0x01, 0x20, 0x21, 0x40))) for base in (0x00, 0x20)]
    assert frozenset({0x01, 0x20, 0x21, 0x40}) == decode_monitor_tests(wire_obd.monitor_support(bitmaps)).supported


@pytest.mark.parametrize("data_hex", ["45", "45 01", "46 01 02"])
def test_a_cut_oxygen_sensor_test_is_refused(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_oxygen_test(bytes.fromhex(data_hex))


# Control and requests.


@pytest.mark.parametrize("data_hex", ["48", "48 00 80 00 00", "47 01"])
def test_a_cut_control_answer_is_refused(data_hex: str) -> None:
    with pytest.raises(DecodeError):
        decode_control(bytes.fromhex(data_hex))


def test_scapy_takes_controls_for_oxygen_sensor_tests() -> None:
    # SAE J1979, service 08: 01 is the leak test; scapy has the tests of service 05 there.
    assert (
        "TID_01_RichToLeanSensorThresholdVoltage" == OBD(bytes.fromhex("480100000000 00")).data_records[0].payload.name
    )
    assert "evaporative system leak test" == decode_control(bytes.fromhex("48010000000000")).test_name


@pytest.mark.parametrize(
    ("data_hex", "field"),
    [
        ("", "service"),
        ("01", "identifier"),
        ("01 0C 0D 1F 42 31 04 05", "end of request"),
        ("02 0C", "frame number"),
        ("02 02 00 0C 00 0D 00 05 00", "end of request"),
        ("03 01", "end of request"),
        ("05 01", "sensor"),
        ("05 01 02 03", "end of request"),
        ("08", "identifier"),
        ("0B", "service"),
        ("41 0C", "service"),
    ],
)
def test_a_request_that_is_cut_or_too_long_is_refused(data_hex: str, field: str) -> None:
    # SAE J1979: six identifiers in one request, three with their frames
    with pytest.raises(DecodeError) as caught:
        decode_obd_request(bytes.fromhex(data_hex))
    assert field == caught.value.field


@given(st.sampled_from([0x01, 0x06, 0x09]), st.lists(st.integers(0, 0xFF), min_size=1, max_size=6))
def test_scapy_reads_the_same_request(service: int, numbers: list[int]) -> None:
    # scapy, OBD layer
    data = bytes([service, *numbers])
    payload = OBD(data).payload
    theirs = payload.pid if service == 0x01 else payload.mid if service == 0x06 else payload.iid
    assert tuple(theirs) == decode_obd_request(data).identifiers


# Vehicle information.


@given(st.sampled_from([0x08, 0x0B]), st.lists(WORDS, min_size=1, max_size=40))
def test_counters_give_back_what_the_bench_put_in(infotype: int, put_in: list[int]) -> None:
    data = wire_obd.performance_counters(infotype, put_in)
    found = decode_info(data)
    assert put_in == [counter.value for counter in found.counters]
    assert len(put_in) == len({counter.name for counter in found.counters})
    assert put_in == list(OBD(data).data_records[0].payload.data)  # scapy, OBD layer
    assert found.counters == read_info_did(infotype, data[2:]).counters == read_info_did(infotype, data[3:]).counters


@pytest.mark.parametrize(
    ("infotype", "place", "name"),
    [
        # SAE J1979-DA, in-use performance tracking (from memory)
        (0x08, 1, "OBD conditions"),
        (0x08, 2, "ignition cycles"),
        (0x08, 3, "catalyst bank 1, completions"),
        (0x08, 15, "evaporative system, completions"),
        (0x08, 20, "rear oxygen sensor bank 2, conditions"),
        (0x08, 29, "unknown counter 29"),
        (0x0B, 3, "NMHC catalyst, completions"),
        (0x0B, 16, "boost pressure, conditions"),
        (0x0B, 19, "unknown counter 19"),
    ],
)
def test_a_counter_is_named_by_its_place(infotype: int, place: int, name: str) -> None:
    found = decode_info(wire_obd.performance_counters(infotype, range(place)))
    assert (name, place - 1) == (found.counters[-1].name, found.counters[-1].value)


@given(st.integers(0, 0xFF))
def test_any_infotype_keeps_its_number_and_bytes(infotype: int) -> None:
    data = bytes([0x49, infotype, 0x01, 0x02, 0x03, 0x04])
    try:
        found = decode_info(data)
    except DecodeError as error:
        assert data == error.data  # noqa: PT017 - both ways are right, no byte may be lost
    else:
        assert (infotype, data, True) == (found.infotype, found.raw, bool(found.name))


@pytest.mark.parametrize(
    ("infotype", "data_hex"), [(0x02, ""), (0x02, "02 31"), (0x10, ""), (0x00, "55 40"), (0x10, "01 02")]
)
def test_information_by_identifier_that_is_cut_is_refused(infotype: int, data_hex: str) -> None:
    with pytest.raises(DecodeError):
        read_info_did(infotype, bytes.fromhex(data_hex))


def test_unknown_information_by_identifier_stays_as_sent() -> None:
    found = read_info_did(0x7E, b"\x01\x02")
    assert ("unknown infotype 7E", b"\x01\x02", ()) == (found.name, found.data, found.items)


# Identifiers.


@pytest.mark.parametrize("did", [0xF186, 0xF190, 0xF300, 0xF900, 0x4711])
def test_identifiers_of_other_kinds_carry_no_obd_data(did: int) -> None:
    assert read_obd_did(did, b"\x01") is None


@pytest.mark.parametrize(
    ("did", "name"),
    [
        (0xF4A7, "unknown OBD value F4A7"),
        (0xF50C, "unknown further OBD value F50C"),
        (0xF701, "unknown further OBD monitor test F701"),
    ],
)
def test_unknown_identifiers_keep_number_and_bytes(did: int, name: str) -> None:
    found = read_obd_did(did, b"\x01\x02")
    assert found is not None
    assert (did, name, b"\x01\x02") == (found.did, found.name, found.raw)
    assert (None, None, None) == (found.value, found.tests, found.information)


def test_an_identifier_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(DecodeError, match="PID 0C at byte 1: 2 bytes expected, 1 found"):
        read_obd_did(0xF40C, b"\x01")
