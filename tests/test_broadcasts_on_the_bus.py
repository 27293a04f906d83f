"""What a car says to all by itself, as cantools reads it from the bus."""

from __future__ import annotations

import time
from pathlib import Path

import cantools
import pytest
from can_help import Listener

import simulators.can_port
import simulators.can_side
import simulators.scenarios
from simulators.can_side import CanSide, Physics
from simulators.desk import Desk
from simulators.scenarios import SCENARIOS


@pytest.mark.parametrize("physics", [None, Physics()])
def test_cantools_reads_what_the_car_says_to_all(physics: Physics | None) -> None:
    scenario = SCENARIOS["repaired-well"]
    messages = scenario.vehicle.broadcasts
    database = cantools.database.load_file(Path(simulators.scenarios.__file__).parent / "repaired_well.dbc")
    assert isinstance(database, cantools.database.can.Database)
    desk = Desk(scenario.new_car(1))
    if not desk.car.world.key_on:
        desk.act("key_on")
    with CanSide(desk, physics, broadcasts=messages) as side:
        tester, begin_s = Listener(side), time.monotonic()
        time.sleep(0.5)
        heard = tester.all(0)
        spent_s = time.monotonic() - begin_s
        lamp = desk.units["7E0/7E8"].lamp_on
        counts = {message.can_id: [f.arbitration_id for f in heard].count(message.can_id) for message in messages}
        assert [20, 200] == [message.cycle_ms for message in messages]
        assert 12 <= counts[672] <= spent_s / 0.02 + 2
        assert 2 <= counts[896] <= spent_s / 0.2 + 2
        shown = database.decode_message(896, next(f.data for f in heard if f.arbitration_id == 896))
        assert isinstance(shown, dict)
        assert (int(lamp), 1) == (shown["EngineLamp"], shown["KeyOn"])
        desk.act("key_off")
        tester.all(0.05)
        assert [] == tester.all(0.1)
