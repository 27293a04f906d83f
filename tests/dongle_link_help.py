"""What the tests of the dongle link share: replies as text, turns without a process, a dongle that follows a script."""

from __future__ import annotations

import selectors
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from decoders.values import Exchange, Request
from gateway.links.base import Limits, Plan
from gateway.links.dongle.hearing import Heard, Hearing
from gateway.links.dongle.link import DongleLink, open_at
from gateway.links.dongle.process import Turn, TurnEnd

ENGINE, GEARS, BRAKE, WIDE = "7E0/7E8", "7E1/7E9", "760/768", "18DA10F1/18DAF110"
EVERYONE, EVERYONE_WIDE = "functional:7DF", "functional:18DB33F1"
MS = 1_000_000
WRITTEN_NS = 1000 * MS
QUICK = Limits(p2_ms=24, functional_ms=24, n_cr_ms=100)
SHORT = Limits(p2_ms=24, functional_ms=24, p2_star_ms=400, n_cr_ms=100, ceiling_ms=5000, connect_ms=12_000)
"""A dongle that writes nothing for half a second has stopped answering."""
PATIENT = replace(SHORT, p2_star_ms=5000, ceiling_ms=20_000)
"""Where the dongle writes its prompt, which ends the wait."""
RUN = "from gateway.links.dongle.child import main; main()"
_HURRY = f"""
import sys, time, types
package = types.ModuleType("obd")
package.__path__ = [entry + "/obd" for entry in sys.path]
sys.modules["obd"] = package
time.sleep = lambda _: None
{RUN}
"""
HURRIED = (sys.executable, "-c", _HURRY)
"""The same child process with only that part of python-OBD loaded that it uses, and without the rests of a second
that python-OBD and pyserial give a real dongle to restart."""

# ISO 15765-2: single frames, and a first frame with its two consecutive ones; eight bytes each, padded with AA.
NO_CODES = "7E8 03 59 02 FF AA AA AA AA"
CODES = bytes.fromhex("5902FF0420132F0171002F")
CODES_FRAMES = ("7E8 10 0B 59 02 FF 04 20 13", "7E8 21 2F 01 71 00 2F AA AA")
READ = bytes.fromhex("1902FF")


def turn_of(*lines: str, end: TurnEnd = TurnEnd.PROMPT, reason: str = "", before: str = "") -> Turn:
    """A turn in which these lines were written a millisecond apart, each ended by CR; then the prompt.

    ``NO DATA`` is written after the time for an answer is over.
    """
    turn = Turn(begun_ns=WRITTEN_NS - MS, written_ns=WRITTEN_NS)
    if before:
        turn.before.append((WRITTEN_NS - 10 * MS, before.encode("latin-1")))
    for nth, line in enumerate(lines, start=1):
        waited_ms = 90 if line == "NO DATA" else nth
        turn.heard.append((WRITTEN_NS + waited_ms * MS, f"{line}\r".encode("latin-1")))
    if end is TurnEnd.PROMPT:
        turn.heard.append((WRITTEN_NS + 100 * MS, b"\r>"))
    turn.ended(end, reason)
    return turn


def judged(
    *lines: str,
    target: str = ENGINE,
    data: bytes = READ,
    hearing: Hearing | None = None,
    limits: Limits = QUICK,
    expected: int | None = None,
) -> Heard:
    """What a reply of these lines comes to."""
    return (hearing or Hearing("dongle:x")).judge(Request(target, data), turn_of(*lines), limits, expected)


def ask(
    link: DongleLink, *requests: Request, limits: Limits = QUICK, stop: threading.Event | None = None
) -> list[Exchange]:
    """Ask in turn; what the link kept."""
    kept: list[Exchange] = []
    link.run({"plan": asking(requests)}, kept.append, stop or threading.Event(), limits)
    return kept


def asking(requests: Iterable[Request]) -> Plan:
    """A plan of these requests."""
    for request in requests:  # noqa: UP028 - an iterator takes no exchanges
        yield request


Answer = str | None
"""What is written before the prompt, CR included; None for nothing at all, not even the prompt."""


class ScriptedDongle:
    """A TCP port behind which every command gets the reply that a test wrote for it.

    Attributes:
        heard: every command, without its CR.
        answers: by how a command begins, the longest first.
        on_command: called with each command before it is answered.
        without_prompt: the command whose reply has no prompt behind it.
        is_patient: True to wait as long as it was told (ATST, steps of 4 ms) before it writes NO DATA.
    """

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.port: int = self._listener.getsockname()[1]
        self.link = f"dongle:socket://127.0.0.1:{self.port}"
        self.heard: list[str] = []
        self.is_patient = True
        self._wait_ms = 0
        self.answers: dict[str, Answer] = {}
        self.on_command: Callable[[str], None] = lambda _command: None
        self.without_prompt = ""
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._clients: dict[socket.socket, bytearray] = {}
        self._stop = threading.Event()
        self._dropping = threading.Event()
        self._thread = threading.Thread(target=self._serve)

    def fresh(self) -> None:
        """Everything as at first: settings are taken, requests find nobody, 01 00 finds the engine."""
        self.heard.clear()
        self.on_command = lambda _command: None
        self.without_prompt = ""
        self.is_patient = True
        self.answers.clear()
        self.answers.update(
            {
                "": "NO DATA\r",
                "\x7f": "?\r",
                "AT": "OK\r",
                "ATZ": "\r\rDONGLE 1\r",
                "0100": "7E8 06 41 00 98 18 00 13 AA\r",
            }
        )

    @property
    def requests(self) -> list[str]:
        """The commands that went to the car."""
        return [command for command in self.heard if not command.startswith(("AT", "\x7f"))]

    def drop(self) -> None:
        """Close the connection, as a dongle does that loses its supply."""
        self._dropping.set()

    def __enter__(self) -> ScriptedDongle:
        self.fresh()
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stop.set()
        self._thread.join()
        for client in self._clients:
            client.close()
        self._selector.close()
        self._listener.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            for key, _ in self._selector.select(0.02):
                if key.fileobj is self._listener:
                    client, _peer = self._listener.accept()
                    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._clients[client] = bytearray()
                    self._selector.register(client, selectors.EVENT_READ)
                elif isinstance(key.fileobj, socket.socket):
                    self._hear(key.fileobj)
            if self._dropping.is_set():
                self._dropping.clear()
                for client in tuple(self._clients):
                    self._lose(client)

    def _hear(self, client: socket.socket) -> None:
        try:
            data = client.recv(4096)
        except OSError:
            data = b""
        if not data:
            self._lose(client)
            return
        line = self._clients[client]
        line += data
        while b"\r" in line:
            command, _, rest = line.partition(b"\r")
            line[:] = rest
            self._answer(client, command.decode("latin-1"))

    def _answer(self, client: socket.socket, command: str) -> None:
        self.heard.append(command)
        self.on_command(command)
        begins = max((key for key in self.answers if command.startswith(key)), key=len)
        answer = self.answers[begins]
        if command.startswith("ATST"):
            self._wait_ms = 4 * int(command[4:], 16)
        if answer is not None:
            if answer.startswith("NO DATA") and self.is_patient:
                time.sleep(self._wait_ms / 1000)
            end = "" if command == self.without_prompt else "\r>"
            try:
                client.sendall(f"{answer}{end}".encode("latin-1"))
            except OSError:
                self._lose(client)

    def _lose(self, client: socket.socket) -> None:
        if client in self._clients:
            self._selector.unregister(client)
            del self._clients[client]
            client.close()


@contextmanager
def scripted() -> Iterator[ScriptedDongle]:
    """A scripted dongle, for as long as the block lasts."""
    with ScriptedDongle() as dongle:
        yield dongle


def at(dongle: ScriptedDongle, *, limits: Limits = PATIENT, command: tuple[str, ...] = HURRIED) -> DongleLink:
    """A link to a scripted dongle."""
    return open_at(dongle.link.removeprefix("dongle:"), dongle.link, limits, command=command)
