"""What `mendproof links` shows: each kind of link, what it lacks, and what is here."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from cli_help import Cli

from decoders.errors import LinkError
from gateway.bench_port import find_bench
from gateway.cli import links
from gateway.cli.links import missing_extras
from gateway.links.address import FORMS
from gateway.links.can import opening as can_open
from gateway.links.doip import discovery
from simulators.door import RunningBench


@dataclass(frozen=True)
class Present:
    """As `gateway.links.can.opening.present_channels` gives it."""

    interface: str
    channel: str
    link: str
    note: str = ""


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is plugged in, and no car of another test is found."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setattr(can_open, "present_channels", lambda: ())


def rows(cli: Cli, *more: str) -> dict[str, dict[str, object]]:
    """The kinds of link, by kind."""
    return {row["kind"]: row for row in cli.done("links", "--json", *more).form["links"]}


def test_each_kind_has_one_line_with_its_form(cli: Cli) -> None:
    form = cli.done("links", "--json").form
    assert {"links", "found", "can_interfaces", "troubles"} == set(form)
    assert FORMS == {row["kind"]: row["form"] for row in form["links"]}
    assert {frozenset({"kind", "form", "ready", "missing"})} == {frozenset(row) for row in form["links"]}
    lines = cli.done("links").out.splitlines()
    for kind, text in FORMS.items():
        [line] = [line for line in lines if f" {kind}:" in line]
        assert line.endswith(text)
        assert line.split()[0] in ("ready", "missing")


def test_what_all_tests_use_is_ready(cli: Cli) -> None:
    found = rows(cli)
    assert {"can", "doip", "replay", "sim"} <= {kind for kind, row in found.items() if row["ready"]}
    assert [None] * 3 == [found[kind]["missing"] for kind in ("doip", "replay", "sim")]


def test_nothing_found_says_what_to_do(cli: Cli) -> None:
    assert ([], []) == (cli.done("links", "--json").form["found"], cli.done("links", "--json").form["troubles"])
    assert "plug an adapter in, or: mendproof bench run SCENARIO" in cli.done("links").out


@pytest.mark.parametrize(
    ("library", "kind", "hint"),
    [("obd", "dongle", "pip install 'mendproof[dongle]'"), ("doipclient", "doip", "pip install doipclient")],
)
def test_a_library_that_is_not_installed_is_named(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, library: str, kind: str, hint: str
) -> None:
    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *more: None if name == library else real(name, *more))
    found = rows(cli)
    assert [kind] == [name for name, row in found.items() if not row["ready"]]
    assert str(found[kind]["missing"]).endswith(hint)
    lines = cli.done("links").out.splitlines()
    [place] = [number for number, line in enumerate(lines) if line.startswith("  missing ")]
    assert hint in lines[place + 1]


def test_without_a_bench_the_simulated_car_is_missing_and_the_rest_is_shown(
    cli: Cli, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none() -> None:
        raise LinkError("No simulated vehicle is installed", next_step="install it")

    monkeypatch.setattr("gateway.bench_port.find_bench", none)
    found = rows(cli)
    assert (False, "No simulated vehicle is installed: install it") == (found["sim"]["ready"], found["sim"]["missing"])
    assert found["can"]["ready"]


def test_a_part_of_ours_that_cannot_be_loaded_hides_no_other(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "gateway.links.replay", None)
    found = rows(cli)
    assert (False, True) == (found["replay"]["ready"], found["can"]["ready"])
    assert "cannot be loaded" in str(found["replay"]["missing"])


def test_links_of_other_packages_are_shown_and_broken_ones_named(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    real = importlib.metadata.entry_points
    points = [
        EntryPoint(name="tin", value="gateway.links.replay:open_replay", group="mendproof.link"),
        EntryPoint(name="bad", value="no_such_module_anywhere:opening", group="mendproof.link"),
    ]
    monkeypatch.setattr(
        importlib.metadata,
        "entry_points",
        lambda **wanted: points if wanted.get("group") == "mendproof.link" else real(**wanted),
    )
    found = rows(cli)
    assert {"kind": "tin", "form": "tin:REST", "ready": True, "missing": None} == found["tin"]
    assert (False, True) == (found["bad"]["ready"], found["can"]["ready"])
    assert "package no_such_module_anywhere:opening: it cannot be loaded" in str(found["bad"]["missing"])
    out = " ".join(cli.done("links").out.split())
    assert "ready by an installed package tin:REST" in out
    assert "missing by an installed package bad:REST package no_such_module_anywhere:opening: it cannot be" in out


# --- what is here ---


def test_channels_are_listed_with_their_link_and_what_is_known(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    present = (
        Present("socketcan", "can0", "can:socketcan:can0"),
        Present("dongle", "/dev/ttyX", "dongle:/dev/ttyX", "if it is a dongle"),
    )
    monkeypatch.setattr(can_open, "present_channels", lambda: present)
    assert [
        {"link": "can:socketcan:can0", "about": "socketcan"},
        {"link": "dongle:/dev/ttyX", "about": "if it is a dongle"},
    ] == cli.done("links", "--json").form["found"]
    lines = [line.split(maxsplit=1) for line in cli.done("links", "--quiet").out.splitlines()]
    assert ["can:socketcan:can0", "socketcan"] in lines


def test_the_car_that_bench_run_serves_is_found_by_every_door_of_it(cli: Cli, bench: RunningBench) -> None:
    doors = [bench.open_door(kind) for kind in ("can", "doip")]
    with find_bench().publish(bench):
        form = cli.done("links", "--json").form
    assert doors == [item["link"] for item in form["found"]]
    assert all("mendproof bench run" in item["about"] for item in form["found"])
    assert [] == cli.done("links", "--json").form["found"]


def failing(error: Exception) -> Callable[..., object]:
    def raises(*_: object) -> object:
        raise error

    return raises


def test_a_place_where_looking_fails_is_told_and_hides_no_other(
    cli: Cli, bench: RunningBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can_open, "present_channels", failing(RuntimeError("a driver fell over")))
    door = bench.open_door("can")
    with find_bench().publish(bench):
        form = cli.done("links", "--json").form
    assert [door] == [item["link"] for item in form["found"]]
    assert ["plugged in: RuntimeError: a driver fell over"] == form["troubles"]
    assert "a driver fell over" in cli.done("links").out


def test_a_place_that_takes_too_long_does_not_hold_up_the_command(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    def slow() -> Iterator[object]:
        time.sleep(20)
        yield from ()

    monkeypatch.setattr(links, "LOOK_S", 0.2)
    monkeypatch.setattr(can_open, "present_channels", slow)
    begun_s = time.monotonic()
    form = cli.done("links", "--json").form
    assert time.monotonic() - begun_s < 15
    assert ["plugged in: nothing was told in time"] == [text for text in form["troubles"] if "plugged" in text]


# --- who is there ---


def test_a_host_is_asked_who_is_there(cli: Cli, bench: RunningBench) -> None:
    link = bench.open_door("doip")
    form = cli.done("links", "--json", "--doip", link.removeprefix("doip:")).form
    [item] = form["found"]
    assert (link, []) == (item["link"], form["troubles"])
    assert item["about"].startswith("VIN ")
    assert ", gateway " in item["about"]


@pytest.mark.parametrize(
    ("host", "port", "link"),
    [("192.0.2.7", "", "doip:192.0.2.7"), ("192.0.2.7", ":13401", "doip:192.0.2.7:13401"), ("::1", "", "doip:[::1]")],
)
def test_what_answers_is_shown_by_its_own_address(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, host: str, port: str, link: str
) -> None:
    entity = discovery.Entity(vin=None, address="doip:1A02", eid=b"\1\2\3\4\5\xff", host=host, port=13400)
    monkeypatch.setattr(discovery, "find_entities", lambda *_: (entity,))
    [item] = cli.done("links", "--json", "--doip", f"192.0.2.255{port}").form["found"]
    assert {"link": link, "about": "no VIN told, gateway 1A02, id 0102030405FF"} == item


@pytest.mark.parametrize(
    ("where", "answers", "trouble"),
    [
        ("192.0.2.1", lambda *_: (), "DoIP: nobody answered at 192.0.2.1:13400 -> check the address"),
        ("192.0.2.1", failing(LinkError("no network", next_step="plug it in")), "DoIP: no network -> plug it in"),
        ("192.0.2.1:99999", lambda *_: (), "DoIP: 99999 is no port -> "),
        ("", lambda *_: (), "DoIP: 'doip:' names nothing behind 'doip:' -> "),
        ("a b:c:d", lambda *_: (), "is no host"),
    ],
)
def test_nobody_there_is_told_and_is_no_failure(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, where: str, answers: Callable[..., object], trouble: str
) -> None:
    monkeypatch.setattr(discovery, "find_entities", answers)
    form = cli.done("links", "--json", "--doip", where).form
    [told] = form["troubles"]
    assert trouble in told
    assert [] == form["found"]


# --- drivers ---

REQUIRES = (
    "wrapt~=1.10",
    'pyserial~=3.0; extra == "serial"',
    'gs-usb>=0.2.1; extra == "gs-usb"',
    'filelock; extra == "neovi"',
    'python-ics>=2.12; extra == "neovi"',
    'msgpack~=1.1.0; extra == "multicast"',
    'asammdf>=6.0.0; extra == "mf4"',
    'pywin32>=305; (platform_system == "Windows") and extra == "pywin32"',
)


def test_drivers_that_are_missing_are_those_of_interfaces_alone() -> None:
    known = ("serial", "gs_usb", "neovi", "virtual")
    assert ("gs-usb", "multicast", "neovi", "serial") == missing_extras(REQUIRES, known, lambda _name: False)
    assert ("neovi",) == missing_extras(REQUIRES, known, lambda name: name != "python-ics")
    assert () == missing_extras(REQUIRES, known, lambda _name: True)
