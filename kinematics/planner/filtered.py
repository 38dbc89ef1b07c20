"""What vibration filters round off of a job: a number a move and a number a node, made once for a job and a budget.

They do not hang on any other limit, so that single plans, batches and plans in blocks all read the same numbers.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.limits.vibration import Filters, filters_of, rounds
from kinematics.machine import Machine
from kinematics.planner.ceilings import paces_at_rest
from kinematics.planner.features import NOT_ROUNDED, Features
from kinematics.vibration.filters import spread_of
from kinematics.vibration.path_rounding import (
    leads_between,
    leads_see,
    rest_speeds_by_rounding,
    speed_by_rounding,
    taps_of,
)

Reals = NDArray[np.float64]

HALF = 0.5


class Filtered(NamedTuple):
    """What the rounding of a path hangs on: the filters of x and y, what corners may be rounded by (mm), and a speed
    (mm/s) that no move exceeds: a power of two, so that machines share what is made; `steps` whether rest is left and
    reached with one.
    """

    filters: Filters
    corners: float
    fastest: float
    steps: bool = False

    @property
    def reach(self) -> float:
        """Path (mm) to either side that ceilings hang on: under the filters at full speed, or as far as ramps look."""
        under = self.fastest * float(np.abs(taps_of(self.filters).lag).max(initial=0.0))
        return max(under, leads_see(self.budget)) if self.differ else under

    @property
    def budget(self) -> float:
        """What a place may be rounded by in all (mm)."""
        return self.corners / (1.0 - HALF)

    @property
    def variances(self) -> tuple[float, float]:
        """The spread σ² of the filters of x and y (s²)."""
        x, y = (0.0 if one is None else spread_of(one).variance for one in self.filters)
        return x, y

    @property
    def differ(self) -> bool:
        """Whether a ramp runs further ahead in one direction than in another."""
        return self.variances[0] != self.variances[1]


def filtered_by(machine: Machine, values: Reals) -> Filtered | None:
    """What rounds the path under a machine and its table of limits (float64[classes, LIMITS]); None for nothing.

    Raises InputError where a filter cannot be made.
    """
    corners = float(values[:, by.ROUNDING].min(initial=math.inf))
    if corners == math.inf or not rounds(machine):
        return None
    axes = np.sqrt((values[:, [by.X_MOST, by.Y_MOST, by.Z_MOST]] ** 2).sum(axis=1))
    fastest = _power_of_two(float(np.minimum(axes, values[:, by.CAP]).max()))
    return Filtered(filters_of(machine), corners, fastest, paces_at_rest(values).size > 0)


def _power_of_two(speed: float) -> float:
    return speed if speed == math.inf else 2.0 ** math.ceil(math.log2(speed))


def with_rounding(features: Features, moves: Moves, filtered: Filtered | None) -> Features:
    """The features of a job with `lead`, `rounded` and `reached` for its filters.

    lead = √(Σ (u_k·σ_k²)²): a ramp of acceleration a runs lead·a/2 ahead (`vibration.rounding.lead`), or as far as in
    what lies close on both sides (`leads_between`). Within a straight run nodes have no ceiling of their own, so that
    splitting a move changes nothing.
    """
    if filtered is None:
        return features
    steps, rests = (moves.dx, moves.dy, moves.dz), features.rest.astype(np.bool_)
    lead = np.hypot(features.x * filtered.variances[0], features.y * filtered.variances[1])
    if filtered.differ:
        most = max(filtered.variances)
        lead = leads_between(features.length, features.change[: lead.size] > 0.0, rests, lead, most, filtered.budget)
    corners = features.change > 0.0
    corners &= features.rest[:-1] == 0
    path = steps, rests, (*filtered.filters, None)
    speed = speed_by_rounding(*path, filtered.budget, filtered.fastest, HALF, corners)[:-1]
    reached = NOT_ROUNDED
    if filtered.steps:
        leaving, reaching = rest_speeds_by_rounding(*path, filtered.budget, filtered.fastest, HALF)
        speed, reached = np.minimum(speed, leaving), 1.0 / reaching
    return features._replace(lead=lead, rounded=1.0 / speed, reached=reached)
