"""Where a DoIP link leads and as whom it speaks, read from its address."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qsl

from decoders.errors import UsageError
from gateway.links.base import LinkAddress

TCP_PORT = 13400
TLS_PORT = 3496
"""Source: ISO 13400-2:2019, TCP ports; 13400 is the UDP port as well."""

GROUPS = range(0xE400, 0xF000)
"""Logical addresses of functional groups. Source: ISO 13400-2, logical address table."""
TESTERS = range(0x0E00, 0x1000)
"""Logical addresses of testers. Source: the same."""
ASKED_GROUPS = range(0xE400, 0xE401)
"""The only group that is ever asked: it reaches every unit, and the guard lets nothing through to another."""
_USUAL_TESTER, _USUAL_GROUP = "0E80", "E400"
_NO_GROUP = "none"
_UNVERIFIED = "unverified"

_HOST_AND_PORT = re.compile(r"(?:\[([^\[\]]+)\]|([^:\[\]]+))(?::([0-9]{1,5}))?\Z")
_HEX = re.compile(r"[0-9A-Fa-f]{4}\Z")
_OPTIONS = ("tls", "ca", "tester", "group")
_FORM = "doip:HOST[:PORT], an IPv6 address in brackets, e.g. doip:192.0.2.1 or doip:[2001:db8::1]:13400"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where to connect, and as whom.

    Args:
        host: name or IP address.
        port: TCP port.
        tester: our own logical address.
        group: the functional group address that reaches every unit, or None where the vehicle has none.
        tls: True to encrypt.
        ca: certificates of those who may vouch for the vehicle; None to encrypt without knowing whom one talks to.
    """

    host: str
    port: int
    tester: int
    group: int | None
    tls: bool = False
    ca: Path | None = None

    @property
    def text(self) -> str:
        """Host and port, for a line to a person."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


def read_place(address: LinkAddress) -> Place:
    """Read where a link leads.

    Args:
        address: the link address, its kind ``doip``; `rest` is ``HOST[:PORT]`` with or without ``?NAME=VALUE&...``.

    Raises:
        UsageError: host, port or an option is off; says what to write.
    """
    where, _, query = address.rest.partition("?")
    match = _HOST_AND_PORT.match(where)
    if match is None:
        raise UsageError(f"'{where}' is no host with or without a port", next_step=f"write {_FORM}")
    options = _options(query)
    tls, ca = _encryption(options)
    port = int(match[3]) if match[3] else TLS_PORT if tls else TCP_PORT
    if not 0 < port <= 0xFFFF:
        raise UsageError(f"{port} is no port", next_step="write one from 1 to 65535")
    group = options.get("group", _USUAL_GROUP)
    return Place(
        host=match[1] or match[2],
        port=port,
        tester=_number("tester", options.get("tester", _USUAL_TESTER), TESTERS),
        group=None if group == _NO_GROUP else _number("group", group, ASKED_GROUPS),
        tls=tls,
        ca=ca,
    )


def _options(query: str) -> Mapping[str, str]:
    options = parse_qsl(query, keep_blank_values=True)
    for name, value in options:
        if name not in _OPTIONS:
            raise UsageError(f"there is no option '{name}'", next_step=f"options are {', '.join(_OPTIONS)}")
        if not value:
            raise UsageError(f"the option '{name}' says nothing", next_step=f"write {name}=VALUE, or leave it out")
    return dict(options)


def _encryption(options: Mapping[str, str]) -> tuple[bool, Path | None]:
    tls, ca = options.get("tls", "0"), options.get("ca")
    if tls == "1" and ca:
        return True, Path(ca)
    if tls == _UNVERIFIED and ca is None:
        return True, None
    if tls == "0" and ca is None:
        return False, None
    raise UsageError(
        f"tls={tls} {'with' if ca else 'without'} ca= cannot be meant",
        next_step="write ?tls=1&ca=FILE with the certificate of whoever vouches for the vehicle, "
        f"or ?tls={_UNVERIFIED} to encrypt without knowing whom you talk to",
    )


def _number(name: str, text: str, allowed: range) -> int:
    number = int(text, 16) if _HEX.match(text) else -1
    if number not in allowed:
        raise UsageError(
            f"{name}={text} is no {name} address",
            next_step=f"write 4 hex digits from {allowed[0]:04X} to {allowed[-1]:04X}",
        )
    return number
