"""Opening a job at a vehicle: where the VIN comes from, what is said of it, and who is asked in a round."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from pathlib import Path

import pytest
from recorded_unit import ScriptedUnit, Step
from workshop import settings, visiting, workshop

from decoders.errors import LinkError, UsageError
from gateway.jobs import note_work, record_of, require_open, set_aside, taken, vin_words
from gateway.profiles import LoadedProfile, parse_profile
from gateway.scanning import take_scan
from gateway.visit import Visit
from gateway.watching import watch_of, watch_round
from sessions.journal import Kind
from sessions.store import Store

ONE_UNIT = """\
[profile]
name = "One unit"

[[unit]]
address = "760/768"
name = "Brakes"
system = "chassis"
"""
VIN = "ZZ9MDL4HXTR018364"


def vin_in_the_record(tmp_path: Path, channel: str, answers: dict[str, str]) -> list[str]:
    """What a new job notes of the VIN when its one unit answers like this, and refuses everything else."""

    def script(payload: bytes) -> Iterable[Step]:
        yield bytes.fromhex(answers.get(payload.hex().upper(), f"7F{payload[0]:02X}11"))

    loaded = LoadedProfile(profile=parse_profile(ONE_UNIT, name="one"), text=ONE_UNIT)
    with (
        ScriptedUnit(channel, 0x760, 0x768, script),
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, f"can:virtual:{channel}", loaded, settings()),
    ):
        return [item.text for item in record_of(store, 1).observations]


def test_a_unit_that_speaks_no_obd_gives_its_vin_by_service_22(tmp_path: Path, channel: str) -> None:
    # ISO 14229-1 Annex C: identifier F190.
    answers = {"22F190": "62F190" + VIN.encode().hex()}
    assert [f"{VIN}: check digit right"] == vin_in_the_record(tmp_path, channel, answers)


@pytest.mark.parametrize("answer", ["7F2231", "4902", "49020158"])
def test_what_is_no_vin_is_not_taken_for_one(tmp_path: Path, channel: str, answer: str) -> None:
    assert [] == vin_in_the_record(tmp_path, channel, {"0902": answer, "22F190": answer})


@pytest.mark.parametrize(
    ("vin", "words"),
    [
        (None, "no unit gave a VIN"),
        (VIN, "check digit right"),
        ("ZZ9MDL4H0TR018364", "position 9 is 0, the check digit would be X: no error where none is used"),
        ("ZZ9", "not well formed: "),
    ],
)
def test_what_is_known_of_a_vin_in_words(vin: str | None, words: str) -> None:
    assert vin_words(vin).startswith(words)


def test_a_purpose_that_is_none_is_refused() -> None:
    assert ("before", "check", "after") == (taken("before"), taken("check"), taken("after"))
    with pytest.raises(UsageError, match="'later' is no purpose of a scan"):
        taken("later")


def test_a_note_needs_words_and_an_open_job(tmp_path: Path) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:
        with pytest.raises(UsageError, match="A part without words"):
            note_work(shop.visit.writer, "part", "")
        require_open(shop.visit.record())
        shop.visit.writer.append(Kind.CLOSE, {"job_verdict": "open"})
        with pytest.raises(UsageError, match="This job is closed"):
            require_open(shop.visit.record())


def test_whoever_was_heard_and_cannot_be_asked_is_set_aside_by_the_source(tmp_path: Path, channel: str) -> None:
    with (
        ScriptedUnit(channel, 0x7A0, 0x7B3, lambda _: [b"\x7e\x00"], functional_id=0x7DF),
        Store.open(tmp_path / "record.sqlite", create=True) as store,
        visiting(store, f"can:virtual:{channel}", None, settings()) as visit,
    ):
        result = take_scan(visit, "before")
        with pytest.raises(UsageError, match="'7B4' is not a unit address"):
            set_aside(store, visit.writer, "7B4", None, "the owner's own trailer")
        assert "unread" == set_aside(store, visit.writer, "7b3", None, "the owner's own trailer")
        record = visit.record()
    assert ("7B3",) == result.strangers == record.strangers
    assert ["7B3"] == [decision.unit for decision in record.decisions]


def test_each_visit_notes_the_program_and_the_link(tmp_path: Path) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:
        entries = shop.visit.store.journal(1)
    assert 2 == len([entry for entry in entries if entry.kind is Kind.RUN])  # opening the job, and the visit
    assert {shop.bench.links[0]} == {entry.payload["link"] for entry in entries if entry.kind is Kind.LINK}
    run = next(entry.payload for entry in entries if entry.kind is Kind.RUN)
    assert ["can_isotp", "mendproof", "python", "python_can"] == sorted(run)


def test_a_visit_that_was_stopped_does_not_go_on(tmp_path: Path) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:
        shop.visit.go_on()
        stopped = Visit(
            shop.visit.store, shop.visit.writer, shop.visit.link, shop.visit.profile, stop=threading.Event()
        )
        stopped.stop.set()
        with pytest.raises(LinkError, match="stopped by hand"):
            stopped.go_on()
        assert not take_scan(stopped, "before").complete
        assert [False] == [scan.complete for scan in shop.visit.record().scans]


def test_a_round_asks_the_unit_that_tells_most_then_the_codes_one_at_a_time(tmp_path: Path) -> None:
    with workshop(tmp_path / "record.sqlite") as shop:
        take_scan(shop.visit, "before")
        watch = watch_of(shop.visit.record(), ("760/768", "18DA60F1/18DAF160"))
        assert [("7E0/7E8", (0x0C, 0x0D, 0x1F, 0x42, 0x04, 0x05, 0x46))] == list(watch.tellers)
        asked = [(item.target, item.request.hex().upper()) for item in watch_round(shop.visit, watch)]
    # SAE J1979 on CAN: up to six PIDs in one request.
    live = [("7E0/7E8", "010C0D1F420405"), ("7E0/7E8", "0146")]
    brake, climate = "760/768", "18DA60F1/18DAF160"
    # The climate unit refuses 19 0A, so its plain list is asked.
    codes = [(brake, "22F186"), (brake, "190A"), (climate, "22F186"), (climate, "190A"), (climate, "1902FF")]
    assert sorted(live + codes) == sorted(asked)
