"""The trouble code as a value: two bytes of SAE J2012 and, where a unit gives it, the failure type byte."""

from __future__ import annotations

import re
from dataclasses import dataclass

from decoders.errors import UsageError

_LETTERS = "PCBU"
_TEXT = re.compile(r"([PCBU])([0-3])([0-9A-F]{3})(?:-([0-9A-F]{2}))?\Z")


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
        """Read ``P0420`` or ``C0035-14``.

        Raises:
            UsageError: the text is no code.
        """
        match = _TEXT.match(text.strip().upper())
        if match is None:
            raise UsageError(f"'{text}' is not a trouble code", next_step="write it like P0420 or C0035-14")
        base = _LETTERS.index(match[1]) << 14 | int(match[2]) << 12 | int(match[3], 16)
        return cls(base, None if match[4] is None else int(match[4], 16))
