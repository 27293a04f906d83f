"""The scan plan: what is asked of a vehicle, as generators that know no link, clock or database."""

from sessions.plan.prelude import LIVE_PIDS, PRESENT, Heard, heard_units, plan_prelude, plan_presence
from sessions.plan.retry import retrying
from sessions.plan.rounds import plan_live, plan_read_back, plan_round
from sessions.plan.unit import plan_unit

__all__ = [
    "LIVE_PIDS",
    "PRESENT",
    "Heard",
    "heard_units",
    "plan_live",
    "plan_prelude",
    "plan_presence",
    "plan_read_back",
    "plan_round",
    "plan_unit",
    "retrying",
]
