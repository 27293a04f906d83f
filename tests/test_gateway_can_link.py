"""The CAN link against units on a virtual bus whose transport code is not the product's."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import replace

import can
import pytest
from recorded_unit import AwaitFlow, Call, Raw, ScriptedUnit, Step, segments

from decoders.values import AnswerKind, Exchange, Outcome, Request, outcome_of
from gateway.links.base import BusFrame, Limits, Plan
from gateway.links.can.link import CanLink

ENGINE = "7E0/7E8"
# An answer ends these waits. One that is waited to its end is so long where something has to come before that.
LIMITS, STALL_MS = Limits(p2_ms=2000, n_cr_ms=5000, settle_ms=40), 600
READ = bytes.fromhex("1902FF")
CODES = bytes.fromhex("5902FF" + "0420002F" * 5)  # ISO 14229-1: mask, then code and status, 23 bytes
NO_CODES = bytes.fromhex("5902FF")
PENDING = bytes.fromhex("7F1978")


@pytest.fixture
def link(channel: str) -> Iterator[CanLink]:
    bus = can.Bus(channel, interface="virtual", ignore_config=True)
    with CanLink(bus, f"can:virtual:{channel}") as opened:
        yield opened


def plan(target: str, *requests: bytes) -> Plan:
    for request in requests:
        yield Request(target, request)


def ask(link: CanLink, *requests: bytes, target: str = ENGINE, limits: Limits = LIMITS) -> list[Exchange]:
    kept: list[Exchange] = []
    link.run({target: plan(target, *requests)}, kept.append, threading.Event(), limits)
    return kept


def unit(channel: str, script: Callable[[bytes], Iterable[Step]]) -> ScriptedUnit:
    return ScriptedUnit(channel, 0x7E0, 0x7E8, script)


def when_sent(link: CanLink, number: int, answer: Callable[[], object]) -> None:
    """Answer in the same moment in which a frame with this identifier is on the bus: no wait is too short for that."""

    def tell(frame: BusFrame) -> None:
        if frame.sent and frame.number == number:
            answer()

    link.set_trace(tell)


def kinds(exchange: Exchange) -> list[AnswerKind]:
    return [answer.kind for answer in exchange.answers]


def test_a_single_frame_answer_is_answered(channel: str, link: CanLink) -> None:
    with unit(channel, lambda _: [NO_CODES]) as asked:
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, exchange.positive) == (Outcome.ANSWERED, NO_CODES)
    assert (link.address, ENGINE, READ) == (exchange.link, exchange.target, exchange.request)
    assert 0 <= exchange.answers[0].first_us <= exchange.answers[0].last_us
    assert asked.requests == [READ]


def test_frames_are_padded_to_eight_bytes(channel: str, link: CanLink) -> None:
    with can.Bus(channel, interface="virtual", ignore_config=True) as ear:
        ask(link, READ, limits=Limits(p2_ms=5))
        frame = ear.recv(1)
    assert frame is not None
    assert (0x7E0, False, bytes.fromhex("031902FF55555555")) == (
        frame.arbitration_id,
        frame.is_extended_id,
        bytes(frame.data),
    )  # ISO 15765-4: always eight data bytes


def test_an_answer_of_several_frames_is_put_together(channel: str, link: CanLink) -> None:
    with unit(channel, lambda _: [CODES]):
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, exchange.positive) == (Outcome.ANSWERED, CODES)
    assert exchange.answers[0].first_us < exchange.answers[0].last_us


def test_the_largest_classic_answer_is_put_together(channel: str, link: CanLink) -> None:
    longest = NO_CODES + bytes(range(256)) * 15 + bytes(252)
    with unit(channel, lambda _: [longest]):
        (exchange,) = ask(link, READ)
    assert len(longest) == 4095  # ISO 15765-2: the longest message with a 12-bit length
    assert longest == exchange.positive


def test_a_refusal_is_refused_with_its_code(channel: str, link: CanLink) -> None:
    with unit(channel, lambda _: [bytes.fromhex("7F1931")]):
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, exchange.refusal) == (Outcome.REFUSED, 0x31)


def test_a_unit_that_is_not_there_is_silent_after_p2(channel: str, link: CanLink) -> None:
    begun = time.perf_counter()
    (exchange,) = ask(link, READ, limits=Limits(p2_ms=50))
    assert (exchange.outcome, exchange.answers) == (Outcome.SILENT, ())
    assert time.perf_counter() - begun >= 0.05


def test_pending_then_positive_is_answered(channel: str, link: CanLink) -> None:
    wait, told = threading.Event(), threading.Event()
    slow = Call(lambda: wait.wait(0.15))  # longer than P2, shorter than P2*
    with unit(channel, lambda _: [Call(lambda: told.wait(10)), slow, PENDING, slow, CODES]) as asked:
        when_sent(link, 0x7E0, lambda: told.is_set() or (asked.send(b"\x03" + PENDING), told.set()))
        (exchange,) = ask(link, READ, limits=replace(LIMITS, p2_ms=100))
    assert (exchange.outcome, exchange.positive) == (Outcome.ANSWERED, CODES)
    assert kinds(exchange) == [AnswerKind.PENDING, AnswerKind.PENDING, AnswerKind.POSITIVE]


def test_endless_pending_ends_at_the_ceiling_as_damaged(channel: str, link: CanLink) -> None:
    wait = threading.Event()

    def script(_: bytes) -> Iterator[Step]:
        while not wait.wait(0.02):
            yield PENDING

    with unit(channel, script) as asked:
        when_sent(link, 0x7E0, lambda: asked.send(b"\x03" + PENDING))
        (exchange,) = ask(link, READ, limits=Limits(ceiling_ms=200))
        wait.set()
    assert (exchange.outcome, exchange.trouble) == (Outcome.DAMAGED, "response pending without an end")
    assert {AnswerKind.PENDING} == set(kinds(exchange))


def test_a_wrong_sequence_number_is_damaged_and_settles_before_the_next(channel: str, link: CanLink) -> None:
    first, *rest = segments(CODES)

    def script(request: bytes) -> list[Step]:
        if request != READ:
            return [b"\x43\x00"]
        # ISO 15765-2: consecutive frames count 1, 2, 3; here 2 comes before 1.
        return [Raw(first), AwaitFlow(), Raw(rest[1]), Raw(rest[0]), Raw(rest[2])]

    with unit(channel, script):
        damaged, after = ask(link, READ, b"\x03", limits=replace(LIMITS, settle_ms=STALL_MS))
    assert Outcome.DAMAGED is damaged.outcome
    assert "wrong sequence number" in str(damaged.trouble)
    assert [(a.kind, a.data.startswith(CODES[:6])) for a in damaged.answers] == [(AnswerKind.DAMAGED, True)]
    assert (after.outcome, after.positive) == (Outcome.ANSWERED, b"\x43\x00")
    assert len(after.answers) == 1


def test_a_lost_consecutive_frame_is_damaged_with_the_bytes_that_came(channel: str, link: CanLink) -> None:
    first, second, *_ = segments(CODES)
    with unit(channel, lambda _: [Raw(first), AwaitFlow(), Raw(second)]):
        (exchange,) = ask(link, READ, limits=replace(LIMITS, n_cr_ms=STALL_MS))
    assert Outcome.DAMAGED is exchange.outcome
    assert "the rest never came" in str(exchange.trouble)
    assert [(AnswerKind.DAMAGED, CODES[:13])] == [(a.kind, a.data) for a in exchange.answers]


def test_a_continuation_without_its_first_frame_is_damaged(channel: str, link: CanLink) -> None:
    _, second, third, _ = segments(CODES)
    with unit(channel, lambda _: []) as asked:
        when_sent(link, 0x7E0, lambda: [asked.send(frame) for frame in (second, third)])
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, kinds(exchange)) == (Outcome.DAMAGED, [AnswerKind.DAMAGED])
    assert CODES[6:20] == exchange.answers[0].data


@pytest.mark.parametrize(
    "again",
    [Raw(segments(NO_CODES)[0]), Raw(segments(CODES)[0])],
    ids=["by a single frame", "by a first frame"],
)
def test_an_answer_broken_off_by_another_is_damaged(channel: str, link: CanLink, again: Raw) -> None:
    first, second, *_ = segments(CODES)
    with unit(channel, lambda _: [Raw(first), AwaitFlow(), Raw(second), again]):
        (exchange,) = ask(link, READ, limits=replace(LIMITS, n_cr_ms=STALL_MS))
    assert (exchange.outcome, exchange.answers[0].kind) == (Outcome.DAMAGED, AnswerKind.DAMAGED)
    assert "broken off" in str(exchange.trouble)
    assert CODES[:13] == exchange.answers[0].data


@pytest.mark.parametrize(
    "frame",
    ["0000", "0005", "1005590200", "4059", "0F590200"],
    ids=["no length", "escape in a classic frame", "first frame of 5", "unknown type", "longer than a frame"],
)
def test_a_malformed_frame_is_damage(channel: str, link: CanLink, frame: str) -> None:
    # ISO 15765-2: single frame length 1..7, first frame length above 7, frame types 0 to 3.
    with unit(channel, lambda _: [Raw(bytes.fromhex(frame))]):
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, kinds(exchange)) == (Outcome.DAMAGED, [AnswerKind.DAMAGED])


def test_an_answer_too_long_for_the_link_is_damaged(channel: str, link: CanLink) -> None:
    # ISO 15765-2: a first frame with the escape length, here 65536 bytes.
    with unit(channel, lambda _: [Raw(bytes.fromhex("1000000100005902"))]):
        (exchange,) = ask(link, READ)
    assert (
        exchange.outcome,
        exchange.trouble,
    ) == (Outcome.DAMAGED, "the answer announces more bytes than this link takes")


def test_flow_control_that_nobody_waits_for_is_no_answer(channel: str, link: CanLink) -> None:
    # ISO 15765-2: unexpected flow control is ignored.
    with unit(channel, lambda _: [Raw(b"\x30\x00\x00"), NO_CODES]):
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, kinds(exchange)) == (Outcome.ANSWERED, [AnswerKind.POSITIVE])


def test_a_broken_off_answer_is_reported_once_and_not_again_by_its_timer(channel: str, link: CanLink) -> None:
    first, second, *_ = segments(CODES)
    # The single frame breaks the answer off; the next one comes when N_Cr since the last frame is over.
    scripts = iter([[Raw(first), AwaitFlow(), Raw(second), NO_CODES], [b"\x43\x00"]])
    limits = replace(LIMITS, n_cr_ms=STALL_MS, linger_ms=STALL_MS + 50)
    with unit(channel, lambda _: next(scripts)):
        (damaged,) = ask(link, READ, limits=limits)
        (after,) = ask(link, b"\x03", limits=replace(limits, linger_ms=50))
    assert (damaged.outcome, kinds(damaged)) == (Outcome.DAMAGED, [AnswerKind.DAMAGED, AnswerKind.POSITIVE])
    assert (after.outcome, kinds(after)) == (Outcome.ANSWERED, [AnswerKind.POSITIVE])


def test_a_stray_answer_is_kept_and_the_real_one_taken(channel: str, link: CanLink) -> None:
    with unit(channel, lambda _: [bytes.fromhex("5904042000"), bytes.fromhex("620101"), NO_CODES]):
        (exchange,) = ask(link, READ)
    assert (exchange.outcome, exchange.positive) == (Outcome.ANSWERED, NO_CODES)
    assert kinds(exchange) == [AnswerKind.STRAY, AnswerKind.STRAY, AnswerKind.POSITIVE]


def test_the_answer_repeated_is_a_duplicate(channel: str, link: CanLink) -> None:
    with unit(channel, lambda _: [NO_CODES, NO_CODES]):
        (exchange,) = ask(link, READ, limits=replace(LIMITS, linger_ms=STALL_MS))
    assert (
        exchange.outcome,
        kinds(exchange),
    ) == (Outcome.ANSWERED, [AnswerKind.POSITIVE, AnswerKind.DUPLICATE])


def test_an_answer_after_its_time_is_late_in_the_next_exchange(channel: str, link: CanLink) -> None:
    given_up, came = threading.Event(), threading.Event()

    def script(request: bytes) -> list[Step]:
        if request == b"\x03":
            return [b"\x43\x00"]
        return [Call(lambda: given_up.wait(10)), CODES, Call(came.set)]

    def let_it_come() -> Plan:
        given_up.set()
        yield Request("7E1/7E9", b"\x03")  # answered behind the late answer
        yield Request(ENGINE, b"\x03")

    kept: list[Exchange] = []
    other = ScriptedUnit(channel, 0x7E1, 0x7E9, lambda _: [Call(lambda: came.wait(10)), b"\x43\x00"])
    with unit(channel, script), other:
        (silent,) = ask(link, READ, limits=Limits(p2_ms=80))
        link.run({"a": let_it_come()}, kept.append, threading.Event(), replace(LIMITS, p2_ms=10_000))
    _, after = kept
    assert (silent.outcome, silent.answers) == (Outcome.SILENT, ())
    assert kinds(after) == [AnswerKind.LATE, AnswerKind.POSITIVE]
    assert (after.answers[0].data, after.positive) == (CODES, b"\x43\x00")
    assert after.answers[0].last_us < 0


def test_a_request_of_several_frames_is_sent_and_answered(channel: str, link: CanLink) -> None:
    request = bytes.fromhex("22") + bytes.fromhex("F190F187F188F18A")
    with unit(channel, lambda _: [bytes.fromhex("62F19041")]) as asked:
        (exchange,) = ask(link, request)
    assert ([request], Outcome.ANSWERED) == (asked.requests, exchange.outcome)


def test_a_request_whose_first_frame_nobody_takes_is_damaged(channel: str, link: CanLink) -> None:
    (exchange,) = ask(link, bytes.fromhex("22F190F187F188F18A"), limits=Limits(n_bs_ms=40))
    assert (exchange.outcome, exchange.trouble) == (Outcome.DAMAGED, "no flow control came for the request")


@pytest.mark.parametrize(
    ("flow", "trouble"),
    [
        ("320000", "the unit has no room for a request of this length"),
        ("3F0000", "the flow control for the request makes no sense"),
    ],
)
def test_a_request_the_unit_does_not_take_is_damaged(channel: str, link: CanLink, flow: str, trouble: str) -> None:
    # ISO 15765-2 flow status: 2 is overflow, above 2 is reserved.
    stop = threading.Event()
    with can.Bus(channel, interface="virtual", ignore_config=True) as far:

        def refuse() -> None:
            far.recv(2)
            far.send(can.Message(arbitration_id=0x7E8, is_extended_id=False, data=bytes.fromhex(flow)))
            stop.wait(0.01)

        thread = threading.Thread(target=refuse)
        thread.start()
        (exchange,) = ask(link, bytes.fromhex("22F190F187F188F18A"))
        thread.join()
    assert (Outcome.DAMAGED, trouble) == (exchange.outcome, exchange.trouble)


def test_a_reserved_separation_time_means_the_longest_one(channel: str, link: CanLink) -> None:
    # ISO 15765-2: reserved STmin values stand for 127 ms.
    request = bytes.fromhex("22F190F187F188F18A")
    with can.Bus(channel, interface="virtual", ignore_config=True) as far:

        def take() -> None:
            far.recv(2)
            far.send(can.Message(arbitration_id=0x7E8, is_extended_id=False, data=b"\x30\x00\xfa"))

        thread = threading.Thread(target=take)
        thread.start()
        begun = time.perf_counter()
        (exchange,) = ask(link, request, limits=Limits(p2_ms=5))
        thread.join()
    assert Outcome.SILENT is exchange.outcome  # the whole request went out and nobody answered it
    assert time.perf_counter() - begun >= 0.127


def test_extended_addressing_carries_the_byte_before_the_pci(channel: str, link: CanLink) -> None:
    with can.Bus(channel, interface="virtual", ignore_config=True) as far:
        frames: list[bytes] = []

        def answer() -> None:
            request = far.recv(2)
            assert request is not None
            frames.append(bytes(request.data))
            for head in (b"\x11", b"\xf0"):  # the first is for another tester
                far.send(can.Message(arbitration_id=0x612, is_extended_id=False, data=head + b"\x03" + NO_CODES))

        thread = threading.Thread(target=answer)
        thread.start()
        (exchange,) = ask(link, READ, target="6F0:12/612:F0")
        thread.join()
    # ISO 15765-2, extended addressing: target address in the first data byte.
    assert [bytes.fromhex("12031902FF555555")] == frames
    assert [(a.source, a.data) for a in exchange.answers] == [("612:F0", NO_CODES)]


def test_twenty_units_are_asked_at_once_and_kept_apart(channel: str, link: CanLink) -> None:
    def script(number: int) -> Callable[[bytes], list[Step]]:
        return lambda _: [NO_CODES + bytes([number]) * 20]

    kept: list[Exchange] = []
    targets = [f"{0x600 + n:03X}/{0x680 + n:03X}" for n in range(20)]
    with ExitStack() as units:
        for n in range(20):
            units.enter_context(ScriptedUnit(channel, 0x600 + n, 0x680 + n, script(n)))
        plans = {target: plan(target, READ, READ, READ) for target in targets}
        link.run(plans, kept.append, threading.Event(), replace(LIMITS, p2_ms=5000, window=20))
    assert {Outcome.ANSWERED} == {exchange.outcome for exchange in kept}
    assert len(kept) == 60
    expected = {target: NO_CODES + bytes([n]) * 20 for n, target in enumerate(targets)}
    assert expected == {exchange.target: exchange.positive for exchange in kept}


def test_two_plans_for_one_unit_take_turns(channel: str, link: CanLink) -> None:
    kept: list[Exchange] = []
    with unit(channel, lambda data: [bytes([data[0] + 0x40, 0])]):
        plans = {"a": plan(ENGINE, b"\x03", b"\x03"), "b": plan(ENGINE, b"\x07", b"\x07")}
        link.run(plans, kept.append, threading.Event(), LIMITS)
    assert sorted(e.positive or b"" for e in kept) == [b"\x43\x00", b"\x43\x00", b"\x47\x00", b"\x47\x00"]


def test_an_exchange_is_kept_before_the_plan_sees_it(channel: str, link: CanLink) -> None:
    kept: list[Exchange] = []
    seen: list[bool] = []

    def watching() -> Plan:
        exchange = yield Request(ENGINE, READ)
        seen.append(exchange in kept)

    with unit(channel, lambda _: [NO_CODES]):
        link.run({"a": watching()}, kept.append, threading.Event(), LIMITS)
    assert seen == [True]


def test_functional_and_unit_requests_wait_for_each_other(channel: str, link: CanLink) -> None:
    kept: list[Exchange] = []
    with unit(channel, lambda data: [bytes([data[0] + 0x40, 0])]) as asked:
        when_sent(link, 0x7DF, lambda: asked.send(b"\x02\x47\x00"))
        plans = {
            "unit": plan(ENGINE, b"\x03", b"\x03"),
            "all": plan("functional:7DF", b"\x07", b"\x07"),
        }
        link.run(plans, kept.append, threading.Event(), LIMITS)
    assert [(exchange.request, len(exchange.answers)) for exchange in kept] == [
        (b"\x03", 1),
        (b"\x07", 1),
        (b"\x03", 1),
        (b"\x07", 1),
    ]
    answered = [outcome_of(e, "7E8").outcome for e in kept]
    assert answered == [Outcome.ANSWERED] * 4
