"""The command that keeps reading while the car is used."""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING

import click

from decoders.errors import UsageError
from gateway.cli.frame import Frame, at_vehicle, pass_frame, shared_options
from gateway.cli.jobs import JOB
from gateway.cli.vehicle import LINK, show_dropped

if TYPE_CHECKING:
    from sessions.verdict.watched import WatchedFault

JUDGE_EVERY_S = 10.0
MINUTE_S = 60
_WHOLE_MINUTES = re.compile(r"0*[1-9][0-9]{0,8}\Z")
# A bus at full load fills a record within hours, so a long watch keeps frames only when asked to.
TRACE = click.option(
    "--trace/--no-trace", default=False, show_default=True, help="Keep every frame of a CAN bus; see mendproof trace."
)


def _whole_minutes(_context: click.Context, _option: click.Parameter, text: str | None) -> int | None:
    """The number of minutes, or None.

    Raises:
        UsageError: the text is no whole number, or less than 1.
    """
    if text is None:
        return None
    if not _WHOLE_MINUTES.match(text):
        raise UsageError(
            f"--minutes takes whole minutes, 1 or more, not '{text}'", next_step="write for example --minutes 5"
        )
    return int(text)


@click.command()
@JOB
@click.option("--minutes", callback=_whole_minutes, metavar="N", help="Stop by itself after so many whole minutes.")
@LINK
@TRACE
@shared_options
@pass_frame
def watch(frame: Frame, job: int, minutes: int | None, link: str, trace: bool) -> None:
    """Keep reading while the car is used, until each fault passed under its conditions or came back.

    One request at a time, reading only. Ctrl-C ends it; what was read is kept. A second person watches the program:
    the driver drives.
    """
    from gateway.cli.progress import tell_event, watching
    from gateway.tracing import tracing
    from gateway.watching import keep_watching

    with (
        at_vehicle(frame, job, link) as visit,
        tracing(visit, on=trace) as frames,
        watching(frame, visit) as (progress, aside),
    ):
        told: dict[str, str] = {}

        def tell(faults: tuple[WatchedFault, ...]) -> None:
            done = sum(fault.done for fault in faults)
            progress.doing = f"Watching, {done} of {len(faults)} faults settled"
            changed = [fault for fault in faults if told.get(_name(fault)) != fault.words]
            told.update((_name(fault), fault.words) for fault in changed)
            with aside():
                for fault in changed:
                    frame.show(f"  {_name(fault)}  {fault.words}")
            for fault in changed:
                tell_event(frame, "fault", {**_fault_form(fault), "unit_name": fault.unit_name})

        if trace and frames is None:
            frame.show("No frames are kept: this link is no CAN bus. Every exchange is.")
        tell_event(frame, "begin", {"job": job, "link": visit.link.address})
        deadline_s = None if minutes is None else time.monotonic() + MINUTE_S * minutes
        faults = keep_watching(visit, tell, deadline_s=deadline_s, judge_every_s=JUDGE_EVERY_S)
        frame.emit({"job": job, "faults": [_fault_form(fault) for fault in faults]})
        show_dropped(frame, frames)
    frame.say(f"Next: mendproof scan {job} --as after --link LINK")


def _name(fault: WatchedFault) -> str:
    from sessions.record import unit_words

    return f"{unit_words(fault.unit_name, fault.key.unit)}  {fault.key.dtc.text}"


def _fault_form(fault: WatchedFault) -> dict[str, str | bool]:
    return {"unit": fault.key.unit, "code": fault.key.dtc.text, "done": fault.done, "state": fault.words}
