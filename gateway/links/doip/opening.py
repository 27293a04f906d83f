"""Opening the way: connect, encrypt where that is asked for, and have the routing activated, all in bounded time.

Source: ISO 13400-2, connection establishment and routing activation; TLS: its edition of 2019.
"""

from __future__ import annotations

import os
import selectors
import socket
import ssl
import threading
import time
from dataclasses import dataclass

from decoders.errors import LinkError, UsageError
from gateway.links.base import Limits
from gateway.links.doip import words
from gateway.links.doip.connection import Connection
from gateway.links.doip.place import Place
from gateway.links.doip.wire import (
    VERSIONS,
    Activation,
    AliveCheck,
    HeaderRefused,
    WireError,
    activation_request,
    alive,
    read,
)

_STOP_POLL_S = 0.05
_ASK_AGAIN_S = 1.0
_CHECK_PLACE = "check that the key is on, the cable or network is up, and host and port are right"


class StoppedError(Exception):
    """Somebody wanted the end before the way was open."""


@dataclass(frozen=True, slots=True)
class _Patience:
    """Until when to go on, and who may end it before."""

    until_s: float
    stop: threading.Event | None

    def left_s(self) -> float:
        """How long one may wait without looking again; 0 if there is no time left.

        Raises:
            StoppedError: somebody wants the end.
        """
        if self.stop is not None and self.stop.is_set():
            raise StoppedError
        return max(0.0, min(_STOP_POLL_S, self.until_s - time.perf_counter()))


def open_connection(place: Place, limits: Limits, stop: threading.Event | None = None) -> Connection:
    """Connect and have the routing activated.

    Args:
        place: where, and as whom.
        limits: `connect_ms` holds for all of it.
        stop: ends it before that when set.

    Raises:
        LinkError: it cannot be; says why and what to do next.
        UsageError: the file of certificates cannot be used.
        StoppedError: `stop` was set.
    """
    patience = _Patience(time.perf_counter() + limits.connect_ms / 1000, stop)
    for version in VERSIONS:
        sock = _connect(place, patience)
        try:
            if place.tls:
                sock = _encrypt(sock, place, patience)
            connection = Connection(sock, version)
        except BaseException:
            sock.close()
            raise
        try:
            if _activate(connection, place, patience):
                return connection
        except BaseException:
            connection.close()
            raise
        connection.close()
    raise LinkError(
        f"{place.text} speaks none of the versions of DoIP known here",
        next_step="check that a DoIP entity listens on this port",
    )


def _connect(place: Place, patience: _Patience) -> socket.socket:
    try:
        found = socket.getaddrinfo(place.host, place.port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise LinkError(f"there is no host '{place.host}': {reason}", next_step=_CHECK_PLACE) from error
    reason = "it has no address"
    for family, kind, protocol, _, where in found:
        try:
            sock = socket.socket(family, kind, protocol)
        except OSError as error:
            reason = str(error)
            continue
        try:
            failed = _reach(sock, where, patience)
        except BaseException:
            sock.close()
            raise
        if failed is None:
            return sock
        reason = failed
        sock.close()
    raise LinkError(f"cannot connect to {place.text}: {reason}", next_step=_CHECK_PLACE)


def _reach(sock: socket.socket, where: tuple[object, ...], patience: _Patience) -> str | None:
    """Connect to one address; why that failed, or None."""
    sock.setblocking(False)
    try:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.connect(where)
    except BlockingIOError:
        pass
    except OSError as error:
        return error.strerror or str(error)
    if not _wait(sock, selectors.EVENT_WRITE, patience):
        return "nobody answers"
    code = sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    return None if code == 0 else os.strerror(code)


def _wait(sock: socket.socket, events: int, patience: _Patience) -> bool:
    """Wait until the socket is ready for that; False if the time ran out."""
    with selectors.DefaultSelector() as selector:
        selector.register(sock, events)
        while (left_s := patience.left_s()) > 0:
            if selector.select(left_s):
                return True
    return False


def _encrypt(sock: socket.socket, place: Place, patience: _Patience) -> ssl.SSLSocket:
    try:
        secure = _context(place).wrap_socket(sock, do_handshake_on_connect=False, server_hostname=place.host)
    except (OSError, ValueError) as error:
        raise _not_encrypted(place, error) from error
    try:
        _shake_hands(secure, place, patience)
    except BaseException:
        secure.close()
        raise
    return secure


def _shake_hands(secure: ssl.SSLSocket, place: Place, patience: _Patience) -> None:
    try:
        while True:
            try:
                return secure.do_handshake()
            except ssl.SSLWantReadError:
                events = selectors.EVENT_READ
            except ssl.SSLWantWriteError:
                events = selectors.EVENT_WRITE
            if not _wait(secure, events, patience):
                raise LinkError(f"{place.text} did not finish the encryption in time", next_step=_CHECK_PLACE)
    except ssl.SSLCertVerificationError as error:
        raise LinkError(
            f"{place.text} shows a certificate for which nobody in {place.ca} vouches: {error.verify_message}",
            next_step="name the right file behind ca=; do not go on if this should be the vehicle you know",
        ) from error
    except (OSError, ValueError) as error:
        raise _not_encrypted(place, error) from error


def _not_encrypted(place: Place, error: Exception) -> LinkError:
    return LinkError(
        f"{place.text} cannot be talked to with encryption: {error}",
        next_step="check the port (3496 by the standard), or leave tls= out if the vehicle does not encrypt",
    )


def _context(place: Place) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # ISO 13400-2:2019 names 1.2 and 1.3
    # A vehicle's certificate names the vehicle, not the address it has in this network (from memory).
    context.check_hostname = False
    if place.ca is None:
        context.verify_mode = ssl.CERT_NONE
        return context
    try:
        context.load_verify_locations(cafile=place.ca)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"{place.ca} cannot be used as a file of certificates: {error}",
            next_step="name a PEM file behind ca=",
        ) from error
    return context


def _activate(connection: Connection, place: Place, patience: _Patience) -> bool:
    """Have the routing activated; False if the other end does not know the version.

    An entity that wants a confirmation at the vehicle answers again, or when asked again, once it has it (from memory).
    """
    request = activation_request(connection.version, place.tester)
    connection.say(request)
    ask_again_s: float | None = None
    while True:
        while connection.messages:
            match _understood(connection, place):
                case AliveCheck():
                    connection.say(alive(connection.version, place.tester))
                case HeaderRefused(words.WRONG_PATTERN):
                    return False
                case HeaderRefused(code):
                    raise LinkError(
                        f"{place.text} does not take a routing activation: {words.header_refused(code)}",
                        next_step="check that a DoIP entity listens on this port",
                    )
                case Activation(_, _, words.ACTIVATED):
                    return True
                case Activation(_, _, words.TO_BE_CONFIRMED):
                    ask_again_s = time.perf_counter() + _ASK_AGAIN_S
                case Activation(_, _, code):
                    why, next_step = words.activation_denied(code, f"{place.tester:04X}")
                    raise LinkError(f"{place.text} denies the routing activation: {why}", next_step=next_step)
        if connection.lost is not None:
            raise LinkError(f"{place.text}: {connection.lost} before the routing was activated", next_step=_CHECK_PLACE)
        left_s = patience.left_s()
        if left_s == 0:
            raise _out_of_time(place, wants_confirmation=ask_again_s is not None)
        if ask_again_s is not None and time.perf_counter() >= ask_again_s and not connection.sending:
            connection.say(request)
            ask_again_s = time.perf_counter() + _ASK_AGAIN_S
        connection.read(left_s)


def _understood(connection: Connection, place: Place) -> object:
    """What the next message says."""
    try:
        return read(connection.messages.popleft())
    except WireError as error:
        raise LinkError(
            f"{place.text} cannot be understood: {error}", next_step="check that a DoIP entity listens on this port"
        ) from error


def _out_of_time(place: Place, *, wants_confirmation: bool) -> LinkError:
    if wants_confirmation:
        return LinkError(
            f"{place.text} waits for a confirmation at the vehicle, and none came",
            next_step="open the link again and confirm it at the vehicle meanwhile",
        )
    return LinkError(
        f"{place.text} took the connection and never answered the routing activation",
        next_step="check that a DoIP entity listens on this port; switch the key off and on, then try again",
    )
