"""What a code means, wherever one is shown."""

from __future__ import annotations

from decoders.code_texts import NOT_KNOWN, describe_code
from decoders.values import Dtc
from sessions.profile import Profile


def code_words(profile: Profile, unit: str, code: str) -> str:
    """The profile's text for a code of a unit, else what is published of it, else that it is not known.

    The last two say so themselves. Only codes that begin with a letter have published ranges.
    """
    named = profile.code(unit, code)
    if named is not None:
        return named.text
    dtc = Dtc.parse(code)
    return describe_code(dtc).text if dtc.text == code else NOT_KNOWN
