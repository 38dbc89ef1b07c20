"""Filters by small exact cases: sums written out impulse by impulse, and the ends of what there is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.limits.vibration import axis_quality
from kinematics.machine import Machine
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.plan import plan
from kinematics.vibration.exposure import axis_motion
from kinematics.vibration.extra_insensitive import extra_insensitive
from kinematics.vibration.filters import Filter, filter_named, spread_of
from kinematics.vibration.path_rounding import (
    PlannedMotion,
    rest_speeds_by_rounding,
    rounding_along,
    speed_by_rounding,
)
from kinematics.vibration.residual import Mode, worst_residual
from kinematics.vibration.ringing import swing_apart
from kinematics.vibration.rounding import corner_cut, lead
from tests.naive.planner_records import NaiveCaps, NaiveLimits, NaiveMove
from tests.naive.planner_twin import plan_naively, total_s
from tests.planner.from_naive import prepared_from_naive

UNEVEN = Filter("uneven", (0.0, 0.01, 0.04), (0.5, 0.25, 0.25))


def test_moments_by_hand() -> None:
    """t̄ = 12.5 ms; σ² = 0.5·12.5² + 0.25·2.5² before it and 0.25·27.5² after it; M = 2·0.25·27.5 ms."""
    found = spread_of(UNEVEN)
    assert found.delay == pytest.approx(0.0125)
    assert found.early == pytest.approx(0.5 * 0.0125**2 + 0.25 * 0.0025**2)
    assert found.late == pytest.approx(0.25 * 0.0275**2)
    assert found.variance == pytest.approx(found.early + found.late)
    assert found.mean_deviation == pytest.approx(0.01375)
    assert lead(UNEVEN, 800.0) == pytest.approx(400.0 * found.variance)


def test_an_uneven_filter_cuts_a_corner() -> None:
    """Right angle at 60 mm/s, braking at 700, speeding at 900 mm/s², each side with its own sum, by hand."""
    rounded = 0.5 * 60.0 * 0.01375
    late, early = 0.25 * 0.0275**2, 0.5 * 0.0125**2 + 0.25 * 0.0025**2
    expected = math.hypot(rounded + 0.5 * 700.0 * late, rounded + 0.5 * 900.0 * early)
    found = corner_cut([UNEVEN, UNEVEN], (1.0, 0.0), (0.0, 1.0), 60.0, 700.0, 900.0)
    assert found == pytest.approx(expected, rel=1e-12)


def test_three_humps_end_where_the_solution_turns_back() -> None:
    """At 0.2756 of damping; the steps towards it get shorter, and never lead past it."""
    with pytest.raises(ArithmeticError, match="5 impulses"):
        extra_insensitive(5, 0.2956, 0.05)
    times, amplitudes = extra_insensitive(5, 0.05, 0.05)
    assert len(times) == len(amplitudes) == 5
    assert math.fsum(amplitudes) == pytest.approx(1.0, abs=1e-12)


def test_the_motion_of_an_axis_by_hand() -> None:
    """Two moves: one with ramps, and one without, whose speed changes at once; a pause before the second."""
    direction = np.array([0.5, -1.0])
    found = axis_motion(
        direction,
        np.array([2.0, 30.0]),
        np.array([12.0, 40.0]),
        np.array([4.0, 20.0]),
        np.array([0.1, 0.0]),
        np.array([1.0, 2.0]),
        np.array([0.2, 0.0]),
        np.array([0.0, 0.7]),
    )
    assert found.duration.tolist() == [0.0, 0.1, 1.0, 0.2, 0.7, 0.0, 2.0, 0.0]
    assert found.acceleration == pytest.approx([0.0, 50.0, 0.0, -20.0, 0.0, 0.0, 0.0, 0.0])
    assert found.jump == pytest.approx([0.0, 1.0, 0.0, 0.0, -2.0, -30.0, -10.0, 20.0])


def test_stacked_zeros_by_hand() -> None:
    """ζ = 0.2: K = e^(−0.2π/√0.96) = 0.52662, half a damped period √0.96⁻¹/2 = 0.51031 apart at 1 Hz."""
    k = math.exp(-0.2 * math.pi / math.sqrt(0.96))
    found = filter_named("ZVDD", 2.0, 0.2)
    assert found.amplitudes == pytest.approx([c * k**n / (1.0 + k) ** 3 for n, c in enumerate((1, 3, 3, 1))], rel=1e-12)
    assert found.times == pytest.approx([0.25 * n / math.sqrt(0.96) for n in range(4)], rel=1e-12)


def test_a_path_that_rests_nowhere_has_no_ceiling_at_its_ends() -> None:
    """Two lines at a right angle: their corner is held, where they begin and end is not."""
    steps = (np.array([500.0, 0.0]), np.array([0.0, 500.0]))
    filters = [filter_named("ZVD", 40.0, 0.0)] * 2
    nowhere = np.zeros(3, np.bool_)
    found = speed_by_rounding(steps, nowhere, filters, 0.1, 1e4)
    assert np.isinf(found[[0, 2]]).all()
    assert np.isfinite(found[1])
    leaving, reaching = rest_speeds_by_rounding(steps, nowhere, filters, 0.1, 1e4)
    assert np.isfinite([leaving[0], reaching[1]]).all()
    assert np.isinf([leaving[1], reaching[0]]).all()
    assert leaving[0] == pytest.approx(reaching[1], rel=1e-12)


def test_only_one_undamped_mode_swings_a_quarter_of_a_period_apart() -> None:
    assert swing_apart([Mode(50.0, 0.0)])
    assert not swing_apart([Mode(50.0, 0.1)])
    assert not swing_apart([Mode(50.0, 0.0), Mode(60.0, 0.0)])


@pytest.mark.parametrize("uncertainty", [-0.1, 1.0, 1.5])
def test_a_frequency_is_known_within_less_than_itself(uncertainty: float) -> None:
    with pytest.raises(InputError, match="uncertainty"):
        worst_residual(filter_named("ZV", 40.0, 0.0), Mode(40.0, 0.0, uncertainty), 1)


def test_a_filter_of_one_impulse_rounds_no_corner() -> None:
    quality = {"vibration.x.filter": "none", "quality.rounding_budget_mm": 0.1}
    assert axis_quality(Machine().with_settings(quality, "test"), "x").corner_rounding == math.inf


@pytest.mark.parametrize("moves", [1, 2, 3])
def test_the_rounding_of_a_line_is_where_it_begins_and_ends(moves: int) -> None:
    """ZV, 50 Hz: half of it 5 ms ahead, half 5 ms behind. At 60 mm/s behind rest, that is 0.15 mm off."""
    long, none = np.full(moves, 30.0), np.zeros(moves)
    speed = np.full(moves, 60.0)
    motion = PlannedMotion((long, none), speed, speed, speed, none, long / speed, none, none)
    found = rounding_along(motion, [filter_named("ZV", 50.0, 0.0), None], np.ones(moves, np.bool_))
    assert found.worst == pytest.approx(0.15, rel=1e-9)
    assert found.move == 0
    assert found.median == pytest.approx(0.0, abs=1e-9)
    nothing = rounding_along(motion, [filter_named("ZV", 50.0, 0.0), None], np.zeros(moves, np.bool_))
    assert nothing == (0.0, 0, 0.0, 0.0)


@pytest.mark.parametrize("damping", [0.0, 0.1])
def test_batches_ring_as_single_plans_where_both_sides_of_a_corner_accelerate_unlike(damping: float) -> None:
    """Prints of 500 mm/s² and travels of 4000 in turn, to and fro: what either side changes counts with its sign."""
    rng = np.random.default_rng(3)
    job = [
        NaiveMove(dx=x, dy=y, de=0.1 * (k % 2), speed=300.0, kind="print" if k % 2 else "travel")
        for k, (x, y) in enumerate((rng.uniform(1.0, 9.0, (24, 2)) * rng.choice([-1.0, 1.0], (24, 2))).tolist())
    ]
    for accelerations in ((500.0, 4000.0), (4000.0, 500.0), (1500.0, 2000.0)):
        caps = NaiveCaps(modes={"x": ((45.0, damping),), "y": ((38.0, damping),)}, ringing_budget=0.03)
        limits = NaiveLimits(print_acceleration=accelerations[0], travel_acceleration=accelerations[1], caps=caps)
        ready = prepared_from_naive(job, limits)
        tables = [ready.limits.values, ready.limits.values * 0.9]
        times = batch_times(batch_features(ready.features, np.zeros(len(job), np.int32)), tables).motion
        alone = [plan(ready.features, table).duration.sum() for table in tables]
        assert times == pytest.approx(alone, rel=1e-12)
        assert alone[0] == pytest.approx(total_s(plan_naively(job, limits)), rel=1e-9)
