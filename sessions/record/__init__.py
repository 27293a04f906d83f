"""What a job's journal says, in order: scans, readings, clears, repairs, live values. Nothing is judged here."""

from sessions.record.build import read_record
from sessions.record.model import (
    Asked,
    ClearEvent,
    CodeReading,
    Decision,
    JobRecord,
    LiveReading,
    Moment,
    ObdReading,
    Observation,
    Repair,
    Scan,
    WorldAct,
    unit_words,
)

__all__ = [
    "Asked",
    "ClearEvent",
    "CodeReading",
    "Decision",
    "JobRecord",
    "LiveReading",
    "Moment",
    "ObdReading",
    "Observation",
    "Repair",
    "Scan",
    "WorldAct",
    "read_record",
    "unit_words",
]
