"""Who is there: vehicle identification over UDP. Only the address that a person names is asked.

Source: ISO 13400-2, vehicle identification request and vehicle announcement.
"""

from __future__ import annotations

import selectors
import socket
import time
from dataclasses import dataclass

from decoders.errors import LinkError, UsageError
from decoders.values import doip_unit
from gateway.links.doip.place import TCP_PORT
from gateway.links.doip.wire import IDENTIFICATION, WireError, identification_request, read_datagram

_LONGEST = 0x1_0000
_MOST = 64
_VIN = slice(0, 17)
_ADDRESS = slice(17, 19)
_EID = slice(19, 25)
_ANNOUNCED = (32, 33)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entity:
    """A DoIP entity that announced itself.

    Args:
        vin: the vehicle's, as told; None where none is configured or it is no text.
        address: its own logical address, e.g. ``doip:1000``.
        eid: its identification, six bytes, usually of its network card.
        host: the IP address it answered from.
        port: the UDP port it answered from.
    """

    vin: str | None
    address: str
    eid: bytes
    host: str
    port: int


def find_entities(host: str, port: int = TCP_PORT, wait_s: float = 1.0) -> tuple[Entity, ...]:
    """Ask an address who is there and collect the answers, in order of arrival, each entity once.

    Args:
        host: name or IP address; a broadcast address asks the whole network, so a person must have named it.
        port: UDP port.
        wait_s: how long answers are collected, seconds.

    Raises:
        UsageError: the port is none.
        LinkError: nothing can be sent there.
    """
    if not 0 < port <= 0xFFFF:
        raise UsageError(f"{port} is no port", next_step="write one from 1 to 65535")
    found: dict[tuple[str, bytes, str], Entity] = {}
    until_s = time.monotonic() + wait_s
    try:
        family, _, _, _, where = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        with socket.socket(family, socket.SOCK_DGRAM) as sock, selectors.DefaultSelector() as selector:
            sock.setblocking(False)
            if family == socket.AF_INET:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            selector.register(sock, selectors.EVENT_READ)
            sock.sendto(identification_request(), where)
            while len(found) < _MOST and (left_s := until_s - time.monotonic()) > 0:
                if selector.select(left_s) and (entity := _heard(sock)) is not None:
                    found.setdefault((entity.address, entity.eid, entity.host), entity)
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise LinkError(
            f"nobody can be asked at {host}, port {port}: {reason}",
            next_step="check host and port, and that the network is up",
        ) from error
    return tuple(found.values())


def _heard(sock: socket.socket) -> Entity | None:
    try:
        data, sender = sock.recvfrom(_LONGEST)
    except (BlockingIOError, ConnectionError):  # some systems tell here that nobody listens at the other end
        return None
    try:
        message = read_datagram(data, time.perf_counter_ns())
    except WireError:
        return None
    body = message.body
    if message.kind != IDENTIFICATION or len(body) not in _ANNOUNCED:
        return None
    # doipclient's class cannot tell a VIN that is no text: the bytes are taken from where the table puts them.
    number = int.from_bytes(body[_ADDRESS], "big")
    return Entity(vin=_text(body[_VIN]), address=doip_unit(number), eid=body[_EID], host=sender[0], port=sender[1])


def _text(vin: bytes) -> str | None:
    told = vin.decode("ascii", "replace")
    return told if told.isascii() and told.isalnum() else None
