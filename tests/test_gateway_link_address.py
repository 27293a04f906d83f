"""Link addresses: read, refused with a way on, opened."""

from __future__ import annotations

import subprocess
import sys
import threading

import can
import pytest
from can.interfaces.virtual import VirtualBus

from decoders.errors import LinkError, UsageError
from decoders.values import Exchange, Outcome, Request
from gateway.links import Limits, LinkAddress, Plan, open_link, parse_link
from gateway.links.can.ports.slcan_signs import SlcanSigns


@pytest.mark.parametrize(
    ("text", "address"),
    [
        # The forms are those of the handbook's table of links.
        ("can:socketcan:can0", LinkAddress(kind="can", rest="socketcan:can0")),
        ("can:slcan:/dev/ttyACM0", LinkAddress(kind="can", rest="slcan:/dev/ttyACM0")),
        (
            "can:slcan:socket://127.0.0.1:29536",
            LinkAddress(kind="can", rest="slcan:socket://127.0.0.1:29536"),
        ),
        (
            "can:virtual:x?bitrate=250000&fd=1",
            LinkAddress(kind="can", rest="virtual:x", options={"bitrate": 250000, "fd": 1}),
        ),
        ("dongle:socket://192.0.2.10:35000", LinkAddress(kind="dongle", rest="socket://192.0.2.10:35000")),
        ("dongle:socket://[2001:db8::1]:35000", LinkAddress(kind="dongle", rest="socket://[2001:db8::1]:35000")),
        ("dongle:COM3", LinkAddress(kind="dongle", rest="COM3")),
        ("doip:192.0.2.1:13400", LinkAddress(kind="doip", rest="192.0.2.1:13400")),
        ("sim:repaired", LinkAddress(kind="sim", rest="repaired")),
        ("replay:STORE.db#7", LinkAddress(kind="replay", rest="STORE.db#7")),
    ],
)
def test_an_address_is_read_and_written_back(text: str, address: LinkAddress) -> None:
    assert parse_link(text) == address
    assert address.text == text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "can:, dongle:, doip:, sim:, replay:"),
        ("can0", "can:, dongle:, doip:, sim:, replay:"),
        ("usb:0", "can:, dongle:, doip:, sim:, replay:"),
        ("can:", "names nothing behind 'can:'"),
        ("doip:", "names nothing behind 'doip:'"),
        ("can::can0", "lacks the interface"),
        ("can:socketcan", "lacks the channel"),
        ("can:socketcan:?bitrate=1", "lacks the channel"),
        ("can:virtual:x?speed=1", "the unknown option 'speed'"),
        ("can:virtual:x?bitrate=fast", "gives 'bitrate' the value 'fast'"),
        ("can:virtual:x?bitrate=", "gives 'bitrate' the value ''"),
        ("can:virtual:x?bitrate=0", "a bit rate of 0"),
        ("can:virtual:x?fd=2", "another value than 0 or 1"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_to_write(text: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_link(text)
    assert message in caught.value.message
    assert caught.value.next_step


@pytest.mark.parametrize("port", ["127.0.0.1", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:0", "127.0.0.1:65536", ":1", ""])
@pytest.mark.parametrize("way", ["dongle:socket://", "dongle:rfc2217://", "can:slcan:socket://", "dongle:Socket://"])
def test_a_port_over_the_network_has_a_host_and_a_number(way: str, port: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_link(f"{way}{port}")
    assert f"'{way}{port}' lacks the host or the number of the port" == caught.value.message
    scheme = way.rpartition(":")[0].rpartition(":")[2].lower()
    assert caught.value.next_step.startswith(f"write {scheme}://HOST:PORT")


def test_sim_names_the_command_whose_car_outlives_it() -> None:
    with pytest.raises(UsageError, match="a new car each time") as caught:
        open_link("sim:repaired")
    assert caught.value.exit_code == 2
    assert "mendproof bench run SCENARIO" in caught.value.next_step


def test_a_kind_whose_part_cannot_be_loaded_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.links.address._OPENERS", {"doip": ("gateway.links.none_such", "open_doip")})
    with pytest.raises(LinkError, match=r"what 'doip:' needs cannot be loaded: .*none_such") as caught:
        open_link("doip:192.0.2.1")
    assert caught.value.exit_code == 3
    assert caught.value.next_step


def test_an_unknown_interface_lists_those_there_are() -> None:
    with pytest.raises(LinkError, match="no CAN interface 'sokketcan'") as caught:
        open_link("can:sokketcan:can0")
    for interface in can.interfaces.VALID_INTERFACES:
        assert interface in caught.value.next_step


def test_an_interface_that_cannot_be_opened_is_a_link_error() -> None:
    with pytest.raises(LinkError, match="cannot open can:slcan:/dev/does-not-exist") as caught:
        open_link("can:slcan:/dev/does-not-exist")
    assert caught.value.exit_code == 3
    assert caught.value.next_step


def test_whatever_else_a_driver_raises_is_a_link_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("the driver library is too old")

    monkeypatch.setattr(can, "Bus", broken)
    with pytest.raises(LinkError, match="the driver library is too old") as caught:
        open_link("can:virtual:x")
    assert caught.value.next_step


@pytest.mark.parametrize(
    ("text", "settings"),
    [
        ("can:socketcan:can0", {}),
        ("can:slcan:/dev/ttyACM0?bitrate=500000", {"bitrate": 500000, "sleep_after_open": 0}),
        ("can:virtual:x?fd=1", {"fd": True}),
        ("can:virtual:x?fd=0", {}),
    ],
)
def test_the_bus_is_opened_with_these_settings_and_no_configuration_file(
    monkeypatch: pytest.MonkeyPatch, text: str, settings: dict[str, object]
) -> None:
    seen: list[tuple[object, dict[str, object]]] = []

    def record(channel: str, **given: object) -> can.BusABC:
        seen.append((channel, given))
        return VirtualBus("settings")

    class Settled(VirtualBus):
        """Every setting is answered at once."""

        def settle(self, timeout_s: float) -> None:
            assert timeout_s > 0

    def ours(channel: str, *, signs: SlcanSigns, **given: object) -> can.BusABC:
        signs.heard(b"V1013\r")
        record(channel, interface="slcan", ignore_config=True, **given).shutdown()  # opened directly, it reads no file
        return Settled("settings")

    monkeypatch.setattr(can, "Bus", record)
    monkeypatch.setattr("gateway.links.can.opening.SlcanBus", ours)
    open_link(text).close()
    _, interface, channel = text.partition("?")[0].split(":")
    assert seen == [(channel, {"interface": interface, "ignore_config": True, **settings})]


def test_an_opened_link_runs_plans_under_its_own_address(channel: str) -> None:
    def plan() -> Plan:
        yield Request("7E0/7E8", b"\x03")

    kept: list[Exchange] = []
    with open_link(f"can:virtual:{channel}") as link:
        link.run({"a": plan()}, kept.append, threading.Event(), Limits(p2_ms=5))
        assert link.address == f"can:virtual:{channel}"
    assert [(e.link, e.outcome) for e in kept] == [(f"can:virtual:{channel}", Outcome.SILENT)]


def test_the_can_libraries_are_loaded_only_when_a_link_is_opened() -> None:
    code = "import sys, gateway.guard, gateway.links.address; print({'can', 'isotp'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)  # noqa: S603
    assert done.stdout == "set()\n"
