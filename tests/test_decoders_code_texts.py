"""What is said of a code without a maker's words: its range and its failure type, and never a guess."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from obd.codes import DTC
from vectors.codes import CODE_VECTORS, CodeVector

from decoders.code_texts import NOT_KNOWN, CodeMeaning, describe_code
from decoders.failure_types import FAILURE_TYPES
from decoders.network_codes import network_meaning
from decoders.values import Dtc

ALL_CODES = [Dtc(base) for base in range(0x10000)]


@pytest.mark.parametrize("vector", CODE_VECTORS, ids=lambda vector: str(vector.code))
def test_a_code_means_what_its_source_says_and_no_more(vector: CodeVector) -> None:
    dtc = Dtc.parse(vector.code)
    found = describe_code(dtc)
    assert (dtc, vector.system, vector.is_generic) == (found.dtc, found.system, found.is_generic)
    assert vector.text == found.text


@given(st.integers(0, 0xFFFF), st.none() | st.integers(0, 0xFF))
@example(0, None)
@example(0, 0)
def test_every_code_has_a_line_of_text_and_keeps_its_bytes(base: int, failure_type: int | None) -> None:
    dtc = Dtc(base, failure_type)
    found = describe_code(dtc)
    assert dtc is found.dtc
    assert found.text.splitlines() == [found.text]
    assert (failure_type is None) == (found.failure_type is None)


def is_makers(dtc: Dtc) -> bool:
    """Source: SAE J2012, code structure: P1, P30 to P33, C1, C2, B1, B2, U1, U2 belong to the maker."""
    return (dtc.text[1] in "12" and dtc.text[:2] != "P2") or (dtc.text[:2] == "P3" and dtc.text[2] in "0123")


def test_no_makers_code_has_a_text() -> None:
    told = [dtc.text for dtc in ALL_CODES if is_makers(dtc) and describe_code(dtc) != silent_on(dtc)]
    assert [] == told


def silent_on(dtc: Dtc) -> CodeMeaning:
    system = {"P": "powertrain", "C": "chassis", "B": "body", "U": "network"}[dtc.text[0]]
    return CodeMeaning(dtc=dtc, system=system, subsystem=None, is_generic=False, network=None, failure_type=None)


def test_a_code_is_either_known_or_says_that_it_is_not() -> None:
    wrong = [
        meaning.dtc.text
        for meaning in map(describe_code, ALL_CODES)
        if meaning.dtc.base and meaning.is_known == meaning.text.startswith(NOT_KNOWN)
    ]
    assert [] == wrong


def test_whatever_is_said_of_a_code_is_said_to_be_generic() -> None:
    known = [meaning for meaning in map(describe_code, ALL_CODES) if meaning.is_known]
    assert [] == [item.dtc.text for item in known if not item.text.startswith(("generic meaning: ", "generic range: "))]
    assert {True} == {item.is_generic for item in known}


def test_a_code_of_the_network_table_speaks_of_itself_and_not_of_its_range() -> None:
    for dtc in ALL_CODES:
        meaning = network_meaning(dtc)
        assert (f"generic meaning: {meaning.text}" == describe_code(dtc).text) if meaning else True


@pytest.mark.parametrize("byte", sorted(FAILURE_TYPES))
def test_the_failure_type_is_told_behind_the_code(byte: int) -> None:
    words = FAILURE_TYPES[byte]
    found = describe_code(Dtc(0x0353, byte))
    assert words == found.failure_type
    assert found.text == "generic range: ignition or misfire" + (f" (failure type: {words})" if byte else "")


@pytest.mark.parametrize(
    ("words", "heads", "least"),
    [
        # Judge: the texts of python-OBD, how many of a range hold one of these words.
        ("fuel air o2 oxygen throttle injector pressure temperature intake charger coolant", "P01 P02", 0.85),
        ("ignition misfire knock crankshaft camshaft cylinder", "P03", 0.8),
        ("ignition knock crankshaft cylinder", "P23", 0.95),
        ("catalyst exhaust evaporative emission secondary air fuel fan", "P04", 0.8),
        ("shift gear clutch transmission transfer transaxle solenoid reverse speed fluid", "P07 P08 P09 P27", 0.8),
        ("hybrid drive motor torque generator power dc/dc inverter battery", "P0A", 0.7),
        ("cylinder valve deactivation", "P34", 0.9),
    ],
)
def test_most_texts_of_another_table_are_about_what_we_say_of_their_range(words: str, heads: str, least: float) -> None:
    texts = [text.lower() for code, text in DTC.items() if code[:3] in heads.split()]
    fitting = [text for text in texts if any(word in text for word in words.split())]
    assert len(fitting) >= least * len(texts) > 0
