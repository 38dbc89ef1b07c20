"""Where speed and acceleration hang on each other: the quickest pair, against trying speeds and against hand values."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.limits import columns as by
from kinematics.limits.drive import ForceCurve, curve_table
from kinematics.planner.features import CornerSettings, make_features
from kinematics.planner.ties import NO_TIES, run_lengths
from tests.naive.pairs_twin import (
    NO_END,
    NaiveDrive,
    NaiveTie,
    admitted_acceleration,
    shortest_time,
    times_from_stop_to_stop,
)
from tests.naive.random_paths import random_job, to_moves
from tests.planner.pair_cases import OWN, Pair, lower_block, pair_of, random_tie, tied_features

ROUNDING = 1e-9  # relative: what the model promises
HAIR = 1e-12  # relative: a speed just below the end of a curve
SEEDS = 4000
SEEDS_A_TEST = 500
LEVEL = NaiveDrive((0.0, 200.0), (30.0, 30.0), 1e-3, 0.0, 1.0)  # 30 N on 1 kg: 30000 mm/s²


def time_of(tie: NaiveTie, pair: Pair) -> float:
    """Time from stop to stop (s) of a pair, its run cut where the planner cuts an endless one."""
    free = NaiveTie(min(tie.length, NO_END), math.inf, pair.acceleration)
    return float(times_from_stop_to_stop(free, np.array([min(pair.speed, NO_END)]))[0])


def admitted_at(tie: NaiveTie, speed: float) -> float:
    """The largest acceleration admitted just below a speed (mm/s²)."""
    return float(admitted_acceleration(tie, np.array([min(speed, NO_END) * (1.0 - HAIR)]))[0])


def line(tie: NaiveTie) -> tuple[float, float]:
    """α and β of the only drive of a move whose curve has two points: a <= α − β·v."""
    (drive,) = tie.drives
    slope = (drive.forces[0] - drive.forces[1]) / drive.speeds[1]
    return (drive.forces[0] - drive.friction) / drive.mass, slope * drive.share / drive.mass


@pytest.mark.parametrize("first", range(0, SEEDS, SEEDS_A_TEST))
def test_no_speed_that_is_tried_is_quicker(first: int) -> None:
    for seed in range(first, first + SEEDS_A_TEST):
        tie = random_tie(seed)
        pair = pair_of(tie)
        best = shortest_time(replace(tie, length=min(tie.length, NO_END)))
        assert time_of(tie, pair) <= best * (1.0 + ROUNDING), (seed, tie, pair)
        assert pair.acceleration <= admitted_at(tie, pair.speed) * (1.0 + ROUNDING), (seed, tie, pair)
        assert pair.speed <= tie.fastest * (1.0 + HAIR)
        assert pair.acceleration <= tie.steepest * (1.0 + HAIR)


def test_ceilings_that_are_admitted_stay_as_they_are() -> None:
    """Not only nearly: nothing is written."""
    for seed in range(SEEDS):
        tie = random_tie(seed)
        admitted = tie.fastest < math.inf and tie.steepest <= admitted_at(tie, tie.fastest / (1.0 - HAIR))
        if admitted:
            kept = 1.0 / (1.0 / tie.fastest), 1.0 / (1.0 / tie.steepest)
            assert pair_of(tie) == Pair(*kept, OWN, OWN)


def test_of_equal_times_the_faster_pair_is_taken() -> None:
    """A speed that a level curve leaves free costs nothing, and corners may use it."""
    steps = NaiveDrive((0.0, 100.0, 100.5, 200.0), (10.0, 10.0, 5.0, 5.0), 1e-3, 0.0, 1.0)
    pair = pair_of(NaiveTie(0.1, 150.0, 20000.0, (steps,)))  # 10000 mm/s² over 0.1 mm: a triangle up to 31.6 mm/s
    assert pair == pytest.approx((100.0, 10000.0, 0, 0), rel=ROUNDING)
    assert pair_of(NaiveTie(0.1, 90.0, 20000.0, (steps,))) == pytest.approx((90.0, 10000.0, OWN, 0), rel=ROUNDING)
    assert pair_of(NaiveTie(0.1, 150.0, 8000.0, (steps,))) == pytest.approx((100.1875 + 0.0125, 8000.0, 0, OWN))


def test_ends_of_lines_that_hold_nothing_slow_nothing() -> None:
    """Neither the ends of a second motor's lines, nor a lower speed that is quicker by rounding alone."""
    level = NaiveDrive((0.0, 400.0), (10.0, 10.0), 1e-3, 0.0, 1.0)
    strong = NaiveDrive((0.0, 20.0, 60.0, 90.0, 400.0), (90.0, 80.0, 75.0, 60.0, 50.0), 1e-3, 0.0, 1.0)
    for drives in ((level, strong), (strong, level)):
        pair = pair_of(NaiveTie(0.1, 150.0, 20000.0, drives))
        assert pair == pytest.approx((150.0, 10000.0, OWN, drives.index(level)), rel=ROUNDING)
    hair = NaiveDrive((0.0, 100.0, 101.0, 400.0), (10.0 + 4e-14, 10.0 + 4e-14, 10.0, 10.0), 1e-3, 0.0, 1.0)
    assert pair_of(NaiveTie(0.1, 150.0, 20000.0, (hair,))).speed == pytest.approx(150.0, rel=ROUNDING)


def test_on_one_line_the_pair_is_that_of_the_formula() -> None:
    """v = α/(β + √(α/L)); by hand: α = 10000 mm/s², β = 50/s, L = 4 mm: v = 10000/(50 + 50) = 100, a = 5000."""
    drive = NaiveDrive((0.0, 200.0), (10.0, 0.0), 1e-3, 0.0, 1.0)
    tie = NaiveTie(4.0, 500.0, 50000.0, (drive,))
    assert line(tie) == pytest.approx((10000.0, 50.0))
    pair = pair_of(tie)
    assert pair == pytest.approx((100.0, 5000.0, 0, 0), rel=ROUNDING)
    assert time_of(tie, pair) == pytest.approx(4.0 / 100.0 + 100.0 / 5000.0)  # s


def test_friction_and_share_move_the_line() -> None:
    """A motor that runs at half the tool's speed and has 2 N to overcome: a = (10 − 2 − 0.05·v/2)·1000."""
    drive = NaiveDrive((0.0, 200.0), (10.0, 0.0), 1e-3, 2.0, 0.5)
    tie = NaiveTie(3.2, 500.0, 50000.0, (drive,))
    alpha, beta = line(tie)
    assert (alpha, beta) == pytest.approx((8000.0, 25.0))
    assert pair_of(tie).speed == pytest.approx(8000.0 / (25.0 + math.sqrt(8000.0 / 3.2)), rel=ROUNDING)


def test_pressure_advance_trades_acceleration_for_speed() -> None:
    """v + p·a <= V with p = 0.05 s, V = 300 mm/s: a = 6000 − 20·v; over 15 mm v = 6000/(20 + 20) = 150, a = 3000."""
    tie = NaiveTie(15.0, 280.0, 50000.0, (), 300.0, 0.05)
    assert pair_of(tie) == pytest.approx((150.0, 3000.0, 0, 0), rel=ROUNDING)
    # Where the path's own acceleration is less, speed is what is left: v = 300 − 0.05·2000.
    assert pair_of(replace(tie, steepest=2000.0)) == pytest.approx((200.0, 2000.0, 0, OWN), rel=ROUNDING)
    assert pair_of(replace(tie, steepest=2000.0, fastest=200.0)) == pytest.approx((200.0, 2000.0, OWN, OWN))
    # Without p nothing ties the two.
    assert pair_of(replace(tie, delay=0.0)) == pytest.approx((280.0, 50000.0, OWN, OWN))


def test_the_motor_that_holds_is_named() -> None:
    weak = NaiveDrive((0.0, 400.0), (10.0, 0.0), 1e-3, 0.0, 1.0)
    tie = NaiveTie(4.0, 500.0, 50000.0, (replace(weak, forces=(40.0, 30.0)), weak), 900.0, 0.001)
    assert pair_of(tie)[2:] == (1, 1)
    assert pair_of(replace(tie, drives=tie.drives[::-1]))[2:] == (0, 0)
    assert pair_of(replace(tie, advance=50.0))[2:] == (2, 2)
    assert pair_of(replace(tie, fastest=60.0))[2:] == (OWN, 1)


def test_a_motor_never_runs_beyond_the_last_point_of_its_curve() -> None:
    pair = pair_of(NaiveTie(math.inf, math.inf, 20000.0, (LEVEL,)))
    assert pair == pytest.approx((200.0, 20000.0, 0, OWN), rel=ROUNDING)
    along = replace(LEVEL, share=0.25)
    assert pair_of(NaiveTie(50.0, math.inf, 20000.0, (along,))).speed == pytest.approx(800.0, rel=ROUNDING)


def test_where_friction_takes_all_the_force_a_motor_runs_no_faster() -> None:
    """The longer the run, the nearer to the speed at which nothing is left: (10 − 5)/0.05 = 100 mm/s."""
    drive = NaiveDrive((0.0, 200.0), (10.0, 0.0), 1e-3, 5.0, 1.0)
    speeds = [pair_of(NaiveTie(length, 500.0, 50000.0, (drive,))).speed for length in (1.0, 1e3, 1e6, math.inf)]
    assert speeds == sorted(speeds)
    assert all(speed < 100.0 for speed in speeds)
    assert speeds[-1] == pytest.approx(100.0, rel=1e-4)


def test_a_motor_that_stands_still_only_has_to_hold() -> None:
    still = replace(LEVEL, share=0.0)
    assert pair_of(NaiveTie(5.0, 900.0, 50000.0, (still,))) == pytest.approx((900.0, 30000.0, OWN, 0), rel=ROUNDING)
    assert pair_of(NaiveTie(5.0, math.inf, 20000.0, (still,))) == (math.inf, pytest.approx(20000.0), OWN, OWN)


def test_a_hollow_curve_is_searched_to_its_end() -> None:
    """Two valleys: a strong slow motor against a weak fast one; which is quicker hangs on the length alone."""
    hollow = NaiveDrive((0.0, 20.0, 25.0, 400.0), (60.0, 50.0, 2.0, 1.9), 1e-3, 0.0, 1.0)
    short, long = (pair_of(NaiveTie(length, 400.0, 90000.0, (hollow,))) for length in (0.05, 50.0))
    assert short.speed < 25.0 < long.speed
    assert long.acceleration < 2000.0 < short.acceleration


def test_two_motors_that_are_alike_are_as_good_as_one() -> None:
    for seed in range(200):
        tie = random_tie(seed)
        if tie.drives:
            doubled = replace(tie, drives=(*tie.drives[:3], tie.drives[0]))
            assert pair_of(doubled)[:2] == pair_of(replace(tie, drives=tie.drives[:3]))[:2]


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 10**9), st.floats(1.0, 5.0))
def test_a_stronger_drive_is_never_slower(seed: int, factor: float) -> None:
    """From stop to stop, and for one move alone: what is not promised is the time of a whole job."""
    tie = random_tie(seed)
    stronger = replace(
        tie,
        drives=tuple(replace(one, forces=tuple(factor * force for force in one.forces)) for one in tie.drives),
        steepest=tie.steepest * factor,
    )
    assert time_of(stronger, pair_of(stronger)) <= time_of(tie, pair_of(tie)) * (1.0 + ROUNDING)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 10**9), st.sampled_from([0.5, 2.0, 25.4]))
def test_the_unit_of_length_changes_nothing(seed: int, unit: float) -> None:
    tie = replace(random_tie(seed), length=min(random_tie(seed).length, 1e4))
    scaled = NaiveTie(
        tie.length * unit,
        tie.fastest * unit,
        tie.steepest * unit,
        tuple(
            replace(one, speeds=tuple(unit * speed for speed in one.speeds), mass=one.mass / unit) for one in tie.drives
        ),
        tie.advance * unit,
        tie.delay,
    )
    assert time_of(scaled, pair_of(scaled)) == pytest.approx(time_of(tie, pair_of(tie)), rel=ROUNDING)


# ---- blocks -----------------------------------------------------------------------------------------------------


def test_a_block_is_lowered_move_by_move() -> None:
    """Moves from the middle of a job, of two classes: each as it would be alone, and no other is touched."""
    drives = (
        NaiveDrive((0.0, 150.0, 300.0), (20.0, 12.0, 1.0), 1e-3, 2.0, 1.0),
        NaiveDrive((0.0, 400.0), (25.0, 5.0), 1.5e-3, 1.0, 0.5),
    )
    advance = np.array([[math.inf, 0.0], [6.0, 0.05]])
    n, begin, end = 40, 7, 33
    draw = np.random.default_rng(5)
    run_length, ratio = 10.0 ** draw.uniform(-2.0, 2.0, n), draw.uniform(0.0, 0.05, n) * (draw.random(n) < 0.8)
    classes = draw.integers(0, 2, n).astype(np.uint16)
    mass, share = draw.uniform(0.5e-3, 2e-3, (n, 2)), draw.uniform(0.0, 1.0, (n, 2))
    loads = np.ascontiguousarray(np.stack([mass, np.tile([2.0, 1.0], (n, 1)), share], axis=2))
    speed, steepest = draw.uniform(5.0, 400.0, end - begin), draw.uniform(500.0, 20000.0, end - begin)
    paces, sluggish, causes = 1.0 / speed, 1.0 / steepest, np.full((2, n), OWN, np.uint8)
    curves = curve_table([ForceCurve(np.array(one.speeds), np.array(one.forces)) for one in drives])
    ties = NO_TIES._replace(run_length=run_length, loads=loads, curves=curves)
    lower_block(tied_features(ratio, classes), ties, advance, begin, end, paces, sluggish, causes)
    named = {0: by.DRIVE_1, 1: by.DRIVE_2, 2: by.ADVANCE, OWN: OWN}
    for i in range(n):
        if not begin <= i < end:
            assert (causes[:, i] == OWN).all()
            continue
        at_tool = tuple(replace(one, mass=mass[i, k], share=share[i, k]) for k, one in enumerate(drives))
        most, delay = advance[classes[i]]
        tied = delay > 0.0 and ratio[i] > 0.0
        tie = NaiveTie(
            run_length[i],
            speed[i - begin],
            steepest[i - begin],
            at_tool,
            most / ratio[i] if tied else math.inf,
            delay if tied else 0.0,
        )
        alone = pair_of(tie)
        assert (1.0 / paces[i - begin], 1.0 / sluggish[i - begin]) == pytest.approx(alone[:2], rel=HAIR)
        assert causes[:, i].tolist() == [named[alone.holds_speed], named[alone.holds_acceleration]]
    assert len(set(causes.ravel().tolist())) == 4


@pytest.mark.parametrize("seed", range(40))
def test_a_run_is_as_long_as_its_moves(seed: int) -> None:
    moves = to_moves(random_job(seed))
    features = make_features(moves, np.zeros(moves.dx.size, np.uint16), CornerSettings())
    found = run_lengths(features.length, features.change, features.rest)
    begin = 0
    for i in range(1, moves.dx.size + 1):
        if i == moves.dx.size or features.rest[i] or features.change[i] > 0.0:
            assert found[begin:i] == pytest.approx(math.fsum(features.length[begin:i]), rel=HAIR)
            begin = i


def test_runs_by_hand() -> None:
    """Two moves straight on, a corner, a stop in the middle of a straight line."""
    length = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    change = np.array([0.0, 0.0, 1.4, 0.0, 0.0])
    rest = np.array([1, 0, 0, 0, 1, 1], np.uint8)
    assert run_lengths(length, change, rest).tolist() == [3.0, 3.0, 7.0, 7.0, 5.0]
