"""Several units behind one gateway: what stands on one bus behind it takes its turn there."""

from __future__ import annotations

import threading

from doip_link_help import NO_CODES, READ, FakeEntity, Talk, ask_all, connect, speaking

from decoders.values import Outcome
from gateway.links import Limits

UNITS = ("doip:1010", "doip:1020", "doip:1030")


def test_the_more_are_asked_at_once_the_longer_each_may_take() -> None:
    """The gateway takes every request at once and passes them on one after the other."""
    waiting: list[threading.Timer] = []

    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        if unit == 0x1010:
            talk.answer(unit, NO_CODES)
            return
        waiting.append(threading.Timer(0.9, talk.answer, (unit, NO_CODES)))
        waiting[-1].start()

    with speaking(script) as (_, link):
        plans = {unit: [READ] for unit in UNITS}
        kept = ask_all(link, plans, limits=Limits(p2_ms=700, p2_crowd_ms=5000, window_begin=3, retries=0))
        for timer in waiting:
            timer.join()
    assert [Outcome.ANSWERED] * 3 == [exchange.outcome for exchange in kept]


def test_a_gateway_that_acknowledges_nothing_is_given_up_after_a_few_requests() -> None:
    """It took the activation and then says nothing: what was asked is damaged, and the rest is never sent."""
    with FakeEntity(lambda *_: None) as entity, connect(entity.link) as link:
        plans = {f"doip:{0x1000 + n:04X}": [READ] * 10 for n in range(8)}
        kept = ask_all(link, plans, limits=Limits(n_bs_ms=100, window_begin=2, connect_ms=2000))
        assert 2 == entity.connections
    damaged = [exchange for exchange in kept if exchange.outcome is Outcome.DAMAGED]
    assert 80 == len(kept)
    assert {Outcome.DAMAGED, Outcome.UNSENT} == {exchange.outcome for exchange in kept}
    assert 3 <= len(damaged) <= 10
    assert "the gateway acknowledges nothing, and again after it was opened once more" == kept[-1].trouble


def test_one_request_that_is_not_acknowledged_gives_nothing_up() -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        if unit != 0x1020:
            talk.ack(unit)
            talk.answer(unit, NO_CODES)

    with speaking(script) as (entity, link):
        plans = {unit: [READ] * 3 for unit in UNITS}
        kept = ask_all(link, plans, limits=Limits(p2_ms=600, n_bs_ms=600, window_begin=1, retries=0))
        assert 1 == entity.connections
    outcomes = {unit: {one.outcome for one in kept if one.target == unit} for unit in UNITS}
    assert {
        "doip:1010": {Outcome.ANSWERED},
        "doip:1020": {Outcome.DAMAGED},
        "doip:1030": {Outcome.ANSWERED},
    } == outcomes
