"""The root of every error this project raises on purpose.

::

    MendproofError                 kind, exit code, what to do next
    |-- UsageError       exit 2    the command or its arguments are off
    |-- LinkError        exit 3    the way to the vehicle is missing or broken
    |-- RecordError      exit 4    the store or the journal is missing, locked or damaged
    |-- RefusedError     exit 5    the guard or a safety interlock said no
    `-- DecodeError      (a value)  bytes that do not mean what the standard says they should

What a vehicle does (refuses, stays silent, answers damaged bytes) is a value, never one of these:
see ``decoders.values.exchange``.
"""

from __future__ import annotations

from typing import ClassVar


class MendproofError(Exception):
    """An error with one line for the user and one line on what to do next."""

    kind: ClassVar[str] = "internal"
    exit_code: ClassVar[int] = 70

    def __init__(self, message: str, *, next_step: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.next_step = next_step


class UsageError(MendproofError):
    """The command line, a file named on it or the order of steps is wrong."""

    kind = "usage"
    exit_code = 2


class LinkError(MendproofError):
    """The link address is unknown, the interface is missing or the connection broke."""

    kind = "link"
    exit_code = 3


class RecordError(MendproofError):
    """The store is missing, locked, too new or its chain is broken."""

    kind = "record"
    exit_code = 4


class RefusedError(MendproofError):
    """The guard or a safety interlock refused to send something."""

    kind = "refused"
    exit_code = 5


class DecodeError(MendproofError):
    """Bytes that do not decode.

    Args:
        field: the name of the field that could not be read.
        offset: index of the first byte that is wrong or missing, counted from the start of the payload.
        data: the whole payload, so that nothing is lost.
    """

    kind = "decode"
    exit_code = 2

    def __init__(self, field: str, offset: int, data: bytes, reason: str) -> None:
        super().__init__(f"{field} at byte {offset}: {reason}")
        self.field = field
        self.offset = offset
        self.data = data
        self.reason = reason
