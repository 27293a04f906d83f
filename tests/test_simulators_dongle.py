"""The bench's dongle without its port: commands, requests, waiting, finding the car.

What each command does: common practice of AT-command dongles, as python-OBD's own start-up takes it for granted.
Frames: ISO 15765-2, N_PCI of SF, FF, CF and FC. Identifiers: ISO 15765-4.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest
from bus_help import reassemble
from dongle_help import BRAKE, DISTANT, ENGINE, GEARS, SAID, STEERING, WIDE, Client, SpokenDesk

from simulators.car import Car
from simulators.desk import Desk, Reply
from simulators.dongle_frames import segments
from simulators.dongle_lines import IDENTITY
from simulators.scenarios import SCENARIOS


class Shown(NamedTuple):
    """A line of a reply as a frame, for the reassembly that the bus tests use."""

    direction: str
    arbitration_id: int
    is_extended: bool
    data: bytes


@pytest.fixture(scope="module")
def built() -> Car:
    """A car that no test changes."""
    return SCENARIOS["warning-lamps"].new_car(1)


@pytest.fixture
def desk(built: Car) -> SpokenDesk:
    return SpokenDesk(built, ENGINE, GEARS, BRAKE, DISTANT, STEERING)


@pytest.fixture
def client(desk: SpokenDesk) -> Client:
    return Client(desk).set("ATE0", "ATH1")


# --- commands to the dongle ---

COMMANDS = [
    ("ATI", [IDENTITY]),
    ("at i", [IDENTITY]),
    ("AT RV", ["12.3V"]),
    ("ATIGN", ["ON"]),
    ("ATDP", ["AUTO, automatic"]),
    ("ATDPN", ["A0"]),
    ("\x7f\x7f", ["?"]),
    ("hello", ["?"]),
    ("é\xff", ["?"]),
    ("0", ["?"]),
    ("ATPP0CSV23", ["?"]),  # nothing here writes a dongle's memory
    ("AT", ["?"]),
    ("ATSPB", ["?"]),
    ("ATSH7", ["?"]),
    ("ATE2", ["?"]),
    ("ATFCSM1", ["?"]),  # neither identifier nor bytes were given
    ("ATFCSM2", ["?"]),
    ("ATST32", ["OK"]),
    ("ATM0", ["OK"]),
    ("ATPC", ["OK"]),
    ("01" * 8, ["?"]),  # a single frame holds seven bytes
    ("A" * 65, ["?"]),
]


@pytest.mark.parametrize(("command", "expected"), COMMANDS)
def test_commands(desk: SpokenDesk, command: str, expected: list[str]) -> None:
    assert expected == Client(desk).set("ATE0").lines(command)


def test_a_new_dongle_repeats_what_it_is_told(desk: SpokenDesk) -> None:
    client = Client(desk)
    assert "ATI\rMENDPROOF BENCH DONGLE 1\r\r>" == client.raw(b"ATI\r")
    assert "ATE0\rOK\r\r>" == client.raw(b"ATE0\r")
    assert "MENDPROOF BENCH DONGLE 1\r\r>" == client.raw(b"ATI\r")


def test_lines_end_in_a_line_feed_too_where_that_is_set(client: Client) -> None:
    client.raw(b"ATL1\r")
    assert "7E8 04 41 0C 0C 80 AA AA AA\r\n\r\n>" == client.raw(b"010C\r").removeprefix("SEARCHING...\r\n")


def test_line_feeds_and_nulls_from_a_client_are_nothing(client: Client) -> None:
    assert f"{IDENTITY}\r\r>" * 2 == client.raw(b"A\0TI\r\nATI\r\n")
    assert "7E8 04 41 0C 0C 80 AA AA AA\r\r>" == client.set("ATSP6").raw(b"010C\r\n")


def test_a_long_line_is_refused_and_forgotten(client: Client) -> None:
    assert ["?"] == client.lines("0" * 100_000)
    assert [IDENTITY] == client.lines("ATI")


def test_a_bare_return_repeats_the_last_command(client: Client, desk: SpokenDesk) -> None:
    assert "\r\r>" == Client(desk).raw(b"\r")
    assert client.lines("010C")[1:] == client.lines("")
    assert ["?"] == client.lines("F" * 70)
    assert ["7E8 04 41 0C 0C 80 AA AA AA"] == client.lines("")


def test_a_reset_forgets_all_but_the_chosen_protocol(client: Client) -> None:
    client.set("ATSP7", "ATTP6", "ATSH760", "ATS0")
    assert [IDENTITY] == client.lines("ATZ")
    assert ["ATDPN", "7"] == client.lines("ATDPN")
    client.set("ATSP0", "ATE0")
    client.lines("010C")
    assert ["41 0C 0C 80"] == client.lines("010C")


def test_defaults_keep_the_protocol_that_reached_the_car(client: Client) -> None:
    client.lines("010C")
    client.set("ATH1", "ATD", "ATE0")
    assert ["41 0C 0C 80"] == client.lines("010C")


def test_asleep_it_wakes_at_the_next_line(client: Client) -> None:
    assert "OK\r" == client.raw(b"ATLP\r")
    assert f"{IDENTITY}\r\r>" == client.raw(b" \r")
    assert [IDENTITY] == client.lines("ATI")


# --- requests to the car ---


def test_everyone_is_asked_until_a_header_is_set(client: Client, desk: SpokenDesk) -> None:
    client.set("ATSP6")
    assert ["7E8 06 41 00 98 18 00 13 AA", "7E9 06 41 00 80 08 00 00 AA"] == client.lines("01 00")
    # 11-bit units with normal addressing hear 7DF; ISO 15765-4
    assert [(unit, "0100", True) for unit in (ENGINE, GEARS, BRAKE, DISTANT)] == desk.asked
    client.set("AT SH 7E1 ")
    assert ["7E9 06 41 00 80 08 00 00 AA"] == client.lines("0100")
    assert (GEARS, "0100", False) == desk.asked[-1]


def test_several_units_long_answers_are_interleaved(client: Client) -> None:
    lines = client.set("ATSP6").lines("0902")
    assert ["7E8 10", "7E9 10", "7E8 21", "7E9 21", "7E8 22", "7E9 22"] == [line[:6] for line in lines]
    frames = [bytes.fromhex(line[4:]) for line in lines]
    whole = reassemble(
        Shown(direction="tx", arbitration_id=int(line[:3], 16), is_extended=False, data=data)
        for line, data in zip(lines, frames, strict=True)
    )
    vin = bytes.fromhex("490201") + b"ZZ9MDL4HXTR018364"
    assert [(0x7E8, vin), (0x7E9, vin)] == [(message.can_id, message.data) for message in whole]


SHOWN = [
    (("ATH1", "ATS0"), "0902", ["7E81014490201" + "5A5A39", "7E8214D444C34485854", "7E82252303138333634"]),
    (("ATH0",), "0902", ["014", "0: 49 02 01 5A 5A 39", "1: 4D 44 4C 34 48 58 54", "2: 52 30 31 38 33 36 34"]),
    (("ATH0", "ATS0"), "0902", ["014", "0:4902015A5A39", "1:4D444C34485854", "2:52303138333634"]),
    (("ATH0",), "010C", ["41 0C 0C 80"]),
    (("ATH0", "ATCAF0"), "02010C", ["04 41 0C 0C 80 AA AA AA"]),
    (("ATH1", "ATCAF0"), "02010C0000000000", ["7E8 04 41 0C 0C 80 AA AA AA"]),
    (("ATCAF0",), "300000", ["NO DATA"]),  # flow control is no request
    (("ATCAF0",), "07010C", ["NO DATA"]),  # nor is a frame shorter than it says
    (("ATCAF0",), "0001", ["NO DATA"]),
    (("ATCFC0",), "0902", ["7E8 10 14 49 02 01 5A 5A 39"]),  # nobody asks for the rest
    (("ATFCSD300005", "ATFCSM2"), "0902", ["7E8 10", "7E8 21", "7E8 22"]),
    (("ATFCSD320000", "ATFCSM2"), "0902", ["7E8 10"]),  # ISO 15765-2: FlowStatus 2 ends the message
    (("ATFCSD300000", "ATFCSH7E0", "ATFCSM1"), "0902", ["7E8 10", "7E8 21", "7E8 22"]),
    (("ATFCSD300000", "ATFCSH7E1", "ATFCSM1"), "0902", ["7E8 10"]),  # another unit is told to go on
]


@pytest.mark.parametrize(("settings", "request_", "expected"), SHOWN)
def test_how_frames_are_asked_for_and_shown(
    client: Client, settings: tuple[str, ...], request_: str, expected: list[str]
) -> None:
    lines = client.set("ATSP6", "ATSH7E0", *settings).lines(request_)
    short = len(expected[0]) == len("7E8 10")
    assert expected == [line[:6] if short else line for line in lines]


def test_only_legislated_answers_are_heard_until_told_otherwise(client: Client, desk: SpokenDesk) -> None:
    client.set("ATSP6", "ATSH760")
    assert ["NO DATA"] == client.lines("1902FF")
    assert (BRAKE, "1902FF", False) == desk.asked[-1]  # the unit did get the request
    heard = client.set("ATCRA768").lines("1902FF")
    assert ["768 10 0F", "768 21 04", "768 22 0B"] == [line[:9] for line in heard]
    assert heard == client.set("ATCRA7XX").lines("1902FF")
    assert ["NO DATA"] == client.set("ATAR").lines("1902FF")
    assert heard == client.set("ATCF768", "ATCM7FF").lines("1902FF")
    assert ["NO DATA"] == client.set("ATCRA").lines("1902FF")


def test_flow_control_of_its_own_reaches_only_pairs_eight_apart(client: Client) -> None:
    client.set("ATSP6", "ATSH735", "ATCRA635")
    assert ["635 10 0F 59 02 FF 01 02 03"] == client.lines("1902FF")
    client.set("ATFCSH735", "ATFCSD300000", "ATFCSM1")
    assert 3 == len(client.lines("1902FF"))


def test_an_address_byte_before_the_pci(client: Client) -> None:
    # ISO 15765-2, extended addressing: one byte less for data
    client.set("ATSP6", "ATSH6F0", "ATCRA612", "ATFCSH6F0", "ATFCSD300000", "ATFCSM1")
    assert ["NO DATA"] == client.lines("1902FF")
    client.set("ATCEA12")
    expected = ["612 F0 10 0F 59 02 FF 01 02", "612 F0 21 03 04 05 06 07 08", "612 F0 22 09 0A 0B 0C AA AA"]
    assert expected == client.lines("1902FF")
    assert ["?"] == client.lines("01" * 7)
    assert ["00F", "0: 59 02 FF 01 02"] == client.set("ATH0").lines("1902FF")[:2]
    client.set("ATCEA")
    assert ["NO DATA"] == client.lines("1902FF")


def test_the_digit_behind_a_request_ends_the_waiting(client: Client) -> None:
    client.set("ATSP6")
    assert ["7E8 06 41 00 98 18 00 13 AA"] == client.lines("01001")
    assert 0 == client.took_us
    assert 2 == len(client.lines("01002"))
    assert 0 == client.took_us
    assert 2 == len(client.lines("01003"))
    assert 50_000 == client.took_us
    assert 2 == len(client.lines("01000"))


WAITS = [
    ("ATAT1", "010C", 50_000, 1),
    ("ATAT0", "010C", 200_000, 1),
    ("ATAT2", "010C", 25_000, 1),
    ("ATST64", "010C", 100_000, 1),
    ("ATST00", "010C", 50_000, 1),
    ("ATAT0", "03", 500_000, 2),  # 190 ms, 300 ms, and 200 ms for nothing
    ("ATAT1", "03", 240_000, 1),  # the second unit takes longer than the dongle waits
]


@pytest.mark.parametrize(("setting", "request_", "took_us", "frames"), WAITS)
def test_how_long_it_waits(client: Client, setting: str, request_: str, took_us: int, frames: int) -> None:
    lines = client.set("ATSP6", setting).lines(request_)
    assert (took_us, frames) == (client.took_us, len(lines))


def test_silence_is_no_data_after_the_whole_wait(client: Client) -> None:
    client.set("ATSP6", "ATST19")
    assert (["NO DATA"], 100_000) == (client.lines("0A"), client.took_us)


def test_response_pending_is_shown_and_waited_for(client: Client) -> None:
    client.set("ATSP6")
    assert ["7E8 03 7F 01 78 AA AA AA AA", "7E8 03 41 05 36 AA AA AA AA"] == client.lines("0105")
    assert 950_000 == client.took_us


def test_a_byte_during_a_reply_stops_it_and_is_lost(client: Client) -> None:
    client.set("ATSP6")
    assert "STOPPED\r\r>" == client.raw(b"03\rX")
    assert "STOPPED\r\r>?\r\r>" == client.raw(b"03\rATI\r")
    assert [IDENTITY] == client.lines("ATI")


def test_what_was_written_before_a_stop_stays(client: Client) -> None:
    client.set("ATSP6")
    client.dongle.feed(b"03\r", client.now_us)
    heard = client.dongle.say(client.now_us + 200_000)
    assert b"7E8 04 43 01 03 53 AA AA AA\r" == heard
    client.dongle.feed(b"\r", client.now_us + 200_000)
    assert b"STOPPED\r\r>" == client.dongle.say(client.now_us + 200_000)


def test_an_answer_of_very_many_frames_fills_the_buffer(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    answer = bytes([0x59]) + bytes(2000)
    monkeypatch.setitem(SAID, (ENGINE, "1902FF"), (Reply(data=answer),))  # type: ignore[arg-type]
    lines = client.set("ATSP6").lines("1902FF")
    assert 257 == len(lines)
    assert "BUFFER FULL" == lines[-1]


def test_segments_of_a_message_beyond_twelve_bits_of_length() -> None:
    # ISO 15765-2: 10 00 and four bytes of length
    first, second, *_ = segments(bytes(5000))
    assert (bytes.fromhex("1000000013880000"), bytes.fromhex("2100000000000000")) == (first, second)
    assert 1 + (5000 - 2 + 6) // 7 == len(list(segments(bytes(5000))))


# --- finding the car ---


def test_a_search_settles_on_11_bit_where_that_answers(client: Client) -> None:
    assert ["SEARCHING...", "7E8 04 41 0C 0C 80 AA AA AA"] == client.lines("010C")
    assert ["7E8 04 41 0C 0C 80 AA AA AA"] == client.lines("010C")
    assert (["A6"], ["AUTO, ISO 15765-4, 11 bit, 500 kbit/s"]) == (client.lines("ATDPN"), client.lines("ATDP"))
    client.set("ATPC")
    assert "SEARCHING..." == client.lines("010C")[0]


def test_a_search_goes_on_to_29_bit(built: Car) -> None:
    client = Client(SpokenDesk(built, BRAKE, WIDE)).set("ATE0", "ATH1")
    assert ["SEARCHING...", "18 DA F1 10 06 41 00 98 18 00 13 AA"] == client.lines("0100")
    assert ["A7"] == client.lines("ATDPN")
    client.set("ATS0")
    assert ["18DAF11006410098180013AA"] == client.lines("0100")


@pytest.mark.parametrize(
    "header", [("ATSH DA 10 F1",), ("ATSH18DA10F1",), ("ATCP1F", "ATSH18DA10F1"), ("ATSHDA10F1", "ATCP18")]
)
def test_29_bit_headers(built: Car, header: tuple[str, ...]) -> None:
    client = Client(SpokenDesk(built, WIDE)).set("ATE0", "ATH1", "ATSP7", *header)
    assert "18 DA F1 10 10 0F 59 02 FF 01 02 03" == client.lines("1902FF")[0]
    assert 3 == len(client.lines("1902FF"))


def test_another_priority_is_another_identifier(built: Car) -> None:
    client = Client(SpokenDesk(built, WIDE)).set("ATE0", "ATSP7", "ATSHDA10F1", "ATCP14")
    assert ["NO DATA"] == client.lines("1902FF")


def test_a_header_too_long_for_the_protocol_is_cut(client: Client) -> None:
    # 5 and 7E0: of the six digits the lowest eleven bits are left
    assert ["7E8 04 41 0C 0C 80 AA AA AA"] == client.set("ATSP6", "ATSH0057E0").lines("010C")


@pytest.mark.parametrize("protocol", ["1", "3", "5", "8", "9", "A"])
def test_a_protocol_that_the_car_does_not_speak(client: Client, protocol: str) -> None:
    client.set(f"ATSP{protocol}")
    assert ["UNABLE TO CONNECT"] == client.lines("0100")


def test_a_first_choice_with_a_search_behind_it(client: Client) -> None:
    client.set("ATTPA7")
    assert ["SEARCHING...", "7E8 04 41 0C 0C 80 AA AA AA"] == client.lines("010C")


def test_a_car_that_answers_nothing_to_all(built: Car) -> None:
    client = Client(SpokenDesk(built, BRAKE)).set("ATE0")
    assert ["SEARCHING...", "UNABLE TO CONNECT"] == client.lines("0100")
    assert ["A0"] == client.lines("ATDPN")
    client.set("ATSP6")
    assert ["NO DATA"] == client.lines("0100")  # its bus is awake, so a protocol that is set is one that works


def test_with_the_key_off_nothing_can_be_reached() -> None:
    car = SCENARIOS["warning-lamps"].new_car(1)
    client = Client(Desk(car)).set("ATE0")
    assert "SEARCHING..." == client.lines("0100")[0]
    car.act("key_off")
    assert ["SEARCHING...", "UNABLE TO CONNECT"] == client.lines("0100")
    assert ["OFF"] == client.lines("ATIGN")
    client.set("ATSP6")
    assert ["UNABLE TO CONNECT"] == client.lines("0100")
    car.act("key_on")
    assert "41 00" == client.lines("0100")[0][:5]
