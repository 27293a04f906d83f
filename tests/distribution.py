"""Which tests go to one process together when several share the work, and which are begun first."""

from __future__ import annotations

from typing import Any

ONE_DEMONSTRATION = ("test_demo.py", "test_docs.py", "test_outside_judges.py", "test_report_stored.py")
"""These look at one run of the whole demonstration: together in one process it is run once."""

EACH_ALONE = ("test_truth.py", "test_verdict_properties.py", "test_fault_memory_reference.py")
"""Long tests that share nothing: any process may take any of them."""

BY_DOOR = "test_nothing_else_reaches_the_bus.py"
DOORS = ("[can]", "[dongle]", "[doip]")
"""The tests of that file share one story for each door; these are told apart from the rest."""

LONGEST_FIRST = (
    "demonstration",
    BY_DOOR,
    "test_report_pages.py",
    *EACH_ALONE,
    "test_cli_bench.py",
    "test_cli_terminal.py",
    "test_cli_signals.py",
    "test_link_contract_trouble.py",
    "test_link_contract.py",
    "test_scenarios_stories.py",
    "test_trace_kept.py",
    "test_cli_stream.py",
    "test_gateway_dongle_trouble.py",
    "test_watch.py",
    "test_link_contract_run.py",
    "test_link_contract_scan.py",
    "test_gateway_sweeping.py",
    "test_gateway_replay_whole.py",
)
"""Groups that take long, so that none of them is begun last while the other processes stand idle."""


def group_of(test: str) -> str:
    """The group of a test, by its name from pytest: what it shares a process with."""
    file = test.partition("::")[0].rpartition("/")[2]
    if file in ONE_DEMONSTRATION:
        return "demonstration"
    if file == BY_DOOR:
        return file + "::".join(["", *(door for door in DOORS if test.endswith(door))])
    return test if file in EACH_ALONE else file


def rank(test: str) -> int:
    """Where a test stands in the order of beginning."""
    group = group_of(test)
    name = group.partition("::")[0].rpartition("/")[2]
    return LONGEST_FIRST.index(name) if name in LONGEST_FIRST else len(LONGEST_FIRST)


def scheduler(config: Any, log: Any) -> Any:
    """What hands the groups out, in the order of the tests.

    The groups of pytest-xdist itself hang on a mark that it writes into the tests' names; with a pytest that does not
    let it, every test goes its own way and what they share is made once in each process.
    """
    from xdist.scheduler import LoadScopeScheduling

    class Groups(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return group_of(nodeid)

    config.option.loadscopereorder = False
    return Groups(config, log)
