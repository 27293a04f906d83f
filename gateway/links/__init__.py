"""Links: the ways to a vehicle. Everything outside this package gets one through `gateway.guard`."""

from gateway.links.address import open_link, parse_link
from gateway.links.base import DEFAULT_LIMITS, BusFrame, HowOpened, Limits, Link, LinkAddress, Plan, Trace

__all__ = [
    "DEFAULT_LIMITS",
    "BusFrame",
    "HowOpened",
    "Limits",
    "Link",
    "LinkAddress",
    "Plan",
    "Trace",
    "open_link",
    "parse_link",
]
