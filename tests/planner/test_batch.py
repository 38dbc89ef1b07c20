"""Batches against single plans: the same jobs under the same tables, candidate by candidate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.jobs.prepared import PreparedJob
from kinematics.lanes import LANES
from kinematics.limits import columns as by
from kinematics.limits.classes import classify
from kinematics.limits.combine import limits_of
from kinematics.machine import Machine, load_machine
from kinematics.planner.batch import BATCH_BLOCK, batch_features, batch_times
from kinematics.planner.ceilings import hang_on_turns
from kinematics.planner.features import Features
from kinematics.planner.plan import plan
from tests.naive.planner_records import NaiveMove
from tests.naive.random_motors import MECHANISMS, with_motors
from tests.naive.random_paths import random_job, random_limits, to_moves
from tests.planner.from_naive import expressible, features_of, machine_from

Reals = NDArray[np.float64]

ROUNDING = 1e-9  # relative: what is promised
NANOSECOND = 1e-9  # s, of the time before one move or of one layer beside hours
MOST = 20  # candidates at a time: two rows and a half
JOBS = 20 if numba.config.DISABLE_JIT else 150
SAMPLES = sorted((Path(__file__).parents[2] / "sample_gcode").glob("*.gcode"))
MOTORS = {
    "cartesian": {"motors.x.max_speed_mm_s": 150, "motors.e.max_acceleration_mm_s2": 900},
    "crossed-belt": {"motors.a.max_speed_mm_s": 140, "motors.b.max_acceleration_mm_s2": 1100},
    "linear-delta": {
        "machine.delta": {"arm_mm": 330, "tower_radius_mm": 150, "tower_angles_deg": [90, 210, 330]},
        "machine.home_mm": (0, 0, 10),
        "motors.t1.max_speed_mm_s": 160,
        "motors.t2.max_acceleration_mm_s2": 900,
    },
}


def differences(features: Features, tables: Sequence[Reals], lookahead: int | None = None, seed: int = 0) -> list[str]:
    """Where a batch takes otherwise than single plans: totals, times before marked moves, and layers."""
    n = features.length.size
    random = np.random.default_rng(seed)
    layers = int(random.integers(1, 6))
    layer = np.sort(random.integers(0, layers + 1, n)).astype(np.int32)
    marks = np.sort(random.integers(0, n + 1, int(random.integers(0, 6)))).astype(np.int64)
    batch = batch_features(features, layer)
    found = batch_times(batch, tables, lookahead, layers, marks)
    bare = batch_times(batch, tables, lookahead, workers=1)
    told = []
    if bare.motion.tolist() != found.motion.tolist() or bare.layers.size or bare.passed.size:
        told.append(f"bare totals {bare.motion}, with layers and marks {found.motion}")
    for k, table in enumerate(tables):
        duration = plan(features, table, lookahead).duration
        total = math.fsum(duration)
        if not math.isclose(found.motion[k], total, rel_tol=ROUNDING):
            told.append(f"candidate {k}: {found.motion[k]!r} s, alone {total!r} s")
        before = np.concatenate([[0.0], np.cumsum(duration)])[marks]
        each = np.bincount(layer, duration, layers + 1)
        if not np.allclose(found.passed[:, k], before, rtol=ROUNDING, atol=NANOSECOND):
            told.append(f"candidate {k}: before {marks} {found.passed[:, k]}, alone {before}")
        if not np.allclose(found.layers[:, k], each, rtol=ROUNDING, atol=NANOSECOND):
            told.append(f"candidate {k}: layers {found.layers[:, k]}, alone {each}")
    return told


def random_case(seed: int, mechanism: str, candidates: int) -> tuple[Features, list[Reals], int | None]:
    """The features of a random job, several random tables for it, and the lookahead."""
    moves = to_moves(random_job(seed))
    drawn = [with_motors(expressible(random_limits(seed + k)), seed + k, mechanism) for k in range(candidates)]
    machine = machine_from(drawn[0])
    classes = classify(moves, drawn[0].first_layers_count)
    tables = [
        limits_of(
            machine_from(replace(one, arm=drawn[0].arm, tower_radius=drawn[0].tower_radius)), classes.table
        ).values
        for one in drawn
    ]
    return features_of(moves, machine, drawn[0].start), tables, drawn[0].lookahead


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_random_jobs_take_what_single_plans_take(mechanism: str) -> None:
    """Any caps, replaced speeds, steps or deviation, first layers, with and without lookahead, 1 to 20 candidates."""
    turning, ahead, coupled = 0, 0, 0
    for seed in range(JOBS):
        features, tables, lookahead = random_case(seed, mechanism, 1 + seed % MOST)
        assert not differences(features, tables, lookahead, seed), f"seed {seed}"
        turning += any(hang_on_turns(table) for table in tables)
        ahead += lookahead is not None
        coupled += features.motor.shape[0] > 0
    assert min(turning, ahead) > JOBS // 10
    assert (coupled > JOBS // 4) == (mechanism != "cartesian")


@pytest.mark.parametrize("seed", range(2 if numba.config.DISABLE_JIT else 12))
def test_long_jobs_take_what_single_plans_take(seed: int) -> None:
    """Several blocks, few stops, and lanes that are held at nodes of their own."""
    job = [
        replace(move, stop_before=False)
        for move in random_job(seed, pieces=150 if numba.config.DISABLE_JIT else 400)
        if move.kind != "filament"
    ]
    features = features_of(to_moves(job), Machine())
    random = np.random.default_rng(seed)
    tables = [
        table
        for cap in (40.0, 400.0)
        for table in ramp_tables((10.0 ** random.uniform(0.3, 4.0, MOST // 2)).tolist(), cap, features)
    ]
    for table in tables:
        table[:, [by.X_RAMP, by.Y_RAMP]] = 10.0 ** random.uniform(0.5, 4.0, 2)
        table[:, by.DEVIATION] = 10.0 ** random.uniform(-3.0, 1.0)
    assert numba.config.DISABLE_JIT or features.length.size > BATCH_BLOCK
    assert not differences(features, tables, None, seed)
    assert not differences(features, tables, 40, seed)


@settings(deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(MECHANISMS), st.integers(1, MOST))
def test_any_mixture_of_numbers_and_no_limits(seed: int, mechanism: str, candidates: int) -> None:
    """Each number of each table taken out, or drawn anew over six decades, rounding and steps included."""
    features, tables, lookahead = random_case(seed, mechanism, candidates)
    choose = np.random.default_rng(seed)
    for table in tables:
        lifted = choose.random(table.shape) < 0.3
        lifted[:, [by.SPEED_SHARE, by.SPEED_REPLACED, by.PATH_RAMP, by.FILAMENT_RAMP]] = False
        table[lifted] = math.inf
        drawn = 10.0 ** choose.uniform(-2.0, 4.0, table.shape)
        anew = choose.random(table.shape) < 0.3
        anew[:, [by.SPEED_SHARE, by.SPEED_REPLACED]] = False
        table[anew] = drawn[anew]
        table[:, by.CAP] = np.minimum(table[:, by.CAP], 1e4)  # something must hold every move
        table[:, by.FILAMENT_MOST] = np.minimum(table[:, by.FILAMENT_MOST], 1e4)
    assert not differences(features, tables, lookahead, seed)


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="hundreds of thousands of moves")
@pytest.mark.parametrize("mechanism", MECHANISMS)
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_take_what_single_plans_take(path: Path, mechanism: str) -> None:
    """Under limits of every column together and with each of them far lower, finite lookahead and not."""
    job = PreparedJob(str(path))
    base = load_machine("middling").with_settings(
        {
            "machine.mechanism": mechanism,
            **MOTORS[mechanism],
            "motion.extruder_step_mm_s": 4.0,
            "motion.by_kind.travel.commanded_speed_mm_s": 130.0,
            "motion.first_layers.count": 2,
            "axes.e.max_acceleration_mm_s2": 2000.0,
        },
        "test",
    )
    laid_out = job.laid_out(base)
    table = laid_out.limits.values
    tables = [table]
    for column in range(by.SPEED_REPLACED, by.MOVE_RATE):
        low = table.copy()
        given_now = np.isfinite(low[:, column])
        low[:, column] = np.where(given_now, low[:, column] * 0.3, 0.05 if column == by.DEVIATION else 11.0)
        if column == by.SPEED_REPLACED:
            low[:, by.SPEED_SHARE] = 0.0
        tables.append(low)
    for lookahead in (None, 16):
        assert not differences(laid_out.features, tables, lookahead, seed=1)


def straight_job(pieces: int, step: float = 1.0) -> Features:
    """A straight in equal pieces without a commanded speed."""
    return features_of(to_moves([NaiveMove(dx=step, kind="travel")] * pieces), Machine())


def ramp_tables(accelerations: Sequence[float], cap: float = math.inf, features: Features | None = None) -> list[Reals]:
    """Tables with an acceleration each and a cap of speed; of as many classes as there are, one without features."""
    classes = 1 if features is None else int(features.move_class.max()) + 1
    tables = []
    for acceleration in accelerations:
        table = np.full((classes, by.LIMITS), math.inf)
        table[:, by.SPEED_SHARE], table[:, by.PATH_RAMP], table[:, by.CAP] = 1.0, acceleration, cap
        tables.append(table)
    return tables


@pytest.mark.parametrize("pieces", [1, 2, BATCH_BLOCK - 1, BATCH_BLOCK, BATCH_BLOCK + 1, 3 * BATCH_BLOCK + 7])
@pytest.mark.parametrize("candidates", [1, LANES - 1, LANES, LANES + 1, MOST])
def test_a_straight_is_a_trapezoid_in_every_lane(pieces: int, candidates: int) -> None:
    """T = L/v + v/a, or 2·√(L/a) where it is too short (textbook), from ramps of a move to ramps of all of them."""
    features = straight_job(pieces)
    accelerations = np.geomspace(1e-4, 1e7, candidates).tolist()
    found = batch_times(batch_features(features, np.zeros(pieces, np.int32)), ramp_tables(accelerations, 50.0))
    v = 50.0
    expected = [pieces / v + v / a if v * v / a <= pieces else 2.0 * math.sqrt(pieces / a) for a in accelerations]
    assert found.motion == pytest.approx(expected, rel=ROUNDING)


@pytest.mark.parametrize("lookahead", [None, 5, 3 * BATCH_BLOCK])
def test_blocks_grow_where_all_of_a_job_is_one_ramp(lookahead: int | None) -> None:
    """One lane that brakes over ten blocks holds the others up, and changes nothing in them."""
    features = straight_job(10 * BATCH_BLOCK, 0.5)
    tables = ramp_tables([0.02, 5000.0, 80.0], 400.0)
    assert not differences(features, tables, lookahead)


def test_without_acceleration_limit_a_job_takes_length_over_speed() -> None:
    features = straight_job(700, 0.25)
    found = batch_times(batch_features(features, np.zeros(700, np.int32)), ramp_tables([math.inf, 1e9], 35.0))
    assert found.motion == pytest.approx([175.0 / 35.0] * 2, rel=1e-6)
    assert found.motion[0] == pytest.approx(5.0, rel=ROUNDING)


def test_marks_and_layers_where_nothing_is_timed() -> None:
    features = straight_job(3)
    batch = batch_features(features, np.array([0, 1, 3], np.int32))
    nothing = batch_times(batch, [], None, 3, np.array([0, 3]))
    assert [field.shape for field in nothing] == [(0,), (2, 0), (4, 0), (0,), (0,)]
    some = batch_times(batch, ramp_tables([10.0] * 9), None, 3, np.array([0, 0, 1, 3, 3]))
    assert some.passed.shape == (5, 9)
    assert (some.passed[:2] == 0.0).all()
    assert some.passed[3:] == pytest.approx(np.tile(some.motion, (2, 1)))
    assert (some.layers[2] == 0.0).all()
    assert some.layers.sum(axis=0) == pytest.approx(some.motion, rel=ROUNDING)


def test_one_thread_and_two_find_the_same_bytes() -> None:
    features, tables, lookahead = random_case(3, "crossed-belt", MOST)
    batch = batch_features(features, np.zeros(features.length.size, np.int32))
    one, two = (batch_times(batch, tables, lookahead, workers=workers).motion for workers in (1, 2))
    assert one.tobytes() == two.tobytes()


def test_a_batch_changes_none_of_its_inputs() -> None:
    features, tables, _ = random_case(5, "linear-delta", 3)
    before = [table.copy() for table in tables]
    batch_times(batch_features(features, np.zeros(features.length.size, np.int32)), tables)
    assert all((one == other).all() for one, other in zip(tables, before, strict=True))


def test_a_batch_reads_nothing_that_it_has_not_written(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fresh memory holds anything: here no numbers. Several blocks, one of which ends at a stop."""
    fresh = np.empty

    def spoilt(*arguments: Any, **named: Any) -> Any:
        array = fresh(*arguments, **named)
        if array.dtype.kind == "f":
            array.fill(np.nan)
        return array

    moves = to_moves([move for seed in range(3) for move in random_job(seed, pieces=300)])
    steps = {"motion.speed_step_mm_s": {"x": 7.0, "y": 6.0, "z": 0.5}}
    for machine in (load_machine("middling"), load_machine("gentle").with_settings(steps)):
        features = features_of(moves, machine)
        table = limits_of(machine, classify(moves, 0).table).values
        batch = batch_features(features, np.ones(features.length.size, np.int32))
        with monkeypatch.context() as spoiling:
            spoiling.setattr(np, "empty", spoilt)
            found = batch_times(batch, [table] * 11, workers=1)
        assert found.motion == pytest.approx(plan(features, table).duration.sum(), rel=ROUNDING)
