"""What a unit counts since its memory was last cleared."""

from __future__ import annotations

from dataclasses import dataclass

from simulators.world import World


@dataclass(slots=True, kw_only=True)
class Counters:
    """What a unit counts since its memory was last cleared.

    Args:
        warm_ups: warm-up cycles.
        path_kmh_s: way travelled, km/h times seconds.
        run_s: seconds with the engine running.
        lamp_path_kmh_s: way travelled with the lamp on.
        lamp_run_s: seconds with the engine running and the lamp on.
    """

    warm_ups: int = 0
    path_kmh_s: int = 0
    run_s: int = 0
    lamp_path_kmh_s: int = 0
    lamp_run_s: int = 0
    _counted_warm_up: bool = False
    _lamp_was_on: bool = False

    def step(self, world: World, lamp_on: bool) -> None:
        """Account for the second that just passed."""
        if lamp_on and not self._lamp_was_on:
            self.lamp_path_kmh_s = self.lamp_run_s = 0
        self._lamp_was_on = lamp_on
        if world.warmed_up and not self._counted_warm_up:
            self.warm_ups += 1
        self._counted_warm_up = world.warmed_up
        if world.engine_on:
            self.run_s += 1
            self.path_kmh_s += world.speed_kmh
            if lamp_on:
                self.lamp_run_s += 1
                self.lamp_path_kmh_s += world.speed_kmh

    def reset(self) -> None:
        """The memory was cleared. A warm-up already made in this drive does not count again."""
        self.warm_ups = self.path_kmh_s = self.run_s = self.lamp_path_kmh_s = self.lamp_run_s = 0
        self._lamp_was_on = False
