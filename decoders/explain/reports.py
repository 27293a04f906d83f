"""Service 19 (ReadDTCInformation) and service 14 (ClearDiagnosticInformation), requests and answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from types import MappingProxyType
from typing import Any

from decoders.explain.identifiers import write_identifiers, write_record
from decoders.explain.names import standard_of_report
from decoders.explain.scribe import Form, Message, Row, Scribe, Walk, fields, form
from decoders.explain.words import (
    CODE,
    COUNT,
    COUNTER,
    FORMAT,
    FUNCTIONAL_UNIT,
    GROUP,
    MASK,
    MEMORY,
    READINESS_GROUP,
    RECORD,
    RECORD_WANTED,
    SEVERITY,
    SEVERITY_MASK,
    SEVERITY_WANTED,
    STATUS,
    STATUS_WANTED,
    SUPPRESS_BIT,
    subfunction_row,
)
from decoders.services import Service
from decoders.uds_dtc import (
    decode_dtc_count,
    decode_dtc_list,
    decode_fault_counters,
    decode_snapshot_index,
)
from decoders.uds_dtc_requests import REPORTS, Report, decode_dtc_request
from decoders.uds_records import decode_extended, decode_extended_by_number, decode_snapshots, decode_stored_data
from decoders.uds_severity import decode_group_list, decode_severity_list

_UNKNOWN = Report("unknown report")
_PARAMETERS: Mapping[str, Row] = MappingProxyType(
    {
        "dtc": CODE,
        "mask": STATUS_WANTED,
        "severity_mask": SEVERITY_WANTED,
        "record_number": RECORD_WANTED,
        "memory": MEMORY,
        "group": GROUP,
        "readiness_group": READINESS_GROUP,
    }
)
_SIZE_NOT_KNOWN = "its size is not known here, a profile can give it; it may hold further records"
_NO_COUNT = "the record does not say how many identifiers it has"


def _stored_record(raw: bytes, scribe: Scribe) -> str:
    return f"{RECORD.say(raw, scribe)}{': nothing is stored under it' if scribe.left == RECORD.size else ''}"


_STORED_RECORD = Row(RECORD.field, RECORD.size, _stored_record)
_IDENTIFIER_COUNT = Row("number of identifiers", 1, lambda raw, _: str(raw[0]))
_ENTRY = (CODE, STATUS)


def _supporting_codes(scribe: Scribe) -> None:
    # A unit may leave the record's number out where no code supports it.
    scribe.write(MASK)
    if scribe.left:
        scribe.write(RECORD)
    scribe.records(*_ENTRY)


def _counted_identifiers(scribe: Scribe) -> None:
    count = scribe.write(_IDENTIFIER_COUNT)
    if count:
        write_identifiers(scribe, count)
    else:
        scribe.note(scribe.left, "data", _NO_COUNT)


def _snapshots(scribe: Scribe) -> None:
    scribe.rows(*_ENTRY)
    while scribe.left:
        scribe.write(RECORD)
        _counted_identifiers(scribe)


def _stored_data(scribe: Scribe) -> None:
    scribe.write(_STORED_RECORD)
    while scribe.left:
        scribe.rows(*_ENTRY)
        _counted_identifiers(scribe)
        if scribe.left:
            scribe.write(_STORED_RECORD)


def _extended(scribe: Scribe) -> None:
    scribe.rows(*_ENTRY)
    while scribe.left:
        number = scribe.write(RECORD)
        if number not in scribe.known.sizes:
            scribe.note(scribe.left, "data", _SIZE_NOT_KNOWN)
            return
        write_record(scribe, number, scribe.known.sizes[number])


def _extended_by_number(scribe: Scribe) -> None:
    number = scribe.write(RECORD)
    size = scribe.known.sizes.get(number)
    if size is not None:
        scribe.records(*_ENTRY, tail=size, write_tail=partial(write_record, number=number, size=size))
    elif scribe.left:
        scribe.rows(*_ENTRY)
        scribe.note(scribe.left, "data", _SIZE_NOT_KNOWN)


def _in_memory(walk: Walk) -> Walk:
    def with_memory(scribe: Scribe) -> None:
        scribe.write(MEMORY)
        walk(scribe)

    return with_memory


def _by_lengths(walk: Walk, decode: Callable[[bytes, Mapping[int, int]], Any]) -> Form:
    return Form(walk, lambda data, known: decode(data, known.lengths))


def _by_sizes(walk: Walk, decode: Callable[[bytes, Mapping[int, int]], Any]) -> Form:
    return Form(walk, lambda data, known: decode(data, known.sizes))


_LIST = form(fields(MASK, each=_ENTRY), decode_dtc_list)
_NUMBER = form(fields(MASK, FORMAT, COUNT), decode_dtc_count)
_BY_SEVERITY = form(fields(MASK, each=(SEVERITY, FUNCTIONAL_UNIT, *_ENTRY)), decode_severity_list)

_ANSWERS: Mapping[int, Form] = MappingProxyType(
    {
        **dict.fromkeys((0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15), _LIST),
        **dict.fromkeys((0x01, 0x07, 0x11, 0x12), _NUMBER),
        **dict.fromkeys((0x08, 0x09), _BY_SEVERITY),
        **dict.fromkeys((0x06, 0x10), _by_sizes(_extended, decode_extended)),
        0x03: form(fields(each=(CODE, RECORD)), decode_snapshot_index),
        0x04: _by_lengths(_snapshots, decode_snapshots),
        0x05: _by_lengths(_stored_data, decode_stored_data),
        0x14: form(fields(each=(CODE, COUNTER)), decode_fault_counters),
        0x16: _by_sizes(_extended_by_number, decode_extended_by_number),
        0x17: form(fields(MEMORY, MASK, each=_ENTRY), decode_dtc_list),
        0x18: _by_lengths(_in_memory(_snapshots), decode_snapshots),
        0x19: _by_sizes(_in_memory(_extended), decode_extended),
        0x1A: form(_supporting_codes, decode_dtc_list),
        0x42: form(fields(GROUP, MASK, SEVERITY_MASK, FORMAT, each=(SEVERITY, *_ENTRY)), decode_group_list),
        0x55: form(fields(GROUP, MASK, FORMAT, each=_ENTRY), decode_dtc_list),
        0x56: form(fields(GROUP, MASK, FORMAT, READINESS_GROUP, each=_ENTRY), decode_dtc_list),
    }
)
"""Sub-function -> its answer. Source: ISO 14229-1, ReadDTCInformation positive response."""


def report_message(data: bytes) -> Message:
    """What kind of message of service 19 this is; its first byte is 19 or 59."""
    is_request = data[0] == Service.READ_DTC
    byte = int.from_bytes(data[1:2], "big")
    subfunction = byte & ~SUPPRESS_BIT if is_request else byte
    report = REPORTS.get(subfunction, _UNKNOWN)
    if is_request:
        rest = form(fields(*(_PARAMETERS[name] for name in report.parameters)), decode_dtc_request)
    else:
        rest = _ANSWERS.get(subfunction, _LIST)
    row = subfunction_row(lambda _: report.name, is_request=is_request)

    def walk(scribe: Scribe) -> None:
        scribe.write(row)
        rest.walk(scribe)

    return Message(standard_of_report(subfunction), Form(walk, rest.decode), report.name)
