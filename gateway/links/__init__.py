"""Links: the ways to a vehicle. Everything outside this package gets one through `gateway.guard`."""

from gateway.links.address import LinkAddress, open_link, parse_link
from gateway.links.base import DEFAULT_LIMITS, Limits, Link, Plan

__all__ = ["DEFAULT_LIMITS", "Limits", "Link", "LinkAddress", "Plan", "open_link", "parse_link"]
