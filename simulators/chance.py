"""Chance that concurrency cannot change: each draw depends only on what it is for."""

from __future__ import annotations

import hashlib


def draw(below: int, *, seed: int, unit: str, cause: str, nth: int) -> int:
    """A number 0..below-1 that is always the same for the same seed, unit, cause and count.

    A hash rather than a shared generator: the order in which draws are asked for must not matter.
    """
    key = f"{seed}|{unit}|{cause}|{nth}".encode()
    return int.from_bytes(hashlib.blake2b(key, digest_size=8).digest(), "big") % below
