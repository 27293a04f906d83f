"""A script's own udsoncan client at one unit: it reads through the guard, and each exchange is kept."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path

import pytest
import udsoncan
from cli_help import Cli
from journal_builder import Story, after, before, cleared, mended, profile, rounds
from udsoncan.client import Client
from udsoncan.exceptions import NegativeResponseException, TimeoutException
from workshop import settings

from decoders.errors import LinkError, RecordError, RefusedError, UsageError
from decoders.values import Answer, AnswerKind, Exchange, Outcome
from gateway.uds_connection import DamagedAnswerError, UnitConnection, open_unit
from sessions.journal import Kind, exchange_to_payload
from sessions.record import JobRecord, read_record
from sessions.store import Store
from sessions.verdict import judge, verdict_form
from simulators.door import RunningBench

UNIT = "7E0/7E8"
NOBODY = "7E6/7EE"
CODES = bytes.fromhex("1902FF")
CONFIG = {"data_identifiers": {0xF190: udsoncan.AsciiCodec(17), 0x0100: udsoncan.AsciiCodec(1)}}
EXAMPLE = Path(__file__).parent.parent / "docs" / "udsoncan.md"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A record with one open job, in which nothing was done."""
    path = tmp_path / "record.sqlite"
    with Store.open(path, create=True) as opened, opened.writer(opened.new_job().job, actor="tester") as writer:
        writer.append(Kind.JOB, {"complaints": []})
    return path


def record_of(path: Path) -> JobRecord:
    with Store.open(path, create=False) as opened:
        assert opened.check(1) is None
        return read_record(opened.journal(1))


def at(path: Path, link: str, unit: str = UNIT) -> AbstractContextManager[UnitConnection]:
    """The connection to a unit that writes job 1."""
    return open_unit(job=1, link=link, unit=unit, store=path, settings=settings())


def requests_on(bench: RunningBench) -> int:
    return sum(frame.direction == "rx" for frame in bench.frames)


# --- reading a car ---


def test_udsoncans_client_reads_what_the_unit_says(store: Path, bench: RunningBench) -> None:
    with at(store, bench.links[0]) as connection, Client(connection, config=CONFIG) as client:
        vin = client.read_data_by_identifier(0xF190).service_data.values[0xF190]
        codes = client.get_dtc_by_status_mask(0xFF).service_data.dtcs
    asked = record_of(store).client
    assert [("client", None, bench.links[0])] * 2 == [(item.during, item.scan, item.exchange.link) for item in asked]
    assert b"\x62\xf1\x90" + vin.encode() == asked[0].exchange.positive
    listed = [code.id.to_bytes(3, "big") + bytes([code.status.get_byte_as_int()]) for code in codes]
    assert listed
    assert bytes.fromhex("5902FF") + b"".join(listed) == asked[1].exchange.positive


@pytest.mark.parametrize(
    "ask",
    [
        lambda client: client.change_session(3),
        lambda client: client.change_session(2),
        lambda client: client.write_data_by_identifier(0x0100, "x"),
        lambda client: client.ecu_reset(1),
        lambda client: client.unlock_security_access(1),
        lambda client: client.start_routine(0x0203),
        lambda client: client.control_dtc_setting(2),
        lambda client: client.read_data_by_identifier(0x0100),
    ],
)
def test_what_the_guard_refuses_never_reaches_the_bus(
    store: Path, bench: RunningBench, ask: Callable[[Client], object]
) -> None:
    sent = requests_on(bench)
    config = {**CONFIG, "security_algo": lambda **_: b"\0"}
    with (
        at(store, bench.links[0]) as connection,
        Client(connection, config=config) as client,
        pytest.raises(RefusedError, match="guard: ") as caught,
    ):
        ask(client)
    assert caught.value.next_step
    assert sent == requests_on(bench)
    assert [Outcome.UNSENT] == [item.exchange.outcome for item in record_of(store).client]


def test_a_request_that_tells_the_unit_not_to_answer_is_refused(store: Path, bench: RunningBench) -> None:
    sent = requests_on(bench)
    with at(store, bench.links[0]) as connection, Client(connection, config=CONFIG) as client:
        with pytest.raises(RefusedError), client.suppress_positive_response:
            client.tester_present()
        assert client.tester_present().positive
    assert [(b"\x3e\x80", "unsent"), (b"\x3e\x00", "answered")] == [
        (item.exchange.request, item.exchange.outcome) for item in record_of(store).client
    ]
    assert sent + 1 == requests_on(bench)


@pytest.mark.parametrize("payload", [b"\x14\xff\xff\xff", b"\x04", b"\x14\xff\xff\x33", b"\x14"])
def test_a_clear_is_refused_kept_and_counts_as_none(store: Path, bench: RunningBench, payload: bytes) -> None:
    sent = requests_on(bench)
    with at(store, bench.links[0]) as connection, pytest.raises(RefusedError, match="only the clear flow sends it"):
        connection.send(payload)
    record = record_of(store)
    assert ((), (), (), sent) == (record.clears, record.asked, record.repairs, requests_on(bench))
    assert [(payload, Outcome.UNSENT)] == [(item.exchange.request, item.exchange.outcome) for item in record.client]


def test_a_unit_that_is_not_there_is_a_time_out(store: Path, bench: RunningBench) -> None:
    with at(store, bench.links[0], NOBODY) as connection, pytest.raises(TimeoutException):
        Client(connection, config=CONFIG).get_dtc_by_status_mask(0xFF)
    # One request of the script is one exchange, also where a scan would ask again.
    assert [(NOBODY, Outcome.SILENT)] == [(i.exchange.target, i.exchange.outcome) for i in record_of(store).client]


# --- each way a request can end ---


def answer(kind: AnswerKind, data: str, source: str = "7E8") -> Answer:
    return Answer(source=source, data=bytes.fromhex(data), first_us=1, last_us=2, kind=kind)


def said(outcome: Outcome, *answers: Answer, trouble: str | None = None, refusal: int | None = None) -> Exchange:
    return Exchange(
        link="sim:any",
        target=UNIT,
        request=CODES,
        answers=answers,
        outcome=outcome,
        trouble=trouble,
        refusal=refusal,
    )


PENDING = answer(AnswerKind.PENDING, "7F1978")
WHOLE = answer(AnswerKind.POSITIVE, "5902FF0420002F")


@pytest.fixture
def replayed(tmp_path: Path) -> Callable[[Exchange], str]:
    """The address of a link on which the unit says just this."""

    def link(exchange: Exchange) -> str:
        path = tmp_path / "said.sqlite"
        with Store.open(path, create=True) as opened, opened.writer(opened.new_job().job, actor="tester") as writer:
            writer.append(Kind.JOB, {"complaints": []})
            writer.append(Kind.EXCHANGE, exchange_to_payload(exchange) | {"during": "watch"})
        return f"replay:{path}#1"

    return link


def test_pending_answers_come_first_and_what_is_no_answer_never(
    store: Path, replayed: Callable[[Exchange], str]
) -> None:
    others = [answer(kind, "5902FF") for kind in (AnswerKind.STRAY, AnswerKind.LATE, AnswerKind.DUPLICATE)]
    link = replayed(said(Outcome.ANSWERED, others[1], PENDING, PENDING, others[0], WHOLE, others[2]))
    with at(store, link) as connection:
        connection.send(CODES)
        frames = [connection.wait_frame(timeout=1) for _ in range(4)]
    assert [PENDING.data, PENDING.data, WHOLE.data, None] == frames


def test_the_client_is_told_of_a_pending_answer_and_gets_the_final_one(
    store: Path, replayed: Callable[[Exchange], str]
) -> None:
    told: list[str] = []
    config = {**CONFIG, "nrc78_callback": lambda: told.append("pending")}
    with at(store, replayed(said(Outcome.ANSWERED, PENDING, WHOLE))) as connection:
        [code] = Client(connection, config=config).get_dtc_by_status_mask(0xFF).service_data.dtcs
    assert (["pending"], 0x042000, 0x2F) == (told, code.id, code.status.get_byte_as_int())


def test_a_refusal_is_udsoncans_own(store: Path, replayed: Callable[[Exchange], str]) -> None:
    link = replayed(said(Outcome.REFUSED, answer(AnswerKind.NEGATIVE, "7F1922"), refusal=0x22))
    with at(store, link) as connection, pytest.raises(NegativeResponseException) as caught:
        Client(connection, config=CONFIG).get_dtc_by_status_mask(0xFF)
    assert 0x22 == caught.value.response.code


@pytest.mark.parametrize(
    "answers",
    [(), (answer(AnswerKind.DAMAGED, "5902FF"),), (PENDING,), (WHOLE, answer(AnswerKind.DAMAGED, "59"))],
)
def test_a_damaged_answer_is_an_error_and_no_byte_is_handed_over(
    store: Path, replayed: Callable[[Exchange], str], answers: tuple[Answer, ...]
) -> None:
    link = replayed(said(Outcome.DAMAGED, *answers, trouble="a frame was lost"))
    with at(store, link) as connection:
        with pytest.raises(DamagedAnswerError, match="a frame was lost"):
            connection.send(CODES)
        assert connection.wait_frame() is None
    assert [answers] == [item.exchange.answers for item in record_of(store).client]


def test_what_never_left_is_neither_silence_nor_an_answer(store: Path, replayed: Callable[[Exchange], str]) -> None:
    link = replayed(said(Outcome.UNSENT, trouble="the adapter is gone"))
    with at(store, link) as connection:
        client = Client(connection, config=CONFIG)
        for reason in ("the adapter is gone", "no further answer"):
            with pytest.raises(LinkError, match=f"was never sent: .*{reason}") as caught:
                client.get_dtc_by_status_mask(0xFF)
            assert not isinstance(caught.value, DamagedAnswerError)


def test_it_can_be_closed_and_opened_again(store: Path, replayed: Callable[[Exchange], str]) -> None:
    with at(store, replayed(said(Outcome.ANSWERED, WHOLE))) as connection:
        connection.send(CODES)
        connection.empty_rxqueue()
        assert connection.wait_frame() is None
        with Client(connection, config=CONFIG):
            assert connection.is_open()
        with pytest.raises(RuntimeError, match="not opened"):
            connection.send(CODES)
        assert connection.open() is connection
    assert not connection.is_open()


# --- the job it writes to ---


def test_it_writes_as_the_one_who_is_named_and_lets_go_of_the_job(store: Path, bench: RunningBench) -> None:
    with open_unit(job=1, link=bench.links[0], unit=UNIT.lower(), store=str(store), actor="script 7") as connection:
        assert isinstance(connection, UnitConnection)
        connection.send(CODES)
        with Store.open(store, create=False) as other, pytest.raises(RecordError):
            other.writer(1, actor="another")
    with Store.open(store, create=False) as opened:
        entries = opened.journal(1)[1:]
        opened.writer(1, actor="another").close()
    assert [Kind.RUN, Kind.LINK, Kind.EXCHANGE] == [entry.kind for entry in entries]
    assert {"script 7"} == {entry.actor for entry in entries}


@pytest.mark.parametrize("unit", ["7E0", "functional:7DF", "7E0/7E8/7E9", ""])
def test_only_one_unit_by_its_own_address(store: Path, unit: str) -> None:
    with pytest.raises(UsageError), at(store, "can:virtual:nobody", unit):
        pytest.fail("it was opened")


def test_a_script_may_read_in_a_job_with_a_scan_and_changes_nothing_in_it(bench: RunningBench, cli: Cli) -> None:
    cli.use_scanned_job()
    before = cli.record()
    with at(cli.store_file, bench.links[0]) as connection:
        Client(connection, config=CONFIG).get_dtc_by_status_mask(0xFF)
    after_it = cli.record()
    assert (before.asked, before.codes, 0, 1) == (
        after_it.asked,
        after_it.codes,
        len(before.client),
        len(after_it.client),
    )


def test_a_closed_job_is_not_for_scripts(cli: Cli, bench: RunningBench) -> None:
    cli.use_scanned_job()
    with Store.open(cli.store_file, create=False) as opened, opened.writer(1, actor="tester") as writer:
        writer.append(Kind.CLOSE, {})
    with pytest.raises(UsageError), at(cli.store_file, bench.links[0]):
        pytest.fail("it was opened")


def test_a_missing_store_job_or_link_says_so(store: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordError), at(tmp_path / "none.sqlite", "can:virtual:x"):
        pytest.fail("it was opened")
    with pytest.raises(RecordError), open_unit(job=2, link="can:virtual:x", unit=UNIT, store=store):
        pytest.fail("it was opened")
    with pytest.raises(LinkError), at(store, "can:slcan:/dev/does-not-exist"):
        pytest.fail("it was opened")


# --- what a script read is no scan, no clear and no watching ---


def read_by_script(story: Story) -> Story:
    """What a script may have read before anybody began to work, as the guard lets it."""
    story.during = "client"
    story.codes(C0035_13=0x2F).supported(C0035_13=0x50).session().live(kmh=60, rpm=2000)
    story.silent("760/768", "0A").unsent("760/768", "2E0100FF").watch()
    return story


def test_a_verdict_is_the_same_with_and_without_a_script_between() -> None:
    plain = mended()
    told = after(
        rounds(cleared(read_by_script(before(read_by_script(Story(profile()))).part())), 0x50, 0x50, 0x50, 0x00)
    )
    assert "proven" == told.graded()[0]
    forms = [verdict_form(story.judged(), 1) for story in (plain, told)]
    seqs = re.compile(r"entry \d+")
    assert seqs.sub("entry", repr(forms[0])) == seqs.sub("entry", repr(forms[1]))


def test_a_script_alone_proves_nothing_and_is_no_scan() -> None:
    record = read_by_script(Story(profile())).record()
    assert ((), (), ()) == (record.scans, record.clears, record.repairs)
    verdict = judge(record)
    assert (None, "open") == (verdict.after, verdict.grade.value)
    assert () == verdict.faults
    assert record.client


def test_a_script_takes_no_part_of_a_proof() -> None:
    # The watching is missing, and a script had read a pass under the very conditions before the work.
    told = after(cleared(before(read_by_script(Story(profile()))).part()))
    without = after(cleared(before(Story(profile())).part()))
    assert "untested" == told.graded()[0]
    assert without.graded() == told.graded()


# --- without udsoncan, and by the page ---


def test_without_udsoncan_the_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "udsoncan"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delitem(sys.modules, "gateway.uds_connection")
    monkeypatch.setitem(sys.modules, "udsoncan", None)
    with pytest.raises(LinkError, match="udsoncan is not installed") as caught:
        importlib.import_module("gateway.uds_connection")
    assert "pip install 'mendproof[udsoncan]'" == caught.value.next_step


def test_the_example_of_the_page_runs(store: Path, bench: RunningBench, tmp_path: Path) -> None:
    [code] = re.findall(r"^```python\n(.*?)^```$", EXAMPLE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    script = tmp_path / "read_unit.py"
    script.write_text(code, encoding="utf-8")
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-W", "error", str(script), str(store), "1", bench.open_door("can"), UNIT],
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    assert (0, "") == (done.returncode, done.stderr)
    vin, *codes = done.stdout.splitlines()
    asked = [item.exchange for item in record_of(store).client]
    assert [replace(item, answers=(), trouble=None) for item in asked] == [
        Exchange(link=asked[0].link, target=UNIT, request=data, outcome=Outcome.ANSWERED)
        for data in (b"\x22\xf1\x90", CODES)
    ]
    assert asked[0].positive == b"\x62\xf1\x90" + vin.removeprefix("VIN ").encode()
    assert asked[1].positive == bytes.fromhex("5902FF" + "".join(codes).replace(" ", ""))
