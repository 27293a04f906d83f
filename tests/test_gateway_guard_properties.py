"""What the guard never lets through, whatever the phase and however wide the permits: by chance and one by one."""

from __future__ import annotations

import functools

import pytest
from guard_help import BRAKES, DECLARED, ENGINE, EVERYONE, LISTED, M, S
from hypothesis import given
from hypothesis import strategies as st

from decoders.values import Request
from gateway.guard import ClearPermit, Guard, Phase, RoutinePermit, SessionPermit

UNITS = [ENGINE, BRAKES, "18DA10F1/18DAF110", "6F0:12/612:F0", "doip:1010"]
FUNCTIONAL = [EVERYONE, "functional:18DB33F1", "functional:doip:E400", "functional:7A0"]
TARGETS = st.sampled_from([*UNITS, *FUNCTIONAL])
SESSIONS = [0x01, 0x02, 0x03, 0x04, 0x40, 0x7E]

# The handbook's chapter on the guard, written down a second time.
NEVER = {0x08, 0x11, 0x23, 0x24, 0x27, 0x28, 0x29, 0x2A, 0x2C, *range(0x34, 0x39), 0x3D, *range(0x83, 0x88)}
READING = {0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22}
MOVING = READING - {0x05}
LONGEST = {0x01: 7, 0x02: 7, 0x03: 1, 0x05: 3, 0x06: 7, 0x07: 1, 0x09: 7, 0x0A: 1, 0x19: 7, 0x22: 65, 0x3E: 2}


def harmless(data: bytes) -> bool:
    """Reading, as the handbook's rule "always" has it."""
    if data[0] == 0x3E:
        return data == b"\x3e\x00"
    return data[0] in READING and len(data) <= LONGEST[data[0]]


def forbidden(data: bytes) -> bool:
    """What no permit opens."""
    number = int.from_bytes(data[2:4] if data[0] == 0x31 else data[1:3], "big")
    match data[0]:
        case 0x10:
            return data[1:2] in (b"\x02", b"\x04", b"\x82", b"\x84")
        case 0x31:
            return 0x0100 <= number < 0x0200 or 0xE200 <= number < 0xE300 or number >= 0xFF00
        case 0x2E:
            return number >> 8 in (0xF1, 0xF9, 0xFA)
    return data[0] in NEVER


def opened(data: bytes) -> bool:
    """What needs a permit or a stop order."""
    return data[0] in (0x04, 0x10, 0x14, 0x2E, 0x2F, 0x31) or data == b"\x3e\x80"


@functools.cache
def widest(phase: Phase, unit: str, session: int, data: bytes) -> Guard:
    """Every permit at once for this unit and these very bytes: wider than any flow would make them."""
    return Guard(
        phase=phase,
        declared_identifiers=DECLARED,
        clearing=ClearPermit(unit=unit, codes=LISTED, memories=frozenset(range(0x100))),
        session=SessionPermit(unit=unit, session=session, declared=True),
        routine=RoutinePermit(unit=unit, requests=frozenset({data})),
    )


HEADS = st.one_of(
    st.binary(min_size=1, max_size=12),
    st.builds(
        lambda head, tail: head + tail,
        st.sampled_from([bytes([s]) for s in (*sorted(NEVER), 0x04, 0x10, 0x14, 0x2E, 0x2F, 0x31, 0x3E)]),
        st.binary(max_size=8),
    ),
    st.builds(
        lambda head, number, tail: head + number.to_bytes(2, "big") + tail,
        st.sampled_from([b"\x31\x01", b"\x31\x02", b"\x31\x03", b"\x2e", b"\x2f"]),
        st.integers(0, 0xFFFF),
        st.binary(max_size=4),
    ),
)


@given(HEADS, TARGETS, st.sampled_from(list(Phase)), st.sampled_from(SESSIONS), st.booleans())
def test_what_passes_with_the_widest_permits_is_never_forbidden_nor_functional(
    data: bytes, target: str, phase: Phase, session: int, as_stop: bool
) -> None:
    request = Request(target, data)
    stops = frozenset({request}) if as_stop else frozenset()
    if widest(phase, target, session, data).refusal(request, stops) is not None:
        return
    assert not forbidden(data)
    assert harmless(data) or opened(data)
    assert not (opened(data) and target in FUNCTIONAL)
    if not as_stop:
        assert not (opened(data) and phase in (M, S))
        assert phase is not M or data[0] in MOVING
        assert phase is not S or data == b"\x3e\x00"


@given(st.binary(max_size=80), TARGETS, st.sampled_from(list(Phase)))
def test_without_permits_only_reading_passes(data: bytes, target: str, phase: Phase) -> None:
    guard = Guard(phase=phase, declared_identifiers=DECLARED)
    assert guard.refusal(Request(target, data)) is not None or harmless(data)


@given(HEADS, st.sampled_from(UNITS), st.sampled_from(list(Phase)))
def test_a_permit_for_one_unit_opens_nothing_in_another(data: bytes, unit: str, phase: Phase) -> None:
    guard = widest(phase, unit, 0x03, data)
    for other in [*UNITS, *FUNCTIONAL]:
        if other != unit and guard.refusal(Request(other, data)) is None:
            assert harmless(data)


@pytest.mark.parametrize("phase", list(Phase))
def test_each_of_all_two_byte_heads_is_judged_by_the_list(phase: Phase) -> None:
    """All 65536 without permits, half of them with bytes behind, to one unit and to everyone."""
    guard = Guard(phase=phase)
    passed: set[tuple[str, int]] = set()
    for number in range(0x10000):
        data = number.to_bytes(2, "big") + (b"\x02\x03\x00" if number & 1 else b"")
        if harmless(data) and data[0] != 0x3E:
            continue  # what is listed there in which length has a test of its own
        for target in (ENGINE, EVERYONE):
            if guard.refusal(Request(target, data)) is None:
                passed.add((target, number))
    expected = {(target, 0x3E00) for target in (ENGINE, EVERYONE)}
    assert passed == {M: set(), S: {(EVERYONE, 0x3E00)}}.get(phase, expected)


@pytest.mark.parametrize("phase", list(Phase))
def test_each_service_that_needs_a_permit_passes_only_in_its_phase(phase: Phase) -> None:
    """All second bytes of 04, 10, 14, 2E, 2F and 31 with the widest permits."""
    standing = phase not in (M, S)
    for service in (0x04, 0x10, 0x14, 0x2E, 0x2F, 0x31):
        for second in range(0x100):
            for tail in (b"", b"\x21\x03", b"\x21\x03\x01"):
                data = bytes([service, second]) + tail
                session = second if service == 0x10 else 0x03
                guard = widest.__wrapped__(phase, ENGINE, session, data)
                passes = guard.refusal(Request(ENGINE, data)) is None
                assert guard.refusal(Request(EVERYONE, data)) is not None
                if service == 0x10:
                    assert passes == (standing and not tail and (second == 0x03 or 0x40 <= second <= 0x7E))
                elif service in (0x04, 0x14):
                    assert not passes
                else:
                    starts = 0x01 <= second <= 0x03 if service == 0x31 else len(tail) >= 2
                    never = service == 0x2E and second in (0xF1, 0xF9, 0xFA)
                    assert passes == (phase is Phase.ROUTINE and len(tail) >= 2 and starts and not never)
