"""``make speed``: how long things take on this machine, each the best of five runs. Nothing here is asserted."""

from __future__ import annotations

import queue
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from speed_links import live_by_dongle, whole_car
from udsoncan import Response
from udsoncan.services import ReadDTCInformation
from workshop import SCENARIO, profile, settings, visiting, workshop

from decoders import decode_dtc_list, decode_live, decode_obd_codes
from decoders.values import Exchange, Request, UnitAddress
from gateway.bench_port import find_bench
from gateway.links import DEFAULT_LIMITS, Plan, open_link
from gateway.scanning import take_scan
from sessions.journal import Kind
from sessions.record import read_record
from sessions.store import Store
from sessions.verdict import judge
from simulators.can_side import CanSide, Frame, Physics
from simulators.desk import Desk
from simulators.scenarios import SCENARIOS

RUNS = 5
CODES = 300
"""Different codes that the answers of a whole car name: 60 units with five each."""

STATUSES = (0x2F, 0x28, 0x50, 0x08, 0xAF)
UNIT = "7E0/7E8"


def best(work: Callable[[], object]) -> float:
    """Seconds of the quickest of five runs."""
    spans = []
    for _ in range(RUNS):
        began_s = time.perf_counter()
        work()
        spans.append(time.perf_counter() - began_s)
    return min(spans)


def tell(name: str, figure: str, note: str = "") -> None:
    """One line of the table."""
    print(f"{name:<50} {figure:>14}  {note}".rstrip())  # noqa: T201


def per_second(work: Callable[[], object], count: int) -> float:
    """How many a second, where one run does `count`."""
    return count / best(work)


def command(*arguments: str) -> None:
    """Run a command of the program in a process of its own, as a person would."""
    subprocess.run(  # noqa: S603
        [str(Path(sys.executable).with_name("mendproof")), *arguments],
        check=True,
        capture_output=True,
    )


def commands(folder: Path) -> None:
    """Start of the program, and the whole demonstration with the verdict on its record."""
    tell("mendproof --help", f"{best(lambda: command('--help')):.3f} s", "wanted: at most 0.4 s")
    demo_s = best(lambda: command("demo", "--folder", str(folder)))
    tell("mendproof demo, whole", f"{demo_s:.2f} s", "wanted: at most 20 s")
    with Store.open(folder / "demo.sqlite", create=False) as store:
        entries = store.journal(1)
        judge_s = best(lambda: judge(read_record(store.journal(1))))
    tell(
        "verdict of the demonstration's journal", f"{judge_s * 1000:.0f} ms", f"{len(entries)} entries, read and judged"
    )


def exchanges(folder: Path) -> None:
    """One exchange on the virtual bus, bare and through the journal, and a whole scan."""
    count = 200

    def plan() -> Plan:
        for _ in range(count):
            yield Request(UNIT, b"\x01\x0c")

    def drop(_exchange: Exchange) -> None:
        """Keep nothing."""

    with find_bench().start(SCENARIO) as bench, open_link(bench.links[0]) as link:
        run_s = best(lambda: link.run({UNIT: plan()}, drop, threading.Event(), DEFAULT_LIMITS))
        tell("one exchange on the virtual bus", f"{run_s / count * 1000:.3f} ms", f"{count} in a row, one unit")
    with workshop(folder / "exchanges.sqlite") as shop:
        run_s = best(lambda: shop.visit.ask({UNIT: plan()}, during="watch"))
        tell("the same, guarded and journaled", f"{run_s / count * 1000:.3f} ms")
    with (
        find_bench().start(SCENARIO) as bench,
        Store.open(folder / "scans.sqlite", create=True) as store,
        visiting(store, bench.links[0], profile(), settings({})) as visit,
    ):
        tell("a scan of the bench's 11 units", f"{best(lambda: take_scan(visit, 'check')):.2f} s")


def journal(folder: Path) -> None:
    """Entries added to a journal, each committed."""
    count = 300
    with Store.open(folder / "journal.sqlite", create=True) as store:
        row = store.new_job()
        with store.writer(row.job, actor="speed") as writer:
            writer.append(Kind.JOB, {"complaints": []})
            note = {"about": "engine lamp", "state": "lit"}
            add_s = best(lambda: [writer.append(Kind.OBSERVATION, note) for _ in range(count)])
    tell("one entry added to the journal", f"{add_s / count * 1e6:.0f} us", f"{count} in a row, each committed")


def answers(count: int) -> tuple[list[bytes], list[bytes], list[bytes]]:
    """So many answers 59 02 with two codes, 41 with one PID and 43 with two codes; no two neighbours alike."""
    draw = random.Random(4)  # noqa: S311
    codes = [draw.randbytes(3) for _ in range(CODES)]
    entries = [code + bytes([draw.choice(STATUSES)]) for code in codes]
    lists = [b"\x59\x02\xff" + draw.choice(entries) + draw.choice(entries) for _ in range(count)]
    live = [b"\x41\x0c" + draw.randbytes(2) for _ in range(count)]
    stored = [b"\x43\x02" + draw.choice(codes)[:2] + draw.choice(codes)[:2] for _ in range(count)]
    return lists, live, stored


def decoding() -> None:
    """Answers decoded a second, beside udsoncan's decoding of the same lists in the same run."""
    lists, live, stored = answers(6000)
    count = len(lists)

    def mixed() -> None:
        for two_codes, value, codes in zip(lists, live, stored, strict=True):
            decode_dtc_list(two_codes)
            decode_live(value)
            decode_obd_codes(codes)

    def ours() -> None:
        for two_codes in lists:
            decode_dtc_list(two_codes)

    def theirs() -> None:
        for two_codes in lists:
            ReadDTCInformation.interpret_response(Response.from_payload(two_codes), 0x02)

    ours_alone, theirs_alone = per_second(ours, count), per_second(theirs, count)
    tell("59 02 with two codes, 41 and 43, equal shares", f"{per_second(mixed, 3 * count):,.0f} /s", f"{CODES} codes")
    tell("59 02 with two codes", f"{ours_alone:,.0f} /s")
    ratio = f"ours is {ours_alone / theirs_alone:.1f} times as quick"
    tell("the same by udsoncan", f"{theirs_alone:,.0f} /s", ratio)


def sixty_units() -> None:
    """Sixty units, each asked again as soon as it has answered: what the bench's own thread takes of a core.

    With physics the bus is full and sets the pace; without, the processor does. No best of several: a share of time.
    """
    for name, physics in (("a full bus of 500 kbit/s", Physics()), ("as fast as this machine can", None)):
        desk = Desk(SCENARIOS["sixty-units"].new_car(1))
        asked = {unit.response.number: unit.request for unit in map(UnitAddress.parse, desk.units)}
        heard: queue.SimpleQueue[Frame] = queue.SimpleQueue()
        with CanSide(desk, physics) as side:
            thread = next(one for one in threading.enumerate() if one.name == "bench can")
            clock = time.pthread_getcpuclockid(thread.ident or 0)
            tap = side.attach(heard.put)
            ask = {
                source: Frame("rx", to.number, to.is_29_bit, bytes.fromhex("0322F18600000000"))
                for source, to in asked.items()
            }
            for frame in ask.values():
                tap.send(frame)
            count, began_s, busy_s = 0, time.perf_counter(), time.clock_gettime(clock)
            while time.perf_counter() - began_s < 2:
                tap.send(ask[heard.get().arbitration_id])
                count += 1
            spent_s = time.perf_counter() - began_s
            share = (time.clock_gettime(clock) - busy_s) / spent_s
            load = side.load()
        note = f"{count / spent_s:,.0f} answers/s" + (f", bus load {load.last_second:.0f} %" if load else "")
        tell(f"60 units, {name}", f"{share:.0%} of a core", note)


def half_an_hour() -> None:
    """A simulated drive of thirty minutes, key on to key off."""

    def drive(scenario: str) -> float:
        car = SCENARIOS[scenario].new_car(1)
        if not car.world.key_on:
            car.act("key_on")
        car.act("start_engine")
        began_s = time.perf_counter()
        car.act("drive", kmh=60, seconds=1800)
        return time.perf_counter() - began_s

    for scenario, count in (("warning-lamps", 11), ("sixty-units", 60)):
        quickest_s = min(drive(scenario) for _ in range(RUNS))
        tell(f"a simulated 30-minute drive, {count} units", f"{quickest_s:.2f} s", "wanted: under 1 s")


def main() -> None:
    """Measure and print everything."""
    began_s = time.perf_counter()
    tell(f"Python {sys.version.split()[0]}, best of {RUNS}", "")
    with tempfile.TemporaryDirectory(prefix="mendproof-speed-") as name:
        folder = Path(name)
        decoding()
        journal(folder)
        exchanges(folder)
        whole_car(tell)
        live_by_dongle(tell)
        sixty_units()
        half_an_hour()
        commands(folder / "demo")
    tell("all of these measurements", f"{time.perf_counter() - began_s:.0f} s")


if __name__ == "__main__":
    main()
