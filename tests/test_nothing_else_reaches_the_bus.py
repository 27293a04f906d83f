"""Everything this program does with a vehicle, seen from the vehicle: nothing but listed requests ever arrives.

The list is written down here once more, from the handbook. Whatever can reach a vehicle is found by looking at the
commands and at the modules, and must have been driven here: who adds a way to a vehicle adds it to the story.
"""

from __future__ import annotations

import functools
import re

import pytest
from guard_story import Seen, Story, demonstration, drive, missing, ways_to_a_vehicle

DOORS = ("virtual", "can", "dongle", "doip")

ALWAYS = re.compile(
    """
      0[169](..){1,6} | 02(....){1,3} | 03 | 05.... | 07 | 0A
    | 19(0[12]|0F|1[1236A]|05|55).. | 19(0[3ABCDE]|1[45]) | 19(04|06|10)(..){4} | 19(0[78]|17|56).... | 19(09|42)(..){3}
    | 19(18|19)(..){5}
    | 22(F1..|F[4-8]..)+
    | 3E00
    """,
    re.VERBOSE,
)
"""To one unit or to everyone: services 01, 02, 03, 05, 06, 07, 09, 0A; 19; 22 for F1xx and F4xx to F8xx; 3E 00."""

MOVING = re.compile("0[123679A]|19|22")
"""Of these, while `watch` runs: 01, 02, 03, 06, 07, 09, 0A, 19, 22 only."""

CLEARING = re.compile("04|14FFFFFF|14FFFF33")
"""Only through the clear flow, to one unit."""


SWEEP = re.compile("7[0-9A-E][0-9A-F]|18DA[0-9A-F]{2}F1")
"""Identifiers that only a sweep asks: 700 to 7EF, and units by normal fixed addressing."""


def is_listed(step: str, seen: Seen, declared: frozenset[int] = frozenset()) -> bool:
    """True if the handbook lists this request for this step of the story."""
    text = seen.data.hex().upper()
    if CLEARING.fullmatch(text):
        return step in ("clear", "demo") and not seen.functional
    if text.startswith("22"):
        text = "22" + "".join(did for did in re.findall("....", text[2:]) if int(did, 16) not in declared)
        if text == "22":
            return len(seen.data) > 1
    if step == "sweep" and text == "3E00":
        return SWEEP.fullmatch(seen.who) is not None
    if step == "watch" and not MOVING.match(text):
        return False
    return ALWAYS.fullmatch(text) is not None


@functools.cache
def story(door: str) -> Story:
    """The whole story over one door, told once."""
    why = missing(door)
    if why:
        pytest.skip(why)
    return drive(door)


@pytest.mark.parametrize("door", DOORS)
def test_only_listed_requests_reach_the_vehicle(door: str) -> None:
    told = story(door)
    others = {
        (step, seen)
        for step, requests in told.steps.items()
        for seen in requests
        if not is_listed(step, seen, told.declared)
    }
    assert others == set()


@pytest.mark.parametrize("door", DOORS)
def test_every_step_asked_something_and_only_the_clear_step_erased(door: str) -> None:
    told = story(door)
    erased = {step: sum(seen.data[0] in (0x04, 0x14) for seen in requests) for step, requests in told.steps.items()}
    assert {step for step, requests in told.steps.items() if requests} == set(told.steps) - {"links"}
    assert erased["clear"] == told.clears > 0
    assert {step for step, count in erased.items() if count} == {"clear"}


@pytest.mark.parametrize("door", ["virtual", "can"])
def test_nobody_is_asked_who_is_not_there(door: str) -> None:
    """Every identifier on the bus is one of a unit of the profile, of the legislated table or of everyone."""
    told = story(door)
    legislated = {f"7E{digit}" for digit in range(8)} | {"7DF", "18DB33F1"}
    asked = {seen.who for step, requests in told.steps.items() if step != "sweep" for seen in requests}
    assert {"7DF"} < asked <= told.known | legislated


def test_only_a_sweep_asks_identifiers_that_nobody_named() -> None:
    asked = {seen.who for seen in story("virtual").steps["sweep"] if seen.data == b"\x3e\x00"}
    assert len(asked) > 400
    assert not asked & {"7DF", "18DB33F1", "18DAF1F1"}


def test_in_the_demonstration_only_listed_requests_reach_the_vehicle() -> None:
    requests, declared = demonstration()
    assert len(requests) > 500
    assert {seen for seen in requests if not is_listed("demo", seen, declared)} == set()


def test_every_way_to_a_vehicle_was_driven() -> None:
    """A new command with a link, or a new function that is given one, is missing here until the story uses it."""
    ways = ways_to_a_vehicle()
    by_the_demonstration = {"gateway.demo.Demo.__init__"}
    assert {ways[code] for code in ways.keys() - story("virtual").driven} == by_the_demonstration


def test_the_ways_to_a_vehicle_are_found() -> None:
    found = set(ways_to_a_vehicle().values())
    assert found >= {
        "command job open",
        "command scan",
        "command clear",
        "command watch",
        "gateway.scanning.take_scan",
        "gateway.clearing.clear_unit",
        "gateway.watching.watch_round",
        "gateway.jobs.open_job",
        "gateway.visit.Visit.__init__",
        "gateway.demo.Demo.__init__",
    }
    assert not {name for name in found if name.startswith(("gateway.links", "gateway.guard"))}


@pytest.mark.parametrize(
    ("step", "payload", "functional", "listed"),
    [
        ("scan before", "0101", True, True),
        ("scan before", "1902FF", False, True),
        ("scan before", "1906042000FF", False, True),
        ("scan before", "22F1902101", False, True),
        ("scan before", "222101", False, True),
        ("scan before", "222102", False, False),
        ("scan before", "22", False, False),
        ("scan before", "04", False, False),
        ("scan before", "1003", False, False),
        ("scan before", "3E80", False, False),
        ("scan before", "1902FF00", False, False),
        ("scan before", "8502", True, False),
        ("scan before", "2701", False, False),
        ("clear", "14FFFFFF", False, True),
        ("clear", "14FFFFFF", True, False),
        ("clear", "14FFFFD0", False, False),
        ("clear", "04", True, False),
        ("watch", "1902FF", False, True),
        ("watch", "050101", False, False),
        ("watch", "3E00", True, False),
        ("sweep", "3E00", False, True),
        ("sweep", "1003", False, False),
    ],
)
def test_the_list_of_this_test_tells_them_apart(step: str, payload: str, functional: bool, listed: bool) -> None:
    seen = Seen("7DF" if functional else "7E0", bytes.fromhex(payload), functional=functional)
    assert is_listed(step, seen, frozenset({0x2101})) == listed
