"""The page of services is true: every service is on it, every test named is there and asks the judge it names."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest
from services_table import JUDGES, MATTERS, PAGE, REPORT_CHECKS, Row, asked_service, page, rows, vectors_of

from decoders import REPORTS, Service
from decoders.explain import explain

READ = {
    *range(Service.OBD_CURRENT_DATA, Service.OBD_PERMANENT_CODES + 1),
    Service.SESSION_CONTROL,
    Service.CLEAR_DTC,
    Service.READ_DTC,
    Service.READ_DATA,
    Service.ROUTINE_CONTROL,
    Service.TESTER_PRESENT,
    Service.DTC_SETTING,
}
ROWS = tuple(rows())
CHECKS = [check for row in ROWS for check in row.checks] + [check for *_, checks in MATTERS for check in checks]


@cache
def functions_of(name: str) -> frozenset[str]:
    tree = ast.parse((Path(__file__).parent / name).read_text(encoding="utf-8"))
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def test_the_page_says_what_the_decoders_do() -> None:
    assert page() == PAGE.read_text(encoding="utf-8"), "run make tables"


def test_every_service_that_is_read_has_a_row() -> None:
    assert {int(service) for service in READ} == {asked_service(row) for row in ROWS}
    assert sorted(REPORT_CHECKS) == sorted(REPORTS)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name or row.sample)
def test_a_row_has_vectors_and_a_judge_or_a_reason(row: Row) -> None:
    assert vectors_of(row) > 0
    assert bool(row.checks) != bool(row.why_none)
    assert explain(bytes.fromhex(row.sample)).standard


@pytest.mark.parametrize(("judge", "test"), sorted(set(CHECKS)))
def test_a_judge_is_asked_by_the_test_named(judge: str, test: str) -> None:
    name, _, function = test.partition("::")
    assert any(found.startswith(function) for found in functions_of(name))
    assert JUDGES[judge] in (Path(__file__).parent / name).read_text(encoding="utf-8")
