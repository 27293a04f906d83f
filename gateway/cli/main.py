"""The one way in and the one way out: every error becomes a line, a next step and an exit code here."""

from __future__ import annotations

import errno
import importlib
import io
import os
import sys
from collections.abc import Sequence

import click

from decoders.errors import MendproofError, RecordError, UsageError
from gateway.cli.frame import APP, Frame, StoppedError, shared_options

STOPPED, INTERRUPTED = "stopped", 130
COMMANDS = {
    "bench": "gateway.cli.bench:bench_group",
    "clear": "gateway.cli.vehicle:clear",
    "decode": "gateway.cli.decode:decode",
    "demo": "gateway.cli.vehicle:demo",
    "job": "gateway.cli.jobs:job_group",
    "links": "gateway.cli.links:links",
    "profile": "gateway.cli.results:profile_group",
    "repair": "gateway.cli.jobs:repair_group",
    "report": "gateway.cli.results:report",
    "scan": "gateway.cli.vehicle:scan",
    "settings": "gateway.cli.results:settings",
    "trace": "gateway.cli.trace:trace",
    "watch": "gateway.cli.watch:watch",
    "verdict": "gateway.cli.results:verdict",
}


class Commands(click.Group):
    """Commands by name, each imported only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, sorted."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command with this name, or None."""
        if cmd_name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[cmd_name].partition(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command


@click.command(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name=APP, prog_name=APP)
@shared_options
def cli() -> None:
    """Read every control unit of a car before and after a repair, and grade the proof that each fault is cured.

    An erased fault code is not a repaired fault. Start with: mendproof demo
    """


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with its exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a sign shows another, and nothing fails
    code = run(arguments)
    sys.exit(_flushed(code))


def run(arguments: list[str]) -> int:
    """Run the command line and give back its exit code."""
    frame = Frame()
    try:
        result = cli.main(arguments, prog_name=APP, standalone_mode=False, obj=frame)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        return UsageError.exit_code
    except SystemExit:
        return _reader_gone()  # click ends this way, and only so, when nobody reads its output any more
    except Exception as error:
        frame.as_json = frame.as_json or "--json" in arguments
        return _failed(frame, error)
    return result if isinstance(result, int) else 0


def _failed(frame: Frame, error: Exception) -> int:
    """Every way a command can end early, as one line, a next step and an exit code."""
    match error:
        case MendproofError():
            return _tell(frame, error.kind, error.exit_code, error.message, error.next_step)
        case click.ClickException():
            return _tell(frame, UsageError.kind, UsageError.exit_code, error.format_message(), _hint(error))
        case StoppedError():
            return _tell(frame, STOPPED, error.exit_code, "stopped; what was read is kept", "run the command again")
        case click.exceptions.Abort():
            return _tell(frame, STOPPED, INTERRUPTED, "stopped", "run the command again")
        case OSError(errno=errno.ENOSPC):
            return _disk_full(frame)
    return _own_fault(frame, error)


def _hint(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else APP
    return f"see {path} --help"


def _tell(frame: Frame, kind: str, code: int, message: str, next_step: str) -> int:
    """One line on what happened and what to do; with ``--json`` the error object, unless one is out already."""
    message = " ".join(message.split())
    frame.emit({"error": {"kind": kind, "exit": code, "message": message, "next": next_step}})
    tail = f" -> {next_step}" if next_step else ""
    click.echo(f"{APP}: {message}{tail}", err=True)
    return code


def _own_fault(frame: Frame, error: Exception) -> int:
    """A fault of our own: the traceback goes to a log, the user gets one line with its path."""
    import traceback

    import platformdirs

    folder = platformdirs.user_log_path(APP)
    path = folder / f"fault-{os.getpid()}.log"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
        where = f"details are in {path}"
    except OSError:
        where = "no log could be written"
    message = f"a fault of our own ({type(error).__name__}: {error})"
    return _tell(frame, MendproofError.kind, MendproofError.exit_code, message, where)


def _flushed(code: int) -> int:
    """Write out what is still buffered, so that nothing can fail at interpreter exit."""
    if sys.stdout is None:
        return code
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _reader_gone()
    except OSError as error:
        _reader_gone()
        return _failed(Frame(), error)
    return code


def _disk_full(frame: Frame) -> int:
    message = "The disk is full: the output is not whole"
    return _tell(frame, RecordError.kind, RecordError.exit_code, message, "free some space, then run it again")


def _reader_gone() -> int:
    """The reader closed the pipe: the rest of the output goes nowhere, and the command is done."""
    from gateway.cli.console import silence_stdout

    silence_stdout()
    return 0
