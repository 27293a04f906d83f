"""Opening a DoIP link: its address, the routing activation, encryption, and who is there at all."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from doip_help import new_desk, packet
from doip_link_help import LIMITS, READ, SOON, FakeEntity, Talk, ask, connect, refused
from warning_lamps_help import VIN as TOLD_VIN

from decoders.errors import LinkError, UsageError
from decoders.values import Outcome
from gateway.links import Limits, open_link, parse_link
from gateway.links.doip import Entity, find_entities
from gateway.links.doip.place import Place, read_place
from simulators.doip import DoipDoor

NEVER = Limits(connect_ms=1000)
"""Where something comes, and what is waited for never does."""

# --- the address ---

USUAL = Place(host="192.0.2.1", port=13400, tester=0x0E80, group=0xE400)


@pytest.mark.parametrize(
    ("rest", "place"),
    [
        ("192.0.2.1", USUAL),
        ("192.0.2.1:13401", replace(USUAL, port=13401)),
        ("car.example", replace(USUAL, host="car.example")),
        ("[2001:db8::1]", replace(USUAL, host="2001:db8::1")),
        ("[2001:db8::1]:80", replace(USUAL, host="2001:db8::1", port=80)),
        ("192.0.2.1?tester=0e00&group=E400", replace(USUAL, tester=0x0E00)),
        ("192.0.2.1?group=none", replace(USUAL, group=None)),
        ("192.0.2.1?tls=unverified", replace(USUAL, port=3496, tls=True)),  # ISO 13400-2:2019, port of its own
        ("192.0.2.1:1?tls=1&ca=/etc/a.pem", replace(USUAL, port=1, tls=True, ca=Path("/etc/a.pem"))),
    ],
)
def test_an_address_says_where_and_as_whom(rest: str, place: Place) -> None:
    address = parse_link(f"doip:{rest}")
    assert f"doip:{rest}" == address.text
    assert place == read_place(address)


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        ("?tester=0E80", "no host"),
        (":13400", "no host"),
        ("2001:db8::1", "no host"),
        ("[2001:db8::1", "no host"),
        ("host:0", "0 is no port"),
        ("host:65536", "65536 is no port"),
        ("host:port", "no host"),
        ("host?speed=1", "no option 'speed'"),
        ("host?ca=", "'ca' says nothing"),
        ("host?tester=1000", "tester=1000 is no tester address"),
        ("host?tester=E80", "tester=E80 is no tester address"),
        ("host?group=1000", "group=1000 is no group address"),
        ("host?tls=1", "tls=1 without ca="),
        ("host?ca=a.pem", "tls=0 with ca="),
        ("host?tls=unverified&ca=a.pem", "tls=unverified with ca="),
        ("host?tls=yes", "tls=yes without ca="),
    ],
)
def test_an_address_that_cannot_be_meant_is_refused_with_what_to_write(rest: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        connect(f"doip:{rest}")
    assert words in caught.value.message
    assert caught.value.next_step


def test_the_opener_is_found_by_the_kind_and_gives_the_name_it_is_told() -> None:
    with FakeEntity() as entity, open_link(entity.link, limits=LIMITS, shown_as="doip:somewhere") as link:
        assert "doip:somewhere" == link.address
        assert ["doip:somewhere"] == [exchange.link for exchange in ask(link, READ)]


# --- the routing activation ---


def test_the_default_type_is_asked_for_the_usual_tester_or_the_one_named() -> None:
    with FakeEntity() as entity:
        connect(entity.link).close()
        connect(f"{entity.link}?tester=0EFE").close()
    # ISO 13400-2: source address, activation type 00, four reserved bytes.
    assert [packet("0005", "0E80 00 00000000"), packet("0005", "0EFE 00 00000000")] == entity.said


@pytest.mark.parametrize(
    ("code", "words", "next_step"),
    [
        (0x00, "does not know the tester address 0E80 (code 00)", "?tester="),
        (0x01, "all its connections are in use (code 01)", "end the other"),
        (0x02, "active for another tester address than 0E80 (code 02)", "open the link again"),
        (0x03, "0E80 is in use on another connection (code 03)", "end the other"),
        (0x04, "asks for an authentication first (code 04)", "CAN"),
        (0x05, "was rejected (code 05)", "confirm it at the vehicle"),
        (0x06, "does not know the activation type 00 (code 06)", "CAN"),
        (0x07, "an encrypted connection (code 07)", "?tls=1&ca=FILE"),
        (0x5A, "not in the standard (code 5A)", "CAN"),
    ],
)
def test_each_denial_is_named_with_what_to_do(code: int, words: str, next_step: str) -> None:
    with FakeEntity(activate=lambda talk: talk.activated(code)) as entity:
        error = refused(entity, limits=LIMITS)
    assert words in error.message
    assert next_step in error.next_step


def test_a_confirmation_at_the_vehicle_is_waited_for_and_asked_for_again() -> None:
    def activate(talk: Talk) -> None:
        talk.activated(0x11 if len(entity.said) < 2 else 0x10)

    with FakeEntity(activate=activate) as entity, connect(entity.link, Limits(connect_ms=20_000)) as link:
        assert [Outcome.ANSWERED] == [
            exchange.outcome for exchange in ask(link, READ, limits=replace(LIMITS, p2_ms=3000, n_bs_ms=3000))
        ]
        assert (1, 2) == (entity.connections, len(entity.said))


def test_a_confirmation_that_never_comes_is_told() -> None:
    with FakeEntity(activate=lambda talk: talk.activated(0x11)) as entity:
        assert "waits for a confirmation at the vehicle" in refused(entity, limits=NEVER).message


def test_an_entity_that_takes_the_connection_and_says_nothing() -> None:
    with FakeEntity(activate=lambda _: None) as entity:
        assert "never answered the routing activation" in refused(entity, limits=NEVER).message


def test_an_alive_check_before_the_activation_is_answered() -> None:
    def activate(talk: Talk) -> None:
        talk.send("0007")
        talk.activated()

    with FakeEntity(activate=activate) as entity, connect(entity.link) as link:
        ask(link, READ)
        assert packet("0008", "0E80") in entity.said


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (packet("0000", "01"), "does not know this type of message (01)"),
        (packet("0000", "5A"), "not in the standard (5A)"),
        (packet("0006", "0E80"), "type 0006 with 2 bytes"),
        (packet("0006", "0E80 1000 10 00000000", version="05FA"), "no DoIP version known here"),
        (b"SSH-2.0-somebody\r\n".hex(), "no DoIP version known here"),
        ("02FF", "no DoIP header"),
    ],
)
def test_who_speaks_something_else_is_not_taken_for_a_gateway(data: str, words: str) -> None:
    with FakeEntity(activate=lambda talk: talk.raw(bytes.fromhex(data))) as entity:
        assert words in refused(entity, limits=LIMITS).message


def test_who_hangs_up_is_told() -> None:
    with FakeEntity(activate=Talk.hang_up) as entity:
        assert "closed the connection before the routing was activated" in refused(entity, limits=LIMITS).message


def test_another_version_is_tried_where_the_usual_one_is_not_known() -> None:
    def activate(talk: Talk) -> None:
        version = entity.said[-1][:4]
        if version == "03FC":
            talk.raw(bytes.fromhex(packet("0006", "0E80 1000 10 00000000", version)))
        else:
            talk.send("0000", "00")
            talk.hang_up()

    with FakeEntity(activate=activate) as entity, connect(entity.link) as link:
        ask(link, READ, limits=replace(LIMITS, n_bs_ms=100))
        assert ["02FD", "03FC"] == [message[:4] for message in entity.said]


def test_who_knows_no_version_is_given_up() -> None:
    with FakeEntity(activate=lambda talk: talk.send("0000", "00")) as entity:
        assert "none of the versions" in refused(entity, limits=LIMITS).message
    assert 3 == entity.connections


def test_a_port_where_nobody_listens_and_a_host_that_is_none() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        for text, words in (
            (f"doip:127.0.0.1:{taken.getsockname()[1]}", "cannot connect to 127.0.0.1:"),
            ("doip:no host", "there is no host 'no host'"),
        ):
            with pytest.raises(LinkError) as caught:
                connect(text, SOON)
            assert words in caught.value.message
            assert "key is on" in caught.value.next_step


def test_a_host_that_takes_no_connection_ends_in_bounded_time() -> None:
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        where = full.getsockname()
        fillers = [socket.socket() for _ in range(4)]
        try:
            for filler in fillers:
                filler.setblocking(False)
                filler.connect_ex(where)
            begun_s = time.perf_counter()
            with pytest.raises(LinkError):
                connect(f"doip:127.0.0.1:{where[1]}", SOON)
            assert time.perf_counter() - begun_s < 10
        finally:
            for filler in fillers:
                filler.close()


# --- who is there ---


def test_the_bench_is_found_by_asking_its_port() -> None:
    with DoipDoor(new_desk()) as door:
        found = find_entities("127.0.0.1", door.udp_port, 0.8)
    bench = Entity(vin=TOLD_VIN, address="doip:1000", eid=b"\x02BENCH", host="127.0.0.1", port=door.udp_port)
    assert (bench,) == found


@pytest.fixture
def announcing() -> Iterator[Callable[[list[bytes]], int]]:
    """Somebody on UDP who answers the next request with these datagrams; gives the port."""
    sockets, threads = [], []

    def begin(datagrams: list[bytes]) -> int:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(10)

        def serve() -> None:
            request, sender = sock.recvfrom(100)
            # ISO 13400-2: version FF for a request from whoever does not know the version yet.
            if request == bytes.fromhex(packet("0001", version="FF00")):
                for datagram in datagrams:
                    sock.sendto(datagram, sender)

        threads.append(threading.Thread(target=serve))
        threads[-1].start()
        sockets.append(sock)
        return int(sock.getsockname()[1])

    yield begin
    for thread in threads:
        thread.join(10)
    for sock in sockets:
        sock.close()


def announcement(vin: bytes, number: int, eid: str = "020000000001", tail: str = "00") -> bytes:
    # ISO 13400-2: VIN, logical address, EID, GID, further action required, with or without synchronisation status.
    return bytes.fromhex(packet("0004", f"{vin.hex()} {number:04X} {eid} FFFFFFFFFFFF 00 {tail}"))


def test_everybody_who_answers_is_told_once(announcing: Callable[[list[bytes]], int]) -> None:
    vin = b"ZZ9ZZ9ZZ6NZ000023"
    port = announcing(
        [
            announcement(vin, 0x1000),
            announcement(vin, 0x1000),
            announcement(bytes(17), 0x2000, tail=""),
            announcement(b"\xff" * 17, 0x3000),
        ]
    )
    found = find_entities("127.0.0.1", port, 0.8)
    expected = [(vin.decode(), "doip:1000"), (None, "doip:2000"), (None, "doip:3000")]
    assert expected == [(entity.vin, entity.address) for entity in found]


def test_what_is_no_announcement_is_passed_over(announcing: Callable[[list[bytes]], int]) -> None:
    whole = announcement(b"ZZ9ZZ9ZZ6NZ000023", 0x1000)
    port = announcing([b"", b"\x00", whole[:-1], whole + b"\0", bytes.fromhex(packet("4002", "00 01 01")), bytes(60)])
    assert () == find_entities("127.0.0.1", port, 0.2)


def test_where_nobody_listens_nobody_is_found() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mute:
        mute.bind(("127.0.0.1", 0))
        port = mute.getsockname()[1]
    assert () == find_entities("127.0.0.1", port, 0.1)


def test_what_cannot_be_asked_is_told() -> None:
    with pytest.raises(LinkError) as caught:
        find_entities("no host", wait_s=0.1)
    assert "check host and port" in caught.value.next_step
    with pytest.raises(UsageError, match="70000 is no port"):
        find_entities("127.0.0.1", 70_000, 0.1)
