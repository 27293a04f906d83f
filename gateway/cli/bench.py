"""Commands for the simulated vehicle: serve one on 127.0.0.1, and move it while it is served."""

from __future__ import annotations

import re
import shlex
import threading
import time
from contextlib import ExitStack
from datetime import timedelta
from typing import TYPE_CHECKING

import click

from decoders.errors import LinkError, UsageError
from gateway.cli.frame import Frame, StoppedError, pass_frame, shared_options, stoppable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from gateway.bench_port import ActResult, BenchDoor, MovedBench, PublishedBench, RunningBench

PORT = click.IntRange(0, 65_535)
NUMBER = re.compile(r"(0|[1-9][0-9]{0,8})\Z")  # 03 is no number: it may be a request
LOOK_S = 0.1
STEPS_PER_S = 4
SEE_LIST = "mendproof bench list shows the scenarios"
SEE_HELP = "mendproof bench do --help shows every action"
START_ONE = "start one in another terminal: mendproof bench run SCENARIO"
NAMES = {"can": "CAN", "dongle": "dongle", "doip": "DoIP", "pty": "dongle"}


@click.group("bench")
@shared_options
def bench_group() -> None:
    """Run a simulated vehicle and do things with it."""


@bench_group.command("list")
@shared_options
@pass_frame
def bench_list(frame: Frame) -> None:
    """List the scenarios: which cars there are, and what has happened to each."""
    from gateway.bench_port import find_bench

    door = find_bench()
    about = {name: door.about(name) for name in door.scenarios()}
    frame.emit({"scenarios": [{"scenario": name, "about": text} for name, text in about.items()]})
    wide = max(map(len, about))
    for name, text in about.items():
        frame.show(f"{name:<{wide}}  {text}", hang=wide + 2)
    frame.say("Start one: mendproof bench run SCENARIO")


@bench_group.command("run")
@click.argument("scenario", metavar="SCENARIO")
@click.option("--can-port", type=PORT, default=0, metavar="P", help="Port of the CAN door (slcan on TCP).")
@click.option("--dongle-port", type=PORT, default=0, metavar="P", help="Port of the AT-command dongle.")
@click.option("--doip-port", type=PORT, default=0, metavar="P", help="Port of the DoIP door.")
@click.option("--control-port", type=PORT, default=0, metavar="P", help="Port at which `bench do` moves the car.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="What chance depends on.")
@click.option("--at-once", is_flag=True, help="Answer at once: no time on the wire, none to think, no broadcasts.")
@shared_options
@pass_frame
def bench_run(
    frame: Frame,
    scenario: str,
    can_port: int,
    dongle_port: int,
    doip_port: int,
    control_port: int,
    seed: int,
    at_once: bool,
) -> int:
    """Serve a simulated vehicle on this machine until Ctrl-C.

    SCENARIO is a name that `mendproof bench list` shows, or the path of a scenario file of your own. Every door to
    the car is open at the same time, on a free port unless you choose one, and on 127.0.0.1 alone.
    """
    from gateway.bench_port import find_bench

    door = find_bench()
    ports = {"can": can_port, "dongle": dongle_port, "doip": doip_port}
    load = ""
    try:
        with stoppable() as stop, _started(door, scenario, seed, lifelike=not at_once) as bench, ExitStack() as doors:
            try:
                links = {kind: bench.open_door(kind, ports.get(kind, 0)) for kind in door.doors()}
                published = doors.enter_context(door.publish(bench, port=control_port))
            except ValueError as error:
                raise LinkError(
                    str(error),
                    next_step="end the other program with Ctrl-C, or leave the port out: then a free one is taken",
                ) from error
            _show_running(frame, scenario, links, published, door.about(scenario))
            while not stop.is_set():
                time.sleep(LOOK_S)  # waiting for the event itself could hang: it is set from a signal handler
            load = bench.load_words
    except StoppedError as stopped:
        frame.say(f"The simulated vehicle is gone. {load}".rstrip())
        return stopped.exit_code
    return 0


def _started(door: BenchDoor, scenario: str, seed: int, *, lifelike: bool) -> RunningBench:
    try:
        return door.start(scenario, seed=seed, lifelike=lifelike)
    except ValueError as error:
        raise UsageError(str(error), next_step=SEE_LIST) from error


def _show_running(frame: Frame, scenario: str, links: Mapping[str, str], published: PublishedBench, about: str) -> None:
    profile, doip_profile = str(published.profile), str(published.doip_profile)
    frame.emit(
        {
            "scenario": scenario,
            "links": dict(links),
            "profile": profile,
            "doip_profile": doip_profile,
            "control_port": published.port,
        }
    )
    link = shlex.quote(next(iter(links.values())))
    frame.say(f"A simulated vehicle on 127.0.0.1: {scenario}. {about}", hang=0)
    for kind, text in links.items():
        frame.show(f"  {NAMES.get(kind, kind):<8}{text}")
    frame.show(f"  {'profile':<8}{profile}")
    frame.show(f"  {'':<8}{doip_profile} (over DoIP)")
    frame.say("Next, in another terminal (JOB is the number that the first of them prints):")
    frame.say(f"  mendproof job open --link {link} --profile {shlex.quote(profile)}")
    frame.say(f"  mendproof scan JOB --as before --link {link}")
    frame.say("  mendproof bench do --help")
    frame.say("Ctrl-C here ends it; the car is forgotten then.")


class _Do(click.Command):
    """A command whose help lists every action."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write what the installed bench can do."""
        from gateway.bench_port import find_bench

        door = find_bench()
        actions = door.actions()
        with formatter.section("Actions"):
            formatter.write_dl([(f"{name} {action.usage}".strip(), action.about) for name, action in actions.items()])
        takes = {name: part.about for action in actions.values() for name, part in action.takes.items()}
        with formatter.section("Values"):
            formatter.write_dl([(name.upper(), about) for name, about in takes.items()])
        with formatter.section("What can follow `disturb`"):
            formatter.write_dl(list(door.disturbances().items()))


@bench_group.command("do", cls=_Do)
@click.argument("action", metavar="ACTION")
@click.argument("words", nargs=-1, metavar="[NAME=VALUE ...]")
@click.option(
    "--pace",
    type=click.IntRange(min=1),
    metavar="N",
    help="Let N simulated seconds pass in each real one, so that `watch` sees them; by default they pass at once.",
)
@shared_options
@pass_frame
def bench_do(frame: Frame, action: str, words: tuple[str, ...], pace: int | None) -> int:
    """Do one thing with the simulated vehicle that `bench run` serves.

    For example: `mendproof bench do start_engine`, then `mendproof bench do drive kmh=60 seconds=300`. An unknown
    part or unit is answered with the names of those there are. What stands in brackets may be left out.
    """
    from gateway.bench_port import find_bench

    arguments = _arguments(words)
    if pace is not None and not isinstance(arguments.get("seconds"), int):
        raise UsageError("--pace is for actions that last: seconds=N is missing", next_step=SEE_HELP)
    stopped = 0
    try:
        with find_bench().published() as bench:
            if pace is None:
                result = bench.act(action, **arguments)
                said = result.said
            else:
                result, said, stopped = _paced(bench, action, arguments, pace)
    except ConnectionError as error:
        raise LinkError(str(error), next_step=START_ONE) from error
    except ValueError as error:
        raise UsageError(str(error), next_step=SEE_HELP) from error
    frame.emit({"world_s": result.world_s, "said": said})
    frame.show(f"{said} (simulated clock {timedelta(seconds=result.world_s)})")
    return stopped


def _arguments(words: tuple[str, ...]) -> dict[str, int | str]:
    arguments: dict[str, int | str] = {}
    for word in words:
        name, _, value = word.partition("=")
        if not (name and value):
            raise UsageError(f"'{word}' is not NAME=VALUE", next_step="write for example seconds=60")
        if name in arguments:
            raise UsageError(f"'{name}' is there twice", next_step="give it once")
        arguments[name] = int(value) if NUMBER.match(value) else value
    return arguments


def _paced(bench: MovedBench, action: str, arguments: Mapping[str, int | str], pace: int) -> tuple[ActResult, str, int]:
    """Do the action in short steps, as real time passes; Ctrl-C leaves the car as it then is.

    Returns:
        What the last step did, what all of them did in words, and the exit code.
    """
    total_s = int(arguments["seconds"])
    step_s = max(1, pace // STEPS_PER_S)
    part_s = min(1, total_s)
    result = bench.act(action, **{**arguments, "seconds": part_s})
    done_s, due_s = 1, time.monotonic() + 1 / pace
    try:
        with stoppable() as stop:
            while done_s < total_s and _wait_until(due_s, stop):
                part_s = min(step_s, total_s - done_s)
                result = bench.act(action, **{**arguments, "seconds": part_s})
                done_s += part_s
                due_s += part_s / pace
    except StoppedError as stopped:
        return result, _of_all(result.said, part_s, done_s), stopped.exit_code
    return result, _of_all(result.said, part_s, done_s), 0


def _of_all(said: str, part_s: int, done_s: int) -> str:
    """What the last step said, with the seconds of all steps in place of its own."""
    own = f" {part_s} s"
    return said.replace(own, f" {done_s} s", 1) if own in said else f"{said}, {done_s} s in all"


def _wait_until(due_s: float, stop: threading.Event) -> bool:
    """Wait until then; False if somebody wants the end first."""
    while not stop.is_set() and (left_s := due_s - time.monotonic()) > 0:
        time.sleep(min(LOOK_S, left_s))
    return not stop.is_set()
