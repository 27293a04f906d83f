"""The list: every command that may reach a dongle beside a request that the guard let through.

Nothing here writes a dongle's memory. What the commands do is common practice of AT-command dongles.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DongleCommand:
    """One command.

    Args:
        form: how it is written, a regular expression over upper-case text without spaces.
        does: what it does.
    """

    form: str
    does: str


_ID = "(?:[0-9A-F]{3}|[0-9A-F]{8})"

DONGLE_COMMANDS: tuple[DongleCommand, ...] = (
    DongleCommand("\x7f\x7f", "nothing: it is no command, and makes a dongle write its prompt"),
    DongleCommand("ATZ", "restarts the dongle with what its memory holds"),
    DongleCommand("ATE0", "commands are not repeated in the reply"),
    DongleCommand("ATH1", "frames are written with their identifier"),
    DongleCommand("ATL0", "lines end in CR alone"),
    DongleCommand("ATM0", "a protocol that was found is not stored"),
    DongleCommand("ATRV", "reads the supply voltage"),
    DongleCommand("ATDPN", "tells the protocol"),
    DongleCommand("ATTPA?[0-9A]", "chooses a protocol without storing it"),
    DongleCommand("ATAT0", "waits the whole set time for more frames, never a time it guessed"),
    DongleCommand("ATST[0-9A-F]{2}", "sets how long it waits for frames, in steps of 4 ms"),
    DongleCommand("ATSH(?:[0-9A-F]{3}|[0-9A-F]{6})", "sets the identifier of requests"),
    DongleCommand("ATCP[01][0-9A-F]", "sets the upper five bits of a 29-bit identifier"),
    DongleCommand("ATCEA(?:[0-9A-F]{2})?", "sets the address byte before the PCI, or takes it away"),
    DongleCommand(f"ATCF{_ID}", "sets the identifier listened to"),
    DongleCommand(f"ATCM{_ID}", "sets which bits of that identifier count"),
    DongleCommand(f"ATFCSH{_ID}", "sets the identifier of flow control"),
    DongleCommand("ATFCSD300000", "sets the bytes of flow control: go on, all at once"),
    DongleCommand("ATFCSM[01]", "takes flow control as set, or builds it itself"),
)
_FORMS = tuple(re.compile(command.form) for command in DONGLE_COMMANDS)
_STORING = re.compile(r"ATSP(A?[0-9A])")


def admitted(written: bytes, request: str | None) -> bytes | None:
    """What may go to the dongle in place of what a program wants to write; None if nothing may.

    A bare CR, which repeats the last request, and several commands at once are never admitted. A command that would
    store a protocol goes out in the form that does not.

    Args:
        written: what is to be written, with the CR at its end.
        request: the one request that is allowed now, as hex text, or None.
    """
    text = written.decode("latin-1")
    if not text.endswith("\r"):
        return None
    text = text[:-1]
    if request and text == request:
        return written
    command = text.replace(" ", "").upper()
    storing = _STORING.fullmatch(command)
    if storing is not None:
        return f"ATTP{storing[1]}\r".encode("ascii")
    return written if any(form.fullmatch(command) for form in _FORMS) else None
