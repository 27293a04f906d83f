"""What to look at where nobody answered, by the kind of link."""

from __future__ import annotations

from collections.abc import Mapping

_KEY = "check that the key is on"
_BY_KIND: Mapping[str, str] = {
    "can": f"{_KEY}, that the connector sits, and the bit rate",
    "dongle": f"{_KEY}, and that the dongle sits firmly in the connector",
    "doip": f"{_KEY}, and the addresses of the units in the profile",
    "replay": "check that the record names the job and the scan in which units answered",
}
_ANY = f"{_KEY}, and that the connector sits"


def to_be_heard(address: str) -> str:
    """What to check, in words that follow a colon or an arrow.

    Args:
        address: that of the link, e.g. ``dongle:/dev/rfcomm0``.
    """
    return _BY_KIND.get(address.strip().partition(":")[0], _ANY)
