"""The DoIP link at the bench's own door: what it reads is what the CAN bus of the same car gives."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest
from doip_link_help import FakeEntity, Talk, ask, ask_all, connect, plan
from warning_lamps_help import VIN

from decoders.errors import LinkError
from decoders.values import Exchange, Outcome, doip_unit, normalise_unit, outcome_of
from gateway.links import Limits, Link, open_link
from gateway.profiles import parse_profile
from simulators.doip import DoipDoor
from simulators.doip_entity import DoipLimits, number_units
from simulators.door import Bench, BenchError, RunningBench
from simulators.scenarios import SCENARIOS

WIDE = Limits(p2_ms=2000, functional_ms=650)
QUESTIONS = [bytes.fromhex(text) for text in ("22F190", "1901FF", "1902FF", "190A", "03", "0100", "22F18C", "22FFFF")]


@contextmanager
def both(scenario: str = "warning-lamps") -> Iterator[tuple[RunningBench, Link, Link, dict[str, str]]]:
    """A car, its CAN bus and its DoIP door; and each unit's address there by the one here."""
    with Bench().start(scenario) as bench:
        text = bench.open_door("doip")
        units = {unit: doip_unit(number) for number, unit in number_units(SCENARIOS[scenario].units).items()}
        with open_link(bench.links[0]) as can_link, open_link(text) as doip_link:
            yield bench, can_link, doip_link, units


Said = tuple[Outcome | None, int | None, bytes | None]


def told(kept: list[Exchange]) -> dict[tuple[str, bytes], Said]:
    return {(e.target, e.request): (e.outcome, e.refusal, e.positive) for e in kept}


@pytest.mark.parametrize("unplugged", [None, "760/768"])
def test_every_unit_says_the_same_over_can_and_over_doip(unplugged: str | None) -> None:
    with both() as (bench, can_link, doip_link, units):
        if unplugged is not None:
            bench.act("disconnect", plug=unplugged)
        asked = QUESTIONS[: 8 if unplugged is None else 2]

        def said(link: Link, names: dict[str, str]) -> dict[tuple[str, bytes], Said]:
            """Who answers ends the wait; for the one that cannot it is short."""
            there = [name for unit, name in names.items() if unit != unplugged]
            away = [name for unit, name in names.items() if unit == unplugged]
            kept = ask_all(link, dict.fromkeys(there, asked), limits=WIDE)
            return told([*kept, *ask_all(link, dict.fromkeys(away, asked), limits=Limits(p2_ms=100))])

        over_can, over_doip = said(can_link, {unit: unit for unit in units}), said(doip_link, units)
    assert {(units[unit], data): said for (unit, data), said in over_can.items()} == over_doip
    assert {Outcome.ANSWERED, Outcome.REFUSED} <= {outcome for outcome, _, _ in over_doip.values()}
    mute = {unit for (unit, _), (outcome, _, _) in over_doip.items() if outcome is Outcome.SILENT}
    assert ({units[unplugged]} if unplugged else set()) == mute


def test_eleven_units_are_asked_at_once() -> None:
    with both() as (_, _, link, units):
        kept = ask_all(link, dict.fromkeys(units.values(), QUESTIONS[:1]), limits=WIDE)
    assert 11 == len({exchange.target for exchange in kept})
    assert {Outcome.ANSWERED, Outcome.REFUSED} >= {exchange.outcome for exchange in kept}


def test_everyone_is_found_by_the_group() -> None:
    with both() as (_, _, link, units):
        (exchange,) = ask(link, bytes.fromhex("22F190"), target=link.functional_targets[0], limits=WIDE)
    found = {source for source in units.values() if outcome_of(exchange, source).outcome is Outcome.ANSWERED}
    assert 5 < len(found)
    assert VIN.encode() == outcome_of(exchange, "doip:1000").data[3:]  # type: ignore[index]


def test_an_address_that_no_unit_has_was_never_asked() -> None:
    with both() as (_, _, link, _):
        (exchange,) = ask(link, b"\x03", target="doip:7FFF", limits=WIDE)
    assert (Outcome.UNSENT, "the gateway knows no such address (03)") == (exchange.outcome, exchange.trouble)


def test_a_tester_whose_address_is_in_use_is_told_so_while_the_first_goes_on() -> None:
    patient = DoipLimits(alive_check_s=10)
    with (
        Bench().start("warning-lamps") as bench,
        DoipDoor(bench.desk, limits=patient) as door,
        open_link(door.link) as link,
        ThreadPoolExecutor(1) as pool,
    ):
        second = pool.submit(open_link, door.link)
        while not second.done():  # the first tester says that it is alive whenever it reads
            assert [Outcome.ANSWERED] == [
                exchange.outcome for exchange in ask(link, b"\x03", target="doip:1000", limits=WIDE)
            ]
        with pytest.raises(LinkError, match="0E80 is in use on another connection"):
            second.result()
        assert [Outcome.ANSWERED] == [
            exchange.outcome for exchange in ask(link, b"\x03", target="doip:1000", limits=WIDE)
        ]


def test_a_car_that_goes_away_leaves_nothing_silent() -> None:
    with both() as (bench, _, link, units):
        kept: list[Exchange] = []

        def keep(exchange: Exchange) -> None:
            kept.append(exchange)
            if len(kept) == 20:
                bench.close()

        plans = {unit: plan(unit, *[b"\x22\xf1\x90"] * 10) for unit in units.values()}
        link.run(plans, keep, threading.Event(), WIDE)
    assert 110 == len(kept)
    assert {Outcome.DAMAGED, Outcome.UNSENT} >= {exchange.outcome for exchange in kept[31:]}
    assert Outcome.SILENT not in {exchange.outcome for exchange in kept}


def test_a_rude_entity_in_front_of_a_real_car() -> None:
    """It answers before it acknowledges."""
    with both() as (bench, can_link, _, units):
        texts = {doip: unit for unit, doip in units.items()}

        def script(talk: Talk, unit: int, data: bytes) -> None:
            for reply in bench.desk.ask(texts[doip_unit(unit)], data):
                talk.answer(unit, reply.data)
            talk.ack(unit, data[:2])

        with FakeEntity(script) as entity, connect(entity.link) as link:
            over_doip = ask_all(link, dict.fromkeys(units.values(), QUESTIONS[:4]), limits=WIDE)
        over_can = ask_all(can_link, dict.fromkeys(units, QUESTIONS[:4]), limits=WIDE)
    assert {(units[u], d): said for (u, d), said in told(over_can).items() if said[0] is not Outcome.SILENT} == {
        key: said for key, said in told(over_doip).items() if said[0] is not Outcome.SILENT
    }


# --- the profile ---


@pytest.mark.parametrize("scenario", sorted(SCENARIOS))
def test_a_profile_can_name_the_units_as_the_door_does(scenario: str) -> None:
    found = Bench().profile_text(scenario, addresses="doip")
    profile, usual = (parse_profile(text, name=scenario) for text in (found, Bench().profile_text(scenario)))
    with Bench().start(scenario) as bench, DoipDoor(bench.desk) as door:
        numbers = {unit: doip_unit(number) for number, unit in door.addresses.items()}
    assert [numbers[unit.address] for unit in usual.units] == [unit.address for unit in profile.units]
    assert [unit.name for unit in usual.units] == [unit.name for unit in profile.units]
    assert all(normalise_unit(unit.address) == unit.address for unit in profile.units)
    # No address of the CAN bus is left, whatever table it stood in; messages of the bus keep their identifiers.
    assert [] == [unit for unit in numbers if unit in found]


def test_the_usual_profile_stays_as_it_was_and_other_addresses_are_refused() -> None:
    assert SCENARIOS["unit-lost"].profile_text() == Bench().profile_text("unit-lost", addresses="can")
    with pytest.raises(BenchError, match="known: can, doip"):
        Bench().profile_text("unit-lost", addresses="dongle")
