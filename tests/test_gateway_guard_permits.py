"""What opens only by a permit: sessions, routines, writes and controls; and what stops them, at any time."""

from __future__ import annotations

import ast
import threading
from collections.abc import Mapping
from pathlib import Path

import pytest
from guard_help import (
    BRAKES,
    CLEAR,
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

import gateway
from decoders.values import Exchange, Outcome, Request
from gateway.guard import Guard, GuardedLink, Phase, SessionPermit, Started
from gateway.links import Limits, Plan

C = Phase.CLEARING
STANDING = {R, C, T}
BY_REFUSAL = SessionPermit(unit=ENGINE, refused=refused())
OPEN = frozenset({Request(ENGINE, b"\x10\x01")})
ANSWERED, REFUSED, UNSENT = Outcome.ANSWERED, Outcome.REFUSED, Outcome.UNSENT

# --- sessions: standing car, one unit, never functional ---


@pytest.mark.parametrize("phase", list(Phase))
def test_a_unit_that_asks_for_the_extended_session_gets_it_on_a_standing_car(phase: Phase) -> None:
    for permit in (BY_REFUSAL, SessionPermit(unit=ENGINE, declared=True)):
        assert (says(guard(phase, session=permit), "1003") is None) == (phase in STANDING)
    assert says(guard(phase), "1003") is not None


@pytest.mark.parametrize(
    ("permit", "begins"),
    [
        (BY_REFUSAL, {0x03}),
        (SessionPermit(unit=ENGINE, refused=refused(0x7E)), {0x03}),
        (SessionPermit(unit=ENGINE, declared=True), {0x03}),
        (SessionPermit(unit=ENGINE, session=0x40, declared=True), {0x40}),
        (SessionPermit(unit=ENGINE, session=0x7E, declared=True), {0x7E}),
        # Without a reason, none.
        (SessionPermit(unit=ENGINE), set()),
        (SessionPermit(unit=ENGINE, refused=refused(0x22)), set()),
        (SessionPermit(unit=ENGINE, refused=refused(0x11)), set()),
        (SessionPermit(unit=ENGINE, refused=refused(None)), set()),
        (SessionPermit(unit=ENGINE, refused=refused(target=BRAKES)), set()),
        (SessionPermit(unit=ENGINE, refused=refused(outcome=Outcome.DAMAGED)), set()),
        (SessionPermit(unit=ENGINE, refused=refused(outcome=Outcome.ANSWERED)), set()),
        # A refusal asks for 03, for nothing else; the profile cannot ask for everything either.
        (SessionPermit(unit=ENGINE, session=0x40, refused=refused()), set()),
        *((SessionPermit(unit=ENGINE, session=number, declared=True), set()) for number in (1, 2, 4, 5, 0x3F, 0x7F)),
    ],
)
def test_a_session_is_begun_for_a_reason(permit: SessionPermit, begins: set[int]) -> None:
    found = {number for number in range(0x100) if says(guard(R, session=permit), f"10{number:02X}") is None}
    assert begins == found


@pytest.mark.parametrize("target", [BRAKES, EVERYONE, "functional:doip:E400", "7DF/7E8", "doip:E400"])
def test_a_session_is_begun_in_the_unit_of_the_permit_only(target: str) -> None:
    assert says(guard(R, session=BY_REFUSAL), "1003", target) is not None
    everyone = SessionPermit(unit=target, declared=True)
    assert (says(guard(R, session=everyone), "1003", target) is None) == (target == BRAKES)


@pytest.mark.parametrize("payload", ["10", "100300", "1083", "1001"])
def test_the_session_request_has_no_other_form(payload: str) -> None:
    assert says(guard(R, session=BY_REFUSAL), payload) is not None


@pytest.mark.parametrize("phase", list(Phase))
def test_a_session_is_kept_by_the_flow_that_began_it_and_ended_by_anybody(phase: Phase) -> None:
    flow = guard(phase, session=BY_REFUSAL)
    assert (says(flow, "3E80", stops=OPEN) is None) == (phase in STANDING)
    assert says(flow, "3E80") is not None
    assert says(guard(phase), "3E80", stops=OPEN) is not None
    assert says(guard(phase, session=SessionPermit(unit=BRAKES, declared=True)), "3E80", stops=OPEN) is not None
    assert says(flow, "3E80", EVERYONE, stops=OPEN) is not None
    assert says(flow, "3E80", BRAKES, stops=OPEN) is not None
    assert says(guard(phase), "1001", stops=OPEN) is None
    assert says(guard(phase), "1001", BRAKES, stops=OPEN) is not None
    assert says(guard(phase), "1001", EVERYONE, stops=OPEN) is not None


def test_while_the_car_moves_only_units_in_their_default_session_are_asked() -> None:
    assert "7E0/7E8 is not in its default session" in str(says(guard(M), "03", stops=OPEN))
    assert says(guard(M), "03", EVERYONE, stops=OPEN) is not None
    assert says(guard(M), "03", BRAKES, stops=OPEN) is None
    running = frozenset({Request(ENGINE, bytes.fromhex("31020203"))})
    assert says(guard(M), "03", stops=running) is None


# --- routines, writes and controls: one unit, exact bytes as the profile declares ---

DECLARED = ("3101020344", "310202034400", "31030203", "2E210105", "2F21010301", "2F210100")


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize("payload", DECLARED)
def test_what_the_profile_declares_goes_to_its_unit_in_the_routine_flow_only(payload: str, phase: Phase) -> None:
    permit = routine(*DECLARED)
    assert (says(guard(phase, routine=permit), payload) is None) == (phase is T)
    assert says(guard(phase, routine=permit), payload, BRAKES) is not None
    assert says(guard(phase, routine=permit), payload, EVERYONE) is not None
    assert says(guard(phase, routine=routine(*DECLARED, unit=EVERYONE)), payload, EVERYONE) is not None
    assert says(guard(phase), payload) is not None


@pytest.mark.parametrize("payload", DECLARED)
def test_the_bytes_are_exactly_those_declared(payload: str) -> None:
    flow = guard(T, routine=routine(payload))
    whole = bytes.fromhex(payload)
    assert flow.refusal(Request(ENGINE, whole + b"\x00")) is not None
    assert flow.refusal(Request(ENGINE, whole[:-1])) is not None
    for place in range(len(whole)):
        changed = bytes(byte ^ (place == at) for at, byte in enumerate(whole))
        assert flow.refusal(Request(ENGINE, changed)) is not None


@pytest.mark.parametrize(
    "payload",
    [
        "310102",  # no routine
        "31810203",  # its answer would be kept back
        "31000203",
        "31040203",
        "2E2101",  # nothing to write
        "2F2101",
        "1003",  # a routine permit opens no session, no clear, nothing to read
        "04",
        "14FFFFFF",
        "2200FF",
        "3E80",
        "B101",
    ],
)
def test_a_declaration_of_something_else_opens_nothing(payload: str) -> None:
    assert says(guard(T, routine=routine(payload)), payload) is not None


@pytest.mark.parametrize("head", ["31010203", "31020203", "31030203", "2E2101", "2F210103"])
def test_a_declared_request_is_as_long_as_a_message_on_can_can_be(head: str) -> None:
    """ISO 15765-2: a message has at most 4095 bytes where its length stands in 12 bits."""
    for length, passes in ((4095, True), (4096, False)):
        payload = head.ljust(2 * length, "0")
        assert (says(guard(T, routine=routine(payload)), payload) is None) == passes


def test_permits_do_not_open_for_one_another() -> None:
    assert says(guard(C, clearing=CLEAR, session=BY_REFUSAL), "31010203") is not None
    assert says(guard(T, clearing=CLEAR, session=BY_REFUSAL, routine=routine("31010203")), "04") is not None


# --- never, whatever a profile says ---


EDGES = [high << 8 | low for high in range(0x100) for low in (0x00, 0x01, 0x02, 0x7F, 0xFE, 0xFF)]


def never_routine(number: int) -> bool:
    return 0x0100 <= number <= 0x01FF or 0xE200 <= number <= 0xE2FF or 0xFF00 <= number <= 0xFFFF


def test_some_routines_are_never_sent_whatever_the_profile_says() -> None:
    for number in EDGES:
        payload = f"31{1 + number % 3:02X}{number:04X}"
        reason = says(guard(T, routine=routine(payload)), payload)
        assert (reason is not None) == never_routine(number)
        assert reason is None or f"routine {number:04X} is never sent: it " in reason


def test_some_identifiers_are_never_written_whatever_the_profile_says() -> None:
    for number in EDGES:
        payload = f"2E{number:04X}00"
        reason = says(guard(T, routine=routine(payload)), payload)
        assert (reason is not None) == (number >> 8 in (0xF1, 0xF9, 0xFA))
        assert reason is None or f"a write to {number:04X} is never sent: it " in reason


def test_two_sessions_are_never_begun_whatever_the_profile_says() -> None:
    for phase in Phase:
        for number in ("02", "04", "82", "84"):
            permit = SessionPermit(unit=ENGINE, session=int(number, 16) & 0x7F, declared=True)
            reason = says(guard(phase, session=permit), f"10{number}", stops=OPEN)
            assert "is never begun: in it a unit " in str(reason)


# --- stop orders, at any time, for what this program began ---

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


# --- who may make permits ---

FLOWS = {"ClearPermit": {"clearing.py"}, "SessionPermit": set(), "RoutinePermit": set()}
"""The modules of the flows, by the permit that they alone make."""


def makers(name: str) -> set[str]:
    """Modules of the gateway that call this class, whatever they have checked before."""
    root = Path(gateway.__file__).parent
    found = set()
    for path in root.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and name in (getattr(node.func, "id", ""), getattr(node.func, "attr", "")):
                found.add(str(path.relative_to(root)))
    return found


@pytest.mark.parametrize("name", FLOWS)
def test_only_its_flow_makes_a_permit(name: str) -> None:
    assert makers(name) == FLOWS[name]
