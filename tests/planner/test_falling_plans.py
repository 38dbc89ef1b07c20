"""Whole paths whose acceleration falls with speed: against the optimum in the phase plane, and what may not happen."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.limits import columns as by
from kinematics.machine import Machine
from tests.naive.falling_twin import NaiveDrive, NaiveTie
from tests.naive.planner_caps import force_points, seen_mass
from tests.naive.planner_records import NaiveCaps, NaiveLimits, NaiveMotor, NaiveMove
from tests.planner.from_naive import planned_from_naive, prepared_from_naive

Reals = NDArray[np.float64]
CLOSE_TO_OPTIMUM = 0.02
NEVER_LONGER = 0.005
ROUNDING = 1e-9
PATHS = 100
GUIDE = Path(__file__).parents[2] / "sample_gcode" / "cable_guide.gcode"
STATIONS = 3000  # of the phase plane, along the path
CORES = NaiveMotor(((0.0, 0.12), (600.0, 0.08), (1500.0, 0.03)), 40.0, 5.4e-6, 0.5)
RATIO = 0.03  # filament a path length


def steps_along(places: Reals, speed: float) -> list[NaiveMove]:
    """Moves from place to place (float64[m, 2])."""
    return [
        NaiveMove(dx=float(dx), dy=float(dy), de=RATIO * math.hypot(dx, dy), speed=speed)
        for dx, dy in np.diff(places, axis=0)
    ]


def circle(radius: float, chord: float, turn: float = math.tau) -> Reals:
    """Places on an arc, chords of just about this length."""
    angle = np.linspace(0.0, turn, max(8, round(radius * turn / chord)) + 1)
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def draw_path(rng: Random) -> tuple[Reals, float]:
    """Places on a straight, an arc or a straight that an arc goes on from; and the arc's curvature (0 for none)."""
    kind = rng.choice(["straight", "arc", "spiral"])
    if kind == "straight":
        length, pieces, angle = rng.uniform(2.0, 200.0), rng.choice([1, 3, 40, 700]), rng.uniform(0.0, math.tau)
        along = np.sort(np.append([0.0, length], [rng.uniform(0.0, length) for _ in range(pieces - 1)]))
        return along[:, None] * np.array([math.cos(angle), math.sin(angle)]), 0.0
    radius, begin = rng.uniform(4.0, 60.0), rng.uniform(0.0, math.tau)
    chord = rng.choice([0.06, 0.2, 0.6]) * min(1.0, radius / 10.0)
    sweep = rng.uniform(0.5, 1.5) * math.tau if kind == "arc" else rng.uniform(0.1, 0.4) * math.tau
    places = circle(radius, max(0.06, chord), sweep)
    turned = np.array([[math.cos(begin), math.sin(begin)], [-math.sin(begin), math.cos(begin)]])
    return places @ turned, 1.0 / radius


def draw_limits(rng: Random) -> NaiveLimits:
    """Pressure advance, two drives, or both; the constant acceleration from far below to far above what they admit."""
    advance = rng.choice([0.0, rng.uniform(0.02, 0.12)])
    drives = rng.random() < 0.6 or advance == 0.0
    caps = NaiveCaps(
        pressure_advance=advance,
        motors={"x": CORES, "y": replace(CORES, usable=rng.uniform(0.4, 0.9))} if drives else {},
        masses=(rng.uniform(0.3, 0.6), rng.uniform(0.6, 1.5), 1.0, 0.0),
        frictions=(rng.uniform(0.0, 3.0), rng.uniform(0.0, 3.0), 0.0, 0.0),
    )
    return NaiveLimits(
        print_acceleration=10.0 ** rng.uniform(2.7, 4.6),
        extruder_speed=rng.uniform(6.0, 20.0),
        junction_deviation=0.05,
        caps=caps,
    )


def tie_at(limits: NaiveLimits, ux: float, uy: float, curvature: float, speed: float) -> NaiveTie:
    """What holds a place of a path that runs along (ux, uy), by Newton's law on each axis."""
    drives = []
    for axis, (name, along, across) in enumerate((("x", ux, uy), ("y", uy, ux))):
        if name not in limits.caps.motors:
            continue
        motor = limits.caps.motors[name]
        mass = limits.caps.masses[axis] / 1000.0 + seen_mass(motor)
        friction = limits.caps.frictions[axis] if abs(along) > 1e-9 else 0.0
        curve = force_points(motor)
        drives.append(NaiveDrive(*curve, mass * abs(along), friction, abs(along), mass * abs(across) * curvature))
    delay = limits.caps.pressure_advance
    most = limits.extruder_speed / RATIO
    return NaiveTie(min(speed, most), limits.print_acceleration, tuple(drives), most if delay else math.inf, delay)


def spare_accelerations(tie: NaiveTie, speed: Reals) -> tuple[Reals, Reals]:
    """What is admitted along the path at each speed and what is admitted in all (mm/s²); below 0 beyond its end."""
    along = np.full(speed.shape, tie.steepest)
    whole = along.copy()
    for drive in tie.drives:
        force = np.interp(speed * drive.share, drive.speeds, drive.forces, right=-np.inf) - drive.friction
        left = force - drive.pull * speed**2
        end = left < 0.1 * (drive.forces[0] - drive.friction)
        mass = max(drive.mass, 1e-12)
        along = np.minimum(along, np.where(end, -1.0, left / mass))
        whole = np.minimum(whole, np.where(end, -1.0, force / mass))
    if tie.delay > 0.0:
        along = np.minimum(along, (tie.advance - speed) / tie.delay)
        whole = np.minimum(whole, (tie.advance - speed) / tie.delay)
    return along, whole


def optimal_time(places: Reals, curvature: float, limits: NaiveLimits, speed: float) -> float:
    """The least time from rest to rest along a smooth path, in the phase plane (J. Bobrow et al. 1985).

    v·dv/ds = ±a(v) in small steps of path both ways, under the speed at which v² = a(v)·R or nothing is left.
    """
    steps = np.hypot(*np.diff(places, axis=0).T)
    length = float(steps.sum())
    first = math.atan2(*(places[1] - places[0])[::-1])
    # Close to both ends the stations lie closer: there speed rises fastest along the path.
    s = 0.5 * length * (1.0 - np.cos(np.linspace(0.0, math.pi, STATIONS)))
    angle = first + curvature * (0.5 * (s[1:] + s[:-1]))
    grid = np.linspace(0.0, speed, 4000)
    ties = [tie_at(limits, math.cos(a), math.sin(a), curvature, speed) for a in angle]
    admitted = []
    tops = np.empty(s.size - 1)
    for i, tie in enumerate(ties):
        along, whole = spare_accelerations(tie, grid)
        held = (along >= 0.0) & (whole >= grid**2 * curvature) & (grid <= tie.fastest)
        tops[i] = grid[np.flatnonzero(~held)[0] - 1] if not held.all() else speed
        admitted.append(np.maximum(along, 0.0))
    most = np.minimum(np.append(tops, np.inf), np.append(np.inf, tops))
    most[0] = most[-1] = 0.0
    for way in (range(s.size - 2, -1, -1), range(s.size - 1)):
        for i in way:
            slow, fast = (i + 1, i) if way.step < 0 else (i, i + 1)
            step = (s[i + 1] - s[i]) / 4.0
            square = most[slow] ** 2
            for _ in range(4):  # the middle of each small step
                middle = math.sqrt(square + np.interp(math.sqrt(square), grid, admitted[i]) * step)
                square += 2.0 * float(np.interp(middle, grid, admitted[i])) * step
            most[fast] = min(most[fast], math.sqrt(square))
    return float((2.0 * np.diff(s) / (most[1:] + most[:-1])).sum())


def test_paths_take_about_the_least_time_that_there_is() -> None:
    """Straight and curved, finely and coarsely cut, from rest to rest: within 2 % of the numeric optimum."""
    worst = []
    for seed in range(PATHS):
        rng = Random(f"optimum {seed}")
        places, curvature = draw_path(rng)
        limits, speed = draw_limits(rng), rng.uniform(80.0, 500.0)
        found = float(planned_from_naive(steps_along(places, speed), limits).duration.sum())
        least = optimal_time(places, curvature, limits, speed)
        worst.append((found / least - 1.0, seed))
    shares = np.array([share for share, _ in worst])
    print(f"of the least time: {shares.min():+.2%} to {shares.max():+.2%}, median {np.median(shares):+.3%}")
    assert np.abs(shares).max() <= CLOSE_TO_OPTIMUM, sorted(worst, key=lambda one: -abs(one[0]))[:8]


@pytest.mark.parametrize("seed", range(60))
def test_a_raised_limit_never_lengthens_a_path_by_much(seed: int) -> None:
    """Acceleration, extruder speed, torque, corner; less pressure advance: by no more than 0.5 %."""
    rng = Random(f"raised {seed}")
    places, _ = draw_path(rng)
    limits, speed = draw_limits(rng), rng.uniform(80.0, 500.0)
    job, factor = steps_along(places, speed), rng.choice([1.02, 1.3, 3.0])
    caps = limits.caps
    stronger = {
        name: replace(one, torque=tuple((speed, torque * factor) for speed, torque in one.torque))
        for name, one in caps.motors.items()
    }
    before = planned_from_naive(job, limits).duration.sum()
    for raised in (
        replace(limits, print_acceleration=limits.print_acceleration * factor),
        replace(limits, extruder_speed=limits.extruder_speed * factor),
        replace(limits, junction_deviation=limits.junction_deviation * factor),
        replace(limits, caps=replace(caps, motors=stronger)),
        replace(limits, caps=replace(caps, pressure_advance=caps.pressure_advance / factor)),
    ):
        assert planned_from_naive(job, raised).duration.sum() <= before * (1.0 + NEVER_LONGER)


@pytest.mark.parametrize("seed", range(40))
def test_splitting_a_straight_changes_nothing(seed: int) -> None:
    """The same corners between pieces cut anew: a zigzag of straights, each in up to sixty pieces."""
    rng = Random(f"split {seed}")
    limits, speed = draw_limits(rng), rng.uniform(80.0, 500.0)
    corners = np.array([[rng.uniform(0.0, 80.0), rng.uniform(0.0, 80.0)] for _ in range(6)])
    whole = planned_from_naive(steps_along(corners, speed), limits).duration.sum()
    cut = [corners[:1]]
    for start, end in pairwise(corners):
        shares = np.sort([rng.random() for _ in range(rng.randint(1, 60))] + [1.0])
        cut.append(start + shares[:, None] * (end - start))
    pieces = planned_from_naive(steps_along(np.concatenate(cut), speed), limits).duration.sum()
    assert pieces == pytest.approx(whole, rel=ROUNDING)


def test_a_circle_is_no_slower_with_more_acceleration() -> None:
    """R 50 in chords of 0.1 mm took 0.68 s at 8,000 mm/s² and 8.1 s at 20,000 where each chord chose for itself."""
    job = steps_along(circle(50.0, 0.1), 400.0)
    for caps in (
        NaiveCaps(pressure_advance=0.05),
        NaiveCaps(motors={"x": CORES, "y": CORES}, masses=(0.45, 1.4, 1.0, 0.0), frictions=(4.0, 4.0, 0.0, 0.0)),
    ):
        times = [
            planned_from_naive(job, NaiveLimits(print_acceleration=a, extruder_speed=12.0, caps=caps)).duration.sum()
            for a in (2000.0, 8000.0, 20000.0, 60000.0)
        ]
        assert times == sorted(times, reverse=True)
        assert times[-1] < 1.5


@pytest.mark.parametrize("tie", ["drives", "pressure advance"])
def test_more_acceleration_never_lengthens_a_finely_cut_job_at_three_times_its_speeds(tie: str) -> None:
    """The cable guide of the samples: 712 s at 8,000 mm/s² and 991 s at 16,000 where each chord chose for itself."""
    told: dict[str, Any] = {"motion.feed_override": 3.0, "axes.e.max_speed_mm_s": 12.0}
    if tie == "drives":
        told |= {f"motors.{name}.torque_nm": [[0, 0.24], [600, 0.16], [1500, 0.06]] for name in "xy"}
        told |= {f"motors.{name}.mm_per_rev": 40.0 for name in "xy"}
        told |= {f"motors.{name}.rotor_inertia_kg_m2": 5.4e-6 for name in "xy"}
        told |= {f"motors.{name}.usable_torque_share": 0.5 for name in "xy"}
        told |= {"axes.x.moving_mass_kg": 0.3, "axes.y.moving_mass_kg": 0.6}
        told |= {"axes.x.friction_n": 2.0, "axes.y.friction_n": 2.0}
    else:
        told |= {"filament.pressure_advance_s": 0.05}
    job = PreparedJob(str(GUIDE))
    times = []
    for a in (2000.0, 8000.0, 16000.0, 40000.0):
        ramps = {f"motion.{kind}_acceleration_mm_s2": a for kind in ("print", "travel")}
        times.append(time_job(job, Machine().with_settings(told | ramps, "bench")).motion)
    print(" ".join(f"{time:.2f} s" for time in times))
    assert all(later <= before * (1.0 + NEVER_LONGER) for before, later in pairwise(times))
    assert times[-1] < times[0]


def test_round_a_curve_a_drive_pulls_both_ways() -> None:
    """By hand, both axes alike: at 45° each drive has 10 N for (m·a + m·v²/R)/√2, and a tenth of it to spare at most.

    m = 1 kg, so a_t(0) = 14,142 mm/s² there and v² <= 0.9·14,142·R; along an axis the other drive holds it to
    v² <= 0.9·10⁴·R.
    """
    level = NaiveMotor(((0.0, 0.1), (60000.0, 0.1)), math.tau * 10.0, 0.0, 1.0)
    caps = NaiveCaps(motors={"x": level, "y": level}, masses=(1.0, 1.0, 1.0, 0.0))
    places = circle(20.0, 0.2)
    plan = planned_from_naive(steps_along(places, 2000.0), NaiveLimits(print_acceleration=1e6, caps=caps))
    assert plan.speed_peak.max() <= math.sqrt(0.9 * 14142.2 * 20.0) * 1.001
    middle = plan.speed_peak.size // 4  # where the path runs along x
    assert plan.speed_peak[middle] == pytest.approx(math.sqrt(0.9 * 1e4 * 20.0), rel=0.01)


def test_seconds_of_a_ramp_are_split_where_the_line_changes() -> None:
    """By hand: v + 0.05·a <= 120 and a <= 800: 800 mm/s² up to 80 mm/s, 0.1 s; then p·ln(40/(120 − v)) each way."""
    limits = NaiveLimits(print_acceleration=800.0, extruder_speed=120.0 * RATIO, caps=NaiveCaps(pressure_advance=0.05))
    ready = prepared_from_naive(steps_along(np.array([[0.0, 0.0], [100.0, 0.0]]), 110.0), limits)
    plan = ready.plan()
    seconds = plan.seconds.sum(axis=0)
    assert seconds[by.PATH_ACCELERATION] == pytest.approx(0.2, rel=ROUNDING)
    assert seconds[by.ADVANCE] == pytest.approx(2.0 * 0.05 * math.log(4.0), rel=ROUNDING)
    assert plan.acceleration[0] == pytest.approx((120.0 - 110.0) / 0.05, rel=1e-6)
    assert seconds.sum() == pytest.approx(plan.duration.sum(), rel=ROUNDING)
