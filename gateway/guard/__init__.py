"""The guard: between every caller and every link, it refuses whatever is not on the list."""

from gateway.guard.guard import Guard, Phase
from gateway.guard.guarded_link import GuardedLink, open_guarded
from gateway.guard.permits import ClearPermit, Permit, RoutinePermit, SessionPermit
from gateway.guard.started import Started

__all__ = [
    "ClearPermit",
    "Guard",
    "GuardedLink",
    "Permit",
    "Phase",
    "RoutinePermit",
    "SessionPermit",
    "Started",
    "open_guarded",
]
