"""Data identifiers and extended data records with their data, as far as their length is known."""

from __future__ import annotations

from decoders.errors import DecodeError
from decoders.explain.layouts import write_layout
from decoders.explain.obd_blocks import pid_text, write_info, write_pid, write_tests
from decoders.explain.scribe import NOT_KNOWN_HERE, Row, Scribe
from decoders.explain.words import number_text, vin_text
from decoders.obd_dids import OBD_PAGES, ObdIdentifier, read_obd_did
from decoders.obd_info import infotype_name
from decoders.obd_tests import monitor_name
from decoders.uds_data import data_length, identifier_name, text_of
from decoders.uds_ranges import identifier_range
from decoders.uds_requests import session_name

_VALUES, _TESTS, _INFORMATION = 0xF4, 0xF6, 0xF8
_SESSION, _VIN = 0xF186, 0xF190
_CUT_OR_MORE = "it is cut, or further identifiers follow"
_PROFILE_HELPS = f"{NOT_KNOWN_HERE}: a profile can give it"
_NAMES = {_VALUES: pid_text, _TESTS: monitor_name, _INFORMATION: infotype_name}


def _identifier(raw: bytes, scribe: Scribe) -> str:
    number = int.from_bytes(raw, "big")
    page = number >> 8
    layout = scribe.known.identifiers.get(number)
    if layout is not None:
        name: str | None = layout.name
    elif page in OBD_PAGES:
        told = _NAMES.get(page)
        name = f"{OBD_PAGES[page]}: {told(number & 0xFF)}" if told else OBD_PAGES[page]
    else:
        name = identifier_name(number)
    return f"{number:04X}, {name or _unnamed(number)}"


def _unnamed(number: int) -> str:
    return f"{identifier_range(number) or 'no standard identifier'}: a profile can name it"


def _endless_identifier(raw: bytes, scribe: Scribe) -> str:
    return f"{_identifier(raw, scribe)}; its length is not known here, what follows may be more than its data"


IDENTIFIER = Row("identifier", 2, _identifier)
_ENDLESS_IDENTIFIER = Row("identifier", 2, _endless_identifier)


def write_identifiers(scribe: Scribe, count: int | None = None) -> None:
    """Write identifiers with their data down; the first whose length is not known takes all that is left.

    Args:
        scribe: in front of the first.
        count: how many there are; None for as many as there are bytes.
    """
    lengths = scribe.known.lengths
    done = 0
    while scribe.left if count is None else done < count:
        number = int.from_bytes(scribe.peek(IDENTIFIER.size, IDENTIFIER.field), "big")
        # In a counted row, which is a record of a code, only what is known of the unit counts.
        fixed = data_length(number, lengths, scribe.left - IDENTIFIER.size)
        length = fixed if count is None else lengths.get(number)
        if length is not None:
            scribe.write(IDENTIFIER)
            write_data(scribe, number, length)
            done += 1
        elif count is None:
            scribe.write(_ENDLESS_IDENTIFIER)
            write_data(scribe, number, scribe.left)
        else:
            scribe.write(_ENDLESS_IDENTIFIER)
            scribe.note(scribe.left, "data", _PROFILE_HELPS)
            return


def write_data(scribe: Scribe, number: int, size: int) -> None:
    """Write `size` bytes down as the data of an identifier."""
    layout = scribe.known.identifiers.get(number)
    data = scribe.peek(size, f"data of identifier {number:04X}")
    if number in scribe.known.unscaled and text_of(data) is not None:
        as_number = number_text(int.from_bytes(data, "big"))
        scribe.note(size, "data", f"{_data_text(number, data)}; as a number {as_number}")
        return
    if layout is not None and layout.fields:
        write_layout(scribe, layout)
        return
    try:
        found = read_obd_did(number, data)
    except DecodeError as error:
        scribe.note(
            size, "data", f"not the data of this identifier alone ({error.field}: {error.reason}); {_CUT_OR_MORE}"
        )
        return
    if found is None or not _write_obd(scribe, found):
        scribe.note(size, "data", _data_text(number, data))


def _write_obd(scribe: Scribe, found: ObdIdentifier) -> bool:
    """Write the data of an identifier F4xx to F8xx down; False if what it means is not known here."""
    number, size, leftover = found.did & 0xFF, len(found.raw), b""
    if found.value is not None:
        write_pid(scribe, number)
    elif found.tests is not None:
        leftover = found.tests.leftover
        write_tests(scribe, number, size - len(leftover))
    elif found.information is not None and not found.information.data:
        leftover = found.information.leftover
        write_info(scribe, found.information, size - len(leftover))
    else:
        return False
    scribe.padding(len(leftover))
    return True


def _data_text(number: int, data: bytes) -> str:
    if number == _SESSION and len(data) == 1:
        return session_name(data[0])
    text = text_of(data)
    if text is None:
        return _PROFILE_HELPS
    return vin_text(text) if number == _VIN else f'text "{text}"'


def write_record(scribe: Scribe, number: int, size: int) -> None:
    """Write the data of an extended data record of known size down."""
    layout = scribe.known.records.get(number)
    if layout is not None and layout.fields:
        write_layout(scribe, layout)
    else:
        scribe.note(size, f"data of record {number:02X}", _PROFILE_HELPS)
