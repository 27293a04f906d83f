"""Whether an slcan adapter is at a port at all: what shows it and what does not; the other side is scripted here."""

from __future__ import annotations

import gc
import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress

import can
import pytest
import serial
from can_start_help import close_at_once

from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, Request
from gateway.bench_port import find_bench
from gateway.links import Limits, Link, Plan, open_link
from gateway.links.can.link import CanLink
from gateway.links.can.ports.slcan import SlcanBus
from gateway.links.can.start import StartUp

IMPATIENT = Limits(listen_ms=30, functional_ms=30, connect_ms=3000)
# Who is there is believed at once, so that patience costs nothing and a loaded machine makes nobody mute.
PATIENT = Limits(listen_ms=40, functional_ms=40, connect_ms=150_000)
GIVEN, LOOKED_FOR = "?bitrate=500000", ""
BOTH = pytest.mark.parametrize("options", [GIVEN, LOOKED_FOR])
FRAME = b"t1A021122\r"
QUESTION, ANSWER = b"t7DF8", b"t7E8806410000000000AA\r"
HTTP = b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n"

Script = Callable[[bytes], bytes]
"""What the other side writes to a line, which is given without its end."""


def mute(_: bytes) -> bytes:
    return b""


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    close_at_once(monkeypatch)


class Peer:
    """Somebody at a TCP port, for one client after another.

    Args:
        script: what it writes to each line.
        greeting: what it writes before, once it is spoken to: what came earlier is thrown away when a port is opened.
        hangs_up: True if it then closes.
    """

    def __init__(self, script: Script = mute, *, greeting: bytes = b"", hangs_up: bool = False) -> None:
        self._script, self._greeting, self._hangs_up = script, greeting, hangs_up
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self.link = f"can:slcan:{self.port}"
        self.lines: list[bytes] = []
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                with client, suppress(OSError):
                    self._talk(client)

    def _talk(self, client: socket.socket) -> None:
        begun, greeting = b"", self._greeting
        while piece := client.recv(4096):
            client.sendall(greeting)
            if self._hangs_up:
                return
            greeting = b""
            *lines, begun = (begun + piece).split(b"\r")
            for line in lines:
                self.lines.append(line)
                client.sendall(self._script(line))

    def close(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(10)


@contextmanager
def peer(script: Script = mute, *, greeting: bytes = b"", hangs_up: bool = False) -> Iterator[Peer]:
    there = Peer(script, greeting=greeting, hangs_up=hangs_up)
    try:
        yield there
    finally:
        there.close()


def start_up_of(link: Link) -> StartUp | None:
    assert isinstance(link, CanLink)
    return link.start_up


def ask(link: Link, times: int = 1) -> list[Exchange]:
    def plan() -> Plan:
        for _ in range(times):
            yield Request("7E0/7E8", bytes.fromhex("1902FF"))

    kept: list[Exchange] = []
    limits = Limits(p2_ms=100, late_ms=0, retries=0)
    link.run({"unit": plan()}, kept.append, threading.Event(), limits)
    return kept


def to_frames(reply: bytes) -> Script:
    return lambda line: reply if line.startswith(b"t") else b""


def to_version(reply: bytes) -> Script:
    return lambda line: reply if line == b"V" else b""


# --- who is no adapter ---


@BOTH
def test_a_server_that_says_nothing_is_no_adapter(options: str) -> None:
    with peer() as there, pytest.raises(LinkError) as caught:
        open_link(there.link + options, limits=IMPATIENT)
    assert f"nothing at {there.port} answers as an slcan adapter does" == caught.value.message
    assert f"dongle:{there.port}" in caught.value.next_step
    assert "mendproof links" in caught.value.next_step


OTHERS: dict[str, Script] = {
    "OK with CR": lambda _: b"OK\r",
    "OK with CR LF": lambda _: b"OK\r\n",
    "OK with LF": lambda _: b"OK\n",
    "OK with two CR": lambda _: b"OK\r\r",
    "an empty line with CR LF": lambda _: b"\r\n",
    "a page to each line": lambda _: HTTP,
    "AT commands": lambda _: b"?\r\r>",
    "AT commands with line feeds": lambda _: b"?\r\n\r\n>",
    "AT commands with echo": lambda line: line + b"\r?\r\r>",
    "AT commands to an empty line too": lambda line: b"?\r\r>" if line else b"\r>",
    "an echo": lambda line: line + b"\r",
    "a prompt": lambda _: b">",
    "a prompt behind CR": lambda _: b"\r>",
    "words that begin as frames do": lambda _: b"true\rdone\rbad\rReady\rVersion 2\rNODATA\r",
    "nothing but bytes": lambda _: bytes(range(256)),
    "bytes without an end": lambda _: b"U" * 500,
}


@pytest.mark.parametrize(
    ("other", "options"), [*((other, GIVEN) for other in OTHERS), ("OK with CR", LOOKED_FOR), ("an echo", LOOKED_FOR)]
)
def test_what_writes_something_else_is_no_adapter(other: str, options: str) -> None:
    with peer(OTHERS[other]) as there, pytest.raises(LinkError) as caught:
        open_link(there.link + options, limits=IMPATIENT)
    assert caught.value.message.startswith(f"what {there.port} writes is not slcan")
    assert f"dongle:{there.port}" in caught.value.next_step


@pytest.mark.parametrize(("hangs_up", "options"), [(False, GIVEN), (True, GIVEN), (True, LOOKED_FOR)])
@pytest.mark.parametrize("greeting", [HTTP, b"\r\rDevice v1.5\r\r>", b"login: ", bytes(range(128, 256)) * 8])
def test_a_greeting_that_is_no_slcan_is_no_adapter(greeting: bytes, options: str, *, hangs_up: bool) -> None:
    with peer(greeting=greeting, hangs_up=hangs_up) as there, pytest.raises(LinkError) as caught:
        open_link(there.link + options, limits=IMPATIENT)
    assert caught.value.message.startswith(f"what {there.port} writes is not slcan")


def test_the_line_shows_the_begin_of_what_is_written() -> None:
    with peer(greeting=HTTP) as there, pytest.raises(LinkError) as caught:
        open_link(there.link, limits=IMPATIENT)
    assert "'HTTP/1.1 400 Bad Request\\r\\n" in caught.value.message
    assert caught.value.message.isprintable()


@pytest.mark.skipif(os.name != "posix", reason="only POSIX systems have pseudo-terminals")
@BOTH
def test_a_bare_serial_port_is_no_adapter(options: str) -> None:
    nobody, port = os.openpty()
    try:
        name = os.ttyname(port)
        with pytest.raises(LinkError, match=f"nothing at {name} answers as an slcan adapter does") as caught:
            open_link(f"can:slcan:{name}{options}", limits=IMPATIENT)
        assert f"dongle:{name}" in caught.value.next_step
        assert f"{name}@SPEED" in caught.value.next_step
    finally:
        os.close(nobody)
        os.close(port)


def test_a_port_that_hangs_up_without_a_word_says_so() -> None:
    """It may be the bench that was ended, or an adapter that was pulled out: that is another thing than silence."""
    with peer(hangs_up=True) as there, pytest.raises(LinkError, match=there.port) as caught:
        open_link(there.link, limits=IMPATIENT)
    assert "slcan adapter" not in caught.value.message
    assert "not slcan" not in caught.value.message
    assert caught.value.next_step


def test_a_port_that_breaks_while_its_version_is_asked_for_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is left open for the garbage collector, which would tell of it at any time later."""
    write = SlcanBus._write
    ports: list[serial.SerialBase] = []

    def break_at_version(bus: SlcanBus, string: str) -> None:
        if string == "V":
            ports.append(bus.serialPortOrig)
            raise can.CanOperationError("it broke")
        write(bus, string)

    monkeypatch.setattr(SlcanBus, "_write", break_at_version)
    with peer() as there:
        with pytest.raises(LinkError, match="it broke"):
            open_link(there.link, limits=IMPATIENT)
        gc.collect()
    assert [False] == [port.is_open for port in ports]


# --- who is one: any one sign suffices ---


SIGNS: dict[str, Script] = {
    "acknowledges all": lambda _: b"\r",
    "acknowledges all but the version": lambda line: b"" if line == b"V" else b"\r",
    "refuses all": lambda _: b"\a",
    "tells its version alone": to_version(b"V1013\r"),
    "tells all": lambda line: b"V0100\r" if line == b"V" else b"\r",
    "refuses the version": lambda line: b"\a" if line == b"V" else b"\r",
    "acknowledges frames alone": to_frames(b"\r"),
    "acknowledges frames with a letter": to_frames(b"z\r"),
    "refuses frames": to_frames(b"\a"),
}


@BOTH
@pytest.mark.parametrize("sign", SIGNS)
def test_one_sign_suffices(sign: str, options: str) -> None:
    limits = IMPATIENT if "but the version" in sign or "frames" in sign else PATIENT
    with peer(SIGNS[sign]) as there, open_link(there.link + options, limits=limits) as link:
        assert link.how_opened.notice or options == GIVEN


HEARD = [
    FRAME,
    b"t1A0211221F2E\r",
    b"T18DAF11021122\r",
    b"r1A08\r",
    b"R18DAF1108\r",
    b"d1A09" + b"00" * 12 + b"\r",
    b"B18DAF1109" + b"00" * 12 + b"\r",
]


@pytest.mark.parametrize(("heard", "options"), [*((heard, GIVEN) for heard in HEARD), (FRAME, LOOKED_FOR)])
def test_a_frame_is_a_sign_even_of_one_who_answers_nothing(heard: bytes, options: str) -> None:
    with peer(greeting=b"3344\r" + heard) as there, open_link(there.link + options, limits=PATIENT):
        pass


@BOTH
@pytest.mark.parametrize("version", [b"", b"build 4 of a free firmware\r"])
def test_one_who_passes_frames_alone_is_known_by_the_answer_of_a_unit(version: bytes, options: str) -> None:
    """Some tell their version in words of their own, which anything might write; the answer of a unit tells more."""

    def cheap(line: bytes) -> bytes:
        return ANSWER if line.startswith(QUESTION) else version if line == b"V" else b""

    limits = Limits(listen_ms=30, functional_ms=300, connect_ms=6000)
    with peer(cheap) as there, open_link(there.link + options, limits=limits) as link:
        found = start_up_of(link)
    assert found is not None
    assert (500_000, True, ("7E8",)) == (found.bitrate, found.is_found, found.tried[-1].responders)


def test_with_the_rate_given_nobody_is_asked_once_there_is_a_sign() -> None:
    with peer(to_version(b"V1013\r")) as there, open_link(there.link + GIVEN, limits=PATIENT) as link:
        assert start_up_of(link) is None
    assert not [line for line in there.lines if line[:1] in b"tTdDbB" and line]
    assert 1 == there.lines.count(b"V")


def test_where_the_rate_is_given_nobody_is_told_to_give_it() -> None:
    with peer(to_frames(b"\r")) as there, open_link(there.link + GIVEN, limits=IMPATIENT) as link:
        found = start_up_of(link)
    assert found is not None
    assert "500000 bit/s" in found.words
    assert "in the link" not in found.words


@pytest.mark.parametrize("version", [b"V1013\r", b""])
def test_a_refused_frame_is_no_silence_however_the_adapter_answered_before(version: bytes) -> None:
    """What the version was answered with, or that it was not, takes no refusal away from a request."""

    def adapter(line: bytes) -> bytes:
        if line.startswith(b"t"):
            return b"\a"
        return version if line == b"V" else b"" if version else b"\r"

    limits = PATIENT if version else IMPATIENT
    with peer(adapter) as there, open_link(there.link + GIVEN, limits=limits) as link:
        (exchange,) = ask(link)
    assert Outcome.DAMAGED is exchange.outcome
    assert "refused a frame" in str(exchange.trouble)


def acknowledges_no_blank_line(line: bytes) -> bytes:
    if line == b"V":
        return b"V1013\r"
    if line.startswith(b"t"):
        return b"z\r" if line.startswith(b"t7DF") else b"\a"
    return b"z\r" if line.startswith(b"T") else b"\r" if line else b""


def acknowledges_nothing(line: bytes) -> bytes:
    if line.startswith(b"t7DF"):
        return ANSWER
    return b"\a" if line.startswith(b"t") else b""


@BOTH
@pytest.mark.parametrize("adapter", [acknowledges_no_blank_line, acknowledges_nothing])
def test_a_refused_frame_is_no_silence_where_settings_were_left_without_an_answer(
    adapter: Script, options: str
) -> None:
    with peer(adapter) as there, open_link(there.link + options, limits=IMPATIENT) as link:
        kept = ask(link, 3)
    assert [Outcome.DAMAGED] * 3 == [exchange.outcome for exchange in kept]
    assert all("refused a frame" in str(exchange.trouble) for exchange in kept)


def test_an_adapter_that_tells_its_version_in_words_of_its_own_is_one() -> None:
    with (
        peer(lambda line: b"build 4 of something free\r" if line == b"V" else b"\r") as there,
        open_link(there.link + GIVEN, limits=IMPATIENT) as link,
    ):
        assert Outcome.SILENT is ask(link)[0].outcome


def test_the_bench_is_an_adapter_and_not_asked_for_it() -> None:
    with ExitStack() as stack:
        bench = stack.enter_context(find_bench().start("warning-lamps"))
        door = bench.open_door("can")
        with open_link(door + GIVEN, limits=PATIENT) as link:
            assert start_up_of(link) is None
        with open_link(door, limits=PATIENT) as link:
            found = start_up_of(link)
    assert found is not None
    assert found.is_found
