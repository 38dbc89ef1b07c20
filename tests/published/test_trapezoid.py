"""The trapezoid and the triangle with entry and exit speeds, against the textbooks' values.

A move gets its entry and exit speeds from collinear neighbours that are commanded just these speeds; they are long
enough to be reached from rest, so what is read off the middle move is the planner's own arithmetic.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.planner.plan import Plan
from tests.published.drawn_paths import plan_of, travels

TEXTBOOK = 1e-9  # relative
TEN_DECIMALS = 5e-11  # what ten printed decimals leave (s)
# 10.986841 mm/s: a 90° corner under 1000 mm/s² and 0.05 mm, v² = a·δ·s/(1 − s), s = √½ (Kunz and Stilman 2012).
CORNER_90 = math.sqrt(1000.0 * 0.05 * math.sqrt(0.5) / (1.0 - math.sqrt(0.5)))


def middle_move(d: float, v0: float, v1: float, v: float, a: float) -> tuple[Plan, int]:
    """The plan of a move of `d` (mm) at `v` (mm/s) under `a` (mm/s²), entered at v0 and left at v1, and its index."""
    run_in = [(v0 * v0 / a, v0)] if v0 > 0.0 else []  # twice what is needed from rest
    run_out = [(v1 * v1 / a, v1)] if v1 > 0.0 else []
    pieces = [*run_in, (d, v), *run_out]
    steps = np.array([[length, 0.0, 0.0] for length, _ in pieces])
    return plan_of(travels(steps, np.array([speed for _, speed in pieces])), a), len(run_in)


def formula(d: float, v0: float, v1: float, v: float, a: float) -> tuple[float, float]:
    """Peak (mm/s) and duration (s) by the published formula.

    L. Biagiotti, C. Melchiorri, Trajectory Planning for Automatic Machines and Robots, Springer 2008, sec. 3.2 (from
    memory); K. Lynch, F. Park, Modern Robotics, 2017, 9.2.2.2 (from memory).
    """
    peak = math.sqrt(a * d + (v0 * v0 + v1 * v1) / 2)
    if peak <= v:
        return peak, (2 * peak - v0 - v1) / a
    return v, (2 * v - v0 - v1) / a + (d - (2 * v * v - v0 * v0 - v1 * v1) / (2 * a)) / v


@pytest.mark.parametrize(
    ("d", "v0", "v1", "v", "a", "seconds"),
    [
        (100.0, 0.0, 0.0, 100.0, 1000.0, 1.1),  # d/v + v/a; computed here
        (5.0, 0.0, 0.0, 100.0, 1000.0, 0.1414213562),  # triangle; computed here
        (10.0, 0.0, 0.0, 100.0, 1000.0, 0.2),  # limit case, the peak is exactly v; computed here
        (4.0, 20.0, 60.0, 200.0, 1000.0, 0.0749193338),  # computed here
        (1.6, 20.0, 60.0, 200.0, 1000.0, 0.04),  # just feasible, a single ramp; computed here
        (50.0, 0.0, CORNER_90, 100.0, 1000.0, 0.5896167123),  # to the speed of a 90° corner; computed here
        (30.0, 5.0, 2.0, 10.0, 10.0, 3.445),  # Biagiotti and Melchiorri 2008, sec. 3.2, as remembered; recomputed
        (1.0, 0.0, 0.0, 1.0, 2.0, 1.5),  # Lynch and Park 2017, 9.2.2.2 (from memory): (a + v²)/(v·a) where v²/a <= 1
        (1.0, 0.0, 0.0, 3.0, 4.0, 1.0),  # the same: 2/√a elsewhere
    ],
)
def test_duration_by_the_textbook(d: float, v0: float, v1: float, v: float, a: float, seconds: float) -> None:
    """Trapezoid and triangle (sources in `formula`), with entry and exit speeds read off the plan."""
    plan, i = middle_move(d, v0, v1, v, a)
    peak, exact = formula(d, v0, v1, v, a)
    assert plan.speed_in[i] == pytest.approx(v0, rel=TEXTBOOK)
    assert plan.speed_out[i] == pytest.approx(v1, rel=TEXTBOOK)
    assert plan.speed_peak[i] == pytest.approx(peak, rel=TEXTBOOK)
    assert plan.duration[i] == pytest.approx(exact, rel=TEXTBOOK)
    assert plan.duration[i] == pytest.approx(seconds, abs=TEN_DECIMALS)


@pytest.mark.parametrize(
    ("d", "v0", "v1", "v", "peak"),
    [
        (5.0, 0.0, 0.0, 100.0, 70.710678),
        (10.0, 0.0, 0.0, 100.0, 100.0),
        (4.0, 20.0, 60.0, 200.0, 77.459667),  # √6000
    ],
)
def test_peak_by_the_textbook(d: float, v0: float, v1: float, v: float, peak: float) -> None:
    """v_p² = a·d + (v0² + v1²)/2, six printed decimals (computed here)."""
    plan, i = middle_move(d, v0, v1, v, 1000.0)
    assert plan.speed_peak[i] == pytest.approx(peak, abs=5e-7)


@pytest.mark.parametrize("k", [0.25, 3.0, 100.0])
@pytest.mark.parametrize(
    ("d", "v0", "v1", "v"),
    [(100.0, 0.0, 0.0, 100.0), (5.0, 0.0, 0.0, 100.0), (4.0, 20.0, 60.0, 200.0), (1.6, 20.0, 60.0, 200.0)],
)
def test_duration_scales_with_the_root_of_length(d: float, v0: float, v1: float, v: float, k: float) -> None:
    """Distances × k and speeds × √k give durations × √k (dimensions; computed here)."""
    root = math.sqrt(k)
    before, i = middle_move(d, v0, v1, v, 1000.0)
    after, j = middle_move(d * k, v0 * root, v1 * root, v * root, 1000.0)
    assert after.duration[j] == pytest.approx(root * before.duration[i], rel=TEXTBOOK)


@pytest.mark.parametrize("pieces", [2, 7, 50, 1000])
@pytest.mark.parametrize(("d", "seconds"), [(100.0, 1.1), (5.0, 0.1414213562), (10.0, 0.2)])
def test_cutting_a_straight_changes_nothing(d: float, seconds: float, pieces: int) -> None:
    """A straight in collinear pieces takes the time of the whole (computed here); along a slanting direction."""
    step = np.array([3.0, 2.0, 6.0]) / 7.0 * d / pieces
    plan = plan_of(travels(np.tile(step, (pieces, 1)), 100.0), 1000.0)
    assert plan.duration.sum() == pytest.approx(seconds, abs=TEN_DECIMALS)


def test_duration_falls_as_acceleration_and_speed_rise() -> None:
    """Strictly while the limit binds, never the other way (computed here)."""
    by_acceleration = [middle_move(20.0, 0.0, 0.0, 100.0, a)[0].duration[0] for a in (200.0, 500.0, 1000.0, 5000.0)]
    by_speed = [middle_move(20.0, 0.0, 0.0, v, 1000.0)[0].duration[0] for v in (20.0, 50.0, 100.0, 141.0)]
    assert all(np.diff(by_acceleration) < 0.0)
    assert all(np.diff(by_speed) < 0.0)
    # √(a·d) = 141.42 mm/s is never passed
    assert (
        middle_move(20.0, 0.0, 0.0, 142.0, 1000.0)[0].duration[0] == middle_move(20, 0, 0, 500, 1000.0)[0].duration[0]
    )
