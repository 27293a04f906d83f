"""The control port: how another process moves a running car, one JSON object a line each way, on 127.0.0.1 alone.

A line to the port is ``{"token": T, "action": "drive", "arguments": {"kmh": 62, "seconds": 90}}``; the line back is
``{"world_s": 123, "said": "..."}`` or ``{"error": "..."}``. Without an action it is ``{"scenario": "..."}``. The
token is looked at before anything else; who has another one is let go.
"""

from __future__ import annotations

import hmac
import json
import queue
import socket
import threading
from collections.abc import Callable, Mapping
from typing import Protocol

from simulators.car import ActResult
from simulators.errors import BenchError
from simulators.serving import HIGHEST_PORT, HOST, Client, Door, listen

LONGEST_LINE = 8192
CONNECT_S = 5.0
LONGEST_ACTION_S = 900.0  # a week of driving, the longest there is, takes some minutes
_MOST_CLIENTS = 256
_MOST_UNREAD = 1 << 16  # bytes that a client may leave unread before it is put out
_MOST_IN_HAND = 1000  # lines of one client
_ACTION = b'"action"'  # only a line with this word can move the car


class Moved(Protocol):
    """What the port moves."""

    @property
    def scenario(self) -> str:
        """The scenario's name."""

    def act(self, action: str, /, **arguments: int | str) -> ActResult:
        """Do one thing with the car."""


class _RefusedError(Exception):
    """A line from somebody who does not know the token."""


class _Client(Client):
    """One connection and what came of its next line so far.

    Attributes:
        in_hand: how many of its lines wait until the car has been moved.
    """

    def __init__(self, sock: socket.socket, hear: Callable[[_Client, bytes], None]) -> None:
        super().__init__(sock, most_unread=_MOST_UNREAD)
        self.in_hand = 0
        self._hear = hear
        self._begun = b""

    def take(self, data: bytes) -> None:
        *whole, self._begun = (self._begun + data).split(b"\n")
        for line in whole:
            self._hear(self, line)
        if len(self._begun) > LONGEST_LINE:
            self.let_go(f"a line has at most {LONGEST_LINE} bytes")

    def say(self, form: Mapping[str, object]) -> None:
        """Queue a line."""
        self.queue(json.dumps(form).encode() + b"\n")

    def let_go(self, why: str) -> None:
        """Say why, and take nothing more."""
        self.say({"error": why})
        self.is_ending = True


class ControlPort(Door[_Client]):
    """Serves a car's actions until closed. Starts at once: one thread for all clients, one that moves the car.

    Args:
        car: what is moved.
        token: what a client must know.
        port: TCP port; 0 takes a free one.

    Attributes:
        port: the TCP port.

    Raises:
        BenchError: the port cannot be had.
    """

    def __init__(self, car: Moved, token: str, port: int = 0) -> None:
        listener = listen(
            port,
            no_port=f"the control port is a number from 0 to {HIGHEST_PORT}, not {port}",
            in_use=f"the control port cannot be {port} on {HOST}",
        )
        self.port: int = listener.getsockname()[1]
        self._car = car
        self._token = token.encode()
        self._to_do: queue.SimpleQueue[tuple[_Client, bytes] | None] = queue.SimpleQueue()
        super().__init__(f"bench control {self.port}", listener)
        self._mover = threading.Thread(target=self._move, name=f"bench mover {self.port}", daemon=False)
        self._mover.start()

    def close(self) -> None:
        """Stop serving; the threads are gone and every socket closed when this returns. May be called again.

        What was begun is done before, which may take minutes; what is still to be done is not.
        """
        self._stop.set()
        self._to_do.put(None)
        self._mover.join()
        super().close()

    def _welcome(self, port: socket.socket) -> _Client | None:
        return _Client(port, self._hear) if len(self._clients) < _MOST_CLIENTS else None

    def _hear(self, client: _Client, line: bytes) -> None:
        """Answer a line at once, unless the car is to be moved, or the client's own lines before it are not done."""
        with client.queueing:
            waits = client.in_hand > 0 or _ACTION in line
            client.in_hand += waits
        if client.in_hand > _MOST_IN_HAND:
            raise ConnectionAbortedError
        if waits:
            self._to_do.put((client, line))
        else:
            self._reply(client, line)

    def _move(self) -> None:
        while (item := self._to_do.get()) is not None:
            client, line = item
            if not self._stop.is_set():
                self._reply(client, line)
            with client.queueing:
                client.in_hand -= 1
            self.wake(client)

    def _reply(self, client: _Client, line: bytes) -> None:
        if client.is_ending:
            return
        try:
            client.say(self._answer(line))
        except _RefusedError as error:
            client.let_go(str(error))

    def _answer(self, line: bytes) -> dict[str, object]:
        try:
            form = json.loads(line)
        except (ValueError, RecursionError):
            return {"error": "this is no line of JSON"}
        if not isinstance(form, dict):
            return {"error": "this is no JSON object"}
        if not hmac.compare_digest(str(form.get("token")).encode(errors="replace"), self._token):
            raise _RefusedError("this is not the token of this bench")
        if "action" not in form:
            return {"scenario": self._car.scenario}
        action, arguments = form["action"], form.get("arguments", {})
        if not isinstance(action, str) or not isinstance(arguments, dict):
            return {"error": "'action' is a text and 'arguments' an object"}
        try:
            result = self._car.act(action, **arguments)
        except BenchError as error:
            return {"error": str(error)}
        except Exception as error:  # whatever is wrong with one action, the car goes on
            return {"error": f"a fault of the bench's own: {type(error).__name__}: {error}"}
        return {"world_s": result.world_s, "said": result.said}


class ControlClient:
    """The other end of a control port.

    Args:
        port: the TCP port.
        token: the bench's token.

    Raises:
        ConnectionError: nobody listens there.
    """

    def __init__(self, port: int, token: str) -> None:
        self._token = token
        try:
            self._sock = socket.create_connection((HOST, port), timeout=CONNECT_S)
        except OSError as error:
            raise ConnectionError(f"nobody listens at the control port {port} any more") from error
        self._reader = self._sock.makefile("rb")

    def close(self) -> None:
        """Leave. May be called again."""
        self._reader.close()
        self._sock.close()

    def scenario(self) -> str:
        """The name of the scenario that runs there.

        Raises:
            ConnectionError: no bench answers.
        """
        form = self._ask({}, CONNECT_S)
        name = form.get("scenario")
        if not isinstance(name, str):
            raise ConnectionError("whoever listens at the control port is no simulated vehicle of yours")
        return name

    def act(self, action: str, arguments: Mapping[str, int | str]) -> ActResult:
        """Do one thing with the car and wait until it is done.

        Raises:
            BenchError: the bench says why it cannot be done.
            ConnectionError: the bench went away meanwhile.
        """
        form = self._ask({"action": action, "arguments": dict(arguments)}, LONGEST_ACTION_S)
        match form:
            case {"world_s": int(world_s), "said": str(said)}:
                return ActResult(world_s=world_s, said=said)
            case {"error": str(error)}:
                raise BenchError(error)
        raise ConnectionError("the simulated vehicle answers what cannot be understood")

    def _ask(self, what: Mapping[str, object], patience_s: float) -> dict[str, object]:
        try:
            self._sock.settimeout(patience_s)
            self._sock.sendall(json.dumps({"token": self._token, **what}).encode() + b"\n")
            line = self._reader.readline(16 * LONGEST_LINE)
            form = json.loads(line)
        except (OSError, ValueError) as error:
            raise ConnectionError("the simulated vehicle does not answer any more") from error
        if not isinstance(form, dict):
            raise ConnectionError("the simulated vehicle answers what cannot be understood")
        return form
