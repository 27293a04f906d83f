"""One journal entry, its canonical bytes and the hash that chains it to the one before.

The hash is SHA-256 over the previous hash followed by the RFC 8785 form of the header, which holds the
digests of payload and raw body. Both digests are over uncompressed bytes, so a body may be compressed or
purged and the chain stays whole.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypedDict, Unpack

import rfc8785

FIRST_PREV = bytes(32)
MAX_INTEGER = 2**53 - 1


class Kind(StrEnum):
    """What an entry records: the closed list."""

    JOB = "job"
    RUN = "run"
    PROFILE = "profile"
    SETTINGS = "settings"
    LINK = "link"
    SCAN_BEGIN = "scan_begin"
    EXCHANGE = "exchange"
    FRAMES = "frames"
    SCAN_END = "scan_end"
    CLEAR = "clear"
    ROUTINE = "routine"
    SHEET = "sheet"
    OBSERVATION = "observation"
    DECISION = "decision"
    WORLD = "world"
    SIGHTING = "sighting"
    VERDICT = "verdict"
    REVIEW = "review"
    IMPORT = "import"
    ATTACHMENT = "attachment"
    PURGE = "purge"
    CLOSE = "close"


DURABLE_KINDS = frozenset({Kind.CLEAR, Kind.ROUTINE, Kind.DECISION, Kind.REVIEW, Kind.CLOSE})
"""Kinds that must survive a power cut, not only a killed process."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry as stored.

    Args:
        job_uid: the job's UUID; the chain is per job.
        seq: from 1, without gaps.
        kind: what it records.
        at: UTC by the machine clock, ISO 8601 with milliseconds and Z.
        run: random id of the process that wrote it.
        mono_us: monotonic microseconds, comparable only within one `run`.
        actor: who did it.
        payload: the meaning: text, integers below 2**53, booleans, lists and objects; no floats, no nulls.
        raw: a binary body, or None.
        prev: hash of the entry before (32 bytes).
        hash: hash of this entry (32 bytes).
    """

    job_uid: str
    seq: int
    kind: Kind
    at: str
    run: str
    mono_us: int
    actor: str
    payload: Mapping[str, Any]
    raw: bytes | None
    prev: bytes
    hash: bytes


@dataclass(frozen=True, slots=True)
class ChainBreak:
    """The first place where a chain does not hold."""

    seq: int
    reason: str


def canonical(payload: Mapping[str, Any]) -> bytes:
    """The canonical bytes of a payload (RFC 8785).

    Raises:
        ValueError: the payload holds a float, a null, an integer of 2**53 or more, or what is no JSON.
    """
    whole = dict(payload)
    if _is_plain(whole):
        return _written(whole)
    _check(whole, "payload")
    return rfc8785.dumps(whole)


def _is_plain(value: object) -> bool:
    """True for what a payload carries, with ASCII keys throughout: nearly always."""
    if isinstance(value, (str, bool)):
        return True
    if isinstance(value, int):
        return abs(value) <= MAX_INTEGER
    if isinstance(value, dict):
        return all(isinstance(key, str) and key.isascii() and _is_plain(inner) for key, inner in value.items())
    return isinstance(value, (list, tuple)) and all(map(_is_plain, value))


def _check(value: object, where: str) -> None:
    """Refuse what no payload carries, and say where it is."""
    if value is None or isinstance(value, float):
        raise ValueError(f"{where} holds {value!r}: journal payloads carry no nulls and no floats")
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > MAX_INTEGER:
        raise ValueError(f"{where} holds {value}: integers stay below 2**53")
    if isinstance(value, dict):
        for key, inner in value.items():
            if not isinstance(key, str):
                raise ValueError(f"{where} has the key {key!r}: keys are text")
            _check(inner, f"{where}.{key}")
    elif isinstance(value, (list, tuple)):
        for index, inner in enumerate(value):
            _check(inner, f"{where}[{index}]")
    elif not isinstance(value, (str, int)):
        raise ValueError(f"{where} holds {value!r}: that is no JSON")


# One encoder for all: the module's own function makes a new one for each value that is not written in its way.
_ENCODER = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _written(value: Mapping[str, Any]) -> bytes:
    """The RFC 8785 form of what has ASCII keys and no floats.

    There the standard library writes the same bytes as the reference library, in a tenth of the time: keys of ASCII
    sort alike by code point and by UTF-16 unit, and both escape what RFC 8785 section 3.2.2.2 asks for and no more.
    """
    return _ENCODER.encode(value).encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedEntry:
    """An entry as it lies in a store or a bundle: its body still the bytes that were hashed.

    Args:
        job_uid, seq, kind, at, run, mono_us, actor, prev, hash: as in `Entry`; `kind` is not yet trusted.
        payload_sha256: digest of `payload`, hex.
        raw_sha256: digest of `raw`, hex, or None without one.
        payload: the canonical bytes.
        raw: the binary body, or None.
    """

    job_uid: str
    seq: int
    kind: str
    at: str
    run: str
    mono_us: int
    actor: str
    payload_sha256: str
    raw_sha256: str | None
    payload: bytes
    raw: bytes | None
    prev: bytes
    hash: bytes

    def computed_hash(self) -> bytes:
        """SHA-256 over `prev` followed by the RFC 8785 form of the header (32 bytes).

        Raises:
            ValueError: the header holds a number or a text that RFC 8785 cannot write.
        """
        if max(self.seq, self.mono_us) > MAX_INTEGER:
            raise ValueError("the header holds an integer of 2**53 or more")
        header: dict[str, str | int | None] = {
            "job_uid": self.job_uid,
            "seq": self.seq,
            "kind": self.kind,
            "at": self.at,
            "run": self.run,
            "mono_us": self.mono_us,
            "actor": self.actor,
            "payload_sha256": self.payload_sha256,
            "raw_sha256": self.raw_sha256,
        }
        return hashlib.sha256(self.prev + _written(header)).digest()

    def opened(self) -> Entry:
        """The entry with its payload parsed; says nothing about the chain.

        Raises:
            ValueError: the payload is no JSON object, or the kind is not on the list.
        """
        payload = json.loads(self.payload.decode())
        if not isinstance(payload, dict):
            raise ValueError(f"the payload of entry {self.seq} is no JSON object")
        return Entry(
            job_uid=self.job_uid,
            seq=self.seq,
            kind=Kind(self.kind),
            at=self.at,
            run=self.run,
            mono_us=self.mono_us,
            actor=self.actor,
            payload=payload,
            raw=self.raw,
            prev=self.prev,
            hash=self.hash,
        )


class EntryParts(TypedDict):
    """What an entry is made from: the fields of `Entry`, the payload as the bytes to be hashed."""

    prev: bytes
    job_uid: str
    seq: int
    kind: str
    at: str
    run: str
    mono_us: int
    actor: str
    payload_bytes: bytes
    raw: bytes | None


def seal(**parts: Unpack[EntryParts]) -> SealedEntry:
    """Chain one entry to the hash before it."""
    return _sealed(parts, _sealed(parts, b"").computed_hash())


def _sealed(parts: EntryParts, digest: bytes) -> SealedEntry:
    payload, raw = parts["payload_bytes"], parts["raw"]
    return SealedEntry(
        job_uid=parts["job_uid"],
        seq=parts["seq"],
        kind=str(parts["kind"]),
        at=parts["at"],
        run=parts["run"],
        mono_us=parts["mono_us"],
        actor=parts["actor"],
        payload_sha256=hashlib.sha256(payload).hexdigest(),
        raw_sha256=None if raw is None else hashlib.sha256(raw).hexdigest(),
        payload=payload,
        raw=raw,
        prev=parts["prev"],
        hash=digest,
    )


def entry_hash(**parts: Unpack[EntryParts]) -> bytes:
    """SHA-256 over `prev` and the RFC 8785 header of one entry (32 bytes)."""
    return seal(**parts).hash


def find_break(entries: Iterable[Entry]) -> ChainBreak | None:
    """The first entry that was altered, removed or reordered, or None if the chain is whole."""
    return find_break_in_sealed(_resealed(entry) for entry in entries)


def find_break_in_sealed(entries: Iterable[SealedEntry]) -> ChainBreak | None:
    """The same for entries as they are stored: nothing is serialised again but the short header."""
    prev = FIRST_PREV
    for expected_seq, entry in enumerate(entries, start=1):
        reason = _fault_of(entry, expected_seq, prev)
        if reason is not None:
            return ChainBreak(expected_seq, reason)
        prev = entry.hash
    return None


def _fault_of(entry: SealedEntry, expected_seq: int, prev: bytes) -> str | None:
    if entry.seq != expected_seq:
        return f"entry {expected_seq} is missing, entry {entry.seq} stands there"
    if entry.prev != prev:
        return f"entry {entry.seq} does not follow the one before it"
    if not _hash_holds(entry):
        return f"entry {entry.seq} was altered"
    if entry.payload_sha256 != hashlib.sha256(entry.payload).hexdigest():
        return f"the payload of entry {entry.seq} was altered"
    if entry.raw_sha256 != (None if entry.raw is None else hashlib.sha256(entry.raw).hexdigest()):
        return f"the raw body of entry {entry.seq} was altered"
    return None


def _hash_holds(entry: SealedEntry) -> bool:
    try:
        return entry.hash == entry.computed_hash()
    except ValueError:  # a number that RFC 8785 cannot write was never hashed
        return False


def _resealed(entry: Entry) -> SealedEntry:
    """The entry with its body's digests taken afresh, under the hash it claims."""
    try:
        payload = canonical(entry.payload)
    except ValueError:
        payload = b""  # nothing that was ever hashed looks like this, so the hash will not match
    parts = EntryParts(
        prev=entry.prev,
        job_uid=entry.job_uid,
        seq=entry.seq,
        kind=entry.kind,
        at=entry.at,
        run=entry.run,
        mono_us=entry.mono_us,
        actor=entry.actor,
        payload_bytes=payload,
        raw=entry.raw,
    )
    return _sealed(parts, entry.hash)
