"""How far do the vibration filters take a whole job off its drawn path?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kinematics.errors import InputError
from kinematics.gcode.moves import PRINT
from kinematics.limits.vibration import AXES, filters_of, rounds
from kinematics.machine import Machine
from kinematics.notebook import NotebookTable
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.stops import pauses_before
from kinematics.studies.timing import Timing, event_clock, time_job
from kinematics.vibration.path_rounding import PlannedMotion, rounding_along

if TYPE_CHECKING:
    import pandas

Cell = str | float | int | bool | None
A_LITTLE = 1e-9  # of a budget: what rounding of numbers leaves


@dataclass(frozen=True, repr=False)
class Rounding(NotebookTable):
    """How far (mm) what a job prints lies off the drawn path: at worst, with the line in the file; the median over the
    printed length; what 95 % of it stay below. `budget_mm` (mm) None where none is given.
    """

    machine: Machine
    job: str
    worst_mm: float
    line: int
    median_mm: float
    most_mm: float
    budget_mm: float | None

    @property
    def within(self) -> bool | None:
        """Whether all of it stays within the budget; None without one."""
        return None if self.budget_mm is None else self.worst_mm <= self.budget_mm * (1.0 + A_LITTLE)

    def to_frame(self) -> pandas.DataFrame:
        """One row, columns as in `rounding_row`."""
        import pandas

        return pandas.DataFrame([rounding_row(self)])

    def __repr__(self) -> str:
        budget = "no budget" if self.budget_mm is None else f"budget {self.budget_mm:.3g} mm"
        return (
            f"<Rounding of {self.job} on {self.machine.name}: {self.worst_mm:.3g} mm at worst (line {self.line}), "
            f"half of the path under {self.median_mm:.3g} mm, 95 % under {self.most_mm:.3g} mm; {budget}>"
        )


def rounding_row(rounding: Rounding) -> dict[str, Cell]:
    """The numbers of a job's rounding by name."""
    return {
        "worst_mm": rounding.worst_mm,
        "line": rounding.line,
        "median_mm": rounding.median_mm,
        "most_mm": rounding.most_mm,
        "budget_mm": rounding.budget_mm,
        "within": rounding.within,
    }


def rounding_of_timing(timing: Timing) -> Rounding:
    """How far the filters take what a job prints off the drawn path, of a job that has been timed and its plan kept.

    The distance between the path filtered on every axis and the one merely delayed by each filter's mean time, by
    convolution of the planned motion (`vibration.path_rounding`). Raises InputError where no axis has a filter that
    rounds, and for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    machine, job, plan = planned.machine, planned.job, planned.plan
    if not rounds(machine):
        keys = " or ".join(f"vibration.{axis}.filter" for axis in AXES)
        raise InputError.at(machine.name, "no filter of any axis", f'{keys}, such as "ZVD"')
    moves = job.moves
    pause = pauses_before(len(job), job.events, machine, event_clock(planned, timing.layers))
    steps = (moves.dx, moves.dy, moves.dz)
    ramps = (plan.speed_in, plan.speed_peak, plan.speed_out, plan.rising, plan.cruising, plan.falling)
    motion = PlannedMotion(steps, *ramps, pause)
    found = rounding_along(motion, (*filters_of(machine), None), np.asarray(moves.kind == PRINT))
    line = int(moves.line[found.move]) if len(job) else 0
    budget = machine.quality.rounding_budget_mm
    return Rounding(machine, timing.facts.name, found.worst, line, found.median, found.most, budget)


def rounding_of(prepared: PreparedJob, machine: Machine) -> Rounding:
    """How far the filters of a machine take what a job prints off its path: `rounding_of_timing`."""
    return rounding_of_timing(time_job(prepared, machine))
