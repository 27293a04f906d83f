"""What the decoders say of a message, apart from what explains it: one table of who reads what."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from decoders.errors import DecodeError
from decoders.explain import Explanation, Known
from decoders.layout import Layout
from decoders.obd_codes import decode_obd_codes
from decoders.obd_data import PIDS, decode_current_data
from decoders.obd_freeze import decode_freeze_frame
from decoders.obd_info import decode_info
from decoders.obd_requests import decode_control, decode_obd_request
from decoders.obd_tests import decode_monitor_tests, decode_oxygen_test
from decoders.uds_data import (
    decode_clear,
    decode_dtc_setting,
    decode_identifier,
    decode_identifiers,
    decode_refusal,
    decode_routine,
    decode_session,
    decode_tester_present,
)
from decoders.uds_dtc import decode_dtc_count, decode_dtc_list, decode_fault_counters, decode_snapshot_index
from decoders.uds_dtc_requests import decode_clear_request, decode_dtc_request
from decoders.uds_records import decode_extended, decode_extended_by_number, decode_snapshots, decode_stored_data
from decoders.uds_requests import (
    decode_dtc_setting_request,
    decode_identifier_request,
    decode_routine_request,
    decode_session_request,
    decode_tester_present_request,
)
from decoders.uds_severity import decode_group_list, decode_severity_list

PLAIN: dict[int, Callable[[bytes], Any]] = {
    **dict.fromkeys(range(0x01, 0x0B), decode_obd_request),
    0x10: decode_session_request,
    0x14: decode_clear_request,
    0x19: decode_dtc_request,
    0x22: decode_identifier_request,
    0x31: decode_routine_request,
    0x3E: decode_tester_present_request,
    0x85: decode_dtc_setting_request,
    0x41: decode_current_data,
    0x42: decode_freeze_frame,
    **dict.fromkeys((0x43, 0x47, 0x4A), decode_obd_codes),
    **dict.fromkeys((0x44, 0x54), decode_clear),
    0x45: decode_oxygen_test,
    0x46: decode_monitor_tests,
    0x48: decode_control,
    0x49: decode_info,
    0x50: decode_session,
    0x71: decode_routine,
    0x7E: decode_tester_present,
    0x7F: decode_refusal,
    0xC5: decode_dtc_setting,
}
"""First byte -> the decoder of messages that need nothing beyond them."""

REPORTS: tuple[Callable[[bytes], Any], ...] = (
    decode_dtc_list,
    decode_dtc_count,
    decode_severity_list,
    decode_group_list,
    decode_snapshot_index,
    decode_fault_counters,
)
PID_LENGTHS = {0xF400 | pid: layout.length for pid, layout in PIDS.items()}
BY_LENGTHS = (decode_snapshots, decode_stored_data)
BY_SIZES = (decode_extended, decode_extended_by_number)


def known(lengths: dict[int, int], sizes: dict[int, int]) -> Known:
    """Only how long the data of identifiers and records is."""
    return Known(
        identifiers={number: Layout(name=f"{number:04X}", length=size, fields=()) for number, size in lengths.items()},
        records={number: Layout(name=f"{number:02X}", length=size, fields=()) for number, size in sizes.items()},
    )


def has_decoder(data: bytes) -> bool:
    """True if some decoder reads messages that begin like this one."""
    return data[:1] in (b"", b"\x59", b"\x62") or data[0] in PLAIN


def decoded(data: bytes, lengths: dict[int, int], sizes: dict[int, int]) -> Any:
    """The value of the decoder that reads this message, or its DecodeError."""
    lengths = PID_LENGTHS | lengths
    try:
        if data[:1] == b"\x59":
            return _report(data, lengths, sizes)
        if data[:1] == b"\x62":
            decode_identifier(data)
            return decode_identifiers(data, lengths)
        return PLAIN.get(data[0] if data else 0x50, decode_session)(data)
    except DecodeError as error:
        return error


def _report(data: bytes, lengths: dict[int, int], sizes: dict[int, int]) -> Any:
    """Each decoder refuses the sub-functions of the others, so at most one gives a value."""
    found: list[Any] = []
    for decode, *more in (
        *((item,) for item in REPORTS),
        *((item, lengths) for item in BY_LENGTHS),
        *((item, sizes) for item in BY_SIZES),
    ):
        try:
            found.append(decode(data, *more))
        except DecodeError as error:
            refused = error
    assert len(found) <= 1
    return found[0] if found else refused


def assert_covers(explanation: Explanation, data: bytes) -> None:
    """Every byte stands in exactly one part, in order, and each part says something."""
    assert data == explanation.raw == b"".join(part.raw for part in explanation.parts)
    at = 0
    for part in explanation.parts:
        assert (at, True) == (part.offset, bool(part.raw and part.field and part.meaning)), part
        at += len(part.raw)
