"""What an explanation is: every byte of a message in parts, each with its meaning in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from decoders.layout import Layout
from decoders.obd_data import PIDS

_VALUE_PAGE = 0xF400
_VALUE_LENGTHS: Mapping[int, int] = MappingProxyType({_VALUE_PAGE | pid: PIDS[pid].length for pid in PIDS})


class Direction(StrEnum):
    """Who sends a message of this kind."""

    REQUEST = "request"
    ANSWER = "answer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One field of a message.

    Args:
        offset: index of its first byte, from 0.
        raw: its bytes, at least one.
        field: what it is.
        meaning: what its bytes say, in words and with units.
    """

    offset: int
    raw: bytes
    field: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """A message byte by byte.

    Args:
        direction: request or answer, as its first byte says; None for no byte at all.
        service: name of the service that is asked, or that answers; empty for no byte at all.
        title: what the message is, in one line.
        standard: the standard that defines it, with service and sub-function in its own terms; empty where none
            known here does.
        parts: every byte of the message exactly once and in order.
        problem: where and why the message is damaged, or None. What stands behind that place is not read.
        raw: the whole message.
    """

    direction: Direction | None
    service: str
    title: str
    standard: str
    parts: tuple[Part, ...]
    problem: str | None
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a unit beyond the standards, as a profile tells it.

    Args:
        identifiers: data identifier -> layout of its data; one without fields tells the length only.
        unscaled: data identifiers of which nothing but name and length was said: bytes that are printable ASCII may be
            text as well as a number.
        records: extended data record -> its layout, likewise.
        texts: code text such as ``C0035-13`` -> the maker's words.
    """

    identifiers: Mapping[int, Layout] = field(default_factory=dict)
    unscaled: frozenset[int] = frozenset()
    records: Mapping[int, Layout] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)

    @property
    def lengths(self) -> Mapping[int, int]:
        """Data identifier -> number of bytes, those that carry a PID of service 01 among them."""
        return {**_VALUE_LENGTHS, **{number: layout.length for number, layout in self.identifiers.items()}}

    @property
    def sizes(self) -> Mapping[int, int]:
        """Extended data record -> number of bytes."""
        return {number: layout.length for number, layout in self.records.items()}
