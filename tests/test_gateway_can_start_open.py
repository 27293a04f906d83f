"""Opening a CAN link: what each interface is told, the search through the bench's door, and what is plugged in."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace

import can
import pytest
import serial.tools.list_ports
from can.broadcastmanager import ThreadBasedCyclicSendTask
from can_help import plain_unit
from can_start_help import QUICK, Car, FakeBus, close_at_once, message
from serial.tools.list_ports_common import ListPortInfo

from decoders.errors import LinkError, MendproofError, UsageError
from decoders.values import Exchange, Outcome, Request
from gateway.links import Limits, Link, Plan, open_link
from gateway.links.can.link import CanLink
from gateway.links.can.opening import PresentChannel, present_channels
from gateway.links.can.ports.slcan_signs import SlcanSigns
from gateway.links.can.start import StartUp
from simulators.can_side import CanSide
from simulators.car import Car as CarModel
from simulators.counters import Counters
from simulators.desk import Desk
from simulators.slcan_hub import SlcanDoor
from simulators.world import World

ENGINE = "7E0/7E8"
PATIENT = Limits(p2_ms=3000)
"""Where an answer comes, which ends the wait."""
OFFLINE = sorted(set(can.interfaces.BACKENDS) - {"virtual", "udp_multicast", "socketcand"})
"""All but the one that needs nothing, and those that use the network."""


def start_up_of(link: Link) -> StartUp | None:
    assert isinstance(link, CanLink)
    return link.start_up


class Recorder:
    """Stands in for python-can's `Bus`."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.opened: list[tuple[object, dict[str, object]]] = []

    def __call__(self, channel: object, **given: object) -> can.BusABC:
        self.opened.append((channel, given))
        if (signs := given.get("signs")) is not None:
            assert isinstance(signs, SlcanSigns)
            signs.heard(b"V1013\r")
        rate = given.get("bitrate")
        return FakeBus(self.car, rate if isinstance(rate, int) else None)


@pytest.fixture
def recorded(monkeypatch: pytest.MonkeyPatch) -> Callable[[Car], Recorder]:
    def begin(car: Car) -> Recorder:
        recorder = Recorder(car)
        monkeypatch.setattr(can, "Bus", recorder)
        monkeypatch.setattr("gateway.links.can.opening.SlcanBus", recorder)
        return recorder

    return begin


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    close_at_once(monkeypatch)


IN_USE = Car(500_000, says=(message(0x1A0, "00"),))


@pytest.mark.parametrize(
    ("interface", "quiet"),
    [
        ("slcan", {"listen_only": True}),
        ("vector", {"listen_only": True}),
        ("nixnet", {"listen_only": True}),
        ("cantact", {"monitor": True}),
        ("kvaser", {"driver_mode": False}),
        ("pcan", {"state": can.BusState.PASSIVE}),
        ("systec", {"state": can.BusState.PASSIVE}),
        ("seeedstudio", {"operation_mode": "silent"}),
    ],
)
def test_listening_takes_no_part_in_the_bus_where_the_interface_can(
    recorded: Callable[[Car], Recorder], interface: str, quiet: dict[str, object]
) -> None:
    recorder = recorded(IN_USE)
    open_link(f"can:{interface}:x", limits=QUICK).close()
    first, second = (given for _, given in recorder.opened)
    assert quiet.items() <= first.items()
    assert not quiet.items() <= second.items()
    assert [500_000, 500_000] == [first["bitrate"], second["bitrate"]]


@pytest.mark.parametrize("interface", ["ixxat", "gs_usb", "robotell"])
def test_one_that_cannot_listen_only_is_opened_once_per_rate(
    recorded: Callable[[Car], Recorder], interface: str
) -> None:
    recorder = recorded(IN_USE)
    open_link(f"can:{interface}:0", limits=QUICK).close()
    assert [500_000] == [given["bitrate"] for _, given in recorder.opened]


@pytest.mark.parametrize(("interface", "channel"), [("gs_usb", 0), ("neousys", 0), ("kvaser", "0"), ("pcan", "0")])
def test_a_channel_that_must_be_a_number_is_one(
    recorded: Callable[[Car], Recorder], interface: str, channel: object
) -> None:
    recorder = recorded(IN_USE)
    open_link(f"can:{interface}:0", limits=QUICK).close()
    assert {channel} == {seen for seen, _ in recorder.opened}


def test_where_the_system_sets_the_rate_none_is_passed_on(recorded: Callable[[Car], Recorder]) -> None:
    recorder = recorded(IN_USE)
    with open_link("can:socketcan:can0", limits=QUICK) as link:
        found = start_up_of(link)
    assert found is not None
    assert (None, True) == (found.bitrate, found.is_found)
    assert [("can0", {"interface": "socketcan", "ignore_config": True})] == recorder.opened


def test_where_the_system_set_the_wrong_rate_the_line_says_how_to_set_it(
    recorded: Callable[[Car], Recorder],
) -> None:
    recorded(Car(500_000, says=(can.Message(is_error_frame=True),) * 50))
    with pytest.raises(LinkError, match="error frames") as caught:
        open_link("can:socketcan:can0", limits=QUICK)
    assert caught.value.next_step == "set the bit rate of can0 in the system (500000 or 250000), then try again"


def test_a_rate_in_the_link_is_refused_where_it_would_be_ignored() -> None:
    with pytest.raises(UsageError, match="set in the system") as caught:
        open_link("can:socketcan:can0?bitrate=250000")
    assert "can:socketcan:can0" in caught.value.next_step


def test_a_daemons_address_stands_in_the_channel(recorded: Callable[[Car], Recorder]) -> None:
    recorder = recorded(IN_USE)
    open_link("can:socketcand:127.0.0.1:29536/can0", limits=QUICK).close()
    ((channel, given),) = recorder.opened
    assert ("can0", "127.0.0.1", 29536) == (channel, given["host"], given["port"])
    with pytest.raises(UsageError, match="'can0' does not say where") as caught:
        open_link("can:socketcand:can0")
    assert "can:socketcand:HOST:PORT/CHANNEL" in caught.value.next_step


def test_a_given_rate_is_taken_and_nothing_looked_for(recorded: Callable[[Car], Recorder]) -> None:
    recorder = recorded(Car(None))
    with open_link("can:slcan:x?bitrate=250000", limits=QUICK) as link:
        assert start_up_of(link) is None
    assert [250_000] == [given["bitrate"] for _, given in recorder.opened]
    assert not recorder.car.sent


def test_a_virtual_bus_has_no_rate_to_look_for(channel: str) -> None:
    with can.Bus(channel, interface="virtual", ignore_config=True) as other:
        with open_link(f"can:virtual:{channel}") as link:
            assert start_up_of(link) is None
        assert other.recv(0) is None


def test_a_search_that_fails_leaves_no_bus_open(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[FakeBus] = []

    def make(*_: object, bitrate: int, **__: object) -> can.BusABC:
        opened.append(FakeBus(Car(125_000, says=(message(0x1A0, "00"),)), bitrate))
        return opened[-1]

    monkeypatch.setattr(can, "Bus", make)
    with pytest.raises(LinkError, match="error frames"):
        open_link("can:pcan:PCAN_USBBUS1", limits=QUICK)
    assert opened
    assert not any(bus.is_open for bus in opened)


@pytest.mark.parametrize("interface", OFFLINE)
def test_an_interface_that_is_not_here_says_what_to_do(interface: str, capfd: pytest.CaptureFixture[str]) -> None:
    """No device of these is here; the bus module of each is python-can's own and not looked into."""
    with pytest.raises(MendproofError, match=f"can:{interface}:/dev/none-such") as caught:
        open_link(f"can:{interface}:/dev/none-such", limits=QUICK)
    assert isinstance(caught.value, LinkError)
    assert caught.value.next_step
    assert ("", "") == capfd.readouterr()


@pytest.mark.parametrize(
    ("interface", "package"), [("gs_usb", "gs-usb"), ("canalystii", "canalystii"), ("neovi", "python-ics")]
)
def test_the_package_of_a_missing_driver_is_named(
    monkeypatch: pytest.MonkeyPatch, interface: str, package: str
) -> None:
    def missing(*_: object, **__: object) -> None:
        raise can.CanInterfaceNotImplementedError("no such module")

    monkeypatch.setattr(can, "Bus", missing)
    with pytest.raises(LinkError, match="no such module") as caught:
        open_link(f"can:{interface}:0")
    assert package in caught.value.next_step


# --- through the bench's door ---


@pytest.fixture
def opened() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def door_of(opened: ExitStack, bitrate: int, unit: str) -> tuple[CanSide, SlcanDoor]:
    """A car with one unit that speaks OBD on a bus on which nobody speaks unasked."""
    spec = replace(plain_unit(unit), parameters=(0x0C,))
    car = CarModel((spec,), world=World(key_on=True), counters=Counters)
    side = opened.enter_context(CanSide(Desk(car)))
    return side, opened.enter_context(SlcanDoor(side, bitrate=bitrate))


def found_in_time(opened: ExitStack, bitrate: int, unit: str) -> tuple[CanSide, CanLink, StartUp]:
    """A car as above, and a link to it; where the machine holds up its answer for too long, once more with patience."""
    for functional_ms in (110, 1500):
        side, door = door_of(opened, bitrate, unit)
        link = opened.enter_context(open_link(door.link, limits=Limits(listen_ms=50, functional_ms=functional_ms)))
        found = start_up_of(link)
        if found is not None and found.is_found:
            break
    assert isinstance(link, CanLink)
    assert found is not None
    return side, link, found


def requests_on(side: CanSide) -> list[tuple[int, bytes]]:
    return [(frame.arbitration_id, frame.data) for frame in side.frames if frame.direction == "rx"]


def ask(link: Link, *data: str, limits: Limits = PATIENT) -> list[Exchange]:
    def plan() -> Plan:
        for text in data:
            yield Request(ENGINE, bytes.fromhex(text))

    kept: list[Exchange] = []
    link.run({"engine": plan()}, kept.append, threading.Event(), limits)
    return kept


@pytest.mark.parametrize("bitrate", [500_000, 250_000])
def test_a_silent_car_behind_an_slcan_adapter_is_found_and_then_read(opened: ExitStack, bitrate: int) -> None:
    side, link, found = found_in_time(opened, bitrate, ENGINE)
    (exchange,) = ask(link, "22F187")
    assert (bitrate, True, (11,)) == (found.bitrate, found.is_found, found.id_bits)
    assert ("7E8",) == found.tried[-1].responders
    assert Outcome.ANSWERED is exchange.outcome
    # What was asked at the other rate reached nobody; of ours only this was on the bus before the request.
    assert (0x7DF, bytes.fromhex("0201005555555555")) == requests_on(side)[0]
    assert {0x7E0} == {can_id for can_id, _ in requests_on(side)[1:]}


def test_a_car_with_29_bit_identifiers_is_found(opened: ExitStack) -> None:
    _, _, found = found_in_time(opened, 500_000, "18DA10F1/18DAF110")
    assert (500_000, (29,), ("18DAF110",)) == (found.bitrate, found.id_bits, found.tried[-1].responders)


@pytest.mark.parametrize("bitrate", [500_000, 250_000])
def test_a_car_that_talks_is_found_by_an_slcan_adapter_that_only_listens(opened: ExitStack, bitrate: int) -> None:
    side, door = door_of(opened, bitrate, ENGINE)
    others = can.Bus(
        door.link.removeprefix("can:slcan:"), interface="slcan", sleep_after_open=0, bitrate=bitrate, ignore_config=True
    )
    opened.callback(others.shutdown)
    task = others.send_periodic(message(0x1A0, "0011"), 0.005)
    assert isinstance(task, ThreadBasedCyclicSendTask)
    assert task.thread is not None
    opened.callback(task.thread.join, 5)  # or it sends on a bus that is shut down
    opened.callback(task.stop)
    with open_link(door.link, limits=Limits(listen_ms=700)) as link:
        found = start_up_of(link)
    assert found is not None
    assert (bitrate, (11,)) == (found.bitrate, found.id_bits)
    assert {0x1A0} == {can_id for can_id, _ in requests_on(side)}


def test_the_wrong_rate_in_the_link_hears_nobody(opened: ExitStack) -> None:
    side, door = door_of(opened, 500_000, ENGINE)
    with open_link(f"{door.link}?bitrate=250000") as link:
        assert [Outcome.SILENT] == [exchange.outcome for exchange in ask(link, "1902FF", limits=Limits())]
    assert not requests_on(side)


def test_no_car_leaves_a_link_whose_units_are_silent(opened: ExitStack) -> None:
    _, door = door_of(opened, 125_000, ENGINE)
    with open_link(door.link, limits=QUICK) as link:
        found = start_up_of(link)
        assert [Outcome.SILENT] == [exchange.outcome for exchange in ask(link, "1902FF", limits=Limits())]
    assert found is not None
    assert found.notice is not None


# --- what is plugged in ---


def test_what_is_plugged_in_is_told_quickly_and_quietly(capfd: pytest.CaptureFixture[str]) -> None:
    begun_s = time.monotonic()
    found = present_channels()
    assert time.monotonic() - begun_s < 10  # two seconds on a machine at rest
    assert "virtual" not in {channel.interface for channel in found}
    assert all(channel.link.endswith(f":{channel.channel}") for channel in found)
    assert ("", "") == capfd.readouterr()


def test_channels_and_ports_become_links(monkeypatch: pytest.MonkeyPatch) -> None:
    def detect(interface: str, timeout: float) -> list[dict[str, object]]:
        assert timeout <= 2
        if interface == "pcan":
            return [{"interface": "pcan", "channel": "PCAN_USBBUS1"}]
        if interface == "kvaser":
            return [{"interface": "kvaser", "channel": 0, "device_name": "two channels", "serial": 17}]
        if interface == "vector":
            raise OSError("the driver is broken")
        return [{"interface": interface, "channel": None}]

    port = ListPortInfo("/dev/ttyACM0")
    port.description = "CAN adapter"
    monkeypatch.setattr(can, "detect_available_configs", detect)
    monkeypatch.setattr(serial.tools.list_ports, "comports", lambda: [port])
    assert [
        PresentChannel(
            interface="kvaser", channel="0", link="can:kvaser:0", note="device_name two channels, serial 17"
        ),
        PresentChannel(interface="pcan", channel="PCAN_USBBUS1", link="can:pcan:PCAN_USBBUS1", note=""),
        PresentChannel(
            interface="slcan",
            channel="/dev/ttyACM0",
            link="can:slcan:/dev/ttyACM0",
            note="if it is a CAN adapter with slcan (CAN adapter)",
        ),
        PresentChannel(
            interface="dongle",
            channel="/dev/ttyACM0",
            link="dongle:/dev/ttyACM0",
            note="if it is a dongle (CAN adapter)",
        ),
    ] == list(present_channels())


def test_a_system_that_lists_nothing_gives_an_empty_list(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no list")

    monkeypatch.setattr(can, "detect_available_configs", broken)
    monkeypatch.setattr(serial.tools.list_ports, "comports", broken)
    assert () == present_channels()
