"""Failure type bytes in our words, against two published tables."""

import csv
import os
from pathlib import Path

import pytest
from vectors.codes import FAILURE_VECTORS

from decoders.failure_types import FAILURE_TYPES, failure_type_group, failure_type_name

RECORDINGS = os.environ.get("MENDPROOF_RECORDINGS")
needs_recordings = pytest.mark.skipif(RECORDINGS is None, reason="MENDPROOF_RECORDINGS is not set")

MUST_SAY = {
    # a word of the published text -> what ours must hold, one of them
    "ground": ("ground",),
    "battery": ("battery",),
    "open": ("open",),
    "voltage": ("voltage",),
    "current": ("current",),
    "resistance": ("resistance",),
    "frequency": ("frequency",),
    "range": ("range",),
    "below": ("too low", "too small", "too slowly", "too briefly", "below"),
    "low": ("low",),
    "above": ("too high", "too large", "too fast", "too long", "above"),
    "high": ("high",),
    "few": ("few",),
    "many": ("many",),
    "missing": ("missing",),
    "temperature": ("too hot",),
    "actuator": ("actuator",),
    "closed": ("closed",),
    "memory": ("memory",),
    "position": ("position",),
    "stuck": ("stuck", "stays"),
    "not": ("not",),
    "off": ("off",),
    "(bus)": ("bus",),
}


def published() -> dict[int, str]:
    with (Path(str(RECORDINGS)) / "ref" / "ftb.csv").open(encoding="utf-8") as file:
        return {int(row["ftb_hex"], 16): row["meaning"] for row in csv.DictReader(file)}


@pytest.mark.parametrize(("byte", "name", "group"), FAILURE_VECTORS)
def test_a_failure_type_has_a_name_and_a_group(byte: int, name: str, group: str) -> None:
    assert (name, group) == (failure_type_name(byte), failure_type_group(byte))


def test_a_byte_without_a_published_value_is_unknown_and_keeps_its_number() -> None:
    unknown = [byte for byte in range(0x100) if byte not in FAILURE_TYPES]
    assert [f"unknown failure type {byte:02X}" for byte in unknown] == [failure_type_name(byte) for byte in unknown]
    assert 0x100 - 97 == len(unknown)


def test_no_two_failure_types_have_the_same_words() -> None:
    assert len(FAILURE_TYPES) == len(set(FAILURE_TYPES.values()))


@needs_recordings
def test_exactly_the_published_values_have_a_name() -> None:
    assert set(published()) == set(FAILURE_TYPES)


@needs_recordings
@pytest.mark.parametrize("word", MUST_SAY)
def test_our_words_say_what_the_published_ones_say(word: str) -> None:
    rows = {byte: text for byte, text in published().items() if word in text.split()}
    silent = [f"{byte:02X}" for byte in rows if not any(ours in FAILURE_TYPES[byte] for ours in MUST_SAY[word])]
    assert (True, []) == (bool(rows), silent)


@needs_recordings
def test_only_plain_terms_are_the_published_text_word_for_word() -> None:
    same = {text for byte, text in published().items() if text == FAILURE_TYPES[byte]}
    assert {
        "actuator stuck",
        "actuator stuck closed",
        "actuator stuck open",
        "bus off",
        "deactivated",
        "mechanical failure",
        "no signal",
        "not activated",
        "not configured",
        "not programmed",
        "signal erratic",
        "too few pulses",
        "too many pulses",
    } == same
