"""Opening a CAN link: the interface, its channel, its bit rate, and what python-can must be told.

What each interface takes is read from the sources of python-can 4.6.1.
"""

from __future__ import annotations

import re
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires
from typing import Any

import can

from decoders.errors import LinkError, UsageError
from gateway.links.base import Limits, Link, LinkAddress
from gateway.links.can.bus import CanBus
from gateway.links.can.errors import NO_DRIVER, map_can_errors
from gateway.links.can.link import CanLink
from gateway.links.can.ports import stream_url
from gateway.links.can.ports.slcan import SlcanBus
from gateway.links.can.ports.slcan_signs import SlcanSigns
from gateway.links.can.start import RATES, StartUp, search

_VIRTUAL = "virtual"
_SET_BY_SYSTEM = frozenset({"serial", "socketcan", "socketcand", "udp_multicast"})
_SETS_RATE = frozenset(can.interfaces.BACKENDS) - _SET_BY_SYSTEM - {_VIRTUAL}
_QUIET: Mapping[str, Mapping[str, Any]] = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": can.BusState.PASSIVE},
    "seeedstudio": {"operation_mode": "silent"},
    "slcan": {"listen_only": True},
    "systec": {"state": can.BusState.PASSIVE},
    "vector": {"listen_only": True},
}
"""What makes an interface listen without taking part in the bus; the others cannot, or do not say how."""

_NUMBERED = frozenset({"gs_usb", "neousys"})  # their channel is a number, and they do not convert a text
_EXTRAS: Mapping[str, str] = {
    "usb2can": "pywin32",
    "udp_multicast": "multicast",
    "slcan": "serial",
    "robotell": "serial",
}
_SOCKETCAND = re.compile(r"(?P<host>[^/]+):(?P<port>\d{1,5})/(?P<channel>[^/]+)\Z")
_NOT_LISTED = frozenset({_VIRTUAL, "serial", "socketcand", "udp_multicast"})
"""Not asked what is there: the first is no device, the second would name every port, the others use the network."""

_LISTING_S = 1.5
_SIGN_SHARE = 1 / 30
"""Of the time for opening: so long an adapter may take to show itself."""

_SETTLE_SHARE = 1 / 75
"""Of the same: so long one that is there may take to answer all of its settings."""


def known_interfaces() -> tuple[str, ...]:
    """The CAN interfaces that python-can knows here."""
    return tuple(sorted(can.interfaces.VALID_INTERFACES))


def open_can(address: LinkAddress, shown_as: str, limits: Limits) -> Link:
    """Open a CAN link; without ``bitrate=`` its bit rate is looked for, see `gateway.links.can.start`.

    What was found stands in the link's `start_up`, with the frames that were sent for it. It is None where nothing
    was looked for: the rate was given, or the bus is virtual and has none. At an slcan port an adapter must show
    itself, see `SlcanSigns`; one that answers nothing itself may do so by the answer of a unit, so that with the rate
    given too the bus is asked before it is given up.

    Args:
        address: interface and channel, and options.
        shown_as: the address the journal gets.
        limits: time-outs.

    Raises:
        UsageError: the interface takes no bit rate, or its channel is written otherwise.
        LinkError: the interface is unknown or cannot be opened, its bus runs at none of the rates tried, or nothing
            shows an slcan adapter at the port.
    """
    interface, _, _ = address.rest.partition(":")
    if interface not in can.interfaces.VALID_INTERFACES:
        raise LinkError(
            f"there is no CAN interface '{interface}'",
            next_step=f"use one of {', '.join(known_interfaces())}",
        )
    bitrate = address.options.get("bitrate")
    if bitrate is not None and interface in _SET_BY_SYSTEM:
        raise UsageError(
            f"the bit rate of '{interface}' is set in the system, not in the link",
            next_step=f"set it there and write can:{address.rest}",
        )
    door = _Door(address, shown_as)
    try:
        start_up = _start_up(door, address, limits)
        if not door.has_adapter(limits):
            raise door.no_adapter()
    except BaseException as error:
        door.close()
        if isinstance(error, LinkError) and door.is_strange:
            raise door.no_adapter() from error
        raise
    if start_up is not None:
        bitrate = start_up.bitrate
    link = CanLink(door.hand_over(limits), shown_as, fd=door.fd, bitrate=bitrate)
    link.start_up = start_up
    return link


def _start_up(door: _Door, address: LinkAddress, limits: Limits) -> StartUp | None:
    """Open the door for use; how the rate was found, or None where nothing was looked for."""
    interface, _, channel = address.rest.partition(":")
    bitrate = address.options.get("bitrate")
    if bitrate is not None or interface == _VIRTUAL:
        door.open_at(bitrate, quiet=False)
        return None if door.has_adapter(limits) else search(door, limits, (bitrate,))
    if interface in _SETS_RATE:
        return search(door, limits, RATES)
    rates = f"set the bit rate of {channel} in the system (500000 or 250000), then try again"
    return search(door, limits, (None,), if_none_fits=rates)


class _Door:
    """One adapter, opened at one bit rate after another.

    Args:
        address: interface, channel and options.
        shown_as: the address that error lines name.
    """

    def __init__(self, address: LinkAddress, shown_as: str) -> None:
        self.fd = bool(address.options.get("fd", 0))
        self._interface, _, channel = address.rest.partition(":")
        self._channel, self._settings = _channel(self._interface, channel)
        self._shown_as = shown_as
        self._doing = f"cannot open {address.text}"
        self._open: tuple[int | None, bool] | None = None
        self._port = channel
        self._signs = SlcanSigns() if self._interface == "slcan" else None
        self._slcan: SlcanBus | None = None
        self._raw: can.BusABC | None = None
        self._bus: CanBus | None = None

    def open_at(self, bitrate: int | None, *, quiet: bool) -> CanBus:
        """Open it at this rate, unless it is; see `StartDoor`."""
        quiet = quiet and self._interface in _QUIET
        if self._bus is not None and self._open == (bitrate, quiet):
            return self._bus
        self.close()
        settings = dict(self._settings)
        if self.fd:
            settings["fd"] = True
        if bitrate is not None:
            settings["bitrate"] = bitrate
        if quiet:
            settings |= _QUIET[self._interface]
        with map_can_errors(self._doing, anything=True, driver=_driver_step(self._interface)):
            if self._interface == "slcan":
                self._raw = self._slcan = SlcanBus(str(self._channel), signs=self._signs, **settings)
            else:
                self._raw = can.Bus(self._channel, interface=self._interface, ignore_config=True, **settings)
        self._open = (bitrate, quiet)
        self._bus = CanBus(self._raw, self._shown_as, fd=self.fd)
        return self._bus

    def has_adapter(self, limits: Limits) -> bool:
        """True once something shows that an adapter is there, which is waited for; only slcan leaves that open.

        Raises:
            LinkError: the port broke.
        """
        if self._signs is None or self._signs.found:
            return True
        if self._slcan is not None:
            with map_can_errors(f"cannot read from {self._shown_as}"):
                self._slcan.wait_for_sign(limits.connect_ms / 1000 * _SIGN_SHARE)
        self._signs.settle()
        return self._signs.found

    @property
    def is_strange(self) -> bool:
        """True if something came and nothing of it is an adapter's."""
        return self._signs is not None and self._signs.is_strange and not self._signs.found

    def no_adapter(self) -> LinkError:
        """What to tell where nothing shows an adapter."""
        said = "" if self._signs is None else repr(self._signs.said)[1:]
        message = (
            f"what {self._port} writes is not slcan; it begins with {said}"
            if self.is_strange
            else f"nothing at {self._port} answers as an slcan adapter does"
        )
        port = self._port.partition("@")[0]
        speed = "" if "://" in self._port else f", that its speed is right (or write {port}@SPEED)"
        return LinkError(
            message,
            next_step=f"check that this is the adapter's port (`mendproof links`){speed} and that the adapter has "
            f"slcan firmware; for a dongle with AT commands write dongle:{port}; an adapter that answers no "
            "commands is known by the frames of a bus alone: switch the ignition on",
        )

    def hand_over(self, limits: Limits) -> can.BusABC:
        """The open bus; it is the caller's from here on.

        Raises:
            LinkError: the port broke.
        """
        if self._slcan is not None:
            with map_can_errors(f"cannot read from {self._shown_as}"):
                self._slcan.settle(limits.connect_ms / 1000 * _SETTLE_SHARE)
        raw, self._raw, self._bus = self._raw, None, None
        if raw is None:
            raise LinkError(self._doing, next_step="run the step again")
        return raw

    def close(self) -> None:
        """Close what is open."""
        bus, self._bus, self._raw, self._slcan = self._bus, None, None, None
        if bus is not None:
            bus.close()


def _channel(interface: str, channel: str) -> tuple[str | int, dict[str, Any]]:
    """The channel as the interface takes it, and what else it must be told."""
    if interface == "slcan":
        # The interface would wait two seconds for adapters that restart when their port is opened.
        return stream_url(channel), {"sleep_after_open": 0}
    if interface in _NUMBERED and channel.isascii() and channel.isdigit():
        return int(channel), {}
    if interface == "socketcand":
        match = _SOCKETCAND.match(channel)
        if match is None:
            raise UsageError(
                f"'{channel}' does not say where its bus is served",
                next_step="write can:socketcand:HOST:PORT/CHANNEL, e.g. can:socketcand:192.0.2.1:29536/can0",
            )
        return match["channel"], {"host": match["host"], "port": int(match["port"])}
    return channel, {}


def _driver_step(interface: str) -> str:
    """What to install for an interface: the packages that python-can's own metadata names for it, where it does."""
    extra = _EXTRAS.get(interface, interface.replace("_", "-"))
    try:
        lines = requires("python-can") or []
    except PackageNotFoundError:  # it came without its metadata
        lines = []
    named = [line for line in lines if line.rstrip().endswith(f'extra == "{extra}"')]
    packages = [match[0] for line in named if (match := re.match(r"[A-Za-z0-9._-]+", line))]
    if not packages:
        return NO_DRIVER
    return f"install for '{interface}': {', '.join(packages)} (and its maker's driver), or choose another interface"


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentChannel:
    """Something plugged in here that may be a way to a vehicle.

    Args:
        interface: python-can's interface, or ``dongle``.
        channel: its channel or port.
        link: the link address to type.
        note: what is known of it; may be empty.
    """

    interface: str
    channel: str
    link: str
    note: str


def present_channels() -> tuple[PresentChannel, ...]:
    """What is plugged in here: channels that drivers tell of, and serial ports, which may be an adapter or a dongle.

    Never raises and takes less than two seconds; what a driver does not tell in time is left out, and so is the
    virtual bus. Nothing is sent on any bus.
    """
    found: list[PresentChannel] = []
    until_s = time.monotonic() + _LISTING_S
    for interface in known_interfaces():
        left_s = until_s - time.monotonic()
        if interface in _NOT_LISTED or left_s <= 0:
            continue
        configs: Any = ()
        with suppress(Exception):  # a driver may raise anything; then it tells of nothing
            configs = can.detect_available_configs(interface, timeout=left_s)
        found += [_present(interface, config) for config in configs if config.get("channel") is not None]
    return (*found, *_serial_ports())


def _present(interface: str, config: Mapping[str, Any]) -> PresentChannel:
    channel = str(config["channel"])
    told = (f"{name} {config[name]}" for name in ("device_name", "serial", "unique_hardware_id") if config.get(name))
    return PresentChannel(interface=interface, channel=channel, link=f"can:{interface}:{channel}", note=", ".join(told))


def _serial_ports() -> list[PresentChannel]:
    found: list[PresentChannel] = []
    with suppress(Exception):  # a system that cannot list its ports
        from serial.tools.list_ports import comports

        for port in sorted(comports()):
            what = "" if port.description in (None, "n/a") else f" ({port.description})"
            slcan, dongle = f"if it is a CAN adapter with slcan{what}", f"if it is a dongle{what}"
            found.append(
                PresentChannel(interface="slcan", channel=port.device, link=f"can:slcan:{port.device}", note=slcan)
            )
            found.append(
                PresentChannel(interface="dongle", channel=port.device, link=f"dongle:{port.device}", note=dongle)
            )
    return found
