"""Finding out how a CAN bus is spoken to: its bit rate and the length of its identifiers.

Every rate is listened to first; a bus on which anything is heard is never sent to. A silent one, as behind a
gateway that speaks when it is asked, is asked one request to everyone per rate and identifier length, and never
again at a rate at which an error frame came. Source: ISO 15765-4, initialization sequence (order of the rates and
identifiers; "one frame each" and the listening at every rate before the first frame are ours).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from decoders.errors import LinkError
from decoders.values import CanId, Request, iso_15765_4_unit
from gateway.links.base import BusFrame, Limits, Trace

RATES = (500_000, 250_000)
QUESTIONS = (Request("functional:7DF", b"\x01\x00"), Request("functional:18DB33F1", b"\x01\x00"))
FRAMES_KEPT = 64
_ANSWERS = (b"\x41\x00", b"\x7f\x01")  # positive, or refused (ISO 15031-5, service 01)
_PADDING = b"\x55"
_ENOUGH_ERRORS = 3
_ENOUGH_FRAMES = 200
_NEVER_DRY_S = 0.1
_IF_NONE_FITS = "check the plug, the cable and the ignition, or give another bit rate in the link, e.g. ?bitrate=125000"


class Came(StrEnum):
    """What came at one bit rate."""

    ANSWER = "answer"
    FRAMES = "frames"
    ERRORS = "errors"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """One look at the bus at one bit rate.

    Args:
        bitrate: bit/s; None for the rate that the system has set.
        request: what was asked, or None where it was only listened to.
        came: what came of it.
        frames: the first frames of it, our own among them, at most `FRAMES_KEPT`.
        frame_count: how many there were.
        responders: who answered, e.g. ``7E8``.
    """

    bitrate: int | None
    request: Request | None
    came: Came
    frames: tuple[BusFrame, ...]
    frame_count: int
    responders: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        """The same as the journal writes it; times are microseconds from the first frame."""
        begin_ns = self.frames[0].at_ns if self.frames else 0
        found: dict[str, object] = {
            "came": self.came.value,
            "frame_count": self.frame_count,
            "frames": [_frame_json(frame, begin_ns) for frame in self.frames],
        }
        if self.bitrate is not None:
            found["bitrate"] = self.bitrate
        if self.request is not None:
            found |= {"target": self.request.target, "request": self.request.data.hex().upper()}
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class StartUp:
    """What was found out about a bus before anything else was asked on it.

    Args:
        bitrate: the rate that the link now has, in bit/s; None for the one that the system has set.
        is_found: True if frames were heard at this rate or somebody answered.
        id_bits: 11, 29 or both: identifiers that were heard or answered with; empty for none.
        fd_seen: True if CAN FD frames were heard.
        words: what was found, for a person.
        tried: every look at the bus, in order.
    """

    bitrate: int | None
    is_found: bool
    id_bits: tuple[int, ...]
    fd_seen: bool
    words: str
    tried: tuple[Try, ...]

    @property
    def notice(self) -> str | None:
        """What a person must be told, or None where the bus was found."""
        return None if self.is_found else self.words

    def to_json(self) -> dict[str, object]:
        """The same as the journal writes it."""
        found: dict[str, object] = {
            "fd_seen": self.fd_seen,
            "found": self.is_found,
            "id_bits": list(self.id_bits),
            "tried": [look.to_json() for look in self.tried],
            "words": self.words,
        }
        return found if self.bitrate is None else {**found, "bitrate": self.bitrate}


class StartUpError(LinkError):
    """The bus does not run at any rate that was tried; `tried` keeps what was sent and what came."""

    def __init__(self, message: str, *, next_step: str, tried: tuple[Try, ...]) -> None:
        super().__init__(message, next_step=next_step)
        self.tried = tried


class StartBus(Protocol):
    """What the search needs of a bus; see `CanBus`."""

    trace: Trace | None

    def put(self, can_id: CanId, data: bytes) -> None:
        """Put one frame on the bus."""

    def read(self, timeout_s: float) -> object | None:
        """Wait for the next data frame."""


class StartDoor(Protocol):
    """Opens the same adapter at one bit rate after another."""

    def open_at(self, bitrate: int | None, *, quiet: bool) -> StartBus:
        """Open it at this rate in place of the one before.

        Args:
            bitrate: bit/s; None for the rate that the system has set.
            quiet: True to take no part in the bus, where the interface can: no acknowledging, no error flags.

        Raises:
            LinkError: it cannot be opened so.
        """


def search(
    door: StartDoor,
    limits: Limits,
    rates: Sequence[int | None] = RATES,
    *,
    if_none_fits: str = _IF_NONE_FITS,
    clock: Callable[[], float] = time.perf_counter,
) -> StartUp:
    """Find the bit rate of a bus; the door then stands open at it, to send too.

    Where nobody was heard and nobody answered the first rate without error frames is kept: a car that is off does
    not make a link useless, and a scan says that nobody answered.

    Args:
        door: opens the adapter.
        limits: how long is listened, waited for answers, and tried altogether.
        rates: what to try, in order; `None` alone where the rate is set by the system.
        if_none_fits: what a person does next when error frames came at every rate.
        clock: seconds.

    Raises:
        StartUpError: error frames came at every rate.
        LinkError: the adapter cannot be opened or broke, or the time for opening ran out.
    """
    return _Search(door, limits, rates, if_none_fits, clock).run()


class _Search:
    """One search; used once."""

    def __init__(
        self,
        door: StartDoor,
        limits: Limits,
        rates: Sequence[int | None],
        if_none_fits: str,
        clock: Callable[[], float],
    ) -> None:
        self._door = door
        self._limits = limits
        self._rates = rates
        self._if_none_fits = if_none_fits
        self._clock = clock
        self._tried: list[Try] = []
        self._wrong: set[int | None] = set()
        self._fd_seen = False
        self._widths: set[int] = set()
        self._until_s = clock() + limits.connect_ms / 1000

    def run(self) -> StartUp:
        for rate in self._rates:
            if self._look(rate, None, self._limits.listen_ms) is Came.FRAMES:
                return self._found(rate, f"{_rate_text(rate)}: the bus is in use; nothing was sent to find it")
        for rate in self._rates:
            for request in QUESTIONS:
                if rate in self._wrong:
                    break
                came = self._look(rate, request, self._limits.functional_ms)
                if came in (Came.ANSWER, Came.FRAMES):
                    return self._found(rate, f"{_rate_text(rate)}: the bus was silent until asked; {self._who()}")
        left = [rate for rate in self._rates if rate not in self._wrong]
        if not left:
            raise self._no_rate()
        self._door.open_at(left[0], quiet=False)
        tried = " and ".join(_rate_text(rate) for rate in self._rates)
        give = ", or give the bit rate in the link" if len(self._rates) > 1 else ""
        words = (
            f"nobody was heard and nobody answered at {tried}: switch the ignition on and check the plug{give}; "
            f"until then the link uses {_rate_text(left[0])}"
        )
        return self._start_up(left[0], words, is_found=False)

    def _found(self, rate: int | None, words: str) -> StartUp:
        self._door.open_at(rate, quiet=False)
        return self._start_up(rate, words, is_found=True)

    def _start_up(self, rate: int | None, words: str, *, is_found: bool) -> StartUp:
        return StartUp(
            bitrate=rate,
            is_found=is_found,
            id_bits=tuple(sorted(self._widths)),
            fd_seen=self._fd_seen,
            words=words,
            tried=tuple(self._tried),
        )

    def _who(self) -> str:
        last = self._tried[-1]
        if not last.responders:
            return "then it was in use"
        return f"{', '.join(last.responders)} answered"

    def _no_rate(self) -> StartUpError:
        tried = " and at ".join(_rate_text(rate) for rate in self._rates)
        return StartUpError(
            f"the bus has error frames at {tried}: its bit rate is another one, or it is disturbed",
            next_step=self._if_none_fits,
            tried=tuple(self._tried),
        )

    def _look(self, rate: int | None, request: Request | None, wait_ms: int) -> Came:
        if self._clock() > self._until_s:
            raise LinkError(
                f"finding the bit rate took more than {self._limits.connect_ms} ms",
                next_step="give it in the link, e.g. ?bitrate=500000, or unplug the adapter and plug it in again",
            )
        bus = self._door.open_at(rate, quiet=request is None)
        ear = _Ear()
        bus.trace = ear.tell
        try:
            self._hear(bus, ear, request, wait_ms / 1000)
        except LinkError:
            if not ear.errors:  # with error frames this is what a wrong rate looks like
                raise
        finally:
            bus.trace = None
        came = ear.came()
        if came is Came.ERRORS:
            self._wrong.add(rate)
        else:
            self._widths |= ear.widths
            self._fd_seen = self._fd_seen or ear.fd_seen
        self._tried.append(
            Try(
                bitrate=rate,
                request=request,
                came=came,
                frames=tuple(ear.frames),
                frame_count=ear.count,
                responders=tuple(ear.responders),
            )
        )
        return came

    def _hear(self, bus: StartBus, ear: _Ear, request: Request | None, wait_s: float) -> None:
        if request is not None:
            frame = bytes([len(request.data)]) + request.data
            ear.is_asked = True
            bus.put(CanId.parse(request.target.partition(":")[2]), frame.ljust(8, _PADDING))
        until_s = self._clock() + wait_s
        enough = _ENOUGH_ERRORS if request is None else 1
        # All who answer are waited for: what is left over would meet the first question of the scan.
        while (left_s := until_s - self._clock()) > -_NEVER_DRY_S:
            nothing = bus.read(max(0.0, left_s)) is None
            if (ear.errors >= enough and not ear.data) or (request is None and ear.data >= _ENOUGH_FRAMES):
                return
            # The time is over only once everything that came within it has been read.
            if nothing and left_s <= 0:
                return


class _Ear:
    """What was heard while listening or asking."""

    def __init__(self) -> None:
        self.is_asked = False
        self.errors = 0
        self.data = 0
        self.count = 0
        self.frames: list[BusFrame] = []
        self.widths: set[int] = set()
        self.fd_seen = False
        self.responders: list[str] = []

    def tell(self, frame: BusFrame) -> None:
        self.count += 1
        if len(self.frames) < FRAMES_KEPT:
            self.frames.append(frame)
        if frame.sent or frame.is_remote:
            return
        if frame.is_error:
            self.errors += 1
            return
        self.data += 1
        self.widths.add(29 if frame.is_29_bit else 11)
        self.fd_seen = self.fd_seen or frame.is_fd
        source = CanId(frame.number, frame.is_29_bit).text
        is_answer = self.is_asked and iso_15765_4_unit(source) is not None and frame.data[1:3] in _ANSWERS
        if is_answer and source not in self.responders:
            self.responders.append(source)

    def came(self) -> Came:
        """An answer proves a rate, and so do frames, unless as many error frames come with them."""
        if self.responders:
            return Came.ANSWER
        if self.errors and self.errors >= self.data:
            return Came.ERRORS
        return Came.FRAMES if self.data else Came.NOTHING


def _rate_text(rate: int | None) -> str:
    return "the bit rate that the system has set" if rate is None else f"{rate} bit/s"


def _frame_json(frame: BusFrame, begin_ns: int) -> dict[str, object]:
    found: dict[str, object] = {"sent": frame.sent, "at_us": (frame.at_ns - begin_ns) // 1000}
    if frame.is_error:
        return {**found, "error": True}
    found |= {"id": CanId(frame.number, frame.is_29_bit).text, "data": frame.data.hex().upper()}
    if frame.is_remote:
        found["remote"] = True
    if frame.is_fd:
        found["fd"] = True
    return found
