"""How many copies on the bed at a time? Parts a day on one printer, what a failure loses, and what a part costs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.business.economics import costs_not_given, failed_share, part_cost
from kinematics.business.weeks import Weeks, station_of_week, weeks_of
from kinematics.errors import Notice
from kinematics.jobs.copies import CopiedJob
from kinematics.jobs.timing import Ask, Timing
from kinematics.limits.flow import filament_mass
from kinematics.machine import Machine
from kinematics.notebook import NotebookTable, frame_of

if TYPE_CHECKING:
    import pandas

SAME = 1e-9  # share below which two numbers of copies are as good as each other: the smaller one is named


class BedfulRow(NamedTuple):
    """A print of so many copies: its time (s), of which `cooling_s` waits for layers to cool, and its filament (g, None
    where no density is given); good parts a day on one printer, and how its weeks go; the share of prints that fail,
    and what one loses: all of its parts, and money; what a good part costs.
    """

    copies: int
    total_s: float
    cooling_s: float
    filament_g: float | None
    parts_per_day: float
    weeks: Weeks
    failed_share: float
    lost_cost: float
    part_cost: float

    @property
    def part_s(self) -> float:
        """The time of a part (s)."""
        return self.total_s / self.copies

    def as_dict(self) -> dict[str, Any]:
        """The row as plain data, with units in the names."""
        return {
            "copies": self.copies,
            "total_s": self.total_s,
            "part_s": self.part_s,
            "cooling_s": self.cooling_s,
            "filament_g": self.filament_g,
            "parts_per_day": self.parts_per_day,
            "prints_per_day": self.weeks.prints_per_day,
            "printing_share": self.weeks.printing_share,
            "waiting_share": self.weeks.waiting_share,
            "hands_share": self.weeks.hands_share,
            "printing_at_night_share": self.weeks.night_share,
            "mean_wait_s": self.weeks.wait_s,
            "closings_per_print": self.weeks.nights,
            "failed_share": self.failed_share,
            "lost_parts": self.copies,
            "lost_cost": self.lost_cost,
            "cost_per_part": self.part_cost,
        }


@dataclass(frozen=True, repr=False)
class Bedful(NotebookTable):
    """A job in prints of one to as many copies as fit: `rows` one a number, `most_fit` with its `reason`, `how` they
    are made; `by_parts` and `by_cost` the rows with most parts a day and the cheapest part (None where no part can be
    made while people are there, and where nothing of the cost is given).
    """

    job: str
    machine: Machine
    rows: tuple[BedfulRow, ...]
    reason: str
    how: str
    by_parts: BedfulRow | None
    by_cost: BedfulRow | None
    costs_not_given: tuple[str, ...]
    notices: tuple[Notice, ...]

    @property
    def most_fit(self) -> int:
        """How many copies fit."""
        return self.rows[-1].copies

    def to_frame(self) -> pandas.DataFrame:
        """One row a number of copies: times, parts a day, what a failure loses, what a part costs."""
        return frame_of([row.as_dict() for row in self.rows])

    def __repr__(self) -> str:
        best = self.by_parts
        told = "no print ends while people are there" if best is None else f"{best.parts_per_day:.3g} parts a day"
        number = "" if best is None else f"best {best.copies} at a time, "
        return f"<Bedful {self.job} on {self.machine.name}: {number}{told}>"


def bedful_row(timing: Timing, copies: int, machine: Machine) -> BedfulRow:
    """A print of so many copies on one printer that always has another one to do.

    Failures by expectation: a print that fails takes as long and is taken off like any other, so that good parts a day
    are n·(1 − f)·prints a day. What it loses is what it cost: filament, energy, machine hours and hands.
    """
    economy = machine.economy
    weeks = weeks_of(station_of_week(economy), timing.total)
    share = failed_share(economy, timing.total)
    mass = filament_mass(machine, timing.facts.filament)
    cost = part_cost(machine, timing.total, mass).total
    return BedfulRow(
        copies,
        timing.total,
        timing.cooling,
        mass,
        copies * (1.0 - share) * weeks.prints_per_day,
        weeks,
        share,
        cost * (1.0 - share),
        cost / copies,
    )


def bedful_of(job: CopiedJob, machine: Machine) -> Bedful:
    """A job in prints of one copy to as many as fit. Raises InputError where the job or the bed does not allow it."""
    timings = job.timings(Ask(machine, passing=True))
    rows = tuple(bedful_row(timing, number, machine) for number, timing in enumerate(timings, 1))
    by_parts = _best(rows, lambda row: row.parts_per_day)
    by_cost = _best(rows, lambda row: -row.part_cost)
    made = job.standing(machine)
    return Bedful(
        job=timings[0].facts.name,
        machine=machine,
        rows=rows,
        reason=made.reason,
        how=job.how,
        by_parts=by_parts if by_parts.parts_per_day > 0.0 else None,
        by_cost=by_cost if by_cost.part_cost > 0.0 else None,
        costs_not_given=tuple(costs_not_given(machine)),
        notices=timings[-1].facts.notices,
    )


def _best(rows: Sequence[BedfulRow], value: Callable[[BedfulRow], float]) -> BedfulRow:
    """The row with the greatest value, the smallest number of copies among equals."""
    best = rows[0]
    for row in rows[1:]:
        if value(row) > value(best) + SAME * abs(value(best)):
            best = row
    return best


@dataclass(frozen=True, repr=False)
class Bedfuls(NotebookTable):
    """Bedfuls of several jobs, one after the other; `cut_short` whether that was interrupted, and there were more."""

    jobs: tuple[Bedful, ...]
    cut_short: bool = False

    def to_frame(self) -> pandas.DataFrame:
        """The rows of every job, with its name."""
        return frame_of([{"job": one.job, **row.as_dict()} for one in self.jobs for row in one.rows])

    def __repr__(self) -> str:
        return f"<Bedfuls: {'; '.join(map(repr, self.jobs))}>"


def bedfuls_of(jobs: Sequence[CopiedJob], machine: Machine, tell: Callable[[str], None] = lambda _: None) -> Bedfuls:
    """The bedfuls of jobs on one printer; interrupted after the first, of those that are done. Raises InputError as
    `bedful_of` does.
    """
    found: list[Bedful] = []
    try:
        for job in jobs:
            tell("timing copies")
            found.append(bedful_of(job, machine))
    except KeyboardInterrupt:
        if not found:
            raise
        return Bedfuls(tuple(found), True)
    return Bedfuls(tuple(found))
