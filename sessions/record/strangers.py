"""Who answered a call to everybody and cannot be asked: a unit of which half an address is known."""

from __future__ import annotations

from collections.abc import Iterable

from decoders.values import Exchange, is_doip, is_functional, iso_15765_4_unit


def strangers(exchanges: Iterable[Exchange], units: Iterable[str]) -> tuple[str, ...]:
    """Sources that answered a request to everybody and belong to no unit that is known: nobody can ask them.

    An answer of any kind counts, also a late or a damaged one: somebody is there. A source that ISO 15765-4 pairs with
    a request identifier can be asked by that, and a DoIP address is its own.

    Args:
        exchanges: what was asked, in any order.
        units: the units that are known, by their addresses.
    """
    sources = {unit.rpartition("/")[2] for unit in units}
    heard = {
        answer.source
        for exchange in exchanges
        if is_functional(exchange.target)
        for answer in exchange.answers
        if not is_doip(answer.source) and iso_15765_4_unit(answer.source) is None
    }
    return tuple(sorted(heard - sources))
