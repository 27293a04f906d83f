"""One TCP connection to a DoIP entity, encrypted or not: read and written without ever waiting longer than told."""

from __future__ import annotations

import selectors
import socket
import ssl
import time
from collections import deque

from gateway.links.doip.wire import Message, Stream, WireError

_CHUNK = 0x4000
_CHUNKS_AT_ONCE = 4
_MOST_UNREAD = 0x1_0000  # what the other end may leave unread of ours
_NOT_NOW = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class Connection:
    """Messages in, bytes out, until it is lost; then `lost` says why and nothing raises.

    Args:
        sock: connected and not blocking; this object owns it from here on.
        version: the protocol version to speak.

    Attributes:
        version: as above.
        lost: why it is of no use any more, or None.
        flushed_ns: when the last byte of what was to be sent was handed over.
        looked_ns: when it was last looked whether something came: whatever came before that has been read, unless
            the last `read` said that there was more.
    """

    def __init__(self, sock: socket.socket, version: int) -> None:
        self.version = version
        self.lost: str | None = None
        self.flushed_ns = 0
        self.looked_ns = 0
        self._sock = sock
        self._secure = isinstance(sock, ssl.SSLSocket)
        self._stream = Stream()
        self._out = bytearray()
        self._more = False
        self._selector = selectors.DefaultSelector()
        self._selector.register(sock, selectors.EVENT_READ)

    @property
    def messages(self) -> deque[Message]:
        """Whole messages that came, oldest first; whoever reads takes them out."""
        return self._stream.found

    @property
    def sending(self) -> bool:
        """True while bytes are still to be handed over."""
        return bool(self._out)

    @property
    def partial(self) -> bool:
        """True in the middle of a message."""
        return self._stream.partial

    @property
    def halted_ns(self) -> int:
        """How long nothing has come in the middle of a message; 0 otherwise."""
        return max(0, self.looked_ns - self._stream.last_ns) if self.partial and not self._more else 0

    def lose(self, reason: str) -> None:
        """Give the connection up; the first reason stays."""
        self.lost = self.lost or reason

    def put(self, data: bytes) -> bool:
        """Send a message, unless the other end takes nothing right now.

        Returns:
            False if not a byte of it left; then it will not be sent later either.
        """
        if self._out or self.lost is not None:
            return False
        self._out += data
        self._flush()
        # What an encrypted connection was once given cannot be taken back.
        if len(self._out) < len(data) or (self._secure and self.lost is None):
            return True
        self._out.clear()
        return False

    def say(self, data: bytes) -> None:
        """Send a message as soon as that can be."""
        self._out += data
        self._flush()
        if len(self._out) > _MOST_UNREAD:
            self.lose("the gateway takes nothing any more")

    def read(self, timeout_s: float) -> bool:
        """Wait for something to come, and take it; also sends what is still waiting.

        Args:
            timeout_s: how long to wait at most, seconds.

        Returns:
            True if nothing more was there to be read.
        """
        if self.lost is not None:
            return True
        if not self._more:
            events = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._out else 0)
            self._selector.modify(self._sock, events)
            self._selector.select(timeout_s)
        self._flush()
        for _ in range(_CHUNKS_AT_ONCE):
            if self.lost is not None or not self._take():
                self._more = False
                return True
        self._more = True
        return False

    def close(self) -> None:
        """Hang up; closing twice is harmless."""
        self.lose("the connection is closed")
        self._selector.close()
        self._sock.close()

    def _take(self) -> bool:
        """Take some bytes; False if there are none for now."""
        self.looked_ns = time.perf_counter_ns()
        try:
            data = self._sock.recv(_CHUNK)
        except _NOT_NOW:
            return False
        except OSError as error:
            self.lose(f"the connection to the gateway broke: {_reason(error)}")
            return False
        if not data:
            self.lose("the gateway closed the connection")
            return False
        try:
            self._stream.feed(data, time.perf_counter_ns())
        except WireError as error:
            self.lose(f"the gateway cannot be understood: {error}")
        return True

    def _flush(self) -> None:
        if not self._out:
            return
        try:
            while self._out:
                del self._out[: self._sock.send(self._out)]
        except _NOT_NOW:
            return
        except OSError as error:
            self.lose(f"the connection to the gateway broke: {_reason(error)}")
            return
        self.flushed_ns = time.perf_counter_ns()


def _reason(error: OSError) -> str:
    return error.strerror or str(error)
