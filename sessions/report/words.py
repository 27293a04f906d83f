"""What the report says in plain words: verdicts, status bits, rules, outcomes, cautions."""

from __future__ import annotations

from collections.abc import Mapping

from decoders import refusal_name
from decoders.values import Outcome, StatusBit
from sessions.verdict import JobGrade, UnitLook, Verdict

VERDICT_WORDS: Mapping[Verdict, str] = {
    Verdict.FAILING: "The unit's own test fails now, and no clear was accepted.",
    Verdict.RETURNED: "It was cleared and came back: its test failed again, or it was stored again.",
    Verdict.NEW: "No scan before the work listed it, and it is there now.",
    Verdict.UNCLEARED: ("The old entry is still stored: no clear was sent, or the unit did not carry one out."),
    Verdict.UNREAD: ("The last scan holds no usable answer that could show it: silent, refused, damaged or not asked."),
    Verdict.UNTESTED: (
        "It was cleared and has not come back, but something is missing before that means a cure; "
        "the fault's own list says what."
    ),
    Verdict.LAPSED: "It is no longer stored, but nobody cleared it. It may come and go: this proves nothing.",
    Verdict.HELD: ("It stayed away over several operation cycles under its conditions; no single test settles it."),
    Verdict.PROVEN: (
        "After an accepted clear the unit's own test ran and passed under the conditions "
        "in which the fault had occurred."
    ),
}

TONES: Mapping[Verdict, str] = {
    Verdict.FAILING: "against",
    Verdict.RETURNED: "against",
    Verdict.NEW: "against",
    Verdict.UNCLEARED: "against",
    Verdict.UNREAD: "unknown",
    Verdict.UNTESTED: "unknown",
    Verdict.LAPSED: "unknown",
    Verdict.HELD: "for",
    Verdict.PROVEN: "for",
}
"""Which way a verdict points: against a cure, unknown, or for one."""

GRADE_WORDS: Mapping[JobGrade, str] = {
    JobGrade.OPEN: "something that a proof needs is missing",
    JobGrade.HELD: "every fault is proven, has stayed away over several cycles, or is set aside",
    JobGrade.PROVEN: (
        "every fault is set aside or was shown cured by its unit's own test, run and passed after the clear"
    ),
}

GRADE_ADVICE: Mapping[JobGrade, str] = {
    JobGrade.OPEN: (
        "As it stands, this record is no proof of the repair. Below: what keeps it open, and what to do next."
    ),
    JobGrade.HELD: (
        "No fault is there, yet at least one cure rests on time without the fault and not on a test. "
        "Decide whether that is enough for that fault."
    ),
    JobGrade.PROVEN: (
        "Nothing that was listed stands against letting the car go. "
        "Before you decide, read what was set aside and what this report cannot show."
    ),
}
"""What a grade means for the person who lets the car go."""

GRADE_LEGEND: Mapping[JobGrade, str] = {
    JobGrade.OPEN: (
        "Something that proven asks for is missing; the reasons stand with the verdict. It does not say that the car "
        "is faulty."
    ),
    JobGrade.HELD: (
        "Everything that proven asks for, except that a fault not set aside is held, or that none is proven: "
        "a cure rests on time without the fault. No rule of this version gives held."
    ),
    JobGrade.PROVEN: (
        "All of this: a complete before-scan that listed a fault and was not taken after an erase; a complete "
        "after-scan newer than the last clear; at least one fault proven, and every fault proven or set aside; every "
        "unit read before its first clear and again in the after-scan, or set aside; every complaint and every lit "
        "lamp noted as gone or explained."
    ),
}
"""What each grade of a job asks for."""

RULE_WORDS: tuple[tuple[int, str, str], ...] = (
    (1, "unread", "The after-scan holds no whole answer to the request that would list it."),
    (2, "new", "Not listed before the work, although that memory was read then; there after the work."),
    (3, "returned", "Its test failed in the after-scan or in any reading since an erase."),
    (4, "failing", "Its test fails in the after-scan, and no clear was accepted."),
    (5, "returned", "It was pending, confirmed or listed by OBD again in any reading since an erase."),
    (6, "uncleared", "It is still stored, and no clear was accepted."),
    (7, "lapsed", "It is no longer stored, and no clear was accepted."),
    (8, "proven", "After an accepted clear its test ran and passed under the conditions of the fault."),
    (9, "proven", "For emissions monitors that run once a cycle. Not in this version: such faults end untested."),
    (10, "held", "Stayed away over several operation cycles. Not in this version: such faults end untested."),
    (11, "untested", "An accepted clear, and none of the rules above speaks."),
)
"""The rules by number: the verdict each gives, and when it speaks. The first that speaks decides."""

RULE_TITLES: Mapping[int, str] = {number: f"{verdict}: {meaning}" for number, verdict, meaning in RULE_WORDS}
"""The same, for the badge of a fault."""

LOOK_WORDS: tuple[tuple[str, str, str], ...] = (
    ("lists", "lists n faults", "The unit answered and named n codes that count as faults."),
    (
        "none",
        "lists none",
        "The unit answered and named no fault in that memory; history and permanent copies are shown apart.",
    ),
    ("refused", "refused", "The unit answered that it will not tell; the number is its reason."),
    ("silent", "silent", "The unit was asked and gave no answer in time."),
    ("damaged", "damaged", "An answer came that cannot be read, or that disagrees with itself."),
    ("not-asked", "not asked", "No request for codes reached this unit. It shows nothing at all."),
)
"""Mark, words and meaning of each way a unit can fare in a scan."""

BIT_WORDS: tuple[tuple[StatusBit, str], ...] = (
    (StatusBit.TEST_FAILED, "Newest test failed"),
    (StatusBit.TEST_FAILED_THIS_CYCLE, "Failed in this cycle"),
    (StatusBit.PENDING, "Pending: failed in this or the last cycle"),
    (StatusBit.CONFIRMED, "Confirmed and stored"),
    (StatusBit.NOT_COMPLETED_SINCE_CLEAR, "Not completed since the clear"),
    (StatusBit.FAILED_SINCE_CLEAR, "Failed since the clear"),
    (StatusBit.NOT_COMPLETED_THIS_CYCLE, "Not completed in this cycle"),
    (StatusBit.WARNING_INDICATOR, "Asks for a warning lamp"),
)
"""The eight status bits. Source of their meaning: ISO 14229-1, Annex D, DTC status bit definitions."""

OBD_LIST_WORDS: tuple[tuple[int, str], ...] = (
    (0x03, "OBD 03 lists it as stored"),
    (0x07, "OBD 07 lists it as pending"),
    (0x0A, "OBD 0A lists it as permanent"),
)

SAFETY_FIRST = "The vehicle maker's instructions, local rules and licensed practice come first."
SAFETY_WORDS: tuple[str, ...] = (
    "Clear a memory only with the car standing, the drive off, and nobody under it or within reach of moving "
    "parts. Keep the key on and the battery connected for 10 s after the last answer.",
    "Airbags and belt tensioners, high-voltage systems and brakes: only people trained and licensed for them, "
    "by the maker's instructions. An erased code in such a system makes nothing safe.",
    "Raised vehicle: never erase, start a routine or run the drive line while anyone is under it.",
    "Fans, pumps, flaps, seats and doors may move by themselves whenever the key is on.",
    "A test drive begins only when the brakes, the steering and the tyres have been found fit for the road.",
)

LIMIT_WORDS: tuple[str, ...] = (
    "It shows what the units' own tests can see. Wear, leaks, noise or damage that no test watches is not in it.",
    "It shows nothing of units that were not asked, and nothing of those that were silent, refused or damaged.",
    "It ends with the last scan. What happened to the car afterwards is not in it.",
    "Repairs, complaints, lamps and odometer are shown as people stated them; the program did not see the work.",
    "A text marked generic is what is published of a code or of its range, not the maker's own words. Codes whose text "
    "is not known stay unknown: nothing here is a guess at their meaning.",
    "It does not replace the judgement of the person who lets the car go.",
)


def number_words(value: int) -> str:
    """A whole number with a narrow no-break space between thousands, the same in every locale."""
    return f"{value:,}".replace(",", "\u202f")


def counted(count: int, singular: str, plural: str | None = None) -> str:
    """``1 fault``, ``2 faults``."""
    return f"{count} {singular if count == 1 else plural or singular + 's'}"


def look_mark(look: UnitLook | None) -> str:
    """The mark that goes with `UnitLook.words`."""
    if look is None or look.outcome is None or look.outcome is Outcome.UNSENT:
        return "not-asked"
    if look.outcome is Outcome.ANSWERED:
        return "lists" if look.faults else "none"
    return look.outcome.value


def refusal_words(refusal: int | None) -> str:
    """Why a unit refused, with the code: ``22, conditions not correct``."""
    return "no reason kept" if refusal is None else f"{refusal:02X}, {refusal_name(refusal)}"
