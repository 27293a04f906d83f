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

    # Every method below is on the way of each answer that is read, so each looks into the bytes itself.
    __slots__ = ("_data", "_end", "_offset")

    def __init__(self, data: bytes) -> None:
        self._data = bytes(data)
        self._end = len(data)
        self._offset = 0

    @property
    def offset(self) -> int:
        """Index of the next byte to be read."""
        return self._offset

    @property
    def remaining(self) -> int:
        """Number of bytes not read yet."""
        return self._end - self._offset

    def peek(self, count: int, field: str) -> bytes:
        """Give the next `count` bytes and stay in front of them.

        Raises:
            DecodeError: fewer are left, or `count` is below zero.
        """
        stop = self._offset + count
        if not self._offset <= stop <= self._end:
            raise self._short(count, field)
        return self._data[self._offset : stop]

    def take(self, count: int, field: str) -> bytes:
        """Read the next `count` bytes; raises like `peek`."""
        start, stop = self._offset, self._offset + count
        if not start <= stop <= self._end:
            raise self._short(count, field)
        self._offset = stop
        return self._data[start:stop]

    def u8(self, field: str) -> int:
        """Read one byte, 0..FF; raises like `peek`."""
        offset = self._offset
        if offset >= self._end:
            raise self._short(1, field)
        self._offset = offset + 1
        return self._data[offset]

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

    def take_whole(self, size: int) -> bytes:
        """Read as many whole records of `size` bytes as are left; may be empty. `size` is above 0."""
        start = self._offset
        self._offset = self._end - (self._end - start) % size
        return self._data[start : self._offset]

    def rest(self) -> bytes:
        """Read all that is left; may be empty."""
        start, self._offset = self._offset, self._end
        return self._data[start:]

    def padding(self, field: str) -> bytes:
        """Read all that is left, which may be nothing or fill bytes.

        Raises:
            DecodeError: what is left is neither; the message is longer than its content says, or cut.
        """
        start = self._offset
        if start == self._end:
            return b""
        found = self.rest()
        if not is_padding(found):
            raise self.error(field, start, f"{len(found)} bytes too many or too few: {found.hex(' ').upper()}")
        return found

    def _short(self, count: int, field: str) -> DecodeError:
        left = self._end - self._offset
        needed = "1 byte is" if count == 1 else f"{count} bytes are"
        reason = f"{needed} needed, {left} {'is' if left == 1 else 'are'} left"
        return DecodeError(field, self._end, self._data, reason)

    def error(self, field: str, offset: int, reason: str) -> DecodeError:
        """The error for a byte of this payload that has been read and is wrong."""
        return DecodeError(field, offset, self._data, reason)
