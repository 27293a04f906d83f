"""An AT-command dongle without its port: bytes in, bytes and the times at which they are due out.

It has no clock: whoever moves the bytes says what time it is. Machine time, microseconds.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

from simulators.desk import Desk
from simulators.dongle_faults import NO_DATA, REFUSED, DongleFaults, Line, Reply, full
from simulators.dongle_frames import PENDING_WAIT_US, Heard, Question, put
from simulators.dongle_settings import PROTOCOLS, REACHABLE, Settings, obey

IDENTITY = "MENDPROOF BENCH DONGLE 1"
PROMPT = ">"
SEARCHING, STOPPED, UNREACHABLE = "SEARCHING...", "STOPPED", "UNABLE TO CONNECT"
_OK = "OK"
_SEARCH_STEP_US = 100_000
_MOST_LINES = 256
_LONGEST_COMMAND = 64
_LONGEST_REQUEST = {True: 7, False: 8}  # with formatting on, the PCI byte is the dongle's own
_UNSEEN = re.compile(r"[\x00-\x20]")
_HEX = re.compile(r"[0-9A-F]{2,}")
# What a car that has emission-related units answers: SAE J1979, service 01; SAE J1979-2, identification.
_PROBES = (bytes.fromhex("0100"), bytes.fromhex("22F810"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Due:
    at_us: int
    data: bytes


class Dongle:
    """One dongle plugged into a car.

    Args:
        desk: the car.
        faults: what is wrong with the dongle.
    """

    def __init__(self, desk: Desk, faults: DongleFaults) -> None:
        self._desk = desk
        self._faults = faults
        self._settings = Settings()
        self._stored = (self._settings.chosen, self._settings.searches)
        self._line = bytearray()
        self._last = ""
        self._stale = ""
        self._asleep = False
        self._plan: deque[_Due] = deque()
        self._said = bytearray()

    @property
    def due_us(self) -> int | None:
        """When there is something to say next; None while it waits for a command."""
        return self._plan[0].at_us if self._plan else None

    def feed(self, data: bytes, now_us: int) -> None:
        """Take bytes from the client. One that comes during a reply stops it and is lost."""
        for byte in data:
            self._advance(now_us)
            if self._plan:
                if byte == 0x0D or byte > 0x20:
                    self._stop()
            elif byte == 0x0D:
                self._enter(now_us)
            elif len(self._line) <= _LONGEST_COMMAND:
                self._line.append(byte)

    def say(self, now_us: int) -> bytes:
        """What is to be written now."""
        self._advance(now_us)
        said = bytes(self._said)
        self._said.clear()
        return said

    def _advance(self, now_us: int) -> None:
        while self._plan and self._plan[0].at_us <= now_us:
            self._said += self._plan.popleft().data

    def _stop(self) -> None:
        self._plan.clear()
        end = self._line_end
        self._said += f"{STOPPED}{end}{end}{PROMPT}".encode("ascii")

    @property
    def _line_end(self) -> str:
        return "\r\n" if self._settings.linefeeds else "\r"

    def _enter(self, now_us: int) -> None:
        """A command is whole: plan its reply."""
        raw, self._line = self._line.decode("latin-1"), bytearray()
        echo = (Line(text=raw),) if self._settings.echo else ()
        if len(raw) <= _LONGEST_COMMAND:
            command = self._last = _UNSEEN.sub("", raw).upper() or self._last
            reply = self._reply(command)
        else:
            command, reply = "", Reply(lines=(Line(text=REFUSED),))
        if reply.frames:
            reply, self._stale = replace(reply, stale=self._stale), reply.frames[-1].text
        reply = self._faults.applied(command, replace(reply, lines=(*echo, *reply.lines)))
        end = self._line_end
        self._plan.extend(
            _Due(at_us=now_us + line.at_us, data=f"{line.text}{end}".encode("latin-1")) for line in reply.lines
        )
        if reply.prompt_us is not None and not self._asleep:
            self._plan.append(_Due(at_us=now_us + reply.prompt_us, data=f"{end}{PROMPT}".encode("ascii")))

    def _reply(self, command: str) -> Reply:
        if self._asleep:
            self._asleep = False
            return Reply(lines=(Line(text=IDENTITY),))
        if command.startswith("AT"):
            return Reply(lines=(Line(text=self._at(command)),))
        if _HEX.fullmatch(command):
            return self._ask(command)
        return Reply(lines=(Line(text=REFUSED),) if command else ())

    # --- commands to the dongle ---

    def _at(self, command: str) -> str:
        word = command[2:]
        world, settings = self._desk.car.world, self._settings
        if word in {"Z", "WS", "D"}:
            self._settings = Settings(chosen=self._stored[0], searches=self._stored[1])
            if word == "D":
                self._settings.settled = settings.settled
            return _OK if word == "D" else IDENTITY
        if word == "LP":
            self._asleep = True
        elif word.startswith("SH") and self._faults.asked("refused_header", command) is not None:
            return REFUSED
        answers = {
            "I": IDENTITY,
            "RV": f"{world.supply_mv / 1000:.1f}V",
            "IGN": "ON" if world.key_on else "OFF",
            "DP": ("AUTO, " if settings.searches else "") + PROTOCOLS[settings.settled or settings.chosen],
            "DPN": ("A" if settings.searches else "") + (settings.settled or settings.chosen),
            "LP": _OK,
        }
        if word in answers:
            return answers[word]
        if not obey(settings, word):
            return REFUSED
        if word.startswith("SP"):
            self._stored = (settings.chosen, settings.searches)
        return _OK

    # --- requests to the car ---

    def _ask(self, command: str) -> Reply:
        whole = len(command) // 2 * 2
        request = bytes.fromhex(command[:whole])
        if len(request) > _LONGEST_REQUEST[self._settings.formatting] - (self._settings.extension is not None):
            return Reply(lines=(Line(text=REFUSED),))
        searching, searched_us = self._reach()
        before = (Line(text=SEARCHING),) if searching else ()
        if self._settings.settled is None:
            return Reply(lines=(*before, Line(text=UNREACHABLE, at_us=searched_us)), prompt_us=searched_us)
        payload = request if self._settings.formatting else _single_frame(request)
        # The digit behind whole bytes says after how many frames to stop; 0 stands for no such number.
        most = int(command[whole:] or "0", 16) or None
        frames, until_us = put(self._desk, self._question(payload, command, most)) if payload else ((), 0)
        lines = tuple(
            Line(text=text, at_us=frame.at_us, is_frame=True) for frame in frames for text in self._shown(frame)
        )
        found = lines or (Line(text=NO_DATA, at_us=until_us),)
        reply = full(Reply(lines=found, prompt_us=until_us), _MOST_LINES).later(searched_us)
        return replace(reply, lines=(*before, *reply.lines))

    def _reach(self) -> tuple[bool, int]:
        """Settle the protocol if the car can be reached; whether that took a search, and how long it took."""
        settings = self._settings
        if not self._desk.car.world.key_on:
            settings.settled = None
            return settings.searches, _SEARCH_STEP_US
        if settings.settled is not None:
            return False, 0
        if not settings.searches:
            settings.settled = settings.chosen if settings.chosen in REACHABLE else None
            return False, 0 if settings.settled else _SEARCH_STEP_US
        order = sorted(REACHABLE, key=lambda protocol: protocol != settings.chosen)
        for tried, protocol in enumerate(order):
            everyone = Settings(chosen=protocol)
            if any(put(self._desk, _question(everyone, probe))[0] for probe in _PROBES):
                settings.settled = protocol
                return True, tried * _SEARCH_STEP_US
        return True, len(order) * _SEARCH_STEP_US

    def _question(self, payload: bytes, command: str, most: int | None) -> Question:
        question = replace(_question(self._settings, payload), most_frames=most)
        wait = self._faults.asked("closing_wait", command)
        if wait is not None:
            question = replace(question, next_wait_us=int(wait["ms"]) * 1000)
        if self._faults.asked("impatient", command) is not None:
            question = replace(question, pending_wait_us=question.next_wait_us)
        return question

    def _shown(self, frame: Heard) -> Iterator[str]:
        """The lines in which a frame is written."""
        settings, gap = self._settings, " " if self._settings.spaces else ""
        if settings.headers:
            header = _hex(frame.number.to_bytes(4, "big"), gap) if settings.is_wide else f"{frame.number:03X}"
            yield f"{header}{gap}{_hex(frame.data, gap)}"
            return
        if not settings.formatting:
            yield _hex(frame.data, gap)
            return
        data = frame.data if settings.extension is None else frame.data[1:]
        kind, low = data[0] >> 4, data[0] & 0x0F
        if kind == 0:
            yield _hex(data[1 : 1 + low], gap)
        elif kind == 1:
            yield f"{low << 8 | data[1]:03X}"
            yield f"0:{gap}{_hex(data[2:], gap)}"
        else:
            yield f"{low:X}:{gap}{_hex(data[1:], gap)}"


def _question(settings: Settings, payload: bytes) -> Question:
    accept, mask = settings.filter
    return Question(
        number=settings.number,
        is_29_bit=settings.is_wide,
        extension=settings.extension,
        request=payload,
        accept=accept,
        accept_mask=mask,
        flow_control=settings.asks_on,
        first_wait_us=settings.wait_ms * 1000,
        next_wait_us=settings.next_wait_us,
        pending_wait_us=PENDING_WAIT_US,
    )


def _single_frame(data: bytes) -> bytes:
    """The payload of a frame whose PCI the client wrote; empty where it is no single frame.

    Source: ISO 15765-2, N_PCI of a single frame.
    """
    return data[1 : 1 + data[0]] if 1 <= data[0] <= len(data) - 1 else b""


def _hex(data: bytes, gap: str) -> str:
    return (data.hex(gap) if gap else data.hex()).upper()
