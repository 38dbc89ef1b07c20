"""The speed profile of every move: it arrives, it is continuous, and at no instant does it exceed what the machine may.

Ceilings are taken here from the limits themselves, as speeds and accelerations of axes, filament and melt at each
instant; corners by the twin's geometry.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numba
import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.planner.plan import Plan
from tests.naive.planner_twin import NaiveLimits, NaiveMove, ceilings_of, corner_squares, stretches
from tests.naive.random_paths import is_delicate, jobs, limits, random_job, random_limits
from tests.planner.from_naive import expressible, planned_from_naive

Reals = NDArray[np.float64]

ROUNDING = 1e-9  # relative: what the model promises
ABOVE_A_CEILING = 1e-12  # relative: what dividing and multiplying by a limit leaves
CRAWL = 1e-9  # mm/s: a micrometre in a quarter of an hour
INSTANTS = 9  # in each of the three parts of a move, ends included

EXAMPLES = settings(max_examples=8 if numba.config.DISABLE_JIT else 100, deadline=None, derandomize=True, database=None)


class Profile(NamedTuple):
    """Instants since the start of each move (s) and speeds there (mm/s), float64[moves, 3 · INSTANTS]."""

    instants: Reals
    speeds: Reals


def profile_of(plan: Plan) -> Profile:
    """Rising from the speed at the start, cruising, falling from the peak, all as the plan's own numbers say."""
    instants, speeds = [], []
    begun = np.zeros_like(plan.duration)
    for part, at_first, slope in (
        (plan.rising, plan.speed_in, plan.acceleration),
        (plan.cruising, plan.speed_peak, np.zeros_like(begun)),
        (plan.falling, plan.speed_peak, -plan.acceleration),
    ):
        within = np.linspace(0.0, 1.0, INSTANTS) * part[:, None]
        instants.append(begun[:, None] + within)
        speeds.append(at_first[:, None] + slope[:, None] * within)
        begun = begun + part
    return Profile(np.hstack(instants), np.hstack(speeds))


def lengths_of(job: Sequence[NaiveMove]) -> Reals:
    """Path lengths, or filament of moves of the extruder alone (mm)."""
    return np.array([abs(m.de) if m.kind == "filament" else math.hypot(*m.displacement) for m in job])


def of_job(job: Sequence[NaiveMove], attribute: str) -> Reals:
    """One number of every move."""
    return np.array([float(getattr(move, attribute)) for move in job])


def of_kind(job: Sequence[NaiveMove], by_kind: dict[str, float], otherwise: float) -> Reals:
    """A number that hangs on the kind of every move."""
    return np.array([by_kind.get(move.kind, otherwise) for move in job])


def commanded(job: Sequence[NaiveMove], drawn: NaiveLimits) -> Reals:
    """The speed that each move is told to have (mm/s): the file's or what replaces it, times the override."""
    speeds = of_job(job, "speed")
    told = of_kind(job, dict(drawn.replaced_speed or {}), math.nan)
    told = np.where(np.isnan(told), speeds, told) * of_kind(job, dict(drawn.feed_override), 1.0)
    keeps = drawn.keep_commanded_speed & (of_job(job, "layer") <= drawn.first_layers_count)
    return np.where(keeps, speeds, told)


@EXAMPLES
@given(jobs(), limits())
def test_every_profile_arrives(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """Distance under the profile is the path length; ramps meet the peak; the parts are the duration."""
    plan = planned_from_naive(job, expressible(drawn))
    length = lengths_of(job)
    travelled = (
        (plan.speed_in + plan.speed_peak) / 2.0 * plan.rising
        + plan.speed_peak * plan.cruising
        + (plan.speed_peak + plan.speed_out) / 2.0 * plan.falling
    )
    assert travelled == pytest.approx(length, rel=ROUNDING, abs=0.0)
    profile = profile_of(plan)
    between = (profile.speeds[:, 1:] + profile.speeds[:, :-1]) / 2.0 * np.diff(profile.instants, axis=1)
    assert between.sum(axis=1) == pytest.approx(length, rel=ROUNDING, abs=0.0)
    assert profile.instants[:, -1] == pytest.approx(plan.duration, rel=ROUNDING, abs=0.0)
    assert (np.stack([plan.rising, plan.cruising, plan.falling]) >= 0.0).all()
    assert plan.speed_in + plan.acceleration * plan.rising == pytest.approx(plan.speed_peak, rel=ROUNDING)
    assert plan.speed_peak - plan.acceleration * plan.falling == pytest.approx(plan.speed_out, rel=ROUNDING, abs=CRAWL)


def at_rest(move: NaiveMove, drawn: NaiveLimits) -> float:
    """The most (mm/s) with which a move may leave rest or reach it: v·|u_k| <= ΔV_k, v·r <= ΔV_e of what has a step."""
    if move.kind == "filament":
        return drawn.extruder_step if drawn.extruder_step < math.inf else 0.0
    if drawn.corner_rule != "axis steps":
        return 0.0
    length = math.hypot(*move.displacement)
    steps = zip((*move.displacement, move.de), (*drawn.speed_step, drawn.extruder_step), strict=True)
    most = [step * length / abs(part) for part, step in steps if part != 0.0 and step < math.inf]
    return min(most, default=0.0)


@EXAMPLES
@given(jobs(), limits())
def test_speed_is_continuous_and_rest_is_kept(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """One move begins as fast as the one before it ends; the ends, stops and filament moves are at rest, but for steps.

    A rest is left and reached with no more than the permitted steps of speed: nothing, where none is.
    """
    drawn = expressible(drawn)
    plan = planned_from_naive(job, drawn)
    assert (plan.speed_peak >= np.maximum(plan.speed_in, plan.speed_out)).all()
    more = 1.0 + ABOVE_A_CEILING
    assert plan.speed_in[0] <= at_rest(job[0], drawn) * more
    assert plan.speed_out[-1] <= at_rest(job[-1], drawn) * more
    for i, (before, after) in enumerate(pairwise(job)):
        if after.stop_before or "filament" in (before.kind, after.kind):
            assert plan.speed_out[i] <= at_rest(before, drawn) * more
            assert plan.speed_in[i + 1] <= at_rest(after, drawn) * more
            continue
        assert plan.speed_in[i + 1] == plan.speed_out[i]
        if i > 0:
            assert plan.speed_peak[i] > 0.0


@EXAMPLES
@given(jobs(), limits())
def test_no_instant_exceeds_a_speed(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """Commanded speed, cap, every axis, the filament and the melt, at every instant of the sampled profile."""
    drawn = expressible(drawn)
    fastest = profile_of(planned_from_naive(job, drawn)).speeds
    length = lengths_of(job)[:, None]
    share = 1.0 + ABOVE_A_CEILING
    alone = np.array([move.kind == "filament" for move in job])
    printing = np.array([move.kind == "print" for move in job])
    assert (fastest <= commanded(job, drawn)[:, None] * share).all()
    assert (fastest[~alone] <= drawn.speed_cap * share).all()
    for axis, most in zip(("dx", "dy", "dz"), drawn.axis_speed, strict=True):
        assert (fastest * np.abs(of_job(job, axis))[:, None] / length <= most * share).all(), axis
    filament = fastest * np.abs(of_job(job, "de"))[:, None] / length
    assert (filament <= drawn.extruder_speed * share).all()
    assert (filament[printing] * drawn.filament_area <= drawn.max_flow * share).all()


@EXAMPLES
@given(jobs(), limits())
def test_no_instant_exceeds_an_acceleration(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """Differences of speed between neighbouring instants: along the path, on every axis, of the filament."""
    drawn = expressible(drawn)
    profile = profile_of(planned_from_naive(job, drawn))
    length = lengths_of(job)[:, None]
    gained = np.abs(np.diff(profile.speeds, axis=1))
    seconds = np.diff(profile.instants, axis=1) * (1.0 + ROUNDING)
    # The ends of the parts carry the rounding of a whole speed, and an instant that of the duration so far.
    rounding = 1e-12 * profile.speeds[:, 1:]
    along = {
        "print": drawn.print_acceleration,
        "travel": drawn.travel_acceleration,
        "filament": drawn.filament_acceleration,
    }
    path = of_kind(job, along, math.inf)[:, None]
    late = 1e-15 * profile.instants[:, 1:] * path  # what a ramp gains while the clock is off by its last digit
    assert (gained <= path * seconds + rounding + late).all()
    for axis, most in zip(("dx", "dy", "dz"), drawn.axis_acceleration, strict=True):
        if most < math.inf:
            shares = np.abs(of_job(job, axis))[:, None] / length
            assert (gained * shares <= most * seconds + rounding + late).all(), axis
    if drawn.extruder_acceleration < math.inf:
        shares = np.abs(of_job(job, "de"))[:, None] / length
        assert (gained * shares <= drawn.extruder_acceleration * seconds + rounding + late).all()


def wrong_corners(job: Sequence[NaiveMove], drawn: NaiveLimits, plan: Plan) -> list[str]:
    """Nodes whose speed is not the largest that the corner's rules and the moves on either side admit.

    v² = min(rules, v² of the node before + 2aL, v² of the node after + 2aL) at every node has one solution only: from
    a node that its rules do not hold, speeds fall towards one that is held.
    """
    ceilings = [ceilings_of(move, drawn) for move in job]
    found = []
    for stretch in stretches(job):
        most = np.array(corner_squares(stretch, job, ceilings, drawn))
        squares = np.array([*plan.speed_in[stretch.start : stretch.stop], plan.speed_out[stretch.stop - 1]]) ** 2
        gains = np.array([2.0 * ceilings[i].a * ceilings[i].length for i in stretch])
        admitted = most.copy()
        admitted[1:] = np.minimum(admitted[1:], squares[:-1] + gains)
        admitted[:-1] = np.minimum(admitted[:-1], squares[1:] + gains)
        for k in np.flatnonzero(~np.isclose(np.sqrt(squares), np.sqrt(admitted), rtol=ROUNDING, atol=CRAWL)):
            told = f"{math.sqrt(squares[k])!r} mm/s, admitted {math.sqrt(admitted[k])!r} mm/s"
            found.append(f"start of move {stretch.start + k}: {told}")
    return found


@EXAMPLES
@given(jobs(), limits())
def test_corners_are_as_fast_as_their_rules_admit(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """Section 3's rules by angles and circumscribed circles: nothing faster, and nothing slower than it need be."""
    drawn = expressible(drawn)
    found = wrong_corners(job, drawn, planned_from_naive(job, drawn))
    if found and is_delicate(job, drawn):
        event("on the edge of a rule")
    else:
        assert not found, found[:5]


# ---- looking ahead ----------------------------------------------------------------------------------------------


def squares_left(job: Sequence[NaiveMove], plan: Plan, seen: int) -> Reals:
    """v² that is left (mm²/s²) when one brakes from the start of each move over the `seen` moves that begin there."""
    shed = 2.0 * plan.acceleration * lengths_of(job)
    left = plan.speed_in**2
    for k in range(min(seen, left.size)):
        left[: left.size - k] -= shed[k:]
    return left


@EXAMPLES
@given(jobs(), limits(), st.integers(1, 20))
def test_the_tool_can_stop_within_what_is_seen(job: list[NaiveMove], drawn: NaiveLimits, seen: int) -> None:
    """At the start of every move, braking over N moves, the one that begins counted, comes to true rest.

    Or to a rest that lies among them, which is reached with its permitted step.
    """
    drawn = replace(expressible(drawn), lookahead=seen)
    plan = planned_from_naive(job, drawn)
    shed = 2.0 * plan.acceleration * lengths_of(job)
    ends = {stretch.stop for stretch in stretches(job)}
    for i in range(len(job)):
        end = next(k for k in range(i + 1, len(job) + 1) if k in ends or k == i + seen)
        left = plan.speed_in[i] ** 2 - shed[i:end].sum()
        step = at_rest(job[end - 1], drawn) if end in ends else 0.0
        assert left <= step**2 + ROUNDING * plan.speed_in[i] ** 2, i


@EXAMPLES
@given(jobs(), limits(unlimited_lookahead=True), st.integers(0, 3))
def test_seeing_all_moves_is_seeing_without_limit(job: list[NaiveMove], drawn: NaiveLimits, more: int) -> None:
    """N moves or more of N: the same speeds to the last digit."""
    drawn = expressible(drawn)
    whole = planned_from_naive(job, drawn)
    seen = planned_from_naive(job, replace(drawn, lookahead=len(job) + more))
    assert seen.speed_in.tolist() == whole.speed_in.tolist()
    assert seen.duration.tolist() == whole.duration.tolist()


@pytest.mark.parametrize("seen", [1, 2, 3, 5, 10])
def test_equal_pieces_are_entered_as_fast_as_the_seen_ones_allow(seen: int) -> None:
    """Ten pieces of 1 mm in one direction at 1000 mm/s²: v_i = √(2000·min(i, N, 10 − i)) (closed form)."""
    job = [NaiveMove(dx=1.0, speed=1000.0, kind="travel")] * 10
    plan = planned_from_naive(job, NaiveLimits(travel_acceleration=1000.0, lookahead=seen))
    expected = [math.sqrt(2000.0 * min(i, seen, 10 - i)) for i in range(10)]
    assert plan.speed_in == pytest.approx(expected, rel=ROUNDING)


# ---- the sampling itself ----------------------------------------------------------------------------------------


def test_the_checks_find_a_wrong_profile() -> None:
    """A corner 1 % faster or slower, and braking that needs one move more, are seen."""
    job, drawn = random_job(3), replace(expressible(random_limits(3)), lookahead=None)
    plan = planned_from_naive(job, drawn)
    assert wrong_corners(job, drawn, plan) == []
    corner = int(np.flatnonzero(plan.speed_in)[0])
    for factor in (0.99, 1.01):
        speeds = plan.speed_in.copy()
        speeds[corner] *= factor
        assert wrong_corners(job, drawn, plan._replace(speed_in=speeds)) != []
    straight = [NaiveMove(dx=1.0, speed=1000.0, kind="travel")] * 6
    two = planned_from_naive(straight, NaiveLimits(lookahead=2))
    assert (squares_left(straight, two, 2) <= ROUNDING * two.speed_in**2).all()
    assert (squares_left(straight, two, 1) > 1.0).any()
