"""DBC files beside cantools' own decoding of the same frames."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from pathlib import Path

from cantools.database import DecodeError as TheirDecodeError
from cantools.database.can import Database, Message
from cantools.database.namedsignalvalue import NamedSignalValue
from dbc_help import CAR, messages, read
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.layout import Field, FieldValue, read_layout
from gateway.profiles.dbc import parse_dbc, read_dbc
from sessions.profile import ProfileMessage


def judge(text: str) -> Database:
    database = Database(strict=False)
    database.add_dbc_string(text)
    return database


def disagreements(theirs: Message, reading: Mapping[str, FieldValue], block: bytes) -> list[str]:
    """What cantools says otherwise of one block; raises cantools' error where it knows no such multiplexer number."""
    numbers, named = theirs.decode(block, decode_choices=False), theirs.decode(block)
    assert isinstance(numbers, dict)
    assert isinstance(named, dict)
    found = [name for name in {*reading, *numbers} if name not in reading or name not in numbers]
    for name in reading.keys() & numbers.keys():
        label = str(named[name]) if isinstance(named[name], NamedSignalValue) else None
        if not alike(reading[name].value, numbers[name]) or label != reading[name].label:
            found.append(name)
    return found


def alike(ours: object, theirs: object) -> bool:
    if not isinstance(ours, (int, float)) or not isinstance(theirs, (int, float)):
        return False
    return (math.isnan(ours) and math.isnan(theirs)) or math.isclose(ours, theirs, rel_tol=1e-12, abs_tol=1e-9)


def block_carrying(field: Field, length: int, chance: random.Random) -> bytes:
    """A random block in which all conditions of a field hold."""
    block = chance.getrandbits(length * 8)
    for when in field.when:
        shift = when.bits.start if when.bits.order == "little" else length * 8 - when.bits.start - when.bits.length
        # A block is built as one number in the byte order of its multiplexers, which is the same for all of them.
        mask = (1 << when.bits.length) - 1
        block = block & ~(mask << shift) | chance.choice(when.values) << shift
    return block.to_bytes(length, field.when[0].bits.order if field.when else "big")


def compared(database: Database, read_by_us: tuple[ProfileMessage, ...], rounds: int) -> tuple[int, list[str]]:
    """How many blocks cantools read too, and every signal it reads otherwise."""
    chance = random.Random(20260101)  # noqa: S311  (chance, no secret)
    count, found = 0, []
    for theirs, ours in zip(database.messages, read_by_us, strict=True):
        assert (theirs.name, theirs.frame_id, theirs.is_extended_frame) == (
            ours.layout.name,
            int(ours.can_id, 16),
            len(ours.can_id) == 8,
        )
        for field in ours.layout.fields * rounds:
            block = block_carrying(field, ours.layout.length, chance)
            reading = {item.name: item for item in read_layout(ours.layout, block).values}
            assert field.name in reading
            try:
                found += disagreements(theirs, reading, block)
            except TheirDecodeError:
                continue
            count += 1
    return count, found


def test_cantools_reads_our_own_messages_alike_but_for_one() -> None:
    # cantools 45.1 takes the name of a float from its whole part: it calls every speed from 2 to below 3 walking.
    text = CAR.replace('VAL_ 2566844926 Speed 2 "walking" ;\n', "")
    count, found = compared(judge(text), parse_dbc(text, name="car.dbc"), 300)
    assert (True, []) == (count > 3000, found)


def test_cantools_gives_a_float_the_name_of_its_whole_part_and_we_do_not() -> None:
    # Known wrong in cantools 45.1: 2.5 is not 2, so the name of 2 is not its name.
    block = bytes.fromhex("00002040 00000000")
    theirs = judge(CAR).get_message_by_name("SPEEDS").decode(block)
    assert isinstance(theirs, dict)
    assert ("walking", None) == (str(theirs["Speed"]), read("SPEEDS", block.hex())["Speed"].label)


def test_cantools_compares_a_scaled_multiplexer_and_we_the_raw_number() -> None:
    # Known wrong in cantools 45.1: the numbers of a multiplexer are raw ones (from memory of the format).
    text = CAR.replace("SG_ Page M : 0|4@1+ (1,0)", "SG_ Page M : 0|4@1+ (0.5,0)")
    block = bytes.fromhex("01 0400 0000000000")
    theirs = judge(text).get_message_by_name("PAGES").decode(block)
    assert isinstance(theirs, dict)
    ours = {item.name for item in read_layout(messages(text)["PAGES"].layout, block).values}
    assert ({"First"}, {"Second"}) == (set(theirs) - {"Page", "Always"}, ours - {"Page", "Always"})


def test_cantools_reads_every_message_of_the_reference_file_alike(recordings: Path) -> None:
    # Judge: cantools 45.1 on OBD-v4.4.dbc; every signal is met in blocks that carry it.
    path = recordings / "ref" / "OBD-v4.4.dbc"
    count, found = compared(judge(path.read_text(encoding="cp1252")), read_dbc(path), 3)
    assert (True, []) == (count > 3000, found)


@st.composite
def pages(draw: st.DrawFn) -> str:
    """A message with one multiplexer of 3 bits and up to eight signals behind it, some for several of its numbers."""
    order = draw(st.sampled_from("01"))
    place = "0|3" if order == "1" else "2|3"
    lines = [f'BO_ 5 M: 8 A\n SG_ Page M : {place}@{order}+ (1,0) [0|0] "" B']
    ranges = []
    for number in range(draw(st.integers(1, 8))):
        first, last = sorted((draw(st.integers(0, 7)), draw(st.integers(0, 7))))
        length, sign = draw(st.integers(1, 48)), draw(st.sampled_from("+-"))
        start = draw(st.integers(8, 63 - length)) if order == "1" else draw(st.sampled_from((15, 12, 8)))
        lines.append(f' SG_ S{number} m{first} : {start}|{length}@{order}{sign} (1,{number}) [0|0] "" B')
        ranges.append(f"SG_MUL_VAL_ 5 S{number} Page {first}-{last};")
    return "\n".join((*lines, *ranges)) + "\n"


@given(pages(), st.binary(min_size=8, max_size=8))
@settings(deadline=None)
def test_cantools_finds_the_same_signals_in_any_multiplexed_frame(text: str, block: bytes) -> None:
    # Overlaps of one page are allowed here: cantools cannot read those, so only which signals there are is compared.
    [ours] = parse_dbc(text, name="car.dbc")
    theirs = judge(text).messages[0]
    carried = {item.name for item in read_layout(ours.layout, block).values} - {"Page"}
    page = read_layout(ours.layout, block).values[0].raw
    expected = {item.name for item in theirs.signals if item.multiplexer_ids and page in item.multiplexer_ids}
    assert expected == carried
