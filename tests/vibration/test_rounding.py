"""Rounding: against the sampled path of a corner between ramps, convolved with the filters."""

from __future__ import annotations

import math

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.vibration.filters import FILTER_NAMES, Filter, filter_named, spread_of
from kinematics.vibration.rounding import (
    acceleration_by_rounding,
    corner_cut,
    corner_speed_by_rounding,
    half_spread,
    lead,
)

Reals = NDArray[np.float64]

EXAMPLES = settings(max_examples=20 if numba.config.DISABLE_JIT else 80, deadline=None, derandomize=True, database=None)
SAMPLED = 1e-5  # relative: what sampling a ramp at INSTANT leaves
BINDS = 0.02  # relative
INSTANT = 2e-6  # s
DIGITS = 1e-9
AROUND = 0.15  # s on either side of a corner: twice the longest filter here
REAL_FILTERS = [name for name in FILTER_NAMES if name != "none"]
SYMMETRIC = ["ZV", "ZVD", "EI"]


def sampled_corner(before: Reals, after: Reals, speed: float, braking: float, speeding: float) -> tuple[Reals, Reals]:
    """Instants (s) and places float64[axes, instants] into and out of a corner, which is met at 0 s at the origin."""
    times = np.arange(-round(AROUND / INSTANT), round(AROUND / INSTANT) + 1) * INSTANT
    into = speed * times - 0.5 * braking * times**2
    out_of = speed * times + 0.5 * speeding * times**2
    return times, np.where(times < 0.0, np.outer(before, into), np.outer(after, out_of))


def convolved(times: Reals, places: Reals, filters: list[Filter]) -> Reals:
    """The places after each axis's filter, its mean time taken off, where all of it lies within the samples."""
    rows = []
    for row, command_filter in zip(places, filters, strict=True):
        delay = spread_of(command_filter).delay
        parts = [
            a * np.interp(times - (t - delay), times, row)
            for a, t in zip(command_filter.amplitudes, command_filter.times, strict=True)
        ]
        rows.append(sum(parts))
    within = np.abs(times) < 0.5 * AROUND
    return np.array(rows)[:, within]


def unit(angle: float) -> Reals:
    """The direction at an angle (rad)."""
    return np.array([math.cos(angle), math.sin(angle)])


@pytest.mark.parametrize("damping", [0.0, 0.1, 0.25])
@pytest.mark.parametrize("name", REAL_FILTERS)
def test_lead_on_a_ramp(name: str, damping: float) -> None:
    """A long ramp of 3000 mm/s², sampled, is ahead by a·σ²/2 all along."""
    found = filter_named(name, 40.0, damping)
    times = np.arange(0.0, 1.0, 1e-5)
    ramp = 0.5 * 3000.0 * times**2
    delay = spread_of(found).delay
    moved = sum(
        a * np.interp(times - (t - delay), times, ramp) for a, t in zip(found.amplitudes, found.times, strict=True)
    )
    middle = slice(40_000, 60_000)
    np.testing.assert_allclose(moved[middle] - ramp[middle], lead(found, 3000.0), rtol=1e-4)
    assert lead(found, -3000.0) == -lead(found, 3000.0)


@pytest.mark.parametrize("damping", [0.0, 0.1, 0.2])
@pytest.mark.parametrize("name", REAL_FILTERS)
def test_cut_of_a_corner(name: str, damping: float) -> None:
    """Different filters on both axes: the sampled path at the corner's instant, and never nearer than it passes."""
    filters = [filter_named(name, 55.0, damping), filter_named("ZVD", 42.0, damping)]
    for turn, speed, braking, speeding in (
        (0.4, 80.0, 2000.0, 2000.0),
        (1.6, 30.0, 4000.0, 1000.0),
        (2.9, 5.0, 0, 3e3),
    ):
        before, after = unit(0.3), unit(0.3 + turn)
        times, places = sampled_corner(before, after, speed, braking, speeding)
        moved = convolved(times, places, filters)
        off = np.hypot(*moved)
        cut = corner_cut(filters, list(before), list(after), speed, braking, speeding)
        assert off[off.size // 2] == pytest.approx(cut, rel=SAMPLED)
        assert off.min() <= cut * (1.0 + SAMPLED)


@pytest.mark.parametrize("name", SYMMETRIC)
def test_cut_of_a_right_angle_by_hand(name: str) -> None:
    """√2·(v·M/2 + a·σ²/4): with one symmetric filter on both axes, w = (−1, 1)."""
    found = filter_named(name, 50.0, 0.0)
    spread = spread_of(found)
    by_hand = math.sqrt(2.0) * (60.0 * spread.mean_deviation / 2.0 + 2500.0 * spread.variance / 4.0)
    assert corner_cut([found, found], [1.0, 0.0], [0.0, 1.0], 60.0, 2500.0, 2500.0) == pytest.approx(
        by_hand, rel=DIGITS
    )
    times, places = sampled_corner(unit(0.0), unit(0.5 * math.pi), 60.0, 2500.0, 2500.0)
    assert np.hypot(*convolved(times, places, [found, found])).min() == pytest.approx(by_hand, rel=SAMPLED)


@pytest.mark.parametrize("split", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("name", SYMMETRIC)
def test_the_budget_binds_where_motion_turns_back(name: str, split: float) -> None:
    """Speed and acceleration at their limits, back along one axis: the tip stops short by all of the budget."""
    budget = 0.1
    found = filter_named(name, 50.0, 0.0)
    acceleration = acceleration_by_rounding(found, budget, split)
    speed = float(corner_speed_by_rounding(np.array([-2.0, 0.0]), [half_spread(found)] * 2, budget, split))
    times, places = sampled_corner(unit(0.0), unit(math.pi), speed, acceleration, acceleration)
    moved = convolved(times, places, [found, found])
    off = np.abs(moved[0])[moved.shape[1] // 2]
    assert off <= budget * (1.0 + SAMPLED)
    assert off == pytest.approx(budget, rel=BINDS)


@pytest.mark.parametrize("name", SYMMETRIC)
def test_either_share_of_the_budget_binds_alone(name: str) -> None:
    """A right angle at constant speed takes (1 − q)ε, a ramp qε."""
    budget, split = 0.08, 0.3
    found = filter_named(name, 45.0, 0.0)
    speed = float(corner_speed_by_rounding(np.array([-1.0, 1.0]), [half_spread(found)] * 2, budget, split))
    times, places = sampled_corner(unit(0.0), unit(0.5 * math.pi), speed, 0.0, 0.0)
    cut = float(np.hypot(*convolved(times, places, [found, found])).min())
    assert cut == pytest.approx((1.0 - split) * budget, rel=BINDS)
    assert cut <= (1.0 - split) * budget * (1.0 + SAMPLED)
    assert lead(found, acceleration_by_rounding(found, budget, split)) == pytest.approx(split * budget, rel=DIGITS)


@EXAMPLES
@given(
    st.lists(st.sampled_from(FILTER_NAMES), min_size=2, max_size=2),
    st.lists(st.floats(25.0, 150.0), min_size=2, max_size=2),
    st.sampled_from([0.0, 0.05, 0.2]),
    st.floats(-math.pi, math.pi),
    st.floats(-math.pi, math.pi),
    st.floats(0.05, 0.95),
    st.floats(0.01, 0.5),
    st.lists(st.floats(-1.0, 1.0), min_size=2, max_size=2),
)
def test_no_axis_is_ever_off_by_more_than_the_budget(
    names: list[str],
    frequencies: list[float],
    damping: float,
    heading: float,
    turn: float,
    split: float,
    budget: float,
    shares: list[float],
) -> None:
    """Any two filters, any corner, any ramps within the limits, at every instant; written out, not sampled."""
    filters = [filter_named(name, f, damping) for name, f in zip(names, frequencies, strict=True)]
    before, after = unit(heading), unit(heading + turn)
    speed = float(corner_speed_by_rounding(after - before, [half_spread(f) for f in filters], budget, split))
    speed = min(speed, 500.0)
    limits = [min(1e5, acceleration_by_rounding(f, budget, split)) for f in filters]
    with np.errstate(divide="ignore"):
        ramps = [
            share * min(limit / abs(u) if u else math.inf for limit, u in zip(limits, direction, strict=True))
            for share, direction in zip(shares, (before, after), strict=True)
        ]
    times = np.linspace(-0.1, 0.1, 801)

    def drawn(at: Reals, axis: int) -> Reals:
        into, out_of = speed * at - 0.5 * ramps[0] * at**2, speed * at + 0.5 * ramps[1] * at**2
        return np.where(at < 0.0, before[axis] * into, after[axis] * out_of)

    for axis, command_filter in enumerate(filters):
        delay = spread_of(command_filter).delay
        pairs = zip(command_filter.amplitudes, command_filter.times, strict=True)
        moved = sum(a * drawn(times - (t - delay), axis) for a, t in pairs)
        assert np.abs(moved - drawn(times, axis)).max() <= budget * (1.0 + DIGITS) + 1e-12


@EXAMPLES
@given(st.sampled_from(REAL_FILTERS), st.floats(5.0, 150.0), st.floats(0.0, 0.25), st.floats(1.1, 4.0))
def test_limits_grow_with_frequency_and_budget(name: str, f: float, damping: float, factor: float) -> None:
    """a ∝ f²·ε, corner speed ∝ f·ε."""
    one, other = filter_named(name, f, damping), filter_named(name, factor * f, damping)
    assert acceleration_by_rounding(other, 0.1) == pytest.approx(
        factor**2 * acceleration_by_rounding(one, 0.1), rel=1e-9
    )
    assert acceleration_by_rounding(one, 0.1 * factor) == pytest.approx(factor * acceleration_by_rounding(one, 0.1))
    change = np.array([[-1.0, 0.2], [0.5, 0.1]])
    slow = corner_speed_by_rounding(change, [half_spread(one)] * 2, 0.1)
    fast = corner_speed_by_rounding(change, [half_spread(other)] * 2, 0.1 * factor)
    assert slow.shape == (2,)
    np.testing.assert_allclose(fast, factor**2 * slow, rtol=1e-9)


def test_without_a_filter_nothing_is_rounded() -> None:
    none = filter_named("none", 50.0, 0.0)
    assert acceleration_by_rounding(none, 0.1) == math.inf
    assert float(corner_speed_by_rounding(np.array([1.0, 1.0]), [0.0, 0.0], 0.1)) == math.inf
    assert corner_cut([none, none], [1.0, 0.0], [0.0, 1.0], 100.0, 1e4, 1e4) == 0.0
    straight = corner_speed_by_rounding(np.zeros((2, 3)), [0.01, 0.01], 0.1)
    np.testing.assert_array_equal(straight, math.inf)


@pytest.mark.parametrize(
    ("budget", "split", "sentence"),
    [
        (0.0, 0.5, "rounding budget: 0 mm; allowed: above 0"),
        (-0.1, 0.5, "rounding budget: -0.1 mm; allowed: above 0"),
        (math.nan, 0.5, "rounding budget: nan mm; allowed: above 0"),
        (0.1, 0.0, "rounding split: 0; allowed: above 0 and below 1"),
        (0.1, 1.0, "rounding split: 1; allowed: above 0 and below 1"),
    ],
)
def test_budgets_that_are_none(budget: float, split: float, sentence: str) -> None:
    found = filter_named("ZV", 50.0, 0.1)
    for ask in (
        lambda: acceleration_by_rounding(found, budget, split),
        lambda: corner_speed_by_rounding(np.array([1.0]), [half_spread(found)], budget, split),
    ):
        with pytest.raises(InputError) as caught:
            ask()
        assert str(caught.value) == sentence
