"""Units that never stop, a flooded bus and an adapter that is pulled out, on the bench's CAN door.

Each ends in bounded time; what was read is kept, and nothing that was not read looks like "no faults".
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass

import pytest
import serial
from can_help import car_of
from can_start_help import close_at_once

from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, Request
from gateway.links import Limits, Link, Plan, open_link
from simulators.can_side import CanSide, Frame
from simulators.desk import Desk
from simulators.slcan_hub import SlcanDoor

ENGINE, GEARS, BRAKES = "7E0/7E8", "7E1/7E9", "760/768"
LIST, IDENTITY = bytes.fromhex("1902FF"), bytes.fromhex("22F190")
# A loaded machine must not make a healthy unit look silent; what never ends is cut off by the ceiling.
LIMITS = Limits(p2_ms=600, p2_star_ms=600, n_cr_ms=400, n_bs_ms=400, ceiling_ms=700, settle_ms=50, retries=0)
LONG_S = 30


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    close_at_once(monkeypatch)


@dataclass
class Bench:
    """A car with three units and our link to it through the CAN door."""

    desk: Desk
    side: CanSide
    door: SlcanDoor
    link: Link

    def ask(self, *units: str, data: bytes = LIST, times: int = 1) -> list[Exchange]:
        """Ask these units at once; checks that it ends."""

        def plan(unit: str) -> Plan:
            for _ in range(times):
                yield Request(unit, data)

        kept: list[Exchange] = []
        begun_s = time.monotonic()
        self.link.run({unit: plan(unit) for unit in units}, kept.append, threading.Event(), LIMITS)
        assert time.monotonic() - begun_s < LONG_S
        return kept

    def told(self, unit: str, data: bytes = LIST) -> bytes:
        """What the unit itself says."""
        return self.desk.ask(unit, data)[-1].data


@pytest.fixture
def bench() -> Iterator[Bench]:
    with ExitStack() as stack:
        desk = Desk(car_of(ENGINE, GEARS, BRAKES))
        side = stack.enter_context(CanSide(desk))
        door = stack.enter_context(SlcanDoor(side))
        link = stack.enter_context(open_link(f"{door.link}?bitrate=500000"))
        yield Bench(desk, side, door, link)


def of(kept: list[Exchange], unit: str) -> Exchange:
    (found,) = (exchange for exchange in kept if exchange.target == unit)
    return found


@pytest.fixture
def babble(bench: Bench) -> Iterator[Callable[[list[Frame], float], None]]:
    """Lets somebody on the bus send these frames again and again until the test is over."""
    stop = threading.Event()
    threads: list[threading.Thread] = []
    tap = bench.side.attach(lambda _frame: None)

    def begin(frames: list[Frame], every_s: float) -> None:
        def send() -> None:
            while not stop.wait(every_s):
                for frame in frames:
                    tap.send(frame)

        threads.append(threading.Thread(target=send))
        threads[-1].start()

    yield begin
    stop.set()
    for thread in threads:
        thread.join()


def from_engine(*data: str) -> list[Frame]:
    return [Frame("rx", 0x7E8, False, bytes.fromhex(text).ljust(8, b"\x55")) for text in data]


def test_response_pending_without_an_end_is_damaged_and_the_others_are_read(bench: Bench) -> None:
    bench.desk.disturb(ENGINE, "endless_pending", every_ms=200)
    kept = bench.ask(ENGINE, GEARS, BRAKES)
    assert Outcome.DAMAGED is of(kept, ENGINE).outcome
    assert of(kept, ENGINE).trouble
    assert {bytes.fromhex("7F1978")} == {answer.data for answer in of(kept, ENGINE).answers}
    for unit in (GEARS, BRAKES):
        assert bench.told(unit) == of(kept, unit).positive


@pytest.mark.parametrize(
    ("frames", "every_s"),
    [
        (["1014590242"], 0.02),  # first frames, and none of what they announce
        (["2155", "2255", "2355"], 0.02),  # continuations of nothing
        ([f"2{at % 16:X}55" for at in range(1, 17)], 0.01),
        (["1FFF5902FF"], 0.02),
        (["00"], 0.02),  # single frames that announce no byte
    ],
    ids=["first frames", "three continuations", "continuations", "the longest message", "empty single frames"],
)
def test_frames_without_an_end_leave_no_answer_that_the_unit_did_not_give(
    bench: Bench, babble: Callable[[list[Frame], float], None], frames: list[str], every_s: float
) -> None:
    bench.desk.disturb(ENGINE, "silent")
    babble(from_engine(*frames), every_s)
    kept = bench.ask(ENGINE, GEARS, BRAKES)
    engine = [exchange for exchange in kept if exchange.target == ENGINE]
    assert [Outcome.DAMAGED] == [exchange.outcome for exchange in engine]
    assert all(exchange.trouble and exchange.answers for exchange in engine)
    for unit in (GEARS, BRAKES):
        assert {bench.told(unit)} == {exchange.positive for exchange in kept if exchange.target == unit}


def test_an_identifier_that_floods_the_bus_changes_no_answer(
    bench: Bench, babble: Callable[[list[Frame], float], None]
) -> None:
    babble([Frame("rx", 0x000, False, bytes(8))] * 10, 0.01)
    kept = bench.ask(ENGINE, GEARS, BRAKES, data=IDENTITY, times=3)
    for exchange in kept:
        told = bench.told(exchange.target, IDENTITY)
        assert exchange.positive in (told, None)
        assert exchange.outcome in (Outcome.ANSWERED, Outcome.DAMAGED, Outcome.SILENT)
    assert any(exchange.outcome is Outcome.ANSWERED for exchange in kept)


def test_an_adapter_pulled_out_keeps_what_was_read_and_asks_nothing_more(bench: Bench) -> None:
    kept: list[Exchange] = []

    def keep(exchange: Exchange) -> None:
        kept.append(exchange)
        if len(kept) == 3:
            bench.door.close()

    def plan(unit: str) -> Plan:
        for _ in range(6):
            yield Request(unit, LIST)

    begun_s = time.monotonic()
    plans = {unit: plan(unit) for unit in (ENGINE, GEARS, BRAKES)}
    bench.link.run(plans, keep, threading.Event(), LIMITS)
    assert time.monotonic() - begun_s < LONG_S
    outcomes = [exchange.outcome for exchange in kept]
    assert 18 == len(kept)
    assert [Outcome.ANSWERED] * 3 == outcomes[:3]
    assert {Outcome.UNSENT} == set(outcomes[-6:])
    assert Outcome.SILENT not in outcomes
    for exchange in kept:
        if exchange.outcome is Outcome.ANSWERED:
            assert bench.told(exchange.target) == exchange.positive
        else:
            assert "can:slcan:" in (exchange.trouble or "")
    assert [Outcome.UNSENT] == [exchange.outcome for exchange in bench.ask(ENGINE)]
    bench.link.close()


def test_a_door_that_is_shut_says_where_to_look(bench: Bench) -> None:
    bench.door.close()
    with pytest.raises(LinkError, match="cannot open can:slcan:socket") as caught:
        open_link(bench.door.link)
    assert "listens at that address" in caught.value.next_step


def test_a_port_without_permission_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(port: serial.Serial) -> None:
        raise serial.SerialException(13, f"could not open port {port.port}: [Errno 13] Permission denied")

    monkeypatch.setattr(serial.Serial, "open", refused)
    with pytest.raises(LinkError, match="Permission denied") as caught:
        open_link("can:slcan:/dev/ttyACM0")
    assert "give your user access to the port" in caught.value.next_step
