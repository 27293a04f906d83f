"""The one way in and the one way out: every error becomes a line, a next step and an exit code here."""

from __future__ import annotations

import importlib
import json
import os
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import Any

import click

from decoders.errors import MendproofError, UsageError
from gateway.cli.frame import APP, Frame, StoppedError, shared_options

INTERNAL, INTERRUPTED = 70, 130
COMMANDS = {
    "clear": "gateway.cli.vehicle:clear",
    "demo": "gateway.cli.vehicle:demo",
    "job": "gateway.cli.jobs:job_group",
    "links": "gateway.cli.results:links",
    "profile": "gateway.cli.results:profile_group",
    "repair": "gateway.cli.jobs:repair_group",
    "report": "gateway.cli.results:report",
    "scan": "gateway.cli.vehicle:scan",
    "settings": "gateway.cli.results:settings",
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
@click.version_option(version=version(APP), prog_name=APP)
@shared_options
def cli() -> None:
    """Read every control unit of a car before and after a repair, and grade the proof that each fault is cured.

    An erased fault code is not a repaired fault. Start with: mendproof demo
    """


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and end the process with its exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    code = run(arguments)
    _flush()
    sys.exit(code)


def run(arguments: list[str]) -> int:
    """Run the command line and give back its exit code."""
    as_json = "--json" in arguments
    try:
        result = cli.main(arguments, prog_name=APP, standalone_mode=False, obj=Frame())
    except MendproofError as error:
        return _fail(error, as_json=as_json)
    except click.ClickException as error:
        hint = _hint(error)
        return _fail(UsageError(error.format_message(), next_step=hint), as_json=as_json)
    except StoppedError as stopped:
        click.echo("Stopped. What was read is kept; a scan that was cut short says so.", err=True)
        return stopped.exit_code
    except (KeyboardInterrupt, click.exceptions.Abort):
        click.echo("Stopped.", err=True)
        return INTERRUPTED
    except BrokenPipeError:
        _silence_pipe()
        return 0
    except Exception as error:
        return _own_fault(error, as_json=as_json)
    return result if isinstance(result, int) else 0


def _hint(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else APP
    return f"see {path} --help"


def _fail(error: MendproofError, *, as_json: bool) -> int:
    """One line on what happened and what to do; with ``--json`` also the error object."""
    if as_json:
        form: dict[str, Any] = {
            "kind": error.kind,
            "exit": error.exit_code,
            "message": error.message,
            "next": error.next_step,
        }
        click.echo(json.dumps({"error": form}, ensure_ascii=False))
    tail = f" -> {error.next_step}" if error.next_step else ""
    click.echo(f"{APP}: {error.message}{tail}", err=True)
    return error.exit_code


def _own_fault(error: Exception, *, as_json: bool) -> int:
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
    own = MendproofError(f"a fault of our own ({type(error).__name__}: {error})", next_step=where)
    return _fail(own, as_json=as_json)


def _flush() -> None:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _silence_pipe()


def _silence_pipe() -> None:
    # The reader has gone: whatever is still buffered must not raise at interpreter exit.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
