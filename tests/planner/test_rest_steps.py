"""Rest left and reached with a permitted step of speed, by hand: single plans, batches, the controller's sight."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from kinematics.planner.batch import batch_features, batch_times
from tests.naive.planner_records import NaiveCaps, NaiveLimits, NaiveMove
from tests.naive.random_caps import with_constant_caps
from tests.naive.random_paths import random_job, random_limits
from tests.planner.from_naive import expressible, planned_from_naive, prepared_from_naive

ROUNDING = 1e-12
STEPS = NaiveLimits(
    travel_acceleration=1000.0, corner_rule="axis steps", speed_step=(8.0, 6.0, math.inf), extruder_step=math.inf
)
ALONG_X = NaiveMove(dx=50.0, speed=100.0, kind="travel")
FILAMENT = NaiveMove(de=2.0, speed=40.0, kind="filament")


def trapezoid(length: float, speed: float, acceleration: float, step: float) -> float:
    """Time (s) of a move that begins and ends with a step of speed (textbook trapezoid between them)."""
    ramp = (speed**2 - step**2) / (2.0 * acceleration)
    return 2.0 * (speed - step) / acceleration + (length - 2.0 * ramp) / speed


def test_a_straight_is_a_trapezoid_between_its_steps() -> None:
    plan = planned_from_naive([ALONG_X], STEPS)
    assert (plan.speed_in[0], plan.speed_out[0]) == (8.0, 8.0)
    assert plan.duration.sum() == pytest.approx(trapezoid(50.0, 100.0, 1000.0, 8.0), rel=ROUNDING)


def test_two_speeds_at_one_rest() -> None:
    """Along x, a stop, then at 45°: v <= 6/sin 45° there, v <= 8 before it."""
    aslant = NaiveMove(dx=30.0, dy=30.0, speed=100.0, kind="travel", stop_before=True)
    plan = planned_from_naive([ALONG_X, aslant], STEPS)
    assert plan.speed_out[0] == 8.0
    assert plan.speed_in[1] == pytest.approx(6.0 * math.sqrt(2.0), rel=ROUNDING)
    assert plan.speed_out[1] == pytest.approx(6.0 * math.sqrt(2.0), rel=ROUNDING)


def test_nothing_leaves_rest_with_a_speed_that_no_step_bounds() -> None:
    """Along z, which has no step; the extruder alone, which has none; under junction deviation nothing at all."""
    plan = planned_from_naive([NaiveMove(dz=5.0, speed=20.0, kind="travel"), FILAMENT], STEPS)
    assert not plan.speed_in.any()
    assert not plan.speed_out.any()
    plan = planned_from_naive([ALONG_X, FILAMENT], replace(STEPS, extruder_step=3.0))
    assert plan.speed_in.tolist() == [8.0, 3.0]
    plan = planned_from_naive([ALONG_X, FILAMENT], NaiveLimits(extruder_step=3.0))
    assert plan.speed_in.tolist() == [0.0, 3.0]


def test_printing_from_rest_is_held_by_the_extruders_step_too() -> None:
    printing = NaiveMove(dx=50.0, de=25.0, speed=60.0)
    plan = planned_from_naive([printing], replace(STEPS, extruder_step=1.0))
    assert plan.speed_in[0] == pytest.approx(2.0, rel=ROUNDING)


def test_a_move_slower_than_its_step_has_no_ramps() -> None:
    plan = planned_from_naive([replace(ALONG_X, speed=5.0)], STEPS)
    assert plan.duration.sum() == pytest.approx(10.0, rel=ROUNDING)


def test_what_is_seen_must_end_in_true_rest() -> None:
    """Four moves of 0.1 mm, two in sight: from the first node v² <= 8² + 2·1000·0.1; v² <= 400 where the end is unseen.

    At the third node rest is in sight, and its step counts: v² <= 8² + 2·1000·0.2.
    """
    job = [replace(ALONG_X, dx=0.1)] * 5
    plan = planned_from_naive(job, replace(STEPS, lookahead=2))
    squares = [64.0, 264.0, 400.0, 464.0, 264.0]
    assert plan.speed_in**2 == pytest.approx(squares, rel=1e-9)


def test_budgets_judge_the_step_as_a_corner_from_rest() -> None:
    """By hand, along x: undamped 50 Hz, ρ = 0.02: ω·ρ = 6.28 mm/s; a at half of a_ρ from rest takes a quarter of a_ρ.

    ZV at 50 Hz without damping takes places 5 ms before and after: at rest one of them stands still, v·2.5 ms is cut.
    """
    omega = 100.0 * math.pi
    rings = replace(STEPS, caps=NaiveCaps(modes={"x": ((50.0, 0.0),)}, ringing_budget=0.02))
    a = 0.25 * omega**2 * 0.02  # half of what ramps may
    plan = planned_from_naive([ALONG_X], replace(rings, travel_acceleration=a))
    assert plan.speed_in[0] == pytest.approx(omega * 0.02 * math.sqrt(1.0 - 0.25**2), rel=1e-9)
    assert plan.speed_out[0] == plan.speed_in[0]
    rounds = NaiveCaps(filters={"x": (2, 50.0, 0.0)}, rounding_budget=0.02)
    plan = planned_from_naive([ALONG_X], replace(STEPS, caps=rounds))
    expected = 0.97 * 0.01 / 0.0025
    assert (plan.speed_in[0], plan.speed_out[0]) == pytest.approx((expected, expected), rel=1e-9)


def test_batches_keep_budgets_at_rest_and_at_corners() -> None:
    """Random jobs, limits and budgets, half of them with steps of speed: single plans and batches to 1e-12."""
    worst, kinds = 0.0, set()
    for seed in range(120):
        limits = with_constant_caps(expressible(random_limits(seed)), seed)
        limits = replace(limits, caps=replace(limits.caps, flow_table=()))
        if seed % 2:
            limits = replace(limits, corner_rule="axis steps", speed_step=(8.0, 5.0, 2.0), extruder_step=math.inf)
        job = random_job(seed)
        ready = prepared_from_naive(job, limits)
        alone = float(ready.plan().duration.sum())
        batch = batch_features(ready.features, np.zeros(len(job), np.int32))
        found = batch_times(batch, [ready.limits.values], ready.limits.lookahead).motion[0]
        worst = max(worst, abs(found / alone - 1.0))
        kinds.add((limits.corner_rule, limits.caps.ringing_budget < math.inf, ready.features.lead.size > 0))
    assert worst < 1e-12
    assert len(kinds) == 8


@pytest.mark.parametrize("lookahead", [None, 2])
def test_batches_leave_rest_alike(lookahead: int | None) -> None:
    job = [replace(ALONG_X, dx=0.1)] * 5 + [FILAMENT, NaiveMove(dy=3.0, dz=1.0, de=0.2, speed=30.0), FILAMENT]
    limits = replace(STEPS, lookahead=lookahead, extruder_step=2.0)
    ready = prepared_from_naive(job, limits)
    tables = [ready.limits.values, prepared_from_naive(job, replace(limits, extruder_step=math.inf)).limits.values]
    batch = batch_features(ready.features, np.zeros(len(job), np.int32))
    found = batch_times(batch, tables, lookahead).motion
    assert found[0] == pytest.approx(ready.plan().duration.sum(), rel=1e-9)
    assert found[1] == pytest.approx(
        prepared_from_naive(job, replace(limits, extruder_step=math.inf)).plan().duration.sum(), rel=1e-9
    )
    assert found[1] > found[0]
