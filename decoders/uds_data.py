"""Answers of the services around the codes: identification, sessions, clearing, routines, refusals and others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.cursor import Cursor, is_padding
from decoders.services import NEGATIVE_RESPONSE, RefusalClass, refusal_class, refusal_name

_TEXT_FILL = b"\x00\xff "

IDENTIFIER_NAMES: Mapping[int, str] = MappingProxyType(
    {
        0xF180: "boot software identification",
        0xF181: "application software identification",
        0xF182: "application data identification",
        0xF183: "boot software fingerprint",
        0xF184: "application software fingerprint",
        0xF185: "application data fingerprint",
        0xF186: "active session",
        0xF187: "spare part number",
        0xF188: "software number",
        0xF189: "software version",
        0xF18A: "supplier",
        0xF18B: "manufacture date",
        0xF18C: "serial number",
        0xF18D: "supported functional units",
        0xF18E: "kit assembly part number",
        0xF190: "VIN",
        0xF191: "hardware number",
        0xF192: "supplier hardware number",
        0xF193: "supplier hardware version",
        0xF194: "supplier software number",
        0xF195: "supplier software version",
        0xF196: "type approval number",
        0xF197: "system name",
        0xF198: "workshop code or tester serial number",
        0xF199: "programming date",
        0xF19A: "calibration workshop code or equipment serial number",
        0xF19B: "calibration date",
        0xF19C: "calibration equipment software number",
        0xF19D: "installation date",
        0xF19E: "ODX file name",
        0xF19F: "entity",
        0xFF00: "version of ISO 14229-1 that the unit follows",
    }
)
"""Data identifiers with a meaning of their own, in our own words. Source: ISO 14229-1, Annex C (FF00 from memory)."""


IDENTIFIER_LENGTHS: Mapping[int, int] = MappingProxyType({0xF186: 1, 0xF190: 17})
"""Bytes of the identifiers whose length is fixed. Source: ISO 14229-1, Annex C (from memory); ISO 3779 (F190)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifierValue:
    """One data identifier as read.

    Args:
        number: the identifier, 0..FFFF.
        data: its bytes, at least one. Padding cannot be told from data here and stays in.
        raw: the whole answer.
    """

    number: int
    data: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifiersAnswer:
    """Several data identifiers as read.

    Args:
        values: (identifier, its bytes) in the order sent.
        undecoded: everything from the first identifier of unknown length on, else empty.
        leftover: fill bytes behind the last identifier, else empty.
        raw: the whole answer.
    """

    values: tuple[tuple[int, bytes], ...]
    undecoded: bytes
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearAnswer:
    """A unit said that it carried out a clear.

    Args:
        service: the service that was asked: 14 or, for OBD, 04.
        leftover: fill bytes behind the answer, else empty.
        raw: the whole answer.
    """

    service: int
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionAnswer:
    """A unit entered a session.

    Args:
        session: the session, 01..7F.
        p2_ms: longest time to the first byte of an answer, milliseconds; None where the unit does not say.
        p2_star_ms: the same after an "answer pending", milliseconds; None where the unit does not say.
        leftover: fill bytes behind the answer, else empty.
        raw: the whole answer.
    """

    session: int
    p2_ms: int | None
    p2_star_ms: int | None
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class TesterPresentAnswer:
    """A unit is there. `leftover` holds fill bytes behind the answer, else nothing."""

    subfunction: int
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutineAnswer:
    """A unit started or stopped a routine, or gave its results.

    Args:
        subfunction: 01 started, 02 stopped, 03 results.
        routine: routine identifier, 0..FFFF.
        status: all bytes behind it, as sent. They are the maker's own; padding cannot be told from them.
        raw: the whole answer.
    """

    subfunction: int
    routine: int
    status: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcSettingAnswer:
    """A unit switched the updating of its status bytes.

    Args:
        setting: 01 on, 02 off, others the maker's or the supplier's own. While it is off, a reading proves
            nothing.
        leftover: fill bytes behind the answer, else empty.
        raw: the whole answer.
    """

    setting: int
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A unit said no.

    Args:
        service: the service that was asked, 0..FF.
        code: negative response code, 0..FF.
        leftover: fill bytes behind the answer, else empty.
        raw: the whole answer.
    """

    service: int
    code: int
    leftover: bytes
    raw: bytes

    @property
    def name(self) -> str:
        """The code in words; ``unknown refusal 0xNN`` for one outside the standard's table."""
        return refusal_name(self.code)

    @property
    def kind(self) -> RefusalClass:
        """What kind of no it is."""
        return refusal_class(self.code)


def decode_identifier(data: bytes) -> IdentifierValue:
    """Read an answer 62 to a request for a single identifier.

    Raises:
        DecodeError: another answer, or one that is cut before its first data byte.

    Source: ISO 14229-1, ReadDataByIdentifier positive response.
    """
    cursor = Cursor(data)
    cursor.one_of((0x62,), "service")
    number = cursor.u16("identifier")
    cursor.peek(1, f"data of identifier {number:04X}")
    return IdentifierValue(number=number, data=cursor.rest(), raw=data)


def decode_identifiers(data: bytes, lengths: Mapping[int, int]) -> IdentifiersAnswer:
    """Read an answer 62 to a request for one or several identifiers.

    Args:
        data: the answer.
        lengths: identifier -> number of bytes of its data, for every identifier that is known. One that is not in it
            has the length that the standard fixes, if it fixes one and so many bytes are there.

    Raises:
        DecodeError: another answer, one without an identifier, or one cut within an identifier or its data.

    Source: ISO 14229-1, ReadDataByIdentifier positive response.
    """
    cursor = Cursor(data)
    cursor.one_of((0x62,), "service")
    cursor.peek(2, "identifier")
    values: list[tuple[int, bytes]] = []
    while cursor.remaining > 1:
        number = int.from_bytes(cursor.peek(2, "identifier"), "big")
        length = data_length(number, lengths, cursor.remaining - 2)
        if length is None:
            break
        cursor.take(2, "identifier")
        values.append((number, cursor.take(length, f"data of identifier {number:04X}")))
    undecoded = b""
    # Behind a known identifier, a repeated fill byte is no identifier; in front of all, it may be one.
    if cursor.remaining > 1 and not (values and is_padding(cursor.peek(cursor.remaining, "identifier"))):
        undecoded = cursor.rest()
    return IdentifiersAnswer(
        values=tuple(values),
        undecoded=undecoded,
        leftover=cursor.padding("identifier"),
        raw=data,
    )


def data_length(did: int, lengths: Mapping[int, int], left: int) -> int | None:
    """Bytes of an identifier's data: as `lengths` says, else as the standard fixes it where `left` bytes are enough."""
    fixed = IDENTIFIER_LENGTHS.get(did)
    return lengths.get(did, fixed if fixed is not None and fixed <= left else None)


def decode_clear(data: bytes) -> ClearAnswer:
    """Read an answer 54 (or 44, the OBD clear).

    Raises:
        DecodeError: another answer, or other bytes than padding behind it.

    Source: ISO 14229-1, ClearDiagnosticInformation positive response; SAE J1979, service 04.
    """
    cursor = Cursor(data)
    service = cursor.one_of((0x54, 0x44), "service") - 0x40
    return ClearAnswer(service=service, leftover=cursor.padding("end of answer"), raw=data)


def decode_session(data: bytes) -> SessionAnswer:
    """Read an answer 50. Units of older editions may leave the times out.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: ISO 14229-1, DiagnosticSessionControl positive response, sessionParameterRecord (P2* in 10 ms).
    """
    cursor = Cursor(data)
    cursor.one_of((0x50,), "service")
    session = cursor.u8("session")
    p2_ms = p2_star_ms = None
    if cursor.remaining:
        p2_ms = cursor.u16("P2")
        p2_star_ms = cursor.u16("P2*") * 10
    return SessionAnswer(
        session=session,
        p2_ms=p2_ms,
        p2_star_ms=p2_star_ms,
        leftover=cursor.padding("end of answer"),
        raw=data,
    )


def decode_tester_present(data: bytes) -> TesterPresentAnswer:
    """Read an answer 7E.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: ISO 14229-1, TesterPresent positive response.
    """
    cursor = Cursor(data)
    cursor.one_of((0x7E,), "service")
    subfunction = cursor.one_of((0x00,), "sub-function")
    return TesterPresentAnswer(subfunction=subfunction, leftover=cursor.padding("end of answer"), raw=data)


def decode_routine(data: bytes) -> RoutineAnswer:
    """Read an answer 71.

    Raises:
        DecodeError: another answer, a cut one, or another sub-function than 01, 02 and 03.

    Source: ISO 14229-1, RoutineControl positive response; whether its first byte is routineInfo is the maker's
        choice (from memory).
    """
    cursor = Cursor(data)
    cursor.one_of((0x71,), "service")
    subfunction = cursor.one_of((0x01, 0x02, 0x03), "sub-function")
    return RoutineAnswer(
        subfunction=subfunction, routine=cursor.u16("routine identifier"), status=cursor.rest(), raw=data
    )


def decode_dtc_setting(data: bytes) -> DtcSettingAnswer:
    """Read an answer C5.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: ISO 14229-1, ControlDTCSetting positive response.
    """
    cursor = Cursor(data)
    cursor.one_of((0xC5,), "service")
    setting = cursor.one_of(range(0x01, 0x80), "sub-function")
    return DtcSettingAnswer(setting=setting, leftover=cursor.padding("end of answer"), raw=data)


def decode_refusal(data: bytes) -> Refusal:
    """Read an answer 7F.

    Raises:
        DecodeError: another answer, a cut one, or other bytes than padding behind it.

    Source: ISO 14229-1, negative response message.
    """
    cursor = Cursor(data)
    cursor.one_of((NEGATIVE_RESPONSE,), "service")
    service = cursor.u8("service refused")
    code = cursor.u8("negative response code")
    return Refusal(service=service, code=code, leftover=cursor.padding("end of answer"), raw=data)


def identifier_name(did: int) -> str | None:
    """The name of a standard identifier, 0..FFFF; None for one without a meaning of its own: see `identifier_range`."""
    return IDENTIFIER_NAMES.get(did)


def text_of(data: bytes) -> str | None:
    """The bytes as printable ASCII without trailing 00, FF or spaces; None if that is not text or empty."""
    text = data.rstrip(_TEXT_FILL)
    if not text or any(not 0x20 <= byte <= 0x7E for byte in text):
        return None
    return text.decode("ascii")
