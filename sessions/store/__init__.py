"""The record: one SQLite file that keeps the journals of all jobs. Only this package speaks SQL."""

from sessions.store.clock import Clock, SystemClock
from sessions.store.store import JobRow, JobWriter, Store

__all__ = ["Clock", "JobRow", "JobWriter", "Store", "SystemClock"]
