"""What the codes of ISO 13400-2 mean, in words, and what a person can do about them.

Source: ISO 13400-2:2019, generic header negative acknowledge codes, routing activation response codes, diagnostic
message negative acknowledge codes.
"""

from __future__ import annotations

from collections.abc import Mapping

ACTIVATED = 0x10
TO_BE_CONFIRMED = 0x11
WRONG_PATTERN = 0x00

_TESTER = "name a tester address that this vehicle allows: add ?tester=0E80, or another one from 0E00 to 0FFF"
_OTHERS = "end the other test programs that are connected to this vehicle, then try again"
_MAKER = "this vehicle wants what only its maker's tester can give; read it over its CAN connector"

ACTIVATION: Mapping[int, tuple[str, str]] = {
    0x00: ("it does not know the tester address {tester}", _TESTER),
    0x01: ("all its connections are in use", _OTHERS),
    0x02: ("this connection is active for another tester address than {tester}", "open the link again"),
    0x03: ("the tester address {tester} is in use on another connection", f"{_OTHERS}, or add another ?tester="),
    0x04: ("it asks for an authentication first", _MAKER),
    0x05: ("the confirmation at the vehicle was rejected", "open the link again and confirm it at the vehicle"),
    0x06: ("it does not know the activation type 00", _MAKER),
    0x07: (
        "it asks for an encrypted connection",
        "write doip:HOST?tls=1&ca=FILE with the certificate of whoever vouches for the vehicle, or ?tls=unverified",
    ),
}
"""Why a routing activation is denied, and the next step."""

REFUSALS: Mapping[int, str] = {
    0x02: "the gateway does not know the tester address",
    0x03: "the gateway knows no such address",
    0x04: "the request is too long for the gateway",
    0x05: "the gateway is out of memory: it may need --one-at-a-time",
    0x06: "the gateway cannot reach the unit",
    0x07: "the gateway does not know the unit's network",
    0x08: "the gateway could not hand the request to the unit",
}
"""Why a request is not on its way."""

NOT_FORWARDED = frozenset({0x02, 0x03, 0x04, 0x05, 0x07})
"""Of these, the codes that say that the gateway kept the request to itself.

06 and 08 are not among them: the gateway tried, and how much the unit got of the request it does not say.
"""

HEADERS: Mapping[int, str] = {
    0x00: "it does not know this version of DoIP",
    0x01: "it does not know this type of message",
    0x02: "the message is too large for it",
    0x03: "it is out of memory",
    0x04: "the length of the message is wrong",
}
"""Why the header of a message is not accepted."""


def activation_denied(code: int, tester: str) -> tuple[str, str]:
    """Why a routing activation is denied, and what to do next; an unknown code stays a number."""
    unknown = ("for a reason that is not in the standard", _MAKER)
    why, next_step = ACTIVATION.get(code, unknown)
    return f"{why.format(tester=tester)} (code {code:02X})", next_step


def refusal(code: int) -> str:
    """Why a request is not on its way; an unknown code stays a number."""
    return (
        f"{REFUSALS.get(code, 'the gateway refuses the request for a reason that is not in the standard')} ({code:02X})"
    )


def header_refused(code: int) -> str:
    """Why the header of a message is not accepted; an unknown code stays a number."""
    return f"{HEADERS.get(code, 'for a reason that is not in the standard')} ({code:02X})"
