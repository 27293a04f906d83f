"""The figures that rules depend on. They are ours unless a source is named, and a profile may change them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

RULES_VERSION = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSettings:
    """Tolerances and times.

    Args:
        near_engine_rpm: engine speeds this close are similar. Source: 13 CCR 1968.2, similar conditions.
        near_load_percent: loads within this share of the stored one are similar. Source: as above.
        warm_coolant_c: at or above, the engine counts as warmed up.
        near_road_kmh: road speeds this close are alike.
        near_ambient_k: outside temperatures this close are alike.
        hold_s: how long conditions must hold.
        gap_s: readings further apart do not join.
        key_off_s: silence this long with the key off shows a key cycle.
        distance_slack_km: how far distance since clear may lag behind the odometer.
    """

    near_engine_rpm: int = 375
    near_load_percent: int = 20
    warm_coolant_c: int = 70
    near_road_kmh: int = 10
    near_ambient_k: int = 10
    hold_s: int = 10
    gap_s: int = 5
    key_off_s: int = 60
    distance_slack_km: int = 2

    @classmethod
    def of(cls, *sources: Mapping[str, int]) -> RuleSettings:
        """The defaults overlaid by each source in turn; keys that are no setting are left alone."""
        known = {field.name for field in fields(cls)}
        merged: dict[str, int] = {}
        for source in sources:
            merged.update({key: value for key, value in source.items() if key in known})
        return cls(**merged)

    def to_payload(self) -> dict[str, int]:
        """The figures as a journal payload."""
        return {field.name: getattr(self, field.name) for field in fields(self)}
