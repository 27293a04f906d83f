"""The guard: what may be sent in which phase, and that nothing else ever reaches a link."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.errors import LinkError
from decoders.values import Dtc, Exchange, Outcome, Request
from gateway.guard import ClearPermit, Guard, GuardedLink, Phase, open_guarded
from gateway.links import Limits, Plan

ENGINE = "7E0/7E8"
EVERYONE = "functional:7DF"
DECLARED = frozenset({0x2101})
PERMIT = ClearPermit(unit=ENGINE, codes=frozenset({Dtc(0x0420, 0x00), Dtc(0x0035)}))
GUARDS = {
    Phase.READING: Guard(phase=Phase.READING, declared_identifiers=DECLARED),
    Phase.MOVING: Guard(phase=Phase.MOVING, declared_identifiers=DECLARED),
    Phase.CLEARING: Guard(phase=Phase.CLEARING, declared_identifiers=DECLARED, clearing=PERMIT),
}
R, M, C = Phase.READING, Phase.MOVING, Phase.CLEARING

# What the handbook's chapter on the guard allows: payload, and the phases in which one unit may be asked it.
ALLOWED: list[tuple[str, set[Phase]]] = [
    # "Always": services 01, 02, 03, 05, 06, 07, 09, 0A; while the car moves not 05.
    ("0101", {R, M, C}),
    ("01010C0D1F4204", {R, M, C}),
    ("020200", {R, M, C}),
    ("0202000C000D00", {R, M, C}),
    ("03", {R, M, C}),
    ("050101", {R, C}),
    ("0601", {R, M, C}),
    ("07", {R, M, C}),
    ("0902", {R, M, C}),
    ("0A", {R, M, C}),
    # "Always": service 19, with each report in the length ISO 14229-1 gives it.
    ("1901FF", {R, M, C}),
    ("1902FF", {R, M, C}),
    ("1903", {R, M, C}),
    ("1904042000FF", {R, M, C}),
    ("1906042000FF", {R, M, C}),
    ("190A", {R, M, C}),
    ("1914", {R, M, C}),
    ("1915", {R, M, C}),
    ("1917FF01", {R, M, C}),
    ("194233FF1E", {R, M, C}),
    ("195533", {R, M, C}),
    # "Always": 22 for F1xx, F4xx to F8xx and what the profile declares.
    ("22F100", {R, M, C}),
    ("22F1FF", {R, M, C}),
    ("22F400", {R, M, C}),
    ("22F8FF", {R, M, C}),
    ("222101", {R, M, C}),
    ("22F190F18A2101", {R, M, C}),
    # "Always": 3E 00 to find units; not while the car moves.
    ("3E00", {R, C}),
    # "Only through the clear flow": 04; 14 with FFFFFF, FFFF33 or one listed code.
    ("04", {C}),
    ("14FFFFFF", {C}),
    ("14FFFF33", {C}),
    ("14042000", {C}),
    # Nothing else.
    ("", set()),
    ("01", set()),
    ("0101020304050607", set()),
    ("0202", set()),
    ("020200020002000200", set()),
    ("0300", set()),
    ("0700", set()),
    ("0A00", set()),
    ("0501", set()),
    ("19", set()),
    ("1902", set()),
    ("1902FF00", set()),
    ("1982FF", set()),  # the answer would be suppressed: silence by request
    ("1900", set()),
    ("19FF", set()),
    ("1904042000", set()),
    ("22", set()),
    ("22F1", set()),
    ("22F190F1", set()),
    ("22F0FF", set()),
    ("22F200", set()),
    ("22F3FF", set()),
    ("22F900", set()),
    ("22F1902102", set()),  # each identifier counts, not only the first
    ("3E", set()),
    ("3E80", set()),
    ("3E0000", set()),
    ("0400", set()),
    ("14", set()),
    ("14FFFF", set()),
    ("14FFFFFF00", set()),
    ("14042001", set()),  # no scan listed it
    ("140035", set()),  # a two-byte code is cleared by no service
    ("1001", set()),
    ("1003", set()),
    ("2EF19000", set()),
    ("3101FF00", set()),
    ("2F210103", set()),
    ("7F0111", set()),
    ("FF", set()),
]


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize(("payload", "phases"), ALLOWED)
def test_one_unit_may_be_asked_exactly_this(payload: str, phases: set[Phase], phase: Phase) -> None:
    reason = GUARDS[phase].refusal(Request(ENGINE, bytes.fromhex(payload)))
    assert (reason is None) == (phase in phases)
    assert reason is None or len(reason) > 10  # a reason in words


@pytest.mark.parametrize("payload", ["04", "14FFFFFF", "14FFFF33", "14042000"])
@pytest.mark.parametrize("target", [EVERYONE, "functional:18DB33F1", "7E1/7E9", "7DF/7E8"])
def test_clearing_reaches_only_the_unit_of_the_permit(payload: str, target: str) -> None:
    # The handbook's chapter on the guard: one unit, never functional.
    assert GUARDS[C].refusal(Request(target, bytes.fromhex(payload))) is not None


def test_a_permit_for_everyone_is_no_permit() -> None:
    for target in (EVERYONE, "7DF/7E8", "18DB33F1/18DAF110"):
        guard = Guard(phase=C, clearing=ClearPermit(unit=target))
        assert guard.refusal(Request(target, b"\x04")) is not None


def test_clearing_without_a_permit_is_refused() -> None:
    assert "only the clear flow" in str(Guard(phase=C).refusal(Request(ENGINE, b"\x04")))
    permit_in_another_phase = Guard(phase=R, clearing=PERMIT)
    assert "only the clear flow" in str(permit_in_another_phase.refusal(Request(ENGINE, b"\x04")))


@pytest.mark.parametrize(
    "target",
    [
        "7DF/7E8",  # ISO 15765-4: the 11-bit identifier that everyone hears
        "18DB33F1/18DAF110",  # ISO 15765-4: the 29-bit one
        "18DB10F1/18DAF110",  # ISO 15765-2: normal fixed addressing, functional
        "18CD33F1:10/18CEF110:10",  # ISO 15765-2: mixed addressing, functional
        "functional:7E0",
        "functional:doip:E400",
        "functional:",
        "doip:1010",
        "7E0",
        "7e0/7e8",
        "",
    ],
)
@pytest.mark.parametrize("phase", list(Phase))
def test_the_header_is_checked_as_it_will_be_on_the_bus(target: str, phase: Phase) -> None:
    assert GUARDS[phase].refusal(Request(target, b"\x03")) is not None


@pytest.mark.parametrize("target", [EVERYONE, "functional:18DB33F1", "6F0:12/612:F0", "18DA10F1/18DAF110"])
def test_reading_may_go_to_everyone_and_to_any_unit(target: str) -> None:
    assert GUARDS[R].refusal(Request(target, b"\x03")) is None


NEVER = [0x08, 0x11, 0x23, 0x24, 0x27, 0x28, 0x29, 0x2A, 0x2C, 0x2E, 0x2F, 0x31]
NEVER += [*range(0x34, 0x39), 0x3D, *range(0x83, 0x88)]
"""The handbook's list of what is never sent, and of what only flows that are not here may send."""


@given(st.sampled_from(NEVER), st.binary(max_size=12), st.sampled_from([ENGINE, EVERYONE]))
def test_forbidden_services_never_pass(service: int, rest: bytes, target: str) -> None:
    for guard in GUARDS.values():
        assert guard.refusal(Request(target, bytes([service]) + rest)) is not None


READ_SERVICES = {0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22, 0x3E}
LONGEST = {0x01: 7, 0x02: 7, 0x03: 1, 0x05: 3, 0x06: 7, 0x07: 1, 0x09: 7, 0x0A: 1, 0x19: 7, 0x22: 65, 0x3E: 2}


@given(st.binary(max_size=80), st.sampled_from([ENGINE, EVERYONE]))
def test_of_random_payloads_nothing_outside_the_list_passes(payload: bytes, target: str) -> None:
    for phase in (R, M):
        if GUARDS[phase].refusal(Request(target, payload)) is None:
            assert payload[0] in READ_SERVICES
            assert len(payload) <= LONGEST[payload[0]]


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=4))
def test_every_identifier_of_a_read_is_checked(numbers: list[int]) -> None:
    request = Request(ENGINE, b"\x22" + b"".join(number.to_bytes(2, "big") for number in numbers))
    allowed = all(n >> 8 == 0xF1 or 0xF4 <= n >> 8 <= 0xF8 or n in DECLARED for n in numbers)
    assert (GUARDS[R].refusal(request) is None) == allowed


class EchoLink:
    """A link that answers everything and remembers what reached it."""

    def __init__(self) -> None:
        self.address = "can:virtual:echo"
        self.reached: list[Request] = []
        self.limits: Limits | None = None
        self.closed = False

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        self.limits = limits
        for plan in plans.values():
            request = next(plan, None)
            while request is not None and not stop.is_set():
                self.reached.append(request)
                exchange = Exchange(
                    link=self.address,
                    target=request.target,
                    request=request.data,
                    outcome=Outcome.ANSWERED,
                )
                keep(exchange)
                try:
                    request = plan.send(exchange)
                except StopIteration:
                    request = None

    def close(self) -> None:
        self.closed = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def run(guard: Guard, *payloads: str, link: EchoLink | None = None) -> tuple[list[Exchange], list[Exchange]]:
    """The exchanges that were kept and those the plan was sent."""
    kept: list[Exchange] = []
    seen: list[Exchange] = []

    def plan() -> Plan:
        for payload in payloads:
            exchange = yield Request(ENGINE, bytes.fromhex(payload))
            assert exchange in kept
            seen.append(exchange)

    with GuardedLink(link or EchoLink(), guard) as guarded:
        guarded.run({"a": plan()}, kept.append, threading.Event(), Limits())
    return kept, seen


def test_refused_requests_are_unsent_with_the_reason_and_never_reach_the_link() -> None:
    link = EchoLink()
    kept, seen = run(GUARDS[R], "04", "03", "2701", "3E00", "14FFFFFF", link=link)
    assert [request.data.hex() for request in link.reached] == ["03", "3e00"]
    assert kept == seen
    unsent, answered = Outcome.UNSENT, Outcome.ANSWERED
    assert [exchange.outcome for exchange in kept] == [unsent, answered, unsent, answered, unsent]
    assert kept[2].trouble == "guard: service 27 is never sent: it unlocks the unit"
    assert link.closed


def test_a_plan_of_refused_requests_only_ends_by_itself() -> None:
    link = EchoLink()
    kept, _ = run(GUARDS[M], "3E00", "050101", link=link)
    assert ([exchange.outcome for exchange in kept], link.reached) == ([Outcome.UNSENT] * 2, [])


def test_an_empty_plan_ends_by_itself() -> None:
    assert run(GUARDS[R]) == ([], [])


def test_while_the_car_moves_one_request_goes_out_at_a_time() -> None:
    for phase, window in ((M, 1), (R, Limits().window), (C, Limits().window)):
        link = EchoLink()
        run(GUARDS[phase], "03", link=link)
        assert link.limits == Limits(window=window)


def test_a_plan_of_endless_refused_requests_ends_with_stop() -> None:
    kept: list[Exchange] = []
    stop = threading.Event()
    stop.set()

    def endless() -> Plan:
        while True:
            yield Request(ENGINE, b"\x04")

    GuardedLink(EchoLink(), GUARDS[R]).run({"a": endless()}, kept.append, stop, Limits())
    assert [exchange.outcome for exchange in kept] == [Outcome.UNSENT]


def test_the_plan_inside_is_closed_when_the_run_ends_early() -> None:
    closed: list[bool] = []

    def plan() -> Plan:
        try:
            yield Request(ENGINE, b"\x03")
            yield Request(ENGINE, b"\x07")
        finally:
            closed.append(True)

    def full(_: Exchange) -> None:
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        GuardedLink(EchoLink(), GUARDS[R]).run({"a": plan()}, full, threading.Event(), Limits())
    assert closed == [True]


def test_the_same_link_goes_under_another_guard() -> None:
    link = EchoLink()
    reading = GuardedLink(link, GUARDS[R])
    clearing = reading.under(GUARDS[C])
    assert (reading.guard, clearing.guard) == (GUARDS[R], GUARDS[C])
    assert reading.address == clearing.address == link.address


def test_a_guarded_link_is_opened_by_its_address(channel: str) -> None:
    kept: list[Exchange] = []

    def plan() -> Plan:
        yield Request(ENGINE, b"\x03")
        yield Request(ENGINE, b"\x04")

    with open_guarded(f"can:virtual:{channel}", GUARDS[R]) as link:
        link.run({"a": plan()}, kept.append, threading.Event(), Limits(p2_ms=5))
    assert [exchange.outcome for exchange in kept] == [Outcome.SILENT, Outcome.UNSENT]


def test_opening_says_what_is_wrong_with_the_link() -> None:
    with pytest.raises(LinkError, match="does not bring"):
        open_guarded("doip:192.0.2.1", GUARDS[R])
