"""The report as a browser shows and prints it, at the widths and on the papers people use.

Where no source is named, the check is of the form this project gave its own report.
"""

from __future__ import annotations

import os
import re
import shutil
import struct
import subprocess
from collections.abc import Callable
from dataclasses import replace
from html import escape
from pathlib import Path

import pytest
import sample_verdict as sample
from report_help import render

from sessions.verdict import UnitPair, Verdict

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
WIDTHS = (360, 800, 1280)
LIMIT_S = 50
FRAME = '<iframe width="{width}" height="30000" style="border:0" srcdoc="{page}"></iframe>'
FRAMES = """<!doctype html><title>unmeasured</title>
{frames}
<script>
addEventListener("load", () => {{
  document.title = Array.from(frames).map((view) => {{
    const limit = view.innerWidth + 0.5;
    const out = [...view.document.querySelectorAll("body *")].filter((item) =>
      !item.closest("svg, .hidden, .skip, thead") && item.getBoundingClientRect().right > limit);
    const names = out.map((item) => item.className || item.tagName);
    const cells = [...view.document.querySelectorAll(".stack td")].map((cell) => cell.offsetWidth);
    const widths = [view.innerWidth, view.document.documentElement.scrollWidth, Math.min(...cells)];
    return `${{widths.join(" ")}} ${{names}}`;
  }}).join("|");
}});
</script>"""
"""A window cannot be made as narrow as a telephone, a frame can; its script is the test's, not the report's."""
Browse = Callable[..., str]


def need(tool: str) -> str:
    """The path of a tool; where it is missing the test is skipped, on a build machine it fails."""
    found = shutil.which(tool)
    if found is None and os.environ.get("CI") == "true":
        pytest.fail(f"{tool} is not installed on this build machine")
    if found is None:
        pytest.skip(f"{tool} is not installed: the report cannot be looked at")
    return found


def run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=LIMIT_S)  # noqa: S603
    return done.stdout


@pytest.fixture(scope="module")
def browse(tmp_path_factory: pytest.TempPathFactory) -> Browse:
    """Opens a page in a browser of its own, with further options."""
    chromium, folder = need("chromium"), tmp_path_factory.mktemp("browser")

    def opened(html: str, *options: str) -> str:
        page = folder / "page.html"
        page.write_text(html, encoding="utf-8")
        return run(chromium, *FLAGS, f"--user-data-dir={folder / 'profile'}", *options, page.as_uri())

    return opened


def measured(browse: Browse, html: str, *widths: int) -> list[list[str]]:
    """For each width: of the view, of the page in it, of the narrowest table cell, and what sticks out."""
    open_to_script = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", html)
    frames = "".join(FRAME.format(width=width, page=escape(open_to_script)) for width in widths)
    dom = browse(FRAMES.format(frames=frames), "--window-size=1400,900", "--dump-dom")
    title = re.search(r"<title>(.*?)</title>", dom)
    return [found.split(" ", 3) for found in title[1].split("|")] if title else []


@pytest.fixture(scope="module")
def report_widths(browse: Browse) -> dict[int, list[str]]:
    """The report as it is measured at each width, in one browser."""
    return dict(zip(WIDTHS, measured(browse, render(sample.open_verdict()), *WIDTHS), strict=True))


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_sticks_out_of_the_page(report_widths: dict[int, list[str]], width: int) -> None:
    # Source: WCAG 2.2, 1.4.10 (reflow): no scrolling in two dimensions.
    view, page, _cell, out = report_widths[width]
    assert (view, page, out) == (str(width), str(width), "")


def test_on_a_narrow_screen_each_table_cell_takes_the_whole_width(report_widths: dict[int, list[str]]) -> None:
    _view, _page, cell, _out = report_widths[360]
    # 360 less the margins of 16 at either side.
    assert cell == "328"


def test_long_words_without_a_break_do_not_widen_the_page(browse: Browse) -> None:
    verdict, long = sample.open_verdict(), "x" * 300
    whole = replace(
        verdict.record,
        complaints=(long,),
        repairs=tuple(replace(item, text=long) for item in verdict.record.repairs),
        scans=tuple(replace(item, link=f"can:slcan:{long}") for item in verdict.record.scans),
        world=tuple(replace(item, said=long) for item in verdict.record.world),
    )
    faults = tuple(replace(fault, text=long, unit_name=long) for fault in verdict.faults)
    units = tuple(replace(pair, name=long) for pair in verdict.units)
    html = render(replace(verdict, record=whole, faults=faults, units=units, reasons=(long,), plan=(long,)))
    [(view, page, _cell, out)] = measured(browse, html, 360)
    assert (view, page, out) == ("360", "360", "")


@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_can_be_pictured_at_each_width(browse: Browse, tmp_path: Path, width: int) -> None:
    picture = tmp_path / "page.png"
    browse(render(sample.open_verdict()), f"--window-size={width},1600", f"--screenshot={picture}")
    data = picture.read_bytes()
    # Source: PNG specification, IHDR: width and height in bytes 16 to 23.
    assert struct.unpack(">II", data[16:24]) == (width, 1600)
    assert len(data) > 40_000


def printed(browse: Browse, folder: Path, html: str, paper: str) -> tuple[str, list[str]]:
    """The page size as poppler names it, and the words of each page."""
    pdf = folder / "page.pdf"
    sized = html.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1)
    browse(sized, f"--print-to-pdf={pdf}", "--no-pdf-header-footer")
    size = re.search(r"Page size:.*\((.+)\)", run(need("pdfinfo"), str(pdf)))
    pages = run(need("pdftotext"), "-layout", str(pdf), "-").split("\f")[:-1]
    return (size[1] if size else "", pages)


@pytest.fixture(scope="module", params=["A4", "letter"])
def paper(
    browse: Browse, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> tuple[str, list[str]]:
    found = printed(browse, tmp_path_factory.mktemp("paper"), render(sample.open_verdict()), request.param)
    assert found[0] == request.param
    return found


def test_each_fault_is_on_paper_with_its_code_and_its_verdict(paper: tuple[str, list[str]]) -> None:
    text = "\n".join(paper[1])
    assert [fault.key.dtc.text for fault in sample.FAULTS if fault.key.dtc.text not in text] == []
    assert [word.value for word in Verdict if word.value not in text] == []


def test_the_head_and_the_status_of_a_fault_are_each_on_one_page(paper: tuple[str, list[str]]) -> None:
    for first, last in (
        # Unit and code, then the evidence; the words over the status, then its last bit.
        (r"(?<=[0-9A-F]{3} ) *[PCBU][0-9A-F]{4}-[0-9A-F]{2}\n", "What speaks for this verdict"),
        (r"Now: ", "Asks for a warning lamp"),
    ):
        begins = [len(re.findall(first, page)) for page in paper[1]]
        assert begins == [page.count(last) for page in paper[1]]
        assert sum(begins) == len(sample.FAULTS)


def test_no_page_is_half_empty_and_the_last_is_no_orphan(paper: tuple[str, list[str]]) -> None:
    lines = [sum(bool(line.strip()) for line in page.splitlines()) for page in paper[1]]
    assert len(lines) <= 9
    assert [count for count in lines[:-1] if count < 30] == []
    # The end of the report stays together: the limits, and what the journal is known by.
    end = (" ".join(paper[1][-1].split()).find(words) for words in ("What this report cannot show", "Job identity"))
    assert -1 not in end


def test_each_page_names_the_job_and_its_number(paper: tuple[str, list[str]]) -> None:
    # Source: CSS Paged Media Level 3, page-margin boxes and the counters page and pages.
    pages = paper[1]
    # Without spaces: how wide a gap must be to count as one is poppler's guess.
    feet = ["".join(page.split())[-40:] for page in pages]
    wrong = [nth for nth, foot in enumerate(feet, 1) if not foot.endswith(f"Mendproof,job7{nth}/{len(pages)}")]
    assert wrong == []


def test_the_header_row_of_a_long_table_comes_again_on_each_page(browse: Browse, tmp_path: Path) -> None:
    # Source: CSS 2.2, 17.2: display table-header-group repeats on pages.
    many = tuple(
        UnitPair(unit=f"6{nth:02X}/7{nth:02X}", name=f"Unit number {nth}", before=None, after=None, set_aside=None)
        for nth in range(120)
    )
    _size, pages = printed(browse, tmp_path, render(replace(sample.open_verdict(), units=many)), "A4")
    with_rows = [page for page in pages if "Unit number" in page]
    assert len(with_rows) > 2
    assert [page for page in with_rows if "taken as before" not in page] == []
