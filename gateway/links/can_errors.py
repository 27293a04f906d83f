"""The one place where the errors of python-can and can-isotp become ours, and their log lines stay away."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager

import can
import isotp

from decoders.errors import LinkError

# They log what they also raise or hand over; with no log handler set Python would print it on the terminal.
for _name in ("can", "isotp", "seeedbus"):
    logging.getLogger(_name).addHandler(logging.NullHandler())

_NEXT_STEP: tuple[tuple[type[Exception], str], ...] = (
    (
        can.exceptions.CanInterfaceNotImplementedError,
        "install the driver of this interface, or choose another with `mendproof links`",
    ),
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
    (OSError, "check that the adapter or port is there, then run the step again"),
)


@contextmanager
def map_can_errors(doing: str) -> Iterator[None]:
    """Turn what the CAN libraries or the operating system raise into LinkError.

    Args:
        doing: what was being done, for the message, e.g. ``cannot send on can:virtual:x``.

    Raises:
        LinkError: python-can, can-isotp or the operating system raised inside the block.
    """
    try:
        yield
    except tuple(kind for kind, _ in _NEXT_STEP) as error:
        step = next(text for kind, text in _NEXT_STEP if isinstance(error, kind))
        raise LinkError(f"{doing}: {str(error) or type(error).__name__}", next_step=step) from error
