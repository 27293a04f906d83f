"""The one place where the errors of python-can and can-isotp become ours, and their log lines stay away."""

from __future__ import annotations

import errno
import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import can
import isotp

from decoders.errors import LinkError

# They log what they also raise or hand over; with no log handler set Python would print it on the terminal.
for _name in ("can", "isotp", "seeedbus"):
    logging.getLogger(_name).addHandler(logging.NullHandler())

NO_DRIVER = "install the driver of this interface, or choose another with `mendproof links`"
_NOT_THERE = "check that the adapter is plugged in and named as in `mendproof links`, then try again"
_GONE = "plug the adapter in again, then run the step again"
_NOBODY_LISTENS = "check that the adapter or bench is on and listens at that address, then try again"
_NO_CAN_HERE = "this system has no CAN sockets: load its CAN support, or choose another interface"

_BY_NUMBER: Mapping[int, str] = {
    errno.EACCES: "give your user access to the port, e.g. by the group that owns it, then try again",
    errno.EPERM: "give your user access to the port, e.g. by the group that owns it, then try again",
    errno.ENOENT: _NOT_THERE,
    errno.ENODEV: _NOT_THERE,
    errno.ENXIO: _NOT_THERE,
    errno.EBUSY: "end the other program that uses the adapter, then try again",
    errno.ENETDOWN: "switch the interface on in the system with the bus's bit rate (500000 or 250000), then try again",
    errno.ENOBUFS: "nobody on the bus takes the frames: check the bit rate, the ignition and the plug, then try again",
    errno.ECONNREFUSED: _NOBODY_LISTENS,
    errno.EHOSTUNREACH: _NOBODY_LISTENS,
    errno.ENETUNREACH: _NOBODY_LISTENS,
    errno.ETIMEDOUT: _NOBODY_LISTENS,
    errno.EAFNOSUPPORT: _NO_CAN_HERE,
    errno.EPROTONOSUPPORT: _NO_CAN_HERE,
    errno.EIO: _GONE,
    errno.EPIPE: _GONE,
    errno.ECONNRESET: _GONE,
    errno.EBADF: _GONE,
}
"""What to do by the operating system's own error number, whichever library passes it on."""

_NEXT_STEP: tuple[tuple[type[Exception], str], ...] = (
    (can.exceptions.CanInterfaceNotImplementedError, NO_DRIVER),
    (
        can.exceptions.CanInitializationError,
        "check that the adapter is plugged in, free, and named as in `mendproof links`",
    ),
    (
        can.exceptions.CanTimeoutError,
        "check the bit rate, the ignition and the plug, then run the step again",
    ),
    (can.exceptions.CanOperationError, "check the plug and the cable, then run the step again"),
    (can.CanError, "check the adapter, then run the step again"),
    (isotp.errors.IsoTpError, "run the step again; if it stays, ask one unit at a time"),
    (OSError, "check that the adapter or port is there and its driver installed, then run the step again"),
)
_KINDS: tuple[type[Exception], ...] = tuple(kind for kind, _ in _NEXT_STEP)
# What backends of python-can raise for a driver that is not installed; NameError: its functions were never loaded.
_MISSING = (can.exceptions.CanInterfaceNotImplementedError, ImportError, NameError)
_WHATEVER_ELSE = "check the interface, the channel and the options of the link"


@contextmanager
def map_can_errors(doing: str, *, anything: bool = False, driver: str = NO_DRIVER) -> Iterator[None]:
    """Turn what the CAN libraries or the operating system raise into LinkError.

    Args:
        doing: what was being done, for the message, e.g. ``cannot send on can:virtual:x``.
        anything: True where only a driver's code runs, which may raise anything.
        driver: what to do when the driver is missing.

    Raises:
        LinkError: python-can, can-isotp or the operating system raised inside the block.
    """
    kinds = (Exception,) if anything else _KINDS
    try:
        yield
    except LinkError:
        raise
    except kinds as error:
        raise LinkError(f"{doing}: {_words(error)}", next_step=_next_step(error, driver)) from error


def system_error_number(error: BaseException) -> int | None:
    """The operating system's error number that an error, or one that led to it, carries (`errno`)."""
    return next((e.errno for e in _chain(error) if isinstance(e, OSError) and e.errno is not None), None)


def _next_step(error: Exception, driver: str) -> str:
    if isinstance(error, _MISSING):
        return driver
    number = system_error_number(error)
    if number is not None and number in _BY_NUMBER:
        return _BY_NUMBER[number]
    return next((text for kind, text in _NEXT_STEP if isinstance(error, kind)), _WHATEVER_ELSE)


def _words(error: Exception) -> str:
    """What the error says; where that names no cause ("could not read"), with what the cause says."""
    said = str(error) or type(error).__name__
    cause = error.__cause__
    more = str(cause) if cause is not None else ""
    return said if not more or more in said else f"{said}: {more}"


def _chain(error: BaseException) -> Iterator[BaseException]:
    seen: set[int] = set()
    at: BaseException | None = error
    while at is not None and id(at) not in seen:
        seen.add(id(at))
        yield at
        at = at.__cause__ or at.__context__
