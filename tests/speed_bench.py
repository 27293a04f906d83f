"""The sixty-unit car in a process of its own, for ``make speed``: it serves the doors and says what a scan had to cost.

One line on standard input is one question, one JSON line on standard output its answer: ``begin`` starts the account,
``end`` closes it, ``dongle`` opens a dongle's door.
"""

from __future__ import annotations

import gc
import json
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from functools import cache

from decoders.values import CanId, UnitAddress
from simulators.can_bus_time import Frame, Physics
from simulators.desk import Desk, Reply
from simulators.door import RunningBench
from simulators.response_times import ResponseTimes
from simulators.scenarios import SCENARIOS

SCENARIO = "sixty-units"
TIMES = ResponseTimes(least_us=10_000, spread_us=30_000, slow_one_in=0)
"""25 ms in the mean, 10 to 40 ms."""

DONGLE_MS = {"answer_delay": 20, "closing_wait": 100}
FIRST_DATA, NEXT_DATA = 6, 7


@dataclass
class Account:
    """What was asked since the last `begin`: by unit, each request's thinking time and the frames of its answer."""

    chains_ns: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    think_us: list[int] = field(default_factory=list)
    reply_frames: list[int] = field(default_factory=list)


def frames_of(payload: bytes) -> int:
    """Frames of an answer. Source: ISO 15765-2, normal addressing, classic frames."""
    return 1 if len(payload) <= NEXT_DATA else 1 + -(-(len(payload) - FIRST_DATA) // NEXT_DATA)


class Watched(Desk):
    """The desk, and what each question to it had to cost."""

    account = Account()
    physics = Physics()

    def ask(self, unit: str, request: bytes, *, functional: bool = False) -> tuple[Reply, ...]:
        """Ask, and note what the answer costs at least: thinking, its frames on the wire, the unit's own gaps."""
        replies = super().ask(unit, request, functional=functional)
        if replies and "/" in unit:
            last = replies[-1]
            count = frames_of(last.data)
            response, gap_us = self._unit(unit)
            wire_ns = self.physics.frame_ns(
                Frame("tx", response.number, response.is_29_bit, last.data[:8].ljust(8, b"\xaa"))
            )
            # The request, the answer and, for a long one, flow control; gaps run from frame to frame.
            least_ns = last.after_us * 1000 + (2 + (count > 1)) * wire_ns + (count - 1) * max(gap_us * 1000, wire_ns)
            self.account.chains_ns[unit] += least_ns
            self.account.think_us.append(last.after_us)
            self.account.reply_frames.append(count)
        return replies

    @cache  # noqa: B019 - it lives as long as the process, and its own cost must not be the bench's
    def _unit(self, unit: str) -> tuple[CanId, int]:
        """The identifier a unit answers with, and its gap between frames in microseconds."""
        return UnitAddress.parse(unit).response, self.physics.manner(seed=self.car.seed, unit=unit).gap_us


def slow_dongle(bench: RunningBench) -> str:
    """A dongle that takes 20 ms to answer and waits 100 ms for more before it closes a reply; units take no time."""
    link = bench.open_door("dongle")
    for kind, span_ms in DONGLE_MS.items():
        bench.act("disturb", who="dongle", kind=kind, ms=span_ms)
    return link


def main() -> None:
    """Serve until standard input ends."""
    car = SCENARIOS[SCENARIO].new_car(1)
    bench = RunningBench(SCENARIO, car, physics=Watched.physics, times=TIMES, desk=Watched)
    gc.freeze()  # a collector that looks through all scenarios would stop the bus for tens of milliseconds
    with bench, RunningBench(SCENARIO, SCENARIOS[SCENARIO].new_car(1)) as beside:
        tell({"link": bench.open_door("can"), "units": list(bench.desk.units)})
        for line in sys.stdin:
            word = line.strip()
            if word == "begin":
                Watched.account = Account()
                bench.side.frames.clear()
                tell({})
            elif word == "dongle":
                tell({"link": slow_dongle(beside)})
            else:
                account = Watched.account
                with bench.desk.lock:
                    frames = list(bench.side.frames)
                tell(
                    {
                        "bus_s": sum(map(Watched.physics.frame_ns, frames)) / 1e9,
                        "frames": len(frames),
                        "chain_s": max(account.chains_ns.values(), default=0) / 1e9,
                        "answers": len(account.think_us),
                        "think_ms": sum(account.think_us) / max(1, len(account.think_us)) / 1000,
                        "reply_frames": sum(account.reply_frames) / max(1, len(account.reply_frames)),
                    }
                )


def tell(form: dict[str, object]) -> None:
    """One line to whoever measures."""
    print(json.dumps(form), flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
