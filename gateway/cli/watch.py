"""The command that keeps reading while the car is used."""

from __future__ import annotations

import time

import click

from gateway.cli.frame import Frame, at_vehicle, pass_frame, shared_options
from gateway.cli.jobs import JOB
from gateway.cli.vehicle import LINK

JUDGE_EVERY_S = 10.0
MINUTE_S = 60


@click.command()
@JOB
@click.option("--minutes", type=click.IntRange(min=1), metavar="N", help="Stop by itself after this time.")
@LINK
@shared_options
@pass_frame
def watch(frame: Frame, job: int, minutes: int | None, link: str) -> None:
    """Keep reading while the car is used, until each fault passed under its conditions or came back.

    One request at a time, reading only. Ctrl-C ends it; what was read is kept. A second person watches the program:
    the driver drives.
    """
    from gateway.watching import keep_watching
    from sessions.verdict.watched import WatchedFault

    told: dict[str, str] = {}

    def tell(faults: tuple[WatchedFault, ...]) -> None:
        for fault in faults:
            name = f"{fault.unit_name} {fault.key.unit}  {fault.key.dtc.text}"
            if told.get(name) != fault.words:
                told[name] = fault.words
                frame.say(f"  {name}  {fault.words}")

    with at_vehicle(frame, job, link) as visit:
        deadline_s = None if minutes is None else time.monotonic() + MINUTE_S * minutes
        faults = keep_watching(visit, tell, deadline_s=deadline_s, judge_every_s=JUDGE_EVERY_S)
    frame.emit(
        {
            "job": job,
            "faults": [
                {"unit": fault.key.unit, "code": fault.key.dtc.text, "done": fault.done, "state": fault.words}
                for fault in faults
            ],
        }
    )
    frame.say(f"Next: mendproof scan {job} --as after --link LINK")
