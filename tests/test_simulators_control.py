"""The control port and ``bench.json``: who may move the car, what is said of a bad line, and that nothing stops it."""

from __future__ import annotations

import json
import os
import socket
import stat
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from control_help import SCENARIO, TOKEN, line, talk

from simulators.bench_file import DistantBench, find_published, runtime_folder
from simulators.control import LONGEST_LINE, ControlClient, ControlPort
from simulators.door import ActResult, Bench, BenchError, RunningBench


@pytest.fixture(autouse=True)
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A runtime folder of the test's own."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    tmp_path.chmod(0o700)
    return tmp_path / "mendproof"


@pytest.fixture
def bench() -> Iterator[RunningBench]:
    with Bench().start(SCENARIO) as running:
        yield running


@pytest.fixture
def control(bench: RunningBench) -> Iterator[ControlPort]:
    with ControlPort(bench, TOKEN) as port:
        yield port


def alive(control: ControlPort) -> bool:
    return [{"scenario": SCENARIO}] == talk(control.port, line())


# --- one line, one answer ---


def test_an_action_is_done_and_told(control: ControlPort, bench: RunningBench) -> None:
    before_s = bench.world.now_s
    [answer] = talk(control.port, line(action="wait", arguments={"seconds": 5}))
    assert {"world_s": before_s + 5, "said": "waited 5 s"} == answer


def test_several_lines_at_once_and_lines_in_pieces(control: ControlPort) -> None:
    wait = line(action="wait", arguments={"seconds": 1})
    assert ["waited 1 s"] * 3 == [answer["said"] for answer in talk(control.port, 3 * wait, answers=3)]
    with socket.create_connection(("127.0.0.1", control.port), timeout=5) as sock, sock.makefile("rb") as reader:
        for at in range(len(wait)):
            sock.sendall(wait[at : at + 1])
        assert "waited 1 s" == json.loads(reader.readline())["said"]


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ({"action": "drive", "arguments": {"kmh": 50, "seconds": 5}}, "the engine is not running; start it first"),
        ({"action": "fly"}, "unknown action 'fly'"),
        ({"action": "wait"}, "'wait' takes seconds, not nothing"),
        ({"action": "wait", "arguments": {"seconds": "5"}}, "seconds must be a whole number"),
        ({"action": "wait", "arguments": {"seconds": True}}, "seconds must be a whole number"),
        ({"action": "wait", "arguments": {"seconds": float("nan")}}, "seconds must be a whole number"),
        ({"action": "wait", "arguments": {"seconds": 10**400}}, "seconds must be a whole number"),
        ({"action": "wait", "arguments": {"self": 1, "action": 2}}, "'wait' takes seconds, not action, self"),
        ({"action": "repair", "arguments": {"component": "\ud800"}}, "no part"),
        ({"action": "wait", "arguments": [5]}, "'arguments' an object"),
        ({"action": 5}, "'action' is a text"),
        ({"action": None}, "'action' is a text"),
    ],
)
def test_what_cannot_be_done_is_told_and_the_car_goes_on(
    control: ControlPort, what: dict[str, object], says: str
) -> None:
    [answer] = talk(control.port, line(**what))
    assert ["error"] == list(answer)
    assert says in str(answer["error"])
    assert alive(control)


@pytest.mark.parametrize(
    "data",
    [
        b"\n",
        b"GET / HTTP/1.1\n",
        b"\xff\xfe\x00\n",
        b"[" * 8000 + b"\n",
        b"{" + b"\n",
        b'"text"\n',
        b"1e999\n",
        b"null\n",
    ],
    ids=["empty", "http", "no text", "deep", "half", "text", "number", "null"],
)
def test_garbage_is_answered_and_a_good_line_behind_it_too(control: ControlPort, data: bytes) -> None:
    garbage, good = talk(control.port, data + line(), answers=2)
    assert "this is no" in str(garbage["error"])
    assert {"scenario": SCENARIO} == good


@pytest.mark.parametrize("form", [{}, {"token": None}, {"token": ""}, {"token": "other"}, {"token": [TOKEN]}])
def test_whoever_does_not_know_the_token_is_let_go(
    control: ControlPort, bench: RunningBench, form: dict[str, object]
) -> None:
    before_s = bench.world.now_s
    act = json.dumps({**form, "action": "wait", "arguments": {"seconds": 5}}).encode() + b"\n"
    assert [{"error": "this is not the token of this bench"}] == talk(control.port, act + act, answers=2)
    assert before_s == bench.world.now_s
    assert alive(control)


def test_a_line_without_end_is_let_go(control: ControlPort) -> None:
    assert [{"error": "a line has at most 8192 bytes"}] == talk(control.port, b"x" * (LONGEST_LINE + 1), answers=2)
    assert alive(control)


def test_a_client_that_never_reads_does_not_stop_it(control: ControlPort) -> None:
    with socket.create_connection(("127.0.0.1", control.port), timeout=5) as sock:
        with pytest.raises(ConnectionError):
            sock.sendall(400_000 * line(action="repair", arguments={"component": "nothing"}))
        assert alive(control)


def test_a_hundred_clients_that_say_nothing_or_half_a_line_do_not_stop_it(control: ControlPort) -> None:
    quiet = [socket.create_connection(("127.0.0.1", control.port), timeout=5) for _ in range(100)]
    for sock in quiet[::2]:
        sock.sendall(line()[:7])
    assert alive(control)
    for sock in quiet:
        sock.close()
    assert alive(control)


def test_a_hundred_clients_at_once_each_get_their_answer(control: ControlPort, bench: RunningBench) -> None:
    before_s = bench.world.now_s
    wait = line(action="wait", arguments={"seconds": 1})
    with ThreadPoolExecutor(20) as pool:
        answers = [answer for [answer] in pool.map(lambda _: talk(control.port, wait), range(100))]
    assert [before_s + done for done in range(1, 101)] == sorted(int(str(answer["world_s"])) for answer in answers)


class BrokenCar:
    """A car whose actions fail in a way that nobody foresaw."""

    scenario = SCENARIO

    def act(self, action: str, /, **_arguments: int | str) -> ActResult:
        raise ZeroDivisionError(action)


def test_a_fault_of_the_benchs_own_is_named_and_does_not_stop_it() -> None:
    with ControlPort(BrokenCar(), TOKEN) as control:
        assert [{"error": "a fault of the bench's own: ZeroDivisionError: x"}] == talk(control.port, line(action="x"))
        assert alive(control)


def test_a_port_in_use_and_one_that_is_none(control: ControlPort, bench: RunningBench) -> None:
    with pytest.raises(BenchError, match=f"the control port cannot be {control.port} on 127.0.0.1: Address already"):
        ControlPort(bench, TOKEN, control.port)
    with pytest.raises(BenchError, match="from 0 to 65535, not 65536"):
        ControlPort(bench, TOKEN, 65_536)


def test_starting_and_closing_many_times_leaves_nothing_behind(bench: RunningBench) -> None:
    def left() -> tuple[int, int]:
        return threading.active_count(), len(os.listdir("/proc/self/fd"))

    before = left()
    for _ in range(50):
        with ControlPort(bench, TOKEN) as control:
            client = ControlClient(control.port, TOKEN)
            assert SCENARIO == client.scenario()
        control.close()
        client.close()
    assert before == left()


# --- bench.json ---


def test_a_published_car_is_found_moved_and_gone_again(bench: RunningBench, runtime: Path) -> None:
    door_link = bench.open_door("dongle")
    with Bench().publish(bench) as published:
        assert (runtime / "bench.json", runtime / f"{SCENARIO}.toml") == (published.file, published.profile)
        assert Bench().profile_text(SCENARIO) == published.profile.read_text("utf-8")
        with find_published() as found:
            assert isinstance(found, DistantBench)
            assert (SCENARIO, bench.links) == (found.scenario, found.links)
            assert door_link in found.links
            assert "waited 3 s" == found.act("wait", seconds=3).said
            with pytest.raises(BenchError, match="the engine is not running"):
                found.act("drive", kmh=50, seconds=1)
    published.close()
    assert [] == list(runtime.iterdir())
    with pytest.raises(ConnectionError, match="no simulated vehicle is running"):
        find_published()


def test_nobody_else_may_read_the_files(bench: RunningBench, runtime: Path) -> None:
    with Bench().publish(bench) as published:
        files = (published.file, published.profile, published.doip_profile)
        assert [0o700, 0o600, 0o600, 0o600] == [stat.S_IMODE(path.stat().st_mode) for path in (runtime, *files)]
        assert {"bench.json", f"{SCENARIO}.toml", f"{SCENARIO}-doip.toml"} == {path.name for path in runtime.iterdir()}


def test_each_car_has_a_token_of_its_own(bench: RunningBench) -> None:
    tokens = set()
    for _ in range(3):
        with Bench().publish(bench) as published:
            note = json.loads(published.file.read_text("utf-8"))
            assert (os.getpid(), published.port) == (note["process"], note["control_port"])
            tokens.add(note["token"])
    assert 3 == len(tokens)
    assert all(len(token) >= 40 for token in tokens)


def test_one_car_at_a_time(bench: RunningBench) -> None:
    with Bench().publish(bench) as published:
        with pytest.raises(BenchError, match=f"'{SCENARIO}' \\(process {os.getpid()}\\) is running already"):
            Bench().publish(bench)
        assert published.profile.exists()
        with find_published() as found:
            assert SCENARIO == found.scenario


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "{}",
        '{"links": 5}',
        '{"scenario": "x", "process": 1, "links": [], "profile": "", "control_port": true, "token": ""}',
        '{"scenario": "x", "process": 1, "links": [], "profile": "", "control_port": 1, "token": ""}',
        '{"scenario": "x", "process": 1, "links": [], "profile": "", "control_port": 99999, "token": ""}',
        '{"scenario": "x", "process": 1, "links": [], "profile": "", "control_port": 1, "token": 1}',
        '{"scenario": "x", "process": 1, "links": [], "profile": "", "control_port": 1, "token": "", "more": 1}',
        "[" * 60_000,
    ],
)
def test_a_file_that_is_damaged_or_was_left_behind_is_no_car_and_is_replaced(
    bench: RunningBench, runtime: Path, text: str
) -> None:
    runtime.mkdir()
    (runtime / "bench.json").write_text(text)
    with pytest.raises(ConnectionError):
        find_published()
    with Bench().publish(bench), find_published() as found:
        assert SCENARIO == found.scenario


@pytest.mark.parametrize("answer", [b"", b"hello\n", b"[]\n", b'{"scenario": 5}\n', b'{"error": "token"}\n'])
def test_another_program_at_the_port_is_no_car(answer: bytes) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            sock, _ = listener.accept()
            with sock:
                sock.recv(1000)
                sock.sendall(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        client = ControlClient(listener.getsockname()[1], TOKEN)
        with pytest.raises(ConnectionError):
            client.scenario()
        client.close()
        thread.join()


def test_a_car_that_goes_away_meanwhile_is_told(bench: RunningBench) -> None:
    published = Bench().publish(bench)
    with find_published() as found:
        published.close()
        with pytest.raises(ConnectionError, match="does not answer any more"):
            found.act("wait", seconds=1)


def test_a_folder_that_cannot_be_used_is_named_and_the_port_closed(bench: RunningBench, runtime: Path) -> None:
    runtime.write_text("a file in its place")
    threads = threading.active_count()
    with pytest.raises(BenchError, match="cannot be written"):
        Bench().publish(bench)
    assert threads == threading.active_count()


def test_a_profile_that_cannot_be_written_takes_everything_back(bench: RunningBench, runtime: Path) -> None:
    (runtime / f"{SCENARIO}.toml").mkdir(parents=True)
    with pytest.raises(BenchError, match="cannot be written"):
        Bench().publish(bench)
    assert [f"{SCENARIO}.toml"] == [path.name for path in runtime.iterdir()]


def test_without_a_folder_from_the_platform_there_is_another(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert "mendproof" == runtime_folder().name
