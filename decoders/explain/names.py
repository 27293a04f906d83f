"""Services and sub-functions in the terms of the standards that define them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from decoders.services import Service
from decoders.uds_dtc_requests import REPORTS

UDS = "ISO 14229-1"
OBD = "SAE J1979 / ISO 15031-5"
OBD_ON_UDS = "SAE J1979-2 / ISO 27145-2"
WORLD_OBD = "ISO 27145-3"

_UDS_TERMS: Mapping[int, str] = MappingProxyType(
    {
        Service.SESSION_CONTROL: "DiagnosticSessionControl",
        Service.ECU_RESET: "ECUReset",
        Service.CLEAR_DTC: "ClearDiagnosticInformation",
        Service.READ_DTC: "ReadDTCInformation",
        Service.READ_DATA: "ReadDataByIdentifier",
        Service.READ_MEMORY: "ReadMemoryByAddress",
        Service.READ_SCALING: "ReadScalingDataByIdentifier",
        Service.SECURITY_ACCESS: "SecurityAccess",
        Service.COMMUNICATION_CONTROL: "CommunicationControl",
        Service.AUTHENTICATION: "Authentication",
        Service.READ_PERIODIC: "ReadDataByPeriodicIdentifier",
        Service.DEFINE_DATA: "DynamicallyDefineDataIdentifier",
        Service.WRITE_DATA: "WriteDataByIdentifier",
        Service.IO_CONTROL: "InputOutputControlByIdentifier",
        Service.ROUTINE_CONTROL: "RoutineControl",
        Service.REQUEST_DOWNLOAD: "RequestDownload",
        Service.REQUEST_UPLOAD: "RequestUpload",
        Service.TRANSFER_DATA: "TransferData",
        Service.TRANSFER_EXIT: "RequestTransferExit",
        Service.FILE_TRANSFER: "RequestFileTransfer",
        Service.WRITE_MEMORY: "WriteMemoryByAddress",
        Service.TESTER_PRESENT: "TesterPresent",
        Service.TIMING_PARAMETERS: "AccessTimingParameter",
        Service.SECURED_DATA: "SecuredDataTransmission",
        Service.DTC_SETTING: "ControlDTCSetting",
        Service.RESPONSE_ON_EVENT: "ResponseOnEvent",
        Service.LINK_CONTROL: "LinkControl",
    }
)
"""Source: ISO 14229-1, service identifier table."""

_REPORT_TERMS: Mapping[int, str] = MappingProxyType(
    {
        0x01: "reportNumberOfDTCByStatusMask",
        0x02: "reportDTCByStatusMask",
        0x03: "reportDTCSnapshotIdentification",
        0x04: "reportDTCSnapshotRecordByDTCNumber",
        0x05: "reportDTCStoredDataByRecordNumber",
        0x06: "reportDTCExtDataRecordByDTCNumber",
        0x07: "reportNumberOfDTCBySeverityMaskRecord",
        0x08: "reportDTCBySeverityMaskRecord",
        0x09: "reportSeverityInformationOfDTC",
        0x0A: "reportSupportedDTC",
        0x0B: "reportFirstTestFailedDTC",
        0x0C: "reportFirstConfirmedDTC",
        0x0D: "reportMostRecentTestFailedDTC",
        0x0E: "reportMostRecentConfirmedDTC",
        0x0F: "reportMirrorMemoryDTCByStatusMask",
        0x10: "reportMirrorMemoryDTCExtDataRecordByDTCNumber",
        0x11: "reportNumberOfMirrorMemoryDTCByStatusMask",
        0x12: "reportNumberOfEmissionsOBDDTCByStatusMask",
        0x13: "reportEmissionsOBDDTCByStatusMask",
        0x14: "reportDTCFaultDetectionCounter",
        0x15: "reportDTCWithPermanentStatus",
        0x16: "reportDTCExtDataRecordByRecordNumber",
        0x17: "reportUserDefMemoryDTCByStatusMask",
        0x18: "reportUserDefMemoryDTCSnapshotRecordByDTCNumber",
        0x19: "reportUserDefMemoryDTCExtDataRecordByDTCNumber",
        0x1A: "reportSupportedDTCExtDataRecord",
        0x42: "reportWWHOBDDTCByMaskRecord",
        0x55: "reportWWHOBDDTCWithPermanentStatus",
        0x56: "reportDTCInformationByDTCReadinessGroupIdentifier",
    }
)
"""Source: ISO 14229-1, ReadDTCInformation sub-functions (from memory; two independent decoders have the same)."""

_WORLD_REPORTS = frozenset({0x42, 0x55, 0x56})
_OBD_SERVICES = range(0x01, 0x0B)


def standard_of(service: int) -> str:
    """The standard that defines a request service identifier; empty for one that is unknown here."""
    if service in _UDS_TERMS:
        return f"{UDS}, {_UDS_TERMS[service]} ({service:02X})"
    return f"{OBD}, service {service:02X}" if service in _OBD_SERVICES else ""


def standard_of_report(subfunction: int) -> str:
    """The same with a sub-function of service 19; without it if the sub-function is unknown."""
    service = standard_of(Service.READ_DTC)
    if subfunction not in _REPORT_TERMS:
        return service
    named = f"{service}, {_REPORT_TERMS[subfunction]} ({subfunction:02X})"
    if subfunction in _WORLD_REPORTS:
        return f"{named}; {WORLD_OBD}"
    return f"{named}; withdrawn in 2020" if REPORTS[subfunction].withdrawn else named
