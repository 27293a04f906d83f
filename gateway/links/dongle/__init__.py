"""The dongle link: an AT-command dongle at any port that pyserial opens, one request at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gateway.links.base import Limits, Link, LinkAddress

__all__ = ["open_dongle"]


def open_dongle(address: LinkAddress, shown_as: str, limits: Limits) -> Link:
    """Open a dongle link: the port, the dongle behind it, and the car behind that.

    Args:
        address: its `rest` is any port that pyserial opens, e.g. ``/dev/rfcomm0`` or ``socket://192.0.2.10:35000``.
        shown_as: the address the journal gets.
        limits: time-outs; `connect_ms` holds for the port and the dongle.

    Raises:
        LinkError: python-OBD is not installed, the port cannot be opened, nothing there answers as a dongle, or
            the dongle reaches no car.
    """
    # The child process imports this package too and needs nothing of the link.
    from gateway.links.dongle.link import open_at

    return open_at(address.rest, shown_as, limits)
