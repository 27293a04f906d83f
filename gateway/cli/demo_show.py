"""The demonstration, told in the terminal."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

from rich.console import Console
from rich.text import Text

from gateway.bench_port import find_bench, start_bench
from gateway.cautions import FIRST
from gateway.clearing import ClearAnswer
from gateway.cli.frame import APP, Frame, stoppable
from gateway.cli.progress import DriveProgress
from gateway.cli.show import show_scan, show_verdict
from gateway.demo import COMPLAINT, SCENARIO, STEP_S, Demo, Tell
from gateway.guard import Guard, Phase, open_guarded
from gateway.jobs import open_job, visit_vehicle, write_report
from gateway.profiles import LoadedProfile, parse_profile
from sessions.store import Store
from sessions.verdict import JobVerdict, verdict_form

ODOMETER_KM = 84_178


def run_demo(frame: Frame, folder: Path) -> None:
    """Run the story and leave record and report in the folder."""
    door = find_bench()
    text = door.profile_text(SCENARIO)
    loaded = LoadedProfile(profile=parse_profile(text, name=f"{SCENARIO} profile"), text=text)
    settings, console = frame.settings(), frame.console
    store_file, report_file = folder / "demo.sqlite", folder / "report.html"
    with (
        stoppable() as stop,
        Store.open(store_file, create=True) as store,
        start_bench(door, SCENARIO) as bench,
        open_guarded(bench.links[0], Guard(phase=Phase.READING), shown_as=f"sim:{SCENARIO}") as link,
    ):
        opened = open_job(
            store,
            actor=frame.who,
            settings=settings,
            profile=loaded,
            complaints=(COMPLAINT,),
            odometer_km=ODOMETER_KM,
            link=link,
        )
        frame.say(f"A simulated {loaded.profile.maker} {loaded.profile.model} with several lamps lit.")
        frame.say(FIRST)
        frame.say(f"Job {opened.job}: VIN {opened.vin} ({opened.vin_words}), odometer {ODOMETER_KM} km.")
        frame.say(f"Complaint: {COMPLAINT}")
        with store.writer(opened.job, actor=frame.who) as writer, DriveProgress(frame, STEP_S) as progress:
            visit = visit_vehicle(store, writer, link, settings, stop=stop)
            told = Tell(
                heading=lambda number, title: _heading(frame, number, title),
                line=lambda line: frame.say(f"  {line}", hang=4),
                scanned=lambda number, verdict: _scanned(frame, console, number, verdict),
                cleared=lambda name, answer: _cleared(frame, name, answer),
                judged=lambda verdict: show_verdict(console, verdict, evidence=not frame.quiet),
                progress=progress,
            )
            verdict = Demo(visit, bench, told).run()
        report_file.write_text(write_report(store, opened.job), encoding="utf-8")
    frame.emit(verdict_form(verdict, opened.job))
    frame.say()
    frame.say(f"Report: {report_file}   Record: {store_file}")
    frame.say(f"Look again: {_program()} --store {store_file} verdict {opened.job}")


def _program() -> str:
    """How the reader can call the program again: by its name if the shell finds it, else by its path."""
    return APP if shutil.which(APP) else os.path.relpath(Path(sys.executable).with_name(APP))


def _heading(frame: Frame, number: int, title: str) -> None:
    if not (frame.quiet or frame.as_json):
        frame.console.print()
        frame.console.print(Text(f"{number}. {title}", style="bold underline"))


def _scanned(frame: Frame, console: Console, number: int, verdict: JobVerdict) -> None:
    if frame.quiet:
        return
    scan = next(item for item in verdict.record.scans if item.number == number)
    show_scan(console, verdict.record, scan, "")
    if scan.taken_as == "check":
        console.print(Text("  What this proves so far:"))
        show_verdict(console, verdict, evidence=False)


def _cleared(frame: Frame, name: str, answer: ClearAnswer) -> None:
    frame.say(f"  {name:<20}  {answer.unit:<17}  {answer.words}")
