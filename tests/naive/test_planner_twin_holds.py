"""What must hold for the planner's twin on random jobs, and that the random jobs are what they say."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL

from .planner_twin import (
    THRESHOLDS,
    NaiveLimits,
    NaiveMove,
    ceilings_of,
    largest_squares,
    plan_naively,
    stretches,
    total_s,
)
from .random_paths import is_delicate, jobs, limits, random_job, random_limits, to_moves

ROUNDING = 1e-9  # relative: what float64 leaves


@settings(max_examples=60, deadline=None, derandomize=True)
@given(jobs(3), limits())
def test_envelope_is_the_largest_fixed_point(job: list[NaiveMove], given_limits: NaiveLimits) -> None:
    """Relaxing v²[i] = min(cap, neighbours + gains) until nothing changes comes to the same squares."""
    gains = []
    for move in job:
        most = ceilings_of(move, given_limits)
        gains.append(2.0 * most.a * most.length)
    ceilings = [ceilings_of(move, given_limits).v ** 2 for move in job]
    caps = [0.0, *(min(pair) for pair in pairwise(ceilings)), 0.0]
    squares = list(caps)
    changed = True
    while changed:
        changed = False
        for i in range(1, len(squares) - 1):
            held = min(squares[i], squares[i - 1] + gains[i - 1], squares[i + 1] + gains[i])
            if held < squares[i] * (1.0 - 1e-13):
                squares[i], changed = held, True
    assert largest_squares(caps, gains) == pytest.approx(squares, rel=1e-10, abs=1e-12)


def largest_step(move: NaiveMove, limits: NaiveLimits) -> float:
    """A speed (mm/s) that no rest is left or reached with: where the permitted step of some axis is passed."""
    shares = (
        [abs(part) / math.hypot(*move.displacement) for part in move.displacement] if move.kind != "filament" else []
    )
    if move.kind != "filament" and limits.corner_rule != "axis steps":
        return 0.0
    steps = limits.speed_step if shares else (limits.extruder_step,)
    most = [step / share for step, share in zip(steps, shares or [1.0], strict=True) if share > 0.0 and step < math.inf]
    if shares and move.de != 0.0 and limits.extruder_step < math.inf:
        most.append(limits.extruder_step * math.hypot(*move.displacement) / abs(move.de))
    return min(most, default=0.0) * (1.0 + 1e-12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(jobs(), limits())
def test_every_profile_arrives_within_its_ceilings(job: list[NaiveMove], given_limits: NaiveLimits) -> None:
    """The integral of each speed profile is its length; ramps keep to the acceleration; peaks to the ceiling."""
    plan = plan_naively(job, given_limits)
    parts = stretches(job)
    for first, last in ((part[0], part[-1]) for part in parts):
        assert plan[first].v_in <= largest_step(job[first], given_limits)
        assert plan[last].v_out <= largest_step(job[last], given_limits)
    begins = {part.start for part in parts}
    for i, (before, after) in enumerate(pairwise(plan)):
        assert before.v_out == after.v_in or i + 1 in begins
    for p in plan:
        travelled = (p.v_in + p.v_peak) / 2.0 * p.rise_s + p.v_peak * p.cruise_s + (p.v_peak + p.v_out) / 2.0 * p.fall_s
        assert travelled == pytest.approx(p.length, rel=ROUNDING)
        assert max(p.v_in, p.v_out) <= p.v_peak * (1.0 + 1e-12)
        assert p.v_peak <= p.v_ceiling * (1.0 + 1e-12)
        slack = 1e-12 * p.v_peak
        assert p.v_peak - p.v_in <= p.a * p.rise_s * (1.0 + 1e-6) + slack
        assert p.v_peak - p.v_out <= p.a * p.fall_s * (1.0 + 1e-6) + slack
        assert p.t_s == p.rise_s + p.cruise_s + p.fall_s


@settings(max_examples=40, deadline=None, derandomize=True)
@given(jobs(), limits(unlimited_lookahead=True))
def test_reversing_changes_nothing(job: list[NaiveMove], given_limits: NaiveLimits) -> None:
    """The same path driven backwards, with every move in sight, takes the same time."""
    rests = [move.stop_before for move in job[1:]] + [False]
    backwards = [
        replace(move, dx=-move.dx, dy=-move.dy, dz=-move.dz, stop_before=rest)
        for move, rest in zip(job, rests, strict=True)
    ][::-1]
    if not is_delicate(job, given_limits):
        seconds = total_s(plan_naively(job, given_limits))
        assert total_s(plan_naively(backwards, given_limits)) == pytest.approx(seconds, rel=1e-8)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(jobs(3), limits(unlimited_lookahead=True))
def test_halving_every_move_changes_nothing(job: list[NaiveMove], given_limits: NaiveLimits) -> None:
    """Straight moves cut in two are the same runs."""
    halves = []
    for move in job:
        half = replace(move, dx=move.dx / 2.0, dy=move.dy / 2.0, dz=move.dz / 2.0, de=move.de / 2.0)
        is_filament = move.kind == "filament"
        halves += [move] if is_filament else [half, replace(half, stop_before=False)]
    if not is_delicate(job, given_limits):
        seconds = total_s(plan_naively(job, given_limits))
        assert total_s(plan_naively(halves, given_limits)) == pytest.approx(seconds, rel=1e-8)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(jobs(3), limits())
def test_raising_a_limit_never_costs_time(job: list[NaiveMove], given_limits: NaiveLimits) -> None:
    """Each constant ceiling raised by a tenth."""
    seconds = total_s(plan_naively(job, given_limits))
    for name in (
        "print_acceleration",
        "extruder_speed",
        "max_flow",
        "speed_cap",
        "junction_deviation",
        "extruder_step",
    ):
        raised: dict[str, Any] = {name: 1.1 * getattr(given_limits, name)}
        assert total_s(plan_naively(job, replace(given_limits, **raised))) <= seconds * (1.0 + 1e-9)
    for name in ("axis_speed", "axis_acceleration", "speed_step"):
        raised = {name: tuple(1.1 * value for value in getattr(given_limits, name))}
        assert total_s(plan_naively(job, replace(given_limits, **raised))) <= seconds * (1.0 + 1e-9)


# ---- the random jobs themselves ---------------------------------------------------------------------------------


def test_random_jobs_repeat_and_become_arrays() -> None:
    """A seed names one job; the arrays hold its numbers under the path's codes."""
    assert random_job(7) == random_job(7)
    assert random_limits(7) == random_limits(7)
    job = [
        NaiveMove(1.0, 2.0, 3.0, 0.5, 10.0, "print", 1, False),
        NaiveMove(1.0, 0.0, 0.0, 0.0, math.inf, "travel", 1, True),
        NaiveMove(0.0, 0.0, 0.0, -1.2, 28.0, "filament", 2, False),
    ]
    moves = to_moves(job)
    assert moves.kind.tolist() == [PRINT, TRAVEL, FILAMENT]
    assert moves.stop.tolist() == [0, 1, 0]
    assert moves.line.tolist() == [1, 2, 3]
    assert moves.speed.tolist() == [10.0, math.inf, 28.0]
    assert all(isinstance(column, np.ndarray) and column.flags.c_contiguous for column in moves)


def test_a_job_on_the_edge_is_known() -> None:
    """A run as long as the short run exactly has no answer that survives rounding; a plain square has."""
    step = 0.05 / math.sqrt(2.0)
    along, chamfer, across = (
        NaiveMove(dx=50.0, speed=100.0, kind="travel"),
        NaiveMove(dx=step, dy=step, speed=100.0, kind="travel"),
        NaiveMove(dy=50.0, speed=100.0, kind="travel"),
    )
    limits = NaiveLimits(short_run=math.hypot(step, step) + THRESHOLDS.place_slack, curve_rule=False)
    assert is_delicate([along, chamfer, across], limits)
    assert not is_delicate([along, across], NaiveLimits())
