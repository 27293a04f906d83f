"""``make speed``, the links: a whole-car scan beside its physical limit and a plain script; live values by dongle."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import can
import isotp
from speed_bench import SCENARIO
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection

from decoders.values import Exchange, Outcome, Request, UnitAddress
from gateway.bench_port import find_bench
from gateway.guard import Guard, Phase, open_guarded
from gateway.jobs import open_job, visit_vehicle
from gateway.links import DEFAULT_LIMITS, Plan
from gateway.profiles import LoadedProfile, parse_profile
from gateway.settings import read_settings
from sessions.plan import plan_live
from sessions.record.decode import live_values
from sessions.store import Store

REQUESTS = tuple(
    bytes.fromhex(text)
    for text in ("22F190", "190A", "22F187F189F18C", "22F187F189F18CF195", "22F187", "22F187F189", "22F18C", "1902FF")
)
"""What is read of each unit: who it is, which codes it can have, which it lists. Three frames an answer in the mean."""

SCANS = 5
WINDOWS = (1, 4, 16, 32, 64)
TOLD = (Outcome.ANSWERED, Outcome.REFUSED)
Tell = Callable[..., None]


class BenchProcess:
    """The sixty-unit car in a process of its own."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(  # noqa: S603
            [sys.executable, str(Path(__file__).with_name("speed_bench.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        hello = self._read()
        self.link: str = hello["link"]
        self.units: list[str] = hello["units"]

    def ask(self, word: str) -> dict[str, Any]:
        """Ask the process one thing."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{word}\n")
        self._process.stdin.flush()
        return self._read()

    def _read(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        form: dict[str, Any] = json.loads(self._process.stdout.readline())
        return form

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)


def reading(unit: str) -> Plan:
    """The eight requests to one unit."""
    for data in REQUESTS:
        yield Request(unit, data)


def ours(bench: BenchProcess, window: int) -> tuple[float, float, list[Exchange]]:
    """One scan, guarded and journaled as any: seconds, processor seconds of this process, what was kept."""
    text = find_bench().profile_text(SCENARIO)
    loaded = LoadedProfile(profile=parse_profile(text, name=SCENARIO), text=text)
    in_force = read_settings((f"scan.window={window}",), None)
    with (
        tempfile.TemporaryDirectory(prefix="mendproof-speed-") as folder,
        Store.open(Path(folder) / "scan.sqlite", create=True) as store,
        open_guarded(bench.link, Guard(phase=Phase.READING)) as link,
    ):
        job = open_job(
            store, actor="speed", settings=in_force, profile=loaded, complaints=(), odometer_km=None, link=None
        ).job
        with store.writer(job, actor="speed") as writer:
            visit = visit_vehicle(store, writer, link, in_force)
            plans = {unit: reading(unit) for unit in bench.units}
            gc.freeze()  # as the commands do
            bench.ask("begin")
            began_s, busy_s = time.perf_counter(), time.process_time()
            kept = visit.ask(plans, during="scan", scan=1)
            return time.perf_counter() - began_s, time.process_time() - busy_s, list(kept)


def plain_script(bench: BenchProcess) -> tuple[float, int]:
    """The same reading as a script does it: one unit after the other, one request after the other."""
    _, interface, channel = bench.link.split(":", 2)
    answers = 0
    with can.Bus(channel, interface=interface, sleep_after_open=0) as bus:
        bench.ask("begin")
        began_s = time.perf_counter()
        for text in bench.units:
            unit = UnitAddress.parse(text)
            wide = unit.request.is_29_bit
            mode = isotp.AddressingMode.Normal_29bits if wide else isotp.AddressingMode.Normal_11bits
            address = isotp.Address(mode, txid=unit.request.number, rxid=unit.response.number)
            stack = isotp.CanStack(bus, address=address, params={"tx_padding": 0x55})
            with Client(PythonIsoTpConnection(stack), request_timeout=2) as client:
                client.config["use_server_timing"] = False
                for data in REQUESTS:
                    connection = client.conn
                    connection.send(data)
                    answers += connection.wait_frame(timeout=2, exception=True) is not None
        return time.perf_counter() - began_s, answers


def whole_car(tell: Tell) -> None:
    """The scan of sixty units, and how near it comes to what the bus and the slowest unit allow."""
    with BenchProcess() as bench:
        runs = []
        for _ in range(SCANS):
            scan_s, busy_s, kept = ours(bench, DEFAULT_LIMITS.window)
            runs.append((scan_s, busy_s, kept, bench.ask("end")))
        scan_s, busy_s, kept, limits = min(runs, key=lambda run: run[0] / max(run[3]["bus_s"], run[3]["chain_s"]))
        limit_s = max(limits["bus_s"], limits["chain_s"])
        tell(
            "a scan of 60 units, 8 requests each",
            f"{scan_s:.3f} s",
            f"bus {limits['bus_s']:.3f} s, slowest unit {limits['chain_s']:.3f} s, "
            f"{limits['think_ms']:.1f} ms and {limits['reply_frames']:.1f} frames an answer",
        )
        tell("the same, times its physical limit", f"{scan_s / limit_s:.2f}", "wanted: at most 1.25")
        tell(
            "the same, processor time of the scan",
            f"{max(run[1] for run in runs):.2f} s",
            "wanted: under 1 s; the worst",
        )
        script_s, answers = plain_script(bench)
        tell("the same reading by a plain script", f"{script_s:.2f} s", f"{answers} answers, one after the other")
        tell("times ours", f"{script_s / scan_s:.1f}", "wanted: at least 10")
        for window in WINDOWS:
            window_s, _, kept = ours(bench, window)
            asked = {(exchange.target, exchange.request) for exchange in kept}
            told = {(exchange.target, exchange.request) for exchange in kept if exchange.outcome in TOLD}
            note = f"{len(asked)} asked, {len(asked - told)} lost (wanted: 0), {len(kept) - len(asked)} asked again"
            tell(f"window {window}", f"{window_s:.3f} s", note)


VALUES = (0x04, 0x05, 0x0C, 0x0D, 0x1F, 0x42)
"""Load, coolant temperature, engine speed, road speed, run time, supply voltage."""

ENGINE = "7E0/7E8"
ROUNDS = 6


def our_rounds(link_text: str) -> float:
    """Seconds of the quickest round of six live values over our dongle link, from the second round on."""
    spans: list[float] = []
    with open_guarded(link_text, Guard(phase=Phase.READING)) as link:
        for _ in range(ROUNDS):
            kept: list[Exchange] = []
            began_s = time.perf_counter()
            link.run({ENGINE: plan_live(ENGINE, VALUES)}, kept.append, threading.Event(), DEFAULT_LIMITS)
            spans.append(time.perf_counter() - began_s)
            told = {value.pid for exchange in kept for value in live_values(exchange)}
            assert set(VALUES) == told, f"only {told} were told"
    return min(spans[1:])


def their_rounds(link_text: str) -> float:
    """The same by python-OBD as it comes, one value after the other, no header set."""
    import obd

    obd.logger.setLevel("CRITICAL")
    connection = obd.OBD(link_text.removeprefix("dongle:"), baudrate=38_400)
    commands = [obd.commands[1][pid] for pid in VALUES]
    spans: list[float] = []
    for _ in range(ROUNDS):
        began_s = time.perf_counter()
        answers = [connection.query(command) for command in commands]
        spans.append(time.perf_counter() - began_s)
        assert not any(answer.is_null() for answer in answers)
    connection.close()
    return min(spans[1:])


def live_by_dongle(tell: Tell) -> None:
    """Six live values of one unit through a dongle that takes its time."""
    with BenchProcess() as bench:
        link_text = bench.ask("dongle")["link"]
        ours_s, theirs_s = our_rounds(link_text), their_rounds(link_text)
    tell("six live values by dongle, from the second round", f"{ours_s * 1000:.0f} ms", "one request for all of them")
    tell("the same by python-OBD with its defaults", f"{theirs_s * 1000:.0f} ms", "one request each")
    tell("times ours", f"{theirs_s / ours_s:.1f}", "wanted: at least 3")


if __name__ == "__main__":

    def show(name: str, figure: str, note: str = "") -> None:
        """One line."""
        print(f"{name:<48} {figure:>12}  {note}".rstrip())  # noqa: T201

    live_by_dongle(show)
    whole_car(show)
