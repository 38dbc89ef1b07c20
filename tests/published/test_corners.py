"""Corner speeds by junction deviation against the published geometry, read off the plans of two long segments.

The circle tangent to both segments that passes δ from their corner: r = δ·s/(1 − s), s = sin(θ/2), θ the angle
between the segments (180° straight on), and v² = a·r. T. Kunz, M. Stilman, Time-Optimal Trajectory Generation for
Path Following with Bounded Acceleration and Velocity, Robotics: Science and Systems VIII, 2012, doi
10.15607/RSS.2012.VIII.027. That paper also caps the circle's tangents at half of either segment; the planner does not
(short runs and curves have rules of their own).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.published.drawn_paths import along, arc_places, plan_of

A, DELTA = 1000.0, 0.05  # mm/s², mm
LONG = 1000.0  # mm: long enough for every corner speed here to be reached
FEED = 1300.0  # mm/s
THREE_DECIMALS = 5.1e-4
TEXTBOOK = 1e-9  # relative


def corner_speed(theta: float, heading: float = 0.0, a: float = A, delta: float = DELTA, **motion: object) -> float:
    """Speed (mm/s) at which the plan passes a corner between two long segments that enclose θ (degrees)."""
    first, second = math.radians(heading), math.radians(heading + 180.0 - theta)
    corner = np.array([math.cos(first), math.sin(first)]) * LONG
    end = corner + np.array([math.cos(second), math.sin(second)]) * LONG
    plan = plan_of(along(np.array([[0.0, 0.0], corner, end]), FEED), a, delta, **motion)
    assert plan.speed_in[1] == plan.speed_out[0]
    return float(plan.speed_in[1])


TABLE = {
    10: 2.185,
    20: 3.241,
    30: 4.179,
    40: 5.098,
    50: 6.050,
    60: 7.071,
    70: 8.201,
    80: 9.485,
    90: 10.987,
    100: 12.795,
    110: 15.049,
    120: 17.978,
    130: 21.992,
    140: 27.912,
    150: 37.648,
    160: 56.931,
    170: 114.410,
}  # computed here by root finding; a = 1000 mm/s², δ = 0.05 mm


@pytest.mark.parametrize("heading", [0.0, 33.0])
@pytest.mark.parametrize(("theta", "speed"), TABLE.items())
def test_corner_speeds_of_the_circle_tangent_to_both_segments(theta: int, speed: float, heading: float) -> None:
    """The table and the closed form behind it (Kunz and Stilman 2012; table computed here by root finding)."""
    s = math.sin(math.radians(theta) / 2)
    found = corner_speed(theta, heading)
    assert found == pytest.approx(speed, abs=THREE_DECIMALS)
    assert found == pytest.approx(math.sqrt(A * DELTA * s / (1 - s)), rel=TEXTBOOK)


@pytest.mark.parametrize("theta", [10, 45, 60, 90, 120, 170])
def test_published_form_of_the_corner(theta: int) -> None:
    """Kunz and Stilman 2012, with turn α: l = δ·sin(α/2)/(1 − cos(α/2)), r = l/tan(α/2), v² = a·r."""
    alpha = math.pi - math.radians(theta)
    tangent = DELTA * math.sin(alpha / 2) / (1 - math.cos(alpha / 2))
    assert corner_speed(theta) == pytest.approx(math.sqrt(A * tangent / math.tan(alpha / 2)), rel=TEXTBOOK)


@pytest.mark.parametrize(("a", "delta"), [(1000.0, 0.05), (600.0, 0.02), (9000.0, 0.3)])
def test_sixty_degrees_give_the_root_of_acceleration_times_deviation(a: float, delta: float) -> None:
    """θ = 60°: s/(1 − s) = 1, so that v = √(a·δ) (identity, computed here)."""
    assert corner_speed(60.0, 15.0, a, delta) == pytest.approx(math.sqrt(a * delta), rel=TEXTBOOK)


def test_straight_on_is_not_slowed_and_a_reversal_stops() -> None:
    """θ = 180° leaves the commanded speed, 179° gives 1145.9 mm/s, 0° a rest (computed here)."""
    assert corner_speed(180.0) == pytest.approx(FEED, rel=1e-12)
    assert corner_speed(179.0) == pytest.approx(1145.9, abs=0.05)
    there_and_back = plan_of(along([(0.0, 0.0), (LONG, 0.0), (0.0, 0.0)], FEED), A)
    assert there_and_back.speed_in[1] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("theta", [20, 90, 150])
def test_corner_speed_scales_with_the_root_of_acceleration_times_deviation(theta: int) -> None:
    """v ~ √(a·δ) (identity, computed here)."""
    once = corner_speed(theta)
    assert corner_speed(theta, a=4 * A) == pytest.approx(2 * once, rel=TEXTBOOK)
    assert corner_speed(theta, delta=DELTA / 9) == pytest.approx(once / 3, rel=TEXTBOOK)


def test_sudden_speed_step_of_each_axis_and_its_deviation() -> None:
    """At 90° between axis-parallel moves each axis jumps by v = ΔV, as with δ = (√2 − 1)·ΔV²/a (computed here)."""
    step, delta = 8.0, 0.0265097  # mm/s, mm
    assert (math.sqrt(2) - 1) * step**2 / A == pytest.approx(delta, abs=5e-8)
    by_step = corner_speed(90.0, speed_step_mm_s={"x": step, "y": step}, junction_deviation_mm=None)
    assert by_step == pytest.approx(step, rel=TEXTBOOK)
    assert corner_speed(90.0, delta=(math.sqrt(2) - 1) * step**2 / A) == pytest.approx(step, rel=TEXTBOOK)


def test_facets_that_stray_by_the_deviation_run_at_the_circle_s_own_speed() -> None:
    """R = 20, chords of 2.828 mm: sagitta e = c²/8R = δ, v = 141.16 against √(a·R) = 141.42 (computed here)."""
    radius = 20.0
    chord = math.sqrt(8 * radius * DELTA)
    assert chord == pytest.approx(2.828, abs=5e-4)
    plan = plan_of(along(arc_places(radius, chord, 2 * math.pi), 1000.0), A, curve_rule=False)
    middle = plan.speed_in[len(plan.speed_in) // 2]
    assert middle == pytest.approx(141.16, abs=0.01)
    assert middle == pytest.approx(math.sqrt(A * radius), rel=3e-3)


@pytest.mark.parametrize("chord", [1.0, 0.5, 0.3])
def test_finer_facets_escape_the_corner_rule_but_not_the_curve_rule(chord: float) -> None:
    """v ≈ √(a·R·δ/e) by the corner rule alone, v² <= a·R with the curve rule (computed here)."""
    radius = 20.0
    sagitta = chord**2 / (8 * radius)
    path = along(arc_places(radius, chord, 20 * 2 * math.pi), 2000.0)
    without, held = plan_of(path, A, curve_rule=False), plan_of(path, A)
    nodes = slice(len(without.speed_in) * 2 // 5, len(without.speed_in) * 3 // 5)
    np.testing.assert_allclose(without.speed_in[nodes], math.sqrt(A * radius * DELTA / sagitta), rtol=3e-3)
    np.testing.assert_allclose(held.speed_in[nodes], math.sqrt(A * radius), rtol=TEXTBOOK)
