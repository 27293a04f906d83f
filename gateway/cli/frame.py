"""What every command shares: options, the store, output, and stopping by signal."""

from __future__ import annotations

import gc
import getpass
import json
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import wraps
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from decoders.errors import MendproofError

if TYPE_CHECKING:
    from rich.console import Console

    from gateway.guard import GuardedLink
    from gateway.links import Limits
    from gateway.settings import Settings
    from gateway.visit import Visit
    from sessions.store import JobWriter, Store

P = ParamSpec("P")
R = TypeVar("R")
APP = "mendproof"


@dataclass(slots=True)
class Frame:
    """The global options of one command line."""

    store_path: Path | None = None
    as_json: bool = False
    quiet: bool = False
    overrides: list[str] = field(default_factory=list)
    actor: str | None = None
    emitted: bool = False

    @property
    def console(self) -> Console:
        """Where people read; styles only on a terminal."""
        from gateway.cli.console import Terminal

        return Terminal(highlight=False, soft_wrap=True, quiet=self.as_json)

    @property
    def who(self) -> str:
        """Who acts, as the journal writes it."""
        if self.actor:
            return self.actor
        try:
            return getpass.getuser()
        except (KeyError, OSError):
            return "unknown"

    @property
    def store_file(self) -> Path:
        """The store: option, then environment, then the platform's user data folder."""
        if self.store_path is not None:
            return self.store_path
        if os.environ.get("MENDPROOF_STORE"):
            return Path(os.environ["MENDPROOF_STORE"])
        import platformdirs

        return platformdirs.user_data_path(APP) / "mendproof.sqlite"

    def settings(self) -> Settings:
        """The settings in force."""
        import platformdirs

        from gateway.settings import read_settings

        return read_settings(self.overrides, platformdirs.user_config_path(APP) / "settings.toml")

    def open_store(self, *, create: bool = False) -> Store:
        """The store, opened; a command that only reads never makes one."""
        from sessions.store import Store

        return Store.open(self.store_file, create=create)

    def emit(self, form: object) -> None:
        """Print one JSON object if ``--json`` was given; a command prints one and no more."""
        if self.as_json and not self.emitted:
            self.emitted = True
            from gateway.cli.console import silence_stdout

            try:
                click.echo(json.dumps(form, ensure_ascii=False))
            except BrokenPipeError:
                silence_stdout()

    def show(self, text: str = "", *, hang: int | None = None) -> None:
        """Print one line of a result for people; ``--json`` prints the object instead.

        Args:
            text: the line; one that somebody may copy stays whole.
            hang: fold the line to the terminal, with so many spaces before its further lines.
        """
        from gateway.cli.console import folded

        console = self.console
        console.print(text if hang is None else folded(console, text, hang), markup=False)

    def say(self, text: str = "", *, hang: int | None = None) -> None:
        """Print one line that can be done without, a hint or what is being done; not with ``--quiet``; see `show`.

        Cautions, and what says that something went unread or was not kept, are results: they are shown.
        """
        if not self.quiet:
            self.show(text, hang=hang)


def shared_options(function: Callable[P, R]) -> Callable[P, R]:
    """Add the global options, so that they are understood before and after the command's name."""

    @wraps(function)
    def taking(*args: P.args, **kwargs: P.kwargs) -> R:
        take_options(click.get_current_context().obj, kwargs)
        return function(*args, **kwargs)

    for option in (
        click.option("--set", "overrides", multiple=True, metavar="KEY=VALUE", help="Change a setting for this run."),
        click.option("--by", "actor", metavar="NAME", help="Who acts; by default the user's name."),
        click.option("--quiet", is_flag=True, help="Print results and cautions only."),
        click.option(
            "--json",
            "as_json",
            is_flag=True,
            help="Print JSON instead of text: one object, after events where the command takes its time.",
        ),
        click.option(
            "--store",
            "store_path",
            type=click.Path(path_type=Path, dir_okay=False),
            metavar="FILE",
            help="The record to use.",
        ),
    ):
        taking = option(taking)
    return taking


def take_options(frame: Frame, options: dict[str, Any]) -> None:
    """Move the global options out of a command's arguments into the frame."""
    frame.store_path = options.pop("store_path") or frame.store_path
    frame.as_json = options.pop("as_json") or frame.as_json
    frame.quiet = options.pop("quiet") or frame.quiet
    frame.actor = options.pop("actor") or frame.actor
    frame.overrides += options.pop("overrides")


pass_frame = click.make_pass_decorator(Frame)


class StoppedError(Exception):
    """A signal ended the command after what was read had been kept."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.exit_code = 128 + number


@contextmanager
def stoppable() -> Iterator[threading.Event]:
    """Let Ctrl-C and SIGTERM end a visit gently: what is under way is kept, then the command ends.

    Raises:
        StoppedError: on leaving, if a signal came; also in place of an error that only followed from it.
    """
    from gateway.stopping import BY_SIGNAL, Stop

    stop = Stop()
    came: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        came.append(number)
        if stop.is_set():
            raise StoppedError(number)
        if number != signal.SIGINT:
            stop.words = BY_SIGNAL
        stop.set()

    before = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    except MendproofError as error:
        if came:
            raise StoppedError(came[0]) from error
        raise
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if came:
        raise StoppedError(came[0])


@contextmanager
def writing(frame: Frame, job: int) -> Iterator[tuple[Store, JobWriter]]:
    """The store and the lease of a job that is still open, to write something a person says."""
    from gateway.jobs import record_of, require_open

    with frame.open_store() as store:
        require_open(record_of(store, job))
        with store.writer(job, actor=frame.who) as writer:
            yield store, writer


def open_vehicle(link: str, limits: Limits) -> GuardedLink:
    """The guarded link with this address."""
    from gateway.guard import Guard, Phase, open_guarded

    return open_guarded(link, Guard(phase=Phase.READING), limits=limits)


@contextmanager
def at_vehicle(frame: Frame, job: int, link: str) -> Iterator[Visit]:
    """A visit to a job's vehicle: store, lease and link are held until it ends."""
    from gateway.jobs import record_of, require_open, visit_vehicle
    from gateway.visit import require_one_kind_of_address

    settings = frame.settings()
    with frame.open_store() as store:
        record = record_of(store, job)
        require_open(record)
        require_one_kind_of_address(record.known_units, link)
        with (
            stoppable() as stop,
            open_vehicle(link, settings.limits) as guarded,
            store.writer(job, actor=frame.who) as writer,
        ):
            # What is loaded by now stays: to look through it again and again would keep the bus waiting.
            gc.freeze()
            try:
                visit = visit_vehicle(store, writer, guarded, settings, stop=stop)
                if guarded.how_opened.notice:
                    frame.show(guarded.how_opened.notice, hang=0)
                yield visit
            finally:
                gc.unfreeze()
