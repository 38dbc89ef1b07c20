"""The planner against its slow twin: the same jobs under the same limits, number by number."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numba
import numpy as np
import pytest

from kinematics.gcode.moves import Moves
from kinematics.gcode.reader import read_gcode
from kinematics.limits import columns as by
from kinematics.limits.classes import classify
from kinematics.limits.combine import Limits, limits_of
from kinematics.planner.features import make_features
from kinematics.planner.plan import BLOCK, Plan, plan
from tests.naive.planner_twin import NaiveLimits, NaiveMove, NaivePlanned, plan_naively, total_s
from tests.naive.random_motors import MECHANISMS, MOTORS_OF, with_motors
from tests.naive.random_paths import circle, is_delicate, random_job, random_limits, steps_between, straight, to_moves
from tests.planner.from_naive import corner_settings, expressible, features_of, machine_from, planned_from_naive
from tests.planner.to_naive import to_naive

ROUNDING = 1e-9  # relative: what the model promises
PICOSECOND = 1e-12  # s: at 1 m/s the tool moves a thousand times less than an atom is wide
CRAWL = 1e-9  # mm/s: a micrometre in a quarter of an hour
NEAR_TIE = 1e-9  # relative: ceilings so close are one, and either may be named
FEW_DELICATE = 0.02  # share of random jobs that lie on the edge of a rule

JOBS_A_TEST = 100
FEWER = 300
FIRST_SEEDS = range(0, 100 if numba.config.DISABLE_JIT else 500, JOBS_A_TEST)
SAMPLES = Path(__file__).parents[2] / "sample_gcode"

TIES = range(by.DRIVE_1, by.ADVANCE + 1)
CRUISING = {
    by.COMMANDED_SPEED: "commanded speed",
    by.SPEED_CAP: "speed cap",
    by.X_SPEED: "x speed",
    by.Y_SPEED: "y speed",
    by.Z_SPEED: "z speed",
    by.FILAMENT_SPEED: "extruder speed",
    by.MOVE_RATE_SPEED: "command rate: moves",
    by.BYTE_RATE_SPEED: "command rate: bytes",
    **dict.fromkeys(TIES, "tie"),
}
RAMPING = {
    by.PATH_ACCELERATION: "path acceleration",
    by.X_ACCELERATION: "x acceleration",
    by.Y_ACCELERATION: "y acceleration",
    by.Z_ACCELERATION: "z acceleration",
    by.FILAMENT_ACCELERATION: "extruder acceleration",
    **dict.fromkeys(TIES, "tie"),
}
# Codes of three motors in a row begin at each.
MOTORS = {
    by.MOTOR_1_SPEED: "motor {} speed",
    by.MOTOR_1_STEADY: "motor {} steady",
    by.MOTOR_1_ACCELERATION: "motor {} acceleration",
}
MOTOR_SPEEDS = range(by.MOTOR_1_SPEED, by.MOTOR_3_SPEED + 1)
COLUMNS = {
    by.X_SPEED: by.X_MOST,
    by.Y_SPEED: by.Y_MOST,
    by.Z_SPEED: by.Z_MOST,
    by.FILAMENT_SPEED: by.FILAMENT_MOST,
    by.X_ACCELERATION: by.X_RAMP,
    by.Y_ACCELERATION: by.Y_RAMP,
    by.Z_ACCELERATION: by.Z_RAMP,
    by.FILAMENT_ACCELERATION: by.FILAMENT_RAMP,
}


def both_plans(moves: Moves, job: Sequence[NaiveMove], limits: NaiveLimits) -> tuple[Plan, Limits, list[NaivePlanned]]:
    """The planner's plan, the limits that it was given, and the twin's plan."""
    machine = machine_from(limits)
    classes = classify(moves, machine.motion.first_layers.count)
    table = limits_of(machine, classes.table)
    features = features_of(moves, machine, limits.start)
    return plan(features, table.values, table.lookahead), table, plan_naively(job, limits)


def different_numbers(fast: Plan, slow: Sequence[NaivePlanned], relative: float = ROUNDING) -> list[str]:
    """Where the numbers of two plans differ by more than rounding; empty where they agree."""
    found = []
    seconds = total_s(slow)
    if not math.isclose(math.fsum(fast.duration), seconds, rel_tol=relative, abs_tol=0.0):
        found.append(f"total {math.fsum(fast.duration)!r} s, twin {seconds!r} s")
    # Where more than rounding is granted, it is in terms of the whole move.
    for column, attribute, of, absolute in (
        ("duration", "t_s", "t_s", PICOSECOND),
        ("rising", "rise_s", "t_s", PICOSECOND),
        ("cruising", "cruise_s", "t_s", PICOSECOND),
        ("falling", "fall_s", "t_s", PICOSECOND),
        ("speed_in", "v_in", "v_peak", CRAWL),
        ("speed_peak", "v_peak", "v_peak", CRAWL),
        ("speed_out", "v_out", "v_peak", CRAWL),
        ("acceleration", "a", "a", 0.0),
    ):
        ours = getattr(fast, column)
        theirs = np.array([getattr(move, attribute) for move in slow])
        scale = theirs if absolute == 0.0 or relative == ROUNDING else np.array([getattr(p, of) for p in slow])
        for i in np.flatnonzero(np.abs(ours - theirs) > relative * np.abs(scale) + absolute):
            found.append(f"move {i}: {column} {ours[i]!r}, twin {theirs[i]!r}")
    return found


def cause_of(code: int, limits: Limits, row: int) -> str | None:
    """The twin's name for one of the planner's codes; an axis's may be that of the motor that moves it alone."""
    column = by.MOTOR_1_MOST + code - by.MOTOR_1_SPEED if code in MOTOR_SPEEDS else COLUMNS.get(code)
    origin = "" if column is None else limits.origins.get((row, column), "")
    if origin.endswith("torque_nm"):
        return f"motor {origin.split('.')[1]} end"
    if code == by.ROUNDING_ACCELERATION:
        return "rounding"
    if origin == "quality.ringing_budget_mm":
        return f"{'x' if code == by.X_ACCELERATION else 'y'} {origin.split('.')[1].split('_')[0]}"
    for first, words in MOTORS.items():
        if first <= code < first + 3:
            return words.format(limits.motors[code - first])
    if origin == "hotend.max_flow_mm3_s":
        return "flow"
    if origin.startswith("motors."):
        return f"motor {origin.split('.')[1]} {'speed' if code < by.CORNER else 'acceleration'}"
    return {**CRUISING, **RAMPING}.get(code)


def different_causes(
    fast: Plan, limits: Limits, classes: Sequence[int], slow: Sequence[NaivePlanned], near_tie: float = NEAR_TIE
) -> list[str]:
    """Where the planner names a cause that is not the twin's, nor as good as tied with it."""
    found = []
    for i, (move, row) in enumerate(zip(slow, classes, strict=True)):
        cruise, ramp = int(fast.cruise_cause[i]), int(fast.ramp_cause[i])
        # An ulp beyond the end of a curve the planner makes a pair where the twin keeps both ceilings.
        at_the_end = defaultdict[str | None, float](lambda: math.inf, {"pair": 0.0})
        at_ceiling = move.v_peak >= move.v_ceiling * (1.0 - near_tie)
        if cruise == by.CORNER:
            right = move.cruise_cause == "corner" or at_ceiling
        else:
            named = cause_of(cruise, limits, row)
            right = (
                named is not None
                and cruise < by.CORNER
                and move.speed_ceilings.get(named, at_the_end[named]) <= move.v_ceiling * (1.0 + near_tie)
            )
            right = right and (move.cruise_cause != "corner" or at_ceiling)
        if not right:
            found.append(f"move {i}: cruising under {cruise}, twin {move.cruise_cause}")
        named = cause_of(ramp, limits, row)
        if (
            named is None
            or not (ramp > by.CORNER or ramp in TIES)
            or move.acceleration_ceilings.get(named, at_the_end[named]) > move.a * (1.0 + near_tie)
        ):
            found.append(f"move {i}: ramping under {ramp}, twin {move.ramp_cause}")
    return found


def differences(job: Sequence[NaiveMove], limits: NaiveLimits) -> list[str]:
    """All that differs between the planner and its twin."""
    moves = to_moves(job)
    fast, table, slow = both_plans(moves, job, limits)
    classes = classify(moves, limits.first_layers_count).of_move.tolist()
    return different_numbers(fast, slow) + different_causes(fast, table, classes, slow)


@pytest.mark.parametrize("first", FIRST_SEEDS)
def test_random_jobs_take_what_the_twin_says(first: int) -> None:
    """Random jobs under random limits; only a job on the edge of a rule may differ, and such jobs are few."""
    on_the_edge = 0
    for seed in range(first, first + JOBS_A_TEST):
        job, limits = random_job(seed), expressible(random_limits(seed))
        found = differences(job, limits)
        if found and is_delicate(job, limits):
            on_the_edge += 1
        else:
            assert not found, f"seed {seed}: {found[:5]}"
    assert on_the_edge <= FEW_DELICATE * JOBS_A_TEST


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_random_jobs_on_every_mechanism_take_what_the_twin_says(mechanism: str) -> None:
    """Motors limited at random beside everything else; on a delta some places are out of reach."""
    on_the_edge = 0
    held = Counter[str]()
    for seed in range(FEWER):
        job = random_job(seed)
        limits = with_motors(expressible(random_limits(seed)), seed, mechanism)
        moves = to_moves(job)
        fast, table, slow = both_plans(moves, job, limits)
        classes = classify(moves, limits.first_layers_count).of_move.tolist()
        found = different_numbers(fast, slow) + different_causes(fast, table, classes, slow)
        held.update({cause for move in slow for cause in (move.cruise_cause, move.ramp_cause)})
        if found and is_delicate(job, limits):
            on_the_edge += 1
        else:
            assert not found, f"seed {seed}: {found[:5]}"
    assert on_the_edge <= FEW_DELICATE * FEWER
    for motor in MOTORS_OF[mechanism].split():
        assert held[f"motor {motor} speed"] + held[f"motor {motor} steady"] > 0, motor
        assert held[f"motor {motor} acceleration"] > 0, motor
    assert any(cause.endswith("steady") for cause in held) == (mechanism == "linear-delta")


@pytest.mark.parametrize("without_rest", [False, True])
@pytest.mark.parametrize("seed", range(1 if numba.config.DISABLE_JIT else 4))
def test_long_jobs_take_what_the_twin_says(seed: int, without_rest: bool) -> None:
    """Jobs of several of the planner's blocks, with stops as they come, or none and long ramps.

    The first one of a few seeds that is not on the edge of a rule.
    """
    for candidate in range(1000 * seed, 1000 * seed + 10):
        job, limits = random_job(candidate, pieces=160), expressible(random_limits(candidate))
        if without_rest:
            job = [replace(move, stop_before=False) for move in job if move.kind != "filament"]
            limits = replace(limits, print_acceleration=4.0, travel_acceleration=7.0, corner_rule="junction deviation")
            limits = replace(limits, junction_deviation=20.0, curve_rule=False)
        if len(job) < BLOCK:
            continue
        found = differences(job, limits)
        if not (found and is_delicate(job, limits)):
            assert not found, f"seed {candidate}: {found[:5]}"
            return
    pytest.fail("every long job was on the edge of a rule")


@pytest.mark.parametrize("lookahead", [None, 7, 500, BLOCK + 3])
def test_ramps_and_curves_across_blocks_take_what_the_twin_says(lookahead: int | None) -> None:
    """One stretch over three blocks: a ramp of a thousand moves, then a circle, then the way back."""
    there = steps_between(straight((1.0, 0.0, 0.0), 60.0, BLOCK + 150))
    around = steps_between(circle(30.0, 700, 4.0 * math.tau))
    back = steps_between(straight((0.0, -1.0, 0.3), 50.0, 600))
    job = [NaiveMove(x, y, z, 0.04 * math.hypot(x, y, z), 300.0) for x, y, z in there + around + back]
    limits = NaiveLimits(print_acceleration=150.0, axis_acceleration=(120.0, math.inf, 90.0), lookahead=lookahead)
    assert differences(job, limits) == []


@pytest.mark.parametrize("lookahead", [None, 100])
@pytest.mark.parametrize("beyond", [-50, 0, 1, 20, 50, 90, 99, 100, 150, BLOCK])
def test_braking_that_begins_before_the_end_of_a_block_is_a_trapezoid(beyond: int, lookahead: int | None) -> None:
    """T = L/v + v/a (textbook trapezoid), braking over the last 100 moves, wherever a block ends among them.

    A lookahead of 100 moves is just enough for v² = 2·a·100 mm.
    """
    pieces, v, a = BLOCK + beyond, 50.0, 12.5
    job = [NaiveMove(dx=1.0, speed=v, kind="travel")] * pieces
    fast = planned_from_naive(job, NaiveLimits(travel_acceleration=a, lookahead=lookahead))
    assert math.fsum(fast.duration) == pytest.approx(pieces / v + v / a, rel=ROUNDING)
    left = np.minimum(np.arange(pieces), np.arange(pieces, 0, -1))
    assert fast.speed_in == pytest.approx(np.minimum(v, np.sqrt(2.0 * a * left)), rel=ROUNDING)


@pytest.mark.parametrize("pieces", [1, 2, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK, 2 * BLOCK + 1])
def test_a_straight_of_whole_and_broken_blocks_is_a_triangle(pieces: int) -> None:
    """T = 2·√(L/a) however many pieces (textbook triangle); speed changes sign of ramp in the middle only."""
    length, a = 100.0, 50.0
    fast = planned_from_naive(
        [NaiveMove(dx=length / pieces, kind="travel")] * pieces, NaiveLimits(travel_acceleration=a)
    )
    assert math.fsum(fast.duration) == pytest.approx(2.0 * math.sqrt(length / a), rel=ROUNDING)
    assert fast.speed_peak.max() == pytest.approx(math.sqrt(a * length), rel=1.0 / pieces if pieces % 2 else ROUNDING)


def test_without_any_acceleration_limit_a_move_takes_length_over_speed() -> None:
    """Infinity on the path and on every axis: no ramps, and corners cost nothing.

    A speed at a corner straight back would be ∞ · 0 there and is not looked at: without ramps it costs no time.
    """
    for seed in range(20):
        job = [move for move in random_job(seed) if move.kind != "filament"] or [NaiveMove(dx=1.0)]
        drawn = expressible(random_limits(seed))
        limits = NaiveLimits(axis_speed=drawn.axis_speed, max_flow=drawn.max_flow, speed_cap=90.0)
        moves, machine = to_moves(job), machine_from(limits)
        classes = classify(moves, 0)
        values = limits_of(machine, classes.table).values.copy()
        values[:, by.PATH_RAMP] = math.inf
        fast = plan(make_features(moves, classes.of_move, corner_settings(machine)), values)
        slow = plan_naively(job, replace(limits, print_acceleration=math.inf, travel_acceleration=math.inf))
        assert math.fsum(fast.duration) == pytest.approx(total_s(slow), rel=ROUNDING)
        assert fast.cruising == pytest.approx(np.array([move.t_s for move in slow]), rel=ROUNDING)
        assert not fast.rising.any()
        assert not fast.falling.any()


@pytest.mark.parametrize("there", [(0.1, 0.0), (0.1, 0.05), (0.07, 0.1)])
def test_a_way_back_over_the_same_line_is_no_curve(there: tuple[float, float]) -> None:
    """The place a window ahead of the corner is the corner itself, as when a nozzle wipes back: no chord leads there.

    The corner is then as fast as a ramp from rest over the first move allows: v² = 2·a·L.
    """
    x, y = there
    steps = [(0.02, 0.03), (x, y), (-x, -y)]
    job = [NaiveMove(dx=dx, dy=dy, speed=100.0, kind="travel") for dx, dy in steps]
    limits = NaiveLimits(travel_acceleration=400.0)
    fast = planned_from_naive(job, limits)
    assert fast.speed_in[1] == pytest.approx(plan_naively(job, limits)[1].v_in, rel=ROUNDING)
    assert fast.speed_in[1] == pytest.approx(math.sqrt(2.0 * 400.0 * math.hypot(0.02, 0.03)), rel=ROUNDING)


@pytest.mark.parametrize(
    ("speed", "limits", "cause"),
    [
        (64.0, NaiveLimits(speed_cap=64.0, axis_speed=(64.0, 64.0, 64.0)), by.COMMANDED_SPEED),
        (math.inf, NaiveLimits(speed_cap=64.0, axis_speed=(64.0, 64.0, 64.0)), by.SPEED_CAP),
        (math.inf, NaiveLimits(axis_speed=(64.0, 64.0, 64.0), extruder_speed=32.0), by.X_SPEED),
        (math.inf, NaiveLimits(axis_speed=(128.0, 128.0, 128.0), extruder_speed=32.0), by.FILAMENT_SPEED),
    ],
)
def test_of_equal_speeds_the_first_is_the_cause(speed: float, limits: NaiveLimits, cause: int) -> None:
    """Powers of two, so that the ceilings tie to the last digit; the order is the twin's."""
    fast = planned_from_naive([NaiveMove(dx=128.0, de=64.0, speed=speed)], limits)
    assert (fast.cruise_cause[0], fast.speed_peak[0]) == (cause, 64.0)


@pytest.mark.parametrize(
    ("path", "x", "filament", "cause"),
    [
        (512.0, 512.0, 256.0, by.PATH_ACCELERATION),
        (1024.0, 512.0, 256.0, by.X_ACCELERATION),
        (1024.0, 1024.0, 256.0, by.FILAMENT_ACCELERATION),
    ],
)
def test_of_equal_accelerations_the_first_is_the_cause(path: float, x: float, filament: float, cause: int) -> None:
    """The same for what ramps are under."""
    limits = NaiveLimits(
        print_acceleration=path, axis_acceleration=(x, math.inf, math.inf), extruder_acceleration=filament
    )
    fast = planned_from_naive([NaiveMove(dx=128.0, de=64.0, speed=64.0)], limits)
    assert (fast.ramp_cause[0], fast.acceleration[0]) == (cause, 512.0)


@pytest.mark.parametrize(
    "limits",
    [
        NaiveLimits(),
        NaiveLimits(
            axis_speed=(180.0, 150.0, 8.0),
            axis_acceleration=(1000.0, 700.0, 100.0),
            extruder_speed=30.0,
            extruder_acceleration=1500.0,
            print_acceleration=500.0,
            travel_acceleration=700.0,
            max_flow=6.0,
            corner_rule="axis steps",
            speed_step=(7.0, 6.0, 0.5),
            extruder_step=4.0,
            lookahead=16,
            first_layers_count=1,
            feed_override={"print": 1.5},
            keep_commanded_speed=True,
        ),
    ],
    ids=["only defaults", "gentle, with axis steps"],
)
def test_a_sample_job_takes_what_the_twin_says(limits: NaiveLimits) -> None:
    """The cube of the samples, read from its file."""
    moves = read_gcode(SAMPLES / "test_cube.gcode").moves
    job = to_naive(moves)
    fast, table, slow = both_plans(moves, job, limits)
    assert different_numbers(fast, slow) == []
    classes = classify(moves, limits.first_layers_count).of_move.tolist()
    assert different_causes(fast, table, classes, slow) == []
