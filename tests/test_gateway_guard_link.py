"""The guard before a link: what is refused never reaches it, is kept as unsent, and the plan goes on."""

from __future__ import annotations

import ast
import threading
from pathlib import Path

import pytest
from guard_help import CLEAR, ENGINE, C, EchoLink, M, R, T, ask, guard, outcomes

import gateway
from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, Request
from gateway.guard import GuardedLink, open_guarded
from gateway.links import BusFrame, Limits, Plan

CLEARING = guard(C, clearing=CLEAR)


def run(link: EchoLink, *payloads: str) -> list[Exchange]:
    with GuardedLink(link, guard(R)) as guarded:
        return ask(guarded, *payloads)


def test_refused_requests_are_unsent_with_the_reason_and_never_reach_the_link() -> None:
    link = EchoLink()
    kept = run(link, "04", "03", "2701", "3E00", "14FFFFFF")
    assert [request.data.hex() for request in link.reached] == ["03", "3e00"]
    unsent, answered = Outcome.UNSENT, Outcome.ANSWERED
    assert outcomes(kept) == [unsent, answered, unsent, answered, unsent]
    assert kept[2].trouble == "guard: service 27 is never sent: it unlocks the unit"
    assert (kept[2].link, kept[2].target, kept[2].request) == (link.address, ENGINE, b"\x27\x01")
    assert link.closed


def test_a_plan_of_refused_requests_only_ends_by_itself() -> None:
    link = EchoLink()
    kept = ask(GuardedLink(link, guard(M)), "3E00", "050101")
    assert (outcomes(kept), link.reached) == ([Outcome.UNSENT] * 2, [])


def test_an_empty_plan_ends_by_itself() -> None:
    assert run(EchoLink()) == []


def test_while_the_car_moves_one_request_goes_out_at_a_time() -> None:
    for phase in (M, R, C, T):
        link = EchoLink()
        ask(GuardedLink(link, guard(phase)), "03")
        assert link.limits == (Limits(window=1, window_begin=1) if phase is M else Limits())


def test_a_plan_of_endless_refused_requests_ends_with_stop() -> None:
    kept: list[Exchange] = []
    stop = threading.Event()
    stop.set()

    def endless() -> Plan:
        while True:
            yield Request(ENGINE, b"\x04")

    GuardedLink(EchoLink(), guard(R)).run({"a": endless()}, kept.append, stop, Limits())
    assert [exchange.outcome for exchange in kept] == [Outcome.UNSENT]


def test_the_plan_inside_is_closed_when_the_run_ends_early() -> None:
    closed: list[str] = []

    def plan(name: str) -> Plan:
        try:
            yield Request(ENGINE, b"\x03")
            yield Request(ENGINE, b"\x07")
        finally:
            closed.append(name)

    def full(_: Exchange) -> None:
        raise OSError("disk full")

    begun = plan("never begun by the link")
    next(begun)
    with pytest.raises(OSError, match="disk full"):
        GuardedLink(EchoLink(), guard(R)).run({"a": plan("under way"), "b": begun}, full, threading.Event(), Limits())
    assert sorted(closed) == ["never begun by the link", "under way"]


def test_the_same_link_goes_under_another_guard() -> None:
    link = EchoLink()
    reading = GuardedLink(link, guard(R))
    clearing = reading.under(CLEARING)
    assert (reading.guard, clearing.guard) == (guard(R), CLEARING)
    assert reading.address == clearing.address == link.address
    assert reading.functional_targets == link.functional_targets
    assert reading.how_opened is link.how_opened
    assert outcomes(ask(clearing, "04")) == [Outcome.ANSWERED]
    assert outcomes(ask(reading, "04")) == [Outcome.UNSENT]


def test_a_trace_goes_to_the_link_itself() -> None:
    link = EchoLink()
    frames: list[BusFrame] = []
    assert GuardedLink(link, guard(R)).set_trace(frames.append)
    assert link.trace == frames.append


def test_a_guarded_link_is_opened_by_its_address(channel: str) -> None:
    kept: list[Exchange] = []

    def plan() -> Plan:
        yield Request(ENGINE, b"\x03")
        yield Request(ENGINE, b"\x04")

    with open_guarded(f"can:virtual:{channel}", guard(R), shown_as="sim:x") as link:
        link.run({"a": plan()}, kept.append, threading.Event(), Limits(p2_ms=5))
    assert [(exchange.outcome, exchange.link) for exchange in kept] == [
        (Outcome.SILENT, "sim:x"),
        (Outcome.UNSENT, "sim:x"),
    ]


def test_opening_says_what_is_wrong_with_the_link() -> None:
    with pytest.raises(LinkError):
        open_guarded("can:nosuchinterface:x", guard(R))


OPENERS = {"open_link", "opener", "open_can", "open_dongle", "open_doip", "open_replay"}


def names_taken_from_links(path: Path) -> set[str]:
    """What a module takes from the links, by import or by a dotted name."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("gateway.links"):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.Attribute):
            found.add(node.attr)
    return found


def test_nobody_opens_a_link_but_the_guard() -> None:
    root = Path(gateway.__file__).parent
    taken = {
        str(path.relative_to(root)): OPENERS & names_taken_from_links(path)
        for path in root.rglob("*.py")
        if path.relative_to(root).parts[0] != "links"
    }
    assert {path: names for path, names in taken.items() if names} == {
        "guard/guarded_link.py": {"open_link"},
        "cli/links.py": {"opener"},  # looks whether there is one, see below
    }


def test_the_list_of_links_opens_none() -> None:
    """What `opener` gives is thrown away at once: only whether a kind can be loaded is of interest."""
    text = Path(gateway.__file__).parent.joinpath("cli/links.py").read_text(encoding="utf-8")
    nodes = list(ast.walk(ast.parse(text)))
    thrown_away = [node.value for node in nodes if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)]
    calls = [node for node in nodes if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "opener"]
    uses = [node for node in nodes if isinstance(node, ast.Name) and node.id == "opener"]
    assert len(calls) == len(uses) == 1
    assert calls[0] in thrown_away
