"""The story of a whole job over one door, as the vehicle saw it, and all ways by which this program reaches one."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import inspect
import io
import pkgutil
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType

import click
import pytest
from bus_help import reassemble
from workshop import SCENARIO, settings, visiting

import gateway
from decoders.errors import RefusedError
from decoders.values import UnitAddress, is_doip
from gateway.bench_port import find_bench
from gateway.cli.main import cli, run
from gateway.profiles import parse_profile
from gateway.sweeping import sweep
from sessions.journal import Kind
from sessions.store import Store
from simulators.disturbance import Replies
from simulators.door import RunningBench

SMALL_SCENARIO = "repaired-well"
QUICK = ("--set", "scan.functional_ms=80")


@dataclass(frozen=True)
class Seen:
    """One request as it arrived: by which identifier on a CAN bus, else at which unit."""

    who: str
    data: bytes
    functional: bool


@dataclass
class Story:
    """What arrived, by the step in which it did, and what was called."""

    steps: dict[str, list[Seen]] = field(default_factory=dict)
    driven: set[CodeType] = field(default_factory=set)
    clears: int = 0
    declared: frozenset[int] = frozenset()
    known: set[str] = field(default_factory=set)


def missing(door: str) -> str | None:
    """Why nothing can be asked through this door yet, or None."""
    if door in ("dongle", "doip") and importlib.util.find_spec(f"gateway.links.{door}") is None:
        return f"there is no link of kind {door}"
    return None


def drive(door: str) -> Story:
    """Do everything this program can do with a vehicle, over one door of the bench."""
    told = Story()
    scenario = SCENARIO if door in ("virtual", "dongle") else SMALL_SCENARIO
    profile_text = find_bench().profile_text(scenario)
    profile = parse_profile(profile_text, name=scenario)
    told.declared = frozenset(item.number for item in profile.identifiers)
    told.known = {UnitAddress.parse(unit.address).request.text for unit in profile.units if not is_doip(unit.address)}
    with (
        tempfile.TemporaryDirectory(prefix="mendproof-story-") as folder,
        pytest.MonkeyPatch.context() as patch,
        find_bench().start(scenario) as bench,
        calls_of(set(ways_to_a_vehicle()) if door == "virtual" else set(), told.driven),
    ):
        assert isinstance(bench, RunningBench)
        for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "XDG_RUNTIME_DIR"):
            patch.setenv(name, folder)
        patch.setenv("MENDPROOF_STORE", f"{folder}/record.sqlite")
        patch.setattr("gateway.watching.ROUND_S", 0.1)
        patch.setattr("gateway.cli.watch.MINUTE_S", 3)
        link = bench.links[0] if door == "virtual" else bench.open_door(door)
        step = _Steps(bench, told, listen(bench, patch) if door in ("dongle", "doip") else None)
        profile_file = Path(folder, "profile.toml")
        profile_file.write_text(profile_text, encoding="utf-8")
        named = ("--profile", str(profile_file))
        if door == "dongle":
            _leave_one_unit(bench)  # one request takes it a tenth of a second
        if door in ("dongle", "doip"):
            named = ()  # units are those that answer
        step("job open", "job", "open", "--link", link, *named)
        step("scan before", "scan", "1", "--as", "before", "--link", link, *QUICK)
        step("clear", "clear", "1", "--link", link, *QUICK)
        if door != "dongle":
            step("watch", "watch", "1", "--link", link, "--minutes", "1", *QUICK)
        if door == "virtual":
            step("links", "links")
            told.steps["client"] = _client(bench, folder, link)
            told.steps["sweep"] = _sweep(bench, folder, link)
            step("scan check", "scan", "1", "--as", "check", "--link", link, *QUICK)
            step("scan after", "scan", "1", "--as", "after", "--link", link, *QUICK)
        with Store.open(Path(folder, "record.sqlite"), create=False) as store:
            told.clears = sum(entry.kind is Kind.CLEAR for entry in store.journal(1))
    return told


def demonstration() -> tuple[list[Seen], frozenset[int]]:
    """What arrives at the vehicle of a short demonstration, and the identifiers that its profile declares."""
    import gateway.cli.demo_show as show

    benches: list[RunningBench] = []
    start = show.start_bench

    def started(*arguments: object) -> RunningBench:
        benches.append(start(*arguments))
        return benches[-1]

    with tempfile.TemporaryDirectory(prefix="mendproof-story-") as folder, pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", folder)
        patch.setattr(show, "start_bench", started)
        for name in ("KEY_OFF_S", "SETTLE_S", "IDLE_S", "DRIVE_S"):
            patch.setattr(f"gateway.demo.{name}", 5)
        command("demo", "--folder", folder, *QUICK)
    (bench,) = benches
    declared = parse_profile(find_bench().profile_text(bench.scenario), name="demo").identifiers
    return arrived(bench, 0), frozenset(item.number for item in declared)


class _Steps:
    """Runs commands and notes what arrived meanwhile."""

    def __init__(self, bench: RunningBench, told: Story, heard: list[Seen] | None) -> None:
        self._bench = bench
        self._told = told
        self._heard = heard

    def __call__(self, name: str, *arguments: str) -> None:
        before = len(self._bench.frames if self._heard is None else self._heard)
        command(*arguments)
        new = arrived(self._bench, before) if self._heard is None else self._heard[before:]
        self._told.steps[name] = list(new)


def _leave_one_unit(bench: RunningBench) -> None:
    for unit in list(bench.car.units)[1:]:
        bench.act("disconnect", plug=unit)


def _client(bench: RunningBench, folder: str, link: str) -> list[Seen]:
    """A script of a developer's own: what it may ask is asked, the rest is refused."""
    from gateway.uds_connection import open_unit

    command("job", "open")
    before = len(bench.frames)
    with open_unit(job=2, link=link, unit="7E0/7E8", store=Path(folder, "record.sqlite")) as connection:
        connection.send(bytes.fromhex("1902FF"))
        for payload in ("1003", "2701", "14FFFFFF", "3101FF00", "2EF19000", "8502"):
            with pytest.raises(RefusedError):
                connection.send(bytes.fromhex(payload))
    return arrived(bench, before)


def _sweep(bench: RunningBench, folder: str, link: str) -> list[Seen]:
    """An address sweep that waits for nobody: what goes out is looked at, not who answers."""
    figures = {"scan.functional_ms": 1, "scan.p2_ms": 1}
    with (
        Store.open(Path(folder, "sweep.sqlite"), create=True) as store,
        visiting(store, link, None, settings(figures)) as visit,
    ):
        before = len(bench.frames)
        sweep(visit, 1, known=(), stated_parked=True)
        return arrived(bench, before)


def command(*arguments: str) -> None:
    """Run a command that must end well."""
    output = io.StringIO()
    with contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
        code = run(list(arguments))
    assert code == 0, (arguments, output.getvalue())


def arrived(bench: RunningBench, first: int) -> list[Seen]:
    """The testers' messages on the bench's bus from this frame on; flow control is none."""
    frames = [frame for frame in bench.frames[first:] if frame.direction == "rx"]
    return [Seen(message.id_text, message.data, message.functional) for message in reassemble(frames)]


def listen(bench: RunningBench, patch: pytest.MonkeyPatch) -> list[Seen]:
    """What every door but that of the bus hands in for a unit, from now on."""
    heard: list[Seen] = []
    ask = bench.desk.ask

    def noting(unit: str, request: bytes, *, functional: bool = False) -> Replies:
        heard.append(Seen(unit, request, functional))
        return ask(unit, request, functional=functional)

    patch.setattr(bench.desk, "ask", noting)
    return heard


# --- all ways to a vehicle ---


def ways_to_a_vehicle() -> dict[CodeType, str]:
    """Commands with a ``--link``, and public functions and classes of the gateway that are given a link or a visit.

    The links themselves are left out: nobody but the guard opens one, which has a test of its own.
    """
    found = {code_of(command.callback): f"command {name}" for name, command in commands_with_a_link(cli)}
    for module in modules():
        for name, thing in vars(module).items():
            if getattr(thing, "__module__", None) != module.__name__ or name.startswith("_"):
                continue
            for shown, function in functions_of(name, thing):
                if takes_a_vehicle(function) and not is_generated(function):
                    found[code_of(function)] = f"{module.__name__}.{shown}"
    return found


def modules() -> Iterator[object]:
    for info in pkgutil.walk_packages(gateway.__path__, "gateway."):
        if not info.name.startswith(("gateway.links", "gateway.guard")) and not info.name.endswith("__main__"):
            yield importlib.import_module(info.name)


def commands_with_a_link(group: click.Group, above: str = "") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from commands_with_a_link(command, f"{above}{name} ")
        elif command is not None and any("--link" in option.opts for option in command.params):
            yield f"{above}{name}", command


def functions_of(name: str, thing: object) -> Iterator[tuple[str, Callable[..., object]]]:
    if inspect.isfunction(thing):
        yield name, thing
    elif inspect.isclass(thing):
        for method, function in vars(thing).items():
            if inspect.isfunction(function) and (method == "__init__" or not method.startswith("_")):
                yield f"{name}.{method}", function


def takes_a_vehicle(function: Callable[..., object]) -> bool:
    parameters = inspect.signature(inspect.unwrap(function)).parameters.values()
    return any(
        parameter.name == "link" or re.search(r"\b(Visit|GuardedLink|Link)\b", str(parameter.annotation))
        for parameter in parameters
    )


def is_generated(function: Callable[..., object]) -> bool:
    """True for what a frozen value is made with: it keeps what it is given and asks nobody."""
    return code_of(function).co_filename == "<string>"


def code_of(function: Callable[..., object] | None) -> CodeType:
    assert function is not None
    code = inspect.unwrap(function).__code__
    assert isinstance(code, CodeType)
    return code


@contextlib.contextmanager
def calls_of(wanted: set[CodeType], called: set[CodeType]) -> Iterator[None]:
    """Note which of these functions this thread really calls."""

    def note(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and frame.f_code in wanted:
            called.add(frame.f_code)

    if not wanted:
        yield
        return
    before = sys.getprofile()
    sys.setprofile(note)
    try:
        yield
    finally:
        sys.setprofile(before)
