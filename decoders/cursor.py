"""The one way bytes are read: a bounds-checked cursor over a payload.

Running out of bytes is a DecodeError that names the field and the place, never an IndexError.
"""

from __future__ import annotations

from collections.abc import Collection

from decoders.errors import DecodeError

PADDING = frozenset({0x00, 0x55, 0xAA, 0xCC, 0xFF})
"""Fill bytes met behind a message. Source: ISO 15765-2 (CC) and common practice (the others)."""


def is_padding(data: bytes) -> bool:
    """True if `data` is one fill byte, repeated. Empty bytes are no padding."""
    return len(set(data)) == 1 and data[0] in PADDING


class Cursor:
    """Reads a payload from front to back.

    Args:
        data: the whole payload, service identifier first.
    """

    __slots__ = ("_data", "_offset")

    def __init__(self, data: bytes) -> None:
        self._data = bytes(data)
        self._offset = 0

    @property
    def offset(self) -> int:
        """Index of the next byte to be read."""
        return self._offset

    @property
    def remaining(self) -> int:
        """Number of bytes not read yet."""
        return len(self._data) - self._offset

    def peek(self, count: int, field: str) -> bytes:
        """Give the next `count` bytes and stay in front of them.

        Raises:
            DecodeError: fewer are left, or `count` is below zero.
        """
        if not 0 <= count <= self.remaining:
            reason = f"{count} bytes are needed, {self.remaining} are left"
            raise DecodeError(field, len(self._data), self._data, reason)
        return self._data[self._offset : self._offset + count]

    def take(self, count: int, field: str) -> bytes:
        """Read the next `count` bytes; raises like `peek`."""
        found = self.peek(count, field)
        self._offset += count
        return found

    def u8(self, field: str) -> int:
        """Read one byte, 0..FF; raises like `peek`."""
        return self.take(1, field)[0]

    def u16(self, field: str) -> int:
        """Read two bytes, high byte first; raises like `peek`."""
        return int.from_bytes(self.take(2, field), "big")

    def u24(self, field: str) -> int:
        """Read three bytes, high byte first; raises like `peek`."""
        return int.from_bytes(self.take(3, field), "big")

    def u32(self, field: str) -> int:
        """Read four bytes, high byte first; raises like `peek`."""
        return int.from_bytes(self.take(4, field), "big")

    def one_of(self, allowed: Collection[int], field: str) -> int:
        """Read one byte that must be among `allowed`.

        Raises:
            DecodeError: no byte is left, or it is another one.
        """
        found = self.u8(field)
        if found not in allowed:
            raise self.error(field, self._offset - 1, f"{found:02X} is not expected here")
        return found

    def rest(self) -> bytes:
        """Read all that is left; may be empty."""
        return self.take(self.remaining, "rest")

    def padding(self, field: str) -> bytes:
        """Read all that is left, which may be nothing or fill bytes.

        Raises:
            DecodeError: what is left is neither; the message is longer than its content says, or cut.
        """
        start = self._offset
        found = self.rest()
        if found and not is_padding(found):
            raise self.error(field, start, f"{len(found)} bytes too many or too few: {found.hex(' ').upper()}")
        return found

    def error(self, field: str, offset: int, reason: str) -> DecodeError:
        """The error for a byte of this payload that has been read and is wrong."""
        return DecodeError(field, offset, self._data, reason)
