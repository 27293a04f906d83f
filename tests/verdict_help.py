"""What several tests of the verdict ask of a story."""

from __future__ import annotations

from journal_builder import CODE, UNIT, Story, before, profile

from decoders.values import Dtc
from sessions.profile import Profile
from sessions.verdict.facts import FaultFacts, context_of, facts_of
from sessions.verdict.met import SetResult
from sessions.verdict.sights import FaultKey

KEY = FaultKey(unit=UNIT, dtc=Dtc.parse(CODE), memory="dtc")
"""The plain fault."""

NEAR_MISS = {"kmh": 49, "rpm": 2000, "ambient": 14}
"""Conditions just outside the plain fault's."""


def started_under(known: Profile | None = None, **conditions: float) -> Story:
    """The plain story up to the repair, its fault stored under these conditions."""
    return before(Story(known or profile()), **conditions).part()


def facts(story: Story, key: FaultKey = KEY) -> FaultFacts:
    """The facts about a fault."""
    return facts_of(context_of(story.record()), key)


def sets(story: Story) -> tuple[SetResult, ...]:
    """How each set of the plain fault's conditions fared."""
    return facts(story).sets


def seen(story: Story) -> list[bool]:
    """For each set of conditions in turn, whether a completed test was seen under it."""
    return [result.seen_at is not None for result in sets(story)]


def words(story: Story) -> list[str]:
    """Each set of conditions in words."""
    return [result.words for result in sets(story)]


def missing(story: Story, code: str = CODE, unit: str = UNIT) -> str:
    """What keeps a fault from a better verdict."""
    return " | ".join(story.fault(code, unit).ruling.missing)


def reasons(story: Story) -> tuple[str, ...]:
    """Why the job is open."""
    return story.judged().reasons
