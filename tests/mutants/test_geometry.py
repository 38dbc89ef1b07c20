"""Corners and what ceilings see, by small exact paths: places at a distance, a long zigzag, lead-ins."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.ceilings import is_unbounded
from kinematics.planner.corners import WINDOW_SLACK, place_ahead, place_behind
from kinematics.planner.cuts import last_known, lead_in
from kinematics.planner.features import CornerSettings, Features, make_features
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


def test_what_ceilings_see_by_hand() -> None:
    """Lines of 2 mm: 3 mm of path before node 20 lie within the two moves before it, none within the one."""
    features = features_of(zigzag(30))
    assert lead_in(features, 20, by.Sight(behind=3.0)) == 20 - 2
    assert lead_in(features, 20, by.Sight()) == 20 - 1
    assert lead_in(features, 1, by.Sight(behind=3.0)) == 0
    near, far = last_known(features, by.Sight(ahead=0.5)), last_known(features, by.Sight(ahead=9.0))
    assert near - far == 4  # 8.5 mm more are more than four lines
    assert last_known(features, by.Sight(ahead=0.5, moves_ahead=9)) == 31 - 9


def test_a_batch_is_certain_as_far_as_a_plan_is() -> None:
    """On a straight of 40 half millimetres at 10 mm/s² and 10 mm/s: eleven moves before what is known."""
    moves = to_moves([NaiveMove(dx=0.5, speed=10.0, kind="travel")] * 40)
    features, (table,) = features_of(moves), ramp_tables([10.0], 10.0)
    alone = plan(features, table, known=38)
    batch = batch_times(batch_features(features, np.zeros(40, np.int32)), [table], known=38)
    assert batch.certain.tolist() == [alone.certain.move] == [29]
    assert batch.square == pytest.approx([100.0])
    assert batch.motion == pytest.approx([alone.duration[:29].sum()], rel=1e-9)


def test_a_plan_in_used_memory_is_the_plan() -> None:
    """One room for a long job, a shorter one and a longer one."""
    room = PlanRoom()
    (table,) = ramp_tables([800.0], 60.0)
    for corners in (20, 5, 40):
        features = features_of(zigzag(corners))
        found, fresh = plan(features, table, room=room.room(corners + 1, 1)), plan(features, table)
        for one, other in zip(found[:-1], fresh[:-1], strict=True):
            assert np.array_equal(np.asarray(one), np.asarray(other))


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
    assert not bounded(features, **{column: 50.0}, ROUNDING_RAMP=0.05)
    driven: Any = features._replace(motor=np.ones((2, 4)), bend=np.full((2, 4), 1e-3))
    assert bounded(driven, MOTOR_1_RAMP=900.0)
    assert bounded(driven._replace(bend=np.empty((0, 4))), MOTOR_1_MOST=90.0, MOTOR_1_RAMP=900.0)
    assert not bounded(driven._replace(bend=np.empty((0, 4)), pace=np.zeros(4)), MOTOR_1_RAMP=900.0)
