"""Several units behind one gateway: what stands on one bus behind it takes its turn there."""

from __future__ import annotations

import threading

from doip_link_help import NO_CODES, READ, Talk, ask_all, speaking

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
        waiting.append(threading.Timer(0.5, talk.answer, (unit, NO_CODES)))
        waiting[-1].start()

    with speaking(script) as (_, link):
        plans = {unit: [READ] for unit in UNITS}
        kept = ask_all(link, plans, limits=Limits(p2_ms=200, p2_crowd_ms=5000, window_begin=3, retries=0))
        for timer in waiting:
            timer.join()
    assert [Outcome.ANSWERED] * 3 == [exchange.outcome for exchange in kept]
