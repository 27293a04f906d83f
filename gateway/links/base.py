"""What every link promises: it runs plans, keeps every exchange, interprets only what an outcome needs."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Protocol, Self
from urllib.parse import urlencode

from decoders.values import Exchange, Outcome, Request

Plan = Generator[Request, Exchange, None]
"""A plan yields requests and is sent one exchange for each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Every time-out and ceiling of a link; all times are milliseconds.

    Args:
        p2_ms: from a request's last frame to the first frame of an answer. ISO 15765-4 allows a unit 50 ms;
            the rest is for adapters and gateways between.
        p2_crowd_ms: so much more for each other unit asked at the same time: its frames may go first on the bus.
        p2_star_ms: the same after each "response pending" (ISO 14229-2: 5000 ms, plus the way).
        n_cr_ms: between two frames of one answer (ISO 15765-2, N_Cr).
        n_bs_ms: from our frame to the unit's flow control (ISO 15765-2, N_Bs).
        ceiling_ms: one request altogether, whatever the unit sends meanwhile.
        functional_ms: how long answers to a functional request are collected after its last frame.
        settle_ms: how long to let the rest of a damaged answer go by before the next request.
        late_ms: how long after a request was given up its answer may still come.
        linger_ms: how long an exchange stays open after its final answer, to catch repeated ones.
        window: most units asked at once.
        window_begin: units asked at once at the begin, until answers show that more may be.
        retries: how often a request that came to nothing is asked again, where the unit has shown itself before.
        busy_retries: the same for a unit that says it is busy (refusal 21).
        connect_ms: opening the way to the vehicle altogether; so long a request also waits for an end of what its unit
            sends without being asked.
        listen_ms: how long a bus is listened to before anything is sent on it.
    """

    p2_ms: int = 100
    p2_crowd_ms: int = 8
    p2_star_ms: int = 5200
    n_cr_ms: int = 1000
    n_bs_ms: int = 1000
    ceiling_ms: int = 30_000
    functional_ms: int = 110
    settle_ms: int = 150
    late_ms: int = 1500
    linger_ms: int = 0
    window: int = 64
    window_begin: int = 16
    retries: int = 1
    busy_retries: int = 3
    connect_ms: int = 15_000
    listen_ms: int = 300


DEFAULT_LIMITS = Limits()


@dataclass(frozen=True, slots=True, kw_only=True)
class BusFrame:
    """One CAN frame as this machine sent or read it; beside the exchanges, never in place of them.

    Args:
        at_ns: `time.perf_counter_ns` when it was handed over to the interface, or by it.
        sent: True for one of our own.
        number: its identifier; 0 for an error frame.
        is_29_bit: True for an extended-format frame.
        data: its data bytes.
        is_fd: True for a CAN FD frame.
        bitrate_switch: True for an FD frame whose data went at the higher rate.
        is_remote: True for a remote frame.
        is_error: True for an error frame, which the interface reports.
    """

    at_ns: int
    sent: bool
    number: int
    is_29_bit: bool
    data: bytes
    is_fd: bool = False
    bitrate_switch: bool = False
    is_remote: bool = False
    is_error: bool = False


Trace = Callable[[BusFrame], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class HowOpened:
    """What opening a link took and showed.

    Args:
        asked: what was asked of the vehicle for it, and what came back.
        found: what else the journal's `link` entry keeps of it: no floats and no nulls.
        notice: what a person must be told, or an empty text.
    """

    asked: tuple[Exchange, ...] = ()
    found: Mapping[str, Any] = field(default_factory=dict)
    notice: str = ""


OPENED_SILENTLY = HowOpened()


class Link(Protocol):
    """A way to the vehicle."""

    @property
    def address(self) -> str:
        """The link address as the journal writes it, ``KIND:REST``."""

    @property
    def functional_targets(self) -> tuple[str, ...]:
        """Whom to ask to find out who is there, e.g. ``functional:7DF``; each reaches other units."""

    @property
    def how_opened(self) -> HowOpened:
        """What opening it took and showed; `OPENED_SILENTLY` where nothing was asked and nothing is to be told."""

    def run(
        self,
        plans: Mapping[str, Plan],
        keep: Callable[[Exchange], None],
        stop: threading.Event,
        limits: Limits,
    ) -> None:
        """Run every plan to its end, on the calling thread.

        Each exchange goes to `keep` before it is sent into its plan. When `stop` is set, a request under way
        that was sent is kept as damaged and one that never was as unsent; the remaining plans are closed.
        A request that this link cannot send, whatever the vehicle does, is kept as unsent with the reason.
        When the way to the vehicle breaks, each further request is kept and answered as unsent at once.
        """

    def set_trace(self, tell: Trace | None) -> bool:
        """Tell of every frame from now on, or stop it; False if this link has no frames to tell of."""

    def close(self) -> None:
        """Give the way to the vehicle back; closing twice is harmless."""

    def __enter__(self) -> Self:
        """The link itself."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the link."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkAddress:
    """A link address in parts.

    Args:
        kind: ``can``, ``dongle``, ``doip``, ``sim``, ``replay``, or one that an installed package brings.
        rest: what stands between the kind and the options; for a package's kind all that follows the colon.
        options: what follows the question mark: of `can`, and `scan` of `replay`.
    """

    kind: str
    rest: str
    options: Mapping[str, int] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The address as the journal, the commands and the reports write it."""
        query = f"?{urlencode(self.options)}" if self.options else ""
        return f"{self.kind}:{self.rest}{query}"


Opener = Callable[[LinkAddress, str, Limits], Link]
"""Opens a link: its address in parts, the address the journal gets, the time-outs; raises UsageError or LinkError."""


class Closing(ABC):
    """What is closed when its block ends."""

    @abstractmethod
    def close(self) -> None:
        """Give it back; closing twice is harmless."""

    def __enter__(self) -> Self:
        """The thing itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        self.close()


def unsent(link: str, request: Request, trouble: str) -> Exchange:
    """The exchange of a request that was never sent.

    Args:
        link: the link's address.
        request: what was to be asked.
        trouble: why it was not.
    """
    return Exchange(link=link, target=request.target, request=request.data, outcome=Outcome.UNSENT, trouble=trouble)
