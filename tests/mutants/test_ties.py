"""Moves under torque curves and pressure advance, by closed forms, by periods and by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from kinematics.errors import InputError
from kinematics.gcode.cutting import cut_moves, pieces_of
from kinematics.limits import columns as by
from kinematics.limits.classes import classify
from kinematics.limits.combine import limits_of
from kinematics.planner import plan as single
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.features import make_features
from kinematics.planner.ties import FRICTION, make_ties
from tests.naive.planner_records import NaiveCaps, NaiveLimits, NaiveMotor, NaiveMove
from tests.naive.planner_twin import plan_naively, total_s
from tests.naive.random_paths import random_job, random_limits, to_moves
from tests.planner.from_naive import corner_settings, expressible, machine_from, planned_from_naive, prepared_from_naive
from tests.planner.test_against_twin import different_numbers
from tests.planner.test_caps_against_twin import BY_GRID

EXACT = 1e-9
WEAK = NaiveMotor(torque=((0.0, 0.1), (300.0, 0.02)), mm_per_rev=40.0, inertia=0.0, usable=1.0)
MASS = 0.004  # t along every axis
# By hand: F = 2π·M/40 mm: 15.708 N at rest; 80 % of it gone at 300 rev/min, 200 mm/s.
AT_REST, SLOPE = 2.0 * math.pi * 100.0 / 40.0, 2.0 * math.pi * 80.0 / 40.0 / 200.0


def with_motor(motor: NaiveMotor = WEAK, friction: float = 3.0, **others: object) -> NaiveLimits:
    """A machine whose x axis alone is driven by a motor that is known."""
    caps = NaiveCaps(motors={"x": motor}, masses=(1000.0 * MASS,) * 3 + (0.0,), frictions=(friction,) * 3 + (0.0,))
    return replace(NaiveLimits(travel_acceleration=2500.0, caps=caps), **others)


@pytest.mark.parametrize("length", [1.0, 2.0, 5.0, 16.0])
def test_a_line_under_a_torque_curve_is_that_of_an_integration_in_time(length: float) -> None:
    """a = min(2500, (F(v) − 3 N)/m): from rest to the middle and back down; none of it at one speed."""

    def a(v: float) -> float:
        return min(2500.0, (AT_REST - SLOPE * v - 3.0) / MASS)

    def middle(_: float, state: list[float]) -> float:
        return state[0] - 0.5 * length

    middle.terminal = True  # type: ignore[attr-defined]
    ridden = solve_ivp(
        lambda _, state: [state[1], a(state[1])], (0.0, 9.0), [0.0, 0.0], events=middle, rtol=1e-11, atol=1e-12
    )
    found = planned_from_naive([NaiveMove(dx=length, speed=500.0, kind="travel")], with_motor())
    assert found.duration[0] == pytest.approx(2.0 * ridden.t[-1], rel=1e-6)
    assert found.speed_peak[0] == pytest.approx(ridden.y[1, -1], rel=1e-6)
    assert found.acceleration[0] == pytest.approx(a(ridden.y[1, -1]), rel=1e-6)
    assert found.rising[0] == pytest.approx(found.falling[0])
    level = 2.0 * (AT_REST - 3.0 - 2500.0 * MASS) / SLOPE / 2500.0  # up to the knee and down from it
    assert found.seconds[0, by.DRIVE_1] == pytest.approx(2.0 * ridden.t[-1] - level, rel=1e-6)
    assert found.seconds.sum() == pytest.approx(found.duration[0], rel=EXACT)


@pytest.mark.parametrize("piece", [0.25, 0.4, 0.64, 0.8, 3.2])
def test_a_line_in_pieces_is_driven_as_a_whole(piece: float) -> None:
    """However slowly a piece begins and however fast the next may be."""
    whole = planned_from_naive([NaiveMove(dx=16.0, speed=500.0, kind="travel")], with_motor())
    job = [NaiveMove(dx=piece, speed=500.0, kind="travel")] * round(16.0 / piece)
    found = planned_from_naive(job, with_motor())
    assert found.duration.sum() == pytest.approx(whole.duration.sum(), rel=EXACT)
    assert found.seconds == pytest.approx(whole.seconds, rel=1e-7, abs=1e-12)


@pytest.mark.parametrize("lookahead", [1, 3])
@pytest.mark.parametrize("block", [1024, 5])
def test_a_motor_is_weak_within_what_is_seen(lookahead: int, block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines of unlike length nearly straight on; what is seen leaves them speeds at which the motor gives less."""
    monkeypatch.setattr(single, "BLOCK", block)
    rng = np.random.default_rng(lookahead)
    steps = zip(rng.uniform(0.5, 6.0, 9).tolist(), rng.uniform(-0.2, 0.2, 9).tolist(), strict=True)
    job = [NaiveMove(dx=x, dy=y, speed=400.0, kind="travel") for x, y in steps]
    limits = with_motor(lookahead=lookahead)
    found, slow = planned_from_naive(job, limits), plan_naively(job, limits)
    assert not [one for one in different_numbers(found, slow, BY_GRID) if "acceleration" not in one]
    assert found.seconds[0, by.DRIVE_1] > 0.0


def test_a_motor_runs_to_a_tenth_of_its_spare_force() -> None:
    """(F0 − k·v − f) = 0.1·(F0 − f) by hand; on a long line that is the speed, and the motor its cause."""
    found = planned_from_naive([NaiveMove(dx=3000.0, speed=500.0, kind="travel")], with_motor())
    spare = AT_REST - 3.0
    assert found.speed_peak[0] == pytest.approx(0.9 * spare / SLOPE, rel=EXACT)
    assert found.cruise_cause[0] == by.DRIVE_1
    assert found.seconds[0, by.DRIVE_1] == pytest.approx(
        found.duration[0] - 2.0 * (spare - 2500.0 * MASS) / SLOPE / 2500.0, rel=1e-6
    )


@pytest.mark.parametrize("friction", [18.0, 30.0])
def test_the_carriages_of_a_delta_overcome_friction_or_a_move_is_refused(friction: float) -> None:
    """Straight up beside the first tower, by statics of the arms: Σ F_k·(T_k − p)/h_k = 0 and Σ F_k the friction."""
    towers = 125.0 * np.exp(1j * np.radians([210.0, 330.0, 90.0]))
    place = 0.6 * towers[0]
    heights = np.sqrt(250.0**2 - np.abs(towers - place) ** 2)
    leaning = (towers - place) / heights
    forces = np.abs(np.linalg.solve([leaning.real, leaning.imag, np.ones(3)], [0.0, 0.0, friction]))
    caps = NaiveCaps(
        motors=dict.fromkeys(("t1", "t2", "t3"), WEAK), masses=(1.0,) * 4, frictions=(0.0, 0.0, friction, 0.0)
    )
    limits = NaiveLimits(mechanism="linear-delta", caps=caps, start=(place.real, place.imag, 10.0))
    job = [NaiveMove(dz=2.0, speed=50.0, kind="travel"), NaiveMove(dz=-2.0, speed=50.0, kind="travel")]
    if forces.max() < AT_REST:
        loads = prepared_from_naive(job, limits).ties.loads
        assert loads[:, FRICTION] == pytest.approx(np.transpose([forces, forces]), rel=EXACT)
        return
    with pytest.raises(InputError, match="line 1: motor t1 cannot overcome the friction of this move from rest"):
        prepared_from_naive(job, limits)


def test_pressure_advance_on_a_line_by_the_logarithm() -> None:
    """p·dv/dt = X − v with X = V_e/r: v = X(1 − e^(−t/p)), s = X·t − p·v; 60 mm up and 60 mm down."""
    ratio, most, delay = 0.04, 3.7, 0.08
    speed = most / ratio
    half = brentq(lambda t: speed * t - delay * speed * -math.expm1(-t / delay) - 60.0, 0.0, 9.0, xtol=1e-14)
    limits = NaiveLimits(
        print_acceleration=1e6, extruder_speed=most, caps=NaiveCaps(pressure_advance=delay), filament_area=2.0
    )
    found = planned_from_naive([NaiveMove(dx=120.0, de=120.0 * ratio, speed=500.0)], limits)
    assert found.duration[0] == pytest.approx(2.0 * half, rel=1e-7)
    assert found.speed_peak[0] == pytest.approx(speed * -math.expm1(-half / delay), rel=1e-7)
    assert found.seconds[0, by.ADVANCE] == pytest.approx(2.0 * half, rel=1e-6)


@pytest.mark.parametrize("most", [3.7, 4.0, 2.9])
def test_a_long_line_comes_to_the_extruders_own_speed(most: float) -> None:
    """Whatever the last digits say: what holds there is the extruder's speed, and pressure advance holds the ramps."""
    limits = NaiveLimits(print_acceleration=3000.0, extruder_speed=most, caps=NaiveCaps(pressure_advance=0.05))
    for ratio in np.linspace(0.02, 0.07, 12).tolist():
        found = planned_from_naive([NaiveMove(dx=900.0, de=900.0 * ratio, speed=500.0)], limits)
        assert found.speed_peak[0] == pytest.approx(most / ratio, rel=EXACT)
        assert found.cruise_cause[0] == by.FILAMENT_SPEED
        assert found.ramp_cause[0] == by.ADVANCE


@pytest.mark.parametrize("lines", [150, 70])
def test_every_line_of_a_long_zigzag_under_pressure_advance_takes_alike(lines: int) -> None:
    """Many tied moves in one block; the inner ones are all the same, and as the twin has them in a short job."""
    limits = NaiveLimits(print_acceleration=4000.0, extruder_speed=4.0, caps=NaiveCaps(pressure_advance=0.03))
    job = [
        NaiveMove(dx=2.0 * math.cos(a), dy=2.0 * math.sin(a), de=0.08, speed=150.0)
        for a in (0.5 if k % 2 else -0.5 for k in range(lines))
    ]
    found, slow = planned_from_naive(job, limits), plan_naively(job[:9], limits)
    assert found.duration[4:-4] == pytest.approx(np.full(lines - 8, found.duration[4]), rel=EXACT)
    assert found.duration[4] == pytest.approx(slow[4].t_s, rel=BY_GRID)
    assert found.duration[[0, -1]] == pytest.approx([slow[0].t_s, slow[-1].t_s], rel=BY_GRID)
    assert found.seconds.sum() == pytest.approx(found.duration.sum(), rel=EXACT)
    assert found.seconds[0, by.ADVANCE] > 0.5 * found.duration.sum()


@pytest.mark.parametrize("delay", [0.02, 0.05])
def test_two_motors_alike_and_pressure_advance_hold_as_one_of_them_does(delay: float) -> None:
    """Crossed belts along x and y, where both motors do the same: one may be as strong as it will."""
    strong = replace(WEAK, torque=((0.0, 30.0), (300.0, 30.0)))
    job = [
        NaiveMove(dx=length, dy=0.3 * length * (k % 2), de=0.04 * length, speed=400.0, stop_before=True)
        if k % 3
        else NaiveMove(dy=-length, de=0.05 * length, speed=400.0, stop_before=True)
        for k, length in enumerate((0.2, 1.0, 3.0, 8.0, 20.0, 60.0, 0.7))
    ]
    straight = [move for move in job if move.dx * move.dy == 0.0]
    caps = NaiveCaps(masses=(12.0, 12.0, 6.0, 0.0), frictions=(1.0, 1.0, 0.0, 0.0), pressure_advance=delay)
    limits = NaiveLimits(mechanism="crossed-belt", print_acceleration=2600.0, extruder_speed=6.0)
    both, one, other = (
        replace(limits, caps=replace(caps, motors={"a": a, "b": b}))
        for a, b in ((WEAK, WEAK), (WEAK, strong), (strong, WEAK))
    )
    found = planned_from_naive(straight, both)
    for less in (one, other):
        assert planned_from_naive(straight, less).duration == pytest.approx(found.duration, rel=EXACT)
    assert found.seconds[0, by.ADVANCE] > 0.0
    assert found.seconds[0, by.DRIVE_1] + found.seconds[0, by.DRIVE_1 + 1] > 0.0
    whole, slow = planned_from_naive(job, both), plan_naively(job, both)
    assert not [one for one in different_numbers(whole, slow, BY_GRID) if "acceleration" not in one]


def test_rest_reached_with_a_step_where_the_motor_is_weak_already() -> None:
    """Along x from rest with 60 mm/s, to rest with 60, on along y with 1: speeds at which the drive holds by far."""
    limits = with_motor(friction=2.56, corner_rule="axis steps", speed_step=(60.0, 1.0, math.inf))
    for length in (0.1, 0.3, 1.2, 5.0):  # from 50 mm/s on the motor gives less than 2500 mm/s²
        job = [NaiveMove(dx=length, speed=500.0, kind="travel")]
        job.append(NaiveMove(dy=length, speed=500.0, kind="travel", stop_before=True))
        found, slow = planned_from_naive(job, limits), plan_naively(job, limits)
        assert not [one for one in different_numbers(found, slow, 2e-4) if "acceleration" not in one]
        assert found.seconds[0, by.DRIVE_1] > 0.0
        back = [replace(job[1], stop_before=False), replace(job[0], stop_before=True)]
        assert planned_from_naive(back, limits).duration[::-1] == pytest.approx(found.duration, rel=1e-7)


STRONG = replace(WEAK, torque=((0.0, 30.0), (9000.0, 30.0)))
# Of one piece, of two and of three, that leave a tenth of the spare force within the last; of two that leave more.
ENDING = (
    WEAK.torque,
    ((0.0, 0.1), (150.0, 0.08), (300.0, 0.02)),
    ((0.0, 0.1), (60.0, 0.09), (120.0, 0.07), (270.0, 0.02)),
    ((0.0, 0.1), (150.0, 0.08), (240.0, 0.06)),
)
LINE = 60.0  # mm


@pytest.mark.parametrize("block", [1024, 3])
@pytest.mark.parametrize("weak", range(4))
def test_where_the_speed_of_a_move_ends_its_nodes_are_reached_and_rest_is_left_with_ones_own(
    weak: int, block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A motor of four runs to a tenth of its spare force; the others to 350 mm/s, and steps of 400 mm/s are permitted.

    Within its moves speed is steady. A node in motion keeps to the slower move beside it; rest is reached with the
    speed of the move before it and left with that of the move behind it, whatever the other can. What is not driven by
    it speeds up and brakes by 2500 mm/s²: by the trapezoid. Where a curve breaks off, that is a speed of the axis.
    """
    monkeypatch.setattr(single, "BLOCK", block)
    order = [(k + weak) % 4 for k in (0, 0, 1, 0, 2, 2, 0, 3, 0, 0, 2, 0, 1, 3)]
    stops = [k in (0, 2, 5, 6, 7, 9, 11, 14) or 3 in order[k - 1 : k + 1] for k in range(15)]
    job = [
        NaiveMove(*(LINE * np.eye(3)[axis]).tolist(), speed=350.0, kind="travel", stop_before=stop)
        if axis < 3
        else NaiveMove(de=LINE, speed=350.0, kind="filament")
        for axis, stop in zip(order, [False, *stops[1:-1]], strict=True)
    ]
    for torque in ENDING:
        speeds = [revolutions * WEAK.mm_per_rev / 60.0 for revolutions, _ in torque]
        forces = [2.0 * math.pi * newton_metres / (1e-3 * WEAK.mm_per_rev) for _, newton_metres in torque]
        end = float(np.interp(3.0 + 0.1 * (forces[0] - 3.0), forces[::-1], speeds[::-1]))
        motors = dict.fromkeys("xyze", STRONG) | {"xyze"[weak]: replace(WEAK, torque=torque)}
        caps = NaiveCaps(motors=motors, masses=(1000.0 * MASS,) * 4, frictions=(3.0,) * 4)
        steps = with_motor(corner_rule="axis steps", speed_step=(400.0,) * 3, extruder_step=400.0)
        found = planned_from_naive(job, replace(steps, filament_acceleration=2500.0, caps=caps))
        cause = (by.DRIVE_1 if end < speeds[-1] else by.X_SPEED) + weak
        tops = [end if axis == weak else 350.0 for axis in order]
        for i, top in enumerate(tops):
            first = top if stops[i] else min(top, tops[i - 1])
            last = top if stops[i + 1] else min(top, tops[i + 1])
            ramps = [(top - speed) / 2500.0 for speed in (first, last)]
            steady = (LINE - sum(0.5 * (top + speed) * t for speed, t in zip((first, last), ramps, strict=True))) / top
            told = found.speed_in[i], found.speed_peak[i], found.speed_out[i], found.duration[i]
            assert told == pytest.approx((first, top, last, sum(ramps) + steady), rel=EXACT), f"move {i}"
            assert found.cruise_cause[i] == (cause if top == end else by.COMMANDED_SPEED), f"move {i}"


@pytest.mark.parametrize("block", [1024, 7])
def test_what_no_motor_holds_is_planned_as_without_one(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines from rest to rest along x, where the motor is weak, and along y at speeds of all kinds: to the last bit."""
    monkeypatch.setattr(single, "BLOCK", block)
    rng = np.random.default_rng(1)
    job = [
        NaiveMove(*(rng.uniform(5.0, 30.0) * np.eye(3)[axis]).tolist(), speed=speed, kind="travel", stop_before=i > 0)
        for i, (axis, speed) in enumerate(zip(rng.integers(0, 2, 60), rng.uniform(20.0, 300.0, 60), strict=True))
    ]
    along_y = np.array([move.dy > 0.0 for move in job])
    for steps in ({}, {"corner_rule": "axis steps", "speed_step": (400.0, 400.0, 400.0)}):
        limits = with_motor(**steps)
        tied, free = (planned_from_naive(job, one) for one in (limits, replace(limits, caps=NaiveCaps())))
        assert (tied.duration[~along_y] > free.duration[~along_y]).any()
        for name in ("speed_in", "speed_peak", "speed_out", "duration", "cruise_cause"):
            assert np.array_equal(getattr(tied, name)[along_y], getattr(free, name)[along_y])


@pytest.mark.parametrize("lookahead", [None, 1, 2, 4])
def test_a_slow_crawl_from_rest_to_rest_in_small_blocks(lookahead: int | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Steps of speed beside which braking counts for little: rests within what is seen, plans and batches."""
    monkeypatch.setattr(single, "BLOCK", 7)
    monkeypatch.setattr("kinematics.planner.batch.BATCH_BLOCK", 7)
    crawling = NaiveLimits(
        corner_rule="axis steps",
        speed_step=(8.0, 6.0, 1.0),
        extruder_step=math.inf,
        lookahead=lookahead,
    )
    for seed, acceleration in enumerate((60.0, 12.0, 4.0)):
        rng, limits = np.random.default_rng(seed), replace(crawling, travel_acceleration=acceleration)
        job = [
            NaiveMove(
                dx=float(x), dy=float(y), speed=float(rng.uniform(4.0, 60.0)), kind="travel",
                stop_before=bool(rng.random() < 0.3),
            )
            for x, y in rng.uniform(-0.6, 0.6, (25, 2))
        ]  # fmt: skip
        ready = prepared_from_naive(job, limits)
        found, slow = ready.plan(), plan_naively(job, limits)
        assert not different_numbers(found, slow, EXACT)
        held = batch_features(ready.features, np.zeros(len(job), np.int32))
        tables = [ready.limits.values * factor for factor in (1.0, 0.8)]
        times = batch_times(held, tables, lookahead).motion
        assert times[0] == pytest.approx(total_s(slow), rel=EXACT)
        assert times[1] == pytest.approx(single.plan(ready.features, tables[1], lookahead).duration.sum(), rel=EXACT)


@pytest.mark.parametrize("lookahead", [2, 5])
def test_commands_of_moves_in_pieces_are_those_of_the_moves(lookahead: int) -> None:
    """A few moves and bytes a second: whoever cuts moves gets the speeds of the uncut ones."""
    for seed in (703, 710):
        job, drawn = random_job(seed, pieces=3), replace(expressible(random_limits(seed)), lookahead=lookahead)
        drawn = replace(drawn, caps=NaiveCaps(moves_per_s=9.0, bytes_per_s=300.0))
        moves, machine = to_moves(job), machine_from(drawn)
        pieces, whole = cut_moves(moves, pieces_of(moves, 1.0))
        sizes = np.array([move.size for move in job])
        found = []
        for these, number, size in (
            (pieces, whole, sizes[whole] / np.bincount(whole)[whole]),
            (moves, np.empty(0, np.int64), sizes),
        ):
            classes = classify(these, machine.motion.first_layers.count)
            limits = limits_of(machine, classes.table)
            features = make_features(these, classes.of_move, corner_settings(machine), whole=number)
            ties = make_ties(these, features, None, (), lookahead, True, size)
            found.append(single.plan(features, limits.values, limits.lookahead, ties=ties))
        summed = np.bincount(whole, weights=found[0].duration)
        assert summed == pytest.approx(found[1].duration, rel=EXACT)
        assert found[1].seconds[:, [by.MOVE_RATE_SPEED, by.BYTE_RATE_SPEED]].sum() > 0.0
