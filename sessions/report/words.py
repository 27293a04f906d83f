"""What the report says in plain words: verdicts, status bits, outcomes, times, cautions."""

from __future__ import annotations

from collections.abc import Mapping

from decoders import refusal_name
from decoders.values import Outcome, StatusBit
from sessions.record import Moment
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
    JobGrade.OPEN: "the record does not show that every fault is cured",
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

LOOK_WORDS: tuple[tuple[str, str, str], ...] = (
    ("lists", "lists n faults", "The unit answered and named n codes that count as faults."),
    ("none", "lists none", "The unit answered and named no fault. Only this shows that nothing is stored."),
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
    "Codes whose text is not known stay unknown. Nothing here is a guess at their meaning.",
    "It does not replace the judgement of the person who lets the car go.",
)


def moment_words(moment: Moment) -> str:
    """When something happened: UTC by the machine clock, and the simulated time where there is one."""
    simulated = simulated_words(moment)
    return f"{utc_words(moment.at)}, {simulated}" if simulated else utc_words(moment.at)


def short_moment_words(moment: Moment) -> str:
    """The simulated time where there is one, else UTC by the machine clock."""
    return simulated_words(moment) or utc_words(moment.at)


def simulated_words(moment: Moment) -> str:
    """The simulated vehicle's time, named as such; empty on a real one."""
    return "" if moment.world_s is None else f"simulated {span_words(moment.world_s)}"


def utc_words(at: str) -> str:
    """An ISO 8601 UTC text as people read it, to the second."""
    return f"{at[:10]} {at[11:19]} UTC" if len(at) >= 19 else "time not known"


def span_words(seconds: int) -> str:
    """A span of whole seconds in hours, minutes and seconds."""
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min {rest:02d} s"


def clock_words(seconds: int) -> str:
    """The same as ``h:mm:ss``, for the axis of a chart."""
    minutes, rest = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}"


def number_words(value: int) -> str:
    """A whole number with a narrow no-break space between thousands, the same in every locale."""
    return f"{value:,}".replace(",", "\u202f")


def counted(count: int, singular: str, plural: str | None = None) -> str:
    """``1 fault``, ``2 faults``."""
    return f"{count} {singular if count == 1 else plural or singular + 's'}"


def unit_words(name: str, unit: str) -> str:
    """A unit's name, then its address; the address once where no better name is known."""
    return name if unit in name else f"{name} {unit}"


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
