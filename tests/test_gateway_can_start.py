"""The search for a bus's bit rate, without hardware: what is sent, what is not, and what is said of it."""

from __future__ import annotations

import itertools
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace

import can
import pytest
from can_start_help import ERROR, QUICK, Car, FakeDoor, message
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import LinkError
from gateway.guard.guard import Guard, Phase
from gateway.links.base import Limits
from gateway.links.can.start import FRAMES_KEPT, QUESTIONS, RATES, Came, StartUp, StartUpError
from gateway.links.can.start import search as search_by

# Source: ISO 15765-4: functional identifiers, 01 00 in a single frame; padding 55.
ALL_11, ALL_29 = 0x7DF, 0x18DB33F1
QUESTION = bytes.fromhex("0201005555555555")
ENGINE = message(0x7E8, "064100BE3FA81355")
GEARS = message(0x7E9, "064100801800FF55")
WIDE = message(0x18DAF110, "064100BE3FA81355")
SPEED = message(0x1A0, "00112233")


def search(
    door: FakeDoor,
    limits: Limits,
    rates: Sequence[int | None] = RATES,
    *,
    clock: Callable[[], float] | None = None,
    **words: str,
) -> StartUp:
    """Search by a clock that only waiting moves: what has come is read, however long the machine stalls."""
    spent_s = [0.0]

    def wait(seconds: float) -> None:
        spent_s[0] += seconds
        time.sleep(seconds)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("can_start_help.time", SimpleNamespace(sleep=wait))
        return search_by(door, limits, rates, clock=clock or (lambda: spent_s[0]), **words)


@pytest.mark.parametrize("rate", [500_000, 250_000])
@pytest.mark.parametrize("tells_errors", [True, False])
def test_a_bus_in_use_is_found_by_listening_and_nothing_is_sent(rate: int, *, tells_errors: bool) -> None:
    door = FakeDoor(Car(rate, says=(SPEED, WIDE), tells_errors=tells_errors))
    found = search(door, QUICK)
    assert (rate, True, (11, 29), None) == (found.bitrate, found.is_found, found.id_bits, found.notice)
    assert not door.car.sent
    assert (rate, False) == door.opened[-1]
    assert all(quiet for _, quiet in door.opened[:-1])
    assert [bus.is_open for bus in door.buses] == [False] * (len(door.buses) - 1) + [True]


@pytest.mark.parametrize(
    ("car", "sent", "width"),
    [
        (Car(500_000, answers={ALL_11: (ENGINE, GEARS)}), [(500_000, ALL_11)], 11),
        (Car(500_000, answers={ALL_29: (WIDE,)}), [(500_000, ALL_11), (500_000, ALL_29)], 29),
        # At 500 kbit/s the first frame meets an error frame: no other follows at that rate.
        (Car(250_000, answers={ALL_11: (ENGINE,)}), [(500_000, ALL_11), (250_000, ALL_11)], 11),
        (Car(250_000, answers={ALL_29: (WIDE,)}), [(500_000, ALL_11), (250_000, ALL_11), (250_000, ALL_29)], 29),
        # Where the interface tells of no error frames every one of the four is sent once.
        (
            Car(250_000, answers={ALL_29: (WIDE,)}, tells_errors=False),
            [(500_000, ALL_11), (500_000, ALL_29), (250_000, ALL_11), (250_000, ALL_29)],
            29,
        ),
    ],
)
def test_a_silent_bus_is_asked_in_the_order_of_the_standard(car: Car, sent: list[tuple[int, int]], width: int) -> None:
    found = search(FakeDoor(car), QUICK)
    assert [(rate, can_id, QUESTION) for rate, can_id in sent] == car.sent
    assert (car.bitrate, True, (width,)) == (found.bitrate, found.is_found, found.id_bits)
    assert Came.ANSWER is found.tried[-1].came
    assert found.tried[-1].request in QUESTIONS


def test_all_who_answer_are_waited_for_and_named() -> None:
    found = search(FakeDoor(Car(500_000, answers={ALL_11: (ENGINE, SPEED, GEARS)})), QUICK)
    assert ("7E8", "7E9") == found.tried[-1].responders
    assert "7E8, 7E9 answered" in found.words


def test_what_is_no_answer_to_our_question_proves_the_rate_and_is_no_answer() -> None:
    other = message(0x7E8, "0662F18641414141")
    found = search(FakeDoor(Car(500_000, answers={ALL_11: (other,)})), QUICK)
    assert (Came.FRAMES, ()) == (found.tried[-1].came, found.tried[-1].responders)
    assert found.bitrate == 500_000


@pytest.mark.parametrize("car", [Car(None), Car(500_000), Car(250_000, tells_errors=False)])
def test_nobody_there_leaves_the_link_at_500_and_says_so(car: Car) -> None:
    door = FakeDoor(car)
    found = search(door, QUICK)
    assert (500_000, False, ()) == (found.bitrate, found.is_found, found.id_bits)
    assert found.notice is not None
    assert "nobody was heard and nobody answered at 500000 bit/s and 250000 bit/s" in found.notice
    assert (500_000, False) == door.opened[-1]
    assert len(car.sent) == len(set(car.sent))
    assert {ALL_11, ALL_29} == {can_id for rate, can_id, _ in car.sent if rate == 500_000}


def test_a_rate_with_error_frames_is_not_kept_when_nobody_answers() -> None:
    found = search(FakeDoor(Car(250_000)), QUICK)
    assert (250_000, False) == (found.bitrate, found.is_found)


def test_error_frames_at_every_rate_end_it_and_what_was_tried_is_kept() -> None:
    car = Car(125_000, answers={ALL_11: (ENGINE,)})
    with pytest.raises(StartUpError, match="error frames at 500000 bit/s and at 250000 bit/s") as caught:
        search(FakeDoor(car), QUICK)
    assert "?bitrate=125000" in caught.value.next_step
    assert [(500_000, ALL_11, QUESTION), (250_000, ALL_11, QUESTION)] == car.sent
    asked = [look for look in caught.value.tried if look.request is not None]
    assert [(500_000, Came.ERRORS), (250_000, Came.ERRORS)] == [(look.bitrate, look.came) for look in asked]
    assert [[True, False]] * 2 == [[frame.sent for frame in look.frames] for look in asked]


def test_at_a_rate_that_the_system_set_wrong_nothing_is_sent_and_the_way_out_is_named() -> None:
    car = Car(500_000, says=(ERROR,) * 40)
    with pytest.raises(StartUpError, match="the bit rate that the system has set") as caught:
        search(FakeDoor(car), QUICK, (None,), if_none_fits="set the bit rate of can0")
    assert caught.value.next_step == "set the bit rate of can0"
    assert not car.sent


@pytest.mark.parametrize("says", [(SPEED,), ()])
def test_a_rate_that_the_system_set_right_is_kept(says: tuple[can.Message, ...]) -> None:
    door = FakeDoor(Car(250_000, says=says, answers={ALL_29: (WIDE,)}))
    found = search(door, QUICK, (None,))
    assert (None, True) == (found.bitrate, found.is_found)
    assert {None} == {rate for rate, _ in door.opened}
    assert ([] if says else [ALL_11, ALL_29]) == [can_id for _, can_id, _ in door.car.sent]


def test_a_few_error_frames_on_a_bus_in_use_are_harmless() -> None:
    car = Car(500_000, says=(SPEED, ERROR, SPEED, ERROR, SPEED))
    assert search(FakeDoor(car), QUICK).bitrate == 500_000
    assert not car.sent


def test_fd_frames_are_reported() -> None:
    fd = message(0x1A0, "00" * 12, fd=True)
    assert search(FakeDoor(Car(500_000, says=(SPEED, fd))), QUICK).fd_seen
    assert not search(FakeDoor(Car(500_000, says=(SPEED,))), QUICK).fd_seen


def test_a_flooded_bus_is_found_in_bounded_time_and_memory() -> None:
    begun_s = time.monotonic()
    found = search(FakeDoor(Car(500_000, says=(SPEED,) * 50_000)), replace(QUICK, listen_ms=60_000))
    assert time.monotonic() - begun_s < 20
    assert FRAMES_KEPT == len(found.tried[0].frames) < found.tried[0].frame_count


def test_an_adapter_that_breaks_is_no_wrong_rate() -> None:
    class Broken(FakeDoor):
        def open_at(self, bitrate: int | None, *, quiet: bool) -> object:  # type: ignore[override]
            opened = super().open_at(bitrate, quiet=quiet)
            self.buses[-1].queue.append(can.CanOperationError("the adapter is gone"))
            return opened

    with pytest.raises(LinkError, match="the adapter is gone") as caught:
        search(Broken(Car(500_000)), QUICK)  # type: ignore[arg-type]
    assert not isinstance(caught.value, StartUpError)


def test_opening_ends_when_its_time_is_over() -> None:
    hours = itertools.count(0, 3600)
    with pytest.raises(LinkError, match="more than 15000 ms") as caught:
        search(FakeDoor(Car(None)), QUICK, clock=lambda: float(next(hours)))
    assert "?bitrate=500000" in caught.value.next_step


def test_what_is_sent_is_on_the_guards_list_also_while_the_car_moves() -> None:
    for phase, request in itertools.product((Phase.READING, Phase.MOVING), QUESTIONS):
        assert Guard(phase=phase).refusal(request) is None


def test_the_journals_form_names_every_frame_that_was_sent() -> None:
    car = Car(250_000, answers={ALL_29: (WIDE,)})
    written = search(FakeDoor(car), QUICK).to_json()
    read = json.loads(json.dumps(written))
    assert read == written
    looks = read["tried"]
    sent = [(look["bitrate"], frame["id"]) for look in looks for frame in look["frames"] if frame["sent"]]
    assert [(500_000, "7DF"), (250_000, "7DF"), (250_000, "18DB33F1")] == sent
    assert {"came": "answer", "target": "functional:18DB33F1", "request": "0100"}.items() <= looks[-1].items()
    assert {"sent": False, "error": True}.items() <= looks[2]["frames"][1].items()
    leaves = json.dumps(written)
    assert "null" not in leaves
    assert "." not in leaves


@given(
    rate=st.sampled_from([None, 500_000, 250_000, 125_000]),
    says=st.lists(st.sampled_from([SPEED, WIDE]), max_size=3),
    answers=st.dictionaries(st.sampled_from([ALL_11, ALL_29]), st.sampled_from([(ENGINE,), (WIDE, SPEED)])),
    tells_errors=st.booleans(),
)
@settings(deadline=None, max_examples=60)
def test_whatever_is_at_the_plug_little_is_sent_and_nothing_is_guessed(
    rate: int | None,
    says: list[can.Message],
    answers: dict[int, tuple[can.Message, ...]],
    *,
    tells_errors: bool,
) -> None:
    car = Car(rate, says=tuple(says), answers=answers, tells_errors=tells_errors)
    limits = replace(QUICK, listen_ms=2, functional_ms=2)
    try:
        found = search(FakeDoor(car), limits)
    except StartUpError as error:
        tried, bitrate = error.tried, None
        assert rate == 125_000
        assert tells_errors
    else:
        tried, bitrate = found.tried, found.bitrate
        assert found.is_found == (rate in (500_000, 250_000) and bool(says or answers))
        assert not found.is_found or bitrate == rate
    assert len(car.sent) == len(set(car.sent))
    assert {QUESTION} >= {data for _, _, data in car.sent}
    wrong: set[int | None] = set()
    for look in tried:
        assert look.request is None or look.bitrate not in wrong
        if look.came is Came.ERRORS:
            wrong.add(look.bitrate)
    if says and rate in (500_000, 250_000):
        assert not car.sent
