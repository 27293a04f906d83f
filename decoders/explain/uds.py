"""The services of ISO 14229-1 around the codes, and negative responses."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from decoders.explain.identifiers import IDENTIFIER, write_data, write_identifiers
from decoders.explain.names import OBD_ON_UDS, UDS, standard_of
from decoders.explain.scribe import NOT_KNOWN_HERE, Form, Message, Row, Scribe, Walk, fields, form, nothing_more
from decoders.explain.values import Known
from decoders.explain.words import MEMORY, SUPPRESS_BIT, code_text, subfunction_row
from decoders.obd_dids import OBD_PAGES
from decoders.services import Service, refusal_class, refusal_name, service_name
from decoders.uds_data import (
    IdentifiersAnswer,
    decode_clear,
    decode_dtc_setting,
    decode_identifier,
    decode_identifiers,
    decode_refusal,
    decode_routine,
    decode_session,
    decode_tester_present,
)
from decoders.uds_dtc_requests import decode_clear_request
from decoders.uds_ranges import MAKERS_OWN, SUPPLIERS_OWN, routine_name
from decoders.uds_requests import (
    ROUTINE_ACTIONS,
    decode_dtc_setting_request,
    decode_identifier_request,
    decode_routine_request,
    decode_session_request,
    decode_tester_present_request,
    session_name,
)

_FAST_POWER_DOWN = 0x04
_NOT_AVAILABLE = 0xFF
_TO_A_NODE = (0x04, 0x05)
_RESETS: Mapping[int, str] = MappingProxyType(
    {
        0x01: "hard reset",
        0x02: "key off and on",
        0x03: "soft reset",
        _FAST_POWER_DOWN: "fast power-down on",
        0x05: "fast power-down off",
    }
)
"""Source: ISO 14229-1, ECUReset sub-functions."""
_TRAFFIC: Mapping[int, str] = MappingProxyType(
    {
        0x00: "receive and send",
        0x01: "receive, do not send",
        0x02: "send, do not receive",
        0x03: "neither receive nor send",
        0x04: "receive, do not send, for one node",
        0x05: "receive and send, for one node",
    }
)
"""Source: ISO 14229-1, CommunicationControl sub-functions (04 and 05 from memory)."""
_MESSAGES = ("reserved", "normal messages", "network management", "normal messages and network management")
"""By the two lowest bits. Source: ISO 14229-1, CommunicationControl, communicationType."""
_RECEIVING_NETWORK = 0xF
"""In the four highest bits, of which others name a subnet. Source: ISO 14229-1, communicationType (from memory)."""
_LOW_PART = 0x3FFFFF
"""Bits behind the letter of a code. Where all are zero, older editions meant a group (from memory)."""
_IO_ACTIONS: Mapping[int, str] = MappingProxyType(
    {0x00: "return control to the unit", 0x01: "default value", 0x02: "freeze as it is", 0x03: "take this value"}
)
"""Source: ISO 14229-1, InputOutputControlByIdentifier, inputOutputControlParameter."""
_SETTINGS: Mapping[int, str] = MappingProxyType(
    {0x01: "status updates on", 0x02: "status updates off: until they are on again a reading proves nothing"}
)


def _named(names: Mapping[int, str], what: str) -> Callable[[int], str]:
    return lambda number: names.get(number, f"{what} {number:02X}")


_RESET_NAME = _named(_RESETS, "reset")
_TRAFFIC_NAME = _named(_TRAFFIC, "control")
_ACTION_NAME = _named(ROUTINE_ACTIONS, "unknown action")
_SETTING_NAME = _named(_SETTINGS, "setting")
_IO_NAME = _named(_IO_ACTIONS, "control")


def _milliseconds(raw: bytes, _scribe: Scribe) -> str:
    return f"{int.from_bytes(raw, 'big')} ms"


def _tens_of_milliseconds(raw: bytes, _scribe: Scribe) -> str:
    return f"{int.from_bytes(raw, 'big') * 10} ms (raw * 10)"


def _group(raw: bytes, scribe: Scribe) -> str:
    request = decode_clear_request(bytes([Service.CLEAR_DTC]) + raw)
    if request.dtc is None:
        return request.name
    code = code_text(request.dtc, scribe)
    return code if request.group & _LOW_PART else f"{code}; a single code, or in older editions a group"


def _traffic(raw: bytes, _scribe: Scribe) -> str:
    subnet, kind, reserved = raw[0] >> 4, _MESSAGES[raw[0] & 0x03], raw[0] & 0x0C
    if subnet:
        kind += ", the network of this request" if subnet == _RECEIVING_NETWORK else f", subnet {subnet:X}"
    return f"{kind}; reserved bits {reserved:02X}" if reserved else kind


def _security(number: int) -> str:
    if number == 0:
        return "reserved"
    return f"seed of level {number:02X}" if number % 2 else f"key of level {number - 1:02X}"


_P2 = Row("P2", 2, _milliseconds)
_P2_STAR = Row("P2*", 2, _tens_of_milliseconds)
_GROUP = Row("group of codes", 3, _group)
_ROUTINE = Row("routine", 2, lambda raw, _: f"routine {raw.hex().upper()}, {routine_name(int.from_bytes(raw, 'big'))}")
_REFUSED_SERVICE = Row("service refused", 1, lambda raw, _: service_name(raw[0]))
_REASON = Row("reason", 1, lambda raw, _: f"{refusal_name(raw[0])} (class: {refusal_class(raw[0])})")
_IO_ACTION = Row("control", 1, lambda raw, _: _IO_NAME(raw[0]))
_NODE = Row("node", 2, lambda raw, _: f"node {raw.hex().upper()}")
_TRAFFIC_KIND = Row("messages", 1, _traffic)
_POWER_DOWN = Row("power-down time", 1, lambda raw, _: f"{raw[0]} s" if raw[0] != _NOT_AVAILABLE else "not available")
_REFUSAL = form(fields(_REFUSED_SERVICE, _REASON), decode_refusal)


def _owned(field: str, *head: Row) -> Walk:
    """These fields, then bytes whose meaning only the maker knows."""

    def walk(scribe: Scribe) -> None:
        scribe.rows(*head)
        scribe.note(scribe.left, field, MAKERS_OWN)

    return walk


def _routine(field: str, action: Row) -> Walk:
    """Action and routine, then bytes that belong to whoever owns the routine."""

    def walk(scribe: Scribe) -> None:
        scribe.write(action)
        owner = routine_name(scribe.write(_ROUTINE))
        scribe.note(scribe.left, field, owner if owner in (MAKERS_OWN, SUPPLIERS_OWN) else NOT_KNOWN_HERE)

    return walk


def _closed(*rows: Row) -> Walk:
    """These fields and nothing else: for messages that have no decoder."""

    def walk(scribe: Scribe) -> None:
        scribe.rows(*rows)
        scribe.close()

    return walk


def _session_answer(scribe: Scribe) -> None:
    scribe.write(_sub(session_name))
    if scribe.left:
        scribe.rows(_P2, _P2_STAR)


def _clear_request(scribe: Scribe) -> None:
    scribe.write(_GROUP)
    if scribe.left:
        scribe.write(MEMORY)


def _identifier_request(scribe: Scribe) -> None:
    while scribe.left:
        scribe.write(IDENTIFIER)


def _write_request(scribe: Scribe) -> None:
    number = scribe.write(IDENTIFIER)
    scribe.peek(1, f"data of identifier {number:04X}")
    write_data(scribe, number, scribe.left)


def _reset_answer(scribe: Scribe) -> None:
    if scribe.write(_sub(_RESET_NAME)) == _FAST_POWER_DOWN:
        scribe.write(_POWER_DOWN)
    scribe.close()


def _decode_identifiers(data: bytes, known: Known) -> IdentifiersAnswer:
    decode_identifier(data)
    return decode_identifiers(data, known.lengths)


def _ask(name: Callable[[int], str]) -> Row:
    return subfunction_row(name, is_request=True)


def _sub(name: Callable[[int], str]) -> Row:
    return subfunction_row(name, is_request=False)


def _nothing_said(_number: int) -> str:
    return "says nothing more"


def _traffic_request(scribe: Scribe) -> None:
    subfunction = scribe.write(_ask(_TRAFFIC_NAME)) & ~SUPPRESS_BIT
    scribe.write(_TRAFFIC_KIND)
    if subfunction in _TO_A_NODE:
        scribe.write(_NODE)
    scribe.close()


def _identifiers_standard(data: bytes) -> str:
    standard = standard_of(Service.READ_DATA)
    return f"{standard}; {OBD_ON_UDS}" if len(data) > 1 and data[1] in OBD_PAGES else standard


_REQUESTS: Mapping[int, Form] = MappingProxyType(
    {
        Service.SESSION_CONTROL: form(fields(_ask(session_name)), decode_session_request),
        Service.ECU_RESET: Form(_closed(_ask(_RESET_NAME))),
        Service.CLEAR_DTC: form(_clear_request, decode_clear_request),
        Service.READ_DATA: form(_identifier_request, decode_identifier_request),
        Service.SECURITY_ACCESS: Form(_owned("data", _ask(_security))),
        Service.COMMUNICATION_CONTROL: Form(_traffic_request),
        Service.WRITE_DATA: Form(_write_request),
        Service.IO_CONTROL: Form(_owned("state", IDENTIFIER, _IO_ACTION)),
        Service.ROUTINE_CONTROL: form(_routine("option", _ask(_ACTION_NAME)), decode_routine_request),
        Service.TESTER_PRESENT: form(fields(_ask(_nothing_said)), decode_tester_present_request),
        Service.DTC_SETTING: form(_owned("option", _ask(_SETTING_NAME)), decode_dtc_setting_request),
    }
)
_ANSWERS: Mapping[int, Form] = MappingProxyType(
    {
        Service.SESSION_CONTROL: form(_session_answer, decode_session),
        Service.ECU_RESET: Form(_reset_answer),
        Service.CLEAR_DTC: form(nothing_more, decode_clear),
        Service.READ_DATA: Form(write_identifiers, _decode_identifiers),
        Service.SECURITY_ACCESS: Form(_owned("data", _sub(_security))),
        Service.COMMUNICATION_CONTROL: Form(_closed(_sub(_TRAFFIC_NAME))),
        Service.WRITE_DATA: Form(_closed(IDENTIFIER)),
        Service.IO_CONTROL: Form(_owned("state", IDENTIFIER, _IO_ACTION)),
        Service.ROUTINE_CONTROL: form(_routine("status", _sub(_ACTION_NAME)), decode_routine),
        Service.TESTER_PRESENT: form(fields(_sub(_nothing_said)), decode_tester_present),
        Service.DTC_SETTING: form(fields(_sub(_SETTING_NAME)), decode_dtc_setting),
    }
)


def uds_message(data: bytes, service: int, *, is_request: bool) -> Message:
    """What kind of message of another service than 19 this is; of one unknown here nothing is known."""
    found = (_REQUESTS if is_request else _ANSWERS).get(service, Form())
    standard = _identifiers_standard(data) if service == Service.READ_DATA else standard_of(service)
    return Message(standard, found)


def refusal_message(data: bytes) -> Message:
    """A negative response; its first byte is 7F."""
    service, reason = data[1:2], data[2:3]
    standard = standard_of(service[0]) if service else ""
    about = f"refused: {refusal_name(reason[0])}" if reason else "refused"
    return Message(
        f"{UDS}, negative response; {standard}" if standard else f"{UDS}, negative response", _REFUSAL, about
    )
