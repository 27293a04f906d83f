"""The value types that every other package shares: addresses, codes, status bytes, exchanges."""

from decoders.values.address import (
    CanId,
    UnitAddress,
    doip_number,
    doip_unit,
    functional_target,
    is_doip,
    is_functional,
    iso_15765_4_unit,
    normalise_unit,
    source_of,
    unit_of_source,
)
from decoders.values.dtc import Dtc
from decoders.values.exchange import (
    Answer,
    AnswerKind,
    Exchange,
    Outcome,
    Request,
    SourceOutcome,
    outcome_of,
)
from decoders.values.status import Status, StatusBit

__all__ = [
    "Answer",
    "AnswerKind",
    "CanId",
    "Dtc",
    "Exchange",
    "Outcome",
    "Request",
    "SourceOutcome",
    "Status",
    "StatusBit",
    "UnitAddress",
    "doip_number",
    "doip_unit",
    "functional_target",
    "is_doip",
    "is_functional",
    "iso_15765_4_unit",
    "normalise_unit",
    "outcome_of",
    "source_of",
    "unit_of_source",
]
