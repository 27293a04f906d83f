"""Other people's programs and recorded packets judge the bench's DoIP entity: doipclient with udsoncan, scapy."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from doip_help import EVERYONE, Clocked, ScriptedDesk, Tester, activation_request, new_desk, packet, split
from doipclient import DoIPClient
from doipclient.connectors import DoIPClientUDSConnector
from scapy.contrib.automotive.doip import DoIP, UDS_DoIPSocket
from scapy.contrib.automotive.uds import UDS, UDS_RDBI, UDS_RDTCI
from scapy.packet import NoPayload, Padding, Raw
from udsoncan.client import Client
from warning_lamps_help import UNITS, VIN

from simulators.desk import Desk, Reply
from simulators.doip import DoipDoor

UDS_UNITS = [spec.address for spec in UNITS if spec.speaks_uds]


@pytest.fixture
def desk() -> Desk:
    return new_desk()


@pytest.fixture
def door(desk: Desk) -> Iterator[DoipDoor]:
    with DoipDoor(desk) as opened:
        yield opened


def client_of(door: DoipDoor, unit: int = 0x1000, tester: int = 0x0E00, **options: int) -> DoIPClient:
    ports = {"tcp_port": door.port, "udp_port": door.udp_port}
    return DoIPClient("127.0.0.1", unit, client_logical_address=tester, **ports, **options)


def number(code: str) -> int:
    """A code's three bytes as one number, spelt out by SAE J2012."""
    return "PCBU".index(code[0]) << 22 | int(code[1]) << 20 | int(code[2:5], 16) << 8 | int(code[6:], 16)


def remembered(desk: Desk, unit: str) -> dict[int, int]:
    """What a unit would list for mask FF, read from the bench itself."""
    built = desk.units[unit]
    shown = {code: built.status(code) for code in built.monitors}
    return {number(code): status for code, status in shown.items() if status}


def test_doipclient_and_udsoncan_read_the_faults_of_all_units_at_once(desk: Desk, door: DoipDoor) -> None:
    assert 5 < len(UDS_UNITS)

    def reads(tester: int, unit: int) -> dict[int, int]:
        with client_of(door, unit, tester) as doip, Client(DoIPClientUDSConnector(doip), request_timeout=5) as client:
            listed = client.get_dtc_by_status_mask(0xFF).service_data
            return {dtc.id: dtc.status.get_byte_as_int() for dtc in listed.dtcs}

    numbers = [number for number, unit in door.addresses.items() if unit in UDS_UNITS]
    with ThreadPoolExecutor(len(numbers)) as pool:
        told = list(pool.map(reads, range(0x0E00, 0x0E00 + len(numbers)), numbers))
    assert [remembered(desk, unit) for unit in UDS_UNITS] == told


def test_doipclient_reads_unit_after_unit_over_one_connection(desk: Desk, door: DoipDoor) -> None:
    with client_of(door) as doip:
        for unit, text in door.addresses.items():
            doip.send_diagnostic_to_address(unit, b"\x3e\x00")
            heard = doip.read_doip()
            assert (unit, 0x0E00) == (heard.source_address, heard.target_address)
            assert (b"\x7e\x00" if text in UDS_UNITS else b"\x7f\x3e\x11") == bytes(heard.user_data)


def test_doipclient_finds_the_car_by_anything_it_may_ask(door: DoipDoor) -> None:
    with client_of(door) as doip:
        found = doip.request_vehicle_identification()
        assert (VIN, 0x1000, 0, 0) == (
            found.vin,
            found.logical_address,
            found.further_action_required,
            found.vin_sync_status,
        )
        # Compared as text: what doipclient has parsed it cannot pack again, because it then takes the VIN for a str.
        assert str(found) == str(doip.request_vehicle_identification(vin=VIN))
        assert str(found) == str(doip.request_vehicle_identification(eid=found.eid))
        status = doip.request_entity_status()
        assert (0, 1) == (status.node_type, status.currently_open_sockets)
        assert doip.request_diagnostic_power_mode().diagnostic_power_mode.name == "Ready"
        assert 0x1000 == doip.request_alive_check().source_address


def test_doipclient_is_told_what_it_may_not_do(door: DoipDoor) -> None:
    with pytest.raises(OSError, match="negative acknowledge code: 3"), client_of(door, 0x4010) as doip:
        doip.send_diagnostic(b"\x3e\x00")
    with client_of(door, activation_type=None) as doip:
        denied = doip.request_activation(0xE0)
        assert denied.response_code.name == "DeniedUnsupportedActivationType"
    with client_of(door, tester=0x0123, activation_type=None) as doip:
        assert doip.request_activation(0).response_code.name == "DeniedUnknownSourceAddress"


def test_doipclient_answers_the_alive_check_and_keeps_its_source(door: DoipDoor) -> None:
    with client_of(door) as doip, Tester(door) as other:
        other.send(activation_request())
        time.sleep(0.1)  # until the door has asked the first tester, which has half a second to answer
        doip.request_alive_check()  # reads, and answers what the door asked meanwhile
        doip.request_alive_check()
        assert [packet("0006", "0E00 1000 03 00000000"), None] == [other.receive(), other.receive()]
        doip.send_diagnostic(b"\x3e\x00")
        assert b"\x7e\x00" == bytes(doip.receive_diagnostic(timeout=5))


def test_udsoncan_waits_for_a_unit_that_asks_for_time() -> None:
    pending = Reply(data=b"\x7f\x19\x78", after_us=30_000)
    script = (pending, Reply(data=b"\x7f\x19\x78", after_us=200_000), Reply(data=b"\x59\x02\xff", after_us=500_000))
    with (
        DoipDoor(ScriptedDesk(*script)) as door,
        client_of(door) as doip,
        Client(DoIPClientUDSConnector(doip), request_timeout=10) as client,
    ):
        assert [] == client.get_dtc_by_status_mask(0xFF).service_data.dtcs


def test_doipclient_parses_every_answer_to_a_functional_request(door: DoipDoor) -> None:
    with client_of(door) as doip:
        doip.send_diagnostic_to_address(EVERYONE, bytes.fromhex("1902FF"))
        listing = [number for number, unit in door.addresses.items() if unit in UDS_UNITS]
        heard = [doip.read_doip() for _ in listing]
    assert listing == [message.source_address for message in heard]
    assert {b"\x59\x02"} == {bytes(message.user_data[:2]) for message in heard}


def test_doipclients_uds_connection_hears_one_of_many(door: DoipDoor) -> None:
    """Its wrong answer: of eleven units that were asked, it hands on the one it was made for and drops the others."""
    with client_of(door, 0x1001) as doip:
        doip.send_diagnostic_to_address(EVERYONE, bytes.fromhex("22F190"))
        assert bytes.fromhex("62F190") + VIN.encode() == bytes(doip.receive_diagnostic(timeout=5))
        with pytest.raises(TimeoutError):
            doip.receive_diagnostic(timeout=0.5)


def test_scapys_client_reads_the_faults_of_several_units(desk: Desk, door: DoipDoor) -> None:
    told: dict[int, dict[int, int]] = {}
    for unit in (0x1000, 0x1001, 0x1003):
        sock = UDS_DoIPSocket("127.0.0.1", door.port, source_address=0x0E00, target_address=unit)
        try:
            sock.send(UDS() / UDS_RDTCI(reportType=2, DTCStatusMask=0xFF))
            taken, answer = sock.recv(), sock.recv()
        finally:
            sock.close()
        assert (0x8002, unit, 0) == (taken.payload_type, taken.source_address, taken.ack_code)
        raw = bytes(answer)
        told[unit] = {int.from_bytes(raw[at : at + 3], "big"): raw[at + 3] for at in range(3, len(raw), 4)}
    assert {unit: remembered(desk, door.addresses[unit]) for unit in told} == told
    assert all(told.values())


def leftovers(said: DoIP) -> list[str]:
    """What scapy could not place."""
    found = []
    layer = said
    while not isinstance(layer, NoPayload):
        if isinstance(layer, Raw | Padding):
            found.append(bytes(layer).hex())
        layer = layer.payload
    return found


def asked_in_scapys_words() -> list[DoIP]:
    diagnostic = {"payload_type": 0x8001, "source_address": 0x0E00}
    return [
        DoIP(payload_type=0x0005, source_address=0x0E00),
        DoIP(payload_type=0x0007),
        DoIP(**diagnostic, target_address=0x1000) / UDS() / UDS_RDTCI(reportType=2, DTCStatusMask=0xFF),
        DoIP(**diagnostic, target_address=EVERYONE) / UDS(b"\x3e\x00"),
        DoIP(**diagnostic, target_address=0x4010) / UDS() / UDS_RDBI(identifiers=[0xF190]),
        DoIP(payload_type=0x7777),
        DoIP(payload_type=0x0005, source_address=0x0D00),
    ]


def test_scapy_dissects_every_message_on_a_connection() -> None:
    story = Clocked()
    owner, other = story.connect(), story.connect()
    heard = [story.say(owner, bytes(packet_).hex()) for packet_ in asked_in_scapys_words()[:2]]
    story.say(other, activation_request())
    heard += [story.say(owner, bytes(packet_).hex()) for packet_ in asked_in_scapys_words()[2:]]
    said = [DoIP(bytes.fromhex(message)) for batch in heard for message in batch]
    assert {0x0000, 0x0006, 0x0007, 0x0008, 0x8001, 0x8002, 0x8003} == {message.payload_type for message in said}
    assert [] == [left for message in said for left in leftovers(message)]
    assert [message for batch in heard for message in batch] == [bytes(message).hex().upper() for message in said]
    fields = {message.payload_type: message for message in said}
    assert (1, 3) == (fields[0].nack, fields[0x8003].nack_code)
    assert "Unknown payload type" == fields[0].sprintf("%nack%")
    assert "Unknown target address" == fields[0x8003].sprintf("%nack_code%")
    assert [0x10, 0x00] == [message.routing_activation_response for message in said if message.payload_type == 6]


def test_scapy_dissects_every_datagram() -> None:
    story = Clocked()
    asked = [
        *(DoIP(payload_type=kind) for kind in (0x0001, 0x4001, 0x4003, 0x7777)),
        DoIP(payload_type=0x0002, eid=b"\x02BENCH"),
        DoIP(payload_type=0x0003, vin=VIN.encode()),
    ]
    answers = [story.entity.datagram(bytes(packet_)) or b"" for packet_ in asked]
    said = [DoIP(answer) for answer in answers]
    assert [4, 0x4002, 0x4004, 0, 4, 4] == [message.payload_type for message in said]
    assert all(answer.answers(packet_) for packet_, answer in zip(asked, said, strict=True))
    assert [] == [left for message in said for left in leftovers(message)]
    assert answers == [bytes(message) for message in said]
    assert (VIN.encode(), 0x1000, b"\x02BENCH") == (said[0].vin, said[0].logical_address, said[0].gid)
    assert (0, 128, 0x10000) == (said[1].node_type, said[1].max_open_sockets, said[1].max_data_size)


# (recorded packet without its ending, is it a datagram, our answer to it). The recorded car's unit has the address
# 4010, ours is given the same. Source: recordings, doip/; what is refused and how: ISO 13400-2, generic header handler.
RECORDED = [
    ("VehicleIdentificationRequest", True, "0004"),
    ("VehicleIdentificationRequestWithDefaultVers", True, "0004"),
    ("VehicleIdentificationRequestWithEID", True, None),  # of another car
    ("VehicleIdentificationRequestWithVIN", True, None),  # likewise
    ("EntityStatusRequest", True, "4002"),
    ("PowerModeRequest", True, "4004"),
    ("AliveCheckRequest", True, "0000 01"),  # recorded as a datagram, where the standard has none
    ("AliveCheckResponse", True, "0000 01"),
    ("InvalidPayloadType", True, "0000 01"),
    ("VehicleAnnouncementMessage", True, "0000 01"),  # what only a car says
    ("EntityStatusResponse", True, "0000 01"),
    ("PowerModeResponse", True, "0000 01"),
    ("GenericHeaderNack", True, None),
    ("RoutingActivationResponse", False, "0000 01"),
    ("DiagnosticMessageAck", False, "0000 01"),
    ("DiagnosticMessageNack", False, "0000 01"),
    ("RoutingActivationRequest", False, "0006 0E80 4010 10 00000000"),
    ("WrongLengthRoutingActivationRequest", False, "0006 0E80 4010 10 00000000 + 0000 00"),
    ("InvalidProtocolVersion", False, "0000 00"),
    ("DiagnosticMessage", False, "8003 4010 0E80 02 1003"),  # on a line that was not activated
]


def payload(recordings: Path, name: str) -> bytes:
    """What the recorded Ethernet frame carries in UDP or TCP, by the lengths of its headers (RFC 791, 768, 793)."""
    frame = bytes.fromhex((recordings / "doip" / f"DoIp{name}Packet.dat").read_text(encoding="ascii"))
    inside = frame[14 : 14 + int.from_bytes(frame[16:18], "big")]
    segment = inside[(inside[0] & 0x0F) * 4 :]
    return segment[8:] if inside[9] == 17 else segment[(segment[12] >> 4) * 4 :]


def recorded_story() -> Clocked:
    return Clocked(addresses={0x4010: "7E0/7E8"})


@pytest.mark.parametrize(("name", "is_datagram", "answer"), RECORDED, ids=[row[0] for row in RECORDED])
def test_recorded_packets_get_their_answer(recordings: Path, name: str, is_datagram: bool, answer: str | None) -> None:
    story, data = recorded_story(), payload(recordings, name)
    said = split(story.entity.datagram(data) or b"") if is_datagram else story.say(story.connect(), data.hex())
    expected = answer.split(" + ") if answer else []
    assert len(expected) == len(said)
    for wanted, message in zip(expected, said, strict=True):
        assert message.startswith("02FD" + wanted[:4])
        assert not wanted[4:] or packet(wanted[:4], wanted[4:]) == message


def test_every_recorded_packet_is_in_the_table(recordings: Path) -> None:
    names = {path.name[4:-10] for path in (recordings / "doip").glob("DoIp*Packet.dat")}
    assert names == {row[0] for row in RECORDED}


def test_our_answers_are_the_recorded_cars_answers(recordings: Path) -> None:
    story = recorded_story()
    line = story.connect()
    activated = story.say(line, payload(recordings, "RoutingActivationRequest").hex())
    assert [payload(recordings, "RoutingActivationResponse").hex().upper()] == activated
    taken, answer = story.say(line, payload(recordings, "DiagnosticMessage").hex())
    assert packet("8001", "4010 0E80 5003 0032 01F4") == answer
    # The recorded confirmation belongs to a request of three bytes; the addresses and the code are the same.
    recorded = payload(recordings, "DiagnosticMessageAck").hex().upper()
    assert (recorded[:8], recorded[16:26]) == (taken[:8], taken[16:26])


def test_recorded_status_and_power_mode_have_our_layout(recordings: Path) -> None:
    for ask, name in (("EntityStatusRequest", "EntityStatusResponse"), ("PowerModeRequest", "PowerModeResponse")):
        ours = recorded_story().entity.datagram(payload(recordings, ask)) or b""
        theirs = payload(recordings, name)
        assert ours[:8] == theirs[:8]
        assert len(ours) == len(theirs)
