"""A recorded job that answers as the vehicle did, in recorded order, and never passes for a car."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from store_help import LISTED, REFUSED, raw
from workshop import settings, visiting

from decoders.errors import LinkError, MendproofError, UsageError
from decoders.values import Answer, AnswerKind, Exchange, Outcome, Request
from gateway.guard import Guard, Phase, open_guarded
from gateway.links import DEFAULT_LIMITS, Plan, open_link, parse_link
from gateway.links.replay import ReplayLink
from sessions.journal import Kind, exchange_to_payload
from sessions.record import JobRecord, read_record
from sessions.store import Store

UNIT = "7E0/7E8"
CODES = bytes.fromhex("1902FF")
CUT = replace(
    LISTED,
    outcome=Outcome.DAMAGED,
    trouble="the answer is cut short",
    answers=(
        Answer(source="7E8", data=bytes.fromhex("7F1978"), first_us=7, last_us=9, kind=AnswerKind.PENDING),
        Answer(source="7E8", data=bytes.fromhex("5902"), first_us=400, last_us=9000, kind=AnswerKind.DAMAGED),
        Answer(source="7E9", data=b"\x7f", first_us=-3, last_us=1, kind=AnswerKind.LATE),
    ),
)
SILENT = replace(LISTED, outcome=Outcome.SILENT, answers=())
UNSENT = replace(SILENT, outcome=Outcome.UNSENT, trouble="the adapter is gone")
TO_ALL = Exchange(
    link="sim:any",
    target="functional:7DF",
    request=b"\x01\x00",
    answers=(
        Answer(source="7E8", data=bytes.fromhex("4100BE3FA813"), first_us=900, last_us=900, kind=AnswerKind.POSITIVE),
        Answer(source="7E9", data=bytes.fromhex("410080000000"), first_us=950, last_us=950, kind=AnswerKind.POSITIVE),
    ),
)


def recorded(path: Path, *exchanges: tuple[Exchange, int | None]) -> Path:
    """A store with one job that holds these exchanges, each with its scan."""
    with Store.open(path, create=True) as store, store.writer(store.new_job().job, actor="tester") as writer:
        writer.append(Kind.JOB, {"complaints": []})
        for scan in sorted({scan for _, scan in exchanges if scan is not None}):
            writer.append(Kind.SCAN_BEGIN, {"scan": scan, "as": "check", "link": "sim:any"})
        for exchange, scan in exchanges:
            more = {"during": "watch"} if scan is None else {"during": "scan", "scan": scan}
            writer.append(Kind.EXCHANGE, exchange_to_payload(exchange) | more)
    return path


def asking(*requests: tuple[str, bytes]) -> Plan:
    for target, data in requests:
        yield Request(target, data)


def ask(link_text: str, *plans: Plan) -> list[Exchange]:
    """What is kept when these plans run over a link."""
    kept: list[Exchange] = []
    with open_link(link_text) as link:
        link.run(dict(zip("abcdef", plans, strict=False)), kept.append, threading.Event(), DEFAULT_LIMITS)
    return kept


@pytest.mark.parametrize("exchange", [LISTED, REFUSED, CUT, SILENT, UNSENT, TO_ALL], ids=lambda item: str(item.outcome))
def test_an_exchange_comes_back_bit_for_bit_under_the_address_of_the_replay(tmp_path: Path, exchange: Exchange) -> None:
    link = f"replay:{recorded(tmp_path / 'store', (exchange, 1))}#1"
    assert [replace(exchange, link=link)] == ask(link, asking((exchange.target, exchange.request)))


ANSWERS = st.lists(
    st.builds(
        Answer,
        source=st.sampled_from(["7E8", "18DAF110", "doip:1010"]),
        data=st.binary(max_size=20),
        first_us=st.integers(-(10**6), 10**9),
        last_us=st.integers(-(10**6), 10**9),
        kind=st.sampled_from(AnswerKind),
    ),
    max_size=4,
).map(tuple)
EXCHANGES = st.builds(
    Exchange,
    link=st.just("can:virtual:x"),
    target=st.sampled_from([UNIT, "7E1/7E9", "functional:7DF"]),
    request=st.sampled_from([b"\x03", CODES]),
    answers=ANSWERS,
    outcome=st.sampled_from([None, *Outcome]),
    refusal=st.none() | st.integers(0, 255),
    trouble=st.none() | st.text(max_size=5),
)


@given(st.lists(EXCHANGES, max_size=12))
def test_whatever_was_recorded_is_given_back_in_its_order_and_nothing_more(exchanges: list[Exchange]) -> None:
    asked: dict[Request, list[Exchange]] = {}
    for exchange in exchanges:
        asked.setdefault(Request(exchange.target, exchange.request), []).append(exchange)
    for request, those in asked.items():
        link, kept = ReplayLink("replay:x#1", exchanges), []
        plan = asking(*[(request.target, request.data)] * (len(those) + 1))
        link.run({"a": plan}, kept.append, threading.Event(), DEFAULT_LIMITS)
        assert [replace(item, link="replay:x#1") for item in those] == kept[:-1]
        assert (Outcome.UNSENT, ()) == (kept[-1].outcome, kept[-1].answers)


def test_two_tries_come_back_in_order_and_then_the_record_is_used_up(tmp_path: Path) -> None:
    store = recorded(tmp_path / "store", (CUT, 1), (REFUSED, 1), (LISTED, 1))
    kept = ask(f"replay:{store}#1", asking(*[(UNIT, CODES)] * 3))
    assert [Outcome.DAMAGED, Outcome.ANSWERED, Outcome.UNSENT] == [item.outcome for item in kept]
    assert "no further answer" in (kept[2].trouble or "")


def test_what_was_never_asked_is_unsent_and_the_plan_goes_on(tmp_path: Path) -> None:
    store = recorded(tmp_path / "store", (LISTED, 1))
    kept = ask(f"replay:{store}#1", asking((UNIT, b"\x03"), ("7E1/7E9", CODES), (UNIT, b""), (UNIT, CODES)))
    assert [Outcome.UNSENT] * 3 + [Outcome.ANSWERED] == [item.outcome for item in kept]
    assert {"the record holds no answer to this: it was never asked there"} == {item.trouble for item in kept[:3]}


def test_each_scan_of_a_job_can_be_replayed_alone(tmp_path: Path) -> None:
    store = recorded(tmp_path / "store", (LISTED, 1), (TO_ALL, 1), (SILENT, None), (CUT, 2))
    outcomes = {
        scan: [item.outcome for item in ask(f"replay:{store}#1{scan}", asking(*[(UNIT, CODES)] * 2))]
        for scan in ("", "?scan=1", "?scan=2")
    }
    assert {
        "": [Outcome.ANSWERED, Outcome.SILENT],
        "?scan=1": [Outcome.ANSWERED, Outcome.UNSENT],
        "?scan=2": [Outcome.DAMAGED, Outcome.UNSENT],
    } == outcomes
    with open_link(f"replay:{store}#1?scan=1") as first, open_link(f"replay:{store}#1?scan=2") as second:
        assert (("functional:7DF",), ()) == (first.functional_targets, second.functional_targets)


def test_there_are_no_frames_to_tell_of(tmp_path: Path) -> None:
    with open_link(f"replay:{recorded(tmp_path / 'store', (LISTED, 1))}#1") as link:
        assert not link.set_trace(lambda _frame: None)


# --- the end of a run ---


def watched(ended: list[str], name: str, *requests: tuple[str, bytes]) -> Plan:
    try:
        yield from asking(*requests)
    finally:
        ended.append(name)


def test_stopped_before_it_begins_nothing_is_asked(tmp_path: Path) -> None:
    stop, kept = threading.Event(), list[Exchange]()
    stop.set()
    plan = asking((UNIT, CODES))
    with open_link(f"replay:{recorded(tmp_path / 'store', (LISTED, 1))}#1") as link:
        link.run({"a": plan}, kept.append, stop, DEFAULT_LIMITS)
    assert ([], None) == (kept, plan.gi_frame)


def test_stopped_half_way_what_waits_is_unsent_and_every_plan_is_closed(tmp_path: Path) -> None:
    stop, kept, ended = threading.Event(), list[Exchange](), list[str]()

    def keep(exchange: Exchange) -> None:
        kept.append(exchange)
        stop.set()

    store = recorded(tmp_path / "store", (LISTED, 1), (LISTED, 1), (REFUSED, 1))
    plans = {
        "a": watched(ended, "a", (UNIT, CODES), (UNIT, CODES)),
        "b": watched(ended, "b", ("7E1/7E9", CODES), ("7E1/7E9", CODES)),
    }
    with open_link(f"replay:{store}#1") as link:
        link.run(plans, keep, stop, DEFAULT_LIMITS)
    assert [(UNIT, "answered"), ("7E1/7E9", "unsent"), (UNIT, "unsent")] == [(e.target, e.outcome) for e in kept]
    assert {"interrupted before it was sent"} == {item.trouble for item in kept[1:]}
    assert ["a", "b"] == sorted(ended)


def test_after_it_is_closed_everything_is_unsent(tmp_path: Path) -> None:
    kept: list[Exchange] = []
    link = open_link(f"replay:{recorded(tmp_path / 'store', (LISTED, 1))}#1")
    link.close()
    link.close()
    link.run({"a": asking((UNIT, CODES))}, kept.append, threading.Event(), DEFAULT_LIMITS)
    assert [(Outcome.UNSENT, "the link is closed")] == [(item.outcome, item.trouble) for item in kept]


def test_what_a_plan_raises_passes_through_and_the_others_are_closed(tmp_path: Path) -> None:
    def broken() -> Plan:
        yield Request(UNIT, CODES)
        raise RuntimeError("a plan of somebody's")

    ended: list[str] = []
    kept: list[Exchange] = []
    store = recorded(tmp_path / "store", (LISTED, 1), (REFUSED, 1), (REFUSED, 1))
    with open_link(f"replay:{store}#1") as link:
        other = watched(ended, "other", ("7E1/7E9", CODES), ("7E1/7E9", CODES))
        with pytest.raises(RuntimeError, match="of somebody's"):
            link.run({"a": broken(), "b": other}, kept.append, threading.Event(), DEFAULT_LIMITS)
        link.run({"a": asking(("7E1/7E9", CODES))}, kept.append, threading.Event(), DEFAULT_LIMITS)
    assert ["other"] == ended
    assert [Outcome.ANSWERED, Outcome.REFUSED] == [item.outcome for item in kept]


def test_the_guard_stands_before_a_record_too(tmp_path: Path) -> None:
    written = replace(LISTED, request=bytes.fromhex("2E0100FF"))
    kept: list[Exchange] = []
    link = f"replay:{recorded(tmp_path / 'store', (written, 1))}#1"
    with open_guarded(link, Guard(phase=Phase.READING)) as guarded:
        guarded.run({"a": asking((UNIT, written.request))}, kept.append, threading.Event(), DEFAULT_LIMITS)
    assert [(Outcome.UNSENT, ())] == [(item.outcome, item.answers) for item in kept]
    assert (kept[0].trouble or "").startswith("guard: ")


# --- opening ---


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("replay:", "names nothing behind 'replay:'"),
        ("replay:#7", "names no store"),
        ("replay:x#", "names no job behind the #"),
        ("replay:x#seven", "names no job behind the #"),
        ("replay:x#0", "names no job behind the #"),
        ("replay:x#7?scan=0", "names no job behind the #"),
        ("replay:x#7?scans=1", "names no job behind the #"),
        ("replay:x#7 ?scan=1", "names no job behind the #"),
        ("replay:x#9999999999", "names no job behind the #"),
    ],
)
def test_an_address_that_cannot_be_read_says_what_to_write(text: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_link(text)
    assert message in caught.value.message
    assert "replay:STORE#JOB[?scan=N]" in caught.value.next_step


@pytest.mark.parametrize("text", ["replay:a?b#c/record.sqlite#7?scan=2", "replay:record.sqlite#12"])
def test_an_address_is_written_back_as_it_was(text: str) -> None:
    assert text == parse_link(text).text


def fails(text: str) -> MendproofError:
    with pytest.raises(LinkError) as caught:
        open_link(text)
    assert caught.value.next_step
    return caught.value


def test_a_bundle_is_for_another_version(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="this version reads recorded jobs as STORE#JOB") as caught:
        open_link(f"replay:{tmp_path / 'job.bundle'}")
    assert "write replay:STORE#JOB" in caught.value.next_step


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    assert "there is no record at" in fails(f"replay:{tmp_path / 'none.sqlite'}#1").message
    assert [] == list(tmp_path.iterdir())


def test_a_file_that_is_no_store_says_so(tmp_path: Path) -> None:
    path = tmp_path / "text"
    path.write_text("not a record, whatever its name says" * 40, encoding="utf-8")
    fails(f"replay:{path}#1")
    fails(f"replay:{tmp_path}#1")


def test_a_job_or_scan_that_is_not_there_names_those_there_are(tmp_path: Path) -> None:
    store = recorded(tmp_path / "store", (LISTED, 1), (LISTED, 3))
    assert "jobs in it: 1" == fails(f"replay:{store}#2").next_step
    error = fails(f"replay:{store}#1?scan=2")
    assert ("job 1 has no scan 2", "scans of that job: 1, 3") == (error.message, error.next_step)


def test_a_job_in_which_nothing_was_asked_is_no_link(tmp_path: Path) -> None:
    assert "holds no exchange" in fails(f"replay:{recorded(tmp_path / 'store')}#1").message


def test_what_was_altered_is_not_played_as_what_a_vehicle_said(tmp_path: Path) -> None:
    store = recorded(tmp_path / "store", (LISTED, 1))
    raw(store, "DROP TRIGGER body_never_changes")
    raw(store, "UPDATE body SET payload = replace(payload, '5902FF0420002F', '5902FF')")
    assert "is not whole from entry 3 on" in fails(f"replay:{store}#1").message


def test_the_store_is_left_alone_and_closed_at_once(tmp_path: Path) -> None:
    store = recorded(tmp_path / "store", (LISTED, 1))
    before = store.read_bytes()
    with open_link(f"replay:{store}#1") as link:
        assert before == store.read_bytes()
        assert [store] == list(tmp_path.iterdir())  # SQLite's files beside an open record are gone
        store.unlink()
        kept: list[Exchange] = []
        link.run({"a": asking((UNIT, CODES))}, kept.append, threading.Event(), DEFAULT_LIMITS)
    assert [Outcome.ANSWERED] == [item.outcome for item in kept]


def record_of(path: Path) -> JobRecord:
    with Store.open(path, create=False) as store:
        return read_record(store.journal(1))


def test_a_request_that_was_repeated_is_repeated_again(tmp_path: Path) -> None:
    # What a visit does with a damaged answer, 19 02 FF to one unit: it asks once more and marks the second try.
    def visited(path: Path, link: str) -> JobRecord:
        with Store.open(path, create=True) as store, visiting(store, link, None, settings()) as visit:
            visit.ask({"a": asking((UNIT, CODES))}, during="watch")
        return record_of(path)

    first = visited(tmp_path / "first", f"replay:{recorded(tmp_path / 'store', (CUT, 1), (LISTED, 1))}#1")
    again = visited(tmp_path / "again", f"replay:{tmp_path / 'first'}#1")
    for record in (first, again):
        assert [("damaged", False), ("answered", True)] == [
            (item.exchange.outcome, item.again) for item in record.asked if item.exchange.request == CODES
        ]
    assert [Outcome.ANSWERED] == [item.outcome for item in again.codes]
