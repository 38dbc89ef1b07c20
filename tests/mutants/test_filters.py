"""Filters by small exact cases: sums written out impulse by impulse, and the ends of what there is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.limits.vibration import axis_quality
from kinematics.machine import Machine
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.features import CornerSettings, make_features
from kinematics.planner.filtered import Filtered, with_rounding
from kinematics.planner.plan import plan
from kinematics.vibration.exposure import axis_motion
from kinematics.vibration.extra_insensitive import extra_insensitive
from kinematics.vibration.filters import Filter, filter_named, spread_of
from kinematics.vibration.path_rounding import (
    PlannedMotion,
    leads_between,
    rest_speeds_by_rounding,
    rounding_along,
    speed_by_rounding,
)
from kinematics.vibration.residual import Mode, worst_residual
from kinematics.vibration.ringing import swing_apart
from kinematics.vibration.rounding import corner_cut, lead
from tests.naive.planner_records import NaiveCaps, NaiveLimits, NaiveMove
from tests.naive.planner_twin import plan_naively, total_s
from tests.naive.random_paths import to_moves
from tests.planner.from_naive import prepared_from_naive

UNEVEN = Filter("uneven", (0.0, 0.01, 0.04), (0.5, 0.25, 0.25))


def test_moments_by_hand() -> None:
    """t̄ = 12.5 ms; σ² = 0.5·12.5² + 0.25·2.5² before it and 0.25·27.5² after it; M = 2·0.25·27.5 ms."""
    found = spread_of(UNEVEN)
    assert found.delay == pytest.approx(0.0125)
    assert found.early == pytest.approx(0.5 * 0.0125**2 + 0.25 * 0.0025**2)
    assert found.late == pytest.approx(0.25 * 0.0275**2)
    assert found.variance == pytest.approx(found.early + found.late)
    assert found.mean_deviation == pytest.approx(0.01375)
    assert lead(UNEVEN, 800.0) == pytest.approx(400.0 * found.variance)


def test_an_uneven_filter_cuts_a_corner() -> None:
    """Right angle at 60 mm/s, braking at 700, speeding at 900 mm/s², each side with its own sum, by hand."""
    rounded = 0.5 * 60.0 * 0.01375
    late, early = 0.25 * 0.0275**2, 0.5 * 0.0125**2 + 0.25 * 0.0025**2
    expected = math.hypot(rounded + 0.5 * 700.0 * late, rounded + 0.5 * 900.0 * early)
    found = corner_cut([UNEVEN, UNEVEN], (1.0, 0.0), (0.0, 1.0), 60.0, 700.0, 900.0)
    assert found == pytest.approx(expected, rel=1e-12)


def test_three_humps_end_where_the_solution_turns_back() -> None:
    """At 0.2756 of damping; the steps towards it get shorter, and never lead past it."""
    with pytest.raises(ArithmeticError, match="5 impulses"):
        extra_insensitive(5, 0.2956, 0.05)
    times, amplitudes = extra_insensitive(5, 0.05, 0.05)
    assert len(times) == len(amplitudes) == 5
    assert math.fsum(amplitudes) == pytest.approx(1.0, abs=1e-12)


def test_the_motion_of_an_axis_by_hand() -> None:
    """Two moves: one with ramps, and one without, whose speed changes at once; a pause before the second."""
    direction = np.array([0.5, -1.0])
    found = axis_motion(
        direction,
        np.array([2.0, 30.0]),
        np.array([12.0, 40.0]),
        np.array([4.0, 20.0]),
        np.array([0.1, 0.0]),
        np.array([1.0, 2.0]),
        np.array([0.2, 0.0]),
        np.array([0.0, 0.7]),
    )
    assert found.duration.tolist() == [0.0, 0.1, 1.0, 0.2, 0.7, 0.0, 2.0, 0.0]
    assert found.acceleration == pytest.approx([0.0, 50.0, 0.0, -20.0, 0.0, 0.0, 0.0, 0.0])
    assert found.jump == pytest.approx([0.0, 1.0, 0.0, 0.0, -2.0, -30.0, -10.0, 20.0])


def test_stacked_zeros_by_hand() -> None:
    """ζ = 0.2: K = e^(−0.2π/√0.96) = 0.52662, half a damped period √0.96⁻¹/2 = 0.51031 apart at 1 Hz."""
    k = math.exp(-0.2 * math.pi / math.sqrt(0.96))
    found = filter_named("ZVDD", 2.0, 0.2)
    assert found.amplitudes == pytest.approx([c * k**n / (1.0 + k) ** 3 for n, c in enumerate((1, 3, 3, 1))], rel=1e-12)
    assert found.times == pytest.approx([0.25 * n / math.sqrt(0.96) for n in range(4)], rel=1e-12)


def test_a_path_that_rests_nowhere_has_no_ceiling_at_its_ends() -> None:
    """Two lines at a right angle: their corner is held, where they begin and end is not."""
    steps = (np.array([500.0, 0.0]), np.array([0.0, 500.0]))
    filters = [filter_named("ZVD", 40.0, 0.0)] * 2
    nowhere = np.zeros(3, np.bool_)
    found = speed_by_rounding(steps, nowhere, filters, 0.1, 1e4)
    assert np.isinf(found[[0, 2]]).all()
    assert np.isfinite(found[1])
    leaving, reaching = rest_speeds_by_rounding(steps, nowhere, filters, 0.1, 1e4)
    assert np.isfinite([leaving[0], reaching[1]]).all()
    assert np.isinf([leaving[1], reaching[0]]).all()
    assert leaving[0] == pytest.approx(reaching[1], rel=1e-12)


def test_only_one_undamped_mode_swings_a_quarter_of_a_period_apart() -> None:
    assert swing_apart([Mode(50.0, 0.0)])
    assert not swing_apart([Mode(50.0, 0.1)])
    assert not swing_apart([Mode(50.0, 0.0), Mode(60.0, 0.0)])


@pytest.mark.parametrize("uncertainty", [-0.1, 1.0, 1.5])
def test_a_frequency_is_known_within_less_than_itself(uncertainty: float) -> None:
    with pytest.raises(InputError, match="uncertainty"):
        worst_residual(filter_named("ZV", 40.0, 0.0), Mode(40.0, 0.0, uncertainty), 1)


@pytest.mark.parametrize("power", [0, 1, 2])
def test_the_worst_at_either_end_of_an_interval(power: int) -> None:
    """ZV without damping, V = |cos(πr/2)|: least at r = 1 and more beside it, from r times the frequency on; by hand.

    From 0.80 to 1.10 of it the low end is worst, from 0.93 to 1.23 the high one.
    """
    zv, omega = filter_named("ZV", 50.0, 0.0), 2.0 * math.pi * 50.0
    for low, high, worst in ((0.80, 1.10, 0.80), (0.93, 1.23, 1.23)):
        middle, share = 0.5 * (low + high), (high - low) / (high + low)
        expected = abs(math.cos(0.5 * math.pi * worst)) / (omega * worst) ** power
        assert worst_residual(zv, Mode(50.0 * middle, 0.0, share), power) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("inside", [0.0083, 0.217, 0.443, 0.711, 1.387])
def test_a_maximum_just_inside_an_interval(inside: float) -> None:
    """Halves a gap apart: V = |cos(ω·gap/2)|, 1 at 100 Hz, which lies so many steps of looking from either end.

    10 ms, 12.8 Hz: 65 looks, the fewest. 1 s, 0.8 Hz: 0.05 rad at most, 2π·0.8/0.05 = 100.5, so that there are 102.
    """
    for gap, width, steps in ((0.01, 12.8, 64), (1.0, 0.8, 101)):
        halves = Filter("halves", (0.0, gap), (0.5, 0.5))
        for sign in (1.0, -1.0):
            middle = 100.0 + sign * (0.5 - inside / steps) * width
            worst = worst_residual(halves, Mode(middle, 0.0, 0.5 * width / middle), 0)
            assert worst == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("steps", [False, True])
@pytest.mark.parametrize("cut", [False, True])
def test_corners_alone_are_held_by_rounding_however_lines_are_cut(cut: bool, steps: bool) -> None:
    """ZV, 40 Hz, τ = 6.25 ms before and behind: v·τ·|w|/2 <= 0.97·0.05 mm at a corner, w of x and y; v·τ/2 at rest.

    Lines of 1 mm and more, of which one in three begins at rest. No place within a line has a ceiling of its own, not
    where it is cut a tenth of it from either end, which a filter at 64 mm/s takes together with the corner; a place at
    rest has one where it is left and reached with steps.
    """
    rng, delay, allowed = np.random.default_rng(8), 6.25e-3, 0.97 * 0.05
    vectors = rng.integers(-3, 4, (40, 3)) * (1.0, 1.0, 0.25) / 3.0 + (2.0, 0.0, 0.0)
    stops = np.append(True, rng.random(39) < 1.0 / 3.0)
    shares = (0.1, 0.8, 0.1) if cut else (1.0,)
    job = [
        NaiveMove(*(share * vectors[k]).tolist(), speed=60.0, kind="travel", stop_before=bool(stops[k]) and j == 0)
        for k in range(40)
        for j, share in enumerate(shares)
    ]
    line, first = np.repeat(np.arange(40), len(shares)), np.arange(40) * len(shares)
    moves, units = to_moves(job), vectors / np.linalg.norm(vectors, axis=1)[:, None]
    plain = make_features(moves, np.zeros(line.size, np.uint16), CornerSettings())
    zv = filter_named("ZV", 40.0, 0.0)
    found = with_rounding(plain, moves, Filtered((zv, zv), 0.05, 64.0, steps))
    flat = np.linalg.norm(units[:, :2], axis=1)
    change = np.append(0.0, np.linalg.norm(np.diff(units[:, :2], axis=0), axis=1))
    change[stops] = flat[stops] if steps else 0.0
    pace = 0.5 * delay * change / allowed
    expected = np.zeros(line.size)
    expected[first] = np.where(pace > 1.0 / 64.0, pace, 0.0)
    assert found.rounded == pytest.approx(expected, rel=1e-9)
    assert np.count_nonzero(found.rounded) > 12
    assert found.lead == pytest.approx(delay**2 * flat[line], rel=1e-9)
    if not steps:
        assert found.reached.size == 0
        return
    reached = np.where(np.append(stops[1:], True), 0.5 * delay * flat / allowed, 0.0)
    expected[:] = 0.0
    expected[first + len(shares) - 1] = np.where(reached > 1.0 / 64.0, reached, 0.0)
    assert found.reached == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("pieces", [1, 3])
def test_the_pieces_of_a_line_run_ahead_as_the_whole_where_filters_differ(pieces: int) -> None:
    """σ_x² = 0.25·σ_y²: 0.3 mm along x between lines along y count as those do, behind a stop as they are.

    Within 4 ε = 0.4 mm in full; of 0.8 mm half counts: 0.5 of σ_y².
    """
    filters = filter_named("ZV", 80.0, 0.0), filter_named("ZV", 40.0, 0.0)
    for length, stop, share in ((0.3, False, 1.0), (0.8, False, 0.5), (0.3, True, 0.25)):
        job = [
            NaiveMove(x / pieces, y / pieces, speed=60.0, kind="travel", stop_before=before and j == 0)
            for x, y, before in ((0.0, 9.0, False), (length, 0.0, stop), (0.0, 9.0, False))
            for j in range(pieces)
        ]
        plain = make_features(to_moves(job), np.zeros(len(job), np.uint16), CornerSettings())
        found = with_rounding(plain, to_moves(job), Filtered(filters, 0.05, 64.0))
        expected = 6.25e-3**2 * np.repeat([1.0, share, 1.0], pieces)
        assert found.lead == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_leads_between_are_those_of_every_pair_of_runs_and_of_the_way_back(seed: int) -> None:
    """Between two rests, of 24 moves as long as the budget ε times a power of two: a run counts as the lesser of what
    lies on both sides, where that is more than its own lead and than a sixteenth of the largest; each in full up to 4 ε
    from the far end, by 1/distance beyond. Sums are exact: the way back has the same leads, to the last bit.
    """
    rng, moves, raised = np.random.default_rng(seed), 24, 0
    for budget, most in ((0.125, 2.0**-13), (0.5, 1.0), (2.0, 2.0**-7)):
        turns, rests = rng.random(moves) < 0.6, rng.random(moves + 1) < 0.1
        begins = (turns | rests[:-1]) & (np.arange(moves) > 0)
        run, stretch = np.cumsum(begins), np.cumsum(rests[:-1] & begins)
        lengths = budget * 2.0 ** rng.integers(-5, 4, moves)
        leads = most * rng.choice([0.0, 2.0**-6, 2.0**-4, 0.25, 0.75, 1.0], moves)[run]
        places = np.append(0.0, np.cumsum(lengths))
        expected = leads.copy()
        for i in range(moves):
            sides = [0.0, 0.0]
            own = np.flatnonzero(run == run[i])
            for k in np.flatnonzero((stretch == stretch[i]) & (run != run[i])).tolist():
                gap = places[own[-1] + 1] - places[k + 1] if k < i else places[k] - places[own[0]]
                sides[k < i] = max(sides[k < i], leads[k] * min(1.0, 4.0 * budget / gap))
            expected[i] = min(sides) if min(sides) > max(leads[i], most / 16.0) else leads[i]
        found = leads_between(lengths, turns, rests, leads, most, budget)
        assert found == pytest.approx(expected, rel=1e-12)
        raised += np.count_nonzero(found > leads)
        back = leads_between(lengths[::-1], np.append(True, turns[:0:-1]), rests[::-1], leads[::-1], most, budget)
        assert np.array_equal(back[::-1], found)
    assert raised >= 6


def test_a_filter_of_one_impulse_rounds_no_corner() -> None:
    quality = {"vibration.x.filter": "none", "quality.rounding_budget_mm": 0.1}
    assert axis_quality(Machine().with_settings(quality, "test"), "x").corner_rounding == math.inf


@pytest.mark.parametrize("moves", [1, 2, 3])
def test_the_rounding_of_a_line_is_where_it_begins_and_ends(moves: int) -> None:
    """ZV, 50 Hz: half of it 5 ms ahead, half 5 ms behind. At 60 mm/s behind rest, that is 0.15 mm off."""
    long, none = np.full(moves, 30.0), np.zeros(moves)
    speed = np.full(moves, 60.0)
    motion = PlannedMotion((long, none), speed, speed, speed, none, long / speed, none, none)
    found = rounding_along(motion, [filter_named("ZV", 50.0, 0.0), None], np.ones(moves, np.bool_))
    assert found.worst == pytest.approx(0.15, rel=1e-9)
    assert found.move == 0
    assert found.median == pytest.approx(0.0, abs=1e-9)
    nothing = rounding_along(motion, [filter_named("ZV", 50.0, 0.0), None], np.zeros(moves, np.bool_))
    assert nothing == (0.0, 0, 0.0, 0.0)


@pytest.mark.parametrize("damping", [0.0, 0.1])
def test_batches_ring_as_single_plans_where_both_sides_of_a_corner_accelerate_unlike(damping: float) -> None:
    """Prints of 500 mm/s² and travels of 4000 in turn, to and fro: what either side changes counts with its sign."""
    rng = np.random.default_rng(3)
    job = [
        NaiveMove(dx=x, dy=y, de=0.1 * (k % 2), speed=300.0, kind="print" if k % 2 else "travel")
        for k, (x, y) in enumerate((rng.uniform(1.0, 9.0, (24, 2)) * rng.choice([-1.0, 1.0], (24, 2))).tolist())
    ]
    for accelerations in ((500.0, 4000.0), (4000.0, 500.0), (1500.0, 2000.0)):
        caps = NaiveCaps(modes={"x": ((45.0, damping),), "y": ((38.0, damping),)}, ringing_budget=0.03)
        limits = NaiveLimits(print_acceleration=accelerations[0], travel_acceleration=accelerations[1], caps=caps)
        ready = prepared_from_naive(job, limits)
        tables = [ready.limits.values, ready.limits.values * 0.9]
        times = batch_times(batch_features(ready.features, np.zeros(len(job), np.int32)), tables).motion
        alone = [plan(ready.features, table).duration.sum() for table in tables]
        assert times == pytest.approx(alone, rel=1e-12)
        assert alone[0] == pytest.approx(total_s(plan_naively(job, limits)), rel=1e-9)
