"""The planner against its slow twin with every cap: the same jobs under the same limits, number by number."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numba
import pytest

from kinematics.errors import InputError
from kinematics.planner.plan import Plan
from tests.naive.planner_records import NaiveLimits, NaiveMove
from tests.naive.planner_twin import NaivePlanned, plan_naively, total_s
from tests.naive.random_caps import as_in_a_file, with_command_rate, with_constant_caps, with_ties
from tests.naive.random_motors import MECHANISMS, with_motors
from tests.naive.random_paths import is_delicate, random_job, random_limits
from tests.planner.from_naive import Prepared, expressible, prepared_from_naive
from tests.planner.test_against_twin import (
    FEW_DELICATE,
    NEAR_TIE,
    ROUNDING,
    cause_of,
    different_causes,
    different_numbers,
)

Found = tuple[list[str], Prepared, Plan, list[NaivePlanned]]

# Relative: what a grid of some thousand speeds leaves.
BY_GRID = 1e-3  # of one move, however short
TOTAL_BY_GRID = 2e-6
COMPILED = not numba.config.DISABLE_JIT
SEEDS = 200 if COMPILED else 20
TIED_SEEDS = 30 if COMPILED else 3
LEAST_HELD = 1 if COMPILED else 0  # the few jobs of an uncompiled run need not meet every cap


def compared(job: Sequence[NaiveMove], limits: NaiveLimits, relative: float, near_tie: float) -> Found:
    """What differs between the planner and its twin, and both."""
    ready = prepared_from_naive(job, limits)
    fast, slow = ready.plan(), plan_naively(job, limits)
    found = different_numbers(fast, slow, relative)
    return (
        found + different_causes(fast, ready.limits, ready.classes.of_move.tolist(), slow, near_tie),
        ready,
        fast,
        slow,
    )


def assert_alike(
    make: Callable[[int], tuple[list[NaiveMove], NaiveLimits]],
    seeds: int,
    relative: float = ROUNDING,
    near_tie: float = NEAR_TIE,
    total: float = ROUNDING,
) -> Counter[str]:
    """Random jobs agree, but for the few on the edge of a rule; how often each cause held."""
    on_the_edge = 0
    held = Counter[str]()
    for seed in range(seeds):
        job, limits = make(seed)
        found, ready, fast, slow = compared(job, limits, relative, near_tie)
        seconds = total_s(slow)
        found += [] if math.isclose(fast.duration.sum(), seconds, rel_tol=total) else [f"total: twin {seconds} s"]
        for row, cruise, ramp in zip(ready.classes.of_move, fast.cruise_cause, fast.ramp_cause, strict=True):
            held[str(cause_of(int(cruise), ready.limits, int(row)))] += 1
            held[str(cause_of(int(ramp), ready.limits, int(row)))] += 1
        if found and is_delicate(job, limits):
            on_the_edge += 1
        else:
            assert not found, f"seed {seed}: {found[:5]}"
    assert on_the_edge <= max(1.0, FEW_DELICATE * seeds)
    return held


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_constant_caps_take_what_the_twin_says(mechanism: str) -> None:
    """Rounding, ringing, command rate, flow by temperature, beside everything else."""

    def make(seed: int) -> tuple[list[NaiveMove], NaiveLimits]:
        limits = with_motors(expressible(random_limits(seed)), seed, mechanism)
        return as_in_a_file(random_job(seed), seed), with_command_rate(with_constant_caps(limits, seed), seed)

    held = assert_alike(make, SEEDS)
    for cause in ("rounding", "x ringing", "y ringing", "flow"):
        assert held[cause] >= LEAST_HELD, cause
    assert held["command rate: moves"] >= LEAST_HELD
    assert held["command rate: bytes"] >= LEAST_HELD


@pytest.mark.parametrize("rule", ["junction deviation", "axis steps"])
def test_sudden_changes_of_speed_are_those_of_the_corner_itself(rule: str) -> None:
    """Ringing and rounding at corners beside runs that are short: only junction deviation takes a neighbour's turn."""

    def make(seed: int) -> tuple[list[NaiveMove], NaiveLimits]:
        limits = with_constant_caps(random_limits(seed), seed)
        limits = replace(limits, corner_rule=rule, short_run=0.5, junction_deviation=0.2, speed_step=(9.0, 9.0, 1.0))
        return random_job(seed), expressible(limits)

    assert_alike(make, SEEDS)


@pytest.mark.parametrize("mechanism", MECHANISMS)
def test_drives_and_pressure_advance_take_what_the_twin_says(mechanism: str) -> None:
    """Acceleration that falls with speed, beside constant caps every other time: speeds, durations, totals."""
    tied = on_the_edge = 0
    for seed in range(TIED_SEEDS):
        job, limits = tied_case(seed, mechanism)
        fast, slow = prepared_from_naive(job, limits).plan(), plan_naively(job, limits)
        found = [one for one in different_numbers(fast, slow, BY_GRID) if "acceleration" not in one]
        seconds = total_s(slow)
        found += [] if math.isclose(fast.duration.sum(), seconds, rel_tol=TOTAL_BY_GRID) else [f"total {seconds}"]
        assert fast.seconds.sum() == pytest.approx(fast.duration.sum(), rel=ROUNDING)
        tied += sum(move.ramp_cause == "tie" for move in slow)
        if found and is_delicate(job, limits):
            on_the_edge += 1
        else:
            assert not found, f"seed {seed}: {found[:5]}"
    assert on_the_edge <= max(1.0, FEW_DELICATE * TIED_SEEDS)
    assert tied >= LEAST_HELD


def tied_case(seed: int, mechanism: str) -> tuple[list[NaiveMove], NaiveLimits]:
    """A random job under random limits with torque curves, pressure advance or both."""
    limits = with_ties(with_motors(expressible(random_limits(seed)), seed, mechanism), seed)
    limits = with_command_rate(with_constant_caps(limits, seed), seed) if seed % 2 else limits
    try:
        prepared_from_naive([NaiveMove(dx=1.0)], limits)
    except InputError:  # friction that a motor does not overcome
        return tied_case(seed + 1000, mechanism)
    return as_in_a_file(random_job(seed, pieces=2), seed), limits
