"""What the tests of the report share: rendering, reading the page back, and the emptiest job."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import sample_verdict as sample

from sessions.profile import NO_PROFILE
from sessions.record import JobRecord
from sessions.report import render_html
from sessions.verdict import JobGrade, JobVerdict

STATE_AT = "2031-03-04T11:20:05.120Z"
VOID = {"meta", "link", "br", "hr", "img", "input"}


def render(verdict: JobVerdict, *, last_hash: str | None = None) -> str:
    return render_html(verdict, job=7, made_with="Mendproof 0.1.0", state_at=STATE_AT, last_hash=last_hash)


def plain(html: str) -> str:
    """The words of the page, without markup and style."""
    body = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


class Outline(HTMLParser):
    """Collects what the structural checks look at."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.unbalanced: list[str] = []
        self.tags: Counter[str] = Counter()
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.labels: list[str] = []
        self.headings: list[int] = []
        self.attributes: list[tuple[str, dict[str, str]]] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {key: value or "" for key, value in attrs}
        self.tags[tag] += 1
        self.attributes.append((tag, found))
        self.ids += [found["id"]] if "id" in found else []
        self.targets += [found["href"]] if "href" in found else []
        self.labels += found.get("aria-labelledby", "").split()
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)


def empty_verdict() -> JobVerdict:
    """A job that was only opened: no vehicle read, nothing done."""
    return JobVerdict(
        record=JobRecord(
            job_uid=sample.JOB_UID, opened=replace(sample.moment(1), at=""), profile=NO_PROFILE, last_seq=1
        ),
        vin=None,
        grade=JobGrade.OPEN,
        reasons=("nothing to prove: no complete before-scan that read a unit",),
        before=None,
        after=None,
        faults=(),
        history=(),
        units=(),
        plan=("Scan the car before anything is repaired or cleared (scan --as before).",),
    )


def proven_verdict() -> JobVerdict:
    """A proven job on a real vehicle, with nothing set aside."""
    whole = sample.record()
    real = replace(
        whole,
        world=(),
        scans=tuple(
            replace(
                scan,
                begin=sample.moment(scan.begin.seq),
                end=sample.moment(scan.begin.seq + 40),
                link="can:socketcan:can0",
            )
            for scan in whole.scans[:3]
        ),
        live=tuple(replace(item, moment=sample.moment(item.moment.seq)) for item in whole.live),
        clears=tuple(replace(item, moment=sample.moment(item.moment.seq)) for item in whole.clears),
        repairs=tuple(replace(item, moment=sample.moment(item.moment.seq)) for item in whole.repairs),
        observations=(),
        closed=sample.moment(480),
    )
    return replace(
        sample.open_verdict(),
        record=real,
        grade=JobGrade.PROVEN,
        reasons=(),
        faults=sample.FAULTS[-1:],
        plan=(),
        units=tuple(replace(pair, set_aside=None) for pair in sample.units() if pair.unit == sample.BRAKES),
        history=(),
    )
