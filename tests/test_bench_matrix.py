"""One car, every door open, and clients that nobody here wrote: each reads the faults that its services can show.

The right answer is what the car's own units say at the desk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from urllib.parse import urlsplit

import can
import isotp
import obd
import pytest
from doipclient import DoIPClient
from doipclient.connectors import DoIPClientUDSConnector
from obd import OBDCommand
from obd.protocols import ECU
from scapy.contrib.automotive.doip import UDS_DoIPSocket
from scapy.contrib.automotive.uds import UDS, UDS_RDTCI
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection

from simulators.door import Bench, RunningBench

SCENARIO = "warning-lamps"
BRAKE, ENGINE = "760/768", "7E0/7E8"
Faults = set[tuple[int, int]]
Reader = Callable[[RunningBench, str], Faults]


@pytest.fixture(scope="module")
def car() -> Iterator[RunningBench]:
    """The car with every door open at once."""
    with Bench().start(SCENARIO) as bench:
        for kind in Bench().doors():
            bench.open_door(kind)
        yield bench


def link_of(car: RunningBench, door: str) -> str:
    starts = {
        "virtual": "can:virtual:",
        "can": "can:slcan:",
        "dongle": "dongle:socket:",
        "pty": "dongle:/dev",
        "doip": "doip:",
    }
    return next(link for link in car.links if link.startswith(starts[door]))


def told(car: RunningBench, unit: str, request: str) -> bytes:
    """What a unit says at the desk."""
    (reply,) = car.desk.ask(unit, bytes.fromhex(request))
    return reply.data


def listed(answer: bytes) -> Faults:
    """Codes with their status of an answer 59 02. Source: ISO 14229-1, DTCAndStatusRecord."""
    return {(int.from_bytes(answer[at : at + 3], "big"), answer[at + 3]) for at in range(3, len(answer), 4)}


def stored(answer: bytes) -> Faults:
    """Codes of an answer 43, without a status. Source: SAE J1979, service 03 on CAN."""
    return {(int.from_bytes(answer[at : at + 2], "big"), 0) for at in range(2, 2 + 2 * answer[1], 2)}


def bus_at(link: str) -> can.BusABC:
    _, interface, channel = link.partition("?")[0].split(":", 2)
    more = {"sleep_after_open": 0, "bitrate": 500_000} if interface == "slcan" else {}
    return can.Bus(interface=interface, channel=channel, ignore_config=True, **more)


def by_udsoncan(_car: RunningBench, link: str) -> Faults:
    """Udsoncan over can-isotp over python-can."""
    with bus_at(link) as bus:
        stack = isotp.CanStack(bus, address=isotp.Address(txid=0x760, rxid=0x768))
        with Client(PythonIsoTpConnection(stack), request_timeout=5) as client:
            dtcs = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
            return {(dtc.id, dtc.status.get_byte_as_int()) for dtc in dtcs}


def by_python_can(_car: RunningBench, link: str) -> Faults:
    """python-can alone: a single frame out, a single frame back."""
    with bus_at(link) as bus:
        bus.send(can.Message(arbitration_id=0x7E0, is_extended_id=False, data=b"\x01\x03" + bytes(6)))
        while True:
            message = bus.recv(5)
            assert message is not None
            if message.arbitration_id == 0x7E8:
                return stored(bytes(message.data[1 : 1 + message.data[0]]))


def by_python_obd(_car: RunningBench, link: str) -> Faults:
    """python-OBD, unmodified; its raw messages, since its values merge units."""
    connection = obd.OBD(link.removeprefix("dongle:"), protocol="6", fast=False)
    try:
        command = OBDCommand("codes", "", b"03", 0, obd.decoders.dtc, ECU.ALL, False)
        messages = connection.query(command, force=True).messages
        return stored(next(bytes(message.data) for message in messages if message.tx_id == 0))
    finally:
        connection.close()


def doip_address(car: RunningBench, unit: str) -> int:
    return 0x1000 + list(car.desk.units).index(unit)


def by_doipclient(car: RunningBench, link: str) -> Faults:
    """Doipclient below udsoncan."""
    port = urlsplit(f"//{link.removeprefix('doip:')}").port
    with (
        DoIPClient("127.0.0.1", doip_address(car, BRAKE), tcp_port=port, client_logical_address=0x0E01) as doip,
        Client(DoIPClientUDSConnector(doip), request_timeout=5) as client,
    ):
        dtcs = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
        return {(dtc.id, dtc.status.get_byte_as_int()) for dtc in dtcs}


def by_scapy(car: RunningBench, link: str) -> Faults:
    """Scapy's DoIP socket and UDS layer."""
    port = urlsplit(f"//{link.removeprefix('doip:')}").port
    sock = UDS_DoIPSocket("127.0.0.1", port, source_address=0x0E02, target_address=doip_address(car, BRAKE))
    try:
        sock.send(UDS() / UDS_RDTCI(reportType=2, DTCStatusMask=0xFF))
        _taken, answer = sock.recv(), sock.recv()
        return listed(bytes(answer))
    finally:
        with suppress(OSError):
            sock.close()


MATRIX: tuple[tuple[str, str, Reader, str, str], ...] = (
    ("udsoncan with can-isotp", "virtual", by_udsoncan, BRAKE, "1902FF"),
    ("udsoncan with can-isotp", "can", by_udsoncan, BRAKE, "1902FF"),
    ("python-can", "virtual", by_python_can, ENGINE, "03"),
    ("python-can", "can", by_python_can, ENGINE, "03"),
    ("python-OBD", "dongle", by_python_obd, ENGINE, "03"),
    ("python-OBD", "pty", by_python_obd, ENGINE, "03"),
    ("doipclient with udsoncan", "doip", by_doipclient, BRAKE, "1902FF"),
    ("scapy", "doip", by_scapy, BRAKE, "1902FF"),
)


@pytest.mark.parametrize(
    ("door", "read", "unit", "request_"),
    [row[1:] for row in MATRIX],
    ids=[f"{client} at {door}" for client, door, *_ in MATRIX],
)
def test_a_client_reads_what_the_unit_remembers(
    car: RunningBench, door: str, read: Reader, unit: str, request_: str
) -> None:
    answer = told(car, unit, request_)
    expected = stored(answer) if request_ == "03" else listed(answer)
    assert expected
    assert expected == read(car, link_of(car, door))


def test_every_door_has_a_client() -> None:
    assert {"virtual", *Bench().doors()} == {door for _, door, *_ in MATRIX}
