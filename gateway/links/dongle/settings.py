"""What a dongle must be set to for a target, as commands. Pure: it knows no port.

The commands are common practice of AT-command dongles. Identifiers: ISO 15765-4.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from decoders.errors import UsageError
from decoders.values import CanId, UnitAddress, is_functional

FUNCTIONAL = {False: "functional:7DF", True: "functional:18DB33F1"}
"""The legislated functional targets, by the width of their identifiers. Source: ISO 15765-4."""
RATES: tuple[dict[bool, str], ...] = ({False: "6", True: "7"}, {False: "8", True: "9"})
"""Protocol numbers at 500 and at 250 kbit/s, by the width of identifiers."""
MOST_BYTES = 7
_LISTEN = {False: ("7E8", "7F8"), True: ("18DAF100", "1FFFFF00")}
_EXACTLY = {False: "7FF", True: "1FFFFFFF"}
_PROTOCOL = "protocol"
_SURVIVES = frozenset({"echo", "identifiers", "extension", "flow mode", "flow data", "adaptive", "wait"})
_WAIT_STEP_MS = 4
_LONGEST_WAIT = 0xFF


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing to set.

    Args:
        name: what it sets.
        command: the command that sets it.
        needed: False where a dongle that does not know the command needs no such setting.
    """

    name: str
    command: str
    needed: bool = True


BASICS = (Setting("echo", "ATE0"), Setting("identifiers", "ATH1"))
"""Without these no reply can be read; python-OBD sets them first."""
_DEFAULTS = {"extension": "ATCEA", "flow mode": "ATFCSM0"}


class Settings:
    """What a dongle is known to be set to; as created: as python-OBD leaves it after a restart."""

    def __init__(self) -> None:
        self._known = _DEFAULTS | {setting.name: setting.command for setting in BASICS}

    def forget(self) -> None:
        """Take it that the dongle may have restarted; what a restart sets anyway stays known."""
        self._known = {name: command for name, command in self._known.items() if _DEFAULTS.get(name) == command}

    def missing(self, wanted: Iterable[Setting]) -> list[Setting]:
        """Those that are not set so; after a change of protocol everything that depends on it."""
        missing: list[Setting] = []
        changed = False
        for setting in wanted:
            known = self._known.get(setting.name) == setting.command
            if not known or (changed and setting.name not in _SURVIVES):
                missing.append(setting)
                changed = changed or setting.name == _PROTOCOL
        return missing

    def begin(self, setting: Setting) -> None:
        """The command is about to be written: until the dongle agrees nothing is known of it."""
        self._known.pop(setting.name, None)
        if setting.name == _PROTOCOL:
            self._known = {name: command for name, command in self._known.items() if name in _SURVIVES}

    def done(self, setting: Setting) -> None:
        """The dongle agreed."""
        self._known[setting.name] = setting.command


def width_of(target: str) -> bool:
    """True for a target with 29-bit identifiers."""
    return target == FUNCTIONAL[True] if is_functional(target) else UnitAddress.parse(target).request.is_29_bit


LONGEST_WAIT_MS = _LONGEST_WAIT * _WAIT_STEP_MS
"""A dongle waits no longer for an answer, whatever is asked for."""


def waits(wait_ms: int) -> tuple[Setting, ...]:
    """Wait so long for each frame, and never shorter by the dongle's own guess.

    A guess that is too short would turn a slow unit into one that stays silent.
    """
    steps = min(_LONGEST_WAIT, -(-wait_ms // _WAIT_STEP_MS))
    return (Setting("adaptive", "ATAT0", needed=False), Setting("wait", f"ATST{max(1, steps):02X}"))


def settings_for(target: str, rate: dict[bool, str]) -> tuple[Setting, ...]:
    """Everything that the target needs, in the order in which it must be set."""
    if is_functional(target):
        asked = CanId.parse(target.partition(":")[2])
        listen, mask = _LISTEN[asked.is_29_bit]
        flow: tuple[Setting, ...] = (Setting("flow mode", "ATFCSM0"),)
    else:
        unit = UnitAddress.parse(target)
        asked = unit.request
        listen, mask = _digits(unit.response), _EXACTLY[asked.is_29_bit]
        flow = _flow(unit)
    extension = "" if asked.extension is None else f"{asked.extension:02X}"
    return (
        Setting(_PROTOCOL, f"ATTP{rate[asked.is_29_bit]}"),
        *_header(asked),
        Setting("listen", f"ATCF{listen}"),
        Setting("mask", f"ATCM{mask}"),
        Setting("extension", f"ATCEA{extension}"),
        *flow,
    )


def unsendable(target: str, data: bytes) -> str | None:
    """Why a dongle cannot send a request at all, or None if it can."""
    room = MOST_BYTES
    if is_functional(target):
        if target not in FUNCTIONAL.values():
            return f"this link knows who answers to {' and '.join(FUNCTIONAL.values())} only"
    else:
        try:
            unit = UnitAddress.parse(target)
        except UsageError as error:
            return error.message
        if unit.request.is_29_bit != unit.response.is_29_bit:
            return "a dongle asks and listens with identifiers of one width"
        if (unit.request.extension is None) != (unit.response.extension is None):
            return "a dongle uses an address byte both ways or not at all"
        room -= unit.request.extension is not None
    if not data:
        return "the request is empty"
    if len(data) > room:
        return f"a dongle sends at most {room} bytes" + ("" if room == MOST_BYTES else " with an address byte")
    return None


def _header(asked: CanId) -> tuple[Setting, ...]:
    digits = _digits(asked)
    if not asked.is_29_bit:
        return (Setting("header", f"ATSH{digits}"),)
    return (Setting("priority", f"ATCP{digits[:2]}"), Setting("header", f"ATSH{digits[2:]}"))


def _flow(unit: UnitAddress) -> tuple[Setting, ...]:
    """Flow control as the dongle builds it reaches 11-bit pairs 8 apart and 29-bit pairs with swapped addresses."""
    asked, answers = unit.request.number, unit.response.number
    swapped = answers & ~0xFFFF | (answers & 0xFF) << 8 | answers >> 8 & 0xFF
    if asked == (swapped if unit.request.is_29_bit else answers - 8):
        return (Setting("flow mode", "ATFCSM0"),)
    return (
        Setting("flow identifier", f"ATFCSH{_digits(unit.request)}"),
        Setting("flow data", "ATFCSD300000"),
        Setting("flow mode", "ATFCSM1"),
    )


def _digits(can_id: CanId) -> str:
    return f"{can_id.number:08X}" if can_id.is_29_bit else f"{can_id.number:03X}"
