"""Unit addresses, written the same everywhere: ``REQUEST/RESPONSE`` in upper-case hex.

Three digits are an 11-bit identifier, eight digits a 29-bit one; ``:HH`` after an identifier is the byte
before the protocol control information (extended and mixed addressing look the same on the wire).
Pairs come from a profile, from the table of ISO 15765-4 or from a sweep that saw both, never from adding a number.
A unit behind a DoIP gateway has one logical address, written ``doip:1010``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from decoders.errors import UsageError

_ID = re.compile(r"([0-9A-F]{3}|[0-9A-F]{8})(?::([0-9A-F]{2}))?\Z")
_DOIP_ADDRESS = re.compile(r"[0-9A-F]{4}\Z")
_FUNCTIONAL = "functional:"
DOIP = "doip:"
MAX_11_BIT = 0x7FF
MAX_29_BIT = 0x1FFFFFFF


@dataclass(frozen=True, slots=True, order=True)
class CanId:
    """One CAN identifier with its width and, if used, the address byte before the PCI.

    Args:
        number: the identifier, 0..7FF (11-bit) or 0..1FFFFFFF (29-bit).
        is_29_bit: True for an extended-format frame.
        extension: the address byte of extended or mixed addressing, or None.
    """

    number: int
    is_29_bit: bool
    extension: int | None = None

    @property
    def text(self) -> str:
        """The identifier as written in a unit address."""
        digits = f"{self.number:08X}" if self.is_29_bit else f"{self.number:03X}"
        return digits if self.extension is None else f"{digits}:{self.extension:02X}"

    @classmethod
    def parse(cls, text: str) -> CanId:
        """Read an identifier such as ``7E0``, ``18DA10F1`` or ``6F0:12``.

        Raises:
            UsageError: the text is no identifier.
        """
        match = _ID.match(text.strip().upper())
        if match is None:
            raise UsageError(
                f"'{text}' is not a CAN identifier",
                next_step="write 3 hex digits for 11-bit or 8 for 29-bit, e.g. 7E0 or 18DA10F1",
            )
        number = int(match[1], 16)
        is_29_bit = len(match[1]) == 8
        if number > (MAX_29_BIT if is_29_bit else MAX_11_BIT):
            raise UsageError(f"'{text}' is larger than a CAN identifier can be", next_step="check the digits")
        return cls(number, is_29_bit, None if match[2] is None else int(match[2], 16))


@dataclass(frozen=True, slots=True, order=True)
class UnitAddress:
    """The pair of identifiers by which one control unit is asked and answers."""

    request: CanId
    response: CanId

    @property
    def text(self) -> str:
        """The address as the journal, the commands and the reports write it."""
        return f"{self.request.text}/{self.response.text}"

    @property
    def source(self) -> str:
        """The right half: how this unit's answers are labelled."""
        return self.response.text

    @classmethod
    def parse(cls, text: str) -> UnitAddress:
        """Read ``REQUEST/RESPONSE``.

        Raises:
            UsageError: the text is not such a pair.
        """
        left, slash, right = text.partition("/")
        if not slash:
            raise UsageError(
                f"'{text}' is not a unit address",
                next_step="write REQUEST/RESPONSE in hex, e.g. 7E0/7E8 or 18DA10F1/18DAF110",
            )
        return cls(CanId.parse(left), CanId.parse(right))


def is_doip(target: str) -> bool:
    """True if the target is reached over ISO 13400: a unit's logical address, or a functional group's."""
    return target.removeprefix(_FUNCTIONAL).startswith(DOIP)


def doip_number(target: str) -> int:
    """The logical address of a DoIP target, ``doip:1010`` or ``functional:doip:E400``.

    Raises:
        UsageError: the text is no such target.
    """
    digits = target.removeprefix(_FUNCTIONAL).removeprefix(DOIP).upper()
    if not is_doip(target) or _DOIP_ADDRESS.match(digits) is None:
        raise UsageError(f"'{target}' is not a DoIP address", next_step="write 4 hex digits, e.g. doip:1010")
    return int(digits, 16)


def doip_unit(number: int) -> str:
    """The text of a unit with this logical address, e.g. ``doip:1010``."""
    return f"{DOIP}{number:04X}"


def normalise_unit(text: str) -> str:
    """Give the canonical text of a unit address; raises UsageError like `UnitAddress.parse` and `doip_number`."""
    stripped = text.strip()
    if stripped.lower().startswith(DOIP):
        return doip_unit(doip_number(DOIP + stripped[len(DOIP) :]))
    return UnitAddress.parse(text).text


def functional_target(group: str) -> str:
    """The target of a functional request: by CAN identifier, ``functional:7DF``, or DoIP, ``functional:doip:E400``."""
    if is_doip(group):
        return f"{_FUNCTIONAL}{doip_unit(doip_number(group))}"
    return f"{_FUNCTIONAL}{CanId.parse(group).text}"


def is_functional(target: str) -> bool:
    """True if the target names a functional (broadcast) request."""
    return target.startswith(_FUNCTIONAL)


def source_of(target: str) -> str:
    """The source label of answers from a unit asked by its own address: the right half of the text."""
    return target.rpartition("/")[2]


def unit_of_source(source: str) -> str | None:
    """The unit that an answer's source tells: a DoIP address is its own; otherwise see `iso_15765_4_unit`."""
    return source if source.startswith(DOIP) else iso_15765_4_unit(source)


def iso_15765_4_unit(source: str) -> str | None:
    """The unit address that belongs to a response identifier by ISO 15765-4, or None.

    7E8..7EF belong to 7E0..7E7; 18DAF1xx belongs to 18DAxxF1 (normal fixed, tester F1).
    Source: ISO 15765-4, legislated diagnostic identifiers.
    """
    if len(source) == 3 and source.startswith("7E") and source[2] in "89ABCDEF":
        return f"7E{int(source[2], 16) - 8:X}/{source}"
    if len(source) == 8 and source.startswith("18DAF1"):
        return f"18DA{source[6:]}F1/{source}"
    return None
