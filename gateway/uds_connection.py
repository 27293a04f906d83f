"""A connection for scripts on udsoncan: they speak to one unit through any link, and each exchange is kept in a job.

The guard stands between, so a script can read and nothing else. udsoncan only carries the script's requests here:
what is kept is what the link itself saw, and no verdict is built on what udsoncan makes of it.
"""

from __future__ import annotations

import getpass
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from decoders.errors import LinkError, RefusedError
from decoders.values import AnswerKind, Exchange, Outcome, Request, normalise_unit
from gateway.guard import Guard, Phase, open_guarded
from gateway.jobs import record_of, require_open, visit_vehicle
from gateway.links import Plan
from gateway.settings import Settings, read_settings
from gateway.visit import Visit
from sessions.store import Store

try:
    from udsoncan.connections import BaseConnection
except ImportError as missing:
    raise LinkError(
        "udsoncan is not installed: pip install 'mendproof[udsoncan]'", next_step="pip install 'mendproof[udsoncan]'"
    ) from missing

_HANDED_OVER = (AnswerKind.PENDING, AnswerKind.POSITIVE, AnswerKind.NEGATIVE)


class DamagedAnswerError(LinkError):
    """An answer came and was not whole, or cannot be told from another one; none of its bytes are handed over."""


class UnitConnection(BaseConnection):
    """One unit of the vehicle, as udsoncan's client wants it; made by `open_unit`.

    Each request waits for its whole exchange, by the link's own time-outs; what came is then handed over at once.
    `close` and `open` only end and begin its use: the link and the job stay with `open_unit`.

    Args:
        visit: where to ask and what to write.
        unit: the unit's address.
    """

    def __init__(self, visit: Visit, unit: str) -> None:
        super().__init__(unit)
        self.unit = unit
        self._visit = visit
        self._answers: deque[bytes] = deque()
        self._is_open = True

    def specific_send(self, payload: bytes, timeout: float | None = None) -> None:  # noqa: ARG002 - udsoncan's form
        """Ask the unit and keep the exchange.

        Args:
            payload: the request.
            timeout: not used: the link has its own.

        Raises:
            RefusedError: the guard does not let the request through; nothing was sent.
            DamagedAnswerError: the answer was not whole.
            LinkError: the request was not sent, because the way to the vehicle is broken.
        """
        self._answers.clear()
        request = Request(self.unit, bytes(payload))
        [exchange] = self._visit.ask({self.unit: _one(request)}, during="client")
        _raise_unless_usable(exchange)
        self._answers.extend(answer.data for answer in exchange.answers if answer.kind in _HANDED_OVER)

    def specific_wait_frame(self, timeout: float | None = None) -> bytes | None:  # noqa: ARG002 - udsoncan's form
        """The next answer of the last request, or None if the unit was silent or has said all."""
        return self._answers.popleft() if self._answers else None

    def empty_rxqueue(self) -> None:
        """Forget answers that nobody fetched; the job keeps them."""
        self._answers.clear()

    def open(self) -> UnitConnection:
        """Begin to use it, again after `close`."""
        self._is_open = True
        return self

    def close(self) -> None:
        """End its use."""
        self._answers.clear()
        self._is_open = False

    def is_open(self) -> bool:
        """True while it can be used."""
        return self._is_open


@contextmanager
def open_unit(
    *,
    job: int,
    link: str,
    unit: str,
    store: Path | str,
    actor: str | None = None,
    settings: Settings | None = None,
) -> Iterator[UnitConnection]:
    """Open a link for a script on udsoncan: the store, the job and the link are held until the block ends.

    Args:
        job: the job that keeps each exchange: one of the script's own, in which nothing was scanned yet.
        link: the link's address.
        unit: the unit's address, ``REQUEST/RESPONSE``, or ``doip:1010``.
        store: the path of the record.
        actor: who acts, as the journal writes it; by default the user's name.
        settings: the figures in force; by default those that the commands use.

    Raises:
        UsageError: an address cannot be read, or the job is closed or holds a scan, a clear or a repair.
        LinkError: the link cannot be opened.
        RecordError: there is no such store or job, or another process writes the job.
    """
    address = normalise_unit(unit)
    in_force = settings or _settings()
    with Store.open(Path(store), create=False) as opened:
        require_open(record_of(opened, job))
        guard = Guard(phase=Phase.READING)
        with (
            open_guarded(link, guard, limits=in_force.limits) as guarded,
            opened.writer(job, actor=actor or _user()) as writer,
        ):
            visit = visit_vehicle(opened, writer, guarded, in_force)
            # Whether to ask again is the script's to decide: one request of its own is one exchange.
            visit.limits = replace(visit.limits, retries=0, busy_retries=0)
            connection = UnitConnection(visit, address)
            try:
                yield connection
            finally:
                connection.close()


def _one(request: Request) -> Plan:
    yield request


def _raise_unless_usable(exchange: Exchange) -> None:
    """Let pass what udsoncan can use: an answer, a refusal or silence.

    Raises:
        RefusedError: the guard refused the request.
        DamagedAnswerError: the answer is damaged.
        LinkError: it was never sent for another reason.
    """
    asked = f"{exchange.request[:16].hex(' ').upper()} to {exchange.target}"
    trouble = exchange.trouble or "no reason is known"
    if exchange.outcome is Outcome.UNSENT:
        if trouble.startswith("guard: "):
            raise RefusedError(f"{asked}: {trouble}", next_step="ask for what may be read only")
        raise LinkError(f"{asked} was never sent: {trouble}", next_step="check the way to the vehicle, then ask again")
    if exchange.outcome not in (Outcome.ANSWERED, Outcome.REFUSED, Outcome.SILENT):
        raise DamagedAnswerError(f"{asked}: {trouble}", next_step="ask again; the job keeps what came")


def _settings() -> Settings:
    import platformdirs

    return read_settings((), platformdirs.user_config_path("mendproof") / "settings.toml")


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"
