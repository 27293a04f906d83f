"""Stories that several tests of the verdict share, built on the plain one."""

from __future__ import annotations

from typing import Any

from journal_builder import AT_REST, AT_SPEED, CODE, Story, after, before, cleared, profile, rounds

from sessions.profile import Profile

ENGINE = "7E0/7E8"
NEAR = "60 ± 10 km/h, engine running, outside 14 ± 10 °C"
"""The plain fault's conditions in words."""


def started(known: Profile | None = None, **more: Any) -> Story:
    """The plain story up to the repair."""
    return before(Story(known or profile(), **more)).part()


def driven(story: Story) -> Story:
    """The drive under the fault's conditions, on which its test completes."""
    return rounds(story, 0x50, 0x50, 0x50, 0x00)


def finish(story: Story) -> Story:
    """The clear, the drive and the after-scan."""
    return after(driven(cleared(story)))


def with_second(status: int) -> Story:
    """A second code beside the mended one, with a last status."""
    story = Story(profile()).scan("before").live(**AT_REST).session().codes(C0035_13=0x2F, C0040_13=0x2F)
    story.supported(C0035_13=0x2F).no_obd().snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    driven(cleared(story)).wait(60).scan("after").session()
    return story.codes(C0040_13=status).supported(C0035_13=0).no_obd().end()


def beside(tell_before: Any, tell_after: Any, known: Profile | None = None) -> Story:
    """The plain story, and what another unit tells in both scans."""
    story = Story(known or profile()).scan("before")
    tell_before(story)
    story.live(**AT_REST).session().codes(C0035_13=0x2F).supported(C0035_13=0x2F).no_obd()
    story.snapshot(CODE, 0x2F, **AT_SPEED).end().part()
    driven(cleared(story)).wait(60).scan("after")
    tell_after(story)
    return story.session().codes().supported(C0035_13=0).no_obd().end()


def obd_story(*after_scan: tuple[str, str | None]) -> Story:
    """P0420 is listed by 03 and 07 of a unit without service 19; then a clear, then the given answers."""
    story = Story().scan("before").refused(ENGINE, "1902FF", 0x11).answer(ENGINE, "03", "43010420")
    story.answer(ENGINE, "07", "47010420").answer(ENGINE, "0A", "4A00").end().part()
    story.clear(ENGINE, "04", "44").scan("after").refused(ENGINE, "1902FF", 0x11)
    for request, reply in after_scan:
        if reply is None:
            story.silent(ENGINE, request)
        else:
            story.answer(ENGINE, request, reply)
    return story.end()
