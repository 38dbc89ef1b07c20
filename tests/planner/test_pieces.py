"""Jobs cut into pieces are planned as the whole ones, lookahead included, over many of the planner's blocks."""

from __future__ import annotations

from dataclasses import replace

import numba
import numpy as np
import pytest

from kinematics.gcode.cutting import cut_moves, pieces_of
from kinematics.limits.classes import classify
from kinematics.limits.combine import limits_of
from kinematics.planner.features import make_features
from kinematics.planner.plan import BLOCK, plan
from tests.naive.random_paths import is_delicate, random_job, random_limits, to_moves
from tests.planner.from_naive import corner_settings, expressible, machine_from, planned

ROUNDING = 1e-9  # relative
NANOSECOND = 1e-9  # s: what the last digit of a direction leaves where a path turns straight back
SEEDS = range(2 if numba.config.DISABLE_JIT else 12)


@pytest.mark.parametrize("lookahead", [None, 1, 2, 7, 60])
def test_pieces_take_as_long_as_their_moves(lookahead: int | None) -> None:
    """Move by move, with lengths from a hundredth of a piece to hundreds of pieces; few jobs are on a rule's edge."""
    on_the_edge = longest = 0
    for seed in SEEDS:
        job, drawn = random_job(seed, pieces=30), replace(expressible(random_limits(seed)), lookahead=lookahead)
        moves, machine = to_moves(job), machine_from(drawn)
        whole_plan = planned(moves, machine)[1]
        pieces, whole = cut_moves(moves, pieces_of(moves, 0.1))
        classes = classify(pieces, machine.motion.first_layers.count)
        limits = limits_of(machine, classes.table)
        features = make_features(pieces, classes.of_move, corner_settings(machine), whole=whole)
        cut_plan = plan(features, limits.values, limits.lookahead)
        longest = max(longest, whole.size)
        found = np.bincount(whole, weights=cut_plan.duration)
        if np.allclose(found, whole_plan.duration, rtol=ROUNDING, atol=NANOSECOND):
            continue
        assert is_delicate(job, drawn), f"seed {seed}"
        on_the_edge += 1
    assert on_the_edge <= 1 + len(SEEDS) // 6
    assert longest > 3 * BLOCK
