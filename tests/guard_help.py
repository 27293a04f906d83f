"""What the tests of the guard share: a unit, permits as wide as they can be, and a link that remembers."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

from decoders.values import Dtc, Exchange, Outcome, Request
from gateway.guard import ClearPermit, Guard, GuardedLink, Phase, RoutinePermit, SessionPermit
from gateway.links import HowOpened, Limits, Plan, Trace

ENGINE, BRAKES = "7E0/7E8", "760/768"
EVERYONE = "functional:7DF"
DECLARED = frozenset({0x2101})
LISTED = frozenset({Dtc(0x0420, 0x00), Dtc(0x0035)})
CLEAR = ClearPermit(unit=ENGINE, codes=LISTED)
R, M, C, T, S = Phase.READING, Phase.MOVING, Phase.CLEARING, Phase.ROUTINE, Phase.SWEEPING


def refused(refusal: int | None = 0x7F, *, target: str = ENGINE, outcome: Outcome = Outcome.REFUSED) -> Exchange:
    """What a unit said to a request for its codes."""
    return Exchange(link="sim:x", target=target, request=b"\x19\x02\xff", outcome=outcome, refusal=refusal)


def guard(
    phase: Phase,
    *,
    clearing: ClearPermit | None = None,
    session: SessionPermit | None = None,
    routine: RoutinePermit | None = None,
) -> Guard:
    return Guard(phase=phase, declared_identifiers=DECLARED, clearing=clearing, session=session, routine=routine)


def routine(*payloads: str, unit: str = ENGINE) -> RoutinePermit:
    return RoutinePermit(unit=unit, requests=frozenset(bytes.fromhex(payload) for payload in payloads))


def says(guard: Guard, payload: str, target: str = ENGINE, *, stops: frozenset[Request] = frozenset()) -> str | None:
    """Why the guard refuses, or None."""
    return guard.refusal(Request(target, bytes.fromhex(payload)), stops)


class EchoLink:
    """A link that answers everything, or as told, and remembers what reached it."""

    def __init__(self, **said: Outcome) -> None:
        self.address = "can:virtual:echo"
        self.functional_targets = (EVERYONE,)
        self.how_opened = HowOpened()
        self.reached: list[Request] = []
        self.limits: Limits | None = None
        self.closed = False
        self.trace: Trace | None = None
        self.said = {key.removeprefix("to_").upper(): outcome for key, outcome in said.items()}

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
                outcome = self.said.get(request.data.hex().upper(), Outcome.ANSWERED)
                exchange = Exchange(
                    link=self.address,
                    target=request.target,
                    request=request.data,
                    outcome=outcome,
                    refusal=0x22 if outcome is Outcome.REFUSED else None,
                )
                keep(exchange)
                try:
                    request = plan.send(exchange)
                except StopIteration:
                    request = None

    def set_trace(self, tell: Trace | None) -> bool:
        self.trace = tell
        return True

    def close(self) -> None:
        self.closed = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def ask(link: GuardedLink, *payloads: str, target: str = ENGINE) -> list[Exchange]:
    """What is kept when one plan asks one target these."""
    kept: list[Exchange] = []

    def plan() -> Plan:
        for payload in payloads:
            exchange = yield Request(target, bytes.fromhex(payload))
            assert exchange == kept[-1]

    link.run({"a": plan()}, kept.append, threading.Event(), Limits())
    return kept


def outcomes(exchanges: list[Exchange]) -> list[Outcome | None]:
    return [exchange.outcome for exchange in exchanges]
