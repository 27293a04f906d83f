"""Profiles written as files: what is read back is what was written."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, get_args

from hypothesis import given, settings
from hypothesis import strategies as st
from profile_help import EXPECTED, FULL

from decoders.layout import Bits, Field, FieldKind, Layout, Order, Scale, whole_bytes
from gateway.profiles import parse_profile
from gateway.profiles.fields import FIGURES, MAX_INTEGER
from gateway.profiles.write import comment, profile_text
from sessions.profile import (
    QUANTITIES,
    SYSTEMS,
    Profile,
    ProfileCode,
    ProfileIdentifier,
    ProfileLayout,
    ProfileMessage,
    ProfileUnit,
)

SIGNS = st.characters(
    exclude_categories=["Cs", "Cc"],
    include_characters="\t\n",
    exclude_characters="\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069",
)
TEXTS = st.text(SIGNS, max_size=8)
FILES = st.text(st.characters(categories=["L", "N"]), max_size=8)
NAMES = TEXTS.filter(lambda text: bool(text.strip()))
NUMBERS = st.integers(-MAX_INTEGER, MAX_INTEGER)
UNITS = ("7E0/7E8", "18DA28F1/18DAF128", "6F0:12/612:F0")
OFFSETS = st.builds(Fraction, st.integers(-(10**29), 10**29), st.integers(1, 10**29))
KINDS, ORDERS, SIZES = st.sampled_from(get_args(FieldKind)), st.sampled_from(("big", "little")), st.integers(1, 64)
FLOAT_SIZES = st.sampled_from((16, 32, 64))
DENOMINATORS, DIVISORS = st.integers(1, MAX_INTEGER), NUMBERS.filter(bool)
LENGTHS = st.integers(8, 4095)
FIELD_NAMES = st.lists(NAMES, max_size=3, unique=True)
ADDRESSES = st.lists(st.sampled_from(UNITS), unique=True)
RECORDS = st.integers(1, 0xEF)
MAYBE_RECORDS = st.none() | RECORDS
RECORD_SIZES = st.dictionaries(RECORDS, st.integers(1, 7), max_size=2)
SYSTEMS_OR_NONE = st.sampled_from((None, *SYSTEMS))
HOLDS = st.none() | st.integers(1, 86400)
IDENTIFIERS = st.lists(st.integers(0, 0x0FFF), max_size=3, unique=True)
RAW_LENGTHS, NUMBER_LENGTHS = st.integers(1, 255), st.integers(1, 8)
ANY_QUANTITY = st.sampled_from(QUANTITIES)
MESSAGES = st.sampled_from(("2F0", "18FEF1FE"))
CHOSEN_FIGURES = st.dictionaries(st.sampled_from(FIGURES), st.integers(0, MAX_INTEGER), max_size=2)
"""Made once: a strategy that is made anew for each example costs more than what it draws."""


@st.composite
def fields(draw: st.DrawFn, name: str, length: int) -> Field:
    kind: FieldKind = draw(KINDS)
    order: Order = "big" if kind in ("text", "bytes") else draw(ORDERS)
    if kind in ("text", "bytes"):
        first = draw(st.integers(0, length - 1))
        return whole_bytes(name, first, draw(st.integers(1, length - first)), kind=kind)
    size = draw(FLOAT_SIZES if kind == "float" else SIZES)
    bits = Bits(start=draw(st.integers(0, length * 8 - size)), length=size, order=order)
    raw = st.integers(0, 2**size - 1)
    names = {} if kind == "float" else draw(st.dictionaries(raw, NAMES, max_size=3))
    factor = Fraction(draw(NUMBERS), draw(DENOMINATORS))
    return Field(
        name=name,
        bits=bits,
        kind=kind,
        scale=Scale.of(factor, draw(OFFSETS)),
        unit=draw(TEXTS),
        names=tuple(sorted(names.items())),
    )


@st.composite
def layouts(draw: st.DrawFn) -> dict[str, Any]:
    length = draw(LENGTHS)
    names = draw(FIELD_NAMES)
    made = tuple(draw(fields(name, length)) for name in names)
    named = [item.name for item in made if item.kind not in ("text", "bytes")]
    quantities = draw(st.lists(st.sampled_from(QUANTITIES[:-1]), max_size=len(named), unique=True))
    return {
        "layout": Layout(name=draw(NAMES), length=length, fields=made),
        "quantities": tuple(zip(named, quantities, strict=False)),
    }


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    addresses = draw(ADDRESSES)
    some = st.sampled_from(addresses) if addresses else st.nothing()
    used = st.lists(some, unique=True).map(tuple)
    units = tuple(
        ProfileUnit(
            address=address,
            name=draw(NAMES),
            system=draw(SYSTEMS_OR_NONE),
            fitted=draw(st.booleans()),
            occurrence_record=draw(MAYBE_RECORDS),
            extended_sizes=tuple(sorted(draw(RECORD_SIZES).items())),
        )
        for address in addresses
    )
    codes = tuple(
        ProfileCode(
            unit=address,
            code="U0100-00",
            text=draw(NAMES),
            continuous=draw(st.booleans()),
            about=draw(st.none() | some),
            hold_s=draw(HOLDS),
        )
        for address in addresses
    )
    identifiers = tuple(
        ProfileIdentifier(number=number, name=draw(NAMES), length=draw(RAW_LENGTHS), units=draw(used))
        if draw(st.booleans())
        else ProfileIdentifier(
            number=number,
            name=draw(NAMES),
            length=draw(NUMBER_LENGTHS),
            signed=draw(st.booleans()),
            scale_num=draw(NUMBERS),
            scale_den=draw(DIVISORS),
            offset=draw(NUMBERS),
            unit=draw(TEXTS),
            quantity=draw(ANY_QUANTITY),
            units=draw(used),
        )
        for number in draw(IDENTIFIERS)
    )
    # Beyond the numbers above, so that no length contradicts another.
    identifier = ProfileLayout(subject="identifier", number=0x1000, units=draw(used), **draw(layouts()))
    record = ProfileLayout(subject="record", number=0xEF, **draw(layouts()))
    message = ProfileMessage(can_id=draw(MESSAGES), **draw(layouts()))
    return Profile(
        name=draw(NAMES),
        maker=draw(TEXTS),
        model=draw(TEXTS),
        electric_drive=draw(st.booleans()),
        broadcast=draw(FILES),
        units=units,
        codes=codes,
        identifiers=identifiers,
        layouts=(identifier, record) if all(0xEF not in dict(unit.extended_sizes) for unit in units) else (identifier,),
        messages=(message,),
        settings=draw(CHOSEN_FIGURES),
    )


@given(profiles())
@settings(max_examples=300, deadline=None)
def test_any_profile_is_read_back_as_it_was_written(profile: Profile) -> None:
    assert profile == parse_profile(profile_text(profile), name="car.toml")


def test_a_full_profile_is_read_back_as_it_was_written() -> None:
    assert EXPECTED == parse_profile(profile_text(parse_profile(FULL, name="a.toml")), name="b.toml")


def test_a_unit_of_unknown_system_has_a_line_to_fill_in() -> None:
    unit = ProfileUnit(address="7E0/7E8", name="Engine")
    lines = profile_text(Profile(name="Car", units=(unit,))).splitlines()
    assert 1 == len([line for line in lines if line.startswith('# system = ""   # not known: ')])


def test_what_has_its_default_is_not_written() -> None:
    layout = Layout(name="Speed", length=2, fields=(whole_bytes("Speed", 0, 2),))
    text = profile_text(Profile(name="Car", messages=(ProfileMessage(can_id="2F0", layout=layout),)))
    expected = """\
[profile]
name = "Car"

[[layout]]
name = "Speed"
message = "2F0"
length = 2

[[layout.field]]
name = "Speed"
byte = 0
bytes = 2
"""
    assert expected == text


def test_comments_are_folded_to_the_page() -> None:
    lines = comment(["", "word " * 40]).splitlines()
    assert ("#", True) == (lines[0], all(line.startswith("# ") and len(line) <= 120 for line in lines[1:]))
