"""The OBD services 01 to 0A, requests and answers."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from decoders.explain.names import standard_of
from decoders.explain.obd_blocks import GROUP, pid_text, write_info, write_pid, write_support, write_test
from decoders.explain.scribe import NOT_KNOWN_HERE, Form, Message, Row, Scribe, Walk, fields, form, nothing_more
from decoders.explain.words import SHORT_CODE, SHORT_COUNT
from decoders.obd_codes import decode_obd_codes
from decoders.obd_data import decode_current_data
from decoders.obd_freeze import decode_freeze_frame
from decoders.obd_info import VehicleInfo, decode_info, infotype_name
from decoders.obd_requests import CONTROL_NAMES, decode_control, decode_obd_request
from decoders.obd_tests import decode_monitor_tests, decode_oxygen_test, monitor_name
from decoders.services import Service
from decoders.uds_data import decode_clear


def _control(raw: bytes, _scribe: Scribe) -> str:
    named = CONTROL_NAMES.get(raw[0], f"unknown test {raw[0]:02X}")
    return named if raw[0] % GROUP else "supported tests"


_PID = Row("PID", 1, lambda raw, _: pid_text(raw[0]))
_FRAME = Row("freeze frame", 1, lambda raw, _: f"frame {raw[0]:02X}")
_MONITOR = Row("monitor", 1, lambda raw, _: monitor_name(raw[0]))
_INFOTYPE = Row("infotype", 1, lambda raw, _: infotype_name(raw[0]))
_OXYGEN_TEST = Row("test", 1, lambda raw, _: decode_oxygen_test(bytes([0x45, raw[0], 0])).test_name)
_SENSOR = Row("sensor", 1, lambda raw, _: f"bit or number {raw[0]:02X}")
_CONTROL = Row("test", 1, _control)


def _asked(*rows: Row) -> Walk:
    """These fields, as often as they are there."""

    def walk(scribe: Scribe) -> None:
        while scribe.left:
            scribe.rows(*rows)

    return walk


def _with_data(*rows: Row) -> Walk:
    def walk(scribe: Scribe) -> None:
        scribe.rows(*rows)
        scribe.note(scribe.left, "data", NOT_KNOWN_HERE)

    return walk


def _current_data(scribe: Scribe) -> None:
    while scribe.left:
        write_pid(scribe, scribe.write(_PID))


def _freeze_frame(scribe: Scribe) -> None:
    while scribe.left:
        pid = scribe.write(_PID)
        scribe.write(_FRAME)
        write_pid(scribe, pid)


def _codes(scribe: Scribe) -> None:
    for _ in range(scribe.write(SHORT_COUNT)):
        scribe.write(SHORT_CODE)


def _monitor_tests(scribe: Scribe) -> None:
    while scribe.left:
        monitor = scribe.write(_MONITOR)
        if monitor % GROUP:
            write_test(scribe, monitor)
        else:
            write_support(scribe, monitor)


def _control_answer(scribe: Scribe) -> None:
    test = scribe.write(_CONTROL)
    if test % GROUP == 0:
        write_support(scribe, test)
    scribe.note(scribe.left, "data", NOT_KNOWN_HERE)


def _information(scribe: Scribe) -> None:
    while (infotype := scribe.write(_INFOTYPE)) % GROUP == 0:
        write_support(scribe, infotype)
        if not scribe.left:
            return
    if isinstance(scribe.value, VehicleInfo):
        write_info(scribe, scribe.value, scribe.left)


_REQUESTS: Mapping[int, Walk] = MappingProxyType(
    {
        Service.OBD_CURRENT_DATA: _asked(_PID),
        Service.OBD_FREEZE_FRAME: _asked(_PID, _FRAME),
        Service.OBD_OXYGEN_SENSOR_TESTS: fields(_OXYGEN_TEST, _SENSOR),
        Service.OBD_MONITOR_TESTS: _asked(_MONITOR),
        Service.OBD_CONTROL: _with_data(_CONTROL),
        Service.OBD_VEHICLE_INFORMATION: _asked(_INFOTYPE),
    }
)
_CODE_LIST = form(_codes, decode_obd_codes)
_ANSWERS: Mapping[int, Form] = MappingProxyType(
    {
        Service.OBD_CURRENT_DATA: form(_current_data, decode_current_data),
        Service.OBD_FREEZE_FRAME: form(_freeze_frame, decode_freeze_frame),
        Service.OBD_STORED_CODES: _CODE_LIST,
        Service.OBD_CLEAR: form(nothing_more, decode_clear),
        Service.OBD_OXYGEN_SENSOR_TESTS: form(_with_data(_OXYGEN_TEST, _SENSOR), decode_oxygen_test),
        Service.OBD_MONITOR_TESTS: form(_monitor_tests, decode_monitor_tests),
        Service.OBD_PENDING_CODES: _CODE_LIST,
        Service.OBD_CONTROL: form(_control_answer, decode_control),
        Service.OBD_VEHICLE_INFORMATION: form(_information, decode_info),
        Service.OBD_PERMANENT_CODES: _CODE_LIST,
    }
)


def obd_message(service: int, *, is_request: bool) -> Message:
    """What kind of message of a service 01 to 0A this is."""
    asked = form(_REQUESTS.get(service, nothing_more), decode_obd_request)
    return Message(standard_of(service), asked if is_request else _ANSWERS[service])
