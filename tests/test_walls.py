"""Walls that no tool keeps by itself: who may import what, how long things are, and what is imported late."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("decoders", "sessions", "gateway", "simulators")
SOURCES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
TEXTS = sorted(
    path
    for package in PACKAGES
    for path in (ROOT / package).rglob("*")
    if path.suffix in (".py", ".j2", ".css", ".js", ".svg", ".toml", ".html")
)
MOST_LINES, MOST_FUNCTION_LINES = 400, 60
# Names of namespaces and licences, which nobody fetches.
ALLOWED_ADDRESSES = ("http://www.w3.org/", "https://www.apache.org/licenses/")
IMPORTED_LATE = ("can", "isotp", "rich", "jinja2", "sqlite_utils", "cantools", "udsoncan", "scapy", "obd")


def named(path: Path) -> str:
    return str(path.relative_to(ROOT))


def test_there_is_something_to_look_at() -> None:
    assert {*PACKAGES} == {path.relative_to(ROOT).parts[0] for path in SOURCES}


@pytest.mark.parametrize("path", SOURCES, ids=named)
def test_files_and_functions_stay_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) < MOST_LINES
    long = [
        (node.name, node.end_lineno - node.lineno + 1)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno is not None
        and node.end_lineno - node.lineno + 1 >= MOST_FUNCTION_LINES
    ]
    assert [] == long


def imports(path: Path) -> Iterator[str]:
    """Every module, and every name taken from one, as dotted text."""
    package = path.relative_to(ROOT).parent.parts
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join([*above, *([node.module] if node.module else [])])
            yield from (f"{module}.{alias.name}" for alias in node.names)


def ours(path: Path) -> set[str]:
    return {name for name in imports(path) if name.partition(".")[0] in PACKAGES}


def of(package: str) -> list[Path]:
    return [path for path in SOURCES if path.relative_to(ROOT).parts[0] == package]


@pytest.mark.parametrize("path", of("simulators"), ids=named)
def test_the_bench_knows_only_itself_and_the_value_types(path: Path) -> None:
    # `from decoders import X` would bring a decoder in by a side door: only decoders.values is open.
    assert [] == [name for name in ours(path) if not name.startswith(("simulators.", "decoders.values."))]


@pytest.mark.parametrize("path", [*of("decoders"), *of("sessions"), *of("gateway")], ids=named)
def test_nothing_of_ours_imports_the_bench(path: Path) -> None:
    assert [] == [name for name in ours(path) if name.startswith("simulators")]


@pytest.mark.parametrize("path", of("decoders"), ids=named)
def test_decoders_use_nothing_but_themselves_and_the_standard_library(path: Path) -> None:
    roots = {name.partition(".")[0] for name in imports(path)}
    assert set() == roots - {"decoders", *sys.stdlib_module_names}


@pytest.mark.parametrize("path", of("sessions"), ids=named)
def test_only_the_store_speaks_sql(path: Path) -> None:
    if path.relative_to(ROOT).parts[1] != "store":
        assert {"sqlite3", "sqlite_utils"}.isdisjoint(name.partition(".")[0] for name in imports(path))


@pytest.mark.parametrize("path", of("gateway"), ids=named)
def test_the_commands_leave_the_vehicle_to_the_link_and_the_record_to_the_store(path: Path) -> None:
    roots = {name.partition(".")[0] for name in imports(path)}
    assert {"sqlite3", "sqlite_utils"}.isdisjoint(roots)
    if path.relative_to(ROOT).parts[1] != "links":
        assert {"can", "isotp"}.isdisjoint(roots)


@pytest.mark.parametrize("path", TEXTS, ids=named)
def test_no_address_on_the_net_is_named(path: Path) -> None:
    found = re.findall(r"https?://[^\s\"'<>)]+", path.read_text(encoding="utf-8"))
    assert [] == [address for address in found if not address.startswith(ALLOWED_ADDRESSES)]


def test_heavy_libraries_are_imported_only_when_they_are_needed() -> None:
    code = f"import sys, gateway.cli.main; print(sorted(set(sys.modules) & {set(IMPORTED_LATE)!r}))"
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=30, check=False
    )
    assert ("[]\n", "") == (done.stdout, done.stderr)
