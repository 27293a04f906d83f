"""Link addresses, ``KIND:REST``, and how each kind is opened; what a kind needs is imported on demand."""

from __future__ import annotations

import importlib
import re
from collections.abc import Mapping
from urllib.parse import parse_qsl, urlsplit

from decoders.errors import LinkError, UsageError
from gateway.links import third_party
from gateway.links.base import DEFAULT_LIMITS, Limits, Link, LinkAddress, Opener

FORMS: Mapping[str, str] = {
    "can": "can:INTERFACE:CHANNEL[?bitrate=500000&fd=0]",
    "dongle": "dongle:PORT",
    "doip": "doip:HOST[:PORT][?tls=1&ca=FILE&tester=0E80&group=none]",
    "sim": "sim:SCENARIO",
    "replay": "replay:STORE#JOB[?scan=N]",
}
_CAN_OPTIONS = ("bitrate", "fd")
_BY_NETWORK = ("socket://", "rfc2217://")
"""What pyserial takes for a serial port that is reached over the network."""
_RECORDED_JOB = re.compile(r"([1-9][0-9]{0,8})(?:\?scan=([1-9][0-9]{0,8}))?\Z")


def parse_link(text: str) -> LinkAddress:
    """Read a link address.

    Raises:
        UsageError: unknown kind, nothing behind it, or an option that is not there; says what to write.
    """
    kind, colon, rest = text.strip().partition(":")
    if not colon or (kind not in FORMS and kind not in third_party.kinds(FORMS)):
        kinds = (*FORMS, *third_party.kinds(FORMS))
        raise UsageError(
            f"'{text}' is no link address: it begins with none of {', '.join(f'{name}:' for name in kinds)}",
            next_step=f"write for example {FORMS['can']}; `mendproof links` lists what is here",
        )
    if not rest:
        raise UsageError(f"'{text}' names nothing behind '{kind}:'", next_step=f"write {form_of(kind)}")
    if kind == "replay":
        return _replay_address(text, rest)
    if kind == "dongle":
        _require_host_and_port(text, rest)
    if kind != "can":
        return LinkAddress(kind=kind, rest=rest)
    rest, _, query = rest.partition("?")
    interface, _, channel = rest.partition(":")
    if not interface or not channel:
        raise UsageError(
            f"'{text}' lacks {'the channel' if interface else 'the interface'}",
            next_step=f"write {FORMS['can']}, e.g. can:socketcan:can0",
        )
    _require_host_and_port(text, channel)
    return LinkAddress(kind=kind, rest=rest, options=_can_options(text, query))


def _require_host_and_port(text: str, port: str) -> None:
    """A serial port over the network has both; pyserial's own words for one that has not help nobody."""
    scheme = next((known for known in _BY_NETWORK if port.lower().startswith(known)), None)
    if scheme is None:
        return
    try:
        parts = urlsplit(port)
        whole = bool(parts.hostname and parts.port)
    except ValueError:
        whole = False
    if not whole:
        raise UsageError(
            f"'{text}' lacks the host or the number of the port",
            next_step=f"write {scheme}HOST:PORT, e.g. {scheme}192.0.2.10:35000",
        )


def form_of(kind: str) -> str:
    """How an address of this kind is written, in words for a person."""
    return FORMS[kind] if kind in FORMS else third_party.find(kind, FORMS).form


def _replay_address(text: str, rest: str) -> LinkAddress:
    """A recorded job; a name without ``#`` is a file of its own, and what it holds is known once it is opened."""
    store, mark, tail = rest.rpartition("#")
    if not mark:
        return LinkAddress(kind="replay", rest=rest)
    job = _RECORDED_JOB.match(tail)
    if not store or job is None:
        raise UsageError(
            f"'{text}' names no {'job behind the #' if store else 'store'}",
            next_step=f"write {FORMS['replay']}, e.g. replay:record.sqlite#7?scan=2",
        )
    options = {} if job[2] is None else {"scan": int(job[2])}
    return LinkAddress(kind="replay", rest=f"{store}#{job[1]}", options=options)


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


def open_link(text: str, *, limits: Limits = DEFAULT_LIMITS, shown_as: str | None = None) -> Link:
    """Open the link with this address; close it after use, or use it as a context manager.

    Args:
        text: the link address.
        limits: the time-outs that hold while it is opened.
        shown_as: the address the journal gets instead, for a simulated vehicle in this process.

    Raises:
        UsageError: the address cannot be read, or names a kind that only a demonstration uses.
        LinkError: the way to the vehicle cannot be opened; says what to do next.
    """
    address = parse_link(text)
    if address.kind == "sim":
        raise UsageError(
            f"'{address.text}' is a new car each time and ends with the command",
            next_step="run `mendproof bench run SCENARIO` and use the link it prints",
        )
    return opener(address.kind)(address, shown_as or address.text, limits)


def opener(kind: str) -> Opener:
    """What opens links of this kind.

    Raises:
        LinkError: the part of the program, or the package, that brings this kind cannot be loaded.
    """
    if kind not in _OPENERS:
        return third_party.opener(kind, FORMS)
    module, name = _OPENERS[kind]
    try:
        found: Opener = getattr(importlib.import_module(module), name)
    except ImportError as error:
        raise LinkError(
            f"what '{kind}:' needs cannot be loaded: {error}", next_step="`mendproof links` says what is missing"
        ) from error
    return found


_OPENERS: Mapping[str, tuple[str, str]] = {
    "can": ("gateway.links.can.opening", "open_can"),
    "dongle": ("gateway.links.dongle", "open_dongle"),
    "doip": ("gateway.links.doip", "open_doip"),
    "replay": ("gateway.links.replay", "open_replay"),
}
