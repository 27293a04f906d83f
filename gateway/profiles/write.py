"""Writes a profile as the text of a file that `loader` reads back as the same profile."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any

from decoders.layout import Bits, Field
from gateway.profiles.fields import MAX_INTEGER
from sessions.profile import (
    Profile,
    ProfileCode,
    ProfileIdentifier,
    ProfileLayout,
    ProfileMessage,
    ProfileUnit,
    Quantity,
)

_WIDTH = 118
_NO_SYSTEM = (
    '# system = ""   # not known: powertrain, chassis, body or network; until it is said, no fault here becomes proven'
)


def profile_text(profile: Profile) -> str:
    """The text of a profile; what a file cannot say (conditions of a field) must not be in it."""
    head = {
        "name": profile.name,
        "maker": profile.maker,
        "model": profile.model,
        "electric_drive": profile.electric_drive or None,
        "broadcast": profile.broadcast,
    }
    parts = [_table("[profile]", head)]
    if profile.settings:
        parts.append(_table("[profile.settings]", profile.settings))
    parts += [_unit(unit) for unit in profile.units]
    parts += [_code(code) for code in profile.codes]
    parts += [_identifier(item) for item in profile.identifiers]
    parts += [_block(item) for item in profile.layouts]
    parts += [_block(item) for item in profile.messages]
    return "\n".join(parts)


def shown(text: str) -> str:
    """The text with a space for each sign that cannot be seen, so that it fits any file."""
    return "".join(sign if sign.isprintable() else " " for sign in text)


def comment(lines: Iterable[str]) -> str:
    """Lines as comments, folded to the width of a page."""
    folded = (
        textwrap.wrap(shown(line), _WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
        or [""]
        for line in lines
    )
    return "".join(f"# {part}".rstrip() + "\n" for parts in folded for part in parts)


def _unit(unit: ProfileUnit) -> str:
    text = _table(
        "[[unit]]",
        {
            "address": unit.address,
            "name": unit.name,
            "system": unit.system,
            "fitted": None if unit.fitted else False,
            "occurrence_record": None if unit.occurrence_record is None else f"{unit.occurrence_record:02X}",
            "extended_sizes": {f"{number:02X}": size for number, size in unit.extended_sizes},
        },
    )
    return text if unit.system else f"{text}{_NO_SYSTEM}\n"


def _code(code: ProfileCode) -> str:
    return _table(
        "[[code]]",
        {
            "unit": code.unit,
            "code": code.code,
            "text": code.text,
            "continuous": code.continuous or None,
            "about": code.about,
            "hold_s": code.hold_s,
        },
    )


def _identifier(item: ProfileIdentifier) -> str:
    return _table(
        "[[identifier]]",
        {
            "number": f"{item.number:04X}",
            "name": item.name,
            "length": item.length,
            "signed": item.signed or None,
            **_scale(item.scale_num, item.scale_den, Fraction(item.offset)),
            "unit": item.unit,
            "quantity": None if item.quantity == "other" else item.quantity,
            "units": list(item.units),
        },
    )


def _block(item: ProfileLayout | ProfileMessage) -> str:
    head: dict[str, Any] = {"name": item.layout.name}
    if isinstance(item, ProfileMessage):
        head["message"] = item.can_id
    else:
        head[item.subject] = f"{item.number:0{4 if item.subject == 'identifier' else 2}X}"
    head["length"] = item.layout.length
    if isinstance(item, ProfileLayout):
        head["units"] = list(item.units)
    quantities = dict(item.quantities)
    parts = [_table("[[layout]]", head), *(_field(field, quantities) for field in item.layout.fields)]
    if not item.layout.fields:
        parts[0] += "field = []\n"
    return "\n".join(parts)


def _field(field: Field, quantities: Mapping[str, Quantity]) -> str:
    scale = field.scale
    factor, offset = Fraction(scale.num, scale.den), Fraction(scale.add, scale.den)
    return _table(
        "[[layout.field]]",
        {
            "name": field.name,
            **_place(field.bits),
            "little_endian": field.bits.order == "little" or None,
            "kind": None if field.kind == "unsigned" else field.kind,
            **_scale(factor.numerator, factor.denominator, offset),
            "unit": field.unit,
            "names": {str(_number(raw, field)): meaning for raw, meaning in field.names},
            "quantity": quantities.get(field.name),
        },
    )


def _place(bits: Bits) -> dict[str, int]:
    if bits.start % 8 or bits.length % 8:
        return {"bit": bits.start, "bits": bits.length}
    return {"byte": bits.start // 8, "bytes": bits.length // 8}


def _scale(num: int, den: int, offset: Fraction) -> dict[str, Any]:
    whole = offset.denominator == 1 and abs(offset) <= MAX_INTEGER
    return {
        "scale_num": None if num == 1 else num,
        "scale_den": None if den == 1 else den,
        "offset": (int(offset) or None) if whole else str(offset),
    }


def _number(raw: int, field: Field) -> int:
    """A raw number as a file writes it: with its sign."""
    if field.kind == "signed":
        return raw - (raw >> field.bits.length - 1 << field.bits.length)
    return raw


def _table(header: str, values: Mapping[str, Any]) -> str:
    """A table with the keys that say something; what is left out has its default."""
    lines = [f"{key} = {_value(value)}" for key, value in values.items() if _says_something(value)]
    return "\n".join((header, *lines, ""))


def _says_something(value: Any) -> bool:
    return value is not None and value not in ("", [], {})


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_value(key)} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, str):
        # TOML's escapes are those of JSON, and it wants one more sign escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return str(value).lower() if isinstance(value, bool) else str(value)
