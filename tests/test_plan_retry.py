"""Requests that came to nothing are asked again, each try kept; what decides is the last one."""

from __future__ import annotations

from pathlib import Path

import pytest
from workshop import workshop

from decoders.values import Exchange, Outcome, Request
from gateway.scanning import take_scan
from gateway.visit import Kept, VisitEvent
from sessions.plan import retrying
from sessions.plan.retry import Plan
from sessions.verdict.units import unit_look

UNIT = "7E0/7E8"
LIST, COUNT = b"\x19\x02\xff", b"\x19\x01\xff"


def ended(outcome: Outcome, data: bytes, refusal: int | None = None) -> Exchange:
    return Exchange(link="can:virtual:x", target=UNIT, request=data, outcome=outcome, refusal=refusal)


def asking(*requests: bytes, seen: list[Exchange]) -> Plan:
    for data in requests:
        seen += [(yield Request(UNIT, data))]


def play(requests: tuple[bytes, ...], outcomes: list[tuple[Outcome, int | None]], *, retries: int = 1) -> list[bytes]:
    """Run a plan against these outcomes, in order; what was asked, and the plan must see as many as it asked."""
    seen: list[Exchange] = []
    repeated: list[Request] = []
    asked: list[bytes] = []
    plan = retrying(asking(*requests, seen=seen), retries=retries, busy_retries=3, again=repeated.append)
    request = next(plan)
    for outcome, refusal in outcomes:
        asked.append(request.data)
        try:
            request = plan.send(ended(outcome, request.data, refusal))
        except StopIteration:
            break
    else:
        pytest.fail("the plan wants more than it was given")
    assert len(outcomes) == len(asked)
    assert len(asked) - len(requests) == len(repeated)
    assert list(requests) == [exchange.request for exchange in seen]
    return asked


A, R, S, D, U = Outcome.ANSWERED, Outcome.REFUSED, Outcome.SILENT, Outcome.DAMAGED, Outcome.UNSENT


@pytest.mark.parametrize(
    ("outcomes", "asked"),
    [
        ([(A, None), (A, None)], [LIST, COUNT]),
        ([(D, None), (A, None), (A, None)], [LIST, LIST, COUNT]),
        ([(D, None), (D, None), (A, None)], [LIST, LIST, COUNT]),
        ([(U, None), (U, None)], [LIST, COUNT]),  # the reason is on this side
        ([(R, 0x11), (A, None)], [LIST, COUNT]),
        # busyRepeatRequest. Source: ISO 14229-1, Annex A, 21.
        ([(R, 0x21), (R, 0x21), (A, None), (A, None)], [LIST, LIST, LIST, COUNT]),
        ([(R, 0x21), (R, 0x21), (R, 0x21), (R, 0x21), (A, None)], [LIST, LIST, LIST, LIST, COUNT]),
        # A unit that never answered is asked again once, not at every request.
        ([(S, None), (S, None), (S, None)], [LIST, LIST, COUNT]),
        ([(A, None), (S, None), (A, None)], [LIST, COUNT, COUNT]),
        ([(A, None), (S, None), (S, None)], [LIST, COUNT, COUNT]),
    ],
)
def test_what_came_to_nothing_is_asked_again(outcomes: list[tuple[Outcome, int | None]], asked: list[bytes]) -> None:
    assert asked == play((LIST, COUNT), outcomes)


@pytest.mark.parametrize("data", ["04", "14FFFFFF", "1003", "31010203", "2E1234FF", "3E80"])
def test_what_does_more_than_read_is_never_repeated(data: str) -> None:
    request = bytes.fromhex(data)
    expected = [request] * (2 if request[0] == 0x3E else 1)
    assert expected == play((request,), [(D, None)] * len(expected))


def test_a_functional_request_is_asked_once() -> None:
    plan = retrying(iter_one("functional:7DF"), retries=1, busy_retries=3, again=lambda _request: None)
    request = next(plan)
    with pytest.raises(StopIteration):
        plan.send(Exchange(link="x", target=request.target, request=request.data, outcome=Outcome.DAMAGED))


def iter_one(target: str) -> Plan:
    yield Request(target, LIST)


def test_closing_it_closes_the_plan() -> None:
    closed: list[bool] = []

    def plan() -> Plan:
        try:
            yield Request(UNIT, LIST)
        finally:
            closed.append(True)

    wrapped = retrying(plan(), retries=1, busy_retries=3, again=lambda _request: None)
    next(wrapped)
    wrapped.close()
    assert [True] == closed


def test_a_lost_frame_costs_one_more_request_and_both_stand_in_the_record(tmp_path: Path) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:
        unit = "760/768"
        shop.bench.desk.disturb(unit, "lost_frame", nth=2)

        def mend(event: VisitEvent) -> None:
            if isinstance(event, Kept) and event.asked.exchange.outcome is Outcome.DAMAGED:
                shop.bench.desk.settle(unit)

        shop.visit.onlookers.append(mend)
        result = take_scan(shop.visit, "before")
        record = shop.visit.record()
    repeated = next(item.exchange.request for item in record.asked if item.again)
    tries = [item for item in record.asked if (item.exchange.target, item.exchange.request) == (unit, repeated)]
    assert [(Outcome.DAMAGED, False), (Outcome.ANSWERED, True)] == [(t.exchange.outcome, t.again) for t in tries]
    assert result.complete


@pytest.mark.parametrize("service", [0x03, 0x07])
def test_a_memory_that_was_read_at_the_second_try_was_read(tmp_path: Path, service: int) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:
        take_scan(shop.visit, "before")
        shop.bench.desk.disturb(UNIT, "silent", service=service, requests=1)
        take_scan(shop.visit, "check")
        record = shop.visit.record()
    before, check = (unit_look(record, scan, UNIT) for scan in record.scans)
    assert before == check
    assert Outcome.ANSWERED is check.outcome
    (repeated,) = [item for item in record.asked if item.again]
    assert bytes([service]) == repeated.exchange.request
