"""What the tests of stored records share: answers 59 04 and 59 06 of one code, and what the report shows of them."""

from __future__ import annotations

from typing import Any

from journal_builder import CODE, UNIT, Story, profile

from decoders.layout import Field, Layout
from decoders.values import Dtc
from sessions.profile import Profile, ProfileLayout, ProfileUnit
from sessions.report.stored import StoredAnswer, StoredPart, stored_parts
from sessions.report.stored_values import StoredItem
from sessions.verdict.sights import FaultKey

SNAPSHOTS, EXTENDED = "1904403513FF", "1906403513FF"
HEAD_04, HEAD_06 = "59044035132F", "59064035132F"
UNKNOWN = "layout not known: add it to the profile"
REST = f"{UNKNOWN}; all bytes from here on stand together"


def key(memory: str = "dtc") -> FaultKey:
    return FaultKey(unit=UNIT, dtc=Dtc.parse(CODE), memory=memory)


def parts(story: Story, memory: str = "dtc") -> tuple[StoredPart, ...]:
    return stored_parts(story.record(), key(memory))


def words(part: StoredPart) -> list[str]:
    return [f"{answer.what} {answer.where}: {answer.words}" for answer in part.answers]


def snapshots(tail: str, known: Profile | None = None) -> StoredAnswer:
    """What is shown of an answer 59 04 with these bytes behind code and status."""
    story = Story(known or profile()).scan("before").answer(UNIT, SNAPSHOTS, HEAD_04 + tail).end()
    return parts(story)[0].answers[0]


def extended(tail: str, known: Profile | None = None) -> StoredAnswer:
    """The same of an answer 59 06."""
    story = Story(known or profile()).scan("before").answer(UNIT, EXTENDED, HEAD_06 + tail).end()
    return parts(story)[0].answers[1]


def items(answer: StoredAnswer) -> list[StoredItem]:
    return [item for record in answer.records for item in record.items]


def rows(answer: StoredAnswer) -> list[tuple[str, str, str, str]]:
    """Number, name, what it says, and bytes of each item."""
    return [(item.number, item.name, said(item), item.raw) for item in items(answer)]


def said(item: StoredItem) -> str:
    return " | ".join(f"{label}: {told}" if label else told for label, told in item.lines)


def one(data: str, did: str, known: Profile | None = None) -> str:
    """What is said of one identifier with these bytes."""
    (item,) = items(snapshots(f"0101{did}{data}", known))
    return said(item)


def laid_out(length: int, *fields: Field, subject: Any = "identifier", number: int = 0x1106) -> Profile:
    layout = Layout(name="wheel state", length=length, fields=fields)
    return profile(layouts=(ProfileLayout(subject=subject, number=number, layout=layout),))


def with_records(occurrence: int | None, *sizes: tuple[int, int], **changes: Any) -> Profile:
    unit = ProfileUnit(address=UNIT, name="Brake control", occurrence_record=occurrence, extended_sizes=sizes)
    return profile(units=(unit,), **changes)
