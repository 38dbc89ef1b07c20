"""By how much does pressure advance step the extruder at the ends of ramps?"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.planner.plan import plan
from kinematics.planner.ties import ADVANCE, DELAY
from kinematics.studies.timing import Planned, Timing

Cell = str | float | int | None
Reals = NDArray[np.float64]

STANDS = 1e-12  # s: of cruising, less is none


class ExtruderStep(NamedTuple):
    """The largest sudden change of the extruder's speed (mm/s of filament) that pressure advance asks for in a job, and
    its line in the file. No ceiling: nothing is planned slower for it.
    """

    job: str
    step_mm_s: float
    line: int


def extruder_step_row(step: ExtruderStep) -> dict[str, Cell]:
    """The numbers by name."""
    return step._asdict()


def extruder_step_of_timing(timing: Timing) -> ExtruderStep:
    """The largest step of a job that has been timed, its plan kept.

    While printing the extruder runs at r·(v + p·a), so that a change of acceleration by Δa is a step of r·p·Δa: p·r·a
    where a ramp begins or ends, twice that at the top of a move that never cruises and at a corner that is braked
    towards and left at once. Raises InputError for a job in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    found = planned.plan
    if not found.duration.size:
        return ExtruderStep(timing.facts.name, 0.0, 0)
    rises, cruises, falls = found.rising > 0.0, found.cruising > STANDS, found.falling > 0.0
    first, top, last = (_push(planned, speed) for speed in (found.speed_in, found.speed_peak, found.speed_out))
    begin = np.where(rises, first, np.where(cruises, 0.0, np.where(falls, -top, 0.0)))
    end = np.where(falls, -last, np.where(cruises, 0.0, np.where(rises, top, 0.0)))
    inside = np.where(rises & falls & ~cruises, 2.0 * top, np.where((rises | falls) & cruises, top, 0.0))
    between = np.abs(np.append(begin, 0.0) - np.append(0.0, end))
    steps = np.maximum(inside, np.maximum(between[:-1], between[1:]))
    worst = int(steps.argmax())
    return ExtruderStep(timing.facts.name, float(steps[worst]), int(planned.job.moves.line[worst]))


def _push(planned: Planned, speed: Reals) -> Reals:
    """Of every move at a speed of its own r·p·a, a what ramps may there: 0 where pressure is not advanced."""
    features, limits = planned.features, planned.limits
    advance = limits.advance[planned.classes.of_move]
    delay = np.where(features.ratio > 0.0, advance[:, DELAY], 0.0)
    constant = plan(features, limits.values, limits.lookahead).acceleration
    spare = np.maximum(advance[:, ADVANCE] - features.ratio * speed, 0.0)  # r·p·a of what the extruder's speed leaves
    return np.minimum(features.ratio * delay * constant, np.where(delay > 0.0, spare, 0.0))
