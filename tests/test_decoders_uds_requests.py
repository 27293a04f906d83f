"""Requests of ISO 14229-1 services: as udsoncan sends them, as scapy dissects them, and what is refused."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.automotive.uds import UDS
from uds_codes import BYTE, asked_by_udsoncan
from udsoncan import DidCodec, Response
from udsoncan.services import (
    ClearDiagnosticInformation,
    ControlDTCSetting,
    DiagnosticSessionControl,
    ReadDataByIdentifier,
    RoutineControl,
    TesterPresent,
)

from decoders.errors import DecodeError
from decoders.uds_data import decode_dtc_setting, decode_identifiers, decode_refusal, decode_routine
from decoders.uds_dtc_requests import REPORTS, decode_clear_request, decode_dtc_request, functional_group_name
from decoders.uds_requests import (
    decode_dtc_setting_request,
    decode_identifier_request,
    decode_routine_request,
    decode_session_request,
    decode_tester_present_request,
    session_name,
)

WORD = st.integers(0, 0xFFFF)
THEIR_NAMES = {
    "mask": "status_mask",
    "severity_mask": "severity_mask",
    "memory": "memory_selection",
    "group": "functional_group_id",
}
THEIR_RECORDS = {0x04: "snapshot_record_number", 0x05: "snapshot_record_number", 0x18: "snapshot_record_number"}
EXTENDED = "extended_data_record_number"
NOT_THEIRS = (0x1A, 0x56)
"""Reports that udsoncan's make_request has no parameters for."""

# scapy, UDS_RDTCI: the reports whose requests it lays out as the standard does.
BY_SCAPY = (0x01, 0x02, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0F, 0x10, 0x11, 0x12, 0x13, 0x14, 0x15)


def their_parameters(report: int, names: tuple[str, ...], numbers: list[int]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, number in zip(names, numbers, strict=False):
        if name == "dtc":
            found["dtc"] = number << 16 | 0x2011
        elif name == "record_number":
            found[THEIR_RECORDS.get(report, EXTENDED)] = number
        else:
            found[THEIR_NAMES[name]] = number
    return found


@given(st.sampled_from(sorted(set(REPORTS) - set(NOT_THEIRS))), st.lists(st.integers(0, 0xEF), min_size=3, max_size=3))
def test_what_udsoncan_asks_is_read_with_the_same_parameters(report: int, numbers: list[int]) -> None:
    names = REPORTS[report].parameters
    data = asked_by_udsoncan(report, standard_version=2013, **their_parameters(report, names, numbers))
    ours = decode_dtc_request(data)
    back = [int.from_bytes(ours.dtc.raw, "big") >> 16 if n == "dtc" and ours.dtc else getattr(ours, n) for n in names]
    assert (report, False, numbers[: len(names)], b"") == (ours.subfunction, ours.suppress, back, ours.leftover)


@pytest.mark.parametrize("report", NOT_THEIRS)
def test_udsoncan_leaves_out_the_parameters_of_newer_reports(report: int) -> None:
    data = asked_by_udsoncan(report)
    assert bytes([0x19, report]) == data
    with pytest.raises(DecodeError, match="at byte 2: 1 byte is needed"):
        decode_dtc_request(data)


@given(st.sampled_from(BY_SCAPY), st.binary(min_size=4, max_size=4))
def test_scapy_lays_requests_out_alike(report: int, body: bytes) -> None:
    length = sum(3 if name == "dtc" else 1 for name in REPORTS[report].parameters)
    data = bytes([0x19, report]) + body[:length]
    theirs, ours = UDS(data), decode_dtc_request(data)
    assert (ours.subfunction, ours.mask) == (theirs.reportType, _number(theirs.DTCStatusMask))
    assert ours.severity_mask == _number(theirs.DTCSeverityMask)
    records = (theirs.DTCSnapshotRecordNumber, theirs.DTCExtendedDataRecordNumber)
    assert ours.record_number == next((record for record in records if record is not None), None)
    assert (None if ours.dtc is None else ours.dtc.raw) == (None if theirs.dtc is None else bytes(theirs.dtc))


def _number(flags: Any) -> int | None:
    return None if flags is None else int(flags)


def test_scapy_wants_a_code_where_none_is_asked_for() -> None:
    # ISO 14229-1: the request 19 03 has no parameter; udsoncan sends it so.
    assert "reportType" not in UDS(bytes.fromhex("19 03")).payload.fields
    assert (0x03, None) == (decode_dtc_request(b"\x19\x03").subfunction, decode_dtc_request(b"\x19\x03").dtc)


@given(st.integers(0, 0xFFFFFF), st.none() | BYTE)
def test_what_udsoncan_clears_is_read_with_group_and_memory(group: int, memory: int | None) -> None:
    data = ClearDiagnosticInformation.make_request(group, memory).get_payload()
    ours = decode_clear_request(data)
    assert (group, memory, b"") == (ours.group, ours.memory, ours.leftover)


@given(st.lists(WORD, min_size=1, max_size=6))
def test_udsoncan_and_scapy_ask_for_the_same_identifiers(identifiers: list[int]) -> None:
    data = ReadDataByIdentifier.make_request(identifiers, None).get_payload()
    assert tuple(identifiers) == decode_identifier_request(data).identifiers
    assert identifiers == UDS(data).identifiers


@given(st.integers(1, 3), WORD, st.binary(max_size=8))
def test_udsoncan_and_scapy_know_the_same_routine(action: int, routine: int, option: bytes) -> None:
    data = RoutineControl.make_request(routine, action, option).get_payload()
    ours, theirs = decode_routine_request(data), UDS(data)
    assert (action, routine, option) == (ours.subfunction, ours.routine, ours.option)
    assert (action, routine) == (theirs.routineControlType, theirs.routineIdentifier)


@given(st.integers(1, 3), WORD, st.binary(max_size=8))
def test_scapy_reads_the_same_answer_of_a_routine(action: int, routine: int, status: bytes) -> None:
    data = bytes([0x71, action]) + routine.to_bytes(2, "big") + status
    ours, theirs = decode_routine(data), UDS(data)
    assert (action, routine, status) == (ours.subfunction, ours.routine, ours.status)
    assert (action, routine, status) == (
        theirs.routineControlType,
        theirs.routineIdentifier,
        bytes(theirs.lastlayer()) if status else b"",
    )


@given(st.integers(1, 0x7E), st.binary(max_size=4))
def test_udsoncan_and_scapy_know_the_same_setting(setting: int, option: bytes) -> None:
    data = ControlDTCSetting.make_request(setting, option).get_payload()
    ours, theirs = decode_dtc_setting_request(data), UDS(data)
    assert (setting, option) == (ours.setting, ours.option)
    assert (setting, option) == (theirs.DTCSettingType, theirs.DTCSettingControlOptionRecord)
    assert decode_dtc_setting(bytes([0xC5, setting])).setting == UDS(bytes([0xC5, setting])).DTCSettingType


@given(st.integers(1, 0x7F), st.booleans())
def test_udsoncan_asks_for_the_same_session(session: int, quiet: bool) -> None:
    data = DiagnosticSessionControl.make_request(session).get_payload(suppress_positive_response=quiet)
    ours = decode_session_request(data)
    assert (session, quiet, b"") == (ours.session, ours.suppress, ours.leftover)


@pytest.mark.parametrize("quiet", [True, False])
def test_udsoncan_says_it_is_there_in_the_same_way(quiet: bool) -> None:
    data = TesterPresent.make_request().get_payload(suppress_positive_response=quiet)
    assert quiet == decode_tester_present_request(data).suppress


@given(BYTE, BYTE)
def test_scapy_reads_the_same_refusal(service: int, code: int) -> None:
    data = bytes([0x7F, service, code])
    ours, theirs = decode_refusal(data), UDS(data)
    assert (service, code) == (ours.service, ours.code) == (theirs.requestServiceId, theirs.negativeResponseCode)


class TwoBytes(DidCodec):
    """Gives the two bytes of any identifier as they are."""

    def decode(self, payload: bytes) -> bytes:
        return payload

    def __len__(self) -> int:
        return 2


@given(st.dictionaries(st.integers(1, 0xFFFF), st.binary(min_size=2, max_size=2), min_size=1, max_size=5))
def test_udsoncan_reads_the_same_identifiers(items: dict[int, bytes]) -> None:
    data = b"\x62" + b"".join(number.to_bytes(2, "big") + body for number, body in items.items())
    ours = decode_identifiers(data, dict.fromkeys(range(0x10000), 2))
    theirs = ReadDataByIdentifier.interpret_response(
        Response.from_payload(data), list(items), {"default": TwoBytes}
    ).service_data.values
    assert (items, b"", b"") == (dict(ours.values), ours.undecoded, ours.leftover)
    assert items == theirs


@pytest.mark.parametrize(
    ("decode", "data_hex", "field"),
    [
        (decode_dtc_request, "", "service"),
        (decode_dtc_request, "19", "sub-function"),
        (decode_dtc_request, "19 00", "sub-function"),
        (decode_dtc_request, "19 9B", "sub-function"),
        (decode_dtc_request, "59 02 FF", "service"),
        (decode_dtc_request, "19 02", "status mask"),
        (decode_dtc_request, "19 02 FF 01", "end of request"),
        (decode_dtc_request, "19 04 04 20", "code"),
        (decode_dtc_request, "19 04 04 20 00", "record number"),
        (decode_dtc_request, "19 07", "severity mask"),
        (decode_dtc_request, "19 17 FF", "memory selection"),
        (decode_dtc_request, "19 42", "functional group"),
        (decode_dtc_request, "19 56 33", "readiness group"),
        (decode_clear_request, "14 FF FF", "group of codes"),
        (decode_clear_request, "14 FF FF FF 18 00", "end of request"),
        (decode_session_request, "10", "sub-function"),
        (decode_session_request, "10 80", "sub-function"),
        (decode_session_request, "10 03 01", "end of request"),
        (decode_identifier_request, "22 F1", "identifier"),
        (decode_identifier_request, "22 F1 90 F1", "identifier"),
        (decode_routine_request, "31 04 02 03", "sub-function"),
        (decode_routine_request, "31 01 02", "routine identifier"),
        (decode_dtc_setting_request, "85 00", "sub-function"),
        (decode_tester_present_request, "3E 01", "sub-function"),
        (decode_tester_present_request, "3E 00 01", "end of request"),
    ],
)
def test_another_or_a_cut_request_is_refused(decode: Callable[[bytes], object], data_hex: str, field: str) -> None:
    with pytest.raises(DecodeError, match=f"^{field} at byte"):
        decode(bytes.fromhex(data_hex))


@pytest.mark.parametrize(
    ("group_hex", "name"),
    [
        # ISO 14229-1, Annex D, groupOfDTC; FFFF10 is reserved there (from memory), 000000 names no code
        ("FFFFFF", "all codes"),
        ("FFFF33", "emissions group"),
        ("FFFFD0", "safety group"),
        ("FFFFFE", "VOBD group"),
        ("FFFF10", "unknown group FFFF10"),
        ("000000", "unknown group 000000"),
        ("FFFEFF", "U3FFE-FF"),
        ("000001", "P0000-01"),
    ],
)
def test_a_group_has_a_name_or_is_called_unknown(group_hex: str, name: str) -> None:
    found = decode_clear_request(bytes.fromhex("14" + group_hex))
    assert (name, "group" in name or name == "all codes") == (found.name, found.dtc is None)


@pytest.mark.parametrize(
    ("group", "name"),
    [(0x33, "emissions"), (0xD0, "safety"), (0xFE, "VOBD"), (0xFF, "all"), (0x7B, "unknown group 7B")],
)
def test_a_functional_group_has_a_name_or_is_called_unknown(group: int, name: str) -> None:
    # ISO 14229-1, Annex D, functional group identifier
    assert functional_group_name(group) == name


@pytest.mark.parametrize(
    ("session", "name"),
    [
        # ISO 14229-1, DiagnosticSessionControl sub-functions
        (0x01, "default session"),
        (0x02, "programming session"),
        (0x03, "extended session"),
        (0x04, "safety system session"),
        (0x05, "unknown session 05"),
        (0x3F, "unknown session 3F"),
        (0x40, "maker's session 40"),
        (0x5F, "maker's session 5F"),
        (0x60, "supplier's session 60"),
        (0x7E, "supplier's session 7E"),
        (0x7F, "unknown session 7F"),
    ],
)
def test_a_session_has_a_name_an_owner_or_is_called_unknown(session: int, name: str) -> None:
    assert session_name(session) == name


def test_a_request_knows_what_it_asks_and_whether_that_was_withdrawn() -> None:
    # ISO 14229-1:2020 no longer has 0F to 13
    assert "codes by status" == decode_dtc_request(bytes.fromhex("19 82 FF")).report.name
    assert [0x0F, 0x10, 0x11, 0x12, 0x13] == [number for number, report in REPORTS.items() if report.withdrawn]
