"""The bench's dongle without its port: the faults of cheap dongles, and clients that type anything."""

from __future__ import annotations

import pytest
from dongle_help import BRAKE, DISTANT, ENGINE, GEARS, STEERING, WIDE, Client, SpokenDesk
from hypothesis import given
from hypothesis import strategies as st

from simulators.car import Car
from simulators.dongle_faults import COMMON_ARGUMENTS, KINDS, DongleFaults
from simulators.dongle_lines import IDENTITY
from simulators.errors import BenchError
from simulators.scenarios import SCENARIOS


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


# --- faults of cheap dongles ---

OBD_CODES, STALE, RPM = "7E8 04 43 01 03 53 AA AA AA", "7E9 02 43 00 AA AA AA AA AA", "7E8 04 41 0C 0C 80 AA AA AA"
FAULTS = [
    ("cut_line", {"characters": 6}, "010C", ["7E8 04"]),
    ("cut_line", {"nth": 2}, "010C", [RPM]),  # there is no second frame
    ("duplicated_line", {}, "010C", [RPM, RPM]),
    ("lost_frame", {}, "010C", ["NO DATA"]),
    ("lost_frame", {"nth": 2}, "0100", ["7E8 06 41 00 98 18 00 13 AA"]),
    ("no_data", {}, "010C", ["NO DATA"]),
    ("no_data", {"request": "01 0c"}, "010C", ["NO DATA"]),
    ("no_data", {"request": "0105"}, "010C", [RPM]),
    ("no_data", {}, "ATI", [IDENTITY]),
    ("small_buffer", {"lines": 1}, "0100", ["7E8 06 41 00 98 18 00 13 AA", "BUFFER FULL"]),
    ("small_buffer", {"lines": 2}, "0100", ["7E8 06 41 00 98 18 00 13 AA", "7E9 06 41 00 80 08 00 00 AA"]),
    ("stale_frame", {}, "010C", [OBD_CODES, RPM]),
    ("stale_frame", {}, "ATI", [IDENTITY]),
    ("impatient", {}, "0105", ["7E8 03 7F 01 78 AA AA AA AA"]),
    ("closing_wait", {"ms": 1}, "0902", ["7E8 10 14 49 02 01 5A 5A 39", "7E9 10 14 49 02 01 5A 5A 39"]),
    ("refused_header", {}, "ATSH7E1", ["?"]),
    ("refused_header", {"request": "ATSH76"}, "ATSH7E1", ["OK"]),
]


@pytest.mark.parametrize(("kind", "arguments", "command", "expected"), FAULTS)
def test_what_a_fault_does(
    client: Client, kind: str, arguments: dict[str, int | str], command: str, expected: list[str]
) -> None:
    client.set("ATSP6").lines("03")
    client.faults.disturb(kind, **arguments)
    short = kind == "closing_wait"
    assert expected[: 2 if short else None] == client.lines(command)[: 2 if short else None]
    client.faults.settle(kind)
    assert client.set("ATSP6", "ATSH7DF").lines("010C") == [RPM]


def test_a_refused_header_leaves_the_old_one(client: Client, desk: SpokenDesk) -> None:
    client.set("ATSP6", "ATSH7E0").faults.disturb("refused_header")
    assert ["?"] == client.lines("AT SH 7E1")
    assert ["7E8 06 41 00 98 18 00 13 AA"] == client.lines("0100")


def test_no_data_does_not_keep_the_request_from_the_car(client: Client, desk: SpokenDesk) -> None:
    client.set("ATSP6").faults.disturb("no_data")
    client.lines("010C")
    assert (ENGINE, "010C", True) in desk.asked


TIMES = [("answer_delay", 550_000), ("late_prompt", 1_050_000), ("closing_wait", 200_000)]


@pytest.mark.parametrize(("kind", "took_us"), TIMES)
def test_faults_of_time(client: Client, kind: str, took_us: int) -> None:
    client.set("ATSP6").faults.disturb(kind)
    assert ([RPM], took_us) == (client.lines("010C"), client.took_us)


def test_a_silent_dongle_does_not_even_echo(desk: SpokenDesk) -> None:
    client = Client(desk)
    client.faults.disturb("silent")
    assert "" == client.raw(b"ATI\r") + client.raw(b"0100\r")
    client.faults.settle()
    assert f"ATI\r{IDENTITY}\r\r>" == client.raw(b"ATI\r")


def test_dropped_characters_are_the_same_for_the_same_seed(client: Client) -> None:
    client.set("ATSP6")

    def with_seed(seed: int) -> list[str]:
        client.faults.disturb("dropped_characters", seed=seed, one_in=4)
        return client.lines("010C") + client.lines("010C")

    assert with_seed(1) == with_seed(1)
    assert with_seed(1) != with_seed(2)
    assert with_seed(1)[0] != with_seed(1)[1]
    (line, _) = with_seed(1)
    remaining = iter(RPM)
    assert all(character in remaining for character in line)  # in order, nothing added
    assert len(line) < len(RPM)


def test_a_fault_for_a_number_of_times(client: Client) -> None:
    client.set("ATSP6").faults.disturb("lost_frame", times=2)
    client.lines("ATI")  # nothing there to lose
    assert [["NO DATA"], ["NO DATA"], [RPM]] == [client.lines("010C") for _ in range(3)]
    client.faults.disturb("refused_header", times=1)
    assert [["?"], ["OK"]] == [client.lines("ATSH7DF"), client.lines("ATSH7DF")]


def test_faults_together_act_in_one_order(client: Client) -> None:
    client.set("ATSP6").lines("03")
    for kind in ("stale_frame", "late_prompt", "duplicated_line"):
        client.faults.disturb(kind)
    assert ([OBD_CODES, RPM, RPM], 1_050_000) == (client.lines("010C"), client.took_us)


WRONG = [
    ("moody", {}, "unknown fault of a dongle 'moody'; known: answer_delay, "),
    ("late_prompt", {"seconds": 1}, "'late_prompt' takes ms, request, times, not seconds"),
    ("late_prompt", {"ms": "1"}, "ms of 'late_prompt' is a whole number from 0 up, not '1'"),
    ("late_prompt", {"ms": -1}, "ms of 'late_prompt' is a whole number from 0 up, not -1"),
    ("late_prompt", {"ms": True}, "ms of 'late_prompt' is a whole number from 0 up, not True"),
    ("lost_frame", {"nth": 0}, "nth of 'lost_frame' is a whole number from 1 up, not 0"),
    ("no_data", {"request": 3}, "request of 'no_data' is text, not 3"),
]


@pytest.mark.parametrize(("kind", "arguments", "said"), WRONG)
def test_a_fault_that_cannot_be(kind: str, arguments: dict[str, int | str], said: str) -> None:
    with pytest.raises(BenchError) as error:
        DongleFaults().disturb(kind, **arguments)
    assert str(error.value).startswith(said)
    assert "\n" not in str(error.value)


def test_no_unknown_fault_can_be_settled() -> None:
    with pytest.raises(BenchError, match="unknown fault of a dongle 'moody'"):
        DongleFaults().settle("moody")


@pytest.mark.parametrize("kind", KINDS)
def test_each_fault_says_what_it_does_and_works_without_arguments(client: Client, kind: str) -> None:
    assert KINDS[kind].says
    assert "\n" not in KINDS[kind].says
    assert not set(KINDS[kind].arguments) & set(COMMON_ARGUMENTS)
    client.faults.disturb(kind)
    client.raw(b"0100\r")
    client.faults.settle()
    client.set("ATSP6")
    assert [RPM] == client.lines("010C")


# --- bad input ---


@given(st.lists(st.binary(max_size=40) | st.sampled_from([b"\r", b"0100\r", b"ATSH7E0\r", b"ATLP\r", b"ATFCSD30\r"])))
def test_whatever_a_client_types_the_next_one_is_served(built: Car, chunks: list[bytes]) -> None:
    client = Client(SpokenDesk(built, ENGINE, STEERING, WIDE))
    for chunk in chunks:
        client.raw(chunk)
    client.raw(b"\r")
    client.raw(b"ATZ\r")
    assert f"ATI\r{IDENTITY}\r\r>" == client.raw(b"ATI\r")


@given(st.binary(max_size=60), st.integers(min_value=1, max_value=7))
def test_how_bytes_are_cut_into_pieces_changes_nothing(built: Car, typed: bytes, size: int) -> None:
    whole, pieces = (Client(SpokenDesk(built, ENGINE, STEERING, WIDE)) for _ in range(2))
    for client in (whole, pieces):
        client.set("ATE0")
    whole.dongle.feed(typed, 0)
    for at in range(0, len(typed), size):
        pieces.dongle.feed(typed[at : at + size], 0)
    assert whole.raw(b"") == pieces.raw(b"")
