"""Plans of small random jobs, quick without a compiler: against the slow twin, against batches, in small blocks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from kinematics.gcode.cutting import cut_moves, pieces_of
from kinematics.limits.classes import classify
from kinematics.limits.combine import limits_of
from kinematics.planner import batch, corners, features
from kinematics.planner import plan as single
from tests.naive.planner_records import NaiveLimits, NaiveMove
from tests.naive.planner_twin import plan_naively, total_s
from tests.naive.random_caps import as_in_a_file, with_command_rate, with_constant_caps
from tests.naive.random_motors import MECHANISMS, with_motors
from tests.naive.random_paths import is_delicate, random_job, random_limits, to_moves
from tests.planner.from_naive import corner_settings, expressible, machine_from, planned, prepared_from_naive
from tests.planner.test_against_twin import NEAR_TIE, ROUNDING, different_numbers
from tests.planner.test_batch import NANOSECOND, random_case
from tests.planner.test_batch import differences as batch_differences
from tests.planner.test_caps_against_twin import BY_GRID, compared, tied_case

# Small jobs in which acceleration that falls holds several moves: of whole blocks, and of small ones. Chosen so that
# every branch of a plan is taken by one of them: three chains at once, curves of many pieces, rest left with a step.
TIED_SEEDS = {
    "cartesian": ((303, 316, 326, 383, 400), (308, 355, 372, 382, 405, 409, 788)),
    "crossed-belt": ((308, 322, 364, 370), (318, 338, 357, 366, 380, 539)),
    "linear-delta": ((305, 329, 352, 407), (304, 349, 355, 365)),
}
# And such under constant limits, in small blocks: (mechanism, seed).
BRANCHES = (
    ("linear-delta", 369), ("cartesian", 324), ("crossed-belt", 307), ("crossed-belt", 321), ("cartesian", 343),
)  # fmt: skip
OF_FEW_MOVES = 2e-5  # relative: what the twin's grid of speeds leaves of a total, where it averages over little
BLOCK_OF_PIECES = 29  # of which a move has some ten
SMALL_BLOCK = 7  # moves: jobs of some tens are cut many times (compiled kernels keep their own size)


@pytest.fixture(params=["whole", "in small blocks"])
def blocks(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Blocks as they are, or a few moves long."""
    if request.param != "whole":
        monkeypatch.setattr(batch, "BATCH_BLOCK", SMALL_BLOCK)
        for module in (single, corners, features):
            monkeypatch.setattr(module, "BLOCK", SMALL_BLOCK)
    return str(request.param)


def constant_case(seed: int, mechanism: str) -> tuple[list[NaiveMove], NaiveLimits]:
    """A small random job and constant limits of every kind."""
    limits = with_motors(expressible(random_limits(seed)), seed, mechanism)
    limits = with_command_rate(with_constant_caps(limits, seed), seed)
    return as_in_a_file(random_job(seed, pieces=3), seed), limits


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_caps_that_are_constant(mechanism: str, blocks: str) -> None:
    """Corners, lookahead, motors, flow, rounding, ringing, command rate: every number and every cause."""
    first = 300 if blocks == "whole" else 320
    chosen = [seed for one, seed in BRANCHES if one == mechanism and blocks != "whole"]
    for seed in [*range(first, first + 4), *chosen]:
        job, limits = constant_case(seed, mechanism)
        found, *_ = compared(job, limits, ROUNDING, NEAR_TIE)
        assert not found or is_delicate(job, limits), f"seed {seed}: {found[:5]}"


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_acceleration_that_falls(mechanism: str, blocks: str) -> None:
    """Torque curves and pressure advance beside the rest."""
    for seed in TIED_SEEDS[mechanism][blocks != "whole"]:
        job, limits = tied_case(seed, mechanism)
        fast, slow = prepared_from_naive(job, limits).plan(), plan_naively(job, limits)
        found = [one for one in different_numbers(fast, slow, BY_GRID) if "acceleration" not in one]
        found += [] if math.isclose(fast.duration.sum(), total_s(slow), rel_tol=OF_FEW_MOVES) else ["total"]
        assert math.isclose(fast.seconds.sum(), fast.duration.sum(), rel_tol=ROUNDING)
        assert not found or is_delicate(job, limits), f"seed {seed}: {found[:5]}"


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_batches_of_unlike_candidates(mechanism: str, blocks: str) -> None:
    """Totals, marks and layers of up to eleven candidates, a row and a part of one, each as it is planned alone."""
    first = 400 if blocks == "whole" else 420
    for seed in range(first, first + 2):
        prepared, tables, lookahead = random_case(seed, mechanism, 2 + 3 * (seed % 4))
        assert not batch_differences(prepared, tables, lookahead, seed), f"seed {seed}"


def chain(seed: int) -> list[NaiveMove]:
    """Lines of 0.4 to 7 mm that turn a little, with a stop among them."""
    rng = np.random.default_rng(seed)
    return [
        NaiveMove(dx=float(x), dy=float(y), speed=150.0, kind="travel", stop_before=k == 9)
        for k, (x, y) in enumerate(zip(rng.uniform(0.4, 7.0, 16), rng.uniform(-0.5, 0.5, 16), strict=True))
    ]


@pytest.mark.parametrize("lookahead", [1, 2, 5])
def test_moves_in_pieces(lookahead: int, blocks: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into pieces, of which the controller sees whole moves; as the uncut job takes, move by move."""
    if blocks != "whole":
        monkeypatch.setattr(single, "BLOCK", BLOCK_OF_PIECES)
    slow = replace(NaiveLimits(travel_acceleration=300.0), lookahead=lookahead)  # what is seen holds nearly everything
    cases = [
        (random_job(seed, pieces=3), replace(expressible(random_limits(seed)), lookahead=lookahead))
        for seed in (701, 703)
    ]
    cases += [(chain(701), slow), (chain(703), replace(slow, extruder_step=5.0))]  # rest is left with no step, with one
    for seed, (job, drawn) in enumerate(cases):
        moves, machine = to_moves(job), machine_from(drawn)
        pieces, whole = cut_moves(moves, pieces_of(moves, 1.0))
        classes = classify(pieces, machine.motion.first_layers.count)
        limits = limits_of(machine, classes.table)
        prepared = features.make_features(pieces, classes.of_move, corner_settings(machine), whole=whole)
        found = np.bincount(whole, weights=single.plan(prepared, limits.values, limits.lookahead).duration)
        alike = np.allclose(found, planned(moves, machine)[1].duration, rtol=ROUNDING, atol=NANOSECOND)
        assert alike or is_delicate(job, drawn), f"seed {seed}"
