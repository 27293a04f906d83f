"""Any request or answer explained byte by byte: which part of it says what, by which standard.

What the decoders accept is explained whole; where they find damage, the explanation ends there and says so.
"""

from __future__ import annotations

from typing import Any

from decoders.errors import DecodeError
from decoders.explain.obd import obd_message
from decoders.explain.reports import report_message
from decoders.explain.scribe import Message, Scribe
from decoders.explain.uds import refusal_message, uds_message
from decoders.explain.values import Direction, Explanation, Known
from decoders.services import NEGATIVE_RESPONSE, POSITIVE_OFFSET, Service, service_name

_NOTHING_KNOWN = Known()
_OBD_SERVICES = range(Service.OBD_CURRENT_DATA, Service.OBD_PERMANENT_CODES + 1)


def explain(data: bytes, known: Known = _NOTHING_KNOWN) -> Explanation:
    """Explain a message byte by byte; any byte string is explained as far as it can be read.

    Args:
        data: the payload, service identifier first, without addresses and transport bytes.
        known: what is known of the unit beyond the standards.

    Source: ISO 14229-1, service identifiers: bit 6 tells an answer from a request, 7F is a negative one.
    """
    if not data:
        missing = DecodeError("service", 0, data, "there is no byte")
        return Explanation(
            direction=None, service="", title="nothing", standard="", parts=(), problem=missing.message, raw=data
        )
    direction, service, message = _recognise(data)
    name = "negative response" if service is None else service_name(service)
    value, trouble = _decode(message, data, known)
    end = len(data) - len(getattr(value, "leftover", b"")) if trouble is None else trouble.offset
    scribe = Scribe(data, end, known, value)
    scribe.note(1, "service", _first_byte(direction, data[0], name))
    try:
        message.form.walk(scribe)
    except DecodeError as error:
        trouble = trouble or error
    title = f"{direction}: {name}"
    return Explanation(
        direction=direction,
        service=name,
        title=f"{title}, {message.about}" if message.about else title,
        standard=message.standard,
        parts=scribe.finish(trouble),
        problem=None if trouble is None else trouble.message,
        raw=data,
    )


def _recognise(data: bytes) -> tuple[Direction, int | None, Message]:
    """Who sends a message, the service that it belongs to (None for a negative response cut short), and its kind."""
    first = data[0]
    if first == NEGATIVE_RESPONSE:
        return Direction.ANSWER, data[1] if len(data) > 1 else None, refusal_message(data)
    is_request = not first & POSITIVE_OFFSET
    service = first if is_request else first - POSITIVE_OFFSET
    if service == Service.READ_DTC:
        message = report_message(data)
    elif service in _OBD_SERVICES:
        message = obd_message(service, is_request=is_request)
    else:
        message = uds_message(data, service, is_request=is_request)
    return Direction.REQUEST if is_request else Direction.ANSWER, service, message


def _decode(message: Message, data: bytes, known: Known) -> tuple[Any, DecodeError | None]:
    try:
        return message.form.decode(data, known), None
    except DecodeError as error:
        return None, error


def _first_byte(direction: Direction, byte: int, name: str) -> str:
    if byte == NEGATIVE_RESPONSE:
        return "negative response"
    return f"request: {name}" if direction is Direction.REQUEST else f"answer to {byte - POSITIVE_OFFSET:02X}: {name}"
