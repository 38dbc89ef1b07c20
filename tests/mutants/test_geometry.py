"""Corners and what ceilings see, by small exact paths: places at a distance, a long zigzag, lead-ins."""

from __future__ import annotations

import cmath
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.machine.mechanisms import LinearDelta
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.ceilings import hang_on_turns, is_unbounded, kicks, permits_steps
from kinematics.planner.corners import WINDOW_SLACK, place_ahead, place_behind
from kinematics.planner.cuts import last_known, lead_in
from kinematics.planner.features import CornerSettings, Drive, Features, make_features
from kinematics.planner.plan import PlanRoom, plan
from kinematics.planner.ties import NO_TIES
from tests.naive.planner_records import NaiveMove
from tests.naive.random_paths import to_moves
from tests.planner.test_batch import ramp_tables

Reals = NDArray[np.float64]
STEP, TURN = 2.0, 1.0  # mm, rad


@compiled
def places_around(travelled: Reals, corner: int, distance: float) -> tuple[int, int]:
    """The places of the curve rule on either side of a corner."""
    last = travelled.size - 1
    return place_behind(travelled, corner, 0, distance), place_ahead(travelled, corner, last, distance)


@pytest.mark.parametrize("seed", range(8))
def test_places_at_a_distance_are_those_of_a_search(seed: int) -> None:
    """From one place away to hundreds; the last one before it, the first behind it, or the ends."""
    rng = np.random.default_rng(seed)
    travelled = np.concatenate([[0.0], np.cumsum(rng.uniform(0.01, 0.1, 120))])
    for corner in rng.integers(1, 120, 12).tolist():
        for distance in (0.05, 0.3, rng.uniform(0.3, 0.7), 2.0, 50.0):
            least = travelled[corner] - (distance - WINDOW_SLACK)
            most = travelled[corner] + (distance - WINDOW_SLACK)
            behind = max(0, int(np.searchsorted(travelled, least, side="right")) - 1)
            ahead = min(120, int(np.searchsorted(travelled, most, side="left")))
            assert places_around(travelled, corner, distance) == (behind, ahead)


@pytest.mark.parametrize("steps", [3, 40])
def test_a_place_at_just_the_distance_is_one(steps: int) -> None:
    """A power of two away, in steps that are: no rounding. The slack is as large as a step of the last digits."""
    travelled = np.arange(-64.0, 65.0) * 2.0**-6
    distance = steps * 2.0**-6 + WINDOW_SLACK
    assert distance - WINDOW_SLACK == steps * 2.0**-6
    assert places_around(travelled, 64, distance) == (64 - steps, 64 + steps)


@pytest.mark.parametrize(("length", "short"), [(0.3, False), (0.3 - 3e-6, True)])
def test_a_run_of_just_the_length_is_not_short(length: float, short: bool) -> None:
    """Between straights it takes what they turn by together, 0.7 rad, or what it turns by itself, 0.3 and 0.4."""
    steps = [5.0 + 0.0j, length * cmath.exp(0.3j), 5.0 * cmath.exp(0.7j)]
    moves = to_moves([NaiveMove(dx=one.real, dy=one.imag, speed=50.0, kind="travel") for one in steps])
    found = make_features(moves, np.zeros(3, np.uint16), CornerSettings(short_run=0.3))
    cosines = [math.cos(0.5 * turn) for turn in ((0.7, 0.7) if short else (0.3, 0.4))]
    assert found.sharpness[1:] == pytest.approx([(1.0 - one) / one for one in cosines], rel=1e-9)


def zigzag(corners: int) -> Moves:
    """Lines of 2 mm that turn by one radian to and fro."""
    turns = [0.5 * TURN if k % 2 else -0.5 * TURN for k in range(corners + 1)]
    job = [NaiveMove(dx=STEP * math.cos(a), dy=STEP * math.sin(a), speed=50.0, kind="travel") for a in turns]
    return to_moves(job)


def features_of(moves: Moves) -> Features:
    """Features of one class, default corners."""
    return make_features(moves, np.zeros(moves.dx.size, np.uint16), CornerSettings())


def test_every_corner_of_a_long_zigzag_bends_alike() -> None:
    """κ = 2·sin ψ/|P_ahead − P_behind| through the neighbours (law of sines); sharpness by the half turn."""
    features = features_of(zigzag(300))
    chord = 2.0 * STEP * math.cos(0.5 * TURN)
    assert features.curvature[1:] == pytest.approx(np.full(300, 2.0 * math.sin(TURN) / chord), rel=1e-9)
    cosine = math.cos(0.5 * TURN)
    assert features.sharpness[1:] == pytest.approx(np.full(300, (1.0 - cosine) / cosine), rel=1e-9)
    assert features.change[1:] == pytest.approx(np.full(300, 2.0 * math.sin(0.5 * TURN)), rel=1e-9)
    assert features.corner_y[1:] == pytest.approx(np.ones(300), rel=1e-9)


def test_a_short_run_behind_a_stop_takes_no_turn_of_what_lies_before_it() -> None:
    """Up, a stop, 0.03 mm to the right and on by half a radian; a short run at the end, before a stop, as well."""
    long = 5.0 * cmath.exp(0.5j)
    steps = [5.0j, 0.03 + 0.0j, long, 0.03 * cmath.exp(0.9j), 5.0j]
    moves = to_moves(
        [
            NaiveMove(dx=one.real, dy=one.imag, speed=50.0, kind="travel", stop_before=k in (1, 4))
            for k, one in enumerate(steps)
        ]
    )
    found = features_of(moves)
    cosines = [math.cos(0.5 * turn) for turn in (0.5, 0.4)]
    assert found.sharpness[[2, 3]] == pytest.approx([(1.0 - one) / one for one in cosines], rel=1e-9)
    assert found.change[[2, 3]] == pytest.approx([2.0 * math.sin(0.5 * turn) for turn in (0.5, 0.4)], rel=1e-9)
    assert found.sharpness[[0, 1, 4]].tolist() == [0.0] * 3


def radius_through(a: complex, b: complex, c: complex) -> float:
    """Radius of the circle through three points: product of the sides over four times the area (school geometry)."""
    area = 0.5 * abs(((b - a).conjugate() * (c - a)).imag)
    return abs(b - a) * abs(c - b) * abs(c - a) / (4.0 * area)


@pytest.mark.parametrize("turn", [0.004, 0.04])
def test_a_small_piece_between_straights_is_a_curve_where_rounding_cannot_be_it(turn: float) -> None:
    """5 mm, 0.2 mm, 5 mm: to the place 0.25 mm ahead; where that may be rounding, to the far end of the straight."""
    steps = [5.0 + 0.0j, 0.2 * cmath.exp(1j * turn), 5.0 * cmath.exp(2j * turn)]
    moves = to_moves([NaiveMove(dx=one.real, dy=one.imag, speed=50.0, kind="travel") for one in steps])
    begin, first, second, end = np.cumsum([0.0, *steps]).tolist()
    beyond = second + 0.05 * cmath.exp(2j * turn) if turn > 0.012 else end
    before = first - 0.05 if turn > 0.012 else begin
    found = features_of(moves).curvature
    assert found[1] == pytest.approx(1.0 / radius_through(begin, first, beyond), rel=1e-6)
    assert found[2] == pytest.approx(1.0 / radius_through(before, second, end), rel=1e-6)


def test_what_ceilings_see_by_hand() -> None:
    """Lines of 2 mm: 3 mm of path before node 20 lie within the two moves before it, none within the one."""
    features = features_of(zigzag(30))
    assert lead_in(features, 20, by.Sight(behind=3.0)) == 20 - 2
    assert lead_in(features, 20, by.Sight()) == 20 - 1
    assert lead_in(features, 1, by.Sight(behind=3.0)) == 0
    near, far = last_known(features, by.Sight(ahead=0.5)), last_known(features, by.Sight(ahead=9.0))
    assert near - far == 4  # 8.5 mm more are more than four lines
    assert last_known(features, by.Sight(ahead=0.5, moves_ahead=9)) == 31 - 9


@pytest.mark.parametrize("block", [1024, 16])
def test_a_batch_is_certain_as_far_as_a_plan_is(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a straight of 40 half millimetres at 10 mm/s² and 10 mm/s: eleven moves before what is known."""
    monkeypatch.setattr("kinematics.planner.plan.BLOCK", block)
    monkeypatch.setattr("kinematics.planner.batch.BATCH_BLOCK", block)
    moves = to_moves([NaiveMove(dx=0.5, speed=10.0, kind="travel")] * 40)
    features, (table,) = features_of(moves), ramp_tables([10.0], 10.0)
    alone = plan(features, table, known=38)
    batch = batch_times(batch_features(features, np.zeros(40, np.int32)), [table], known=38)
    assert batch.certain.tolist() == [alone.certain.move] == [29]
    assert batch.square == pytest.approx([100.0])
    assert batch.motion == pytest.approx([alone.duration[:29].sum()], rel=1e-9)


HELD_BY: dict[str, tuple[dict[str, float], dict[str, float]]] = {  # columns and features that admit 100 mm/s² each
    "the path": ({"PATH_RAMP": 100.0}, {}),
    "rounding": ({"ROUNDING_RAMP": 0.05}, {"lead": 5e-4}),
    "a motor": ({"MOTOR_2_RAMP": 50.0}, {"motor": 0.5}),
    "a motor at the corner": ({"MOTOR_2_RAMP": 50.0}, {"motor_corner": 0.5}),
}


def corner_before_a_straight(pieces: int, speed: float) -> Moves:
    """Two lines of 5 mm, a turn of 0.2 rad, and a straight of 4 mm a piece; only the line before it has a `speed`."""
    job = [NaiveMove(dx=5.0, speed=90.0, kind="travel"), NaiveMove(dx=4.0, dy=3.0, speed=speed, kind="travel")]
    angle = math.atan2(3.0, 4.0) + 0.2
    straight = NaiveMove(dx=4.0 * math.cos(angle), dy=4.0 * math.sin(angle), speed=90.0, kind="travel")
    return to_moves([*job, *[straight] * pieces])


@pytest.mark.parametrize("held_by", HELD_BY)
@pytest.mark.parametrize("capped", [20.0, 30.0, 40.0])
def test_the_end_of_a_long_straight_is_of_no_account_to_the_corner_before_it(
    held_by: str, capped: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A circle through its far end has R = D/2 at least; v² <= 100·D/2 admits 20 mm/s beyond 8 mm, 30 beyond 18."""
    monkeypatch.setattr("kinematics.planner.cuts.STRAIGHT", 3)
    columns, made = HELD_BY[held_by]
    table = np.full((1, by.LIMITS), math.inf)
    table[0, by.SPEED_SHARE] = 1.0
    weak = table.copy()  # wants to see ten times as far
    for name, value in columns.items():
        table[0, getattr(by, name)], weak[0, getattr(by, name)] = value, 0.1 * value
    for pieces in range(1, 12):
        moves = corner_before_a_straight(pieces, capped)
        size = moves.dx.size
        found = features_of(moves)
        rows: dict[str, Any] = {"motor": np.zeros((2, size)), "motor_corner": np.zeros((2, size))}
        for name, value in made.items():
            rows[name] = np.full(size, value) if name == "lead" else np.array([[0.0], [value]]) * np.ones(size)
        found = found._replace(**rows)
        settled = pieces > 3 and 4.0 * pieces * 50.0 > capped**2
        assert last_known(found, by.Sight(0.25, 0.25), [table]) == (size - 2 if settled else 1)
        assert last_known(found, by.Sight(0.25, 0.25), [table, weak]) == 1
        assert last_known(found, by.Sight(0.25, 0.25)) == 1
    # Where ceilings see half as far as the straight of 44 mm is long, its end counts, of both corners ahead.
    assert last_known(found, by.Sight(0.25, 22.1), [table]) == 0
    assert last_known(found, by.Sight(22.1, 0.25), [table]) == 1
    assert last_known(found, by.Sight(21.9, 21.9), [table]) == size - 2


def test_a_plan_in_used_memory_is_the_plan() -> None:
    """One room for a long job, a shorter one and a longer one."""
    room = PlanRoom()
    (table,) = ramp_tables([800.0], 60.0)
    for corners in (20, 5, 40):
        features = features_of(zigzag(corners))
        found, fresh = plan(features, table, room=room.room(corners + 1, 1)), plan(features, table)
        for one, other in zip(found[:-1], fresh[:-1], strict=True):
            assert np.array_equal(np.asarray(one), np.asarray(other))


def test_of_equal_ceilings_the_first_is_the_cause() -> None:
    """Every ceiling of speed and of acceleration the same; then without the first of them, and so on."""
    made: dict[str, Any] = dict.fromkeys(("x", "y", "z", "ratio", "lead"), np.ones(4))
    features = features_of(zigzag(3))._replace(**made, motor=np.ones((3, 4)), pace=np.full(4, 1.0 / 64.0))
    features = features._replace(motor_corner=np.ones((3, 4)))
    features = features._replace(rest=np.ones(5, np.uint8), rounded=np.zeros(4))
    speeds = (
        by.SPEED_SHARE,
        by.CAP,
        *range(by.X_MOST, by.FILAMENT_MOST + 1),
        *range(by.MOTOR_1_MOST, by.MOTOR_3_MOST + 1),
    )
    ramps = (*range(by.PATH_RAMP, by.FILAMENT_RAMP + 1), *range(by.MOTOR_1_RAMP, by.MOTOR_3_RAMP + 1), by.ROUNDING_RAMP)
    slow = (*range(by.COMMANDED_SPEED, by.MOTOR_3_SPEED + 1),)
    held = (*range(by.PATH_ACCELERATION, by.FILAMENT_ACCELERATION + 1), *range(by.MOTOR_1_ACCELERATION, by.CAUSES))
    table = np.full((1, by.LIMITS), math.inf)
    table[0, speeds], table[0, ramps] = 64.0, 4096.0
    table[0, by.SPEED_SHARE] = 1.0
    for k, cause in enumerate((*held, by.ROUNDING_ACCELERATION)):
        assert plan(features, table).ramp_cause.tolist() == [cause] * 4
        table[0, ramps[k]] = math.inf
    table[0, by.PATH_RAMP] = 1e9
    for k, cause in enumerate(slow):
        assert plan(features, table).cruise_cause.tolist() == [cause] * 4
        table[0, speeds[k]] = math.inf


@pytest.mark.parametrize("carriage", range(3))
def test_of_the_carriages_the_one_that_is_pulled_at_steady_speed_is_the_cause(carriage: int) -> None:
    """v² = 0.2·800/c of one of three, c = 0.1/mm: 40 mm/s, held at them on 30 mm of way."""
    bend = np.zeros((3, 4))
    bend[carriage] = 0.1
    features = features_of(zigzag(3))._replace(rest=np.ones(5, np.uint8), length=np.full(4, 30.0))
    features = features._replace(motor=np.ones((3, 4)), motor_corner=np.ones((3, 4)), bend=bend)
    table = np.full((1, by.LIMITS), math.inf)
    table[0, by.MOTOR_1_RAMP : by.MOTOR_3_RAMP + 1] = 800.0
    found = plan(features, table)
    assert found.speed_peak == pytest.approx([40.0] * 4)
    assert found.cruise_cause.tolist() == [by.MOTOR_1_STEADY + carriage] * 4


@pytest.mark.parametrize("block", [1024, 16, 5])
def test_steady_speed_of_carriages_is_each_moves_own(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """v² = 0.2·B_k/c_k, the least of three carriages and of 120 mm/s; 0.8·B_k/j_k for ramps, by the trapezoid.

    Three classes whose carriages give unlike accelerations, straight on from rest to rest: a node keeps to the slower
    of both moves. Straight pieces, with which no carriage bends (c = 0), keep to 120 mm/s.
    """
    monkeypatch.setattr("kinematics.planner.plan.BLOCK", block)
    monkeypatch.setattr("kinematics.planner.batch.BATCH_BLOCK", block)
    monkeypatch.setattr("kinematics.planner.ceilings.VOTER_EVERY", 2)
    rng, moves = np.random.default_rng(block), 36
    bend = 10.0 ** rng.uniform(-2.5, -0.5, (3, moves)) * (rng.random((3, moves)) < 0.7)
    shares, classes = rng.uniform(0.3, 1.4, (3, moves)), rng.choice(3, moves, p=[0.25, 0.5, 0.25])
    table = np.full((3, by.LIMITS), math.inf)
    table[:, by.CAP] = 120.0
    table[:, by.MOTOR_1_RAMP : by.MOTOR_3_RAMP + 1] = gives = rng.uniform(400.0, 4000.0, (3, 3))
    straight = features_of(zigzag(moves - 1))
    features = straight._replace(
        length=np.full(moves, 60.0), pace=np.zeros(moves), move_class=classes.astype(np.uint16), motor=shares,
        motor_corner=np.zeros((3, moves)), bend=bend, sharpness=np.zeros(moves), curvature=np.zeros(moves),
    )  # fmt: skip
    with np.errstate(divide="ignore"):
        steady = np.vstack([np.full(moves, 120.0), np.sqrt(0.2 * gives[classes].T / bend)])
    top, cause = steady.min(axis=0), np.array([by.SPEED_CAP, *range(by.MOTOR_1_STEADY, by.MOTOR_3_STEADY + 1)])
    ramp = (0.8 * gives[classes].T / shares).min(axis=0)
    node = np.concatenate([[0.0], np.minimum(top[1:], top[:-1]), [0.0]])
    up, down = (top - node[:-1]) / ramp, (top - node[1:]) / ramp
    way = 0.5 * (top + node[:-1]) * up + 0.5 * (top + node[1:]) * down
    assert (way < 60.0).all()
    found = plan(features, table)
    assert found.speed_peak == pytest.approx(top, rel=1e-12)
    assert found.speed_in == pytest.approx(node[:-1], rel=1e-12)
    assert found.cruise_cause.tolist() == cause[steady.argmin(axis=0)].tolist()
    expected = up + down + (60.0 - way) / top
    assert found.duration == pytest.approx(expected, rel=1e-11)
    other = table.copy()
    other[:, by.MOTOR_1_RAMP : by.MOTOR_3_RAMP + 1] *= 0.9
    batch = batch_times(batch_features(features, np.zeros(moves, np.int32)), [table, other])
    assert batch.motion == pytest.approx([expected.sum(), plan(features, other).duration.sum()], rel=1e-11)


def test_what_the_columns_of_a_table_ask_for() -> None:
    """Column by column: which hang on how much each axis changes, which permit steps, and which are of a budget."""
    for column in range(by.LIMITS):
        table = np.full((2, by.LIMITS), math.inf)
        table[1, column] = 7.0
        assert hang_on_turns(table) == (by.X_STEP <= column <= by.Y_SWING_ADDED), column
        assert permits_steps(table) == (by.X_STEP <= column <= by.FILAMENT_STEP), column
        assert kicks(table) == (column in (by.X_KICK, by.Y_KICK)), column


def test_a_motor_without_a_limit_bounds_nothing() -> None:
    """Its share alone is no ceiling of speed, nor of acceleration."""
    features = features_of(zigzag(3))
    driven: Any = features._replace(motor=np.ones((2, 4)))
    assert not bounded(driven, CAP=50.0)
    assert not bounded(driven._replace(pace=np.zeros(4)), PATH_RAMP=500.0)
    assert bounded(driven, CAP=50.0, MOTOR_2_RAMP=500.0)


def bounded(features: Features, **columns: float) -> bool:
    """Whether every move is bounded under these columns alone."""
    table = np.full((1, by.LIMITS), math.inf)
    for name, value in columns.items():
        table[0, getattr(by, name)] = value
    return not is_unbounded(features, table, np.array([[math.inf, 0.0]]), NO_TIES)


@pytest.mark.parametrize("column", ["SPEED_REPLACED", "CAP", "X_MOST"])
def test_moves_need_a_ceiling_of_speed_and_one_of_acceleration(column: str) -> None:
    """Either alone is not enough; rounding holds acceleration, coupled motors both."""
    features = features_of(zigzag(3))
    assert bounded(features, **{column: 50.0}, PATH_RAMP=500.0)
    assert bounded(features, **{column: 50.0}, X_RAMP=500.0)
    assert not bounded(features._replace(pace=np.zeros(4)), PATH_RAMP=500.0)
    assert not bounded(features, **{column: 50.0})
    rounded = features._replace(lead=np.full(4, 1e-4))
    assert bounded(rounded, **{column: 50.0}, ROUNDING_RAMP=0.05)
    assert not bounded(rounded, **{column: 50.0})
    assert not bounded(features, **{column: 50.0}, ROUNDING_RAMP=0.05)
    driven: Any = features._replace(motor=np.ones((2, 4)), bend=np.full((2, 4), 1e-3))
    assert bounded(driven, MOTOR_1_RAMP=900.0)
    assert bounded(driven._replace(bend=np.empty((0, 4))), MOTOR_1_MOST=90.0, MOTOR_1_RAMP=900.0)
    assert not bounded(driven._replace(bend=np.empty((0, 4)), pace=np.zeros(4)), MOTOR_1_RAMP=900.0)


@pytest.mark.parametrize(
    ("columns", "advance", "made", "enough"),
    [
        ({"MOVE_RATE": 9.0}, (math.inf, 0.0), {"move_reach": np.ones(4)}, False),
        ({"MOVE_RATE": 9.0, "PATH_RAMP": 9.0}, (math.inf, 0.0), {"move_reach": np.ones(4)}, True),
        ({"MOVE_RATE": 9.0, "PATH_RAMP": 9.0}, (math.inf, 0.0), {"byte_reach": np.ones(4)}, False),
        ({"BYTE_RATE": 9.0, "PATH_RAMP": 9.0}, (math.inf, 0.0), {"byte_reach": np.ones(4)}, True),
        ({"CAP": 9.0}, (math.inf, 0.0), {"loads": np.ones((1, 3, 4))}, True),
        ({"CAP": 9.0}, (math.inf, 0.0), {"loads": np.ones((1, 3, 4)) * [[0.0], [1.0], [1.0]]}, False),
        ({"PATH_RAMP": 9.0}, (math.inf, 0.0), {"loads": np.ones((2, 3, 4)) * [[0.0], [0.0], [1.0]]}, True),
        ({"PATH_RAMP": 9.0}, (math.inf, 0.0), {"loads": np.ones((1, 3, 4)) * [[1.0], [1.0], [0.0]]}, False),
        ({}, (3.0, 0.1), {}, True),
        ({}, (3.0, 0.0), {}, False),
    ],
)
def test_ties_give_moves_a_ceiling(
    columns: dict[str, float], advance: tuple[float, float], made: dict[str, Any], enough: bool
) -> None:
    """Commands a second of speed, a motor's mass of acceleration and its turning of speed, pressure advance of both."""
    features = features_of(zigzag(3))._replace(pace=np.zeros(4), ratio=np.full(4, 0.04))
    table = np.full((1, by.LIMITS), math.inf)
    for name, value in columns.items():
        table[0, getattr(by, name)] = value
    assert is_unbounded(features, table, np.array([advance]), NO_TIES._replace(**made)) is not enough
    partly = features._replace(ratio=np.array([0.04, 0.04, 0.0, 0.04]))
    if not columns:
        assert is_unbounded(partly, table, np.array([advance]), NO_TIES)


@pytest.mark.parametrize("seed", range(6))
def test_carriages_of_a_delta_by_differences_of_their_heights(seed: int) -> None:
    """Speed and acceleration of each carriage at unit speed along a short move, from h = z + √(L² − distance²)."""
    delta = LinearDelta(250.0, 125.0, tuple(math.radians(angle) for angle in (210.0, 330.0, 90.0)))
    rng = np.random.default_rng(seed)
    start, heading = rng.uniform(-70.0, 70.0, 3), rng.normal(size=3)
    step = 1e-3 * heading / math.hypot(*heading)
    towers = 125.0 * np.exp(1j * np.radians([210.0, 330.0, 90.0]))

    def carriages(along: float) -> Reals:
        x, y, z = start + along / 1e-3 * step
        return np.asarray(z + np.sqrt(250.0**2 - np.abs(towers - (x + 1j * y)) ** 2))

    size = 0.5
    speed = (carriages(size) - carriages(-size)) / (2.0 * size)
    pull = (carriages(size) - 2.0 * carriages(0.0) + carriages(-size)) / size**2
    moves = to_moves([NaiveMove(*step.tolist(), speed=50.0, kind="travel")])
    drive = Drive(delta, start[:, None])
    found = make_features(moves, np.zeros(1, np.uint16), CornerSettings(), drive)
    assert found.motor[:, 0] == pytest.approx(np.abs(speed), rel=1e-4, abs=1e-5)
    assert found.bend[:, 0] == pytest.approx(np.abs(pull), rel=1e-4)


def test_of_a_long_move_of_a_delta_the_worse_end_counts() -> None:
    """Past the tower at 90°: the carriage's speed and pull at either end, whichever way it goes, by hand."""
    delta = LinearDelta(250.0, 125.0, tuple(math.radians(angle) for angle in (210.0, 330.0, 90.0)))
    height, reach = math.sqrt(250.0**2 - 100.0**2 - 125.0**2), 100.0
    for sign in (1.0, -1.0):
        begin = np.array([[0.0], [0.0], [0.0]]) if sign > 0.0 else np.array([[-reach], [0.0], [0.0]])
        moves = to_moves([NaiveMove(dx=-reach if sign > 0.0 else reach, speed=50.0, kind="travel")])
        found = make_features(moves, np.zeros(1, np.uint16), CornerSettings(), Drive(delta, begin))
        assert found.motor[2, 0] == pytest.approx(reach / height, rel=1e-12)
        assert found.bend[2, 0] == pytest.approx((1.0 + (reach / height) ** 2) / height, rel=1e-12)
