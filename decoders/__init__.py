"""Bytes to meaning: pure decoders of ISO 14229-1, SAE J1979 and what belongs to them.

Nothing here reads a clock, a bus, a file or a database. The value types that everything shares are in
``decoders.values``.
"""

from decoders.cursor import PADDING, Cursor, is_padding
from decoders.errors import DecodeError
from decoders.obd_codes import ObdCodes, decode_obd_codes
from decoders.obd_data import (
    PIDS,
    LiveValue,
    PidSpec,
    decode_live,
    decode_supported,
    pid_did_length,
    read_support,
    scale,
    scale_did,
)
from decoders.obd_info import INFOTYPE_NAMES, VehicleInfo, decode_info
from decoders.obd_monitors import (
    COMPRESSION_MONITORS,
    CONTINUOUS_MONITORS,
    SPARK_MONITORS,
    Monitor,
    MonitorStatus,
    decode_monitor_status,
)
from decoders.reply import classify, matches
from decoders.services import REFUSALS, RefusalClass, Service, refusal_class, refusal_name, service_name
from decoders.uds_data import (
    IDENTIFIER_NAMES,
    ClearAnswer,
    IdentifierValue,
    SessionAnswer,
    TesterPresentAnswer,
    decode_clear,
    decode_identifier,
    decode_session,
    decode_tester_present,
    identifier_name,
    text_of,
)
from decoders.uds_dtc import (
    DtcCount,
    DtcEntry,
    DtcList,
    ExtendedAnswer,
    SnapshotAnswer,
    SnapshotRecord,
    decode_dtc_count,
    decode_dtc_list,
    decode_extended,
    decode_snapshots,
)
from decoders.vin import VinCheck, check_vin

__all__ = [
    "COMPRESSION_MONITORS",
    "CONTINUOUS_MONITORS",
    "ClearAnswer",
    "Cursor",
    "DecodeError",
    "DtcCount",
    "DtcEntry",
    "DtcList",
    "ExtendedAnswer",
    "IDENTIFIER_NAMES",
    "INFOTYPE_NAMES",
    "IdentifierValue",
    "LiveValue",
    "Monitor",
    "MonitorStatus",
    "ObdCodes",
    "PADDING",
    "PIDS",
    "PidSpec",
    "REFUSALS",
    "RefusalClass",
    "SPARK_MONITORS",
    "Service",
    "SessionAnswer",
    "SnapshotAnswer",
    "SnapshotRecord",
    "TesterPresentAnswer",
    "VehicleInfo",
    "VinCheck",
    "check_vin",
    "classify",
    "decode_clear",
    "decode_dtc_count",
    "decode_dtc_list",
    "decode_extended",
    "decode_identifier",
    "decode_info",
    "decode_live",
    "decode_monitor_status",
    "decode_obd_codes",
    "decode_session",
    "decode_snapshots",
    "decode_supported",
    "decode_tester_present",
    "identifier_name",
    "is_padding",
    "matches",
    "pid_did_length",
    "read_support",
    "refusal_class",
    "refusal_name",
    "scale",
    "scale_did",
    "service_name",
    "text_of",
]
