"""A recorded drive, asked through the real link: what the capture holds is what comes out."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from recorded_unit import RecordedUnit

from decoders.values import Exchange, Outcome, Request
from gateway.links import Limits, Plan, open_link

UNIT = "7E0/7E8"
DRIVE = Path("can", "obd_s01_7E0_7E8_drive_32min.log")  # capture C1


@pytest.fixture
def unit(recordings: Path, channel: str) -> Iterator[RecordedUnit]:
    with RecordedUnit(recordings / DRIVE, 0x7E0, 0x7E8, channel) as running:
        yield running


def ask(channel: str, *requests: bytes) -> list[Exchange]:
    def plan() -> Plan:
        for request in requests:
            yield Request(UNIT, request)

    kept: list[Exchange] = []
    with open_link(f"can:virtual:{channel}") as link:
        link.run({UNIT: plan()}, kept.append, threading.Event(), Limits())
    return kept


def test_a_recorded_readiness_answer_comes_back(unit: RecordedUnit, channel: str) -> None:
    (exchange,) = ask(channel, b"\x01\x01")
    # Capture C1: 01 01 = 00 27 E1 00, fuel monitor incomplete.
    assert bytes.fromhex("41010027E100") == exchange.positive


def test_the_recorded_unit_lists_no_codes(unit: RecordedUnit, channel: str) -> None:
    (exchange,) = ask(channel, b"\x03")
    assert bytes.fromhex("4300") == exchange.positive  # capture C1: 03 = no codes


def test_the_recorded_vin_is_put_together_from_its_frames(unit: RecordedUnit, channel: str) -> None:
    (exchange,) = ask(channel, b"\x09\x02")
    # Capture C1 (VIN replaced by one of no maker): 49 02, one item, 17 characters.
    assert exchange.positive == b"\x49\x02\x01ZZ9ZZ9ZZ6NZ000023"


def test_what_was_never_asked_in_the_recording_stays_silent(unit: RecordedUnit, channel: str) -> None:
    (exchange,) = ask(channel, b"\x0a")  # capture C1 holds services 01, 03 and 09 only
    assert (exchange.outcome, exchange.answers) == (Outcome.SILENT, ())


def test_replies_come_in_recorded_order_and_the_last_one_repeats(unit: RecordedUnit, channel: str) -> None:
    recorded = unit.recorded[b"\x01\x0d"]
    asked = len(recorded) + 2
    exchanges = ask(channel, *[b"\x01\x0d"] * asked)
    expected = [reply[0][1:4] for reply in recorded]
    assert [*expected, expected[-1], expected[-1]] == [exchange.positive for exchange in exchanges]


def test_every_pair_of_the_recording_is_found(unit: RecordedUnit) -> None:
    # Capture C1: 7649 request and reply pairs, one of them with a reply of several frames.
    replies = [frames for times in unit.recorded.values() for frames in times]
    assert len(replies) == 7649
    assert sum(1 for frames in replies if len(frames) > 1) == 1
