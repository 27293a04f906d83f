"""The journal's entries: canonical bytes, the hash chain and the payload form of exchanges."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from decoders.values import Answer, AnswerKind, Exchange, Outcome
from sessions.journal import (
    DURABLE_KINDS,
    FIRST_PREV,
    ChainBreak,
    Entry,
    Kind,
    SealedEntry,
    canonical,
    entry_hash,
    exchange_from_payload,
    exchange_to_payload,
    find_break,
    find_break_in_sealed,
    seal,
)

UID = "3f0c1a52-6b7d-4e8f-9a01-23456789abcd"


def sealed_chain(count: int = 5) -> list[SealedEntry]:
    """A whole chain, every second entry with a raw body."""
    prev, chain = FIRST_PREV, []
    for seq in range(1, count + 1):
        entry = seal(
            prev=prev,
            job_uid=UID,
            seq=seq,
            kind=Kind.OBSERVATION,
            at=f"2031-04-05T06:07:0{seq}.000Z",
            run="00aa",
            mono_us=1000 * seq,
            actor="technician",
            payload_bytes=canonical({"text": f"step {seq}"}),
            raw=bytes([seq]) if seq % 2 else None,
        )
        chain.append(entry)
        prev = entry.hash
    return chain


def chain(count: int = 5) -> list[Entry]:
    return [entry.opened() for entry in sealed_chain(count)]


VALUES = st.recursive(
    st.booleans() | st.integers(1 - 2**53, 2**53 - 1) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(st.text(max_size=6), VALUES, max_size=5))
def test_the_canonical_bytes_are_those_of_the_reference_library(payload: dict[str, Any]) -> None:
    assert rfc8785.dumps(payload) == canonical(payload)


# --- canonical bytes ------------------------------------------------------------------------------


def test_keys_are_sorted_as_the_rfc_sorts_them() -> None:
    # RFC 8785 section 3.2.3, the published sorting example and its published order (from memory).
    example = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    expected = [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]
    assert expected == list(json.loads(canonical(example)).values())


def test_strings_are_escaped_as_the_rfc_escapes_them() -> None:
    # RFC 8785 section 3.2.2, the published string, and its bytes in section 3.2.4 (from memory).
    sample = json.loads(r'{"string": "\u20ac$\u000F\u000aA\u0027\u0042\u0022\u005c\\\"\/"}')
    expected = bytes.fromhex(
        "7b22737472696e67223a22e282ac245c75303030665c6e4127425c225c5c5c5c5c222f227d",
    )
    assert expected == canonical(sample)


def test_literals_and_lists_are_written_without_spaces() -> None:
    # RFC 8785 section 3.2.1: no whitespace between tokens.
    expected = b'{"a":[true,false,1,-2],"b":{}}'
    assert expected == canonical({"b": {}, "a": (True, False, 1, -2)})


@pytest.mark.parametrize(
    ("payload", "place"),
    [
        ({"speed": 1.5}, "payload.speed"),
        ({"units": [{"name": None}]}, "payload.units[0].name"),
        ({"count": 2**53}, "payload.count"),
        ({"count": -(2**53)}, "payload.count"),
    ],
)
def test_what_a_journal_cannot_hold_is_refused_with_its_place(payload: dict[str, Any], place: str) -> None:
    # The record's own rule: no floats, no nulls, integers below 2**53 (RFC 7493 section 2.2).
    with pytest.raises(ValueError, match="payload") as caught:
        canonical(payload)
    assert str(caught.value).startswith(f"{place} holds ")


@pytest.mark.parametrize(
    "payload",
    [{"data": b"\x59"}, {"inner": MappingProxyType({})}, {1: "one"}, {"text": "\ud800"}, {"\ud800": "text"}],
)
def test_other_values_than_json_has_are_refused(payload: Any) -> None:
    # RFC 8785 section 3.2.2.2: lone surrogates are an error; bytes and number keys are no JSON (RFC 8259).
    with pytest.raises(ValueError, match=r".+"):
        canonical(payload)


def test_the_largest_integers_are_kept() -> None:
    # RFC 7493 section 2.2: integers up to 2**53 - 1 are exact.
    expected = b'{"n":[9007199254740991,-9007199254740991]}'
    assert expected == canonical({"n": [2**53 - 1, 1 - 2**53]})


# --- the chain ------------------------------------------------------------------------------------


def test_the_hash_is_what_its_description_says() -> None:
    # Recomputed with hashlib and json alone: for ASCII text and integers sorted compact JSON is RFC 8785.
    payload, raw = b'{"text":"x"}', b"\x01\x02"
    header = {
        "job_uid": UID,
        "seq": 1,
        "kind": "observation",
        "at": "2031-04-05T06:07:08.123Z",
        "run": "00aa",
        "mono_us": 5,
        "actor": "technician",
        "payload_sha256": hashlib.sha256(payload).hexdigest(),
        "raw_sha256": hashlib.sha256(raw).hexdigest(),
    }
    text = json.dumps(header, sort_keys=True, separators=(",", ":")).encode()
    computed = entry_hash(
        prev=bytes(32),
        job_uid=UID,
        seq=1,
        kind=Kind.OBSERVATION,
        at="2031-04-05T06:07:08.123Z",
        run="00aa",
        mono_us=5,
        actor="technician",
        payload_bytes=payload,
        raw=raw,
    )
    assert hashlib.sha256(bytes(32) + text).digest() == computed


def test_a_whole_chain_has_no_break() -> None:
    assert find_break(chain()) is None
    assert find_break_in_sealed(sealed_chain()) is None


def test_an_empty_chain_has_no_break() -> None:
    assert find_break([]) is None


@pytest.mark.parametrize(
    "change",
    [
        {"payload": {"text": "step three"}},
        {"payload": {"text": None}},
        {"raw": b"other"},
        {"raw": None},
        {"kind": Kind.DECISION},
        {"at": "2031-04-05T06:07:09.000Z"},
        {"run": "00ab"},
        {"mono_us": 1},
        {"mono_us": 2**60},
        {"actor": "checker"},
        {"job_uid": "another"},
        {"hash": bytes(32)},
    ],
    ids=lambda change: next(iter(change)),
)
def test_an_altered_entry_is_named(change: dict[str, Any]) -> None:
    entries = chain()
    entries[2] = replace(entries[2], **change)
    assert ChainBreak(3, "entry 3 was altered") == find_break(entries)


@pytest.mark.parametrize("seq", [1, 3])
def test_a_removed_entry_is_named(seq: int) -> None:
    entries = chain()
    del entries[seq - 1]
    assert ChainBreak(seq, f"entry {seq} is missing, entry {seq + 1} stands there") == find_break(entries)


def test_reordered_entries_are_named() -> None:
    entries = chain()
    entries[1], entries[2] = entries[2], entries[1]
    assert ChainBreak(2, "entry 2 is missing, entry 3 stands there") == find_break(entries)


def test_a_removed_entry_is_found_though_the_rest_was_numbered_anew() -> None:
    entries = chain()
    del entries[1]
    entries[1:] = [replace(entry, seq=entry.seq - 1) for entry in entries[1:]]
    assert ChainBreak(2, "entry 2 does not follow the one before it") == find_break(entries)


def test_an_entry_altered_together_with_its_hash_breaks_the_next_one() -> None:
    entries = sealed_chain()
    old = entries[1]
    entries[1] = seal(
        prev=old.prev,
        job_uid=old.job_uid,
        seq=old.seq,
        kind=old.kind,
        at=old.at,
        run=old.run,
        mono_us=old.mono_us,
        actor=old.actor,
        payload_bytes=b'{"text":"never said"}',
        raw=old.raw,
    )
    assert ChainBreak(3, "entry 3 does not follow the one before it") == find_break_in_sealed(entries)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"payload": b'{"text":"step three"}'}, "the payload of entry 3 was altered"),
        ({"payload": b'{"text": "step 3"}'}, "the payload of entry 3 was altered"),
        ({"raw": b"other"}, "the raw body of entry 3 was altered"),
        ({"raw": None}, "the raw body of entry 3 was altered"),
        ({"payload_sha256": "00"}, "entry 3 was altered"),
        ({"raw_sha256": None}, "entry 3 was altered"),
        ({"mono_us": 2**60}, "entry 3 was altered"),
    ],
)
def test_a_stored_entry_says_which_part_was_altered(change: dict[str, Any], reason: str) -> None:
    entries = sealed_chain()
    entries[2] = replace(entries[2], **change)
    assert ChainBreak(3, reason) == find_break_in_sealed(entries)


@pytest.mark.parametrize(
    "change", [{"payload": b"[1]"}, {"payload": b"{"}, {"payload": b"\xff{}"}, {"kind": "unheard of"}]
)
def test_a_body_that_is_no_journal_payload_does_not_open(change: dict[str, Any]) -> None:
    [entry] = sealed_chain(1)
    with pytest.raises(ValueError, match=r".+"):
        replace(entry, **change).opened()


def test_the_kinds_that_survive_a_power_cut_are_those_a_person_answers_for() -> None:
    # The list of the record's description, section 6.
    assert {"clear", "routine", "decision", "review", "close"} == {kind.value for kind in DURABLE_KINDS}


# --- exchanges ------------------------------------------------------------------------------------

ANSWERS = st.builds(
    Answer,
    source=st.sampled_from(["7E8", "18DAF110", "612:F0"]),
    data=st.binary(max_size=12),
    first_us=st.integers(0, 2**40),
    last_us=st.integers(0, 2**40),
    kind=st.sampled_from(AnswerKind),
)
EXCHANGES = st.builds(
    Exchange,
    link=st.text(max_size=20),
    target=st.sampled_from(["7E0/7E8", "functional:7DF"]),
    request=st.binary(min_size=1, max_size=8),
    answers=st.lists(ANSWERS, max_size=3).map(tuple),
    outcome=st.none() | st.sampled_from(Outcome),
    refusal=st.none() | st.integers(0, 255),
    trouble=st.none() | st.text(max_size=20),
)


@given(EXCHANGES)
def test_an_exchange_survives_the_journal(exchange: Exchange) -> None:
    stored = canonical(exchange_to_payload(exchange))
    assert exchange == exchange_from_payload(json.loads(stored))


def test_an_exchange_is_written_in_upper_case_hex_without_empty_keys() -> None:
    # The record's own rules: bytes as upper-case hex, no key without a value. Bytes: ISO 14229-1, 19 02
    # refused with 7F 19 11 (serviceNotSupported).
    exchange = Exchange(
        link="can:virtual:a",
        target="7E0/7E8",
        request=bytes.fromhex("1902FF"),
        answers=(
            Answer(
                source="7E8",
                data=bytes.fromhex("7F1911"),
                first_us=900,
                last_us=900,
                kind=AnswerKind.NEGATIVE,
            ),
        ),
        outcome=Outcome.REFUSED,
        refusal=0x11,
    )
    expected = {
        "link": "can:virtual:a",
        "target": "7E0/7E8",
        "request": "1902FF",
        "answers": [
            {"source": "7E8", "data": "7F1911", "first_us": 900, "last_us": 900, "kind": "negative"},
        ],
        "outcome": "refused",
        "refusal": 17,
    }
    assert expected == exchange_to_payload(exchange)


@pytest.mark.parametrize("altered", [{"mono_us": 2**53}, {"actor": "\ud800"}])
def test_a_header_that_cannot_be_written_breaks_the_chain(altered: dict[str, Any]) -> None:
    # RFC 8785 section 3.2.2: numbers beyond 2**53 and lone surrogates have no canonical form.
    chain = sealed_chain(3)
    chain[1] = replace(chain[1], **altered)
    found = find_break_in_sealed(chain)
    assert found is not None
    assert 2 == found.seq
