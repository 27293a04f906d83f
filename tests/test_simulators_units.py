"""The bench's units, asked directly: what each service answers and how it refuses."""

from __future__ import annotations

import pytest

from simulators.answering import answer
from simulators.car import Car
from simulators.scenarios import SCENARIOS
from simulators.wire import code_bytes

ENGINE, TRANSMISSION, EXHAUST = "7E0/7E8", "7E1/7E9", "7E2/7EA"
BRAKE, CLIMATE, PARKING, BODY = "760/768", "18DA60F1/18DAF160", "750/758", "740/748"


@pytest.fixture
def car() -> Car:
    return SCENARIOS["warning-lamps"].new_car(1)


def ask(car: Car, unit: str, request: str, *, functional: bool = False, at_ms: int = 0) -> str:
    replies = answer(car.units[unit], bytes.fromhex(request), car.world, functional=functional, at_ms=at_ms)
    return " ".join(reply.hex().upper() for reply in replies)


# Negative response codes and their order: ISO 14229-1, clause on negative responses (11, 13, 12, 31, 22).
REFUSALS = [
    (BRAKE, "2711", "7F2711"),
    (BRAKE, "01 0C", "7F0111"),
    (EXHAUST, "1902FF", "7F1911"),
    (EXHAUST, "3E00", "7F3E11"),
    (BRAKE, "10", "7F1013"),
    (BRAKE, "1002", "7F1012"),
    (BRAKE, "100300", "7F1013"),
    (BRAKE, "3E", "7F3E13"),
    (BRAKE, "3E01", "7F3E12"),
    (BRAKE, "3E0000", "7F3E13"),
    (BRAKE, "19", "7F1913"),
    (BRAKE, "1942", "7F1912"),
    (BRAKE, "1902", "7F1913"),
    (BRAKE, "1915", "7F1912"),
    (CLIMATE, "190A", "7F1912"),
    (BRAKE, "1904999999FF", "7F1931"),
    (BRAKE, "190440351377", "7F1931"),
    (BODY, "1906C41500FF", "7F1931"),
    (BRAKE, "190640351377", "7F1931"),
    (BRAKE, "14FFFF", "7F1413"),
    (BRAKE, "14FFFF33", "7F1431"),
    (BRAKE, "14999999", "7F1431"),
    (BRAKE, "22", "7F2213"),
    (BRAKE, "22F1", "7F2213"),
    (BRAKE, "22ABCD", "7F2231"),
    (ENGINE, "01", "7F0113"),
    (ENGINE, "0166", "7F0112"),
    (ENGINE, "0300", "7F0313"),
    (ENGINE, "0400", "7F0413"),
    (ENGINE, "09", "7F0913"),
    (ENGINE, "0908", "7F0912"),
    (ENGINE, "020200", "7F0211"),
    (TRANSMISSION, "0A", "7F0A11"),
]


@pytest.mark.parametrize(("unit", "request_", "reply"), REFUSALS)
def test_refusals(car: Car, unit: str, request_: str, reply: str) -> None:
    assert reply == ask(car, unit, request_)


@pytest.mark.parametrize(("unit", "request_", "reply"), REFUSALS)
def test_a_functional_request_never_brings_11_12_or_31(car: Car, unit: str, request_: str, reply: str) -> None:
    heard = ask(car, unit, request_, functional=True)
    obd_length = reply.endswith("13") and int(reply[2:4], 16) < 0x10  # SAE J1979 units just ignore these
    quiet = reply[-2:] in ("11", "12", "31") or obd_length
    assert ("" if quiet else reply) == heard  # ISO 14229-1: suppressed for functional addressing


ANSWERS = [
    (BRAKE, "1001", "5001003201F4"),
    (BRAKE, "1003", "5003003201F4"),
    (BRAKE, "1083", ""),  # bit 7 of a sub-function keeps the positive answer back
    (BRAKE, "3E00", "7E00"),
    (BRAKE, "3E80", ""),
    (BRAKE, "22F186", "62F18601"),
    (BRAKE, "22ABCDF186", "62F18601"),  # ISO 14229-1, 22: unknown ones of several are left out
    (BRAKE, "22F44211 05", "62F442300C11050148D2"),
    (BRAKE, "1901FF", "5901FF010002"),
    (BRAKE, "1902FF", "5902FF403513AF5A104940"),
    (BRAKE, "190201", "5902FF403513AF"),
    (BRAKE, "190210", "5902FF"),
    (BRAKE, "1903", "59034035130140351302"),
    (BRAKE, "190440351302", "5904403513AF0205F40D00F40C0000F44636F442300C11050148D2"),
    (BRAKE, "190440401301", "590440401300"),
    (BRAKE, "1906403513FF", "5906403513AF0103"),
    (BRAKE, "190640401301", "590640401300"),
    (BRAKE, "198A", ""),
    (CLIMATE, "1902FF", "5902AF9D051528"),
    (PARKING, "1902FF", "5902FF9C221228"),
    (PARKING, "190A", "590AFF9C2112009C2212289C2312009C241200"),
    (ENGINE, "1915", "5915FF035313EC"),
    (ENGINE, "03", "43010353"),
    (ENGINE, "07", "47010353"),
    (ENGINE, "0A", "4A010353"),
    (ENGINE, "0101", "41018107E500"),
    (ENGINE, "010C0D0466", "410C00000D000400"),  # SAE J1979: unsupported ones of several are left out
    (ENGINE, "0100", "410098180013"),
    (ENGINE, "0120", "412080018001"),
    (ENGINE, "0140", "4140C40C0001"),
    (ENGINE, "0160", "416000000001"),
    (ENGINE, "0180", "418000000001"),
    (ENGINE, "01A0", "41A004000000"),
    (TRANSMISSION, "0140", "4140C00C0000"),
    (TRANSMISSION, "0101", "410101040000"),
    (TRANSMISSION, "03", "4301C415"),
    (ENGINE, "0900", "490054400000"),
    (ENGINE, "0902", "490201" + b"ZZ9MDL4HXTR018364".hex().upper()),
    (EXHAUST, "0900", "490014400000"),
    (EXHAUST, "03", "4300"),
    (EXHAUST, "0A", "4A00"),
]


@pytest.mark.parametrize(("unit", "request_", "reply"), ANSWERS)
def test_answers(car: Car, unit: str, request_: str, reply: str) -> None:
    """Layouts: ISO 14229-1 message tables and SAE J1979 on CAN; the values are this scenario's."""
    assert reply == ask(car, unit, request_)


@pytest.mark.parametrize("request_", ["14FFFFFF", "14FFFF33", "14035313", "04"])
def test_no_clear_while_the_engine_runs_or_the_car_moves(car: Car, request_: str) -> None:
    car.act("start_engine")
    refused = f"7F{request_[:2]}22"  # ISO 14229-1 / SAE J1979: conditions not correct
    assert refused == ask(car, ENGINE, request_)
    car.act("drive", kmh=20, seconds=10)
    assert refused == ask(car, ENGINE, request_, functional=True)


@pytest.mark.parametrize(("request_", "reply"), [("04", "44"), ("14FFFFFF", "54"), ("14FFFF33", "54")])
def test_a_whole_clear_also_clears_the_obd_side(car: Car, request_: str, reply: str) -> None:
    assert reply == ask(car, ENGINE, request_)
    # SAE J1979, service 04: lamp, codes, readiness, distances and warm-ups; never the permanent copy.
    assert ask(car, ENGINE, "0101") == "41010037E5E5"
    assert " ".join(ask(car, ENGINE, service) for service in ("03", "07", "0A")) == "4300 4700 4A010353"
    assert "41300021000031 00004D00004E0000".replace(" ", "") == ask(car, ENGINE, "013021314D4E")


def test_clearing_one_code_leaves_the_others_and_the_counters(car: Car) -> None:
    before = ask(car, TRANSMISSION, "013031")
    assert ask(car, TRANSMISSION, "14C41500") == "54"
    assert ask(car, TRANSMISSION, "190A") == "590AFF0715004007410040C4150050"
    assert before == ask(car, TRANSMISSION, "013031")


def test_the_parking_unit_answers_the_first_clear_and_carries_out_the_second(car: Car) -> None:
    assert (ask(car, PARKING, "14FFFFFF"), ask(car, PARKING, "1902FF")) == ("54", "5902FF9C221228")
    assert (ask(car, PARKING, "14FFFFFF"), ask(car, PARKING, "1902FF")) == ("54", "5902FF")
    assert car.units[PARKING].status("B1C22-12") == 0x50


def test_no_unit_says_anything_while_the_key_is_off(car: Car) -> None:
    car.act("key_off")
    assert [""] * len(car.units) == [ask(car, unit, "3E00") for unit in car.units]


def test_an_empty_request_brings_nothing(car: Car) -> None:
    assert ask(car, BRAKE, "") == ""


def test_a_session_ends_by_itself_after_five_seconds_and_with_the_key(car: Car) -> None:
    ask(car, BRAKE, "1003", at_ms=10_000)
    assert ask(car, BRAKE, "22F186", at_ms=15_000) == "62F18603"
    assert ask(car, BRAKE, "22F186", at_ms=20_001) == "62F18601"  # ISO 14229-2: S3server 5000 ms
    ask(car, BRAKE, "1003", at_ms=20_002)
    car.act("key_off")
    car.act("key_on")
    assert ask(car, BRAKE, "22F186", at_ms=20_003) == "62F18601"


# SAE J2012 code structure: published pairs of text and bytes.
@pytest.mark.parametrize(
    ("text", "raw"),
    [("P0143", "0143"), ("P3FFF", "3FFF"), ("U0121-87", "C12187"), ("B1A01", "9A01"), ("U3FFF", "FFFF")],
)
def test_code_text_to_bytes(text: str, raw: str) -> None:
    assert raw == code_bytes(text).hex().upper()
