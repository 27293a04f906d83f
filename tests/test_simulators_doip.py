"""The DoIP entity without sockets: what it answers, whom it lets speak, and for how long it waits.

Layouts and codes: ISO 13400-2:2012; what ends a connection: the same, from memory.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from doip_help import EVERYONE, Clocked, ScriptedDesk, activation_request, new_desk, packet
from hypothesis import given, settings
from hypothesis import strategies as st
from warning_lamps_help import VIN

from simulators.desk import Reply
from simulators.doip_entity import DoipLimits, logical_addresses
from simulators.errors import BenchError

DESK = new_desk()  # for properties: whatever they do to it, it must go on
WHO = f"{VIN.encode().hex().upper()} 1000 0242454E4348 0242454E4348 00 00"
NO_SUCH_VIN = b"ZZ9ZZ9ZZ6NZ000023".hex().upper()

# (what is asked, the datagram, the answer): ISO 13400-2, vehicle identification, entity status, power mode, header.
DATAGRAMS = [
    ("identify", packet("0001"), packet("0004", WHO)),
    ("identify, version not known", packet("0001", version="FF00"), packet("0004", WHO)),
    ("identify, edition of 2019", packet("0001", version="03FC"), packet("0004", WHO, version="03FC")),
    ("this EID", packet("0002", "0242454E4348"), packet("0004", WHO)),
    ("another EID", packet("0002", "0242454E4349"), None),
    ("this VIN", packet("0003", VIN.encode().hex()), packet("0004", WHO)),
    ("another VIN", packet("0003", NO_SUCH_VIN), None),
    ("entity status", packet("4001"), packet("4002", "00 80 00 00010000")),
    ("power mode", packet("4003"), packet("4004", "01")),
    ("a refusal is never answered", packet("0000", "01"), None),
    ("wrong inverse version", "02FF000100000000", packet("0000", "00")),
    ("a draft's version", packet("0001", version="01FE"), packet("0000", "00")),
    ("version not known, for another request", packet("4001", version="FF00"), packet("0000", "00")),
    ("half a header", "02FD0001", packet("0000", "00")),
    ("nothing", "", packet("0000", "00")),
    ("unknown type", packet("7777"), packet("0000", "01")),
    ("a type for connections", packet("8001", "0E00 1000 3E00"), packet("0000", "01")),
    ("too large", "02FD000300010001", packet("0000", "02")),
    ("wrong length for its type", packet("0002", "0242454E43"), packet("0000", "04")),
    ("shorter than its header says", packet("0003", VIN.encode().hex())[:-2], packet("0000", "04")),
    ("longer than its header says", packet("4001") + "00", packet("0000", "04")),
]


@pytest.mark.parametrize(("asked", "answer"), [row[1:] for row in DATAGRAMS], ids=[row[0] for row in DATAGRAMS])
def test_a_datagram_gets_its_answer(asked: str, answer: str | None) -> None:
    said = Clocked().entity.datagram(bytes.fromhex(asked))
    assert (answer and answer.replace(" ", "")) == (said and said.hex().upper())


def test_the_key_decides_on_the_power_mode_and_silences_the_units() -> None:
    story = Clocked()
    line = story.connect(0x0E00)
    story.desk.act("key_off")
    assert packet("4004", "00") == (story.entity.datagram(bytes.fromhex(packet("4003"))) or b"").hex().upper()
    assert [packet("8002", "1000 0E00 00 3E00")] == story.say(line, packet("8001", "0E00 1000 3E00"))


def test_the_entity_status_counts_connections() -> None:
    story = Clocked(limits=DoipLimits(testers=3))
    first = story.connect()
    story.connect()
    assert (
        packet("4002", "00 03 02 00010000")
        == (story.entity.datagram(bytes.fromhex(packet("4001"))) or b"").hex().upper()
    )
    story.entity.gone(first, story.now_s)
    assert (
        packet("4002", "00 03 01 00010000")
        == (story.entity.datagram(bytes.fromhex(packet("4001"))) or b"").hex().upper()
    )


# (what is said on an activated line, the bytes, the answers, whether the line ends).
LINES = [
    ("tester present", packet("8001", "0E00 1000 3E00"), ["8002 1000 0E00 00 3E00", "8001 1000 0E00 7E00"], False),
    ("suppressed answer", packet("8001", "0E00 1000 3E80"), ["8002 1000 0E00 00 3E80"], False),
    ("activated again", activation_request(), ["0006 0E00 1000 10 00000000"], False),
    ("activated for another source", activation_request(0x0E01), ["0006 0E01 1000 02 00000000"], True),
    ("unknown source", activation_request(0x0D00), ["0006 0D00 1000 00 00000000"], True),
    ("unknown activation type", activation_request(kind=2), ["0006 0E00 1000 06 00000000"], True),
    ("central security", activation_request(kind=0xE0), ["0006 0E00 1000 06 00000000"], True),
    ("alive check", packet("0007"), ["0008 1000"], False),
    ("alive, unasked", packet("0008", "0E00"), [], False),
    ("a refusal is never answered", packet("0000", "01"), [], False),
    ("unknown type, skipped", packet("7777", "0102") + packet("0007"), ["0000 01", "0008 1000"], False),
    ("a type for datagrams", packet("0001"), ["0000 01"], False),
    ("too large, skipped", "02FD800100010001" + 65537 * "00" + packet("0007"), ["0000 02", "0008 1000"], False),
    ("wrong length", packet("8001", "0E00 1000"), ["0000 04"], True),
    ("wrong inverse version", "02FF", ["0000 00"], True),
    ("no version", "05", ["0000 00"], True),
    ("version not known", packet("0007", version="FF00"), ["0000 00"], True),
    ("nothing counts behind the end", "05" + packet("0007"), ["0000 00"], True),
    ("another source", packet("8001", "0E01 1000 3E00"), ["8003 1000 0E01 02 3E00"], True),
    ("unknown target", packet("8001", "0E00 4010 3E00"), ["8003 4010 0E00 03 3E00"], False),
    ("unknown group", packet("8001", "0E00 E401 3E00"), ["8003 E401 0E00 03 3E00"], False),
    (
        "more than a unit can take",
        packet("8001", "0E00 1000 22" + 4095 * "F1"),
        ["8003 1000 0E00 04 22F1F1F1F1F1F1F1F1F1F1F1F1F1F1F1"],
        False,
    ),
]


@pytest.mark.parametrize(("said", "answers", "ends"), [row[1:] for row in LINES], ids=[row[0] for row in LINES])
def test_a_line_gets_its_answers(said: str, answers: list[str], ends: bool) -> None:
    story = Clocked()
    line = story.connect(0x0E00)
    expected = [packet(answer[:4], answer[4:]) for answer in answers]
    assert (expected, ends) == (story.say(line, said), line.ending)


@pytest.mark.parametrize(("said", "answers", "ends"), [row[1:] for row in LINES], ids=[row[0] for row in LINES])
def test_it_does_not_matter_how_the_bytes_are_cut(said: str, answers: list[str], ends: bool) -> None:
    story = Clocked()
    line = story.connect(0x0E00)
    pieces = [said[at : at + 2] for at in range(0, min(len(said), 120), 2)] + [said[120:]]
    heard = []
    for piece in pieces:
        if not line.ending:
            heard += story.say(line, piece)
    assert ([packet(answer[:4], answer[4:]) for answer in answers], ends) == (heard, line.ending)


def test_the_answer_is_in_the_version_of_the_request() -> None:
    story = Clocked()
    line = story.connect(0x0E00)
    heard = story.say(line, packet("8001", "0E00 1001 3E00", version="03FC"))
    expected = [packet("8002", "1001 0E00 00 3E00", version="03FC"), packet("8001", "1001 0E00 7E00", version="03FC")]
    assert expected == heard


def test_a_request_before_the_activation_is_refused_and_ends_the_line() -> None:
    story = Clocked()
    line = story.connect()
    assert [packet("8003", "1000 0E00 02 3E00")] == story.say(line, packet("8001", "0E00 1000 3E00"))
    assert line.ending


def test_an_activation_by_regulation_with_the_makers_four_bytes_is_taken() -> None:
    story = Clocked()
    line = story.connect()
    request = packet("0005", "0EFF 01 00000000 DEADBEEF")
    assert [packet("0006", "0EFF 1000 10 00000000")] == story.say(line, request)


def test_everyone_answers_from_its_own_address() -> None:
    story = Clocked()
    line = story.connect(0x0E00)
    heard = story.say(line, packet("8001", f"0E00 {EVERYONE:04X} 22F190"))
    assert packet("8002", "E400 0E00 00 22F190") == heard[0]
    with_vin = [0x1000 + n for n, unit in enumerate(story.desk.units.values()) if 0xF190 in dict(unit.spec.identity)]
    assert 2 < len(with_vin) < len(story.desk.units)
    assert [packet("8001", f"{unit:04X} 0E00 62F190 {VIN.encode().hex().upper()}") for unit in with_vin] == heard[1:]


def test_a_unit_is_told_whether_everyone_was_asked() -> None:
    desk = ScriptedDesk()
    story = Clocked(desk, {0x1000: "7E0/7E8", 0x2000: "7E1/7E9"})
    line = story.connect(0x0E00)
    story.say(line, packet("8001", "0E00 2000 3E00") + packet("8001", "0E00 E400 3E80"))
    expected = [("7E1/7E9", b"\x3e\x00", False), ("7E0/7E8", b"\x3e\x80", True), ("7E1/7E9", b"\x3e\x80", True)]
    assert expected == desk.asked


def test_pending_and_answer_come_when_the_unit_says_them() -> None:
    script = (Reply(data=b"\x7f\x19\x78", after_us=40_000), Reply(data=b"\x59\x02\xff", after_us=3_000_000))
    story = Clocked(ScriptedDesk(*script))
    line = story.connect(0x0E00)
    assert [packet("8002", "1000 0E00 00 1902FF")] == story.say(line, packet("8001", "0E00 1000 1902FF"))
    story.wait(0.039)
    assert [] == story.heard(line)
    story.wait(0.002)
    assert [packet("8001", "1000 0E00 7F1978")] == story.heard(line)
    story.wait(2.958)
    assert [] == story.heard(line)
    story.wait(0.002)
    assert [packet("8001", "1000 0E00 5902FF")] == story.heard(line)


def test_a_slow_unit_keeps_nobody_else_waiting_and_answers_nobody_who_left() -> None:
    story = Clocked(ScriptedDesk(Reply(data=b"\x7e\x00", after_us=1_000_000)))
    slow, left = story.connect(0x0E00), story.connect(0x0E01)
    story.say(slow, packet("8001", "0E00 1000 3E00"))
    story.say(left, packet("8001", "0E01 1000 3E00"))
    assert [packet("0008", "1000")] == story.say(slow, packet("0007"))
    story.say(left, "05")
    story.wait(2)
    assert [packet("8001", "1000 0E00 7E00")] == story.heard(slow)
    assert [] == story.heard(left)


def test_a_source_in_use_is_refused_to_another_when_its_owner_is_alive() -> None:
    story = Clocked()
    owner, other = story.connect(0x0E00), story.connect()
    assert [] == story.say(other, activation_request())
    assert [] == story.say(other, activation_request())  # its first request is still open
    assert [packet("0007")] == story.heard(owner)
    assert [] == story.say(owner, packet("0008", "0E00"))
    assert [packet("0006", "0E00 1000 03 00000000")] == story.heard(other)
    assert (False, True) == (owner.ending, other.ending)


def test_a_source_in_use_passes_on_when_its_owner_is_mute() -> None:
    story = Clocked()
    owner, other = story.connect(0x0E00), story.connect()
    story.say(other, activation_request())
    assert [packet("0007")] == story.say(owner, packet("0008", "0E01"))  # answers for somebody else: no sign of life
    story.wait(0.499)
    assert [] == story.heard(other)
    story.wait(0.002)
    assert [packet("0006", "0E00 1000 10 00000000")] == story.heard(other)
    assert (True, False) == (owner.ending, other.ending)


def test_a_source_in_use_passes_on_at_once_when_its_owner_hangs_up() -> None:
    story = Clocked()
    owner, other = story.connect(0x0E00), story.connect()
    story.say(other, activation_request())
    story.entity.gone(owner, story.now_s)
    assert [packet("0006", "0E00 1000 10 00000000")] == story.heard(other)


def test_two_who_wait_for_one_source_get_it_one_after_the_other() -> None:
    story = Clocked()
    owner, second, third = story.connect(0x0E00), story.connect(), story.connect()
    story.say(second, activation_request())
    story.say(third, activation_request())
    story.wait(0.6)
    assert [packet("0006", "0E00 1000 10 00000000"), packet("0007")] == story.heard(second)
    assert [] == story.heard(third)
    story.say(second, packet("0008", "0E00"))
    assert [packet("0006", "0E00 1000 03 00000000")] == story.heard(third)
    assert owner.ending


def test_nobody_waits_for_a_place_who_hung_up() -> None:
    story = Clocked()
    owner, other = story.connect(0x0E00), story.connect()
    story.say(other, activation_request())
    story.entity.gone(other, story.now_s)
    story.wait(1)
    assert ([packet("0007")], False) == (story.heard(owner), owner.ending)


def test_the_last_place_goes_to_a_newcomer_only_if_somebody_is_mute() -> None:
    story = Clocked(limits=DoipLimits(testers=2))
    first, second = story.connect(0x0E00), story.connect(0x0E01)
    refused = story.connect()
    story.say(refused, activation_request(0x0E02))
    assert [[packet("0007")]] * 2 == [story.heard(first), story.heard(second)]
    story.say(first, packet("0008", "0E00"))
    story.say(second, packet("0008", "0E01"))
    assert ([packet("0006", "0E02 1000 01 00000000")], True) == (story.heard(refused), refused.ending)
    taken = story.connect()
    story.say(taken, activation_request(0x0E02))
    story.say(second, packet("0008", "0E01"))
    story.wait(0.6)
    assert [packet("0006", "0E02 1000 10 00000000")] == story.heard(taken)
    assert (True, False) == (first.ending, second.ending)


def test_who_never_activates_is_let_go_after_two_seconds_whatever_it_says() -> None:
    story = Clocked()
    line = story.connect()
    story.wait(1.9)
    story.say(line, packet("0007"))
    assert not line.ending
    story.wait(0.2)
    assert line.ending


def test_who_is_quiet_is_let_go_after_five_minutes() -> None:
    story = Clocked()
    line = story.connect(0x0E00)
    story.wait(299)
    story.say(line, packet("0007"))
    story.wait(299)
    assert not line.ending
    story.wait(2)
    assert line.ending


def test_units_have_their_own_number_or_the_next_free_one() -> None:
    units = {text: unit for text, unit in new_desk().units.items() if text in ("7E0/7E8", "7E1/7E9", "760/768")}
    units["7E1/7E9"].spec = replace(units["7E1/7E9"].spec, doip=0x1000)
    assert {0x1001: "7E0/7E8", 0x1000: "7E1/7E9", 0x1002: "760/768"} == logical_addresses(units)


@pytest.mark.parametrize(
    ("addresses", "named"),
    [
        ({}, "no unit"),
        ({0x1000: "7E0/7EF"}, "7E0/7EF"),
        ({0xE400: "7E0/7E8"}, "E400"),
        ({0x0E00: "7E0/7E8"}, "0E00"),
    ],
)
def test_addresses_that_do_not_fit_are_named(addresses: dict[int, str], named: str) -> None:
    with pytest.raises(BenchError, match=named):
        Clocked(addresses=addresses)


def test_a_car_without_a_vin_says_zeros() -> None:
    story = Clocked(addresses={0x1000: "7E2/7EA"})  # speaks OBD and has no information type 02
    said = story.entity.datagram(bytes.fromhex(packet("0001"))) or b""
    assert bytes(17) == said[8:25]


def test_a_vin_known_to_obd_alone_is_found() -> None:
    story = Clocked(addresses={0x1000: "7E2/7EA", 0x1001: "7E0/7E8"})
    engine = story.desk.units["7E0/7E8"]
    engine.spec = replace(engine.spec, identity=())
    said = story.entity.datagram(bytes.fromhex(packet("0001"))) or b""
    assert VIN.encode() == said[8:25]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=40), max_size=6), st.booleans())
def test_no_bytes_stop_the_entity(pieces: list[bytes], activated: bool) -> None:
    story = Clocked(DESK)
    line = story.connect(0x0E00 if activated else None)
    for piece in pieces:
        story.entity.datagram(piece)
        if not line.ending:
            story.say(line, piece.hex())
    assert [packet("8002", "1000 0E01 00 3E00"), packet("8001", "1000 0E01 7E00")] == story.say(
        story.connect(0x0E01), packet("8001", "0E01 1000 3E00")
    )


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([0x1000, 0x1003, EVERYONE]), st.binary(min_size=1, max_size=12))
def test_any_request_is_confirmed_and_answered_to_its_sender(target: int, request: bytes) -> None:
    story = Clocked(DESK)
    first, *others = story.say(story.connect(0x0E00), packet("8001", f"0E00 {target:04X} {request.hex()}"))
    assert packet("8002", f"{target:04X} 0E00 00 {request.hex()}").upper() == first
    assert {("8001", "0E00")} >= {(said[4:8], said[20:24]) for said in others}
