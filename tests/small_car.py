"""A model of one unit with one trouble code, independent of the rules that judge it.

It knows the truth (is the part broken, did its test pass where the fault lives) and writes what a program would have
seen into a journal. Status bits move as ISO 14229-1, Annex D says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from journal_builder import AT_REST, AT_SPEED, CODE, UNIT, Story, code_of, profile

SLOW = {"kmh": 20, "rpm": 1200, "ambient": 14}
IDLE = {"kmh": 0, "rpm": 800, "ambient": 14}


@dataclass(frozen=True, slots=True, kw_only=True)
class Make:
    """How the maker built the unit.

    Args:
        mask: the status bits it keeps.
        supported: True if it answers 19 0A.
        lists_untested: True if its list names codes that are merely not tested.
        sets_bit_6: True if a clear sets bit 6 too (newer editions).
        cycle_at_key: True if its cycle begins with the key, else with the engine.
        continuous: True if its test runs all the time.
        at_rest: True if the fault lives where the car stands with its engine off, else at 60 km/h.
        snapshot: True if it stores the conditions of a failure.
        one_trip: True if one failing cycle confirms.
    """

    mask: int = 0xFF
    supported: bool = True
    lists_untested: bool = True
    sets_bit_6: bool = True
    cycle_at_key: bool = True
    continuous: bool = False
    at_rest: bool = False
    snapshot: bool = True
    one_trip: bool = True


@dataclass(slots=True)
class SmallCar:
    """The car, its truth, and the journal of the job."""

    make: Make = field(default_factory=Make)
    broken: bool = True
    status: int = 0x2F
    passed_where_it_lives: bool = False
    key_cycle_open: bool = False
    story: Story = field(init=False)

    def __post_init__(self) -> None:
        code = code_of(continuous=self.make.continuous)
        self.story = Story(profile(codes=(code,)))
        self._scan("before")

    # Truth.

    def _fail(self) -> None:
        pending_or_more = 0x0C if self.make.one_trip or self.status & 0x04 else 0x04
        self.status = self.status & ~0x50 | 0x23 | pending_or_more
        self.passed_where_it_lives = False

    def _pass(self, *, where_it_lives: bool) -> None:
        self.status &= ~0x51
        self.passed_where_it_lives = self.passed_where_it_lives or where_it_lives

    def _test(self, conditions: dict[str, int]) -> None:
        """The test runs: a broken part fails it where the fault lives, and nowhere else."""
        there = conditions == self._home
        if self.broken and there:
            self._fail()
        else:
            self._pass(where_it_lives=there)

    def _new_cycle(self) -> None:
        if not self.status & 0x42:
            self.status &= ~0x04
        self.status = self.status & ~0x02 | 0x40

    def _erase(self) -> None:
        self.status = 0x50 if self.make.sets_bit_6 else 0x10

    @property
    def _home(self) -> dict[str, int]:
        return AT_REST if self.make.at_rest else AT_SPEED

    # What the program sees.

    def _codes(self) -> None:
        """19 02 FF as this unit answers it."""
        known = self.status & self.make.mask
        listed = known if self.make.lists_untested else known & ~0x50
        self.story.codes(mask=self.make.mask, **({"C0035_13": self.status} if listed else {}))

    def _look(self, conditions: dict[str, int], run_time: int = 0) -> None:
        if self.make.continuous:
            self._test(conditions)
        self.story.live(**conditions, run_time=run_time).session()
        if self.make.supported:
            self.story.supported(mask=self.make.mask, C0035_13=self.status)
        else:
            self._codes()

    def _scan(self, taken_as: str) -> None:
        # A scan takes its time: nothing that holds in it joins what was read before.
        self.story.wait(30).scan(taken_as).live(**AT_REST, run_time=0).session()
        self._codes()
        if self.make.supported:
            self.story.supported(mask=self.make.mask, C0035_13=self.status)
        self.story.no_obd()
        if self.make.snapshot:
            stored = self._home if self.status & 0x2C else {}
            self.story.snapshot(CODE, self.status, **stored)
        else:
            self.story.refused(UNIT, "1904403513FF", 0x12)
        self.story.end()

    # Events.

    def _run(self, conditions: dict[str, int], *, test: bool) -> None:
        """Half a minute under some conditions, read every 4 s; the test runs in the middle of it."""
        if conditions["rpm"] and self.key_cycle_open:
            self._new_cycle()
        self.key_cycle_open = self.key_cycle_open and not conditions["rpm"]
        for step in range(6):
            self.story.wait(4)
            if test and step == 3:
                self._test(conditions)
            self._look(conditions, run_time=(60 + step) if conditions["rpm"] else 0)

    def runs_at_home(self) -> None:
        """The test runs where the fault lives."""
        self._run(self._home, test=True)

    def drives_home_untested(self) -> None:
        """The conditions are there, the test does not run."""
        self._run(self._home, test=False)

    def runs_elsewhere(self) -> None:
        """The test runs where nobody could see the fault."""
        self._run(IDLE if self.make.at_rest else SLOW, test=True)

    def runs_unseen(self) -> None:
        """The same, while nobody reads."""
        self.story.wait(600)
        self._test(IDLE if self.make.at_rest else SLOW)

    def fails_unseen(self) -> None:
        """The test runs where the fault lives, while nobody reads."""
        self.story.wait(600)
        self._test(self._home)

    def drives_from_elsewhere(self) -> None:
        """The test runs elsewhere just before the first look where the fault lives."""
        self.story.wait(2).live(**(IDLE if self.make.at_rest else SLOW), run_time=50)
        self._test(IDLE if self.make.at_rest else SLOW)
        self._run(self._home, test=False)

    def key_cycle(self) -> None:
        """Key off for 65 s, asked all the while; key on, engine off, looked at once."""
        for _ in range(18):
            self.story.wait(4).silent(UNIT, "22F186")
        if self.make.cycle_at_key:
            self._new_cycle()
        else:
            self.key_cycle_open = True
        self._look(AT_REST)

    def key_cycle_unseen(self) -> None:
        """A cycle that nobody saw."""
        self.story.wait(900)
        self._new_cycle()

    def clear(self) -> None:
        """A clear that the unit carries out."""
        self._erase()
        self.passed_where_it_lives = False
        self._read_back("54")

    def clear_ignored(self) -> None:
        """A clear that the unit answers and forgets."""
        self._read_back("54")

    def clear_unanswered(self) -> None:
        """A clear that the unit carries out without a word."""
        self._erase()
        self._read_back(None)

    def _read_back(self, reply: str | None) -> None:
        self.story.wait(30).clear(UNIT, "14FFFFFF", reply).readback()
        self._codes()
        if self.make.supported:
            self.story.supported(mask=self.make.mask, C0035_13=self.status)
        self.story.watch()

    def foreign_erase(self) -> None:
        """Somebody else erases."""
        self.story.wait(120)
        self._erase()

    def check(self) -> None:
        """A check-scan."""
        self._scan("check")

    def repair(self) -> None:
        """A repair that helps."""
        self.broken = False
        self.story.wait(60).part()

    def repair_in_vain(self) -> None:
        """A repair that does not."""
        self.story.wait(60).part("another part")

    def verdict_after(self) -> str:
        """The fault's verdict on an after-scan taken now."""
        self._scan("after")
        return self.story.fault().verdict.value

    @property
    def truly_mended(self) -> bool:
        """True if the part is sound, and its test has passed where the fault lives since the last accepted clear."""
        return not self.broken and self.passed_where_it_lives


EVENTS: dict[str, Callable[[SmallCar], None]] = {
    event.__name__: event
    for event in (
        SmallCar.runs_at_home,
        SmallCar.drives_home_untested,
        SmallCar.runs_elsewhere,
        SmallCar.runs_unseen,
        SmallCar.fails_unseen,
        SmallCar.drives_from_elsewhere,
        SmallCar.key_cycle,
        SmallCar.key_cycle_unseen,
        SmallCar.clear,
        SmallCar.clear_ignored,
        SmallCar.clear_unanswered,
        SmallCar.foreign_erase,
        SmallCar.check,
        SmallCar.repair,
        SmallCar.repair_in_vain,
    )
}
