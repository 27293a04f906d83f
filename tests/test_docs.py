"""The pages for users and developers say what the program does: nothing is missing, nothing is invented."""

import re
import sqlite3
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import click
import pytest
from demo_help import DemoRun, demo_run

from gateway.cli.main import cli
from gateway.guard.allowlist import NEVER
from gateway.profiles import loader
from gateway.settings import read_settings
from sessions.journal import Kind
from sessions.profile import QUANTITIES, SYSTEMS
from sessions.verdict import RuleSettings, Verdict

ROOT = Path(__file__).parent.parent
PAGES = (
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "docs/commands.md",
    "docs/profile.md",
    "docs/record.md",
    "docs/udsoncan.md",
    "docs/bench.md",
    "docs/scenarios.md",
    "docs/services.md",
    "docs/figures.md",
    "docs/verdicts.md",
)
SHARED = frozenset({"--store", "--json", "--quiet", "--by", "--set"})


def page(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def section(text: str, heading: str) -> str:
    """What stands under a heading of the second level; empty if it is not there."""
    found = re.search(rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    return found[1] if found else ""


def rows(text: str) -> set[str]:
    """The words in code marks in the first column of the tables of a text."""
    return {word for cell in re.findall(r"^\|([^|]*)\|", text, re.MULTILINE) for word in re.findall(r"`([^`]+)`", cell)}


def commands(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[str, click.Command]]:
    """Every command that does something, with its whole name."""
    if not isinstance(command, click.Group):
        yield " ".join(path), command
        return
    context = click.Context(command)
    for name in command.list_commands(context):
        inner = command.get_command(context, name)
        if inner is not None:
            yield from commands(inner, (*path, name))


COMMANDS = dict(commands(cli, ("mendproof",)))


def options(command: click.Command) -> set[str]:
    return {text for item in command.params if isinstance(item, click.Option) for text in item.opts} - SHARED


@pytest.mark.parametrize("name", COMMANDS)
def test_the_page_of_commands_has_each_command_with_exactly_its_options(name: str) -> None:
    found = {word.split()[0] for word in rows(section(page("docs/commands.md"), name)) if word.startswith("--")}
    assert options(COMMANDS[name]) == found


@pytest.mark.parametrize("name", COMMANDS)
def test_the_page_of_commands_shows_the_arguments_of_each_command(name: str) -> None:
    metavars = [
        str(item.metavar or item.name).upper() for item in COMMANDS[name].params if isinstance(item, click.Argument)
    ]
    assert f"\n`{' '.join([name, *metavars])}`\n" in section(page("docs/commands.md"), name)


def test_the_page_of_commands_has_no_command_that_is_not_there() -> None:
    headings = re.findall(r"^## (mendproof .*)$", page("docs/commands.md"), re.MULTILINE)
    assert sorted(COMMANDS) == sorted(headings)


def test_the_page_of_commands_has_the_options_of_every_command() -> None:
    found = {word.split()[0] for word in rows(section(page("docs/commands.md"), "Options of every command"))}
    assert SHARED | {"-h", "--help"} == found


@pytest.mark.parametrize("code", [0, 1, 2, 3, 4, 5, 70, 130, 143])
def test_the_page_of_commands_has_each_exit_code(code: int) -> None:
    assert f"\n| {code} | " in section(page("docs/commands.md"), "Exit codes")


def test_the_page_of_commands_has_exactly_the_settings() -> None:
    assert set(read_settings([], None).values) == rows(section(page("docs/commands.md"), "mendproof settings"))


@pytest.mark.parametrize("verdict", Verdict)
def test_the_readme_explains_each_verdict(verdict: Verdict) -> None:
    assert re.search(rf"^\| `\[.\]` \| `{verdict.value}` \| \S", page("README.md"), re.MULTILINE)


@pytest.mark.parametrize("service", NEVER)
def test_the_readme_names_each_service_that_is_never_sent(service: int) -> None:
    never = section(page("README.md"), "Safety").partition("Never sent")[2].partition("This version")[0]
    assert f"{service:02X}" in re.findall(r"\b[0-9A-F]{2}\b", never)


def test_the_page_of_the_record_has_exactly_the_kinds_of_entry() -> None:
    assert {kind.value for kind in Kind} == rows(section(page("docs/record.md"), "Kinds of entry"))


@pytest.mark.parametrize(
    ("heading", "keys"),
    [
        ("`[profile]`", loader.PROFILE),
        ("`[[unit]]`: one for each control unit", loader.UNIT),
        ("`[[code]]`: one for each code of a unit", loader.CODE),
        ("`[[identifier]]`: one for each data identifier", loader.IDENTIFIER),
    ],
)
def test_the_page_of_profiles_has_exactly_the_keys(heading: str, keys: dict[str, object]) -> None:
    assert set(keys) == rows(section(page("docs/profile.md"), heading))


@pytest.mark.parametrize("word", [*SYSTEMS, *QUANTITIES, *(item.name for item in fields(RuleSettings))])
def test_the_page_of_profiles_has_each_word_that_a_value_may_be(word: str) -> None:
    assert f"`{word}`" in page("docs/profile.md")


def test_the_profile_shown_is_one_that_can_be_read_and_has_every_key() -> None:
    [text] = blocks(page("docs/profile.md"), "toml")
    profile = loader.parse_profile(text, name="docs/profile.md")
    shown = set(re.findall(r"^(\w+) = ", text, re.MULTILINE)) | {"settings"}
    keys = {key for table in (loader.PROFILE, *loader.ARRAYS.values()) for key in table}
    assert ("Halvorne Meridel", keys - shown) == (profile.name, set())


@pytest.mark.parametrize("name", PAGES)
def test_links_between_the_pages_lead_somewhere(name: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", page(name)):
        path, _, anchor = target.partition("#")
        there = (ROOT / name).parent / path if path else ROOT / name
        headings = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.MULTILINE)
        assert not anchor or anchor in {heading.lower().replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("name", PAGES)
def test_files_that_a_page_names_are_there(name: str) -> None:
    named = re.findall(r"`((?:decoders|sessions|gateway|simulators|tests|docs|\.ci)/[\w./]*)`", page(name))
    assert [] == [path for path in named if not (ROOT / path).exists() and "NAME" not in path]


@pytest.mark.parametrize("name", PAGES)
def test_make_targets_that_a_page_names_are_in_the_makefile(name: str) -> None:
    targets = set(re.findall(r"^(\w+):", page("Makefile"), re.MULTILINE))
    named = set(re.findall(r"(?:^|`)make (\w+)", page(name), re.MULTILINE))
    assert named <= targets


def test_the_readme_begins_with_the_two_commands() -> None:
    assert ["make demo", "make test"] == re.findall(r"^make \w+", blocks(page("README.md"), "sh")[0], re.MULTILINE)


@pytest.mark.parametrize("line", re.findall(r"^mendproof .*$", page("README.md"), re.MULTILINE))
def test_a_command_line_in_the_readme_can_be_understood(line: str) -> None:
    name = max((name for name in COMMANDS if line.startswith(f"{name} ")), key=len)
    used = {word for word in line.split() if word.startswith("--")}
    assert used <= options(COMMANDS[name]) | SHARED


@pytest.fixture(scope="module")
def demo() -> DemoRun:
    """What the demo prints, and its record."""
    return demo_run()


def test_the_tour_of_the_readme_is_what_the_demo_prints_in_this_order(demo: DemoRun) -> None:
    rest = " ".join(demo.output.split())
    for block in blocks(page("README.md"), "text"):
        for line in block.splitlines():
            _, found, rest = rest.partition(" ".join(line.split()))
            assert found, f"not printed, or not in this order: {line}"


SQL = blocks(page("docs/record.md"), "sql")


def ask(record: Path, sql: str) -> list[sqlite3.Row]:
    connection = sqlite3.connect(f"{record.as_uri()}?mode=ro", uri=True)
    connection.row_factory = sqlite3.Row
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def test_the_first_question_shows_each_unit_before_and_after(demo: DemoRun) -> None:
    found = {(row["target"], row["taken_as"]): row["answers_text"] for row in ask(demo.store_file, SQL[0])}
    assert 2 * 11 == len(found)
    # The demo's own car: C0035-13 failing, lamp on, mask FF; status bits of ISO 14229-1 Annex D.
    assert found["760/768", "before"].startswith("768 positive 59 02 FF 40 35 13 AF")


def test_the_second_question_shows_each_clear_and_its_answer(demo: DemoRun) -> None:
    found = ask(demo.store_file, SQL[1])
    assert ["clear", "exchange"] * (len(found) // 2) == [row["kind"] for row in found]
    assert {("14FFFFFF", "answered")} == {
        (row["request"], row["outcome"]) for row in found if row["kind"] == "exchange"
    }


def test_the_third_question_shows_how_a_verdict_changed(demo: DemoRun) -> None:
    words = [
        row["verdict"] for row in ask(demo.store_file, SQL[2]) if (row["unit"], row["code"]) == ("760/768", "C0035-13")
    ]
    assert ["unread", "untested", "proven"] == list(dict.fromkeys(words))


def test_the_page_of_the_record_has_each_table_view_and_column(demo: DemoRun) -> None:
    text = page("docs/record.md")
    tables = section(text, "Tables") + section(text, "Views")
    shape = ask(demo.store_file, "SELECT name FROM sqlite_schema WHERE type IN ('table', 'view')")
    names = {row["name"] for row in shape}
    assert names == rows(tables)
    ours = sorted(names - {"_sqlite_migrations", "job_summary"})
    columns = {(name, row["name"]) for name in ours for row in ask(demo.store_file, f"PRAGMA table_info({name})")}
    lines = {name: " ".join(re.findall(rf"^\| `{name}` \|.*$", tables, re.MULTILINE)) for name in ours}
    assert set() == {(name, column) for name, column in columns if f"`{column}`" not in lines[name]}
