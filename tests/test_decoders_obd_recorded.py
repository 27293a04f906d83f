"""Recorded OBD traffic decodes to what is known of it."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from recorded_unit import read_candump
from vectors.obd import OBD_VECTORS

from decoders.obd_codes import decode_obd_codes
from decoders.obd_data import decode_current_data, decode_live
from decoders.obd_dids import read_obd_did
from decoders.obd_info import decode_info
from decoders.obd_monitors import decode_monitor_status
from decoders.obd_requests import decode_obd_request
from decoders.obd_tests import decode_monitor_tests

DRIVE = Path("can", "obd_s01_7E0_7E8_drive_32min.log")  # capture C1
REPLIES_ONLY = Path("can", "obd_s01_replies_only_7E8.log")  # capture C5
THREE_UNITS = Path("can", "uds22_7E4_7A0_7B3_multi_ecu.log")  # capture C2
TRUCK = Path("can", "uds22_29bit_tester_FB_truck_with_traffic.log")  # capture C6
RESULTS = Path("ref", "mode06_real_reply_2010.txt")


def messages(frames: Iterator[bytes]) -> Iterator[bytes]:
    """The whole messages of one sender. Source: ISO 15765-2; frames out of order end a message."""
    begun, length, due = b"", 0, 0
    for frame in frames:
        kind = frame[0] >> 4
        if kind == 0:
            yield frame[1 : 1 + frame[0]]
        elif kind == 1:
            begun, length, due = frame[2:], (frame[0] & 0x0F) << 8 | frame[1], 1
        elif kind == 2 and begun:
            begun, due = (begun + frame[1:], due + 1) if frame[0] & 0x0F == due % 16 else (b"", 0)
            if begun and len(begun) >= length:
                yield begun[:length]
                begun = b""


def sent_by(path: Path, can_id: int) -> list[bytes]:
    return list(messages(data for number, data in read_candump(path) if number == can_id))


def test_every_answer_of_the_drive_decodes_without_a_byte_left(recordings: Path) -> None:
    # Capture C1: 7649 request and reply pairs of services 01, 03 and 09, no errors
    answers = sent_by(recordings / DRIVE, 0x7E8)
    assert 7649 == len(answers)
    for data in answers:
        decode = {0x41: decode_current_data, 0x43: decode_obd_codes, 0x49: decode_info}[data[0]]
        assert (b"", data) == (decode(data).leftover, decode(data).raw)


def test_every_request_of_the_drive_names_what_its_answer_tells(recordings: Path) -> None:
    requests = [decode_obd_request(data) for data in sent_by(recordings / DRIVE, 0x7E0)]
    assert 7649 == len(requests)
    for request, data in zip(requests, sent_by(recordings / DRIVE, 0x7E8), strict=True):
        assert (request.service + 0x40, request.identifiers[:1]) == (data[0], (*data[1:2],)[: len(request.identifiers)])


def test_the_counters_of_the_drive_are_those_of_the_car(recordings: Path) -> None:
    # Capture C1: 31 from 20912 to 20939 km against 26.68 km driven, 21 always 0, 1C = 06
    values: dict[int, list[float]] = {}
    for data in sent_by(recordings / DRIVE, 0x7E8):
        for value in decode_live(data) if data[0] == 0x41 else ():
            values.setdefault(value.pid, []).append(value.value)
    assert (20912, 20939) == (values[0x31][0], values[0x31][-1])
    assert ({0}, {6}) == (set(values[0x21]), set(values[0x1C]))
    assert values[0x31] == sorted(values[0x31])


def test_the_drive_holds_no_stored_code_and_an_incomplete_fuel_monitor(recordings: Path) -> None:
    # Capture C1: 01 01 = 00 27 E1 00, 03 = no codes
    answers = set(sent_by(recordings / DRIVE, 0x7E8))
    (codes,) = [decode_obd_codes(data) for data in answers if data[0] == 0x43]
    assert ((), b"") == (codes.codes, codes.leftover)
    (status,) = [decode_monitor_status(data) for data in answers if data[:2] == b"\x41\x01"]
    assert ["fuel system"] == [item.name for item in status.monitors if item.supported and not item.complete]


def test_answers_without_requests_decode_as_well(recordings: Path) -> None:
    # Capture C5: 541 answers of ten identifiers
    answers = [decode_current_data(data) for data in sent_by(recordings / REPLIES_ONLY, 0x7E8)]
    assert (541, 10) == (len(answers), len({block.pid for item in answers for block in item.blocks}))
    assert {b""} == {item.leftover for item in answers}


@pytest.mark.parametrize(
    ("file", "can_id", "identifiers"),
    [
        # Capture C2: units 7E4 and 7A0; capture C6: nine identifiers of a truck
        (THREE_UNITS, 0x7EC, {0x0101, 0x0102, 0x0105}),
        (THREE_UNITS, 0x7A8, {0xC00B}),
        (TRUCK, 0x18DAFBEE, {0xF190, 0xF97E, 0xF18A, 0xF192, 0xF194, 0xF922, 0xF97D, 0xFD81, 0xF90B}),
    ],
)
def test_identifiers_that_carry_no_obd_data_are_not_taken_for_it(
    recordings: Path, file: Path, can_id: int, identifiers: set[int]
) -> None:
    answers = sent_by(recordings / file, can_id)
    assert identifiers == {int.from_bytes(data[1:3], "big") for data in answers if data[0] == 0x62}
    for data in answers:
        assert read_obd_did(int.from_bytes(data[1:3], "big"), data[3:]) is None


def test_a_real_reply_of_service_06_holds_six_results(recordings: Path) -> None:
    # Mechanics Stack Exchange, question 28051: a 2010 petrol car
    lines = (recordings / RESULTS).read_text().splitlines()
    frames = [bytes.fromhex(line.removeprefix("7E8 ")) for line in lines if line.startswith("7E8 ")]
    support, results = messages(iter(frames))
    assert frozenset({0x01, 0x20}) == decode_monitor_tests(support).supported
    found = decode_monitor_tests(results).tests
    assert ["passed"] * 5 + ["not completed"] == [test.result for test in found]
    assert [449.692, 449.692, 0, 919.392, 120, 0] == [test.value for test in found]


def test_every_obd_row_of_the_check_table_is_among_the_vectors(recordings: Path) -> None:
    with (recordings / "ref" / "vectors.csv").open(newline="") as file:
        responses = {bytes.fromhex(row["response"]) for row in csv.DictReader(file) if row["protocol"] == "OBD"}
    assert 10 == len(responses)
    assert set() == responses - {vector.data for vector in OBD_VECTORS}
