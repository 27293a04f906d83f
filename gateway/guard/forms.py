"""The form of a payload: how it begins and how many bytes follow. The rows of `allowlist` are written with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Form:
    """Payloads that begin with `head` and go on for `least` to `most` bytes, in steps of `step`.

    Args:
        head: the first bytes in hex.
        about: what it asks for, and what the bytes behind the head are.
        least: fewest bytes behind the head.
        most: most bytes behind the head.
        step: they come in groups of so many.
    """

    head: str
    about: str
    least: int = 0
    most: int = 0
    step: int = 1

    def fits(self, data: bytes) -> bool:
        """True if the payload has this form."""
        head = bytes.fromhex(self.head)
        tail = len(data) - len(head)
        return data.startswith(head) and self.least <= tail <= self.most and tail % self.step == 0


def any_fits(forms: Iterable[Form], data: bytes) -> bool:
    """True if the payload has one of these forms."""
    return any(form.fits(data) for form in forms)


def by_service(forms: Iterable[Form]) -> Mapping[int, tuple[Form, ...]]:
    """The forms by the first byte of their payloads."""
    found: dict[int, tuple[Form, ...]] = {}
    for form in forms:
        service = bytes.fromhex(form.head)[0]
        found[service] = (*found.get(service, ()), form)
    return found
