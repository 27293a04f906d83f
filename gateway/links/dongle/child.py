"""The child process of the dongle link: python-OBD, unmodified, at a tapped port.

python-OBD wakes and sets up the dongle and paces what is written; what it makes of the replies is never read.
Its part for one port is used by itself, since the rest asks a car what it supports without being told to.
This is the only module that imports python-OBD, and the link never imports this module: it runs it.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
from collections.abc import Callable, Mapping
from typing import Any, BinaryIO

import serial

from gateway.links.dongle.gate import GATE, Gate, TapError
from gateway.links.dongle.messages import Say, Why, packed, unpacked
from gateway.links.dongle.protocol_tap import SCHEME

_NO_SEARCH = "0"
"""No protocol that python-OBD knows: it sends nothing then, where its own search would take 2 s and AT SP."""
_CLOSING_MS = 500


def main() -> int:
    """Serve the link on the standard streams until it closes them."""
    # The streams belong to the link: what a library prints goes where its errors go.
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())

    def tell(message: Mapping[str, object]) -> None:
        out.write(packed(message))
        out.flush()

    orders: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
    gate = Gate(tell)
    threading.Thread(target=_listen, args=(sys.stdin.buffer, orders, gate), daemon=True).start()
    try:
        _serve(orders, gate, tell)
    except BrokenPipeError:
        return 1
    return 0


def _listen(source: BinaryIO, orders: queue.SimpleQueue[dict[str, Any] | None], gate: Gate) -> None:
    for line in source:
        orders.put(unpacked(line))
    gate.given_up.set()
    orders.put(None)


def _serve(
    orders: queue.SimpleQueue[dict[str, Any] | None], gate: Gate, tell: Callable[[Mapping[str, object]], None]
) -> None:
    first = orders.get()
    if first is None:
        return
    dongle = _opened(first, gate, tell)
    if dongle is None:
        return
    tell({"say": Say.READY})
    while (order := orders.get()) is not None:
        gate.open_for(
            order["send"] if order["request"] else None, quiet_ms=order["quiet_ms"], ceiling_ms=order["ceiling_ms"]
        )
        dongle.send_and_parse(order["send"].encode("ascii"))
        if gate.broken:
            return
        tell({"say": Say.END})
    gate.open_for(None, quiet_ms=_CLOSING_MS, ceiling_ms=_CLOSING_MS)
    dongle.close()


def _opened(order: Mapping[str, Any], gate: Gate, tell: Callable[[Mapping[str, object]], None]) -> Any:
    """python-OBD at the port, or None after telling why not."""
    try:
        from obd.elm327 import ELM327
        from obd.utils import OBDStatus
    except ImportError as error:
        tell({"say": Say.FAILED, "why": Why.MISSING, "text": str(error)})
        return None
    GATE.set(gate)
    serial.protocol_handler_packages.append(__package__)
    gate.open_for(None, quiet_ms=order["connect_ms"], ceiling_ms=order["connect_ms"])
    try:
        dongle = ELM327(f"{SCHEME}{order['url']}", None, _NO_SEARCH, order["hunt_ms"] / 1000, check_voltage=False)
    except TapError:
        return None
    if dongle.status() != OBDStatus.NOT_CONNECTED:
        return dongle
    if not gate.broken:
        tell({"say": Say.FAILED, "why": Why.MUTE, "text": "nothing answers as a dongle does"})
    return None


if __name__ == "__main__":
    raise SystemExit(main())
