"""The command that explains messages byte by byte, and the table it prints."""

from __future__ import annotations

import string
import sys
import textwrap
from collections.abc import Iterable, Iterator
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from decoders.errors import UsageError
from gateway.cli.frame import Frame, pass_frame, shared_options

if TYPE_CHECKING:
    from decoders.explain import Explanation, Known
    from decoders.layout import FieldKind, Layout
    from sessions.profile import ProfileIdentifier

STANDARD_INPUT = "-"

_HEX_DIGITS = frozenset(string.hexdigits)
_HEADS = ("byte", "bytes", "field", "meaning")
_BYTES_IN_LINE = 4
_WIDEST_FIELD = 24
_GAP = "  "
_NARROWEST_MEANING = 24
_HOW = "write two digits for each byte, e.g. mendproof decode 59 02 FF 04 20 00 2F"


@click.command()
@click.argument("hex_text", metavar="HEX...", nargs=-1, required=True)
@click.option(
    "--profile",
    "profile_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Lay out and name data by this profile.",
)
@click.option("--unit", metavar="ADDRESS", help="The unit of the profile that the message belongs to.")
@shared_options
@pass_frame
def decode(frame: Frame, hex_text: tuple[str, ...], profile_file: Path | None, unit: str | None) -> None:
    """Explain a request or an answer byte by byte, naming the standard.

    All arguments together are one message, e.g. 5902FF0420002F or 59 02 FF 04 20 00 2F. A lone - reads standard
    input, where each line is a message.
    """
    from decoders.explain import explain

    messages = _read_messages(hex_text)
    known = _known(profile_file, unit)
    explained = [explain(message, known) for message in messages]
    frame.emit({"messages": [_form(item) for item in explained]})
    width = _width(frame)
    frame.show("\n\n".join("\n".join(_lines(item, width)) for item in explained))


def _read_messages(arguments: tuple[str, ...]) -> list[bytes]:
    if arguments != (STANDARD_INPUT,):
        message = _bytes_of(" ".join(arguments), "")
        if not message:
            raise UsageError("There is no byte to explain", next_step=_HOW)
        return [message]
    lines = sys.stdin.buffer.read().decode("utf-8-sig", "replace").splitlines()
    messages = [_bytes_of(line, f"line {number}: ") for number, line in enumerate(lines, start=1)]
    found = [message for message in messages if message]
    if not found:
        raise UsageError("Standard input holds no message", next_step="give one message in each line, in hex")
    return found


def _bytes_of(text: str, where: str) -> bytes:
    found = b""
    for word in text.split():
        digits = word[2:] if word[:2] in ("0x", "0X") else word
        if set(digits) - _HEX_DIGITS:
            raise UsageError(f"{where}'{word}' is not in hex", next_step=_HOW)
        if not digits or len(digits) % 2:
            raise UsageError(f"{where}'{word}' has half a byte", next_step=_HOW)
        found += bytes.fromhex(digits)
    return found


def _known(profile_file: Path | None, unit: str | None) -> Known:
    """What the profile tells of the unit; without a unit what holds for all of them."""
    from decoders.explain import Known
    from decoders.layout import Layout
    from decoders.values import normalise_unit
    from gateway.profiles import load_profile

    if profile_file is None:
        if unit is not None:
            raise UsageError("--unit needs --profile", next_step="name the profile that describes this unit")
        return Known()
    profile = load_profile(profile_file).profile
    address = "" if unit is None else normalise_unit(unit)
    if unit is not None and profile.unit(address) is None:
        there = ", ".join(item.address for item in profile.units) or "none"
        raise UsageError(f"The profile has no unit {address}", next_step=f"choose one of: {there}")
    sizes = profile.record_sizes(address)
    numbers = profile.identifiers_for(address)
    layouts = {number: item.layout for number, item in profile.layouts_for(address, "identifier").items()}
    return Known(
        identifiers={number: _layout(item) for number, item in numbers.items()} | layouts,
        unscaled=frozenset(at for at, item in numbers.items() if at not in layouts and _may_be_text(item)),
        records={number: Layout(name=f"record {number:02X}", length=size, fields=()) for number, size in sizes.items()}
        | {number: item.layout for number, item in profile.layouts_for(address, "record").items()},
        texts={item.code: item.text for item in profile.codes if item.unit == address},
    )


def _may_be_text(item: ProfileIdentifier) -> bool:
    """True if nothing says that it is a number; one too long for a number is none anyway."""
    from gateway.profiles.layouts import MOST_NUMBER_BYTES, says_number

    return not says_number(item) and item.length <= MOST_NUMBER_BYTES


def _layout(item: ProfileIdentifier) -> Layout:
    """An identifier as a layout of one number; one too long for a number tells its length only."""
    from fractions import Fraction

    from decoders.layout import Layout, Scale, whole_bytes
    from gateway.profiles.layouts import MOST_NUMBER_BYTES

    scale = Scale.of(Fraction(item.scale_num, item.scale_den), Fraction(item.offset))
    kind: FieldKind = "signed" if item.signed else "unsigned"
    number = whole_bytes(item.name, 0, item.length, kind=kind, scale=scale, unit=item.unit)
    return Layout(name=item.name, length=item.length, fields=(number,) if item.length <= MOST_NUMBER_BYTES else ())


def _form(item: Explanation) -> dict[str, Any]:
    return {
        "bytes": item.raw.hex().upper(),
        "direction": item.direction,
        "service": item.service,
        "title": item.title,
        "standard": item.standard,
        "parts": [
            {"offset": part.offset, "bytes": part.raw.hex().upper(), "field": part.field, "meaning": part.meaning}
            for part in item.parts
        ],
        "problem": item.problem,
    }


def _width(frame: Frame) -> int:
    from gateway.cli.console import PIPED_WIDTH

    console = frame.console
    return console.width if console.is_terminal else PIPED_WIDTH


def _lines(item: Explanation, width: int) -> Iterator[str]:
    """A message for people: what it is, the table of its parts, and what is wrong with it."""
    yield item.title
    yield item.standard or "No standard known here has this service."
    yield ""
    rows = [(str(part.offset), part.raw.hex(" ").upper(), part.field, part.meaning) for part in item.parts]
    most = (len(_HEADS[0]), 3 * _BYTES_IN_LINE - 1, _WIDEST_FIELD)
    widths = [min(limit, max(len(row[at]) for row in (_HEADS, *rows))) for at, limit in enumerate(most)]
    taken = sum(widths) + len(_GAP) * len(widths)
    widths.append(max(width - taken, _NARROWEST_MEANING))
    for row in (_HEADS, *rows):
        yield from _row(row, widths)
    if item.problem is not None:
        yield ""
        yield f"Damaged: {item.problem}"


def _row(cells: Iterable[str], widths: list[int]) -> Iterator[str]:
    wrapped = [textwrap.wrap(cell, width, break_on_hyphens=False) for cell, width in zip(cells, widths, strict=True)]
    for line in zip_longest(*wrapped, fillvalue=""):
        yield _GAP.join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip()
