"""The scan plan, driven by hand: what it asks, in which order, and that it ends."""

from __future__ import annotations

from collections.abc import Callable, Generator

from hypothesis import given
from hypothesis import strategies as st

from decoders.values import Answer, AnswerKind, Dtc, Exchange, Outcome, Request, functional_target, source_of
from sessions.obd_values import asked_alike
from sessions.plan import (
    Heard,
    heard_units,
    plan_live,
    plan_prelude,
    plan_read_back,
    plan_round,
    plan_unit,
)
from sessions.plan.unit import worth_reading

UNIT = "7E0/7E8"
Plan = Generator[Request, Exchange, object]
Reply = Callable[[bytes], str | int | Outcome]
# Reading services: ISO 14229-1 (19, 22), SAE J1979 (01, 03, 07, 09, 0A).
READING = {0x01, 0x03, 0x07, 0x09, 0x0A, 0x19, 0x22}
IDENTIFY = ["22F190", "22F187", "22F189", "22F18C", "22F191", "22F197"]


def exchange(request: Request, told: str | int | Outcome) -> Exchange:
    """What came back: a positive reply as hex, a refusal code, or another outcome."""
    answers: tuple[Answer, ...] = ()
    outcome, refusal = Outcome.ANSWERED, None
    if isinstance(told, Outcome):
        outcome = told
    elif isinstance(told, int):
        outcome, refusal = Outcome.REFUSED, told
    else:
        source = source_of(request.target)
        answers = (Answer(source=source, data=bytes.fromhex(told), first_us=1, last_us=2, kind=AnswerKind.POSITIVE),)
    return Exchange(
        link="sim:plan", target=request.target, request=request.data, answers=answers, outcome=outcome, refusal=refusal
    )


def asked(plan: Plan, reply: Reply) -> list[str]:
    """Every request of a plan, each answered by `reply`."""
    found = []
    try:
        request = next(plan)
        while True:
            found.append(request.data.hex().upper())
            request = plan.send(exchange(request, reply(request.data)))
    except StopIteration:
        return found


def table(replies: dict[str, str | int | Outcome], otherwise: str | int | Outcome = 0x11) -> Reply:
    """Replies by request; every other request gets `otherwise`."""
    return lambda data: replies.get(data.hex().upper(), otherwise)


LISTING = {
    "22F186": "62F18601",
    "1901FF": "5901FF010002",
    "1902FF": "5902FF0420002F4035132850",
    "190A": "590AFF0420002F40351328A1B20340",
}


def test_a_unit_is_identified_then_its_codes_then_obd_then_stored_records() -> None:
    # Our own order; records of each code that is listed as a fault or history.
    replies = LISTING | {"0100": "410000000000", "0101": "410100076500", "03": "4300"}
    expected = [
        "22F186",
        "22F190",
        "1901FF",
        "1902FF",
        "190A",
        "1915",
        "0100",
        "0101",
        "0141",
        "03",
        "07",
        "0A",
        "0902",
        "0904",
        "0906",
        "090A",
        "22F810",
        "1904042000FF",
        "1906042000FF",
        "1904403513FF",
        "1906403513FF",
    ]
    listed = replies | {"1902FF": "5902FF0420002F40351328"}
    assert expected == asked(plan_unit(UNIT), table(listed))


def test_a_unit_that_knows_service_22_is_asked_for_every_identifier() -> None:
    replies = {"22F186": "62F18601", "22F190": 0x31}
    assert IDENTIFY == asked(plan_unit(UNIT), table(replies, 0x31))[1:7]


def test_a_unit_without_service_22_is_asked_once_more_than_its_session() -> None:
    assert ["22F186", "22F190", "1901FF"] == asked(plan_unit(UNIT), table({}, 0x11))[:3]


def test_codes_of_earlier_scans_are_asked_again_in_order_without_doubles() -> None:
    again = (Dtc.parse("U0100-87"), Dtc.parse("P0420-00"), Dtc.parse("P0420"))
    found = asked(plan_unit(UNIT, again), table({"1902FF": "5902FF0420002F"}))
    assert ["1904042000FF", "1906042000FF", "1904C10087FF", "1906C10087FF"] == found[-4:]


def test_a_code_merely_not_tested_has_no_records_worth_reading() -> None:
    # ISO 14229-1, Annex D: 50 = not completed since clear and in this cycle; 20 = failed since clear.
    assert (Dtc.parse("C0035-13"),) == worth_reading(bytes.fromhex("5902FF042000504035132000000000"))


def test_nothing_is_worth_reading_in_no_list_or_one_that_does_not_decode() -> None:
    assert () == worth_reading(None)
    assert () == worth_reading(bytes.fromhex("5902FF0420"))


def test_a_silent_unit_ends_in_twelve_requests_and_two_for_each_code_to_ask_again() -> None:
    silent = table({}, Outcome.SILENT)
    expected = ["22F186", "22F190", "1901FF", "1902FF", "190A", "1915", "0100", "0101", "03", "07", "0A", "22F810"]
    assert expected == asked(plan_unit(UNIT), silent)
    assert [*expected, "1904042000FF", "1906042000FF"] == asked(plan_unit(UNIT, (Dtc.parse("P0420-00"),)), silent)


def test_what_a_unit_supports_since_the_clear_is_read() -> None:
    # SAE J1979, support bitmaps: 20 and 40 chain on; 30, 31, 4E, A6 as in the worked bitmaps below.
    replies = {
        "0100": "410000000001",
        "0120": "412000018001",  # 30, 31, 40
        "0140": "414000040001",  # 4E, 60
        "0160": "416000000001",
        "0180": "418000000001",
        "01A0": "41A004000001",  # A6, C0
    }
    found = asked(plan_unit(UNIT), table(replies))
    assert ["0100", "0120", "0140", "0160", "0180", "01A0"] == [r for r in found if r in replies]
    assert ["0130", "0131", "014E", "01A6"] == found[found.index("0A") + 1 : found.index("0902")]


def test_a_bitmap_that_does_not_decode_ends_the_search_for_identifiers() -> None:
    found = asked(plan_unit(UNIT), table({"0100": "410000"}))
    assert "0120" not in found
    assert ["0902", "0904", "0906", "090A", "22F810"] == found[-5:]


def test_a_unit_that_speaks_obd_on_uds_is_asked_for_its_emissions_group() -> None:
    # SAE J1979-2: identifiers F4xx for values, F8xx for information; ISO 14229-1, 19 42 and 19 55 for group 33.
    replies = {
        "22F810": "62F81001",
        "22F400": "62F40080000001",  # 01, 20
        "22F420": "62F42000018001",  # 30, 31, 40
        "22F440": "62F44080040000",  # 41, 4E
        "194233FF1E": "594233FF1E0402042000" + "2F",
    }
    found = asked(plan_unit(UNIT), table(replies))
    expected = ["22F401", "22F441", "22F430", "22F431", "22F44E", "194233FF1E", "195533", "22F804", "22F806", "22F80A"]
    assert expected == found[found.index("22F440") + 1 :][: len(expected)]
    assert ["1904042000FF", "1906042000FF"] == found[-2:]


def test_a_unit_that_speaks_no_obd_is_not_asked_for_obd_information() -> None:
    assert not [request for request in asked(plan_unit(UNIT), table(LISTING)) if request.startswith("09")]


def test_a_unit_that_answers_03_alone_speaks_obd() -> None:
    assert "0902" in asked(plan_unit(UNIT), table({"03": "4300"}))


ANY = st.one_of(
    st.sampled_from([Outcome.SILENT, Outcome.DAMAGED, Outcome.UNSENT, 0x11, 0x22, 0x31]),
    st.binary(max_size=12).map(lambda data: data.hex()).filter(bool),
    st.just("good"),
)


@given(told=st.lists(ANY, min_size=1, max_size=40), obd=st.booleans())
def test_whatever_comes_back_every_plan_ends_and_asks_nothing_but_readings(
    told: list[str | int | Outcome], obd: bool
) -> None:
    replies = iter(told * 40)
    good = LISTING | {"0100": "4100FFFFFFFF", "0120": "4120FFFFFFFF", "0140": "4140FFFFFFFF"}

    def reply(data: bytes) -> str | int | Outcome:
        said = next(replies)
        return good.get(data.hex().upper(), 0x31) if said == "good" else said

    again = (Dtc.parse("P0420-00"), Dtc.parse("B1D05-15"))
    plans = [
        plan_unit(UNIT, again),
        plan_live(UNIT, (0x0C, 0x0D)),
        plan_read_back(UNIT, obd=obd),
        plan_round(UNIT, live=(0x0C,), codes=True),
    ]
    for plan in plans:
        found = asked(plan, reply)
        assert len(found) <= 900, "twice the codes a reply of this size can list, and the rest of a scan"
        assert {bytes.fromhex(request)[0] for request in found} <= READING


def test_live_values_are_read_as_many_to_a_request_as_one_frame_holds() -> None:
    # SAE J1979 on CAN: up to six PIDs; ISO 15765-2: a single frame holds seven bytes, so three identifiers of 22.
    numbers = (0x0C, 0x0D, 0x1F, 0x42, 0x04, 0x05, 0x46, 0xF40C, 0xF40D, 0xF41F, 0xF442)
    told = {
        "010C0D1F420405": "410C1BE40D001F0000423039040005FF",
        "0146": "414650",
        "22F40CF40DF41F": "62F40C1BE4F40D00F41F0000",
        "22F442": "62F4423039",
    }
    assert list(told) == asked(plan_live(UNIT, numbers), table(told))


def test_a_value_that_was_not_told_among_others_is_asked_for_alone() -> None:
    some_missing = table({"010C0D42": "410C1BE4", "010D": "410D00"})
    assert ["010C0D42", "010D", "0142"] == asked(plan_live(UNIT, (0x0C, 0x0D, 0x42)), some_missing)
    one_by_one = table({"010C": "410C1BE4", "010D": "410D00"})
    assert ["010C0D", "010C", "010D"] == asked(plan_live(UNIT, (0x0C, 0x0D)), one_by_one)
    assert ["010C", "22F40D"] == asked(plan_live(UNIT, (0x0C, 0xF40D)), table({}))


def test_a_read_back_asks_the_lists_and_obd_where_the_unit_speaks_it() -> None:
    listed = table({"1902FF": "5902FF"})
    assert ["1902FF", "190A"] == asked(plan_read_back(UNIT, obd=False), listed)
    assert ["1902FF", "190A", "03", "07"] == asked(plan_read_back(UNIT, obd=True), listed)


def test_a_read_back_asks_a_unit_for_its_emissions_group_too() -> None:
    found = asked(plan_read_back(UNIT, obd=False, group=True), table({}))
    assert ["1902FF", "190A", "194233FF1E"] == found


def test_a_round_reads_conditions_then_session_and_status() -> None:
    replies = {"190A": "590AFF"}
    assert ["010C", "22F186", "190A"] == asked(plan_round(UNIT, live=(0x0C,), codes=True), table(replies))


def test_a_round_falls_back_on_the_code_list() -> None:
    found = asked(plan_round(UNIT, live=(), codes=True), table({"1902FF": "5902FF"}))
    assert ["22F186", "190A", "1902FF"] == found


def test_a_round_asks_for_the_emissions_group_where_the_unit_has_it() -> None:
    supported = asked(plan_round(UNIT, live=(), codes=True, group=True), table({"190A": "590AFF"}))
    assert ["22F186", "190A", "194233FF1E"] == supported
    neither = asked(plan_round(UNIT, live=(), codes=True, group=True), table({}))
    assert ["22F186", "190A", "1902FF", "194233FF1E"] == neither


def test_silence_on_a_list_ends_a_round() -> None:
    def awake_then_silent(request: Request) -> Exchange:
        return table({"22F186": "62F18601"}, Outcome.SILENT)(request)

    found = asked(plan_round(UNIT, live=(), codes=True, group=True), awake_then_silent)
    assert ["22F186", "190A"] == found


def test_a_round_of_conditions_alone_asks_no_codes() -> None:
    assert ["010C"] == asked(plan_round(UNIT, live=(0x0C,), codes=False), table({}))


def test_a_round_reads_as_many_conditions_as_there_are() -> None:
    told = {"010C0D1F420405": "410C1BE40D001F0000423039040005FF", "0146": "414650"}
    numbers = (0x0C, 0x0D, 0x1F, 0x42, 0x04, 0x05, 0x46)
    assert list(told) == asked(plan_round(UNIT, live=numbers, codes=False), table(told))
    one_by_one = table({"010C": "410C1BE4", "010D": "410D00"})
    assert ["010C0D", "010C", "010D"] == asked(plan_round(UNIT, live=(0x0C, 0x0D), codes=False), one_by_one)


def test_the_first_silence_ends_a_round() -> None:
    silent = table({}, Outcome.SILENT)
    assert ["010C"] == asked(plan_round(UNIT, live=(0x0C,), codes=True), silent)
    assert ["010C0D", "010C"] == asked(plan_round(UNIT, live=(0x0C, 0x0D), codes=True), silent)
    assert ["22F186"] == asked(plan_round(UNIT, live=(), codes=True), silent)


def functional(request: Request, answers: dict[str, str]) -> Exchange:
    """Answers of several sources to one functional request."""
    return Exchange(
        link="sim:plan",
        target=request.target,
        request=request.data,
        answers=tuple(
            Answer(source=source, data=bytes.fromhex(data), first_us=1, last_us=2, kind=AnswerKind.POSITIVE)
            for source, data in answers.items()
        ),
    )


def preluded(answers: dict[str, dict[str, str]]) -> list[tuple[str, str]]:
    """Every request of the prelude, answered by target and request."""
    plan, found = plan_prelude(("functional:7DF", "functional:18DB33F1")), []
    try:
        request = next(plan)
        while True:
            found.append((request.target, request.data.hex().upper()))
            request = plan.send(functional(request, answers.get(request.target, {})))
    except StopIteration:
        return found


def test_the_prelude_asks_both_functional_identifiers_once_when_nobody_answers() -> None:
    # Identifiers: ISO 15765-4.
    targets = ("functional:7DF", "functional:18DB33F1")
    assert [(target, request) for target in targets for request in ("0100", "22F400", "3E00", "22F186")] == preluded({})


def test_the_prelude_goes_on_where_somebody_answers() -> None:
    found = preluded({"functional:7DF": {"7E8": "410000000001"}})
    assert [
        ("functional:7DF", "0100"),
        ("functional:7DF", "0120"),
        ("functional:7DF", "0140"),
        ("functional:7DF", "22F400"),
    ] == found[:4]


def test_values_offered_by_identifier_are_heard_too() -> None:
    # SAE J1979-2, F400: 0C and 0D as in the bitmap of the next test.
    request = Request(functional_target("7DF"), bytes.fromhex("22F400"))
    (heard,) = heard_units([functional(request, {"7E8": "62F40000180000"})])
    assert (0xF40C, 0xF40D) == heard.live


def test_a_value_offered_both_ways_is_asked_by_service_01() -> None:
    heard = Heard(UNIT, frozenset({0x0C, 0xF40C, 0xF40D}))
    assert (0x0C, 0xF40D) == heard.live


def test_who_was_heard_and_which_live_values_it_offers() -> None:
    # 4100 00180000: identifiers 0C and 0D (SAE J1979, the high bit of the first byte is identifier 01).
    request = Request(functional_target("7DF"), b"\x01\x00")
    exchanges = [
        functional(request, {"7E8": "410000180000", "18DAF110": "4100", "123": "410000180000"}),
        exchange(Request("7E1/7E9", b"\x01\x00"), "410000180000"),
        functional(request, {"7E8": "412000000001"}),
    ]
    assert (
        Heard("18DA10F1/18DAF110", frozenset()),
        Heard("7E0/7E8", frozenset({0x0C, 0x0D, 0x40})),
    ) == heard_units(exchanges)
    assert (0x0C, 0x0D) == heard_units(exchanges)[1].live


def test_any_answer_names_its_unit_and_only_a_whole_one_what_it_offers() -> None:
    late = Answer(source="7E8", data=bytes.fromhex("4100FFFFFFFF"), first_us=1, last_us=2, kind=AnswerKind.LATE)
    said = Exchange(link="sim:plan", target=functional_target("7DF"), request=b"\x01\x00", answers=(late,))
    assert (Heard(unit="7E0/7E8", supported=frozenset()),) == heard_units([said])


def test_a_value_is_asked_for_the_way_another_was_told() -> None:
    assert ((0x0C, 0x0D), (0xF40C, 0xF40D)) == (asked_alike((0x0C, 0x0D), 0x1F), asked_alike((0x0C, 0x0D), 0xF41F))
