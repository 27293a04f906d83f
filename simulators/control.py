"""The control port: how another process moves a running car, one JSON object a line each way, on 127.0.0.1 alone.

A line to the port is ``{"token": T, "action": "drive", "arguments": {"kmh": 62, "seconds": 90}}``; the line back is
``{"world_s": 123, "said": "..."}`` or ``{"error": "..."}``. Without an action it is ``{"scenario": "..."}``. The
token is looked at before anything else; who has another one is let go.
"""

from __future__ import annotations

import hmac
import json
import selectors
import socket
import threading
from collections.abc import Mapping
from contextlib import suppress
from typing import Protocol, Self

from simulators.car import ActResult
from simulators.errors import BenchError

HOST = "127.0.0.1"
LONGEST_LINE = 8192
CONNECT_S = 5.0
LONGEST_ACTION_S = 900.0  # a week of driving, the longest there is, takes some minutes
_MOST_CLIENTS = 256
_HIGHEST_PORT = 65_535
_BREATH_S = 0.05


class Moved(Protocol):
    """What the port moves."""

    @property
    def scenario(self) -> str:
        """The scenario's name."""

    def act(self, action: str, /, **arguments: int | str) -> ActResult:
        """Do one thing with the car."""


class _RefusedError(Exception):
    """A line from somebody who does not know the token."""


class _Client:
    """One connection and what came of its next line so far."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        self.unread = bytearray()

    def lines(self) -> list[bytes]:
        """What came, cut into whole lines; the rest stays.

        Raises:
            OSError: the client is gone.
        """
        data = self.sock.recv(LONGEST_LINE)
        if not data:
            raise ConnectionResetError
        *whole, rest = (self.unread + data).split(b"\n")
        self.unread = rest
        return [bytes(line) for line in whole]

    def say(self, form: Mapping[str, object]) -> None:
        """Send a line.

        Raises:
            OSError: the client is gone, or asks without reading.
        """
        data = json.dumps(form).encode() + b"\n"
        if self.sock.send(data) < len(data):
            raise BlockingIOError


class ControlPort:
    """Serves a car's actions until closed. Starts at once; one thread for all clients.

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
        if not 0 <= port <= _HIGHEST_PORT:
            raise BenchError(f"the control port is a number from 0 to {_HIGHEST_PORT}, not {port}")
        try:
            self._listener = socket.create_server((HOST, port), backlog=128)
        except OSError as error:
            raise BenchError(f"the control port cannot be {port} on {HOST}: {error.strerror}") from error
        self._listener.setblocking(False)
        self.port: int = self._listener.getsockname()[1]
        self._car = car
        self._token = token.encode()
        self._clients: set[_Client] = set()
        self._selector = selectors.DefaultSelector()
        self._bell, self._push = socket.socketpair()
        for sock in (self._listener, self._bell):
            self._selector.register(sock, selectors.EVENT_READ)
        self._stop = threading.Event()
        self._closing = threading.Lock()
        self._thread = threading.Thread(target=self._serve, name=f"bench control {self.port}")
        self._thread.start()

    def close(self) -> None:
        """Stop serving; the thread is gone and every socket closed when this returns. May be called again."""
        with self._closing:
            if self._stop.is_set():
                return
            self._stop.set()
            self._push.send(b"\0")
            self._thread.join()
            for client in tuple(self._clients):
                self._drop(client)
            self._selector.close()
            for sock in (self._listener, self._bell, self._push):
                sock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            for key, _ in self._selector.select():
                if isinstance(key.data, _Client):
                    self._hear(key.data)
                elif key.fileobj is self._listener:
                    self._accept()

    def _accept(self) -> None:
        try:
            sock, _ = self._listener.accept()
        except OSError:
            self._stop.wait(_BREATH_S)  # it went again, or no file descriptor is left: no reason to spin
            return
        if len(self._clients) == _MOST_CLIENTS:
            sock.close()
            return
        sock.setblocking(False)
        client = _Client(sock)
        self._clients.add(client)
        self._selector.register(sock, selectors.EVENT_READ, client)

    def _drop(self, client: _Client) -> None:
        self._selector.unregister(client.sock)
        self._clients.remove(client)
        client.sock.close()

    def _hear(self, client: _Client) -> None:
        try:
            for line in client.lines():
                if self._stop.is_set():
                    return
                client.say(self._answer(line))
            if len(client.unread) > LONGEST_LINE:
                raise _RefusedError(f"a line has at most {LONGEST_LINE} bytes")
        except _RefusedError as error:
            with suppress(OSError):
                client.say({"error": str(error)})
            self._drop(client)
        except OSError:
            self._drop(client)

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
