"""What must hold for the planner whatever the job: more is never slower, and drawing a job another way changes nothing.

Each example compares the planner with itself. Where the two totals differ the job is asked whether it lies on the
edge of a rule (a turn of a millionth, a run as long as the short run): there rounding alone decides, and either
total is right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from kinematics.gcode.moves import FILAMENT, Moves
from kinematics.gcode.reader import read_gcode
from kinematics.limits import columns as by
from kinematics.limits.classes import classify
from kinematics.machine import Machine
from tests.naive.planner_records import UNLIMITED, NaiveLimits, NaiveMove
from tests.naive.planner_twin import THRESHOLDS, plan_naively, total_s
from tests.naive.random_paths import circle, is_delicate, jobs, limits, steps_between, straight, to_moves
from tests.planner.from_naive import expressible, machine_from, planned, planned_from_naive
from tests.planner.to_naive import to_naive
from tests.properties.changed_paths import (
    Grid,
    Leg,
    legs,
    quarter_turned,
    reversed_path,
    scaled_job,
    scaled_limits,
    split,
    text_of,
    turned,
)

ROUNDING = 1e-9  # relative: what the model promises
SUMMING = 1e-12  # relative: what adding up some hundred times leaves
# s: where a path turns straight back the last digit of its directions, s = 1e-16, leaves v = √(a·δ·s) instead of rest
# and saves v/a on either side (δ <= 1 mm, a >= 10 mm/s² here)
STRAIGHT_BACK = 1e-8
MOST_FACTOR = 30.0

EXAMPLES = settings(max_examples=8 if numba.config.DISABLE_JIT else 100, deadline=None, derandomize=True, database=None)
SEEDS = st.integers(0, 10**6)

A_THOUSAND = NaiveLimits(print_acceleration=1000.0, travel_acceleration=1000.0)


def seconds_of(job: Sequence[NaiveMove], given_limits: NaiveLimits) -> float:
    """Total of the planner for the twin's job (s)."""
    return math.fsum(planned_from_naive(job, given_limits).duration)


def turns_straight_back(job: Sequence[NaiveMove]) -> int:
    """How often the path turns straight back, at a corner or across one move between."""
    path = [np.array(move.displacement) / math.hypot(*move.displacement) for move in job if move.kind != "filament"]
    pairs = [*pairwise(path), *zip(path, path[2:], strict=False)]
    return sum(math.hypot(*(before + after)) < 1e-7 for before, after in pairs)


def assert_same(seconds: float, others: float, job: Sequence[NaiveMove], given_limits: NaiveLimits) -> None:
    """The two totals agree, or the job lies on the edge of a rule."""
    slack = STRAIGHT_BACK * turns_straight_back(job)
    if not math.isclose(seconds, others, rel_tol=ROUNDING, abs_tol=slack):
        assert is_delicate(job, given_limits), f"{seconds!r} s became {others!r} s"
        event("on the edge of a rule")


# ---- more is never slower ---------------------------------------------------------------------------------------

# Whatever may be raised; where the second is true, leaving it out altogether is "no limit". A permitted step of speed
# is a permission as well: rest is left with it, and where there is none with none. So steps are raised, not left out.
CEILINGS = {
    **{f"axes.{axis}.max_speed_mm_s": True for axis in "xyze"},
    **{f"axes.{axis}.max_acceleration_mm_s2": True for axis in "xyze"},
    "hotend.max_flow_mm3_s": True,
    "retraction.acceleration_mm_s2": False,
    "motion.print_acceleration_mm_s2": False,
    "motion.travel_acceleration_mm_s2": False,
    "motion.junction_deviation_mm": False,
    "motion.speed_step_mm_s.x": False,
    "motion.speed_step_mm_s.y": False,
    "motion.speed_step_mm_s.z": False,
    "motion.extruder_step_mm_s": False,
    "motion.lookahead_moves": True,
    "motion.feed_override": False,
    "motion.speed_cap_mm_s": True,
    "motion.by_kind.print.print_acceleration_mm_s2": False,
    "motion.by_kind.print.commanded_speed_mm_s": False,
    "motion.by_kind.print.feed_override": False,
    "motion.by_kind.print.speed_cap_mm_s": False,
    "motion.by_kind.travel.travel_acceleration_mm_s2": False,
    "motion.by_kind.travel.commanded_speed_mm_s": False,
    "motion.by_kind.travel.feed_override": False,
    "motion.by_kind.travel.speed_cap_mm_s": False,
}
# The twin has no word for these, so its limits never hold them.
BY_KIND = (
    "motion.by_kind.print.print_acceleration_mm_s2",
    "motion.by_kind.print.speed_cap_mm_s",
    "motion.by_kind.travel.travel_acceleration_mm_s2",
    "motion.by_kind.travel.speed_cap_mm_s",
)


@EXAMPLES
@given(
    jobs(3), limits(), st.floats(1.0, MOST_FACTOR), st.lists(st.floats(5.0, 5000.0) | st.none(), min_size=4, max_size=4)
)
def test_raising_a_ceiling_never_costs_time(
    job: list[NaiveMove], drawn: NaiveLimits, factor: float, by_kind: list[float | None]
) -> None:
    """Each key that is a constant ceiling by itself, raised and where possible left out.

    Accelerations count among them: neither pressure advance nor a drive's curve makes one depend on speed here.
    """
    moves = to_moves(job)
    machine = machine_from(expressible(drawn)).with_settings(dict(zip(BY_KIND, by_kind, strict=True)), "drawn")
    seconds = math.fsum(planned(moves, machine)[1].duration)
    for key, may_go in CEILINGS.items():
        value = machine.value_of(key)
        if value is None:
            continue
        raised: list[Any] = [math.ceil(value * factor) if key == "motion.lookahead_moves" else value * factor]
        for other in raised + ([None] if may_go else []):
            more = math.fsum(planned(moves, machine.with_settings({key: other}, "raised"))[1].duration)
            assert more <= seconds * (1.0 + SUMMING), f"{key} from {value} to {other}: {seconds!r} s became {more!r} s"


def test_every_ceiling_that_is_raised_is_a_key_that_speeds_something_up() -> None:
    """Each key once where it binds, so that the property above is not kept by a key that nobody reads."""
    path = [NaiveMove(dx=30.0, dy=20.0, dz=5.0, de=3.0)] * 4 + [
        NaiveMove(dx=30.0, dy=20.0, dz=5.0, de=3.0, speed=80.0),
        NaiveMove(dx=30.0, dy=-20.0, dz=9.0, de=1.0, speed=80.0),
        NaiveMove(dx=-30.0, dy=21.0, dz=5.0, speed=80.0, kind="travel"),
        NaiveMove(dx=-30.0, dy=-22.0, dz=5.0, speed=80.0, kind="travel"),
        NaiveMove(de=-4.0, speed=80.0, kind="filament"),
    ]
    binding = {
        "speed_mm_s": 2.0, "acceleration_mm_s2": 15.0, "flow_mm3_s": 1.0, "deviation_mm": 1e-4, "override": 0.1,
        "cap_mm_s": 6.0, "moves": 1,
    }  # fmt: skip
    for key in CEILINGS:
        value = next((value for end, value in binding.items() if key.endswith(end)), 0.1)  # a step: 0.1 mm/s
        machine = Machine().with_settings({key: value}, "binding")
        more = machine.with_settings({key: 2 * value}, "raised")
        before, after = (math.fsum(planned(to_moves(path), one)[1].duration) for one in (machine, more))
        assert after < before * 0.9999, key


# ---- the same job drawn another way -----------------------------------------------------------------------------


@EXAMPLES
@given(jobs(), limits(unlimited_lookahead=True), SEEDS)
def test_splitting_straight_moves_changes_nothing(job: list[NaiveMove], drawn: NaiveLimits, seed: int) -> None:
    """With every move in sight; the pieces' lengths round otherwise, hence the jobs on the edge."""
    drawn = expressible(drawn)
    assert_same(seconds_of(job, drawn), seconds_of(split(job, seed), drawn), job, drawn)


@EXAMPLES
@given(jobs(), limits(unlimited_lookahead=True))
def test_reversing_changes_nothing(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """From the end to the beginning, with every move in sight."""
    drawn = expressible(drawn)
    assert_same(seconds_of(job, drawn), seconds_of(reversed_path(job), drawn), job, drawn)


@EXAMPLES
@given(jobs(), limits())
def test_a_quarter_turn_changes_nothing_under_equal_limits(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """By 90° about z, x and y alike: the same numbers in other places."""

    def alike(vector: tuple[float, float, float]) -> tuple[float, float, float]:
        return (vector[0], vector[0], vector[2])

    drawn = expressible(
        replace(
            drawn,
            axis_speed=alike(drawn.axis_speed),
            axis_acceleration=alike(drawn.axis_acceleration),
            speed_step=alike(drawn.speed_step),
        )
    )
    assert_same(seconds_of(job, drawn), seconds_of(quarter_turned(job), drawn), job, drawn)


@EXAMPLES
@given(jobs(), limits(), SEEDS)
def test_any_turn_changes_nothing_without_axis_limits(job: list[NaiveMove], drawn: NaiveLimits, seed: int) -> None:
    """About any axis in space by any angle; nothing of the machine is told of a single axis but the extruder's."""
    drawn = replace(drawn, axis_speed=UNLIMITED, axis_acceleration=UNLIMITED, corner_rule="junction deviation")
    drawn = expressible(drawn)
    assert_same(seconds_of(job, drawn), seconds_of(turned(job, seed), drawn), job, drawn)


@EXAMPLES
@given(jobs(), limits(), st.sampled_from([0.25, 4.0, 256.0]) | st.floats(0.1, 50.0))
def test_lengths_times_k_and_speeds_times_its_root_take_times_its_root(
    job: list[NaiveMove], drawn: NaiveLimits, lengths: float
) -> None:
    """Dimensional analysis: with accelerations as they are, T grows as √k; the rules' own lengths grow along.

    All but one: what a place of the curve rule may lie nearer than its window is a millionth of a millimetre always.
    """
    drawn = expressible(drawn)
    expected = seconds_of(job, drawn) * math.sqrt(lengths)
    larger_job, larger_limits = scaled_job(job, lengths), scaled_limits(drawn, lengths)
    larger = seconds_of(larger_job, larger_limits)
    if not math.isclose(expected, larger, rel_tol=ROUNDING):
        grown = THRESHOLDS._replace(place_slack=THRESHOLDS.place_slack * lengths)
        larger = total_s(plan_naively(larger_job, larger_limits, grown))
    assert_same(expected, larger, job, drawn)


@EXAMPLES
@given(jobs(2), jobs(2), limits())
def test_jobs_with_a_stop_between_add_up(job: list[NaiveMove], other: list[NaiveMove], drawn: NaiveLimits) -> None:
    """Nothing of what lies beyond a stop counts, with any lookahead."""
    drawn = expressible(drawn)
    both = [*job, replace(other[0], stop_before=True), *other[1:]]
    apart = seconds_of(job, drawn) + seconds_of(other, drawn)
    assert seconds_of(both, drawn) == pytest.approx(apart, rel=SUMMING)


# ---- the same file written another way --------------------------------------------------------------------------

THOUSANDTHS = Grid(0.001, 3)
BINARY = Grid(2.0**-10, 10)  # every place and every sum of places is exact
INCHES, THEIR_MILLIMETRES = Grid(0.001, 3, 1.0), Grid(0.0254, 4, 25.4)


def seconds_of_text(text: bytes, given_limits: NaiveLimits) -> tuple[float, Moves]:
    """Total of a file (s) and its moves."""
    moves = read_gcode(text).moves
    return math.fsum(planned(moves, machine_from(given_limits))[1].duration), moves


@EXAMPLES
@given(legs(), limits(), st.tuples(*[st.integers(-200000, 200000)] * 3))
def test_translating_changes_nothing(path: list[Leg], drawn: NaiveLimits, origin: tuple[int, int, int]) -> None:
    """The same file elsewhere on the bed: to the last digit where places are exact, else to rounding."""
    drawn = expressible(drawn)
    here, _ = seconds_of_text(text_of(path, BINARY), drawn)
    assert seconds_of_text(text_of(path, BINARY, origin=origin), drawn)[0] == here
    here, moves = seconds_of_text(text_of(path, THOUSANDTHS), drawn)
    there, _ = seconds_of_text(text_of(path, THOUSANDTHS, origin=origin), drawn)
    assert_same(here, there, to_naive(moves), drawn)


@EXAMPLES
@given(legs(), limits())
def test_changing_units_changes_nothing(path: list[Leg], drawn: NaiveLimits) -> None:
    """Places, filament and speeds in inches, and the same lengths in millimetres, both exact in decimals."""
    drawn = expressible(drawn)
    inches, moves = seconds_of_text(text_of(path, INCHES, "G20"), drawn)
    millimetres, _ = seconds_of_text(text_of(path, THEIR_MILLIMETRES, "G21"), drawn)
    assert_same(inches, millimetres, to_naive(moves), drawn)


def test_a_run_as_long_as_a_short_run_is_the_same_everywhere() -> None:
    """There, 0.05 mm across and back: 50.05 − 50 is less than 0.05, 10.05 − 10 is more."""
    seconds = []
    for place in (0.0, 0.1, 10.0, 20.3, 50.0, 100.1):
        lines = [f"G92 Y{place}", "G1 X10 F6000", f"G1 Y{place + 0.05:.3f}", "G1 X0", ""]
        seconds.append(seconds_of_text("\n".join(lines).encode(), NaiveLimits())[0])
    assert seconds == pytest.approx([seconds[0]] * len(seconds), rel=ROUNDING)


# ---- where the time goes ----------------------------------------------------------------------------------------


@EXAMPLES
@given(jobs(), limits())
def test_causes_sum_to_the_total(job: list[NaiveMove], drawn: NaiveLimits) -> None:
    """Every second under one cause and in its move's class; ramps under what bounds acceleration, cruising the rest."""
    drawn = expressible(drawn)
    moves = to_moves(job)
    fast = planned(moves, machine_from(drawn))[1]
    classes = classify(moves, drawn.first_layers_count)
    assert fast.seconds.shape == (len(classes.table), by.CAUSES)
    assert (fast.seconds >= 0.0).all()
    assert fast.seconds.sum() == pytest.approx(math.fsum(fast.duration), rel=ROUNDING)
    assert fast.rising + fast.cruising + fast.falling == pytest.approx(fast.duration, rel=SUMMING)
    expected = np.zeros_like(fast.seconds)
    np.add.at(expected, (classes.of_move, fast.cruise_cause), fast.cruising)
    np.add.at(expected, (classes.of_move, fast.ramp_cause), fast.rising + fast.falling)
    assert fast.seconds == pytest.approx(expected, rel=SUMMING)
    assert (fast.cruise_cause <= by.CORNER).all()
    assert (fast.ramp_cause > by.CORNER).all()
    alone = moves.kind == FILAMENT
    allowed = [by.COMMANDED_SPEED, by.FILAMENT_SPEED, by.CORNER]
    assert np.isin(fast.cruise_cause[alone], allowed).all()


# ---- curves and straights in pieces -----------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [1.0, 5.0, 20.0])
@pytest.mark.parametrize("share", [1.0, 0.25, 0.05])
def test_a_cut_circle_runs_at_its_centripetal_limit(radius: float, share: float) -> None:
    """v² = a·R within 5 % for chords c with c² <= 8Rδ and c <= R/5 (physics of a circle)."""
    chord = share * min(radius / 5.0, math.sqrt(8.0 * radius * A_THOUSAND.junction_deviation))
    chords = math.ceil(math.tau / (2.0 * math.asin(chord / (2.0 * radius))))
    rounds = [NaiveMove(x, y, z, 0.0, 1000.0, "travel") for x, y, z in steps_between(circle(radius, chords)) * 3]
    speeds = planned_from_naive(rounds, A_THOUSAND).speed_in
    assert speeds[chords : 2 * chords] == pytest.approx(math.sqrt(1000.0 * radius), rel=0.05)


@pytest.mark.parametrize("angle", [0.0, 0.3, 1.0, 2.2])
def test_a_straight_of_rounded_pieces_is_not_slowed(angle: float) -> None:
    """100 mm in pieces of 0.1 mm rounded to 0.001 mm, F² <= a·60 mm: within 0.1 % of the whole."""
    places = straight((math.cos(angle), math.sin(angle), 0.0), 100.0, 1000, (20.0, 30.0, 0.3))
    speed = math.sqrt(60.0 * 1000.0)
    pieces = [NaiveMove(x, y, z, 0.0, speed, "travel") for x, y, z in steps_between(places, 3)]
    whole = seconds_of([NaiveMove(dx=100.0, speed=speed, kind="travel")], A_THOUSAND)
    assert whole == pytest.approx(100.0 / speed + speed / 1000.0, rel=ROUNDING)  # the textbook trapezoid
    assert seconds_of(pieces, A_THOUSAND) == pytest.approx(whole, rel=1e-3)
