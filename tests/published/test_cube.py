"""The sample cube under five sets of limits: the order of the times, and the outer perimeter by hand.

Common practice, no source: the question is what acceleration and speed buy on a small part with long straight roads.
What is asserted follows from the job's own lines: nominal times ΣL/F, the trapezoid of a side of 19.55 mm between its
corner speeds, and which limits are looser than which. Motion alone is timed: no heating, no homing, no cooling.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from kinematics.gcode.job import Job
from kinematics.gcode.moves import FILAMENT, PRINT
from kinematics.gcode.reader import read_gcode
from kinematics.machine import Machine
from kinematics.planner.plan import Plan
from tests.planner.from_naive import planned

CUBE = Path(__file__).parents[2] / "sample_gcode" / "test_cube.gcode"
SIDE = 119.775 - 100.225  # mm, of the outer perimeter
EXACT = 1e-9  # relative
DELTA = 0.05  # mm
FILAMENT_AREA = math.pi * 1.75**2 / 4  # mm²
FLOW = 11.0  # mm³/s

# An invented, modest machine: the default accelerations, a slow Z, an ordinary extruder.
STOCK: dict[str, object] = {
    "axes.x.max_speed_mm_s": 250.0,
    "axes.y.max_speed_mm_s": 250.0,
    "axes.z.max_speed_mm_s": 10.0,
    "axes.z.max_acceleration_mm_s2": 100.0,
    "axes.e.max_speed_mm_s": 40.0,
    "motion.print_acceleration_mm_s2": 600.0,
    "motion.travel_acceleration_mm_s2": 800.0,
    "motion.junction_deviation_mm": DELTA,
}
FAST_RAMPS: dict[str, object] = {
    "motion.print_acceleration_mm_s2": 4000.0,
    "motion.travel_acceleration_mm_s2": 4000.0,
}
FAST_FEEDS: dict[str, object] = {"motion.feed_override": 2.0}
HOTEND: dict[str, object] = {"hotend.max_flow_mm3_s": FLOW}
MACHINES = {
    "stock": STOCK,
    "acceleration alone": STOCK | FAST_RAMPS,
    "speeds alone": STOCK | FAST_FEEDS,
    "both": STOCK | FAST_RAMPS | FAST_FEEDS,
    "both, 11 mm³/s": STOCK | FAST_RAMPS | FAST_FEEDS | HOTEND,
}
THREEFOLD = STOCK | FAST_RAMPS | HOTEND | {"motion.feed_override": 3.0}  # where the hotend does hold
each_machine = pytest.mark.parametrize(
    "machine", [*MACHINES.values(), THREEFOLD], ids=[*MACHINES, "threefold, 11 mm³/s"]
)


@pytest.fixture(scope="module")
def job() -> Job:
    return read_gcode(CUBE)


@pytest.fixture(scope="module")
def plans(job: Job) -> dict[str, Plan]:
    return {name: plan_under(job, settings) for name, settings in MACHINES.items()}


def plan_under(job: Job, settings: dict[str, object]) -> Plan:
    return planned(job.moves, Machine().with_settings(settings))[1]


def path_lengths(job: Job) -> np.ndarray:
    """Length of every move (mm); of the filament where it moves alone."""
    moves = job.moves
    return np.where(moves.kind == FILAMENT, np.abs(moves.de), np.sqrt(moves.dx**2 + moves.dy**2 + moves.dz**2))


def nominal(job: Job, settings: dict[str, object]) -> np.ndarray:
    """What every move takes at least (s): its commanded speed and, while it prints, the flow."""
    seconds = path_lengths(job) / job.moves.speed / float(settings.get("motion.feed_override", 1.0))  # type: ignore[arg-type]
    flow = float(settings.get("hotend.max_flow_mm3_s", math.inf))  # type: ignore[arg-type]
    melting = np.where(job.moves.kind == PRINT, FILAMENT_AREA * job.moves.de / flow, 0.0)
    return np.maximum(seconds, melting)


def corner(theta: float, a: float) -> float:
    """Corner speed (mm/s) at the angle θ between two roads: v² = a·δ·s/(1 − s), s = sin(θ/2) (Kunz, Stilman 2012)."""
    s = math.sin(math.radians(theta) / 2)
    return math.sqrt(a * DELTA * s / (1 - s))


def trapezoid(v0: float, v1: float, v: float, a: float) -> float:
    """Duration (s) of one side, entered at v0 and left at v1 (mm/s)."""
    peak = min(v, math.sqrt(a * SIDE + (v0 * v0 + v1 * v1) / 2))
    return (2 * peak - v0 - v1) / a + (SIDE - (2 * peak * peak - v0 * v0 - v1 * v1) / (2 * a)) / peak


def outer_perimeters(job: Job) -> np.ndarray:
    """First moves of the outer perimeters: four successive printing moves of 19.55 mm."""
    sides = (job.moves.kind == PRINT) & (np.abs(path_lengths(job) - SIDE) < 1e-6)
    first = np.flatnonzero(sides)[::4]
    assert all(sides[first + k].all() for k in range(4))
    return first


def test_five_times(job: Job, plans: dict[str, Plan]) -> None:
    """Looser limits never take longer, and nothing is faster than its nominal time (common practice, no source)."""
    times = {name: float(plan.duration.sum()) for name, plan in plans.items()}
    print(f"\n{'limits':20} {'motion':>9} {'at least':>9} {'saved':>7}")
    for name, seconds in times.items():
        least = float(nominal(job, MACHINES[name]).sum())
        print(f"{name:20} {seconds:7.1f} s {least:7.1f} s {1 - seconds / times['stock']:7.1%}")
        assert seconds >= least
    assert times["acceleration alone"] < times["stock"]
    assert times["speeds alone"] < times["stock"]
    assert times["both"] < min(times["acceleration alone"], times["speeds alone"])
    assert times["both"] <= times["both, 11 mm³/s"] * (1 + EXACT)
    assert times["both, 11 mm³/s"] < times["stock"]


@each_machine
def test_no_move_is_faster_than_its_nominal_time(job: Job, machine: dict[str, object]) -> None:
    """Each move's duration is L/F at least, and A·de/Q while printing (closed form)."""
    plan = plan_under(job, machine)
    assert (plan.duration >= nominal(job, machine) * (1 - EXACT)).all()


@each_machine
def test_outer_perimeters_by_hand(job: Job, machine: dict[str, object]) -> None:
    """Each of the 100 perimeters: in from a diagonal travel at 45°, three corners of 90°, out to a retraction at rest.

    Trapezoid of one side, T = (2·v_p − v0 − v1)/a + (d − (2·v_p² − v0² − v1²)/2a)/v_p (textbook; computed here).
    """
    plan = plan_under(job, machine)
    first = outer_perimeters(job)
    assert len(first) == 100
    assert (job.moves.kind[first + 4] == FILAMENT).all()
    a = float(machine["motion.print_acceleration_mm_s2"])  # type: ignore[arg-type]
    override = float(machine.get("motion.feed_override", 1.0))  # type: ignore[arg-type]
    flow = float(machine.get("hotend.max_flow_mm3_s", math.inf))  # type: ignore[arg-type]
    into, square = corner(45.0, a), corner(90.0, a)
    for begin in first:
        sides = slice(begin, begin + 4)
        v = np.minimum(job.moves.speed[sides] * override, flow * SIDE / (FILAMENT_AREA * job.moves.de[sides]))
        between = np.minimum(square, np.minimum(v[:-1], v[1:]))
        nodes = [min(into, v[0]), *between, 0.0]
        times = [trapezoid(*nodes[k : k + 2], v[k], a) for k in range(4)]
        np.testing.assert_allclose(plan.speed_in[sides], nodes[:-1], rtol=EXACT)
        np.testing.assert_allclose(plan.speed_out[sides], nodes[1:], rtol=EXACT)
        np.testing.assert_allclose(plan.duration[sides], times, rtol=EXACT)


def test_flow_holds_the_fastest_roads(job: Job) -> None:
    """A road of 0.45 × 0.2 mm melts 0.09 mm³ a mm: 11 mm³/s are reached at 122.2 mm/s (plane geometry, computed here).

    Filament in the file is rounded to 0.00001 mm, which leaves 0.1 % of the shortest roads.
    """
    plan = plan_under(job, THREEFOLD)
    length = path_lengths(job)
    melting = FILAMENT_AREA * job.moves.de / length * plan.speed_peak
    printing = job.moves.kind == PRINT
    assert melting[printing].max() == pytest.approx(FLOW, rel=EXACT)
    held = printing & (plan.cruising > 0.0) & (melting > FLOW * (1 - EXACT))
    assert held.any()
    np.testing.assert_allclose(plan.speed_peak[held], FLOW / (0.45 * 0.2), rtol=1e-3)
