"""The guard's list: what one unit may be asked in which phase, and nothing besides."""

from __future__ import annotations

import pytest
from guard_help import BRAKES, CLEAR, DECLARED, ENGINE, EVERYONE, LISTED, C, M, R, S, T, guard, says
from hypothesis import given
from hypothesis import strategies as st

from decoders.values import Request
from gateway.guard import ClearPermit, Phase

GUARDS = {phase: guard(phase, clearing=CLEAR if phase is C else None) for phase in Phase}


def payloads(text: str) -> list[str]:
    return text.split()


# The handbook's chapter on the guard, rule by rule: payloads that one unit may be asked.

# "Always", and also "while `watch` runs or the car moves": 01, 02, 03, 06, 07, 09, 0A, 19, 22.
ALWAYS = payloads(
    """
    0101 01010C0D1F4204 020200 0202000C000D00 03 0601 06010203040506 07 0902 090204060A0B0C 0A
    1901FF 1902FF 1903 1904042000FF 190501 1906042000FF 1907FFFF 1908FFFF 1909042000 190A 190B 190C 190D 190E 190FFF
    1910042000FF 1911FF 1912FF 1913FF 1914 1915 191601 1917FF01 1918042000FF01 1919042000FF01 191A01
    194233FF1E 195533 19563301
    22F100 22F1FF 22F400 22F8FF 222101 22F190F18A2101
    """
)
# "Always", but not while the car moves: 05; 3E 00 to find units.
STANDING = ["050101", "3E00"]
# "Only through the clear flow": 04; 14 with FFFFFF, FFFF33 or one listed code.
CLEARING = ["04", "14FFFFFF", "14FFFF33", "14042000"]
NOTHING = payloads(
    """
    01 0101020304050607 02 0202 020200020002000200 0300 0700 0A00 05 0501 05010101 06 06010203040506FF
    09 09020406080A0C0E
    19 1902 1902FF00 1982FF 1900 191B 1941 1943 19FF 1904042000 1904042000FF00 190A00 1903FF 194233FF 195533FF 195633
    22 22F1 22F190F1 22F0FF 22F200 22F3FF 22F900 22F1902102
    3E 3E80 3E0000 3E01
    0400 14 14FFFF 14FFFFFF00 14FFFF3301 1404200001 14042001 140035 14FFFFD0
    1001 1002 1003 1004 1040 107E 1083 10
    2EF19000 2E210100 3101FF00 31010203 31020203 31030203 2F210103 2F210100
    7F0111 FF 00 41 54
    """
)


@pytest.mark.parametrize(
    ("payload", "phases"),
    [
        *((payload, {R, M, C, T}) for payload in ALWAYS),
        *((payload, {R, C, T}) for payload in STANDING),
        *((payload, {C}) for payload in CLEARING),
        *((payload, set()) for payload in NOTHING),
    ],
)
def test_one_unit_may_be_asked_exactly_this(payload: str, phases: set[Phase]) -> None:
    reasons = {phase: says(GUARDS[phase], payload) for phase in Phase}
    assert {phase for phase, reason in reasons.items() if reason is None} == phases
    assert all(reason is None or len(reason) > 10 for reason in reasons.values())  # a reason in words


def test_every_report_of_the_list_of_codes_has_one_length() -> None:
    """ISO 14229-1 fixes the length of each request; one byte less or more is another request or none."""
    known = {payload[:4]: len(payload) for payload in ALWAYS if payload.startswith("19")}
    for report in range(0x100):
        for more in range(8):
            payload = f"19{report:02X}" + "33" * more
            assert (says(GUARDS[R], payload) is None) == (known.get(payload[:4]) == len(payload))


def test_an_empty_request_is_refused() -> None:
    for phase in Phase:
        assert says(GUARDS[phase], "") == "the request is empty"


@pytest.mark.parametrize("payload", [*ALWAYS, *STANDING])
def test_everyone_may_be_asked_what_one_unit_may(payload: str) -> None:
    assert says(GUARDS[R], payload, EVERYONE) is None


NEVER = [0x08, 0x11, 0x23, 0x24, 0x27, 0x28, 0x29, 0x2A, 0x2C, *range(0x34, 0x39), 0x3D, *range(0x83, 0x88)]
"""The handbook's list of services that are never sent."""


@pytest.mark.parametrize("service", NEVER)
def test_what_is_never_sent_is_refused_with_the_reason(service: int) -> None:
    for phase in Phase:
        assert f"service {service:02X} is never sent: it " in str(says(GUARDS[phase], f"{service:02X}0102"))


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=4))
def test_every_identifier_of_a_read_is_checked(numbers: list[int]) -> None:
    request = Request(ENGINE, b"\x22" + b"".join(number.to_bytes(2, "big") for number in numbers))
    allowed = all(n >> 8 == 0xF1 or 0xF4 <= n >> 8 <= 0xF8 or n in DECLARED for n in numbers)
    assert (GUARDS[R].refusal(request) is None) == allowed


def test_at_most_thirty_two_identifiers_are_read_at_once() -> None:
    assert says(GUARDS[R], "22" + "F190" * 32) is None
    assert says(GUARDS[R], "22" + "F190" * 33) is not None


# --- only through the clear flow ---


@pytest.mark.parametrize("payload", CLEARING)
@pytest.mark.parametrize("target", [EVERYONE, "functional:18DB33F1", "functional:doip:E400", "7E1/7E9", "7DF/7E8"])
def test_clearing_reaches_only_the_unit_of_the_permit(payload: str, target: str) -> None:
    assert says(GUARDS[C], payload, target) is not None


@pytest.mark.parametrize("target", [EVERYONE, "functional:doip:E400", "7DF/7E8", "18DB33F1/18DAF110", "doip:E400"])
def test_a_permit_for_everyone_is_no_permit(target: str) -> None:
    assert says(guard(C, clearing=ClearPermit(unit=target, codes=LISTED)), "04", target) is not None


def test_clearing_without_a_permit_is_refused() -> None:
    assert "only the clear flow" in str(says(guard(C), "04"))
    for phase in (R, M, T):
        assert "only the clear flow" in str(says(guard(phase, clearing=CLEAR), "04"))
    assert says(guard(S, clearing=CLEAR), "04") is not None


@pytest.mark.parametrize("group", ["FFFFFF", "FFFF33", "042000"])
def test_a_memory_is_cleared_by_its_number_only_where_it_was_read(group: str) -> None:
    """ISO 14229-1, ClearDiagnosticInformation: MemorySelection stands behind the group."""
    clearing = guard(C, clearing=ClearPermit(unit=ENGINE, codes=LISTED, memories=frozenset({0x18})))
    assert says(clearing, f"14{group}18") is None
    assert says(clearing, f"14{group}19") is not None
    assert says(clearing, f"14{group}1818") is not None
    assert says(clearing, f"14{group}18", BRAKES) is not None
    assert says(clearing, f"14{group}") is None


def test_nothing_else_rides_on_a_memory_number() -> None:
    clearing = guard(C, clearing=ClearPermit(unit=ENGINE, memories=frozenset({0x18})))
    assert [says(clearing, payload) is None for payload in ("0418", "14FFFFD018", "1404200018", "0318")] == [False] * 4
