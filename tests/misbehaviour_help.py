"""What the tests of misbehaviour share: the car's units, and what they say at the desk."""

from __future__ import annotations

from simulators.desk import Desk

ENGINE, GEARS, BRAKE, CLIMATE = "7E0/7E8", "7E1/7E9", "760/768", "18DA60F1/18DAF160"
CLEAR = "14FFFFFF"
LIST = "1902FF"


def ask(desk: Desk, unit: str, request: str, *, functional: bool = False) -> list[str]:
    replies = desk.ask(unit, bytes.fromhex(request), functional=functional)
    return [reply.data.hex().upper() for reply in replies]


def codes(listed: list[str]) -> dict[str, int]:
    """What an answer 59 02 lists: code and status."""
    (answer,) = listed
    assert answer.startswith("5902")
    body = answer[6:]
    return {body[at : at + 6]: int(body[at + 6 : at + 8], 16) for at in range(0, len(body), 8)}
