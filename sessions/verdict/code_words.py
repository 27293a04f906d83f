"""What a code means, wherever one is shown."""

from __future__ import annotations

from decoders.code_texts import NOT_KNOWN, describe_code
from decoders.values import Dtc
from decoders.values.dtc import format_name
from sessions.record import JobRecord
from sessions.verdict.listing import code_format

_WITH_LETTERS = frozenset({None, 0x00, 0x01, 0x04})


def code_words(record: JobRecord, unit: str, code: str) -> str:
    """The profile's text for a code of a unit, else what is published of it, else that it is not known.

    The last two say so themselves. Only codes that begin with a letter have published ranges.
    """
    named = record.profile.code(unit, code)
    if named is not None:
        return named.text
    dtc, stated = Dtc.parse(code), code_format(record, unit)
    if stated not in _WITH_LETTERS:
        # The same bytes mean something else there: no letter, no range.
        return f"{NOT_KNOWN}; the unit writes {dtc.text_in(stated)} ({format_name(stated or 0)})"
    return describe_code(dtc).text if dtc.text == code else NOT_KNOWN
