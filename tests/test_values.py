"""The shared value types and the errors: codes, status bytes, addresses and exchanges."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.errors import DecodeError, LinkError, MendproofError, RecordError, RefusedError, UsageError
from decoders.values import (
    Answer,
    AnswerKind,
    CanId,
    Dtc,
    Exchange,
    Outcome,
    SourceOutcome,
    Status,
    StatusBit,
    UnitAddress,
    functional_target,
    is_functional,
    iso_15765_4_unit,
    normalise_unit,
    outcome_of,
    source_of,
)
from decoders.values.dtc import FORMAT_NAMES, format_name
from decoders.values.status import BitState
from simulators.wire_dtc import spn_code

CODES = [
    # SAE J2012 / ISO 15031-6, code structure; ISO 14229-1, DTC format 01
    ("0143", "P0143"),
    ("0196", "P0196"),
    ("02CD", "P02CD"),
    ("0A24", "P0A24"),
    ("25221F", "P2522-1F"),
    ("3FFF", "P3FFF"),
    ("C06488", "U0064-88"),
    ("0E3101", "P0E31-01"),
    ("4035", "C0035"),
    ("9A01", "B1A01"),
    ("C100", "U0100"),
    ("C12187", "U0121-87"),
    ("D001", "U1001"),
    ("FFFF", "U3FFF"),
    ("E14381", "U2143-81"),
    ("1BB108", "P1BB1-08"),
]


@pytest.mark.parametrize(("raw_hex", "text"), CODES)
def test_a_code_has_its_text_and_back(raw_hex: str, text: str) -> None:
    dtc = Dtc.from_bytes(bytes.fromhex(raw_hex))
    assert dtc.text == text
    assert Dtc.parse(text.lower()) == dtc
    assert dtc.raw == bytes.fromhex(raw_hex)


@given(st.integers(0, 0xFFFF), st.none() | st.integers(0, 0xFF))
def test_any_code_survives_text_and_bytes(base: int, failure_type: int | None) -> None:
    dtc = Dtc(base, failure_type)
    assert Dtc.parse(dtc.text) == dtc
    assert Dtc.from_bytes(dtc.raw) == dtc


FORMATTED = [
    # ISO 14229-1, DTCFormatIdentifier; 02: SAE J1939-73, SPN in 19 bits, low byte first, FMI in 5 (from memory)
    ("0A9B17", None, "P0A9B-17"),
    ("0A9B17", 0x00, "P0A9B-17"),
    ("0A9B17", 0x01, "P0A9B-17"),
    ("0A9B17", 0x04, "P0A9B-17"),
    ("B80403", 0x02, "SPN1208-FMI3"),
    ("FFFFFF", 0x02, "SPN524287-FMI31"),
    ("000020", 0x02, "SPN65536-FMI0"),
    ("0A9B17", 0x03, "HEX-0A9B17"),
    ("0A9B17", 0x7B, "HEX-0A9B17"),
    ("0420", 0x02, "HEX-0420"),
    ("0420", 0x04, "P0420"),
]


@pytest.mark.parametrize(("raw_hex", "format_id", "text"), FORMATTED)
def test_a_code_is_written_as_its_format_says_and_read_back(raw_hex: str, format_id: int | None, text: str) -> None:
    dtc = Dtc.from_bytes(bytes.fromhex(raw_hex))
    assert (text, dtc) == (dtc.text_in(format_id), Dtc.parse(text.lower()))


@given(st.binary(min_size=3, max_size=3), st.none() | st.integers(0, 0xFF))
def test_any_code_survives_the_text_of_any_format(raw: bytes, format_id: int | None) -> None:
    dtc = Dtc.from_bytes(raw)
    assert raw == Dtc.parse(dtc.text_in(format_id)).raw


@given(st.integers(0, 0x7FFFF), st.integers(0, 0x1F))
def test_the_bench_writes_spn_and_fmi_into_the_same_bytes(spn: int, fmi: int) -> None:
    dtc = Dtc.from_bytes(spn_code(spn, fmi))
    assert (spn, fmi) == dtc.spn_fmi
    assert dtc == Dtc.parse(f"spn {spn} fmi {fmi}")


def test_a_code_of_two_bytes_has_no_spn() -> None:
    assert Dtc.parse("P0420").spn_fmi is None


@pytest.mark.parametrize("text", ["SPN524288-FMI3", "SPN1208-FMI32", "SPN1208", "HEX-04", "HEX-04201", "HEX-04201122"])
def test_a_text_beyond_its_format_is_no_code(text: str) -> None:
    with pytest.raises(UsageError, match="is not a trouble code"):
        Dtc.parse(text)


def test_a_format_has_a_name_or_is_called_unknown() -> None:
    # ISO 14229-1, DTCFormatIdentifier
    assert [0, 1, 2, 3, 4] == sorted(FORMAT_NAMES)
    assert ("SAE J1939-73", "unknown format 7B") == (format_name(0x02), format_name(0x7B))


@pytest.mark.parametrize("raw", [b"", b"\x01", b"\x01\x02\x03\x04"])
def test_a_code_has_two_or_three_bytes(raw: bytes) -> None:
    with pytest.raises(ValueError, match="two or three bytes"):
        Dtc.from_bytes(raw)


@pytest.mark.parametrize("text", ["", "P04200", "X0420", "P4420", "P0420-1", "P042G", "P0420 -11"])
def test_another_text_is_no_code(text: str) -> None:
    with pytest.raises(UsageError, match="is not a trouble code") as caught:
        Dtc.parse(text)
    assert caught.value.next_step == "write it like P0420 or C0035-14"


def test_a_code_knows_its_base_and_whether_it_is_about_the_network() -> None:
    # SAE J2012: U codes are network codes
    dtc = Dtc.parse("U0121-87")
    assert (dtc.base_only, dtc.is_network) == (Dtc.parse("U0121"), True)
    assert not Dtc.parse("B1A01").is_network


STATUS_ROWS = [
    # ISO 14229-1, Annex D: byte, mask, is fault, is stored
    (0x50, 0xFF, False, False),
    (0x40, 0xFF, False, False),
    (0x00, 0xFF, False, False),
    (0x24, 0x7F, True, True),
    (0x27, 0xFF, True, True),
    (0x20, 0xFF, False, True),
    (0x28, 0xFF, True, True),
    (0x80, 0xFF, True, False),
    (0x01, 0xFF, True, False),
    (0x02, 0xFF, True, False),
    (0x04, 0xFB, False, False),
    (0x28, 0x8F, True, True),
    (0x20, 0x8F, False, False),
    (0xFF, 0x00, False, False),
]


@pytest.mark.parametrize(("byte", "mask", "is_fault", "is_stored"), STATUS_ROWS)
def test_a_status_counts_only_with_supported_bits(byte: int, mask: int, is_fault: bool, is_stored: bool) -> None:
    status = Status(byte, mask)
    assert (status.is_fault, status.is_stored) == (is_fault, is_stored)
    assert (status.byte, status.known) == (byte, byte & mask)


def test_a_bit_outside_the_mask_is_unknown() -> None:
    # ISO 14229-1, DTCStatusAvailabilityMask
    status = Status(0x28, 0x8F)
    assert status.bit(StatusBit.CONFIRMED) is True
    assert status.bit(StatusBit.TEST_FAILED) is False
    assert status.bit(StatusBit.FAILED_SINCE_CLEAR) is None


def test_a_bit_has_one_of_four_states() -> None:
    # ISO 14229-1, DTCStatusAvailabilityMask; never read is our own
    status = Status.of(0x28, 0x8F)
    assert BitState.SET == status.state(StatusBit.CONFIRMED)
    assert BitState.CLEAR == status.state(StatusBit.TEST_FAILED)
    assert BitState.NOT_SUPPORTED == status.state(StatusBit.FAILED_SINCE_CLEAR)
    assert {BitState.UNKNOWN} == {Status.of(0x28, None).state(bit) for bit in StatusBit}


def test_nothing_is_known_under_a_mask_that_was_never_read() -> None:
    status = Status.of(0x2F, None)
    assert (0x2F, 0, False, False) == (status.byte, status.known, status.is_fault, status.is_stored)
    assert status != Status(0x2F, 0)


@given(st.integers(0, 0xFF), st.integers(0, 0xFF), st.sampled_from(StatusBit))
def test_state_and_bit_say_the_same(byte: int, mask: int, bit: StatusBit) -> None:
    status = Status.of(byte, mask)
    known = {BitState.SET: True, BitState.CLEAR: False, BitState.NOT_SUPPORTED: None}
    assert (Status(byte, mask), status.bit(bit)) == (status, known[status.state(bit)])


@pytest.mark.parametrize(
    ("byte", "mask", "words"),
    [
        # ISO 14229-1, Annex D, in our own words
        (0x18, 0xFF, "confirmed, not tested since clear"),
        (0x50, 0xFF, "not tested since clear, not tested this cycle"),
        (0xAF, 0xFF, "test failed, failed this cycle, pending, confirmed, failed since clear, warning lamp requested"),
        (0x00, 0xFF, "no supported bit set"),
        (0x28, 0x8F, "confirmed; sent but not supported: failed since clear"),
        (0x20, 0x8F, "no supported bit set; sent but not supported: failed since clear"),
        (0x08, None, "sent, support not read: confirmed"),
        (0x00, None, "sent, support not read: no bit set"),
    ],
)
def test_a_status_is_said_in_words(byte: int, mask: int | None, words: str) -> None:
    assert words == Status.of(byte, mask).words


def test_the_status_bits_are_those_of_the_standard() -> None:
    # ISO 14229-1, Annex D, DTC status bit definitions
    assert [(bit.name, bit.value) for bit in StatusBit] == [
        ("TEST_FAILED", 0x01),
        ("TEST_FAILED_THIS_CYCLE", 0x02),
        ("PENDING", 0x04),
        ("CONFIRMED", 0x08),
        ("NOT_COMPLETED_SINCE_CLEAR", 0x10),
        ("FAILED_SINCE_CLEAR", 0x20),
        ("NOT_COMPLETED_THIS_CYCLE", 0x40),
        ("WARNING_INDICATOR", 0x80),
    ]


@pytest.mark.parametrize("text", ["7E0/7E8", "18DA10F1/18DAF110", "6F0:12/612:F0"])
def test_an_address_is_written_as_it_is_read(text: str) -> None:
    # ISO 15765-2: normal, normal fixed, extended addressing
    address = UnitAddress.parse(text.lower())
    assert (address.text, normalise_unit(f" {text} ")) == (text, text)
    assert address.source == source_of(text) == text.partition("/")[2]


def test_an_identifier_has_its_width_and_extension() -> None:
    assert CanId.parse("7E0") == CanId(0x7E0, False)
    assert CanId.parse("000007E0") == CanId(0x7E0, True)
    assert CanId.parse("6F0:12") == CanId(0x6F0, False, 0x12)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "not a CAN identifier"),
        ("7E", "not a CAN identifier"),
        ("7E00", "not a CAN identifier"),
        ("7E0:1", "not a CAN identifier"),
        ("7EG", "not a CAN identifier"),
        ("800", "larger than a CAN identifier"),
        ("20000000", "larger than a CAN identifier"),
    ],
)
def test_another_text_is_no_identifier(text: str, reason: str) -> None:
    # ISO 11898-1: 11 or 29 bits
    with pytest.raises(UsageError, match=reason):
        CanId.parse(text)


def test_one_identifier_is_no_unit() -> None:
    with pytest.raises(UsageError, match="is not a unit address"):
        UnitAddress.parse("7E0")


def test_a_functional_target_is_told_from_a_unit() -> None:
    assert functional_target("7df") == "functional:7DF"
    assert is_functional("functional:18DB33F1")
    assert not is_functional("7E0/7E8")


@pytest.mark.parametrize(
    ("source", "unit"),
    [
        # ISO 15765-4, legislated diagnostic identifiers
        ("7E8", "7E0/7E8"),
        ("7EF", "7E7/7EF"),
        ("18DAF110", "18DA10F1/18DAF110"),
        ("7E7", None),
        ("7BB", None),
        ("18DAFBEE", None),
        ("612:F0", None),
    ],
)
def test_only_the_standard_pairs_a_response_with_a_request(source: str, unit: str | None) -> None:
    assert iso_15765_4_unit(source) == unit


def answer(kind: AnswerKind, data: bytes = b"\x43\x00", source: str = "7E8") -> Answer:
    return Answer(source=source, data=data, first_us=1000, last_us=1000, kind=kind)


def exchange(
    *answers: Answer, target: str = "7E0/7E8", outcome: Outcome | None = None, refusal: int | None = None
) -> Exchange:
    return Exchange(link="sim:x", target=target, request=b"\x03", answers=answers, outcome=outcome, refusal=refusal)


def test_the_last_positive_answer_is_the_result() -> None:
    first, last = answer(AnswerKind.POSITIVE, b"\x43\x01\x04\x20"), answer(AnswerKind.POSITIVE)
    assert exchange(first, last, outcome=Outcome.ANSWERED).positive == b"\x43\x00"


@pytest.mark.parametrize("outcome", [None, *(item for item in Outcome if item is not Outcome.ANSWERED)])
def test_what_was_not_answered_has_no_result(outcome: Outcome | None) -> None:
    assert exchange(answer(AnswerKind.POSITIVE), outcome=outcome).positive is None


def test_answered_without_a_positive_answer_has_no_result() -> None:
    assert exchange(answer(AnswerKind.LATE), outcome=Outcome.ANSWERED).positive is None


@pytest.mark.parametrize("outcome", list(Outcome))
def test_a_unit_asked_by_its_own_address_has_the_outcome_of_the_exchange(outcome: Outcome) -> None:
    refusal = 0x11 if outcome is Outcome.REFUSED else None
    data = b"\x43\x00" if outcome is Outcome.ANSWERED else None
    asked = exchange(answer(AnswerKind.POSITIVE), outcome=outcome, refusal=refusal)
    assert outcome_of(asked, "7E8") == SourceOutcome(outcome=outcome, refusal=refusal, data=data)


def test_another_unit_has_no_outcome() -> None:
    asked = exchange(answer(AnswerKind.POSITIVE), outcome=Outcome.ANSWERED)
    assert outcome_of(asked, "7E9") == SourceOutcome(outcome=None)


FUNCTIONAL_ROWS = [
    # ISO 14229-1: units may stay quiet when asked functionally, so none is silent
    ((), SourceOutcome(outcome=None)),
    ((answer(AnswerKind.POSITIVE, source="7E9"),), SourceOutcome(outcome=None)),
    ((answer(AnswerKind.PENDING, b"\x7f\x03\x78"),), SourceOutcome(outcome=None)),
    (
        (answer(AnswerKind.PENDING, b"\x7f\x03\x78"), answer(AnswerKind.POSITIVE)),
        SourceOutcome(outcome=Outcome.ANSWERED, data=b"\x43\x00"),
    ),
    (
        (answer(AnswerKind.NEGATIVE, b"\x7f\x03\x22"),),
        SourceOutcome(outcome=Outcome.REFUSED, refusal=0x22),
    ),
    ((answer(AnswerKind.DAMAGED, b"\x43"),), SourceOutcome(outcome=Outcome.DAMAGED)),
]


@pytest.mark.parametrize(("answers", "expected"), FUNCTIONAL_ROWS)
def test_each_source_of_a_functional_request_has_its_own_outcome(
    answers: tuple[Answer, ...], expected: SourceOutcome
) -> None:
    assert outcome_of(exchange(*answers, target="functional:7DF"), "7E8") == expected


@pytest.mark.parametrize("target", ["functional:7DF", "7E0/7E8"])
def test_what_was_never_sent_is_unsent_for_everyone(target: str) -> None:
    unsent = exchange(target=target, outcome=Outcome.UNSENT)
    assert outcome_of(unsent, "7E8") == SourceOutcome(outcome=Outcome.UNSENT)


@pytest.mark.parametrize(
    ("error", "kind", "exit_code"),
    [
        (MendproofError, "internal", 70),
        (UsageError, "usage", 2),
        (LinkError, "link", 3),
        (RecordError, "record", 4),
        (RefusedError, "refused", 5),
    ],
)
def test_an_error_has_a_kind_an_exit_code_and_a_next_step(
    error: type[MendproofError], kind: str, exit_code: int
) -> None:
    raised = error("no way", next_step="look")
    assert (raised.kind, raised.exit_code) == (kind, exit_code)
    assert (str(raised), raised.message, raised.next_step) == ("no way", "no way", "look")


def test_a_decode_error_names_field_place_and_bytes() -> None:
    error = DecodeError("count", 2, b"\x43", "none is left")
    assert str(error) == "count at byte 2: none is left"
    assert (error.field, error.offset, error.data, error.reason) == ("count", 2, b"\x43", "none is left")
    assert isinstance(error, MendproofError)
