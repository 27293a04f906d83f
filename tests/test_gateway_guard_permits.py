"""What opens only by a permit: sessions, routines, writes and controls."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from guard_help import (
    BRAKES,
    CLEAR,
    ENGINE,
    EVERYONE,
    M,
    R,
    T,
    guard,
    refused,
    routine,
    says,
)

import gateway
from decoders.values import Outcome, Request
from gateway.guard import Phase, SessionPermit

C = Phase.CLEARING
STANDING = {R, C, T}
BY_REFUSAL = SessionPermit(unit=ENGINE, refused=refused())
OPEN = frozenset({Request(ENGINE, b"\x10\x01")})

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
