"""Straights and polylines against an independent time-optimal path parameterisation.

H. Pham, Q.-C. Pham, A New Approach to Time-Optimal Path Parameterization Based on Reachability Analysis, IEEE Trans.
Robotics 34(3):645-659, 2018, doi 10.1109/TRO.2018.2819195 (abstract read): the library `toppra`. Its grid leaves about
1e-5 of the duration of a straight.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.machine import Machine
from tests.planner.from_naive import planned
from tests.published.drawn_paths import Place, along, plan_of

toppra = pytest.importorskip("toppra")

A, V, DELTA = 1000.0, 100.0, 0.05  # mm/s², mm/s, mm
GRID = 2001  # places
ON_THE_GRID = 2e-5  # relative; the library's time on a grid, never below the exact one by more than rounding
TEN_DECIMALS = 5e-11
CORNER_90 = math.sqrt(A * DELTA * math.sqrt(0.5) / (1 - math.sqrt(0.5)))  # 10.986841 mm/s (Kunz and Stilman 2012)


@pytest.fixture(autouse=True)
def _quiet_library() -> Iterator[None]:
    logger = logging.getLogger("toppra")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    yield
    logger.setLevel(level)


def library_time(
    path: Any,
    speed: float,
    ramp: float,
    v_in: float = 0.0,
    v_out: float = 0.0,
    grid: NDArray[np.float64] | None = None,
) -> float:
    """Duration (s) of a toppra path over its parameter (mm), each axis limited to a speed and an acceleration."""
    import toppra.algorithm as algorithm
    import toppra.constraint as constraint

    limits = [
        constraint.JointVelocityConstraint(np.array([[-speed, speed]] * path.dof)),
        constraint.JointAccelerationConstraint(np.array([[-ramp, ramp]] * path.dof)),
    ]
    if grid is None:
        grid = np.linspace(*path.path_interval, GRID)
    solver = algorithm.TOPPRA(
        limits, path, gridpoints=grid, parametrizer="ParametrizeConstAccel", solver_wrapper="seidel"
    )
    trajectory = solver.compute_trajectory(v_in, v_out)
    assert trajectory is not None
    return float(trajectory.duration)


def straight_by_library(
    d: float, angle: float = 0.0, v: float = V, a: float = A, v_in: float = 0.0, v_out: float = 0.0
) -> float:
    """Duration (s) of a straight of `d` (mm), each axis limited to v and a; along one axis, or slanting by `angle`."""
    end = np.array([d]) if angle == 0.0 else d * np.array([math.cos(angle), math.sin(angle)])
    path = toppra.SplineInterpolator([0.0, d], np.array([0.0 * end, end]), bc_type="natural")
    return library_time(path, v, a, v_in, v_out)


def polyline_length(places: Sequence[Place]) -> float:
    return float(sum(math.dist(p, q) for p, q in pairwise(places)))


@pytest.mark.parametrize(("d", "seconds"), [(100.0, 1.1), (5.0, 0.1414214)])
def test_straights(d: float, seconds: float) -> None:
    """From rest to rest, 1000 mm/s² and 100 mm/s (Pham and Pham 2018; printed values computed here)."""
    ours = plan_of(along([(0.0, 0.0), (d, 0.0)], V), A).duration.sum()
    assert ours == pytest.approx(seconds, abs=5e-8)
    assert straight_by_library(d) == pytest.approx(ours, rel=ON_THE_GRID)


def test_straight_to_the_speed_of_a_corner() -> None:
    """50 mm, left at the speed of a 90° corner: 0.5896167 s (Pham and Pham 2018; printed value computed here)."""
    ours = plan_of(along([(0.0, 0.0), (50.0, 0.0), (50.0, 50.0)], V), A).duration[0]
    assert ours == pytest.approx(0.5896167, abs=5e-8)
    assert straight_by_library(50.0, v_out=CORNER_90) == pytest.approx(ours, rel=ON_THE_GRID)


@pytest.mark.parametrize(("degrees", "seconds"), [(45, 0.8071068), (45 + 90, 0.8071068), (20, None), (77, None)])
def test_slanting_straights_under_limits_of_each_axis(degrees: int, seconds: float | None) -> None:
    """100 mm at an angle: d/(v·√2) + v/a at 45° (Pham and Pham 2018; closed form computed here)."""
    angle = math.radians(degrees)
    settings: dict[str, object] = {"motion.travel_acceleration_mm_s2": 1e6}
    for axis in "xy":
        settings |= {f"axes.{axis}.max_speed_mm_s": V, f"axes.{axis}.max_acceleration_mm_s2": A}
    moves = along([(0.0, 0.0), (100.0 * math.cos(angle), 100.0 * math.sin(angle))], 1e4)
    ours = planned(moves, Machine().with_settings(settings))[1].duration.sum()
    if seconds is not None:
        assert ours == pytest.approx(100.0 / (V * math.sqrt(2)) + V / A, rel=1e-9)
        assert ours == pytest.approx(seconds, abs=5e-8)
    assert straight_by_library(100.0, angle) == pytest.approx(ours, rel=ON_THE_GRID)


@pytest.mark.parametrize(
    ("places", "seconds", "straight", "stops"),
    [
        ([(0, 0), (20, 0), (20, 0.5), (40, 0.5)], 0.6070878740, 0.505, 0.6447213595),
        ([(0, 0), (50, 0), (50, 50)], 1.1792334245, 1.1, 1.2),
        ([(0.2 * i, 0) for i in range(51)], 0.2, 0.2, None),
    ],
)
def test_polylines_lie_between_the_straight_and_the_stops(
    places: list[Place], seconds: float, straight: float, stops: float | None
) -> None:
    """The plan's time, and its bounds by closed form and by the library (Pham and Pham 2018; values computed here).

    No polyline is faster than ΣL/v or than one straight of its length, none slower than with a rest at every corner.
    """
    ours = plan_of(along(places, V), A, DELTA).duration.sum()
    assert ours == pytest.approx(seconds, abs=TEN_DECIMALS)
    length = polyline_length(places)
    by_library = straight_by_library(length)
    assert by_library == pytest.approx(straight, rel=ON_THE_GRID)
    assert length / V <= ours
    assert ours >= by_library * (1 - ON_THE_GRID)
    if stops is not None:
        with_rests = sum(straight_by_library(math.dist(p, q)) for p, q in pairwise(places))
        assert with_rests == pytest.approx(stops, rel=ON_THE_GRID)
        assert ours <= with_rests * (1 + ON_THE_GRID)


def test_random_polylines_lie_between_the_straight_and_the_stops() -> None:
    """Fifteen seeded polylines of 2 to 12 segments, 1 to 40 mm (Pham and Pham 2018 for the straights)."""
    random = np.random.default_rng(7)
    for _ in range(15):
        count = int(random.integers(2, 13))
        angles, lengths = random.uniform(0, 2 * math.pi, count), random.uniform(1.0, 40.0, count)
        steps = lengths[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
        places = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
        ours = plan_of(along(places, V), A, DELTA).duration.sum()
        stops = sum(plan_of(along(places[i : i + 2], V), A).duration.sum() for i in range(count))
        assert straight_by_library(float(lengths.sum())) * (1 - ON_THE_GRID) <= ours <= stops * (1 + 1e-12)


def rounded_corner(leg: float, radius: float) -> tuple[Any, NDArray[np.float64]]:
    """A right angle of two legs (mm) with a quarter circle for its corner, by its length, and a grid for it.

    Exact, not a spline: a spline overshoots the jumps of curvature, which moves the times below by up to 0.6 %.
    """
    from toppra.interpolator import AbstractGeometricPath

    straight, arc = leg - radius, 0.5 * math.pi * radius

    class RoundedCorner(AbstractGeometricPath):  # type: ignore[misc]
        dof = 2
        path_interval = np.array([0.0, 2 * straight + arc])
        waypoints = None

        def __call__(self, path_positions: Any, order: int = 0) -> NDArray[np.float64]:
            s = np.asarray(path_positions, dtype=np.float64)
            angle = np.clip((s - straight) / radius, 0.0, 0.5 * math.pi)
            if order == 0:
                x = np.minimum(s, straight) + radius * np.sin(angle)
                y = radius * (1 - np.cos(angle)) + np.maximum(0.0, s - straight - arc)
                return np.stack([x, y], axis=-1)
            if order == 1:
                return np.stack([np.cos(angle), np.sin(angle)], axis=-1)
            curvature = ((s >= straight) & (s <= straight + arc)) / radius
            return np.stack([-np.sin(angle) * curvature, np.cos(angle) * curvature], axis=-1)

    bounds = [0.0, straight, straight + arc, 2 * straight + arc]
    parts = [np.linspace(begin, end, 401)[1:] for begin, end in pairwise(bounds)]
    return RoundedCorner(), np.concatenate([[0.0], *parts])


def test_rounded_right_angle_is_bracketed_by_two_boxes() -> None:
    """Legs of 30 mm, δ = 2 mm, r = 4.828 mm: a limit of 1000 mm/s² on the vector lies between two on each axis.

    In a box of 1000 mm/s² for each axis 0.7191 s, in one of 707 mm/s² (which lies inside the circle) 0.7958 s; with
    |a| <= 1000 mm/s² 0.7219 s (Pham and Pham 2018 for the boxes; values computed here). The corner's own speed on the
    quarter circle is the plan's for the corner.
    """
    root = math.sqrt(0.5)
    radius = 2.0 * root / (1 - root)
    assert radius == pytest.approx(4.828, abs=5e-4)
    path, grid = rounded_corner(30.0, radius)
    wide = library_time(path, V, A, grid=grid)
    narrow = library_time(path, V, A * root, grid=grid)
    assert wide == pytest.approx(0.7191, abs=1e-4)
    assert narrow == pytest.approx(0.7958, abs=1e-4)
    plan = plan_of(along([(0, 0), (30, 0), (30, 30)], V), A, 2.0)
    corner = float(plan.speed_in[1])
    assert corner == pytest.approx(math.sqrt(A * radius), rel=1e-9)
    # The tangents, one radius long, give way to the quarter circle at the corner's speed.
    leg = plan_of(along([(0, 0), (30 - radius, 0), (60 - 2 * radius, 0)], np.array([V, corner])), A).duration[0]
    rounded = 2 * leg + 0.5 * math.pi * radius / corner
    assert rounded == pytest.approx(0.7219, abs=1e-4)
    assert wide < rounded < narrow


def test_what_the_polyline_leaves_out_at_a_right_angle() -> None:
    """The L of 50 mm legs with its corner rounded takes 1.1940773 s; the polyline leaves out 14.8 ms (computed here).

    About (π − θ)·v_c/a a corner less the two tangents, run at cruise and on the ramp to v_c.
    """
    plan = plan_of(along([(0, 0), (50, 0), (50, 50)], V), A, DELTA)
    corner = float(plan.speed_in[1])
    radius = corner**2 / A
    leg = plan_of(along([(0, 0), (50 - radius, 0), (100, 0)], np.array([V, corner])), A).duration[0]
    rounded = 2 * leg + 0.5 * math.pi * radius / corner
    assert rounded == pytest.approx(1.1940773, abs=5e-8)
    assert rounded - plan.duration.sum() == pytest.approx(14.8e-3, abs=5e-5)
    assert rounded - plan.duration.sum() == pytest.approx(0.5 * math.pi * corner / A - 2 * radius / V, rel=1e-9)
