"""One row of a vector table: bytes, what they mean, and who says so."""

from collections.abc import Callable
from typing import Any, NamedTuple


class Vector(NamedTuple):
    """Decoding `hex_text` with `decode` gives a value whose named fields are `expected`."""

    id: str
    hex_text: str
    decode: Callable[[bytes], Any]
    expected: dict[str, Any]
    source: str

    @property
    def data(self) -> bytes:
        """The payload."""
        return bytes.fromhex(self.hex_text)
