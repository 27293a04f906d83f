"""The journal: the append-only, hash-chained list of all that happened in a job."""

from sessions.journal.codec import exchange_from_payload, exchange_to_payload
from sessions.journal.entry import (
    DURABLE_KINDS,
    FIRST_PREV,
    ChainBreak,
    Entry,
    Kind,
    SealedEntry,
    canonical,
    entry_hash,
    find_break,
    find_break_in_sealed,
    seal,
)

__all__ = [
    "DURABLE_KINDS",
    "FIRST_PREV",
    "ChainBreak",
    "Entry",
    "Kind",
    "SealedEntry",
    "canonical",
    "entry_hash",
    "exchange_from_payload",
    "exchange_to_payload",
    "find_break",
    "find_break_in_sealed",
    "seal",
]
