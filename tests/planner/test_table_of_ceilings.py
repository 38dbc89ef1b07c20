"""Single plans and batches held against the table of ceilings: each row binds by its feature, and by nothing else."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.gcode.moves import PRINT, Moves
from kinematics.limits import columns as by
from kinematics.limits.columns import CEILINGS, OF_NODE_RAMP, OF_NODE_SPEED, OF_RAMP, OF_SPEED, Ceiling
from kinematics.limits.combine import CAPS, EVERY_KIND, limits_of
from kinematics.machine import Machine
from kinematics.machine.mechanisms import LinearDelta
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.features import CornerSettings, Drive, Features, make_features
from kinematics.planner.plan import Plan, plan
from kinematics.planner.ties import Ties, make_ties

Reals = NDArray[np.float64]

ROUNDING = 1e-9  # relative
STEADY_SHARE, RAMP_SHARE = 0.2, 0.8  # of what a delta's motor may accelerate by: at steady speed, and for ramps
MOVES = 400
DELTA = LinearDelta(500.0, 250.0, (math.radians(210.0), math.radians(330.0), math.radians(90.0)))
WITH_COLUMNS = [one for one in CEILINGS if one.column is not None]
LOW = {  # of each column so low that it holds some moves and not all
    by.SPEED_SHARE: 0.2, by.SPEED_REPLACED: 30.0, by.CAP: 60.0, by.X_MOST: 40.0, by.Y_MOST: 40.0, by.Z_MOST: 4.0,
    by.FILAMENT_MOST: 2.0, by.PATH_RAMP: 1500.0, by.X_RAMP: 900.0, by.Y_RAMP: 900.0, by.Z_RAMP: 90.0,
    by.FILAMENT_RAMP: 60.0, by.DEVIATION: 0.002, by.X_STEP: 3.0, by.Y_STEP: 3.0, by.Z_STEP: 0.4,
    by.FILAMENT_STEP: 0.1, by.X_KICK: 3.0, by.Y_KICK: 3.0, by.X_SWING: 25000.0, by.Y_SWING: 25000.0,
    by.X_SWING_ADDED: 25000.0, by.Y_SWING_ADDED: 25000.0,
    by.MOTOR_1_MOST: 40.0, by.MOTOR_2_MOST: 40.0, by.MOTOR_3_MOST: 40.0,
    by.MOTOR_1_RAMP: 200.0, by.MOTOR_2_RAMP: 200.0, by.MOTOR_3_RAMP: 200.0, by.ROUNDING: 0.02,
    by.ROUNDING_RAMP: 0.05, by.MOVE_RATE: 12.0, by.BYTE_RATE: 300.0,
}  # fmt: skip
SWINGS = {
    by.X_SWING: by.X_KICK, by.Y_SWING: by.Y_KICK, by.X_SWING_ADDED: by.X_KICK, by.Y_SWING_ADDED: by.Y_KICK,
}  # fmt: skip


def name_of(ceiling: Ceiling) -> str:
    return f"{ceiling.bounds} by {ceiling.feature or 'the limit'} {ceiling.column}"


@pytest.fixture(scope="module")
def job() -> tuple[Features, Ties]:
    """A path in all directions on a delta whose motors are limited, with uneven filament and bytes."""
    random = np.random.default_rng(7)
    steps = random.uniform(-6.0, 6.0, (3, MOVES)) * [[1.0], [1.0], [0.1]]
    length = np.sqrt((steps**2).sum(axis=0))
    moves = Moves(
        *steps,
        length * random.uniform(0.02, 0.06, MOVES),
        np.full(MOVES, 150.0),
        np.full(MOVES, PRINT, np.int8),
        np.arange(1, MOVES + 1, dtype=np.int32),
        np.ones(MOVES, np.int32),
        np.zeros(MOVES, np.uint8),
    )
    starts = np.cumsum(np.hstack([[[0.0], [0.0], [50.0]], steps[:, :-1]]), axis=1)
    features = make_features(moves, np.zeros(MOVES, np.uint16), CornerSettings(), Drive(DELTA, starts))
    ties = make_ties(moves, features, None, (), 4, True, random.integers(10, 60, MOVES).astype(np.float64))
    return features, ties


def filtered(job: tuple[Features, Ties], column: int) -> tuple[Features, Ties]:
    """The job with what filters round off where a column is about that: numbers of a path made up here."""
    features, ties = job
    if column not in (by.ROUNDING, by.ROUNDING_RAMP):
        return job
    random = np.random.default_rng(8)
    held = random.random((2, MOVES)) < 0.3
    lead = random.uniform(1e-5, 4e-4, MOVES) * (held[0] & (column == by.ROUNDING_RAMP))
    rounded = random.uniform(0.02, 1.0, MOVES) * (held[1] & (column == by.ROUNDING))
    return features._replace(lead=lead, rounded=rounded), ties


def table(*columns: int) -> Reals:
    """Generous limits everywhere, and low ones in some columns."""
    limits = np.full((1, by.LIMITS), math.inf)
    limits[0, [by.SPEED_SHARE, by.PATH_RAMP, by.CAP, by.DEVIATION]] = 1.0, 20000.0, 400.0, 0.2
    for column in columns:
        limits[0, column] = LOW[column]
        if column in SWINGS:  # what a step of acceleration leaves of a sudden change of speed
            limits[0, SWINGS[column]] = LOW[SWINGS[column]]
    if by.SPEED_REPLACED in columns:
        limits[0, by.SPEED_SHARE] = 0.0
    return limits


def planned(job: tuple[Features, Ties], limits: Reals) -> Plan:
    return plan(job[0], limits, 4, ties=job[1])


def feature_of(ceiling: Ceiling, features: Features, ties: Ties) -> Reals:
    """The feature of a row, one entry a move or node."""
    if not ceiling.feature:
        return np.ones(MOVES)
    found = getattr(features, ceiling.feature, None)
    found = np.asarray(getattr(ties, ceiling.feature) if found is None else found)
    if found.ndim == 1:
        return found
    if ceiling.feature == "turn":
        first = by.X_STEP if (ceiling.column or 0) < by.X_KICK else by.X_KICK
        return np.asarray(found[(ceiling.column or 0) - first])
    return np.asarray(found[ceiling.motor])


def allowed(ceiling: Ceiling, features: Features, ties: Ties) -> Reals:
    """What a row alone allows: speed or acceleration of each move."""
    with np.errstate(divide="ignore"):
        quotient = LOW[ceiling.column or 0] / feature_of(ceiling, features, ties)
    if ceiling.feature == "bend":
        return np.sqrt(STEADY_SHARE * quotient)
    return RAMP_SHARE * quotient if ceiling.feature == "motor" and ceiling.bounds == OF_RAMP else quotient


def test_every_number_has_its_row() -> None:
    assert {one.column for one in WITH_COLUMNS} == set(range(by.LIMITS)) == set(LOW)
    assert {one.cause for one in CEILINGS} == set(range(by.CAUSES)) == set(by.OF_CAUSE)
    # A sum of seconds has one name: rows of one cause that are told apart would be two causes.
    assert all(len({one.words for one in CEILINGS if one.cause == cause} - {""}) == 1 for cause in range(by.CAUSES))


@pytest.mark.parametrize("ceiling", [one for one in WITH_COLUMNS if one.bounds in (OF_SPEED, OF_RAMP)], ids=name_of)
def test_a_row_holds_moves_to_limit_over_feature(job: tuple[Features, Ties], ceiling: Ceiling) -> None:
    assert ceiling.column is not None
    job = filtered(job, ceiling.column)
    found, most = planned(job, table(ceiling.column)), allowed(ceiling, *job)
    told, causes = (
        (found.speed_peak, found.cruise_cause) if ceiling.bounds == OF_SPEED else (found.acceleration, found.ramp_cause)
    )
    held = causes == ceiling.cause
    assert held.any()
    assert told[held] == pytest.approx(most[held], rel=ROUNDING)
    assert (told <= most * (1.0 + ROUNDING)).all()
    assert found.seconds[0, ceiling.cause] > 0.0


@pytest.mark.parametrize(
    "ceiling", [one for one in WITH_COLUMNS if one.bounds in (OF_NODE_RAMP, OF_NODE_SPEED)], ids=name_of
)
def test_a_row_holds_nodes(job: tuple[Features, Ties], ceiling: Ceiling) -> None:
    """v² max(sharpness/δ, κ) <= a, with a that of both moves and limit over feature; or v times feature the limit."""
    assert ceiling.column is not None
    generous = planned(job, table()).speed_in[1:]
    job = filtered(job, ceiling.column)
    features, limits = job[0], table(ceiling.column)
    found, low = planned(job, limits), LOW[ceiling.column]
    feature, speed = feature_of(ceiling, *job)[1:], found.speed_in[1:]
    acceleration = np.minimum(found.acceleration[1:], found.acceleration[:-1])
    if ceiling.bounds == OF_NODE_RAMP:
        bend = np.maximum(features.sharpness / limits[0, by.DEVIATION], features.curvature)[1:]
        share = speed**2 * bend * feature / low
    elif ceiling.column == by.DEVIATION:
        share = speed**2 * feature / (low * acceleration)
    elif ceiling.column == by.ROUNDING:
        share = speed * feature  # made for one budget
    elif ceiling.column in SWINGS:
        axis = "xy".index(ceiling.feature)
        turn, kick = features.turn[axis][1:], LOW[SWINGS[ceiling.column]]
        before, after = getattr(features, ceiling.feature)[:-1], getattr(features, ceiling.feature)[1:]
        sign = np.where(turn > np.maximum(before, after), -1.0, 1.0)
        each = np.abs(found.acceleration[:-1] * before + sign * found.acceleration[1:] * after)
        step = np.maximum(acceleration * np.abs(before + sign * after), each) / low
        square = ceiling.column in (by.X_SWING, by.Y_SWING)
        share = np.hypot(speed * turn / kick, step) if square else speed * turn / kick + step
        share[step > 0.97] = 0.0  # where the kick of acceleration alone uses up nearly all, a little is left
    else:
        share = speed * feature / low
    assert share.max() == pytest.approx(1.0, rel=ROUNDING)
    assert (speed < generous * (1.0 - ROUNDING)).any()


@pytest.mark.parametrize("column", sorted(LOW))
def test_batches_take_what_single_plans_take(job: tuple[Features, Ties], column: int) -> None:
    """Column by column, in one row of lanes with generous limits; but for what is planned singly."""
    plain = plan(job[0], table(), 4).duration.sum()
    job = filtered(job, column)
    features, _ = job
    (singly,) = {one.hangs_on == by.ON_COMMANDS for one in WITH_COLUMNS if one.column == column}
    tables = [table(), table(column)]
    alone = [plan(features, limits, 4).duration.sum() for limits in tables]
    times = batch_times(batch_features(features, np.ones(MOVES, np.int32)), tables, 4).motion
    assert times == pytest.approx(alone, rel=ROUNDING)
    assert planned(job, tables[1]).duration.sum() > plain * (1.0 + 1e-6)
    assert (alone[1] > plain) != singly


def test_caps_lower_columns_that_the_table_knows() -> None:
    """Each cap of the table of caps, given in a machine, is the origin of its column and holds no less."""
    machine = Machine().with_settings(
        {
            "hotend.max_flow_mm3_s": 8.0,
            "vibration.x.filter": "ZVD",
            "vibration.y.filter": "ZV",
            "vibration.x.modes": [{"frequency_hz": 40.0, "damping_ratio": 0.05}],
            "vibration.y.modes": [{"frequency_hz": 30.0, "damping_ratio": 0.05}],
            "quality.rounding_budget_mm": 0.05,
            "quality.ringing_budget_mm": 0.02,
            "controller.moves_per_s": 500.0,
            "controller.bytes_per_s": 9000.0,
        },
        "test",
    )
    limits = limits_of(machine, EVERY_KIND)
    for cap in CAPS:
        value = cap.value(machine, EVERY_KIND[0])
        assert value is not None
        if value == math.inf:  # both modes are damped: their swings add up
            assert cap.column in (by.X_SWING, by.Y_SWING)
            continue
        assert limits.values[0, cap.column] <= value
        assert any(limits.origins[0, one.column] == one.key for one in CAPS if one.column == cap.column)
    assert {one.column for one in CAPS} <= {one.column for one in CEILINGS}


def test_what_is_in_force_says_what_must_be_at_hand() -> None:
    plain = limits_of(Machine(), EVERY_KIND)
    assert not plain.need_every_move
    around = by.Surroundings(0.25, 40, 3.0)
    assert plain.sight(around) == by.Sight(0.25, 0.25, 0.0)
    rated = limits_of(Machine().with_settings({"controller.moves_per_s": 500.0}, "test"), EVERY_KIND)
    assert rated.need_every_move
    assert rated.ties
    assert rated.sight(around) == by.Sight(0.25, 0.25, 40)
    pressed = {"filament.pressure_advance_s": 0.1, "axes.e.max_speed_mm_s": 10.0}
    assert limits_of(Machine().with_settings(pressed, "test"), EVERY_KIND).sight(around).ahead == math.inf
    belts = {"machine.mechanism": "crossed-belt", "motors.a.max_speed_mm_s": 100.0}
    coupled = limits_of(Machine().with_settings(belts, "test"), EVERY_KIND)
    assert not coupled.need_every_move
    assert not coupled.ties
    told = {"vibration.x.filter": "ZV", "vibration.x.filter_frequency_hz": 40.0, "quality.rounding_budget_mm": 0.05}
    rounded = limits_of(Machine().with_settings(told, "test"), EVERY_KIND)
    assert not rounded.need_every_move
    assert rounded.sight(around) == by.Sight(3.0, 3.0, 0.0)
