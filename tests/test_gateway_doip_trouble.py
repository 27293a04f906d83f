"""The DoIP link when the gateway is broken, rude or gone: a bounded end, a clear line, no answer made of nothing."""

from __future__ import annotations

import os
import socket
import threading
import time
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from doip_help import packet
from doip_link_help import LIMITS, NO_CODES, PENDING, READ, VIN, FakeEntity, Talk, ask, ask_all, connect, plan, polite
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import LinkError
from decoders.values import AnswerKind, Exchange, Outcome
from gateway.links import Limits
from gateway.links.doip.connection import Connection

UNIT = "doip:1010"
QUICK = Limits(p2_ms=60, p2_star_ms=100, n_cr_ms=80, n_bs_ms=80, ceiling_ms=400, functional_ms=60, connect_ms=400)
PATIENT = replace(LIMITS, p2_ms=3000, n_bs_ms=3000)
"""Where an answer comes, which ends the wait, or the end of the connection does."""
HONEST = {Outcome.DAMAGED, Outcome.UNSENT}


def outcomes(kept: list[Exchange]) -> list[Outcome | None]:
    return [exchange.outcome for exchange in kept]


# --- the connection ends in the middle ---


def test_a_closed_connection_damages_what_was_under_way_and_is_opened_again() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        if len(entity.requests) == 2:
            talk.ack(unit)
            talk.hang_up()
        else:
            polite(talk, unit, data)

    with FakeEntity(script) as entity, connect(entity.link) as link:
        first, cut, after = ask(link, VIN, READ, VIN, limits=PATIENT)
        assert 2 == entity.connections
    assert [Outcome.ANSWERED, Outcome.DAMAGED, Outcome.ANSWERED] == outcomes([first, cut, after])
    assert "the gateway closed the connection" == cut.trouble


def test_a_reset_connection_likewise() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        if len(entity.requests) == 1:
            talk.reset()
        else:
            polite(talk, unit, data)

    with FakeEntity(script) as entity, connect(entity.link) as link:
        cut, after = ask(link, READ, VIN, limits=PATIENT)
    assert [Outcome.DAMAGED, Outcome.ANSWERED] == outcomes([cut, after])
    assert "connection" in str(cut.trouble)


def test_an_answer_that_came_before_the_end_counts() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        polite(talk, unit, data)
        talk.hang_up()

    with FakeEntity(script) as entity, connect(entity.link) as link:
        assert [Outcome.ANSWERED] == outcomes(ask(link, READ, limits=PATIENT))


def test_a_gateway_that_hangs_up_on_every_request_is_given_up() -> None:
    with FakeEntity(lambda talk, *_: talk.hang_up()) as entity, connect(entity.link) as link:
        kept = ask_all(link, {UNIT: [READ] * 5, "doip:1020": [READ] * 5}, limits=PATIENT)
        assert 2 == entity.connections
    assert Outcome.DAMAGED is kept[0].outcome
    assert Outcome.UNSENT is kept[-1].outcome
    assert HONEST == set(outcomes(kept))
    assert 10 == len(kept)
    assert "again after it was opened once more" in str(kept[-1].trouble)


def test_a_gateway_that_is_gone_leaves_the_rest_unsent() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        entity.stop_listening()
        talk.hang_up()

    with FakeEntity(script) as entity, connect(entity.link) as link:
        kept = ask(link, READ, VIN, READ, limits=PATIENT)
        again = ask(link, VIN)
    assert [Outcome.DAMAGED, Outcome.UNSENT, Outcome.UNSENT] == outcomes(kept)
    assert "cannot be opened again" in str(kept[1].trouble)
    assert [Outcome.UNSENT] == outcomes(again)


def test_a_connection_that_ended_between_two_runs_is_opened_again_before_anything_is_sent() -> None:
    talks: list[Talk] = []

    def script(talk: Talk, unit: int, data: bytes) -> None:
        talks.append(talk)
        polite(talk, unit, data)

    with FakeEntity(script) as entity, connect(entity.link) as link:
        first = ask(link, READ, limits=PATIENT)
        talks[0].hang_up()
        time.sleep(0.05)
        second = ask(link, READ, limits=PATIENT)
        assert 2 == entity.connections
    assert [Outcome.ANSWERED] * 2 == outcomes([*first, *second])


def test_a_stop_while_it_is_opened_again_is_obeyed_and_the_next_run_tries_again() -> None:
    stop = threading.Event()
    kept: list[Exchange] = []

    def activate(talk: Talk) -> None:
        if entity.connections == 2:
            stop.set()  # and never an answer
        else:
            talk.activated()

    def script(talk: Talk, unit: int, data: bytes) -> None:
        if entity.connections == 1:
            talk.hang_up()
        else:
            polite(talk, unit, data)

    with FakeEntity(script, activate=activate) as entity, connect(entity.link) as link:
        begun_s = time.perf_counter()
        link.run({"a": plan(UNIT, READ, VIN)}, kept.append, stop, replace(PATIENT, connect_ms=30_000))
        assert time.perf_counter() - begun_s < 5
        assert [Outcome.DAMAGED, Outcome.UNSENT] == outcomes(kept)
        assert [Outcome.ANSWERED] == outcomes(ask(link, READ, limits=PATIENT))


# --- the gateway cannot be understood ---


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("0500800100000006", "no DoIP version known here"),
        ("02FE800100000006", "no DoIP header"),
        ("02FD8001FFFFFFFF", "more than this link takes"),
        (packet("8001", "1010"), "8001 with 2 bytes"),
        (packet("8002", "1010"), "8002 with 2 bytes"),
        (packet("8003", "1010 0E80"), "8003 with 4 bytes"),
        ("474554202F20485454502F312E31", "no DoIP version known here"),
    ],
)
def test_rubble_ends_the_connection_and_nobody_is_called_silent(data: str, words: str) -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        talk.raw(bytes.fromhex(data))
        talk.answer(unit, NO_CODES)

    with FakeEntity(script) as entity, connect(entity.link) as link:
        (exchange,) = ask(link, READ, limits=PATIENT)
    assert Outcome.DAMAGED is exchange.outcome
    assert words in str(exchange.trouble)


def test_half_a_message_makes_no_unit_silent() -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        if len(entity.requests) == 2:
            talk.raw(bytes.fromhex(packet("8001", "1020 0E80 5902FF"))[:-1])

    with FakeEntity(script) as entity, connect(entity.link) as link:
        kept = ask_all(link, {UNIT: [READ], "doip:1020": [READ]}, limits=replace(PATIENT, n_cr_ms=80))
    assert [Outcome.DAMAGED] * 2 == outcomes(kept)
    assert {"the gateway stopped in the middle of a message"} == {exchange.trouble for exchange in kept}


def test_messages_of_kinds_nobody_knows_are_passed_over() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.send("F001", "00" * 40)
        talk.send("4002", "00 01 01")
        polite(talk, unit, data)

    with FakeEntity(script) as entity, connect(entity.link) as link:
        assert [Outcome.ANSWERED] == outcomes(ask(link, READ, limits=PATIENT))


def test_alive_checks_are_answered_while_a_unit_thinks() -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        talk.send("0007")
        talk.answer(unit, PENDING)
        time.sleep(0.2)
        talk.answer(unit, NO_CODES)

    with FakeEntity(script) as entity, connect(f"{entity.link}?tester=0EFE") as link:
        (exchange,) = ask(link, READ, limits=PATIENT)
    assert Outcome.ANSWERED is exchange.outcome
    assert [packet("0005", "0EFE 00 00000000"), packet("0008", "0EFE")] == entity.said


# --- floods ---


def flooding(talk: Talk, what: bytes) -> None:
    """Send the same for at most two seconds, or until the other end has gone."""
    until_s = time.monotonic() + 2
    while time.monotonic() < until_s and talk.raw(what * 200):
        pass


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("0007", ""),
        ("8002", "1010 0E80 00"),
        ("8001", "1010 0E80 7F1978"),
        ("8001", "1010 0E80 7E00"),
        ("8001", "1030 0E80 5902FF"),
    ],
    ids=["alive checks", "acknowledgements", "pending", "strays", "another unit"],
)
def test_a_flood_ends_in_bounded_time_and_is_no_answer(kind: str, body: str) -> None:
    def script(talk: Talk, unit: int, _: bytes) -> None:
        talk.ack(unit)
        flooding(talk, bytes.fromhex(packet(kind, body)))

    with FakeEntity(script) as entity, connect(entity.link) as link:
        begun_s = time.perf_counter()
        (exchange,) = ask(link, READ, limits=QUICK)
        assert time.perf_counter() - begun_s < 10
    assert exchange.outcome in {Outcome.DAMAGED, Outcome.SILENT}
    assert not {AnswerKind.POSITIVE, AnswerKind.NEGATIVE} & {answer.kind for answer in exchange.answers}
    assert len(exchange.answers) <= 10_000


def test_a_gateway_that_stops_reading_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = socket.socket.setsockopt

    def with_little_room(sock: socket.socket, level: int, name: int, value: int) -> None:
        plain(sock, level, name, value)
        if name == socket.TCP_NODELAY:  # the link's own end of the connection
            plain(sock, socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)

    monkeypatch.setattr(socket.socket, "setsockopt", with_little_room)
    # The one answer of each connection has 5 ms: where the machine holds one up, all is tried again.
    for _ in range(3):
        kept = asked_of_one_that_stops_reading()
        if outcomes(kept).count(Outcome.ANSWERED) == 3:
            break
    assert set(outcomes(kept)) - {Outcome.ANSWERED} <= HONEST
    assert 3 == outcomes(kept).count(Outcome.ANSWERED)
    assert 32 * 5 == len(kept)
    assert {"the gateway never acknowledged the request", "the gateway did not take the whole request"} < {
        exchange.trouble for exchange in kept
    }
    assert any("takes nothing any more" in str(exchange.trouble) for exchange in kept)
    assert "again after it was opened once more" in str(kept[-1].trouble)


def asked_of_one_that_stops_reading() -> list[Exchange]:
    over = threading.Event()

    def reads_one(talk: Talk, unit: int, _: bytes) -> None:
        if entity.connections <= 3:
            talk.ack(unit)
            talk.answer(unit, NO_CODES)
        over.wait(30)

    with FakeEntity(reads_one, receive_bytes=4096) as entity, connect(entity.link) as link:
        units = {f"doip:{0x1000 + n:04X}": [READ + bytes(4000)] * 5 for n in range(32)}
        begun_s = time.perf_counter()
        kept = ask_all(link, units, limits=Limits(p2_ms=5, n_bs_ms=5, ceiling_ms=300, connect_ms=5000))
        assert time.perf_counter() - begun_s < 30
        over.set()
    return kept


def test_what_the_other_end_does_not_take_now_is_not_sent_later() -> None:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    theirs.settimeout(0.2)
    connection = Connection(ours, 0x02)
    with closing(theirs), closing(connection):
        with suppress(BlockingIOError):
            while True:
                ours.send(bytes(0x1_0000))
        assert connection.put(b"later") is False
        assert not connection.sending
        with suppress(TimeoutError):
            while b"later" not in theirs.recv(0x10_0000):
                connection.read(0)
        assert connection.put(b"now") is True
        assert b"now" == theirs.recv(100)


def test_what_a_lost_connection_did_not_take_was_not_sent() -> None:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    theirs.close()
    with closing(Connection(ours, 0x02)) as connection:
        assert connection.put(b"too late") is False
        assert connection.lost is not None


# --- whatever comes ---

PIECES = st.lists(
    st.one_of(
        st.binary(min_size=1, max_size=60),
        st.builds(
            lambda kind, body: bytes.fromhex(packet(kind, body.hex())),
            st.sampled_from(["0000", "0004", "0006", "0007", "8001", "8002", "8003", "F00F"]),
            st.one_of(st.binary(max_size=40), st.binary(max_size=8).map(lambda tail: b"\x10\x10\x0e\x80" + tail)),
        ),
    ),
    max_size=5,
)


@settings(max_examples=40, deadline=None)
@given(PIECES, st.booleans())
def test_nothing_that_comes_raises_and_only_the_right_answer_is_one(pieces: list[bytes], acknowledges: bool) -> None:
    tight = Limits(p2_ms=8, p2_star_ms=15, n_cr_ms=8, n_bs_ms=8, ceiling_ms=50, functional_ms=8, connect_ms=1000)

    def script(talk: Talk, unit: int, _: bytes) -> None:
        if acknowledges:
            talk.ack(unit)
        talk.raw(b"".join(pieces))

    with FakeEntity(script) as entity, connect(entity.link) as link:
        kept = ask(link, READ, VIN, limits=tight)
    assert 2 == len(kept)
    for exchange in kept:
        if exchange.outcome is Outcome.ANSWERED:
            assert exchange.positive is not None
            assert bytes([exchange.request[0] + 0x40]) == exchange.positive[:1]
        elif exchange.outcome is Outcome.REFUSED:
            assert bytes([0x7F, exchange.request[0]]) == exchange.answers[-1].data[:2]
        elif exchange.outcome is Outcome.SILENT:
            assert acknowledges or any(piece[2:4] == b"\x80\x02" for piece in pieces)


@settings(max_examples=30, deadline=None)
@given(PIECES)
def test_nothing_that_comes_while_it_is_opened_is_more_than_a_link_error(pieces: list[bytes]) -> None:
    def activate(talk: Talk) -> None:
        talk.raw(b"".join(pieces))
        talk.hang_up()

    granted = b"\x00\x06"  # the type of a real answer, which the pieces may hold
    with FakeEntity(activate=activate) as entity:
        if any(piece[2:4] == granted for piece in pieces):
            with suppress(LinkError):
                connect(entity.link, QUICK).close()
        else:
            with pytest.raises(LinkError) as caught:
                connect(entity.link, QUICK)
            assert caught.value.next_step


# --- nothing is left behind ---


def test_fifty_links_leave_nothing_open() -> None:
    folder = Path("/proc/self/fd")
    with FakeEntity() as entity:
        threads = threading.active_count()

        def ours() -> int:
            # The entity's own ends stay open until it closes: count only what is not its.
            return len(os.listdir(folder)) - entity.connections if folder.is_dir() else 0

        before = ours()
        for _ in range(50):
            with connect(entity.link) as link:
                assert [Outcome.ANSWERED] == outcomes(ask(link, READ, limits=PATIENT))
        assert before >= ours()
        assert threads + 50 >= threading.active_count()
