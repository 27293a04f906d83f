"""What can be set on a dongle, and the commands that set it.

The commands are the common practice of AT-command dongles, only as far as clients need them; what else is
sent is refused with ``?``, also everything that would write a dongle's memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from simulators.dongle_frames import FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT, FlowControl

NARROW, WIDE = "6", "7"
PROTOCOLS: Mapping[str, str] = {
    "0": "automatic",
    "1": "SAE J1850 PWM",
    "2": "SAE J1850 VPW",
    "3": "ISO 9141-2",
    "4": "ISO 14230-4, slow start",
    "5": "ISO 14230-4, fast start",
    NARROW: "ISO 15765-4, 11 bit, 500 kbit/s",
    WIDE: "ISO 15765-4, 29 bit, 500 kbit/s",
    "8": "ISO 15765-4, 11 bit, 250 kbit/s",
    "9": "ISO 15765-4, 29 bit, 250 kbit/s",
    "A": "SAE J1939, 29 bit, 250 kbit/s",
}
REACHABLE: Final = (NARROW, WIDE)
"""What the bench's car understands, in the order in which a search tries."""
_DEFAULT_WAIT_MS = 200
_WAIT_STEP_MS = 4


@dataclass(slots=True)
class Settings:
    """A dongle as it is set now; as created: as it wakes up.

    Args:
        echo: it repeats what it is told.
        linefeeds: lines end in CR LF instead of CR.
        headers: frames are shown with their identifier and PCI.
        spaces: there are spaces between bytes.
        formatting: it adds and takes away the PCI bytes.
        flow_control: it asks for the rest of longer answers.
        adaptive: 0 waits the whole time for more frames, 1 a part of it, 2 a smaller part.
        wait_ms: how long it waits for an answer.
        chosen: the protocol that was asked for, ``0`` for a search.
        searches: True if it may look for another one.
        settled: the protocol by which the car was reached, or None.
        header: what was set as header, its value and how many hex digits it had; None for everyone.
        priority: the upper five bits of a 29-bit identifier.
        extension: the address byte before the PCI, or None.
        accept: the identifier listened to, or None for the legislated ones.
        accept_mask: which of its bits count, or None likewise.
        flow_mode: 0 builds flow control itself, 1 takes `flow_number` and `flow_data`, 2 only `flow_data`.
        flow_number: identifier of flow control.
        flow_data: its bytes.
    """

    echo: bool = True
    linefeeds: bool = False
    headers: bool = False
    spaces: bool = True
    formatting: bool = True
    flow_control: bool = True
    adaptive: int = 1
    wait_ms: int = _DEFAULT_WAIT_MS
    chosen: str = "0"
    searches: bool = True
    settled: str | None = None
    header: tuple[int, int] | None = None
    priority: int = 0x18
    extension: int | None = None
    accept: int | None = None
    accept_mask: int | None = None
    flow_mode: int = 0
    flow_number: int | None = None
    flow_data: bytes = b""

    @property
    def is_wide(self) -> bool:
        """True where identifiers have 29 bits."""
        return (self.settled or self.chosen) in {WIDE, "9", "A"}

    @property
    def number(self) -> int:
        """Identifier of requests. A header too long or too short for the protocol is cut or filled up."""
        if self.header is None:
            return FUNCTIONAL_29_BIT if self.is_wide else FUNCTIONAL_11_BIT
        value, _digits = self.header
        return self.priority << 24 | value & 0xFFFFFF if self.is_wide else value & 0x7FF

    @property
    def filter(self) -> tuple[int, int]:
        """Identifier listened to and its mask. Legislated answers: ISO 15765-4, 7E8..7EF and 18DAF1xx."""
        accept, mask = (0x18DAF100, 0x1FFFFF00) if self.is_wide else (0x7E8, 0x7F8)
        return (
            accept if self.accept is None else self.accept,
            mask if self.accept_mask is None else self.accept_mask,
        )

    @property
    def asks_on(self) -> FlowControl | None:
        """The flow control that it sends, or None."""
        if not self.flow_control:
            return None
        if self.flow_mode == 0:
            return FlowControl()
        return FlowControl(data=self.flow_data, number=self.flow_number if self.flow_mode == 1 else None)

    @property
    def next_wait_us(self) -> int:
        """How long it waits after a frame for another one. The parts are our own choice."""
        return self.wait_ms * 1000 // (1, 4, 8)[self.adaptive]


Setter = Callable[[Settings, tuple[str, ...]], bool]
"""Sets what the command's parts say; False if that cannot be."""

_FLAGS = {
    "E": "echo",
    "L": "linefeeds",
    "H": "headers",
    "S": "spaces",
    "CAF": "formatting",
    "CFC": "flow_control",
}


def _attribute(name: str, read: Callable[[str], object]) -> Setter:
    def set_it(settings: Settings, parts: tuple[str, ...]) -> bool:
        setattr(settings, name, read(parts[0]))
        return True

    return set_it


def _flag(settings: Settings, parts: tuple[str, ...]) -> bool:
    setattr(settings, _FLAGS[parts[0]], parts[1] == "1")
    return True


def _header(settings: Settings, parts: tuple[str, ...]) -> bool:
    digits = parts[0]
    settings.header = (int(digits, 16), len(digits))
    if len(digits) == 8:
        settings.priority = int(digits[:2], 16) & 0x1F
    return True


def _listen_to(settings: Settings, parts: tuple[str, ...]) -> bool:
    """An identifier in which X stands for any digit; without one, the legislated ones again."""
    digits = parts[0]
    settings.accept = int(digits.replace("X", "0"), 16) if digits else None
    mask = "".join("0" if digit == "X" else "F" for digit in digits)
    settings.accept_mask = int(mask, 16) & (0x7FF if len(digits) == 3 else 0x1FFFFFFF) if digits else None
    return True


def _flow_mode(settings: Settings, parts: tuple[str, ...]) -> bool:
    mode = int(parts[0])
    if (mode and not settings.flow_data) or (mode == 1 and settings.flow_number is None):
        return False
    settings.flow_mode = mode
    return True


def _protocol(settings: Settings, parts: tuple[str, ...]) -> bool:
    automatic, chosen = parts
    settings.chosen, settings.settled = chosen, None
    settings.searches = bool(automatic) or chosen == "0"
    return True


def _close_protocol(settings: Settings, _parts: tuple[str, ...]) -> bool:
    settings.settled = None
    return True


def _nothing(_settings: Settings, _parts: tuple[str, ...]) -> bool:
    return True


_ID, _ID_OR_X = "([0-9A-F]{3}|[0-9A-F]{8})", "([0-9A-FX]{3}|[0-9A-FX]{8}|)"
_SETTERS: tuple[tuple[str, Setter], ...] = (
    (f"({'|'.join(_FLAGS)})([01])", _flag),
    ("AT([012])", _attribute("adaptive", int)),
    ("ST([0-9A-F]{2})", _attribute("wait_ms", lambda hh: int(hh, 16) * _WAIT_STEP_MS or _DEFAULT_WAIT_MS)),
    ("CP([01][0-9A-F])", _attribute("priority", lambda hh: int(hh, 16))),
    ("CEA([0-9A-F]{2}|)", _attribute("extension", lambda hh: int(hh, 16) if hh else None)),
    ("SH([0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})", _header),
    (f"CRA{_ID_OR_X}", _listen_to),
    ("AR()", _listen_to),
    (f"CF{_ID}", _attribute("accept", lambda digits: int(digits, 16))),
    (f"CM{_ID}", _attribute("accept_mask", lambda digits: int(digits, 16))),
    ("FCSM([012])", _flow_mode),
    (f"FCSH{_ID}", _attribute("flow_number", lambda digits: int(digits, 16))),
    ("FCSD((?:[0-9A-F]{2}){1,5})", _attribute("flow_data", bytes.fromhex)),
    ("[ST]P(A?)([0-9A])", _protocol),
    ("PC", _close_protocol),
    ("M[01]", _nothing),
)
_COMPILED = tuple((re.compile(pattern), setter) for pattern, setter in _SETTERS)


def obey(settings: Settings, command: str) -> bool:
    """Carry out a command that sets something; False if there is no such command or it cannot be.

    Args:
        settings: what it changes.
        command: upper case, without spaces and without the leading ``AT``.
    """
    for pattern, setter in _COMPILED:
        match = pattern.fullmatch(command)
        if match:
            return setter(settings, match.groups())
    return False
