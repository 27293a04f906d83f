"""Frames beside the exchanges while a car is visited: all of them, in blobs, written before they can be lost."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from cli_help import QUICK, Cli
from workshop import Workshop, workshop

from decoders.errors import RecordError
from gateway.clearing import clear_unit
from gateway.guard import GuardedLink
from gateway.links.base import BusFrame, Trace
from gateway.scanning import take_scan
from gateway.tracing import FrameCollector, tracing
from gateway.visit import Begins, Kept, Over, VisitEvent
from sessions.journal import Entry, Kind
from sessions.record import read_record
from sessions.record.frames import MOST_IN_BLOB, StoredFrame, read_frames, unpack_frames
from sessions.store import Store
from sessions.verdict import judge
from simulators.door import RunningBench

BUS_FRAME = BusFrame(at_ns=5_000_000, sent=False, number=0x7E8, is_29_bit=False, data=b"\x01")


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Workshop]:
    with workshop(tmp_path / "record.sqlite") as running:
        yield running


def journal(shop: Workshop) -> tuple[Entry, ...]:
    return shop.visit.store.journal(shop.visit.writer.job)


def blobs(shop: Workshop) -> list[Entry]:
    return [entry for entry in journal(shop) if entry.kind is Kind.FRAMES]


def frames(shop: Workshop) -> list[StoredFrame]:
    return [frame for entry in blobs(shop) for frame in unpack_frames(entry.raw or b"")]


def collector(shop: Workshop, *, most_waiting: int = 1000, most_in_visit: int = 1000) -> FrameCollector:
    return FrameCollector(shop.visit.writer, "can:any", most_waiting=most_waiting, most_in_visit=most_in_visit)


def test_a_scan_keeps_every_frame_that_the_car_saw(shop: Workshop) -> None:
    seen = len(shop.bench.frames)
    with tracing(shop.visit, on=True):
        assert take_scan(shop.visit, "before").complete
    kept = frames(shop)
    log = shop.bench.frames[seen:]
    assert len(kept) > MOST_IN_BLOB
    for sent, direction in ((True, "rx"), (False, "tx")):
        ours = [(frame.number, frame.is_29_bit, frame.data) for frame in kept if frame.sent is sent]
        assert ours == [(f.arbitration_id, f.is_extended, f.data) for f in log if f.direction == direction]


def test_frames_lie_in_their_scan_by_the_clock_of_the_journal(shop: Workshop) -> None:
    with tracing(shop.visit, on=True):
        take_scan(shop.visit, "before")
    times = [frame.at_us for frame in frames(shop)]
    [begin] = [entry.mono_us for entry in journal(shop) if entry.kind is Kind.SCAN_BEGIN]
    [end] = [entry.mono_us for entry in journal(shop) if entry.kind is Kind.SCAN_END]
    assert times == sorted(times)
    assert begin <= times[0] <= times[-1] <= end
    for entry in blobs(shop):
        inside = unpack_frames(entry.raw or b"")
        told = {"first_us": inside[0].at_us, "last_us": inside[-1].at_us, "count": len(inside)}
        assert {"link": shop.visit.link.address, "scan": 1, **told} == entry.payload
        assert entry.mono_us >= inside[-1].at_us


def test_after_each_exchange_less_than_a_blob_is_in_memory_alone(shop: Workshop) -> None:
    waiting: list[int] = []

    def look(event: VisitEvent) -> None:
        if isinstance(event, Kept) and taking is not None:
            waiting.append(taking.waiting)

    with tracing(shop.visit, on=True) as taking:
        shop.visit.onlookers.append(look)
        take_scan(shop.visit, "before")
        assert taking is not None
        assert 0 == taking.waiting
    assert 0 < max(waiting) < MOST_IN_BLOB
    assert taking.written == len(frames(shop)) > MOST_IN_BLOB


def test_verdicts_are_the_same_with_and_without_the_frames(shop: Workshop) -> None:
    with tracing(shop.visit, on=True):
        take_scan(shop.visit, "before")
        clear_unit(shop.visit, "760/768", stated_parked=False)
        take_scan(shop.visit, "after")
    entries = journal(shop)
    bare = [entry for entry in entries if entry.kind is not Kind.FRAMES]
    assert len(bare) < len(entries)
    one, other = judge(read_record(entries)), judge(read_record(bare))
    assert (one.faults, one.grade, one.reasons, one.plan) == (other.faults, other.grade, other.reasons, other.plan)
    assert one.faults
    assert shop.visit.store.check(shop.visit.writer.job) is None


def test_frames_kept_by_a_clear_belong_to_no_scan(shop: Workshop) -> None:
    take_scan(shop.visit, "before")
    with tracing(shop.visit, on=True):
        clear_unit(shop.visit, "760/768", stated_parked=False)
    assert {False} == {"scan" in entry.payload for entry in blobs(shop)}
    assert bytes.fromhex("0414FFFFFF") in {frame.data[:5] for frame in frames(shop) if frame.sent}


def test_no_frames_where_none_are_wanted_and_the_link_is_left_alone(shop: Workshop) -> None:
    with tracing(shop.visit, on=False) as taking:
        take_scan(shop.visit, "before")
    assert (None, [], []) == (taking, blobs(shop), shop.visit.onlookers)


def test_a_link_without_frames_keeps_none(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_frames(_link: object, _tell: Trace | None) -> bool:
        return False

    monkeypatch.setattr(GuardedLink, "set_trace", no_frames)
    with tracing(shop.visit, on=True) as taking:
        assert (None, []) == (taking, shop.visit.onlookers)


def test_what_waits_is_written_when_the_visit_ends_in_an_error(shop: Workshop) -> None:
    def torn() -> None:
        with tracing(shop.visit, on=True) as taking:
            assert taking is not None
            taking.take(BUS_FRAME)
            raise RuntimeError("torn")

    with pytest.raises(RuntimeError, match="torn"):
        torn()
    assert [BUS_FRAME.data] == [frame.data for frame in frames(shop)]
    shop.visit.ask({}, during="watch")
    assert ([], 1) == (shop.visit.onlookers, len(blobs(shop)))


def test_a_full_memory_drops_frames_and_says_how_many(shop: Workshop) -> None:
    taking = collector(shop, most_waiting=3)
    for number in range(5):
        taking.take(replace(BUS_FRAME, number=number))
    taking(Over())
    taking.take(BUS_FRAME)
    taking(Over())
    assert [(3, 2), (1, None)] == [(item.payload["count"], item.payload.get("dropped")) for item in blobs(shop)]
    assert [0, 1, 2, 0x7E8] == [frame.number for frame in frames(shop)]
    assert (4, 2) == (taking.written, taking.dropped)


def test_a_visit_keeps_no_more_frames_than_its_bound_and_goes_on_counting(shop: Workshop) -> None:
    taking = collector(shop, most_in_visit=2)
    for _ in range(2):
        taking.take(BUS_FRAME)
        taking.take(BUS_FRAME)
        taking(Over())
    assert [{"link": "can:any", "count": 0, "dropped": 2}] == [entry.payload for entry in blobs(shop)[1:]]
    assert (2, 2) == (taking.written, taking.dropped)


def test_the_bound_of_a_visit_holds_though_blobs_are_written_before_the_rest(shop: Workshop) -> None:
    taking = collector(shop, most_in_visit=MOST_IN_BLOB + 44)
    for event in (Over(), Over(), Over()):
        for _ in range(2 * MOST_IN_BLOB):
            taking.take(BUS_FRAME)
            if taking.waiting == MOST_IN_BLOB + 44:
                taking._write(MOST_IN_BLOB)
        taking(event)
    assert MOST_IN_BLOB + 44 == taking.written == len(frames(shop))
    assert 6 * MOST_IN_BLOB == taking.written + taking.dropped


def test_nothing_seen_is_nothing_written(shop: Workshop) -> None:
    collector(shop)(Over())
    assert [] == blobs(shop)


def test_frames_stay_in_memory_until_they_are_in_the_journal(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    taking = collector(shop)
    for _ in range(MOST_IN_BLOB + 1):
        taking.take(BUS_FRAME)

    def full(*_arguments: object, **_more: Any) -> None:
        raise RecordError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(shop.visit.writer, "append", full)
        with pytest.raises(RecordError):
            taking(Over())
    assert MOST_IN_BLOB + 1 == taking.waiting
    taking(Begins((), "scan", 4))
    taking(Over())
    assert [(MOST_IN_BLOB, 4), (1, 4)] == [(item.payload["count"], item.payload["scan"]) for item in blobs(shop)]


def test_another_process_reads_blobs_while_the_scan_goes_on(shop: Workshop) -> None:
    """Each blob is committed when it is written: what a killed process leaves behind."""
    found: list[int] = []

    def look(event: VisitEvent) -> None:
        if isinstance(event, Over):
            with Store.open(shop.visit.store.path, create=False) as other:
                found.append(sum(entry.kind is Kind.FRAMES for entry in other.journal(1)))

    with tracing(shop.visit, on=True):
        shop.visit.onlookers.append(look)
        take_scan(shop.visit, "before")
    assert found == sorted(set(found))
    assert 5 == len(found)
    assert found[0] == 1


def test_a_watch_keeps_frames_only_when_it_is_told_to(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli.use_scanned_job()
    cli.done("clear", "1", "--link", bench.links[0], *QUICK, "--no-trace")
    monkeypatch.setattr("gateway.cli.watch.MINUTE_S", 1)
    command = ("watch", "1", "--link", bench.links[0], "--minutes", "1", *QUICK)
    kept = []
    for option in ((), ("--trace",)):
        cli.done(*command, *option)
        with Store.open(cli.store_file, create=False) as store:
            kept.append(sum(entry.kind is Kind.FRAMES for entry in store.journal(1)))
    assert 0 == kept[0] < kept[1]
    monkeypatch.setattr(GuardedLink, "set_trace", lambda _link, _tell: False)
    assert "No frames are kept: this link is no CAN bus" in cli.done(*command, "--trace").out


def test_frames_that_were_not_kept_are_said(cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch) -> None:
    cli.use_scanned_job()
    monkeypatch.setattr("gateway.tracing.MOST_IN_VISIT", 10)
    out = cli.done("scan", "1", "--as", "check", "--link", bench.links[0], *QUICK).out
    [told] = re.findall(r"Frame trace: (\d+) frames were not kept", out)
    with Store.open(cli.store_file, create=False) as store:
        blocks = list(read_frames(store.journal(1)))
    assert (10, int(told)) == (sum(len(block.frames) for block in blocks), sum(block.dropped for block in blocks))
