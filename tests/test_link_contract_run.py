"""How every link runs plans: what is kept and when, in which order, how it stops, and what it leaves behind."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest
from link_contract_help import (
    BODY,
    BRAKES,
    BRIEF,
    ENGINE,
    EVERYONE,
    GEARBOX,
    NOBODY,
    PATIENT,
    STEERING,
    Asked,
    Contact,
    Watched,
    contact,
    on_a_serial_port,
    params,
)

from decoders.values import Exchange, Outcome
from gateway.links import Link

LIST, IDENTITY, VIN = "1902FF", "22F187", "22F190"
WORK: tuple[Sequence[Asked], ...] = (
    [(ENGINE, LIST), (ENGINE, IDENTITY), (ENGINE, VIN)],
    [(GEARBOX, VIN), (GEARBOX, LIST)],
    [(BRAKES, IDENTITY)],
    [],
)
SHOWN = "sim:as-one-wants"
FOR_EVER = replace(PATIENT, p2_ms=20_000, ceiling_ms=30_000)
# A stop is to take effect within two seconds; the rest is for a busy machine.
SOON_S = 2 + 3


@pytest.fixture(scope="module", params=params(but=on_a_serial_port))
def car(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Contact]:
    with contact(request.param, tmp_path_factory.mktemp("contract"), shown_as=SHOWN) as made:
        yield made


@pytest.fixture
def way(car: Contact) -> Iterator[Contact]:
    yield car
    car.settle()


def still_works(way: Contact, link: Link) -> None:
    """The link reads a unit as if nothing had been; of a record, as far as it goes."""
    kept: list[Exchange] = []
    link.run(way.plans([(STEERING, LIST)]), kept.append, threading.Event(), way.kind.patient)
    assert [way.listener.truth(STEERING, LIST)] == [exchange.positive for exchange in kept]


def test_each_exchange_is_kept_once_and_before_its_plan_has_it(way: Contact) -> None:
    watched = Watched(way, (*WORK, [(EVERYONE, "3E00")]))
    link = way.link(*watched.asked)
    kept: list[Exchange] = []
    threads: set[int] = set()

    def keep(exchange: Exchange) -> None:
        threads.add(threading.get_ident())
        assert all(exchange is not other for got in watched.got.values() for other in got)
        kept.append(exchange)

    link.run(watched.plans, keep, threading.Event(), way.kind.patient)
    got = [exchange for one in watched.got.values() for exchange in one]
    assert {threading.get_ident()} == threads
    assert sum(map(len, watched.asked)) == len(kept) == len({id(exchange) for exchange in kept})
    assert {id(exchange) for exchange in kept} == {id(exchange) for exchange in got}


def test_each_plan_has_its_own_answers_in_its_own_order(way: Contact) -> None:
    watched = Watched(way, WORK)
    way.link(*WORK).run(watched.plans, lambda _: None, threading.Event(), way.kind.patient)
    for asked, got in zip(WORK, watched.got.values(), strict=True):
        expected = [(way.target(unit), bytes.fromhex(request)) for unit, request in asked]
        assert expected == [(exchange.target, exchange.request) for exchange in got]
        assert [way.listener.truth(*one) for one in asked] == [exchange.positive for exchange in got]
    assert watched.all_closed


def test_two_plans_for_one_unit_do_not_mix(way: Contact) -> None:
    ours, others = [(ENGINE, LIST), (ENGINE, VIN)], [(ENGINE, IDENTITY), (ENGINE, "22F18C")]
    for asked, got in zip((ours, others), way.ask(ours, others), strict=True):
        assert [way.listener.truth(*one) for one in asked] == [
            exchange.answers[-1].data if exchange.answers else None for exchange in got
        ]


def test_without_plans_it_is_back_at_once(way: Contact) -> None:
    link = way.link([(ENGINE, LIST)])
    begun_s = time.monotonic()
    link.run({}, kept_nothing, threading.Event(), FOR_EVER)
    assert time.monotonic() - begun_s < SOON_S
    still_works(way, way.link([(STEERING, LIST)]))


def kept_nothing(exchange: Exchange) -> None:
    pytest.fail(f"{exchange} was kept")


def test_each_exchange_names_the_link(way: Contact) -> None:
    link = way.link(*WORK)
    kept: list[Exchange] = []
    link.run(way.plans(*WORK, [(ENGINE, "")], [("nonsense", LIST)]), kept.append, threading.Event(), way.kind.patient)
    assert SHOWN == link.address
    assert {SHOWN} == {exchange.link for exchange in kept}


def test_stopped_before_it_began_it_asks_nothing(way: Contact) -> None:
    watched = Watched(way, WORK)
    link = way.link(*WORK)
    stop = threading.Event()
    stop.set()
    way.listener.events.clear()  # a dongle that had to be opened again has asked who is there
    link.run(watched.plans, kept_nothing, stop, FOR_EVER)
    assert watched.all_closed
    assert [] == way.listener.events
    still_works(way, way.link([(STEERING, LIST)]))


def test_stopped_between_two_requests_it_sends_no_further_one(way: Contact) -> None:
    way.disturb(BODY, "silent")
    asked = ([(ENGINE, LIST), (ENGINE, VIN), (ENGINE, IDENTITY)], [(BODY, LIST)], [(BODY, VIN)])
    link = way.link(*asked[:2], limits=replace(BRIEF, p2_ms=600))
    watched = Watched(way, asked)
    stop = threading.Event()
    kept: list[Exchange] = []

    def keep(exchange: Exchange) -> None:
        kept.append(exchange)
        stop.set()

    begun_s = time.monotonic()
    link.run(watched.plans, keep, stop, FOR_EVER)
    assert time.monotonic() - begun_s < SOON_S
    assert watched.all_closed
    first, *rest = kept
    assert (Outcome.ANSWERED, way.listener.truth(ENGINE, LIST)) == (first.outcome, first.positive)
    assert {exchange.outcome for exchange in rest} <= {Outcome.DAMAGED, Outcome.UNSENT}
    assert all(exchange.trouble for exchange in rest)
    assert bytes.fromhex(IDENTITY) not in {exchange.request for exchange in kept}
    assert len(kept) <= len(asked) + 1


@pytest.mark.parametrize("who", [BODY, EVERYONE])
def test_stopped_while_it_waits_it_knows_nothing_of_the_unit(way: Contact, who: str) -> None:
    if not way.kind.wire:
        pytest.skip("a record is told at once: nothing is ever under way")
    way.disturb(BODY, "silent")
    stop = threading.Event()
    way.listener.when_asked = lambda _unit: stop.set()
    watched = Watched(way, ([(who, LIST), (BODY, VIN)], [(NOBODY, LIST)]))
    kept: list[Exchange] = []
    begun_s = time.monotonic()
    limits = replace(FOR_EVER, functional_ms=20_000, window=1)
    way.link().run(watched.plans, kept.append, stop, limits)
    assert time.monotonic() - begun_s < SOON_S
    assert watched.all_closed
    under_way, *rest = kept
    # A dongle's own wait, a second at most, goes on to its end: then the unit has had its time.
    is_dongle = way.kind.faults == "dongle"
    if who == EVERYONE:
        assert None is under_way.outcome
    else:
        # Otherwise whom it was sent to may have had no time to answer: that is no silence.
        assert under_way.outcome in (Outcome.DAMAGED, *([Outcome.SILENT] if is_dongle else []))
    assert under_way.trouble or is_dongle
    assert {Outcome.UNSENT} >= {exchange.outcome for exchange in rest}
    way.listener.when_asked = None
    still_works(way, way.link())


def test_a_plan_that_fails_takes_the_others_down_and_not_the_link(way: Contact) -> None:
    def fails() -> Iterator[None]:
        yield from way.plan([(BRAKES, IDENTITY)])
        raise ZeroDivisionError("the plan's own mistake")

    watched = Watched(way, ([(ENGINE, LIST)] * 40, [(GEARBOX, LIST)] * 40))
    link = way.link(*watched.asked, [(BRAKES, IDENTITY)], [(STEERING, LIST)])
    with pytest.raises(ZeroDivisionError, match="own mistake"):
        link.run({"bad": fails(), **watched.plans}, lambda _: None, threading.Event(), way.kind.patient)
    assert watched.all_closed
    still_works(way, link)


def test_a_record_that_fails_takes_the_run_down_and_not_the_link(way: Contact) -> None:
    def full(_exchange: Exchange) -> None:
        raise OSError("the disk is full")

    watched = Watched(way, ([(ENGINE, LIST)] * 3, [(GEARBOX, LIST)] * 3))
    link = way.link(*watched.asked, [(STEERING, LIST)])
    with pytest.raises(OSError, match="disk is full"):
        link.run(watched.plans, full, threading.Event(), way.kind.patient)
    assert watched.all_closed
    assert [[], []] == list(watched.got.values())
    still_works(way, link)


def test_with_a_window_of_one_a_request_waits_for_the_answer_before_it(way: Contact) -> None:
    units = (ENGINE, GEARBOX, BRAKES, BODY)
    asked = tuple([(unit, LIST), (unit, VIN)] for unit in units)
    link = way.link(*asked)
    events = way.listener.events
    kept: list[Exchange] = []

    def keep(exchange: Exchange) -> None:
        events.append("kept")
        kept.append(exchange)

    link.run(way.plans(*asked), keep, threading.Event(), replace(way.kind.patient, window=1))
    one = {(exchange.target, exchange.request): exchange.answers[-1].data for exchange in kept}
    # A record asks nobody: it only has to give the same.
    assert (["asked", "kept"] if way.kind.wire else ["kept"]) * len(kept) == events
    many = [exchange for got in way.ask(*asked) for exchange in got]
    assert one == {(exchange.target, exchange.request): exchange.answers[-1].data for exchange in many}
    assert 2 * len(units) == len(one)


def test_with_a_wide_window_several_units_are_asked_at_once(way: Contact) -> None:
    # Where the machine holds up the questions for longer than the answers, they get longer.
    before = asked_before_the_first_end(way, late_ms=250)
    if before == 1 and not way.kind.one_by_one:
        before = asked_before_the_first_end(way, late_ms=1200)
    if not way.kind.wire:
        assert 0 == before
    elif way.kind.one_by_one:
        assert 1 == before
    else:
        assert before > 1


def asked_before_the_first_end(way: Contact, *, late_ms: int) -> int:
    """How many of four units are asked before the first exchange is over, if all of them are so late."""
    units = [ENGINE, GEARBOX, BRAKES, STEERING]
    for unit in () if way.kind.one_by_one else units:
        way.disturb(unit, "late", ms=late_ms)
    asked = tuple([(unit, LIST)] for unit in units)
    link = way.link(*asked)
    events = way.listener.events
    events.clear()
    patient = way.kind.patient
    limits = patient if way.kind.one_by_one else replace(patient, p2_ms=patient.p2_ms + late_ms)
    link.run(way.plans(*asked), lambda _: events.append("kept"), threading.Event(), limits)
    return events.index("kept")


def test_closed_it_is_closed_for_good(way: Contact) -> None:
    """The last of all: the others need the link."""
    asked = ([(ENGINE, LIST)] * 2, [(EVERYONE, "3E00")])
    link = way.link(*asked)
    watched = Watched(way, asked)
    kept: list[Exchange] = []
    link.close()
    link.close()
    with link:
        link.run(watched.plans, kept.append, threading.Event(), way.kind.patient)
    assert watched.all_closed
    assert [Outcome.UNSENT] * 3 == [exchange.outcome for exchange in kept]
    assert all(exchange.trouble for exchange in kept)
