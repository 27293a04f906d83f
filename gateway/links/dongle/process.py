"""The link's side of its child process: it starts it, gives it one turn after another, and ends it in time."""

from __future__ import annotations

import errno
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from decoders.errors import LinkError
from gateway.links.base import Limits
from gateway.links.dongle.messages import Say, Why, packed, unpacked

CHILD: tuple[str, ...] = (sys.executable, "-P", "-m", "gateway.links.dongle.child")
"""What is run: our own module by the same interpreter; -P because a folder named like ours may lie about."""
_GRACE_NS = 1_000_000_000
_STOP_POLL_S = 0.05
_END_S = 1.5
_HUNTS = 12
_CHECK_PORT = "check that the dongle is switched on, paired and free, and how its port is written; then try again"

Chunk = tuple[int, bytes]
"""When bytes were read (`time.perf_counter_ns`), and the bytes."""


class TurnEnd(StrEnum):
    """How a turn ended."""

    PROMPT = "prompt"
    REFUSED = "refused"
    SILENT = "silent"
    LOST = "lost"
    INTERRUPTED = "interrupted"


@dataclass(slots=True, kw_only=True)
class Turn:
    """One command and everything that was read for it.

    Args:
        before: what was read before the command was written: it belongs to an earlier one.
        heard: what was read afterwards.
        begun_ns: when the first byte may have reached the port; None if none did.
        written_ns: when the last one was out.
        end: how it ended; only after the prompt may the next command follow.
        reason: what to say of any other end.
    """

    before: list[Chunk] = field(default_factory=list)
    heard: list[Chunk] = field(default_factory=list)
    begun_ns: int | None = None
    written_ns: int | None = None
    end: TurnEnd | None = None
    reason: str = ""

    def ended(self, end: TurnEnd, reason: str = "") -> None:
        """Say how it ended, the first time."""
        if self.end is None:
            self.end, self.reason = end, reason


class DongleProcess:
    """python-OBD at a port, in a process of its own.

    Args:
        url: the port, as pyserial writes it.
        command: what to run.
    """

    def __init__(self, url: str, command: Sequence[str] = CHILD) -> None:
        self._url = url
        self._inbox: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        self._child = subprocess.Popen(  # noqa: S603 - our own module, see CHILD
            list(command),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            # Ctrl-C is for the link alone, which lets a request under way come to its end.
            start_new_session=True,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self._reader = threading.Thread(target=self._read, name=f"dongle {url}", daemon=True)
        self._reader.start()
        self._over = False

    def connect(self, limits: Limits, stop: threading.Event) -> None:
        """Open the port and wake the dongle.

        Raises:
            LinkError: that cannot be done in `limits.connect_ms`, or `stop` was set.
        """
        self._write({"url": self._url, "connect_ms": limits.connect_ms, "hunt_ms": limits.connect_ms // _HUNTS})
        until_ns = time.perf_counter_ns() + limits.connect_ms * 1_000_000 + _GRACE_NS
        while not stop.is_set() and time.perf_counter_ns() < until_ns:
            message = self._next()
            if message is None:
                if self._over:
                    raise LinkError(
                        f"the dongle's process ended before {self._url} was open",
                        next_step="check that python-OBD works: `python -c 'import obd'`",
                    )
                continue
            if message["say"] == Say.READY:
                return
            if message["say"] in {Say.FAILED, Say.BROKEN}:
                raise _not_open(self._url, message)
        raise _not_open(self._url, {"why": Why.SILENT, "text": ""})

    def turn(self, text: str, *, is_request: bool, quiet_ms: int, ceiling_ms: int, stop: threading.Event) -> Turn:
        """Write one command and read until the prompt.

        Args:
            text: the command.
            is_request: True for a request to the car, which may pass the tap though it is on no list.
            quiet_ms: how long no byte may come.
            ceiling_ms: how long the turn may last altogether.
            stop: when it is set, the turn is given up a second later.
        """
        turn = Turn()
        try:
            if self._write({"send": text, "request": is_request, "quiet_ms": quiet_ms, "ceiling_ms": ceiling_ms}):
                self._follow_to_the_end(turn, quiet_ms, ceiling_ms, stop)
            else:
                turn.ended(TurnEnd.LOST, "the dongle's process is gone")
        finally:
            # The rest of a turn that was broken off must not be read as the next one.
            if turn.end is not TurnEnd.PROMPT:
                self.kill()
        return turn

    def _follow_to_the_end(self, turn: Turn, quiet_ms: int, ceiling_ms: int, stop: threading.Event) -> None:
        heard_ns = time.perf_counter_ns()
        until_ns, stop_ns = heard_ns + ceiling_ms * 1_000_000 + _GRACE_NS, None
        quiet_ns = quiet_ms * 1_000_000 + _GRACE_NS
        while turn.end is None:
            message = self._next()
            if message is None:
                now_ns = time.perf_counter_ns()
            else:
                # What was read in time counts, however late it is looked at here.
                now_ns = heard_ns = message.get("at", heard_ns)
                _follow(turn, message)
            if stop.is_set() and stop_ns is None:
                stop_ns = now_ns + _GRACE_NS
            if self._over:
                turn.ended(TurnEnd.LOST, "the dongle's process is gone")
            elif stop_ns is not None and now_ns >= stop_ns:
                turn.ended(TurnEnd.INTERRUPTED, "interrupted before an answer")
            elif now_ns >= min(until_ns, heard_ns + quiet_ns):
                turn.ended(TurnEnd.SILENT, "the dongle stopped answering")

    def kill(self) -> None:
        """End the process at once."""
        self._child.kill()
        self._put_away()

    def close(self) -> None:
        """Let python-OBD put the dongle back and end; kill it if that takes too long. Twice is harmless."""
        if self._child.stdin is not None and not self._child.stdin.closed:
            try:
                self._child.stdin.close()
            except OSError:
                self._child.kill()
        try:
            self._child.wait(_END_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
        self._put_away()

    def _put_away(self) -> None:
        self._child.wait()
        self._reader.join()
        for pipe in (self._child.stdin, self._child.stdout):
            if pipe is not None and not pipe.closed:
                try:
                    pipe.close()
                except OSError:
                    continue  # what was still to be written has no reader any more

    def _write(self, message: Mapping[str, object]) -> bool:
        pipe = self._child.stdin
        if pipe is None or pipe.closed:
            return False
        try:
            pipe.write(packed(message))
            pipe.flush()
        except OSError:
            return False
        return True

    def _next(self) -> dict[str, Any] | None:
        """The next message, or None if none came in one poll or none will."""
        try:
            message = self._inbox.get(timeout=_STOP_POLL_S)
        except queue.Empty:
            return None
        self._over = self._over or message is None
        return message

    def _read(self) -> None:
        pipe = self._child.stdout
        if pipe is not None:
            for line in pipe:
                try:
                    self._inbox.put(unpacked(line))
                except ValueError:
                    break  # a line cut short: the process was killed while it wrote
        self._inbox.put(None)


_ENDS: Mapping[str, TurnEnd] = {Why.REFUSED: TurnEnd.REFUSED, Why.SILENT: TurnEnd.SILENT}


def _follow(turn: Turn, message: Mapping[str, Any]) -> None:
    match message["say"]:
        case Say.BEGUN:
            turn.begun_ns = message["at"]
        case Say.WROTE:
            turn.written_ns = message["at"]
        case Say.HEARD:
            chunks = turn.before if turn.begun_ns is None else turn.heard
            chunks.append((message["at"], bytes.fromhex(message["data"])))
        case Say.BROKEN:
            end = _ENDS.get(message["why"], TurnEnd.LOST)
            turn.ended(end, message["text"] if end is not TurnEnd.LOST else f"the dongle is gone: {message['text']}")
        case Say.END:
            # python-OBD also gives a turn up by a time-out of its own.
            if any(b">" in data for _, data in turn.heard):
                turn.ended(TurnEnd.PROMPT)
            turn.ended(TurnEnd.SILENT, "the dongle stopped answering")


def _not_open(url: str, message: Mapping[str, Any]) -> LinkError:
    text = message["text"]
    match message["why"]:
        case Why.MISSING:
            return LinkError(
                f"a dongle needs python-OBD, which cannot be loaded: {text}",
                next_step="pip install 'mendproof[dongle]'",
            )
        case Why.PORT if message.get("errno") == errno.ENOENT:
            return LinkError(
                f"there is no port {url}",
                next_step="plug the dongle in or pair it; `mendproof links` lists what is here",
            )
        case Why.PORT if message.get("errno") in {errno.EACCES, errno.EPERM}:
            return LinkError(
                f"you may not open {url}: {text}",
                next_step="give your user access to the port, e.g. by the group that owns it, then try again",
            )
        case Why.PORT | Why.LOST:
            return LinkError(f"cannot open {url}: {text}", next_step=_CHECK_PORT)
        case Why.REFUSED:
            return LinkError(
                f"python-OBD was kept from writing to the dongle: {text}",
                next_step="install the version of python-OBD that `pip install 'mendproof[dongle]'` brings",
            )
    return LinkError(f"nothing at {url} answers as a dongle does", next_step=_CHECK_PORT)
