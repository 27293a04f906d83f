"""What a person who waits is told, from the events of a visit alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from journal_builder import Story, profile
from workshop import Workshop, workshop

from decoders.values import Answer, AnswerKind, Exchange, Outcome, Request
from gateway.cli.follow import ScanProgress, StepProgress, bar_text, clock_text, how_it_came_out, with_address
from gateway.scanning import take_scan
from gateway.visit import Asks, Begins, Ended, Kept, Over, VisitEvent
from sessions.profile import ProfileUnit
from sessions.record import Asked, JobRecord, Moment
from sessions.verdict import UnitLook, unit_looks

BRAKES, ENGINE, OTHER = "760/768", "7E0/7E8", "7E3/7EB"
UNITS = (
    ProfileUnit(address=BRAKES, name="Brake control", system="chassis"),
    ProfileUnit(address=ENGINE, name="Engine control", system="powertrain"),
)
LIST = bytes.fromhex("1902FF")


class HandClock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def record() -> JobRecord:
    return Story(profile(units=UNITS)).record()


@pytest.fixture
def progress(record: JobRecord, clock: HandClock) -> ScanProgress:
    return ScanProgress(record, clock)


def kept(unit: str, outcome: Outcome, answer: str = "", request: bytes = LIST, refusal: int | None = None) -> Kept:
    kinds = {Outcome.ANSWERED: AnswerKind.POSITIVE, Outcome.REFUSED: AnswerKind.NEGATIVE}
    answers: tuple[Answer, ...] = ()
    if answer:
        kind = kinds.get(outcome, AnswerKind.DAMAGED)
        source = unit.rpartition("/")[2]
        answers = (Answer(source=source, data=bytes.fromhex(answer), first_us=1, last_us=2, kind=kind),)
    exchange = Exchange(link="can:any", target=unit, request=request, answers=answers, outcome=outcome, refusal=refusal)
    moment = Moment(seq=9, run="run-1", mono_us=9, at="2031-03-04T09:00:00.000Z")
    return Kept(Asked(moment=moment, exchange=exchange, during="scan", scan=1))


def feed(progress: ScanProgress, *events: VisitEvent) -> tuple[str, ...]:
    for event in events:
        progress(event)
    return progress.lines()


def begins(*names: str) -> Begins:
    return Begins(names, "scan", 1)


def asks(unit: str, request: str = "1902FF") -> Asks:
    return Asks(unit, Request(unit, bytes.fromhex(request)))


def test_at_first_it_is_asked_who_is_there(progress: ScanProgress, clock: HandClock) -> None:
    events = (begins("prelude"), Asks("prelude", Request("functional:7DF", b"\x01\x00")))
    clock.now_s += 3
    assert ("Scanning  0:03  asking who is there",) == feed(progress, *events)


def test_speeds_are_read_before_all_units_are_known_so_no_share_is_shown(progress: ScanProgress) -> None:
    lines = feed(progress, begins(ENGINE), asks(ENGINE, "010C"))
    assert ("Scanning  0:00  reading speeds and supply voltage",) == lines
    assert (ENGINE,) == progress.units


def test_a_sweep_finds_units_and_addresses_without_one_are_none(progress: ScanProgress) -> None:
    feed(progress, begins(ENGINE), asks(ENGINE, "010C0D"), Ended(ENGINE), Over())
    feed(progress, Begins((ENGINE,), "interlock", None), asks(ENGINE, "010C0D"), Ended(ENGINE), Over())
    sweeping = Begins(("sweep 0", "sweep 1"), "sweep", 1)
    lines = feed(progress, sweeping, asks(BRAKES, "3E00"), asks(OTHER, "3E00"))
    assert ("Scanning  0:00  asking at every diagnostic identifier",) == lines
    assert ((ENGINE,), 1) == (progress.units, progress.scan)
    feed(progress, Ended(BRAKES), Ended(OTHER), Over())
    lines = feed(progress, begins(ENGINE, OTHER), asks(ENGINE, "22F186"), asks(OTHER, "22F186"))
    assert (ENGINE, OTHER) == progress.units
    assert lines[0].endswith("0 of 2 units done")


def test_units_are_counted_by_what_they_said(progress: ScanProgress, clock: HandClock) -> None:
    opened = (begins(BRAKES, ENGINE, OTHER), asks(BRAKES, "22F186"), asks(ENGINE, "22F186"), asks(OTHER, "22F186"))
    assert (
        "Scanning  0:00  [........................]  0 of 3 units done",
        "  waiting for Brake control  760/768, and 2 more",
    ) == feed(progress, *opened)
    listed = kept(BRAKES, Outcome.ANSWERED, "5902FF4035132F")
    assert (
        "Scanning  0:00  [########................]  1 of 3 units done",
        "  lists faults: 1",
        "  last: Brake control  760/768  lists 1 fault",
        "  waiting for Engine control  7E0/7E8, and 1 more",
    ) == feed(progress, listed, Ended(BRAKES))
    clock.now_s += 64.6
    assert (
        "Scanning  1:04  [################........]  2 of 3 units done",
        "  lists faults: 1, silent: 1",
        "  last: Unit 7E3/7EB  silent",
        "  waiting for Engine control  7E0/7E8  for 65 s",
    ) == feed(progress, kept(OTHER, Outcome.SILENT), Ended(OTHER))
    refused = kept(ENGINE, Outcome.REFUSED, "7F1922", refusal=0x22)
    assert (
        "Scanning  1:04  [########################]  3 of 3 units done",
        "  lists faults: 1, refused: 1, silent: 1",
        "  last: Engine control  7E0/7E8  refused (22)",
    ) == feed(progress, refused, Ended(ENGINE), Over())
    lines = feed(progress, begins(ENGINE), asks(ENGINE, "010C"))
    assert "  reading speeds and supply voltage once more" == lines[-1]


@pytest.mark.parametrize(
    ("event", "word"),
    [
        (kept(BRAKES, Outcome.ANSWERED, "5902FF"), "lists none"),
        (kept(BRAKES, Outcome.ANSWERED, "59027000"), "damaged"),  # a list that is cut
        (kept(BRAKES, Outcome.DAMAGED, "5902"), "damaged"),
        (kept(BRAKES, Outcome.REFUSED, "7F1922", refusal=0x22), "refused"),
        (kept(BRAKES, Outcome.SILENT), "silent"),
        (kept(BRAKES, Outcome.UNSENT), "not asked"),
    ],
)
def test_the_five_outcomes_stay_apart(progress: ScanProgress, event: Kept, word: str) -> None:
    lines = feed(progress, begins(BRAKES), asks(BRAKES), event, Ended(BRAKES))
    assert f"  {word}: 1" == lines[1]


def test_a_list_that_is_empty_counts_apart_where_another_memory_went_unread() -> None:
    look = UnitLook(unit=BRAKES, outcome=Outcome.ANSWERED, others=("07 silent",))
    assert "lists none, with a remark" == how_it_came_out(look)
    assert "not asked" == how_it_came_out(replace(look, outcome=None))


def test_a_unit_is_not_done_before_it_was_asked_for_its_codes(progress: ScanProgress) -> None:
    identity = kept(BRAKES, Outcome.ANSWERED, "62F18601", request=bytes.fromhex("22F186"))
    feed(progress, begins(BRAKES), asks(BRAKES, "22F186"), identity, Ended(BRAKES), Over())
    assert ({}, (BRAKES,)) == (progress.looks, progress.units)


def test_a_unit_that_answers_when_it_is_asked_again_is_told_anew(progress: ScanProgress) -> None:
    for event in (kept(BRAKES, Outcome.SILENT), kept(BRAKES, Outcome.ANSWERED, "5902FF")):
        feed(progress, begins(BRAKES), asks(BRAKES), event, Ended(BRAKES), Over())
    assert ["lists none"] == [look.words for look in progress.looks.values()]


@pytest.mark.parametrize(
    ("outcome", "is_waited_for"),
    [
        (Outcome.ANSWERED, False),
        (Outcome.REFUSED, False),
        (Outcome.UNSENT, False),
        (Outcome.SILENT, True),  # it may be asked the same again
        (Outcome.DAMAGED, True),
    ],
)
def test_who_has_answered_and_was_asked_nothing_since_is_not_waited_for(
    progress: ScanProgress, outcome: Outcome, is_waited_for: bool
) -> None:
    feed(progress, begins(BRAKES, ENGINE), asks(BRAKES), asks(ENGINE), kept(BRAKES, outcome))
    assert is_waited_for == (BRAKES in progress.waiting)
    assert ENGINE in progress.waiting


def test_nobody_is_waited_for_when_asking_is_over(progress: ScanProgress) -> None:
    assert not any("waiting" in line for line in feed(progress, begins(BRAKES), asks(BRAKES), Over()))


@pytest.mark.parametrize(("done", "total", "marks"), [(0, 0, 0), (0, 3, 0), (1, 3, 8), (99, 100, 23), (7, 7, 24)])
def test_a_bar_is_full_only_when_all_is_done(done: int, total: int, marks: int) -> None:
    assert f"[{'#' * marks}{'.' * (24 - marks)}]" == bar_text(done, total)


@pytest.mark.parametrize(("seconds", "text"), [(0, "0:00"), (59.9, "0:59"), (60, "1:00"), (3605, "60:05")])
def test_elapsed_time_is_minutes_and_seconds(seconds: float, text: str) -> None:
    assert text == clock_text(seconds)


def test_a_unit_without_a_name_is_called_by_its_address_once(record: JobRecord) -> None:
    assert ("Brake control  760/768", "Unit 7E3/7EB") == (with_address(record, BRAKES), with_address(record, OTHER))


def test_short_steps_name_only_who_lets_us_wait_long(record: JobRecord, clock: HandClock) -> None:
    progress = StepProgress(record, "Clearing", {"readback": "reading it back"}, clock)
    progress(Begins((BRAKES,), "clear", None))
    assert ("Clearing  0:00",) == progress.lines()
    progress(Begins((BRAKES,), "readback", None))
    progress(asks(BRAKES))
    clock.now_s += 1.9
    assert ("Clearing: reading it back  0:01",) == progress.lines()
    clock.now_s += 2.6
    assert ("Clearing: reading it back  0:04", "  waiting for Brake control  760/768  for 4 s") == progress.lines()
    progress(Ended(BRAKES))
    assert 1 == len(progress.lines())


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Workshop]:
    with workshop(tmp_path / "record.sqlite") as running:
        yield running


def test_each_unit_is_told_as_the_finished_scan_shows_it(shop: Workshop) -> None:
    progress = ScanProgress(shop.visit.record())
    lines: list[tuple[str, ...]] = []
    shop.visit.onlookers += [progress, lambda _event: lines.append(progress.lines())]
    assert take_scan(shop.visit, "before").complete
    record = shop.visit.record()
    assert dict(progress.looks) == {look.unit: look for look in unit_looks(record, record.scans[0])}
    assert set(progress.units) == set(record.units)
    assert all(len(line) <= 80 for shown in lines for line in shown if not line.startswith("  last:"))
    assert "11 of 11 units done" in lines[-1][0]


def test_a_stopped_scan_tells_no_unit_that_was_not_asked_for_its_codes(shop: Workshop) -> None:
    progress = ScanProgress(shop.visit.record())

    def stop_at_the_first_list(event: VisitEvent) -> None:
        if isinstance(event, Kept) and event.asked.exchange.request == LIST:
            shop.visit.stop.set()

    shop.visit.onlookers += [progress, stop_at_the_first_list]
    assert not take_scan(shop.visit, "before").complete
    record = shop.visit.record()
    final = {look.unit: look for look in unit_looks(record, record.scans[0])}
    assert 0 < len(progress.looks)
    assert dict(progress.looks) == {unit: final[unit] for unit in progress.looks}
    assert {"not asked"} >= {final[unit].words for unit in final if unit not in progress.looks}
