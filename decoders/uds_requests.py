"""Requests of the services around the codes: 10, 22, 31, 3E and 85."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.cursor import Cursor

_SUPPRESS_BIT = 0x80
_NUMBERED = range(0x01, _SUPPRESS_BIT)

SESSION_NAMES: Mapping[int, str] = MappingProxyType(
    {0x01: "default session", 0x02: "programming session", 0x03: "extended session", 0x04: "safety system session"}
)
"""Diagnostic sessions, in our own words. Source: ISO 14229-1, DiagnosticSessionControl sub-functions."""

ROUTINE_ACTIONS: Mapping[int, str] = MappingProxyType({0x01: "start", 0x02: "stop", 0x03: "results"})
"""What a routine is asked for. Source: ISO 14229-1, RoutineControl sub-functions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRequest:
    """A request for a session.

    Args:
        session: the session, 01..7F: see `session_name`.
        suppress: True if no positive answer is wanted.
        leftover: fill bytes behind the request, else empty.
        raw: the whole request.
    """

    session: int
    suppress: bool
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifierRequest:
    """A request for one or several data identifiers.

    Args:
        identifiers: the identifiers, 0..FFFF, in the order asked, at least one.
        leftover: a single fill byte behind the last, else empty. Two cannot be told from an identifier.
        raw: the whole request.
    """

    identifiers: tuple[int, ...]
    leftover: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class RoutineRequest:
    """A request to start or stop a routine, or for its results.

    Args:
        subfunction: 01 start, 02 stop, 03 results.
        suppress: True if no positive answer is wanted.
        routine: routine identifier, 0..FFFF.
        option: all bytes behind it, as sent. They are the maker's own; padding cannot be told from them.
        raw: the whole request.
    """

    subfunction: int
    suppress: bool
    routine: int
    option: bytes
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class DtcSettingRequest:
    """A request to switch the updating of status bytes. This project reads it and never sends it.

    Args:
        setting: 01 on, 02 off, others the maker's or the supplier's own, to 7F.
        suppress: True if no positive answer is wanted.
        option: all bytes behind it, as sent. They are the maker's own; padding cannot be told from them.
        raw: the whole request.
    """

    setting: int
    suppress: bool
    option: bytes
    raw: bytes

    @property
    def is_on(self) -> bool | None:
        """True for on, False for off, None for a setting that is a maker's or a supplier's own."""
        return {0x01: True, 0x02: False}.get(self.setting)


@dataclass(frozen=True, slots=True, kw_only=True)
class TesterPresentRequest:
    """A request that only says that somebody is there.

    Args:
        suppress: True if no positive answer is wanted.
        leftover: fill bytes behind the request, else empty.
        raw: the whole request.
    """

    suppress: bool
    leftover: bytes
    raw: bytes


def session_name(session: int) -> str:
    """A diagnostic session, 01..7F, in words; ``unknown session 05`` for a reserved number.

    Source: ISO 14229-1, DiagnosticSessionControl sub-functions: 40 to 5F maker, 60 to 7E supplier.
    """
    if session in SESSION_NAMES:
        return SESSION_NAMES[session]
    owner = "maker's" if 0x40 <= session <= 0x5F else "supplier's" if 0x60 <= session <= 0x7E else "unknown"
    return f"{owner} session {session:02X}"


def decode_session_request(data: bytes) -> SessionRequest:
    """Read a request 10.

    Raises:
        DecodeError: another service, session 00, a cut request, or other bytes than padding behind it.

    Source: ISO 14229-1, DiagnosticSessionControl request.
    """
    cursor, session, suppress = _open(data, 0x10, _NUMBERED)
    return SessionRequest(session=session, suppress=suppress, leftover=cursor.padding("end of request"), raw=data)


def decode_identifier_request(data: bytes) -> IdentifierRequest:
    """Read a request 22.

    Raises:
        DecodeError: another service, no identifier, or one cut in half.

    Source: ISO 14229-1, ReadDataByIdentifier request.
    """
    cursor = Cursor(data)
    cursor.one_of((0x22,), "service")
    identifiers = [cursor.u16("identifier")]
    while cursor.remaining > 1:
        identifiers.append(cursor.u16("identifier"))
    return IdentifierRequest(identifiers=tuple(identifiers), leftover=cursor.padding("identifier"), raw=data)


def decode_routine_request(data: bytes) -> RoutineRequest:
    """Read a request 31.

    Raises:
        DecodeError: another service, another sub-function than 01, 02 and 03, or a cut request.

    Source: ISO 14229-1, RoutineControl request.
    """
    cursor, subfunction, suppress = _open(data, 0x31, ROUTINE_ACTIONS)
    routine = cursor.u16("routine identifier")
    return RoutineRequest(subfunction=subfunction, suppress=suppress, routine=routine, option=cursor.rest(), raw=data)


def decode_dtc_setting_request(data: bytes) -> DtcSettingRequest:
    """Read a request 85.

    Raises:
        DecodeError: another service, setting 00, or a cut request.

    Source: ISO 14229-1, ControlDTCSetting request.
    """
    cursor, setting, suppress = _open(data, 0x85, _NUMBERED)
    return DtcSettingRequest(setting=setting, suppress=suppress, option=cursor.rest(), raw=data)


def decode_tester_present_request(data: bytes) -> TesterPresentRequest:
    """Read a request 3E.

    Raises:
        DecodeError: another service or sub-function, a cut request, or other bytes than padding behind it.

    Source: ISO 14229-1, TesterPresent request.
    """
    cursor, _, suppress = _open(data, 0x3E, (0x00,))
    return TesterPresentRequest(suppress=suppress, leftover=cursor.padding("end of request"), raw=data)


def _open(data: bytes, service: int, subfunctions: Collection[int]) -> tuple[Cursor, int, bool]:
    """The cursor behind the sub-function, the sub-function without its suppress bit, and that bit."""
    cursor = Cursor(data)
    cursor.one_of((service,), "service")
    byte = cursor.u8("sub-function")
    if byte & ~_SUPPRESS_BIT not in subfunctions:
        raise cursor.error("sub-function", 1, f"{byte:02X} is not expected here")
    return cursor, byte & ~_SUPPRESS_BIT, bool(byte & _SUPPRESS_BIT)
