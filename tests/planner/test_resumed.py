"""Plans that are taken up again: moves come in by and by, and each plan goes on where the last one was certain."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.gcode.moves import Moves
from kinematics.lanes import LANES
from kinematics.limits.classes import classify
from kinematics.limits.combine import limits_of
from kinematics.machine import Machine
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.corners import NOTHING_BEFORE, Before
from kinematics.planner.cuts import before_run, last_known, lead_in
from kinematics.planner.features import CornerSettings, Features, make_features
from kinematics.planner.filtered import filtered_by, with_rounding
from kinematics.planner.plan import BLOCK, START, Node, Plan, plan
from kinematics.planner.ties import NO_TIES, make_ties
from tests.naive.random_paths import random_job, random_limits, to_moves
from tests.planner.from_naive import corner_settings, expressible, machine_from

ROUNDING = 1e-9  # relative
NANOSECOND = 1e-9  # s
SEEDS = st.integers(0, 10**6)
PIECES = 6 if numba.config.DISABLE_JIT else 60

Reals = NDArray[np.float64]


class Job:
    """A path without a stop, its class and limits, and the moves at hand of it."""

    def __init__(self, seed: int, machine: Machine | None = None, rate: float | None = None) -> None:
        drawn = [replace(move, stop_before=False) for move in random_job(seed, PIECES) if move.kind != "filament"]
        self.moves = to_moves(drawn or random_job(0))
        self.machine = machine or machine_from(expressible(random_limits(seed)))
        self.machine = self.machine.with_settings({"controller.moves_per_s": rate}, "test")
        classes = classify(self.moves, self.machine.motion.first_layers.count)
        self.of_move = classes.of_move
        self.limits = limits_of(self.machine, classes.table)
        self.corners = corner_settings(self.machine)
        self.filtered = filtered_by(self.machine, self.limits.values)
        reach = math.inf if self.filtered is None else self.filtered.reach
        self.sight = self.limits.sight(self.corners.around(self.limits.lookahead, reach))
        self.size = self.moves.kind.size

    def part(self, begin: int, end: int) -> Moves:
        """Some of the moves."""
        return Moves._make(column[begin:end] for column in self.moves)

    def features(self, begin: int, end: int, before: Before = NOTHING_BEFORE) -> Features:
        """The features of some moves, as if nothing came behind them, nor before them but what is told."""
        moves = self.part(begin, end)
        made = make_features(moves, self.of_move[begin:end], self.corners, before=before)
        return with_rounding(made, moves, self.filtered)

    def plan(
        self, begin: int, end: int, at: Node = START, goes_on: bool = False, before: Before = NOTHING_BEFORE
    ) -> Plan:
        """The plan of some moves, from a node among them on."""
        features, limits = self.features(begin, end, before), self.limits
        ties = NO_TIES
        if limits.ties:
            ties = make_ties(self.part(begin, end), features, None, (), limits.lookahead, True, None)
        known = last_known(features, self.sight, [limits.values]) if goes_on else None
        return plan(features, limits.values, limits.lookahead, ties=ties, begin=at, known=known)

    def growing(self, seed: int) -> Iterator[tuple[int, bool]]:
        """Ends of the moves at hand, one after the other, and whether the job goes on behind them."""
        random = np.random.default_rng(seed)
        end = 0
        while end < self.size:
            end = min(self.size, end + int(random.integers(1, random.choice([3, 40, 3 * BLOCK]))))
            yield end, end < self.size


def resumed(job: Job, seed: int) -> tuple[list[Reals], list[Node]]:
    """Durations of one plan after the other, and where each was certain; what is behind the lead-in is forgotten."""
    kept, at, before = 0, START, NOTHING_BEFORE
    durations, ends = [], [START]
    for end, goes_on in job.growing(seed):
        begin = at._replace(move=at.move - kept)
        found = job.plan(kept, end, begin, goes_on, before)
        durations.append(found.duration[begin.move : found.certain.move].copy())
        at = found.certain._replace(move=kept + found.certain.move)
        ends.append(at)
        if goes_on:
            features = job.features(kept, end, before)
            first = lead_in(features, found.certain.move, job.sight)
            before = before_run(features, job.part(kept, end), first, before)
            kept += first
    return durations, ends


@given(SEEDS, st.sampled_from([None, 3.0, 40.0, 400.0]))
@settings(max_examples=6 if numba.config.DISABLE_JIT else 150, deadline=None)
def test_a_plan_in_parts_is_the_plan_of_the_whole(seed: int, rate: float | None) -> None:
    """Move by move, under any limits, lookahead and corner rule; moves behind the lead-in have been forgotten.

    So it is under a command rate, whose ceiling sees the moves ahead.
    """
    job = Job(seed, rate=rate)
    whole = job.plan(0, job.size)
    durations, ends = resumed(job, seed)
    assert ends[-1] == (job.size, 0.0)
    assert np.allclose(np.concatenate(durations), whole.duration, rtol=ROUNDING, atol=NANOSECOND)
    # Speed from rest is the next move's own step, whatever it is told.
    inner = [end for end in ends if end.move < job.size and not job.features(0, job.size).rest[end.move]]
    speeds = [whole.speed_in[end.move] ** 2 for end in inner]
    assert np.allclose([end.square for end in inner], speeds, rtol=ROUNDING, atol=NANOSECOND)


def test_plans_are_certain_before_the_end() -> None:
    """Else the test above would find nothing out."""
    shares = []
    for seed in range(20):
        job = Job(seed, Machine().with_settings({"motion.print_acceleration_mm_s2": 3000.0}, "test"))
        _, ends = resumed(job, seed)
        shares.append(len({end.move for end in ends}) / len(ends))
    assert np.mean(shares) > 0.4


@given(SEEDS)
@settings(max_examples=3 if numba.config.DISABLE_JIT else 60, deadline=None)
def test_a_batch_in_parts_is_the_batch_of_the_whole(seed: int) -> None:
    """Lanes of one row stop at the same node, each with a speed of its own, which is that of its own plan."""
    job = Job(seed)
    random = np.random.default_rng(seed)
    tables = [job.limits.values * 10.0 ** random.uniform(-0.5, 0.5) for _ in range(int(random.integers(1, 12)))]
    lookahead = job.limits.lookahead
    expected = [plan(job.features(0, job.size), table, lookahead) for table in tables]
    for first in range(0, len(tables), LANES):
        row, alone = tables[first : first + LANES], expected[first : first + LANES]
        kept, at, motion, square, before = 0, 0, np.zeros(len(row)), np.zeros(len(row)), NOTHING_BEFORE
        for end, goes_on in job.growing(seed):
            features = job.features(kept, end, before)
            batch = batch_features(features, np.zeros(end - kept, np.int32))
            known = last_known(features, job.sight, row) if goes_on else None
            found = batch_times(batch, row, lookahead, workers=1, begin=at - kept, square=square, known=known)
            (node,) = set(found.certain.tolist())
            motion, square, at = motion + found.motion, found.square, kept + node
            speeds = [(one.speed_in[at] if at < job.size else 0.0) ** 2 for one in alone]
            if not job.features(0, job.size).rest[at]:  # speed from rest is the next move's own step
                assert np.allclose(square, speeds, rtol=ROUNDING, atol=NANOSECOND)
            if goes_on:
                first = lead_in(features, node, job.sight)
                before = before_run(features, job.part(kept, end), first, before)
                kept += first
        assert at == job.size
        assert motion == pytest.approx([one.duration.sum() for one in alone], rel=ROUNDING)


def test_a_straight_line_tells_when_it_is_certain() -> None:
    """By hand: at 10 mm/s² and 10 mm/s rest takes 5 mm, ten moves, whose last node is not known either."""
    machine = Machine().with_settings({"motion.travel_acceleration_mm_s2": 10.0, "motion.speed_cap_mm_s": 10.0}, "test")
    job = Job(0, machine)
    pieces = 40
    moves = Moves._make(np.repeat(column[:1], pieces) for column in job.moves)
    moves = moves._replace(dx=np.full(pieces, 0.5), kind=np.ones(pieces, np.int8))
    moves.dy[:] = moves.dz[:] = moves.de[:] = 0.0
    classes = classify(moves, 0)
    limits = limits_of(machine, classes.table).values
    features = make_features(moves, classes.of_move, job.corners)
    found = plan(features, limits, known=pieces - 2)
    assert found.certain == pytest.approx((pieces - 11, 100.0))
    nothing = plan(features, limits, known=8)
    assert nothing.certain == START
    again = plan(features, limits, begin=found.certain)
    rest = 11 * 0.5
    assert again.duration[found.certain.move :].sum() == pytest.approx(rest / 10.0 + 0.5, rel=ROUNDING)


@pytest.mark.parametrize("earlier", [0.9, 0.04])
def test_the_first_corner_at_hand_sees_all_of_the_run_that_it_ends(earlier: float) -> None:
    """A run of two moves, of which the second alone is at hand, then an arc of turns by 0.3 rad in moves of 0.35 mm.

    By hand: the circle through the corner, the start of the run before it and the end of the move behind it.
    """
    turns = 0.3 * np.array([0, 0, 1, 2, 3, 4])
    lengths = np.array([earlier, 0.35, 0.35, 0.35, 0.35, 0.35])
    one = np.ones(6)
    moves = Moves(
        lengths * np.cos(turns), lengths * np.sin(turns), 0.0 * one, 0.0 * one, 50.0 * one,
        np.ones(6, np.int8), np.arange(6, dtype=np.int32), np.zeros(6, np.int32), np.zeros(6, np.uint8),
    )  # fmt: skip
    classes, rule = np.zeros(6, np.uint16), CornerSettings(curve_window=0.25)
    whole = make_features(moves, classes, rule)
    before = before_run(whole, moves, 1)
    assert before == pytest.approx((earlier, earlier, 0.0, 0.0))
    part = make_features(Moves._make(column[1:] for column in moves), classes[1:], rule, before=before)
    assert part.curvature[1:] == pytest.approx(whole.curvature[2:], rel=ROUNDING)
    run, side = np.array([-earlier - 0.35, 0.0]), 0.35 * np.array([math.cos(0.3), math.sin(0.3)])
    across = math.sin(0.3) * np.linalg.norm(run) * 0.35
    assert part.curvature[1] == pytest.approx(2.0 * across / (np.linalg.norm(run) * 0.35 * np.linalg.norm(side - run)))
