"""Every door of a running bench, and what misbehaves behind them."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest
from control_help import SCENARIO, TOKEN, line, talk

from simulators import dongle_faults, misbehaviour
from simulators.control import ControlPort
from simulators.door import Bench, BenchError, RunningBench


@pytest.fixture
def bench() -> Iterator[RunningBench]:
    with Bench().start(SCENARIO) as running:
        yield running


# --- doors ---


def test_every_door_opens_and_closes_with_the_car() -> None:
    threads = threading.active_count()
    with Bench().start(SCENARIO) as bench:
        links = [bench.open_door(kind) for kind in Bench().doors()]
        assert (*bench.links[:1], *links) == bench.links
        assert all("127.0.0.1:" in link or "/dev/" in link for link in links)
        assert threads < threading.active_count()
    bench.close()
    assert threads == threading.active_count()


@pytest.mark.parametrize("kind", [kind for kind in Bench().doors() if kind != "pty"])
def test_a_doors_port_in_use_is_named(kind: str, bench: RunningBench) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        with pytest.raises(BenchError, match=str(port)):
            bench.open_door(kind, port)
    with pytest.raises(BenchError, match="no door 'window'"):
        bench.open_door("window")


# --- a dongle that misbehaves ---


def typed(port: int, command: str) -> str:
    """What a dongle writes for a command, up to its prompt."""
    with socket.create_connection(("127.0.0.1", port), timeout=5) as sock:
        sock.sendall(f"{command}\r".encode())
        heard = b""
        while not heard.endswith(b">"):
            heard += sock.recv(1000)
    return heard.decode()


def test_every_dongle_misbehaves_and_is_well_again(bench: RunningBench) -> None:
    port = int(bench.open_door("dongle").rpartition(":")[2])
    assert "NO DATA" not in typed(port, "0100")
    result = bench.act("disturb", who="dongle", kind="no_data")
    assert (bench.world.now_s, "dongle: no data: on") == (result.world_s, result.said)
    assert "NO DATA" in typed(port, "0100")
    assert "dongle: all: off" == bench.act("settle", who="dongle").said
    assert "NO DATA" not in typed(port, "0100")


def test_a_unit_falls_silent_and_answers_again(bench: RunningBench) -> None:
    port = int(bench.open_door("dongle").rpartition(":")[2])
    assert "4100" in typed(port, "0100").replace(" ", "")
    assert "Engine control: silent: on" == bench.act("disturb", who="Engine control", kind="silent", seconds=600).said
    assert "4100" not in typed(port, "0100").replace(" ", "")
    bench.act("settle", who="Engine control", kind="silent")
    assert "4100" in typed(port, "0100").replace(" ", "")


def test_every_way_of_misbehaving_is_explained(bench: RunningBench) -> None:
    ways = " ".join(Bench().disturbances())
    for kind in (*misbehaviour.KINDS, *dongle_faults.KINDS):
        assert f" kind={kind}" in ways
    assert all(about.endswith(".") for about in Bench().disturbances().values())


def test_a_request_is_text_though_it_looks_like_a_number(bench: RunningBench) -> None:
    port = int(bench.open_door("dongle").rpartition(":")[2])
    bench.act("disturb", who="dongle", kind="no_data", request=10, times=1)
    assert "NO DATA" not in typed(port, "0100")


@pytest.mark.parametrize(
    ("action", "arguments", "says"),
    [
        ("disturb", {}, "'disturb' takes who=WHO kind=KIND, not nothing"),
        ("disturb", {"who": "dongle"}, "'disturb' takes who=WHO kind=KIND, not who"),
        ("disturb", {"who": "dongle", "kind": 5}, "kind must be a name"),
        ("disturb", {"who": "dongle", "kind": "sleepy"}, "unknown fault of a dongle 'sleepy'"),
        (
            "disturb",
            {"who": "dongle", "kind": "no_data", "self": 1},
            "'disturb' takes who=WHO kind=KIND, not kind, self",
        ),
        ("disturb", {"who": "dongle", "kind": "no_data", "ms": 1}, "'no_data' takes request, times, not ms"),
        ("disturb", {"who": "dongle", "kind": "late_prompt", "ms": "soon"}, "ms of 'late_prompt' is a whole number"),
        ("disturb", {"who": "moon", "kind": "silent"}, "no unit 'moon'; known: "),
        ("disturb", {"who": "Engine control", "kind": "sleepy"}, "unknown misbehaviour 'sleepy'"),
        ("disturb", {"who": "Engine control", "kind": "late", "unit": "x"}, "'disturb' takes who=WHO kind=KIND"),
        ("disturb", {"who": "Engine control", "kind": "late", "ms": 0}, "ms must be a whole number"),
        ("settle", {"who": "dongle", "kind": "sleepy"}, "unknown fault of a dongle 'sleepy'"),
        ("settle", {"who": "dongle", "ms": 5}, "'settle' takes who=WHO [kind=KIND], not ms, who"),
    ],
)
def test_a_misbehaviour_that_is_not_there_is_told(
    bench: RunningBench, action: str, arguments: dict[str, int | str], says: str
) -> None:
    bench.open_door("dongle")
    with ControlPort(bench, TOKEN) as control:
        [answer] = talk(control.port, line(action=action, arguments=arguments))
    assert says in str(answer["error"])


def test_without_a_dongle_there_is_none_to_disturb(bench: RunningBench) -> None:
    with pytest.raises(BenchError, match="the car has no dongle door open"):
        bench.act("disturb", who="dongle", kind="silent")
