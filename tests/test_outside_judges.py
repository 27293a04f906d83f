"""Other people's programs read what the demonstration put on the bus, and read the same car beside our scan."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import can
import isotp
import obd
import pytest
from bus_help import Message
from demo_help import DemoRun, demo_run
from obd.protocols.protocol import Message as DongleMessage
from udsoncan import Response
from udsoncan.client import Client
from udsoncan.connections import PythonIsoTpConnection
from udsoncan.exceptions import NegativeResponseException
from udsoncan.services import ReadDTCInformation
from workshop import Workshop, workshop

from decoders.values import Outcome, UnitAddress
from gateway.scanning import take_scan
from sessions.record import CodeReading, JobRecord
from simulators.scenarios import SCENARIOS

if TYPE_CHECKING:
    from scapy.packet import Packet

UNITS = SCENARIOS["warning-lamps"].units
DTC_UNITS = [spec.address for spec in UNITS if spec.speaks_uds]
LIST, SUPPORTED = bytes.fromhex("1902FF"), bytes.fromhex("190A")

# What scapy 2.8 leaves as raw bytes, and why: both are data whose length only the car's maker knows.
SCAPY_LEAVES = {
    # 62: what is behind the identifier. Source: ISO 14229-1, dataRecord is defined by the vehicle maker.
    ("UDS", "UDS_RDBIPR", "Raw"),
    # 59 04: identifiers and data of a snapshot record. Source: ISO 14229-1, likewise.
    (
        *("UDS", "UDS_RDTCIPR", "snapshotRecord", "DTCSnapshotRecord", "snapshots", "DTCSnapshot"),
        *("snapshotData", "Raw"),
    ),
}


@pytest.fixture(scope="module")
def demo() -> DemoRun:
    return demo_run()


def said(demo: DemoRun) -> list[Message]:
    """Each different message once."""
    return sorted({(m.to_car, m.data): m for m in demo.messages}.values(), key=lambda m: (m.to_car, m.data))


def dissect(message: Message) -> Packet:
    """By the layer that scapy has for the service: OBD below 10, UDS above."""
    from scapy.contrib.automotive.obd.obd import OBD
    from scapy.contrib.automotive.uds import UDS

    first = message.data[0]
    service = message.data[1] if first == 0x7F else first - (0 if message.to_car else 0x40)
    return OBD(message.data) if service < 0x10 else UDS(message.data)


def raw_parts(packet: Packet, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Where in a dissection bytes were left without a meaning."""
    from scapy.packet import NoPayload, Packet, Padding, Raw

    while not isinstance(packet, NoPayload):
        path = (*path, type(packet).__name__)
        if isinstance(packet, Raw | Padding):
            yield path
        for name, value in packet.fields.items():
            for part in value if isinstance(value, list) else [value]:
                if isinstance(part, Packet):
                    yield from raw_parts(part, (*path, name))
        packet = packet.payload


def test_scapy_knows_every_message_of_the_demo_and_leaves_nothing_over(demo: DemoRun) -> None:
    messages = said(demo)
    assert len(messages) > 300
    left = {path for message in messages for path in raw_parts(dissect(message))}
    assert SCAPY_LEAVES == left


def test_scapy_builds_each_message_again_to_the_same_bytes(demo: DemoRun) -> None:
    assert [] == [message.data.hex() for message in said(demo) if bytes(dissect(message)) != message.data]


def test_scapy_names_each_services_answer_as_one(demo: DemoRun) -> None:
    for message in said(demo):
        name = dissect(message).sprintf("%service%")
        assert name[:2] != "0x", message.data.hex()
        # scapy's names of services end in Response, or PositiveResponse and NegativeResponse.
        assert (not message.to_car) == name.endswith("Response"), message.data.hex()


# --- service 19 in the demo's journal ---


def whole_lists(record: JobRecord) -> list[CodeReading]:
    """Every answered list of codes in the job."""
    lists = [code for code in record.codes if code.whole and code.outcome is Outcome.ANSWERED]
    assert len(lists) > 50
    return lists


def ours(code: CodeReading) -> tuple[int | None, dict[int, int]]:
    return code.mask, {int.from_bytes(dtc.raw, "big"): status for dtc, status in code.entries.items()}


def test_udsoncan_reads_every_list_in_the_journal_alike(demo: DemoRun) -> None:
    # udsoncan, ReadDTCInformation.interpret_response
    for code in whole_lists(demo.record):
        assert code.data is not None
        theirs = ReadDTCInformation.interpret_response(Response.from_payload(code.data), code.data[1]).service_data
        read = {dtc.id: dtc.status.get_byte_as_int() for dtc in theirs.dtcs}
        assert (theirs.status_availability.get_byte_as_int(), read) == ours(code)


def test_scapy_reads_every_list_in_the_journal_alike(demo: DemoRun) -> None:
    from scapy.contrib.automotive.uds import UDS

    # scapy, UDS_RDTCIPR
    for code in whole_lists(demo.record):
        assert code.data is not None
        packet = UDS(code.data)
        read = {int.from_bytes(bytes(item.dtc), "big"): int(item.status) for item in packet.DTCAndStatusRecord}
        assert (int(packet.DTCStatusAvailabilityMask), read) == ours(code)


# --- service 19 on the bus, beside our own scan ---


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workshop]:
    """A bench of which our own scan has just been taken; its world stands still."""
    with workshop(tmp_path_factory.mktemp("judges") / "record.sqlite") as shop:
        assert take_scan(shop.visit, "before").complete
        yield shop


@pytest.fixture
def client(scanned: Workshop, request: pytest.FixtureRequest) -> Iterator[Client]:
    """Udsoncan's client for the unit that the test is about, over can-isotp."""
    address = UnitAddress.parse(request.getfixturevalue("unit"))
    mode = isotp.AddressingMode.Normal_11bits
    if address.request.is_29_bit:
        mode = isotp.AddressingMode.Normal_29bits
    channel = scanned.bench.links[0].removeprefix("can:virtual:")
    with can.Bus(interface="virtual", channel=channel, ignore_config=True) as bus:
        ids = isotp.Address(mode, txid=address.request.number, rxid=address.response.number)
        stack = isotp.CanStack(bus, address=ids, params={"blocksize": 0})
        with Client(PythonIsoTpConnection(stack), request_timeout=2) as opened:
            yield opened


def our_reading(shop: Workshop, unit: str, request: bytes) -> CodeReading:
    (reading,) = [c for c in shop.visit.record().codes if (c.unit, c.request, c.scan) == (unit, request, 1)]
    return reading


@pytest.mark.parametrize("unit", DTC_UNITS)
def test_udsoncans_client_lists_what_our_scan_read(scanned: Workshop, client: Client, unit: str) -> None:
    data = client.get_dtc_by_status_mask(0xFF).service_data
    theirs = {dtc.id: dtc.status.get_byte_as_int() for dtc in data.dtcs}
    reading = our_reading(scanned, unit, LIST)
    assert Outcome.ANSWERED is reading.outcome
    assert (data.status_availability.get_byte_as_int(), theirs) == ours(reading)


@pytest.mark.parametrize("unit", DTC_UNITS)
def test_udsoncans_client_knows_the_codes_our_scan_knows(scanned: Workshop, client: Client, unit: str) -> None:
    reading = our_reading(scanned, unit, SUPPORTED)
    if reading.outcome is Outcome.REFUSED:
        with pytest.raises(NegativeResponseException) as refused:
            client.get_supported_dtc()
        assert reading.refusal == refused.value.response.code
        return
    data = client.get_supported_dtc().service_data
    theirs = {dtc.id: dtc.status.get_byte_as_int() for dtc in data.dtcs}
    assert (data.status_availability.get_byte_as_int(), theirs) == ours(reading)


def test_our_scan_read_every_unit_that_speaks_service_19(scanned: Workshop) -> None:
    record = scanned.visit.record()
    read = {code.unit for code in record.codes if code.request == LIST and code.outcome is Outcome.ANSWERED}
    assert set(DTC_UNITS) == read


# --- OBD values in the demo's journal ---


def judged(command: obd.OBDCommand, data: bytes) -> object:
    """What python-OBD makes of an answer."""
    message = DongleMessage([])
    message.ecu = command.ecu
    message.data = bytearray(data)
    return command([message]).value


def alone(pid: int, data: bytes) -> bytes:
    """The answer as if only this PID had been asked for; the lengths are python-OBD's."""
    at = 1
    while data[at] != pid:
        at += obd.commands[1][data[at]].bytes - 1
    return data[:1] + data[at : at + obd.commands[1][pid].bytes - 1]


@pytest.mark.parametrize("pid", [0x05, 0x0C, 0x0D, 0x04, 0x1F, 0x42, 0x46, 0x31])
def test_python_obd_reads_the_demos_values_alike(demo: DemoRun, pid: int) -> None:
    answers = {item.moment.seq: item.exchange.positive for item in demo.record.asked}
    readings = [item for item in demo.record.live if item.pid == pid]
    assert len(readings) >= 3
    for reading in readings:
        data = answers[reading.moment.seq]
        assert data is not None
        theirs = judged(obd.commands[1][pid], alone(pid, data))
        assert math.isclose(float(getattr(theirs, "magnitude", theirs)), reading.value, abs_tol=1e-9)


@pytest.mark.parametrize("service", [0x03, 0x07])
def test_python_obd_reads_the_demos_codes_alike(demo: DemoRun, service: int) -> None:
    command = obd.commands.GET_DTC if service == 0x03 else obd.commands.GET_CURRENT_DTC
    answers = {item.moment.seq: item.exchange.positive for item in demo.record.asked}
    readings = [r for r in demo.record.obd if r.service == service and r.outcome is Outcome.ANSWERED]
    assert any(reading.codes for reading in readings)
    for reading in readings:
        data = answers[reading.moment.seq]
        assert data is not None
        theirs = judged(command, data)
        assert isinstance(theirs, list)
        assert {code for code, _text in theirs} == {dtc.text for dtc in reading.codes}


def test_python_obd_reads_the_demos_readiness_alike(demo: DemoRun) -> None:
    answers = {item.moment.seq: item.exchange.positive for item in demo.record.asked}
    readings = [item for item in demo.record.monitors if item.status.pid == 0x01]
    assert {True, False} == {bool(item.status.mil) for item in readings}
    for item in readings:
        theirs = judged(obd.commands.STATUS, answers[item.moment.seq] or b"")
        count, lamp = theirs.DTC_count, theirs.MIL  # type: ignore[attr-defined]
        assert (lamp, count) == (item.status.mil, item.status.code_count)
