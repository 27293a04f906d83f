"""A scan ends with one more call to all: who was too slow for the first one is heard, and read where that can be."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

from recorded_unit import Call, ScriptedUnit, Step
from workshop import settings, visiting

from decoders.values import AnswerKind, is_functional
from gateway.scanning import take_scan
from sessions.store import Store

LISTS_NONE = {b"\x19\x01": bytes.fromhex("5901FF010000"), b"\x19\x02": bytes.fromhex("5902FF")}
PRESENT = bytes.fromhex("7E00")


def test_a_unit_that_missed_the_first_call_is_read_after_the_last_one(tmp_path: Path, channel: str) -> None:
    """Its address is known by ISO 15765-4 as soon as it answers."""
    calls: list[bytes] = []

    def script(data: bytes) -> Iterator[Step]:
        if data == b"\x3e\x00":
            calls.append(data)
            if len(calls) > 1:
                yield PRESENT
        elif data[:2] in LISTS_NONE:
            yield LISTS_NONE[data[:2]]

    with (
        ScriptedUnit(channel, 0x7E3, 0x7EB, script, functional_id=0x7DF),
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, f"can:virtual:{channel}", None, settings()) as visit,
    ):
        result = take_scan(visit, "before")
        record = visit.record()
    assert result.complete
    assert ("7E3/7EB",) == record.units
    assert ["5902FF"] == [code.data.hex().upper() for code in record.codes if code.data and code.data[1] == 2]


def test_a_stranger_that_answers_half_a_scan_later_is_told(tmp_path: Path, channel: str) -> None:
    """Its answer to the first call falls into the middle of the scan, while units are asked by their own address."""
    asked, said = threading.Event(), threading.Event()

    def engine(data: bytes) -> Iterator[Step]:
        if data == b"\x19\x0a":
            asked.set()
            said.wait(10)
            yield bytes.fromhex("590AFF")
        else:
            yield PRESENT if data == b"\x3e\x00" else LISTS_NONE.get(data[:2], bytes([0x7F, data[0], 0x11]))

    def slow(data: bytes) -> Iterator[Step]:
        if data == b"\x3e\x00" and not said.is_set():
            yield Call(lambda: asked.wait(20))
            yield PRESENT
            said.set()

    with (
        ScriptedUnit(channel, 0x7A0, 0x733, slow, functional_id=0x7DF),
        ScriptedUnit(channel, 0x7E0, 0x7E8, engine, functional_id=0x7DF),
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, f"can:virtual:{channel}", None, settings({"scan.p2_ms": 3000})) as visit,
    ):
        result = take_scan(visit, "before")
        record = visit.record()
    assert result.complete
    assert ("733",) == result.strangers == record.strangers
    of_it = [
        answer.kind
        for item in record.asked
        if is_functional(item.exchange.target)
        for answer in item.exchange.answers
        if answer.source == "733"
    ]
    assert [AnswerKind.LATE] == of_it
