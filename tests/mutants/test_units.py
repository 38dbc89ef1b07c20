"""Other units of length, time and mass are the same job, and by powers of two every number is, to its last bit.

What stands as an absolute number in a formula that should have none shows here, and so does a sum of unlike quantities.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.limits import columns as by
from kinematics.planner import plan as single
from kinematics.planner.features import Features
from kinematics.planner.ties import Ties
from kinematics.vibration.path_rounding import leads_between
from tests.mutants.test_drawn_features import drawn
from tests.naive.random_motors import MECHANISMS
from tests.planner.from_naive import prepared_from_naive
from tests.planner.test_caps_against_twin import tied_case

Reals = NDArray[np.float64]
SPEEDS = (by.SPEED_REPLACED, by.CAP, *range(by.X_MOST, by.FILAMENT_MOST + 1), *range(by.X_STEP, by.Y_KICK + 1))
SPEEDS += tuple(range(by.MOTOR_1_MOST, by.MOTOR_1_MOST + 3))
RAMPS = (*range(by.PATH_RAMP, by.FILAMENT_RAMP + 1), *range(by.X_SWING, by.Y_SWING_ADDED + 1))
RAMPS += tuple(range(by.MOTOR_1_RAMP, by.MOTOR_1_RAMP + 3))


class Units(NamedTuple):
    """How many of the new units of length, time and mass one of the old ones is."""

    length: float
    time: float
    mass: float = 1.0

    def table(self, limits: Reals) -> Reals:
        """A table of limits."""
        found = limits.copy()
        found[:, SPEEDS] *= self.length / self.time
        found[:, RAMPS] *= self.length / self.time**2
        found[:, [by.DEVIATION, by.ROUNDING, by.ROUNDING_RAMP]] *= self.length
        found[:, [by.MOVE_RATE, by.BYTE_RATE]] /= self.time
        return found

    def features(self, f: Features) -> Features:
        """The features of a job."""
        slower = self.time / self.length
        return f._replace(
            length=f.length * self.length,
            pace=f.pace * slower,
            curvature=f.curvature / self.length,
            bend=f.bend / self.length,
            lead=f.lead * self.time**2,
            rounded=f.rounded * slower,
            reached=f.reached * slower,
        )

    def ties(self, ties: Ties) -> Ties:
        """What motors are asked for, and what they give."""
        force = self.mass * self.length / self.time**2
        return Ties(
            ties.loads * np.array([self.mass, force, 1.0])[:, None],
            ties.firsts * np.array([self.length / self.time**2, 1.0 / self.time, 1.0 / self.length])[:, None],
            ties.shares,
            ties.curves * np.array([self.length / self.time, force, self.mass / self.time]),
            ties.move_reach / self.length,
            ties.byte_reach / self.length,
        )


MICRO, LARGE = Units(2.0**-20, 2.0**6), Units(2.0**12, 2.0**-4)
TINY = Units(2.0**-45, 2.0**14, 2.0**3)  # accelerations of 1e-19


def compare(found: single.Plan, other: single.Plan, units: Units, seed: int) -> None:
    """Every number of two plans, bit for bit."""
    for name in ("speed_in", "speed_peak", "speed_out"):
        assert np.array_equal(getattr(found, name) * (units.length / units.time), getattr(other, name)), (seed, name)
    for name in ("rising", "cruising", "falling", "duration", "seconds"):
        assert np.array_equal(getattr(found, name) * units.time, getattr(other, name)), (seed, name)
    assert np.array_equal(found.acceleration * (units.length / units.time**2), other.acceleration), seed
    assert np.array_equal(found.cruise_cause, other.cruise_cause), seed
    assert np.array_equal(found.ramp_cause, other.ramp_cause), seed


@pytest.mark.parametrize("units", [MICRO, LARGE])
def test_plans_in_other_units(units: Units) -> None:
    for seed in range(300, 312):
        case = drawn(seed)
        found = single.plan(case.features, case.table, case.lookahead, ties=case.ties)
        features, ties = units.features(case.features), units.ties(case.ties)
        compare(found, single.plan(features, units.table(case.table), case.lookahead, ties=ties), units, seed)


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_acceleration_that_falls_in_other_units(mechanism: str) -> None:
    for seed in (303, 308, 355, 383):
        ready = prepared_from_naive(*tied_case(seed, mechanism))
        # Where motion turns back 1e300 stands for infinity, whatever the unit.
        ready = ready._replace(features=ready.features._replace(sharpness=np.minimum(ready.features.sharpness, 1e9)))
        found = ready.plan()
        for units in (MICRO, TINY):
            if units is TINY and np.isfinite(ready.limits.values[:, by.X_STEP : by.FILAMENT_STEP + 1]).any():
                continue  # steps so slow stand for rest
            advance = ready.limits.advance * np.array([units.length / units.time, units.time])
            features, ties = units.features(ready.features), units.ties(ready.ties)
            table, seen = units.table(ready.limits.values), ready.limits.lookahead
            compare(found, single.plan(features, table, seen, None, advance, ties), units, seed)


def test_leads_between_in_other_units() -> None:
    """Beside each other on a path of forty moves."""
    rng = np.random.default_rng(4)
    for scale in (1.0, 2.0**-30, 2.0**30):
        lengths, leads = rng.uniform(0.01, 3.0, 40), rng.uniform(0.0, 1e-4, 40)
        turns, rests = rng.random(40) < 0.7, rng.random(41) < 0.1
        expected = leads_between(lengths, turns, rests, leads, 1e-4, 0.1)
        assert (expected > leads).any()
        found = leads_between(lengths * scale, turns, rests, leads * 2.0**20, 1e-4 * 2.0**20, 0.1 * scale)
        assert np.array_equal(found, expected * 2.0**20)
