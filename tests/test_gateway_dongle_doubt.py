"""What a dongle says, where its word is not enough: silence told too early, answers whose asker is not certain."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
from dongle_link_help import HURRIED, MS, QUICK, READ, WRITTEN_NS, ScriptedDongle, ask, judged

from decoders.values import Outcome, Request
from gateway.links.base import Limits
from gateway.links.dongle.hearing import Hearing
from gateway.links.dongle.link import DongleLink, open_at
from gateway.links.dongle.process import Turn, TurnEnd

ENGINE, COUNT, SUPPORTED = "7E0/7E8", bytes.fromhex("1901FF"), bytes.fromhex("190A")
REFUSED_12, REFUSED_22 = "7E8 03 7F 19 12 AA AA AA AA", "7E8 03 7F 19 22 AA AA AA AA"
"""Source: ISO 14229-1, Annex A: 12 is about the request, 22 about the conditions."""


@pytest.mark.parametrize(
    ("waited_ms", "outcome"), [(0, Outcome.DAMAGED), (89, Outcome.DAMAGED), (90, Outcome.SILENT), (400, Outcome.SILENT)]
)
def test_no_data_is_silence_only_after_the_time_for_an_answer(waited_ms: int, outcome: Outcome) -> None:
    """A dongle that guesses a shorter time by itself has not heard a slow unit out."""
    turn = Turn(begun_ns=WRITTEN_NS, written_ns=WRITTEN_NS)
    turn.heard.append((WRITTEN_NS + waited_ms * MS, b"NO DATA\r\r>"))
    turn.ended(TurnEnd.PROMPT)
    exchange = Hearing("dongle:x").judge(Request(ENGINE, READ), turn, Limits(p2_ms=100)).exchange
    assert outcome is exchange.outcome
    if outcome is Outcome.DAMAGED:
        assert f"the dongle gave up after {waited_ms} ms, before an answer was due (100 ms)" == exchange.trouble


def test_two_units_under_one_response_identifier_are_not_taken_for_each_other() -> None:
    """Nobody listens to 7A1; 7A0 answers late, while the other is asked the same."""
    hearing = Hearing("dongle:x")
    silent = judged("NO DATA", target="7A0/733", hearing=hearing)
    hearing.ended(silent, WRITTEN_NS)
    other = judged("733 03 59 02 FF AA AA AA AA", target="7A1/733", hearing=hearing).exchange
    assert Outcome.SILENT is silent.exchange.outcome
    assert (Outcome.DAMAGED, "it may be the late answer to 19 02 FF of another unit with this identifier") == (
        other.outcome,
        other.trouble,
    )


@pytest.fixture
def dongle() -> Iterator[ScriptedDongle]:
    with ScriptedDongle() as scripted:
        yield scripted


def opened(dongle: ScriptedDongle) -> DongleLink:
    return open_at(f"socket://127.0.0.1:{dongle.port}", dongle.link, QUICK, command=HURRIED)


def test_after_a_doubt_the_answer_that_may_still_come_is_let_go_by(dongle: ScriptedDongle) -> None:
    """The first answer came while the second was asked, so that of the second would come while the third is."""
    dongle.answers |= {"1902FF": f"{REFUSED_12}\r", "190A": f"{REFUSED_22}\r"}
    asked_s: dict[str, float] = {}
    dongle.on_command = lambda command: asked_s.setdefault(command, time.monotonic()) and None
    with opened(dongle) as link:
        requests = [Request(ENGINE, data) for data in (COUNT, READ, SUPPORTED)]
        silent, doubted, clear = ask(link, *requests, limits=QUICK, stop=threading.Event())
    assert Outcome.SILENT is silent.outcome
    assert (Outcome.DAMAGED, "it may be the late answer to 19 01 FF") == (doubted.outcome, doubted.trouble)
    assert (Outcome.REFUSED, 0x22) == (clear.outcome, clear.refusal)
    apart_s = asked_s["1902FF"] - asked_s["1901FF"]
    assert asked_s["190A"] - asked_s["1902FF"] >= apart_s
