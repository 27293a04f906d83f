"""How commands of one user find the car that another command of the same user serves: ``bench.json``.

The file lies in the platform's runtime folder, for nobody else's eyes, beside the profile of the car. It holds the
scenario, the links, the control port and a random token; it is gone when the car is.
"""

from __future__ import annotations

import json
import os
import secrets
import uuid
import warnings
from contextlib import ExitStack, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Protocol, Self

from simulators.car import ActResult
from simulators.control import ControlClient, ControlPort, Moved
from simulators.errors import BenchError

FILE_NAME = "bench.json"
_LONGEST = 1 << 16
_NONE = "no simulated vehicle is running"


class Running(Moved, Protocol):
    """A car that runs in this process."""

    @property
    def links(self) -> tuple[str, ...]:
        """How it is reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What the file says.

    Args:
        scenario: the scenario's name.
        process: the number of the process that serves the car.
        links: link addresses by which any process reaches it.
        profile: the path of its profile.
        control_port: where it is moved.
        token: what one must know to do so.
    """

    scenario: str
    process: int
    links: tuple[str, ...]
    profile: str
    control_port: int
    token: str


def runtime_folder() -> Path:
    """The folder in which ``bench.json`` lies.

    Raises:
        BenchError: the platform's folder belongs to somebody else.
    """
    import platformdirs

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # where the platform gives no such folder, a temporary one serves as well
        try:
            return platformdirs.user_runtime_path("mendproof")
        except OSError as error:
            raise BenchError(f"there is no folder for {FILE_NAME}: {error}") from error


class Published:
    """A car that other processes of this user may move, until closed.

    Args:
        car: the car.
        name: what its profile's file is named after.
        profile_text: its profile.
        doip_profile_text: the same with the addresses by which its DoIP door knows the units.
        port: the control port; 0 takes a free one.

    Attributes:
        file: the path of ``bench.json``.
        profile: the path of the profile.
        doip_profile: the path of the other one.
        port: the control port.

    Raises:
        BenchError: another car is published already, the port cannot be had, or the folder cannot be written.
    """

    def __init__(self, car: Running, name: str, profile_text: str, doip_profile_text: str, port: int = 0) -> None:
        folder = runtime_folder()
        self.file = folder / FILE_NAME
        self.profile = folder / f"{name}.toml"
        self.doip_profile = folder / f"{name}-doip.toml"
        token = secrets.token_urlsafe(32)
        with ExitStack() as undo:
            self.port = undo.enter_context(ControlPort(car, token, port)).port
            note = Note(
                scenario=car.scenario,
                process=os.getpid(),
                links=car.links,
                profile=str(self.profile),
                control_port=self.port,
                token=token,
            )
            try:
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                self._claim(json.dumps(asdict(note), indent=2) + "\n")
                undo.callback(_remove, self.file)
                for path, text in ((self.profile, profile_text), (self.doip_profile, doip_profile_text)):
                    _write(path, text)
                    undo.callback(_remove, path)
            except OSError as error:
                raise BenchError(f"{error.filename or folder} cannot be written: {error.strerror or error}") from error
            self._undo = undo.pop_all()

    def close(self) -> None:
        """Take back what was written and close the port. May be called again."""
        self._undo.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _claim(self, text: str) -> None:
        """Put the file in its place, whole from the first moment; only one car can have it."""
        draft = self.file.with_name(f"{FILE_NAME}.{uuid.uuid4().hex}")
        _write(draft, text)
        try:
            for last_try in (False, True):
                try:
                    os.link(draft, self.file)
                except FileExistsError:
                    there = _living()
                    if there is not None or last_try:
                        raise BenchError(_taken(there)) from None
                    self.file.unlink(missing_ok=True)  # its process was killed
                else:
                    return
        finally:
            draft.unlink(missing_ok=True)


class DistantBench:
    """The car that another process of this user serves.

    Attributes:
        scenario: the scenario's name.
        links: link addresses by which it is reached.
    """

    def __init__(self, note: Note, client: ControlClient) -> None:
        self.scenario = note.scenario
        self.links = note.links
        self._client = client

    def act(self, action: str, /, **arguments: int | str) -> ActResult:
        """Do one thing with the car.

        Raises:
            BenchError: the action is unknown, its arguments are off, or it is impossible now.
            ConnectionError: the car went away meanwhile.
        """
        return self._client.act(action, arguments)

    def close(self) -> None:
        """Leave it; it goes on."""
        self._client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def find_published() -> DistantBench:
    """The car that is published now.

    Raises:
        ConnectionError: there is none.
        BenchError: the platform's runtime folder belongs to somebody else.
    """
    note = _read(runtime_folder() / FILE_NAME)
    client = ControlClient(note.control_port, note.token)
    try:
        client.scenario()
    except ConnectionError:
        client.close()
        raise
    return DistantBench(note, client)


def _living() -> Note | None:
    """What the file says, if the car it speaks of is still there."""
    try:
        note = _read(runtime_folder() / FILE_NAME)
        find_published().close()
    except ConnectionError:
        return None
    return note


def _taken(note: Note | None) -> str:
    what = "is" if note is None else f"'{note.scenario}' (process {note.process}) is"
    return f"a simulated vehicle {what} running already; end it first"


def _read(path: Path) -> Note:
    try:
        with path.open("rb") as file:
            form = json.loads(file.read(_LONGEST))
        form["links"] = tuple(str(link) for link in form["links"])
        note = Note(**form)
    except FileNotFoundError as error:
        raise ConnectionError(_NONE) from error
    except (OSError, ValueError, TypeError, KeyError, RecursionError) as error:
        raise ConnectionError(f"{_NONE}: {path} cannot be read") from error
    if type(note.control_port) is not int or not 0 < note.control_port < 1 << 16 or not isinstance(note.token, str):
        raise ConnectionError(f"{_NONE}: {path} cannot be read")
    return note


def _remove(path: Path) -> None:
    with suppress(OSError):
        path.unlink(missing_ok=True)


def _write(path: Path, text: str) -> None:
    """Make a file that nobody else may read; one that is there already is replaced."""
    path.unlink(missing_ok=True)
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(text)
