"""The trouble code as a value: two bytes of SAE J2012 and, where a unit gives it, the failure type byte.

The same three bytes mean something else where a unit says that its codes have another format: see `Dtc.text_in`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.errors import UsageError

_LETTERS = "PCBU"
_TEXT = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})(?:-([0-9A-F]{2}))?\Z")
_SPN_TEXT = re.compile(r"SPN ?([0-9]{1,6})[- ]FMI ?([0-9]{1,2})\Z")
_HEX_TEXT = re.compile(r"HEX-((?:[0-9A-F]{2}){2,3})\Z")

FORMAT_NAMES: Mapping[int, str] = MappingProxyType(
    {
        0x00: "SAE J2012-DA, format 00",
        0x01: "ISO 14229-1",
        0x02: "SAE J1939-73",
        0x03: "ISO 11992-4",
        0x04: "SAE J2012-DA, format 04",
    }
)
"""DTC format identifier -> whose format it is. Source: ISO 14229-1, DTCFormatIdentifier."""

_LETTER_FORMATS = frozenset({0x00, 0x01, 0x04})
_SPN_FORMAT = 0x02
_MOST_SPN, _MOST_FMI = 0x7FFFF, 0x1F


def format_name(format_id: int) -> str:
    """Whose format a unit's codes have, by DTC format identifier, 0..FF; ``unknown format 7B`` for any other."""
    return FORMAT_NAMES.get(format_id, f"unknown format {format_id:02X}")


@dataclass(frozen=True, slots=True, order=True)
class Dtc:
    """One diagnostic trouble code.

    Args:
        base: the two bytes of the code, 0..FFFF.
        failure_type: the third byte (0..FF), or None for the two-byte codes of SAE J1979 services.

    Source: SAE J2012 / ISO 15031-6, code structure; ISO 14229-1, DTC format 01.
    """

    base: int
    failure_type: int | None = None

    @property
    def text(self) -> str:
        """``P0420`` for a two-byte code, ``C0035-14`` for a three-byte one."""
        letter = _LETTERS[self.base >> 14]
        text = f"{letter}{self.base >> 12 & 3}{self.base & 0xFFF:03X}"
        return text if self.failure_type is None else f"{text}-{self.failure_type:02X}"

    @property
    def spn_fmi(self) -> tuple[int, int] | None:
        """The same bytes as suspect parameter number (0..7FFFF) and failure mode (0..1F); None for two bytes.

        Source: SAE J1939-73, SPN low byte first, its top three bits above the failure mode (from memory).
        """
        if self.failure_type is None:
            return None
        spn = self.failure_type >> 5 << 16 | (self.base & 0xFF) << 8 | self.base >> 8
        return spn, self.failure_type & _MOST_FMI

    def text_in(self, format_id: int | None) -> str:
        """The code as its format writes it; `parse` reads each of these texts back to the same bytes.

        Args:
            format_id: the DTC format identifier, 0..FF, or None where the unit did not say: then as `text`.

        Returns:
            ``C0035-14`` in the formats 00, 01 and 04; ``SPN1208-FMI3`` in format 02; the bytes, ``HEX-403514``,
            in a format whose layout is not known here (03 among them) and for two bytes in format 02.

        Source: ISO 14229-1, DTCFormatIdentifier.
        """
        if format_id is None or format_id in _LETTER_FORMATS:
            return self.text
        pair = self.spn_fmi if format_id == _SPN_FORMAT else None
        return f"HEX-{self.raw.hex().upper()}" if pair is None else f"SPN{pair[0]}-FMI{pair[1]}"

    @property
    def base_only(self) -> Dtc:
        """The same code without its failure type: how OBD services write it."""
        return Dtc(self.base)

    @property
    def is_network(self) -> bool:
        """True for U codes: they complain about another unit or the bus."""
        return self.base >> 14 == 3

    @property
    def raw(self) -> bytes:
        """The two or three bytes as sent."""
        head = self.base.to_bytes(2, "big")
        return head if self.failure_type is None else head + bytes([self.failure_type])

    @classmethod
    def from_bytes(cls, raw: bytes) -> Dtc:
        """Read a code from exactly two or three bytes.

        Raises:
            ValueError: any other length.
        """
        if len(raw) not in (2, 3):
            raise ValueError(f"a trouble code has two or three bytes, not {len(raw)}")
        return cls(int.from_bytes(raw[:2], "big"), raw[2] if len(raw) == 3 else None)

    @classmethod
    def parse(cls, text: str) -> Dtc:
        """Read ``P0420`` or ``C0035-14``, and the other forms of `text_in`: ``SPN1208-FMI3``, ``HEX-403514``.

        Raises:
            UsageError: the text is no code.
        """
        tidy = text.strip().upper()
        if match := _TEXT.match(tidy):
            base = _LETTERS.index(match[1]) << 14 | int(match[2]) << 12 | int(match[3], 16)
            return cls(base, None if match[4] is None else int(match[4], 16))
        if match := _HEX_TEXT.match(tidy):
            return cls.from_bytes(bytes.fromhex(match[1]))
        if (match := _SPN_TEXT.match(tidy)) and int(match[1]) <= _MOST_SPN and int(match[2]) <= _MOST_FMI:
            spn = int(match[1])
            return cls((spn & 0xFF) << 8 | spn >> 8 & 0xFF, spn >> 16 << 5 | int(match[2]))
        raise UsageError(f"'{text}' is not a trouble code", next_step="write it like P0420 or C0035-14")
