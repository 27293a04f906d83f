"""The data of the OBD services under the identifiers F4xx to F8xx of service 22."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from decoders.obd_data import PIDS, PidBlock, read_pid
from decoders.obd_info import VehicleInfo, read_info_did
from decoders.obd_tests import MonitorTests, monitor_name, read_monitor_did

_VALUES, _TESTS, _INFORMATION = 0xF4, 0xF6, 0xF8

OBD_PAGES: Mapping[int, str] = MappingProxyType(
    {
        _VALUES: "OBD value",
        0xF5: "further OBD value",
        _TESTS: "OBD monitor test",
        0xF7: "further OBD monitor test",
        _INFORMATION: "OBD vehicle information",
    }
)
"""High byte of an identifier -> what it carries. Source: SAE J1979-2 / ISO 27145-2 (F5 and F7: from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObdIdentifier:
    """One identifier F4xx to F8xx. At most one of the three is there; none where the identifier is unknown here.

    Args:
        did: the identifier.
        name: what it carries, or that it is unknown.
        value: F4xx: the PID of service 01.
        tests: F6xx: results or support bitmap of service 06.
        information: F8xx: the infotype of service 09.
        raw: the data bytes.
    """

    did: int
    name: str
    value: PidBlock | None = None
    tests: MonitorTests | None = None
    information: VehicleInfo | None = None
    raw: bytes


def read_obd_did(did: int, raw: bytes) -> ObdIdentifier | None:
    """Read the data of an identifier that carries OBD data; None for an identifier of another kind.

    Raises:
        DecodeError: the bytes have not the form that belongs to the identifier.

    Source: SAE J1979-2 / ISO 27145-2, identifiers F400 to F8FF.
    """
    page, number = did >> 8, did & 0xFF
    if page not in OBD_PAGES:
        return None
    if page == _VALUES and number in PIDS:
        value = read_pid(number, raw)
        return ObdIdentifier(did=did, name=value.name, value=value, raw=raw)
    if page == _TESTS:
        return ObdIdentifier(did=did, name=monitor_name(number), tests=read_monitor_did(number, raw), raw=raw)
    if page == _INFORMATION:
        information = read_info_did(number, raw)
        return ObdIdentifier(did=did, name=information.name, information=information, raw=raw)
    return ObdIdentifier(did=did, name=f"unknown {OBD_PAGES[page]} {did:04X}", raw=raw)
