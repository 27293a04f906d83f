"""Ways for pyserial to reach a port, named by the beginning of its address; see `stream_url`."""

from __future__ import annotations

import serial

__all__ = ["stream_url"]

_SOCKET, _STREAM = "socket://", "stream://"


def stream_url(channel: str) -> str:
    """The same port by our own reader if it is a TCP socket's, else the port as it is.

    pyserial's reader asks the system twice for every single byte of a socket; ours takes whatever has come.
    """
    if not channel.lower().startswith(_SOCKET):
        return channel
    if __name__ not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(__name__)
    return f"{_STREAM}{channel[len(_SOCKET) :]}"
