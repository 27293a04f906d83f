"""The tap before a port: what passes it, what is told, when it ends a wait. The port is pyserial's own loop."""

from __future__ import annotations

import contextvars
import threading
import time
from collections.abc import Iterator, Mapping

import pytest

from gateway.links.dongle.gate import GATE, Gate, TapError
from gateway.links.dongle.messages import Say, Why
from gateway.links.dongle.protocol_tap import Serial


class Tapped:
    """A tap before a loop: what is written comes back."""

    def __init__(self) -> None:
        self.told: list[Mapping[str, object]] = []
        self.gate = Gate(self.told.append)
        self.gate.open_for("010C", quiet_ms=2000, ceiling_ms=2000)
        self.port = self.opened("loop://")

    def opened(self, url: str) -> Serial:
        def make() -> Serial:
            GATE.set(self.gate)
            port = Serial(None, timeout=1)
            port.port = f"tap://{url}"
            port.open()
            return port

        return contextvars.copy_context().run(make)

    def says(self, kind: Say) -> list[object]:
        """The data or reasons of what was told so."""
        return [told.get("data", told.get("why")) for told in self.told if told["say"] == kind]


@pytest.fixture
def tapped() -> Iterator[Tapped]:
    tap = Tapped()
    yield tap
    tap.port.close()


def test_every_byte_written_and_read_is_told(tapped: Tapped) -> None:
    tapped.port.write(b"ATZ\r")
    assert b"ATZ\r" == tapped.port.read(4)
    assert [b"ATZ\r".hex()] == tapped.says(Say.WROTE)
    assert b"ATZ\r" == b"".join(bytes.fromhex(str(data)) for data in tapped.says(Say.HEARD))
    times = [int(str(told["at"])) for told in tapped.told]
    assert times == sorted(times)


def test_what_is_thrown_away_unread_is_told_too(tapped: Tapped) -> None:
    tapped.port.write(b"ATZ\r")
    tapped.port.flushInput()
    assert 0 == tapped.port.in_waiting
    assert b"ATZ\r" == b"".join(bytes.fromhex(str(data)) for data in tapped.says(Say.HEARD))


@pytest.mark.parametrize("written", [b"\r", b"04\r", b"010D\r", b"010C1\r", b"ATPP0CON\r", b"\x7f\x7f"])
def test_what_is_not_on_the_list_never_reaches_the_port(tapped: Tapped, written: bytes) -> None:
    with pytest.raises(TapError):
        tapped.port.write(written)
    assert ([], []) == (tapped.says(Say.BEGUN), tapped.says(Say.WROTE))
    assert [Why.REFUSED] == tapped.says(Say.BROKEN)
    with pytest.raises(TapError):
        tapped.port.write(b"ATZ\r")
    assert [] == tapped.says(Say.WROTE)


def test_a_request_passes_once(tapped: Tapped) -> None:
    tapped.port.write(b"010C\r")
    with pytest.raises(TapError):
        tapped.port.write(b"010C\r")
    assert [b"010C\r".hex()] == tapped.says(Say.WROTE)


def test_what_would_be_stored_goes_out_in_the_form_that_is_not(tapped: Tapped) -> None:
    assert len(b"ATSP0\r") == tapped.port.write(b"ATSP0\r")
    assert b"ATTP0\r" == tapped.port.read(6)


def test_after_the_prompt_a_read_does_not_wait(tapped: Tapped) -> None:
    tapped.gate.open_for(">", quiet_ms=60_000, ceiling_ms=60_000)
    tapped.port.timeout = 50
    tapped.port.write(b">\r")
    assert b">\r" == tapped.port.read(1024)
    began_s = time.monotonic()
    assert b"" == tapped.port.read(1)
    assert time.monotonic() - began_s < 10


def test_a_read_ends_by_its_own_time_out(tapped: Tapped) -> None:
    tapped.port.timeout = 0.01
    assert b"" == tapped.port.read(1)
    assert [] == tapped.says(Say.BROKEN)


@pytest.mark.parametrize(("quiet_ms", "ceiling_ms"), [(50, 60_000), (60_000, 50)])
def test_at_the_deadline_the_tap_raises(tapped: Tapped, quiet_ms: int, ceiling_ms: int) -> None:
    tapped.port.timeout = None
    tapped.gate.open_for(None, quiet_ms=quiet_ms, ceiling_ms=ceiling_ms)
    with pytest.raises(TapError):
        tapped.port.read(1)
    assert [Why.SILENT] == tapped.says(Say.BROKEN)


def test_a_wait_ends_when_the_link_wants_no_more(tapped: Tapped) -> None:
    tapped.port.timeout = None
    tapped.gate.open_for(None, quiet_ms=60_000, ceiling_ms=60_000)
    threading.Timer(0.05, tapped.gate.given_up.set).start()
    with pytest.raises(TapError):
        tapped.port.read(1)
    assert [Why.GIVEN_UP] == tapped.says(Say.BROKEN)


def test_a_port_that_is_not_there_is_told(tapped: Tapped) -> None:
    with pytest.raises(OSError, match="could not open port"):
        tapped.opened("/dev/mendproof-no-such-port")
    assert [Why.PORT] == tapped.says(Say.BROKEN)


def test_a_closed_port_is_told(tapped: Tapped) -> None:
    tapped.port.close()
    with pytest.raises(TapError):
        tapped.port.read(1)
    assert [Why.LOST] == tapped.says(Say.BROKEN)
