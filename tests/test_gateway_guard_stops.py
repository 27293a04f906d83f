"""Stop orders: at any time, whatever else is refused, for what this program began and for nothing else."""

from __future__ import annotations

import threading
from collections.abc import Mapping

import pytest
from guard_help import (
    BRAKES,
    ENGINE,
    EVERYONE,
    EchoLink,
    M,
    R,
    S,
    T,
    ask,
    guard,
    outcomes,
    refused,
    routine,
    says,
)

from decoders.values import Exchange, Outcome, Request
from gateway.guard import Guard, GuardedLink, Phase, SessionPermit, Started
from gateway.links import Limits, Plan

BY_REFUSAL = SessionPermit(unit=ENGINE, refused=refused())
ANSWERED, REFUSED, UNSENT = Outcome.ANSWERED, Outcome.REFUSED, Outcome.UNSENT
DECLARED = ("3101020344", "310202034400", "31030203", "2E210105", "2F21010301", "2F210100")

BEGINS = [
    ("1003", ["1001"]),
    ("1060", ["1001"]),
    ("31010203", ["31020203"]),
    ("3101020344", ["31020203", "310202034400"]),
    ("2F210102", ["2F210100"]),
    ("2F21010301", ["2F210100"]),
    ("1001", []),
    ("31020203", []),
    ("31030203", []),
    ("2F210100", []),
    ("2E210105", []),
    ("03", []),
    ("14FFFFFF", []),
]


def sent(payload: str, outcome: Outcome = ANSWERED, target: str = ENGINE) -> Exchange:
    return Exchange(link="sim:x", target=target, request=bytes.fromhex(payload), outcome=outcome)


def orders(started: Started, target: str = ENGINE) -> list[str]:
    return sorted(stop.data.hex().upper() for stop in started.stops if stop.target == target)


@pytest.mark.parametrize(("payload", "stops"), BEGINS)
def test_what_a_request_begins_is_known_before_it_is_sent_and_after_it_was_kept(payload: str, stops: list[str]) -> None:
    declared = [bytes.fromhex(item) for item in DECLARED if "3101020344" == payload]
    before, after = Started(), Started()
    before.begin(Request(ENGINE, bytes.fromhex(payload)), declared)
    after.learn(sent(payload), declared)
    assert (stops, stops) == (orders(before), orders(after))
    assert orders(after, BRAKES) == []


@pytest.mark.parametrize("outcome", list(Outcome))
@pytest.mark.parametrize("payload", ["1003", "31010203", "2F210102"])
def test_only_what_was_refused_or_never_sent_has_begun_nothing(payload: str, outcome: Outcome) -> None:
    """A silence or a damaged answer may hide a routine that runs."""
    started = Started()
    started.begin(Request(ENGINE, bytes.fromhex(payload)))
    started.learn(sent(payload, outcome))
    assert (orders(started) == []) == (outcome in (REFUSED, UNSENT))


def test_a_start_that_is_refused_leaves_what_runs_already() -> None:
    started = Started()
    for outcome in (ANSWERED, REFUSED, UNSENT):
        started.begin(Request(ENGINE, b"\x31\x01\x02\x03"))
        started.learn(sent("31010203", outcome))
    assert orders(started) == ["31020203"]


def test_a_start_that_is_asked_again_by_the_link_is_not_forgotten() -> None:
    """Kept twice for one request of the plan: busy, then done."""
    started = Started()
    started.begin(Request(ENGINE, b"\x31\x01\x02\x03"))
    started.learn(sent("31010203", REFUSED))
    started.learn(sent("31010203"))
    assert orders(started) == ["31020203"]


@pytest.mark.parametrize("outcome", list(Outcome))
def test_a_stop_order_stands_until_the_unit_says_done(outcome: Outcome) -> None:
    started = Started()
    for payload in ("1003", "3101020344", "31010204", "2F210102"):
        started.learn(sent(payload), [bytes.fromhex("310202034400")])
    for payload in ("31020203", "2F210100", "1001"):
        started.learn(sent(payload, outcome))
        started.learn(sent(payload, ANSWERED, target=BRAKES))
    all_of_them = ["1001", "2F210100", "31020203", "310202034400", "31020204"]
    assert orders(started) == (["31020204"] if outcome is ANSWERED else all_of_them)


def test_stop_orders_pass_in_every_phase_and_nothing_else_does() -> None:
    link = EchoLink(to_2F210100=REFUSED)
    flow = GuardedLink(link, guard(T, session=BY_REFUSAL, routine=routine(*DECLARED, "31010203")))
    assert outcomes(ask(flow, "1003", "3E80", "31010203", "2F21010301")) == [ANSWERED] * 4
    assert {stop.data.hex() for stop in flow.stops} == {"1001", "31020203", "310202034400", "2f210100"}
    for phase in (R, M, S):
        later = flow.under(Guard(phase=phase))
        kept = ask(later, "1003", "3E80", "31010203", "2F21010301", "2E210105", "31020204", "2F210200", "2F210100")
        assert outcomes(kept) == [UNSENT] * 7 + [REFUSED]
    moving = flow.under(Guard(phase=M))
    assert outcomes(ask(moving, "31020203", "31020203", "1001", "1001")) == [ANSWERED, UNSENT] * 2
    assert flow.stops == moving.stops == {Request(ENGINE, b"\x2f\x21\x01\x00")}


@pytest.mark.parametrize(
    ("payload", "passes"),
    [
        ("1001", True),
        ("100100", False),
        ("1003", False),
        ("31020203", True),
        ("310202", False),
        ("31020203".ljust(8190, "0"), True),
        ("31020203".ljust(8192, "0"), False),
        ("2F210100", True),
        ("2F2101", False),
        ("2F210100".ljust(8190, "0"), True),
        ("2F210100".ljust(8192, "0"), False),
        ("31010203", False),
        ("2E210105", False),
        ("04", False),
    ],
)
def test_a_stop_order_has_a_form_of_its_own(payload: str, passes: bool) -> None:
    order = frozenset({Request(ENGINE, bytes.fromhex(payload))})
    for phase in Phase:
        assert (says(guard(phase), payload, stops=order) is None) == passes


def test_a_stop_order_goes_to_one_unit() -> None:
    order = frozenset({Request(EVERYONE, b"\x10\x01"), Request("doip:E400", b"\x10\x01")})
    assert says(guard(R), "1001", "doip:E400", stops=order) is not None
    assert says(guard(R), "1001", EVERYONE, stops=order) is not None


def test_without_anything_begun_there_is_nothing_to_stop() -> None:
    for phase in Phase:
        link = GuardedLink(EchoLink(), guard(phase))
        assert outcomes(ask(link, "1001", "31020203", "2F210100")) == [UNSENT] * 3


def test_what_an_earlier_process_began_is_learned_from_what_it_kept() -> None:
    link = GuardedLink(EchoLink(), guard(R))
    for exchange in (sent("1003"), sent("31010203"), sent("1001")):
        link.learn(exchange)
    assert outcomes(ask(link, "1001", "31020203")) == [UNSENT, ANSWERED]


def test_a_record_that_cannot_be_written_does_not_hide_what_is_to_be_stopped() -> None:
    link = GuardedLink(EchoLink(), guard(T, routine=routine("31010203")))

    def start() -> Plan:
        yield Request(ENGINE, b"\x31\x01\x02\x03")

    def full(_: Exchange) -> None:
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        link.run({"a": start()}, full, threading.Event(), Limits())
    assert link.stops == {Request(ENGINE, b"\x31\x02\x02\x03")}


def test_what_went_out_and_was_never_kept_is_to_be_stopped_too() -> None:
    class TornLink(EchoLink):
        def run(self, plans: Mapping[str, Plan], *_: object) -> None:
            for plan in plans.values():
                next(plan)
            raise KeyboardInterrupt

    link = GuardedLink(TornLink(), guard(T, routine=routine("31010203")))
    with pytest.raises(KeyboardInterrupt):
        ask(link, "31010203")
    assert link.stops == {Request(ENGINE, b"\x31\x02\x02\x03")}


def test_a_refusal_is_learned_even_if_it_cannot_be_written() -> None:
    link = GuardedLink(EchoLink(to_31010203=REFUSED), guard(T, routine=routine("31010203")))

    def start() -> Plan:
        yield Request(ENGINE, b"\x31\x01\x02\x03")

    def full(_: Exchange) -> None:
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        link.run({"a": start()}, full, threading.Event(), Limits())
    assert link.stops == frozenset()


def test_what_the_profile_declares_for_one_unit_stops_nothing_in_another() -> None:
    link = GuardedLink(EchoLink(), guard(T, routine=routine("310202034400")))
    for unit in (ENGINE, BRAKES):
        link.learn(sent("31010203", target=unit))
    assert {stop.data.hex() for stop in link.stops if stop.target == ENGINE} == {"31020203", "310202034400"}
    assert {stop.data.hex() for stop in link.stops if stop.target == BRAKES} == {"31020203"}
