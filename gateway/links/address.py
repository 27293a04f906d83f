"""Link addresses, ``KIND:REST``, and how each kind is opened; the CAN libraries are imported on demand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, urlencode

from decoders.errors import LinkError, UsageError
from gateway.links.base import Link

_FORMS: Mapping[str, str] = {
    "can": "can:INTERFACE:CHANNEL[?bitrate=500000&fd=0]",
    "dongle": "dongle:PORT",
    "doip": "doip:HOST[:PORT]",
    "sim": "sim:SCENARIO",
    "replay": "replay:FILE",
}
_CAN_OPTIONS = ("bitrate", "fd")


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkAddress:
    """A link address in parts.

    Args:
        kind: ``can``, ``dongle``, ``doip``, ``sim`` or ``replay``.
        rest: what stands between the kind and the options.
        options: what follows the question mark; only `can` has any.
    """

    kind: str
    rest: str
    options: Mapping[str, int] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The address as the journal, the commands and the reports write it."""
        query = f"?{urlencode(self.options)}" if self.options else ""
        return f"{self.kind}:{self.rest}{query}"


def parse_link(text: str) -> LinkAddress:
    """Read a link address.

    Raises:
        UsageError: unknown kind, nothing behind it, or an option that is not there; says what to write.
    """
    kind, colon, rest = text.strip().partition(":")
    if kind not in _FORMS or not colon:
        raise UsageError(
            f"'{text}' is no link address: it begins with none of {', '.join(f'{k}:' for k in _FORMS)}",
            next_step=f"write for example {_FORMS['can']}; `mendproof links` lists what is here",
        )
    if not rest:
        raise UsageError(f"'{text}' names nothing behind '{kind}:'", next_step=f"write {_FORMS[kind]}")
    if kind != "can":
        return LinkAddress(kind=kind, rest=rest)
    rest, _, query = rest.partition("?")
    interface, _, channel = rest.partition(":")
    if not interface or not channel:
        raise UsageError(
            f"'{text}' lacks {'the channel' if interface else 'the interface'}",
            next_step=f"write {_FORMS['can']}, e.g. can:socketcan:can0",
        )
    return LinkAddress(kind=kind, rest=rest, options=_can_options(text, query))


def _can_options(text: str, query: str) -> dict[str, int]:
    options = {}
    for name, value in parse_qsl(query, keep_blank_values=True):
        if name not in _CAN_OPTIONS:
            raise UsageError(
                f"'{text}' has the unknown option '{name}'",
                next_step=f"options are {', '.join(_CAN_OPTIONS)}",
            )
        if not (value.isascii() and value.isdigit()):
            raise UsageError(f"'{text}' gives '{name}' the value '{value}'", next_step="write a whole number")
        options[name] = int(value)
    if options.get("fd", 0) not in (0, 1):
        raise UsageError(f"'{text}' gives 'fd' another value than 0 or 1", next_step="write fd=0 or fd=1")
    if options.get("bitrate", 1) == 0:
        raise UsageError(f"'{text}' gives a bit rate of 0", next_step="write it in bit/s, e.g. bitrate=500000")
    return options


def known_interfaces() -> tuple[str, ...]:
    """The CAN interfaces that python-can knows here."""
    import can

    return tuple(sorted(can.interfaces.VALID_INTERFACES))


def open_link(text: str, *, shown_as: str | None = None) -> Link:
    """Open the link with this address; close it after use, or use it as a context manager.

    Args:
        text: the link address.
        shown_as: the address the journal gets instead, for a simulated vehicle in this process.

    Raises:
        UsageError: the address cannot be read, or names a kind that only a demonstration uses.
        LinkError: the interface is unknown or cannot be opened, or this version does not bring the kind.
    """
    address = parse_link(text)
    if address.kind == "sim":
        raise UsageError(
            f"'{address.text}' is a new car each time and ends with the command",
            next_step="run `mendproof bench run SCENARIO` and use the link it prints",
        )
    opener = _OPENERS.get(address.kind)
    if opener is None:
        brings = ", ".join(_FORMS[kind] for kind in _OPENERS)
        raise LinkError(f"this version does not bring the link '{address.kind}:' yet", next_step=f"use {brings}")
    return opener(address, shown_as or address.text)


def _open_can(address: LinkAddress, shown_as: str) -> Link:
    import can

    from gateway.links.can_errors import map_can_errors
    from gateway.links.can_link import CanLink

    interface, _, channel = address.rest.partition(":")
    if interface not in can.interfaces.VALID_INTERFACES:
        raise LinkError(
            f"there is no CAN interface '{interface}'",
            next_step=f"use one of {', '.join(known_interfaces())}",
        )
    fd = bool(address.options.get("fd", 0))
    settings: dict[str, Any] = {"fd": True} if fd else {}
    if "bitrate" in address.options:
        settings["bitrate"] = address.options["bitrate"]
    if interface == "slcan":
        # The interface would wait two seconds for adapters that restart when their port is opened.
        settings["sleep_after_open"] = 0
    doing = f"cannot open {address.text}"
    try:
        with map_can_errors(doing):
            bus = can.Bus(channel, interface=interface, ignore_config=True, **settings)
    except LinkError:
        raise
    except Exception as error:  # A driver may raise anything when its device is not as it expects.
        raise LinkError(
            f"{doing}: {error}", next_step="check the interface, the channel and the options of the link"
        ) from error
    return CanLink(bus, shown_as, fd=fd)


_OPENERS: Mapping[str, Callable[[LinkAddress, str], Link]] = {"can": _open_can}
