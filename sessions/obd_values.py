"""The same OBD values by two services: PID xx by service 01, identifier F4xx by service 22.

A value is numbered by how it is asked for: 00..FF by service 01, F400..F4FF by service 22.
Source: SAE J1979, service 01; SAE J1979-2 / ISO 27145-2, identifiers F400 to F4FF.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from decoders import (
    Cursor,
    LiveValue,
    decode_identifier,
    decode_live,
    decode_supported,
    is_padding,
    pid_did_length,
    read_support,
    scale_did,
)
from decoders.errors import DecodeError

OBD_PAGE = 0xF400
_LAST_PID = 0xFF
_BY_PID, _BY_IDENTIFIER = 0x01, 0x22
_MOST_PIDS = 6
"""Source: SAE J1979 / ISO 15031-5 on CAN: a request of service 01 holds up to six PIDs."""

_MOST_IDENTIFIERS = 3
"""So many identifiers of service 22 fit into one frame (ISO 15765-2)."""

_NUMBER_SIZE = 3


def value_request(number: int) -> bytes:
    """The request for one value."""
    return next(value_requests((number,)))


def value_requests(numbers: Sequence[int]) -> Iterator[bytes]:
    """The fewest requests of one frame for several values, those by service 01 first; no support bitmaps among them."""
    pids = [number for number in numbers if number <= _LAST_PID]
    for at in range(0, len(pids), _MOST_PIDS):
        yield bytes([_BY_PID, *pids[at : at + _MOST_PIDS]])
    identifiers = [number for number in numbers if number > _LAST_PID]
    for at in range(0, len(identifiers), _MOST_IDENTIFIERS):
        some = identifiers[at : at + _MOST_IDENTIFIERS]
        yield bytes([_BY_IDENTIFIER]) + b"".join(number.to_bytes(2, "big") for number in some)


def asked_alike(pids: Iterable[int], number: int) -> tuple[int, ...]:
    """The numbers of these PIDs by the service that this number goes by."""
    return tuple(number & ~_LAST_PID | pid for pid in pids)


def supported_values(data: bytes) -> frozenset[int]:
    """The numbers that a support bitmap names: an answer 41 00, 20, ... or 62 F400, F420, ...

    Raises:
        DecodeError: another answer, or a cut one.
    """
    if data[:1] != b"\x62":
        return decode_supported(data)
    group = decode_identifier(data)
    pids = read_support(Cursor(bytes([group.number & _LAST_PID]) + group.data))
    return frozenset(OBD_PAGE | pid for pid in pids)


def asked_values(request: bytes) -> tuple[int, ...]:
    """The numbers of the values that a request asks for; none if it asks for anything else as well."""
    if request[:1] == bytes([_BY_PID]):
        return tuple(request[1:])
    if request[:1] == bytes([_BY_IDENTIFIER]) and len(request) % 2:
        numbers = tuple(int.from_bytes(request[at : at + 2], "big") for at in range(1, len(request), 2))
        return numbers if all(number & ~_LAST_PID == OBD_PAGE for number in numbers) else ()
    return ()


def asked_value(request: bytes) -> int | None:
    """The number of the one value that a request asks for, or None if it asks for several or for anything else."""
    numbers = asked_values(request)
    return numbers[0] if len(numbers) == 1 else None


def told_values(request: bytes, data: bytes) -> tuple[tuple[int, LiveValue], ...]:
    """The values in a positive answer, each with its number; what does not decode, or is no number, tells nothing.

    Nor does an answer with a value that was not asked for, or one value twice and differently: then it cannot be
    told where one ends.

    Args:
        request: what was asked.
        data: the whole answer.
    """
    numbers = asked_values(request)
    if not numbers or not all(number % 0x20 for number in numbers):
        return ()
    try:
        if numbers[0] <= _LAST_PID:
            told = [(value.pid, value) for value in decode_live(data)]
        else:
            told = list(_by_identifier(numbers, data))
    except DecodeError:
        return ()
    once = len({(number, value.raw) for number, value in told}) == len({number for number, _value in told})
    return tuple(told) if once and {number for number, _value in told} <= set(numbers) else ()


def _by_identifier(numbers: tuple[int, ...], data: bytes) -> Iterator[tuple[int, LiveValue]]:
    """The values behind service 62. Of several, each must have a length that is known, to find the next one."""
    if len(numbers) == 1:
        raw = _without_fill(numbers[0], decode_identifier(data).data)
        value = scale_did(numbers[0], raw)
        if value is not None:
            yield numbers[0], value
        return
    rest = data
    while len(rest) > 1 and not is_padding(rest[1:]):
        number = int.from_bytes(rest[1:_NUMBER_SIZE], "big")
        length = pid_did_length(number)
        if number not in numbers or length is None or len(rest) < _NUMBER_SIZE + length:
            raise DecodeError("identifiers", 1, rest, "it cannot be told where one ends")
        value = scale_did(number, rest[_NUMBER_SIZE : _NUMBER_SIZE + length])
        if value is not None:
            yield number, value
        rest = data[:1] + rest[_NUMBER_SIZE + length :]


def _without_fill(number: int, data: bytes) -> bytes:
    """The bytes of an identifier of known length without fill bytes behind them; anything else stays and is damage."""
    length = pid_did_length(number)
    fits = length is not None and len(data) > length and is_padding(data[length:])
    return data[:length] if fits else data


def offered(pids: Iterable[int], supported: Collection[int]) -> tuple[int, ...]:
    """The numbers by which a unit tells these PIDs; by service 01 where it offers both."""
    found = []
    for pid in pids:
        number = next((number for number in (pid, OBD_PAGE | pid) if number in supported), None)
        if number is not None:
            found.append(number)
    return tuple(found)
