"""Links that other packages bring by entry point: known, guarded, and no trouble to anyone when they are broken."""

from __future__ import annotations

import importlib.metadata
import sys
import threading
import types
from collections.abc import Callable
from importlib.metadata import EntryPoint

import pytest

from decoders.errors import LinkError, UsageError
from decoders.values import Exchange, Outcome, Request
from gateway.guard import Guard, Phase, open_guarded
from gateway.links import DEFAULT_LIMITS, Limits, Link, LinkAddress, Plan, open_link, parse_link, third_party
from gateway.links.address import FORMS, form_of, opener
from gateway.links.can.opening import open_can
from gateway.links.replay import ReplayLink
from simulators.door import RunningBench

MODULE = "a_package_of_somebody"
VIN = bytes.fromhex("22F190")
Offer = Callable[..., None]
Package = types.ModuleType


@pytest.fixture
def package(monkeypatch: pytest.MonkeyPatch) -> Package:
    """A module that an entry point can name."""
    module = types.ModuleType(MODULE)
    monkeypatch.setitem(sys.modules, MODULE, module)
    return module


@pytest.fixture
def offer(monkeypatch: pytest.MonkeyPatch) -> Offer:
    """Let packages offer links; each is a name and what it points at."""

    def offering(*points: tuple[str, str]) -> None:
        made = [EntryPoint(name=name, value=value, group=third_party.GROUP) for name, value in points]
        real = importlib.metadata.entry_points

        def found(**wanted: str) -> object:
            return made if wanted.get("group") == third_party.GROUP else real(**wanted)

        monkeypatch.setattr(importlib.metadata, "entry_points", found)

    return offering


class Opening:
    """Opens a link that passes everything on to a CAN link."""

    form = "tin:CHANNEL"

    def __init__(self) -> None:
        self.seen: list[tuple[LinkAddress, str, Limits]] = []

    def __call__(self, address: LinkAddress, shown_as: str, limits: Limits) -> Link:
        self.seen.append((address, shown_as, limits))
        return open_can(LinkAddress(kind="can", rest=f"virtual:{address.rest}"), shown_as, limits)


@pytest.fixture
def opening(package: Package, offer: Offer) -> Opening:
    """A sound third-party link, installed as ``tin:``."""
    made = Opening()
    package.opening = made  # type: ignore[attr-defined]
    offer(("tin", f"{MODULE}:opening"))
    return made


def asking(*requests: tuple[str, bytes]) -> Plan:
    for target, data in requests:
        yield Request(target, data)


def test_its_address_is_read_whole_and_written_back(opening: Opening) -> None:
    text = "tin:some where?speed=1#x"
    assert LinkAddress(kind="tin", rest="some where?speed=1#x") == parse_link(text)
    assert text == parse_link(text).text
    assert [] == opening.seen


def test_it_is_opened_with_its_address_the_shown_one_and_the_limits(opening: Opening, channel: str) -> None:
    limits = Limits(p2_ms=7)
    open_link(f"tin:{channel}", limits=limits, shown_as="tin:shown").close()
    assert [(LinkAddress(kind="tin", rest=channel), "tin:shown", limits)] == opening.seen


@pytest.mark.usefixtures("opening")
def test_the_guard_stands_before_it_and_units_are_read_through_it(bench: RunningBench) -> None:
    link = bench.links[0].replace("can:virtual:", "tin:")
    kept: list[Exchange] = []
    with open_guarded(link, Guard(phase=Phase.READING)) as guarded:
        plan = asking(("7E0/7E8", b"\x11\x01"), ("7E0/7E8", b"\x14\xff\xff\xff"), ("7E0/7E8", VIN))
        guarded.run({"a": plan}, kept.append, threading.Event(), DEFAULT_LIMITS)
    assert [Outcome.UNSENT, Outcome.UNSENT, Outcome.ANSWERED] == [item.outcome for item in kept]
    assert {link} == {item.link for item in kept}
    assert {VIN} == {frame.data[1:4] for frame in bench.frames if frame.direction == "rx" and frame.data[0] < 0x10}


@pytest.mark.usefixtures("opening")
def test_an_unknown_kind_lists_it_with_ours() -> None:
    with pytest.raises(UsageError, match=r"can:, dongle:, doip:, sim:, replay:, tin:$"):
        parse_link("tan:x")
    with pytest.raises(UsageError, match="names nothing behind 'tin:'") as caught:
        parse_link("tin:")
    assert "write tin:CHANNEL" == caught.value.next_step


@pytest.mark.parametrize("form", [None, 7, "", "can:INTERFACE", "tins"])
def test_without_a_form_of_its_own_a_plain_one_is_shown(package: Package, offer: Offer, form: object) -> None:
    made = Opening()
    made.form = form  # type: ignore[assignment]
    package.opening = made  # type: ignore[attr-defined]
    offer(("tin", f"{MODULE}:opening"))
    assert "tin:REST" == form_of("tin")


def test_without_any_package_nothing_is_offered(offer: Offer) -> None:
    offer()
    assert ((), ()) == (third_party.offered(FORMS), third_party.kinds(FORMS))
    with pytest.raises(LinkError, match="no installed package brings"):
        opener("tin")


# --- broken ones ---


def break_import(_package: Package) -> str:
    return "no_such_module_anywhere:opening"


def break_attribute(_package: Package) -> str:
    return f"{MODULE}:nothing"


def break_form(package: Package) -> str:
    package.opening = 7  # type: ignore[attr-defined]
    return f"{MODULE}:opening"


def break_loading(package: Package) -> str:
    def failing(name: str) -> object:
        raise ZeroDivisionError(f"{name} at import")

    package.__getattr__ = failing  # type: ignore[method-assign, assignment]
    return f"{MODULE}:opening"


@pytest.mark.parametrize(
    ("broken", "reason"),
    [
        (break_import, "cannot be loaded (ModuleNotFoundError"),
        (break_attribute, "cannot be loaded (AttributeError"),
        (break_loading, "cannot be loaded (ZeroDivisionError"),
        (break_form, "cannot be called"),
    ],
)
def test_a_broken_one_is_named_with_its_package_and_leaves_the_others_alone(
    package: Package, offer: Offer, broken: Callable[[Package], str], reason: str
) -> None:
    sound = types.ModuleType("sound_package")
    sound.opening = Opening()  # type: ignore[attr-defined]
    sys.modules["sound_package"] = sound
    try:
        offer(("bad", broken(package)), ("tin", "sound_package:opening"))
        bad, good = third_party.offered(FORMS)
    finally:
        del sys.modules["sound_package"]
    assert ("bad", None, "tin", None) == (bad.kind, bad.opens, good.kind, good.trouble)
    assert reason in (bad.trouble or "")
    assert bad.package
    with pytest.raises(LinkError) as caught:
        open_link("bad:x")
    assert bad.package in caught.value.message
    assert reason in caught.value.message
    assert caught.value.next_step


def test_our_own_kinds_cannot_be_replaced(package: Package, offer: Offer, channel: str) -> None:
    stranger = Opening()
    package.opening = stranger  # type: ignore[attr-defined]
    offer(*[(kind, f"{MODULE}:opening") for kind in FORMS])
    open_link(f"can:virtual:{channel}").close()
    assert [] == stranger.seen
    assert () == third_party.kinds(FORMS)
    found = third_party.offered(FORMS)
    assert sorted(FORMS) == [item.kind for item in found]
    assert all("cannot be replaced" in (item.trouble or "") and item.opens is None for item in found)
    with pytest.raises(UsageError, match="a new car each time"):
        open_link("sim:warning-lamps")


def test_one_kind_of_two_packages_is_neither(package: Package, offer: Offer) -> None:
    package.opening = Opening()  # type: ignore[attr-defined]
    offer(("tin", f"{MODULE}:opening"), ("tin", f"{MODULE}:other"))
    with pytest.raises(LinkError, match="more than once"):
        open_link("tin:x")


@pytest.mark.parametrize("name", ["Tin", "t in", "7", "tin:"])
def test_a_name_that_is_no_kind_is_told(package: Package, offer: Offer, name: str) -> None:
    package.opening = Opening()  # type: ignore[attr-defined]
    offer((name, f"{MODULE}:opening"))
    [found] = third_party.offered(FORMS)
    assert "is no kind" in (found.trouble or "")


def no_link(*_: object) -> object:
    return object()


def wrong_name(*_: object) -> object:
    return ReplayLink("can:socketcan:can0", ())


def fails(*_: object) -> object:
    raise OSError(13, "the driver says no")


@pytest.mark.parametrize(
    ("opens", "message"),
    [
        (no_link, "is no link: it lacks address, functional_targets, how_opened, run"),
        (wrong_name, "calls itself 'can:socketcan:can0' and not 'tin:x'"),
        (fails, "the driver says no"),
        (lambda: None, "TypeError"),
    ],
)
def test_what_goes_wrong_while_it_is_opened_is_a_link_error(
    package: Package, offer: Offer, opens: Callable[..., object], message: str
) -> None:
    package.opening = opens  # type: ignore[attr-defined]
    offer(("tin", f"{MODULE}:opening"))
    with pytest.raises(LinkError) as caught:
        open_link("tin:x")
    assert message in caught.value.message
    assert MODULE in caught.value.message
    assert caught.value.next_step


@pytest.mark.parametrize("lacking", ["how_opened", "set_trace", "run"])
def test_what_lacks_a_part_of_a_link_is_told_when_it_is_opened_and_closed(
    package: Package, offer: Offer, lacking: str
) -> None:
    closed: list[str] = []
    parts = ("functional_targets", "how_opened", "run", "set_trace", "__enter__", "__exit__")
    made = types.SimpleNamespace(address="tin:x", close=lambda: closed.append("tin:x"))
    for part in parts:
        if part != lacking:
            setattr(made, part, None)
    package.opening = lambda *_: made  # type: ignore[attr-defined]
    offer(("tin", f"{MODULE}:opening"))
    with pytest.raises(LinkError, match=f"it lacks {lacking}$"):
        open_link("tin:x")
    assert ["tin:x"] == closed


def test_its_own_clear_words_come_through(package: Package, offer: Offer) -> None:
    def refuses(*_: object) -> Link:
        raise UsageError("tin: has no such can", next_step="open another one")

    package.opening = refuses  # type: ignore[attr-defined]
    offer(("tin", f"{MODULE}:opening"))
    with pytest.raises(UsageError, match="tin: has no such can"):
        open_link("tin:x")
