"""What a unit stored with a fault: its snapshots and extended data, each value with its bytes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from decoders import SnapshotAnswer, decode_extended, decode_snapshots
from decoders.errors import DecodeError
from decoders.values import Outcome
from sessions.record import CodeReading, JobRecord
from sessions.report.stored_values import (
    NOT_DIVIDED,
    Forms,
    StoredItem,
    data_item,
    hex_words,
    named,
    plain_item,
    record_item,
)
from sessions.report.words import counted, refusal_words
from sessions.verdict.sights import FaultKey

REST_NOT_DIVIDED = f"{NOT_DIVIDED}; all bytes from here on stand together"
BEFORE, AFTER = "Before the first clear", "After the last clear"
NO_CLEAR, NEVER = "As read last; no clear was sent", "In the whole job"

_ALL_RECORDS = b"\xff"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRecord:
    """One snapshot, or all extended data, which has no title."""

    title: str
    items: tuple[StoredItem, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAnswer:
    """What a unit answered when asked for snapshots or for extended data.

    Args:
        what: which of the two.
        where: the request and where it was asked; empty where it was not.
        words: how many records, or why there are none to show.
        records: as sent.
    """

    what: str
    where: str
    words: str
    records: tuple[StoredRecord, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPart:
    """Snapshots and extended data as read in one part of the job."""

    title: str
    answers: tuple[StoredAnswer, ...]

    @property
    def is_empty(self) -> bool:
        """True if it has no record to show."""
        return not any(answer.records for answer in self.answers)


def stored_parts(record: JobRecord, key: FaultKey) -> tuple[StoredPart, ...]:
    """What the fault stored when the car came in, and what it stores after the last clear.

    Of each the newest answer counts; where none came, how the newest request ended. Only the fault memory that
    service 19 reads keeps such records for a code: for any other memory there are no parts.
    """
    if key.memory != "dtc":
        return ()
    forms = Forms.of(record.profile, key.unit)
    sent = [item for item in record.clears if item.unit == key.unit and item.outcome is not Outcome.UNSENT]
    first = sent[0].moment.seq if sent else math.inf
    last = max(((item.answered or item.moment).seq for item in sent), default=math.inf)
    read = [(kind, kind.of(record, key)) for kind in _KINDS]
    before = tuple(_answer(kind, [item for item in told if item.moment.seq < first], forms) for kind, told in read)
    if not any(told for _kind, told in read):
        return (StoredPart(title=NEVER, answers=before),)
    if not sent:
        return (StoredPart(title=NO_CLEAR, answers=before),)
    after = tuple(_answer(kind, [item for item in told if item.moment.seq > last], forms) for kind, told in read)
    return (
        StoredPart(title=BEFORE, answers=before),
        StoredPart(title=AFTER, answers=tuple(map(_once, before, after))),
    )


def _once(before: StoredAnswer, after: StoredAnswer) -> StoredAnswer:
    """The later answer, without records that are shown already."""
    if not after.records or after.records != before.records:
        return after
    return replace(after, words=f"the same as before the first clear: {after.words}", records=())


# One answer.


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """The content of one answer.

    Args:
        count: records that were read, the last perhaps in part.
        whole: True if every byte belongs to a record that was read.
        leftover: fill bytes behind them.
    """

    records: tuple[StoredRecord, ...]
    count: int
    whole: bool
    leftover: bytes

    @property
    def words(self) -> str:
        if not self.count:
            words = "keeps no record"
        elif self.whole:
            words = counted(self.count, "record")
        else:
            words = f"at least {counted(self.count, 'record')}"
        return f"{words}; fill bytes behind: {hex_words(self.leftover)}" if self.leftover else words


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """Snapshots or extended data.

    Args:
        request: the request up to the code.
        read: reads an answer; raises DecodeError.
    """

    what: str
    request: bytes
    read: Callable[[bytes, Forms], _Told]

    def of(self, record: JobRecord, key: FaultKey) -> list[CodeReading]:
        """Every request for all records of this kind that was sent, in journal order."""
        request = self.request + key.dtc.raw + _ALL_RECORDS
        return [
            code
            for code in record.codes
            if (code.unit, code.request) == (key.unit, request) and code.outcome is not Outcome.UNSENT
        ]

    def where(self, reading: CodeReading) -> str:
        return f"{hex_words(self.request)}, {_place(reading)}"


def _answer(kind: _Kind, readings: Sequence[CodeReading], forms: Forms) -> StoredAnswer:
    """The newest answer, without any how the newest request ended; and what a later request without one met."""
    if not readings:
        return StoredAnswer(what=kind.what, where="", words="not asked")
    answered = [reading for reading in readings if reading.outcome is Outcome.ANSWERED]
    newest, last = (answered or readings)[-1], readings[-1]
    answer = _content(kind, newest, forms)
    if last is newest:
        return answer
    return replace(answer, words=f"{answer.words}; asked again in {_place(last)}: {_ended(last)}")


def _content(kind: _Kind, reading: CodeReading, forms: Forms) -> StoredAnswer:
    answer = StoredAnswer(what=kind.what, where=kind.where(reading), words=_ended(reading))
    if reading.data is None:
        return answer
    try:
        told = kind.read(reading.data, forms)
    except DecodeError as error:
        item = plain_item("whole answer", str(error), reading.data)
        return replace(answer, words=Outcome.DAMAGED.value, records=(StoredRecord(title="", items=(item,)),))
    return replace(answer, words=told.words, records=told.records)


def _ended(reading: CodeReading) -> str:
    if reading.outcome is Outcome.REFUSED:
        return f"refused ({refusal_words(reading.refusal)})"
    return reading.outcome.value


def _place(reading: CodeReading) -> str:
    return f"scan {reading.scan}" if reading.scan is not None else f"entry {reading.moment.seq}"


def _snapshots(data: bytes, forms: Forms) -> _Told:
    answer = decode_snapshots(data, forms.lengths)
    records = [
        StoredRecord(
            title=f"Record {record.number:02X}",
            items=tuple(data_item(number, raw, forms) for number, raw in record.values),
        )
        for record in answer.records
    ]
    if answer.undecoded:
        records[-1] = replace(records[-1], items=(*records[-1].items, _undivided(answer, forms)))
    empty = plain_item("identifiers", "none", b"")
    return _Told(
        records=tuple(replace(record, items=record.items or (empty,)) for record in records),
        count=len(records),
        whole=not answer.undecoded,
        leftover=answer.leftover,
    )


def _undivided(answer: SnapshotAnswer, forms: Forms) -> StoredItem:
    """Everything from the first identifier of unknown length on."""
    rest = answer.undecoded
    # A count of zero in front of the rest leaves open whether an identifier stands there.
    if not answer.records[-1].values and not answer.raw[-len(rest) - 1]:
        return plain_item("number of identifiers not told", REST_NOT_DIVIDED, rest)
    number, name = named(int.from_bytes(rest[:2], "big"), forms)
    return StoredItem(number=number, name=name, lines=(("", REST_NOT_DIVIDED),), raw=hex_words(rest[2:]))


def _extended(data: bytes, forms: Forms) -> _Told:
    answer = decode_extended(data, forms.sizes)
    items = [record_item(number, raw, forms) for number, raw in answer.records]
    if answer.undecoded:
        number, raw = answer.undecoded[0], answer.undecoded[1:]
        items.append(plain_item(f"record {number:02X}", REST_NOT_DIVIDED, raw))
    return _Told(
        records=(StoredRecord(title="", items=tuple(items)),) if items else (),
        count=len(items),
        whole=not answer.undecoded,
        leftover=answer.leftover,
    )


_KINDS = (
    _Kind(what="Snapshots", request=b"\x19\x04", read=_snapshots),
    _Kind(what="Extended data", request=b"\x19\x06", read=_extended),
)
"""Source: ISO 14229-1, reportDTCSnapshotRecordByDTCNumber and reportDTCExtDataRecordByDTCNumber."""
