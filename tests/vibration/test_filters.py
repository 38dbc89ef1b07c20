"""Filters at any damping: what defines them holds, moments, and what cannot be asked for."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.vibration.extra_insensitive import extra_insensitive, undamped
from kinematics.vibration.filters import FILTER_NAMES, HIGHEST_DAMPING, TOLERANCE, Filter, filter_named, spread_of
from kinematics.vibration.residual import insensitivity_width, residual
from tests.naive.vibration_twin import relative_residual, solved_by_library

EXAMPLES = settings(max_examples=60, deadline=None, derandomize=True, database=None)
DIGITS = 1e-12
SOLVED = 1e-9
SLOPE = 1e-7  # of V a unit of f/f0: what a central difference leaves of none
IMPULSES = {"EI": 3, "two-hump-EI": 4, "three-hump-EI": 5}


def shares_of(name: str) -> list[float]:
    """Damping ratios from none to the highest, the ends among them."""
    return [0.0, 1e-9, *(HIGHEST_DAMPING[name] * k / 9 for k in range(1, 9)), HIGHEST_DAMPING[name]]


def turning_points(found: Filter, damping: float, low: float, high: float) -> tuple[list[float], list[float]]:
    """Multiples of the frequency at which V has zeros and maxima, from a dense grid and a parabola of V²."""
    ratios = np.linspace(low, high, 400_001)
    squares = residual(found, 2.0 * math.pi * ratios, damping) ** 2
    middle = squares[1:-1]
    at_zeros = np.flatnonzero((middle <= squares[:-2]) & (middle <= squares[2:]) & (middle < 1e-6)) + 1
    at_humps = np.flatnonzero((middle > squares[:-2]) & (middle >= squares[2:])) + 1
    return list(ratios[at_zeros]), list(ratios[at_humps])


@pytest.mark.parametrize("name", IMPULSES)
def test_the_definition_holds_up_to_the_highest_damping(name: str) -> None:
    """As many zeros and humps as the definition says, each hump 5 %, at the design frequency what it says."""
    for damping in shares_of(name):
        found = filter_named(name, 1.0, damping)
        assert min(found.amplitudes) > 0.0
        assert math.fsum(found.amplitudes) == pytest.approx(1.0, abs=DIGITS)
        assert all(a < b for a, b in pairwise(found.times))
        at_design = float(residual(found, 2.0 * math.pi, damping))
        assert at_design == pytest.approx(0.0 if name == "two-hump-EI" else TOLERANCE, abs=SOLVED)
        if name == "EI":
            assert found.times[-1] == pytest.approx(1.0 / math.sqrt(1.0 - damping**2), abs=SOLVED)
        zeros, humps = turning_points(found, damping, 0.3, 2.5)
        inside = [r for r in humps if zeros[0] < r < zeros[-1]]
        if damping <= 0.7 * HIGHEST_DAMPING[name]:  # further up the highest zero leaves the grid
            assert len(zeros) == IMPULSES[name] - 1
            assert len(inside) == IMPULSES[name] - 2
        for ratio in inside:
            left = float(residual(found, 2.0 * math.pi * ratio, damping))
            if name == "EI":
                assert left == pytest.approx(TOLERANCE, rel=0.06)  # its hump lies beside the design frequency
            else:
                assert left == pytest.approx(TOLERANCE, abs=1e-8)
        if name == "three-hump-EI":
            above, below = (float(residual(found, 2.0 * math.pi * (1.0 + s), damping)) for s in (1e-4, -1e-4))
            assert (above - below) / 2e-4 == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize("damping", [0.03, 0.1, 0.2])
@pytest.mark.parametrize("name", IMPULSES)
def test_a_library_solves_the_definition_alike(name: str, damping: float) -> None:
    """scipy's solver on the definition written out impulse by impulse, from a nearby filter as a guess."""
    impulses = IMPULSES[name]
    nearby = filter_named(name, 1.0, damping - 0.02)
    zeros, humps = turning_points(nearby, damping - 0.02, 0.3, 2.5)
    inside = [r for r in humps if zeros[0] < r < zeros[-1]]
    places = sorted([*zeros, *inside])
    places.pop(len(places) // 2)
    guess = np.array([*nearby.amplitudes[:-1], *nearby.times[1:], *places])
    found = filter_named(name, 1.0, damping)
    solved = solved_by_library(impulses, damping, guess, TOLERANCE)
    np.testing.assert_allclose(np.array([*found.amplitudes, *found.times]), solved, atol=1e-6)


@pytest.mark.parametrize("impulses", [3, 4, 5])
def test_undamped_places_are_zeros_and_humps(impulses: int) -> None:
    amplitudes, places = undamped(impulses, TOLERANCE)
    times = 0.5 * np.arange(impulses)
    ratios = np.insert(places, len(places) // 2, 1.0)
    assert np.all(np.diff(ratios) > 0.0)
    left = [abs(relative_residual(amplitudes, times, r, 0.0)) for r in ratios]
    np.testing.assert_allclose(left[::2], 0.0, atol=DIGITS)
    np.testing.assert_allclose(left[1::2], TOLERANCE, atol=DIGITS)
    for r in ratios[1::2]:
        above, below = (abs(relative_residual(amplitudes, times, r + s, 0.0)) for s in (1e-5, -1e-5))
        assert (above - below) / 2e-5 == pytest.approx(0.0, abs=SLOPE)


@pytest.mark.parametrize(("impulses", "last"), [(3, 0.687), (4, 0.449), (5, 0.2756)])
def test_beyond_the_end_there_is_no_solution(impulses: int, last: float) -> None:
    """The ends told beside HIGHEST_DAMPING, to the digits there; the limits themselves lie below."""
    with pytest.raises(ArithmeticError, match=f"{impulses} impulses"):
        extra_insensitive(impulses, last + 0.02, TOLERANCE)
    name = next(name for name, count in IMPULSES.items() if count == impulses)
    assert last - 0.01 < HIGHEST_DAMPING[name] < last


def test_stacked_zeros_take_any_damping() -> None:
    """V and its first derivatives by frequency vanish at the design mode, however damped."""
    for damping in (0.0, 0.3, 0.9, 0.999):
        for order, name in enumerate(("ZV", "ZVD", "ZVDD"), start=1):
            found = filter_named(name, 40.0, damping)
            assert math.fsum(found.amplitudes) == pytest.approx(1.0, abs=DIGITS)
            for beside in (1e-3, 1e-4):
                left = float(residual(found, 2.0 * math.pi * 40.0 * (1.0 + beside), damping))
                assert left <= (10.0 * beside) ** order


def test_no_filter_is_one_impulse() -> None:
    found = filter_named("none", math.nan, 7.0)
    assert (found.times, found.amplitudes) == ((0.0,), (1.0,))
    assert tuple(spread_of(found)) == (0.0, 0.0, 0.0, 0.0, 0.0)
    np.testing.assert_array_equal(residual(found, np.array([1.0, 300.0]), 0.2), 1.0)


@pytest.mark.parametrize(
    ("name", "frequency", "damping", "sentence"),
    [
        ("ZVV", 50.0, 0.1, "filter: 'ZVV'; allowed: none, ZV, ZVD, ZVDD, EI, two-hump-EI, three-hump-EI (did you mean"),
        ("ZV", 0.0, 0.1, "frequency: 0 Hz; allowed: above 0"),
        ("ZV", -3.0, 0.1, "frequency: -3 Hz; allowed: above 0"),
        ("EI", math.inf, 0.1, "frequency: inf Hz; allowed: above 0"),
        ("EI", math.nan, 0.1, "frequency: nan Hz; allowed: above 0"),
        ("ZVD", 50.0, 1.0, "damping ratio: 1; allowed: 0 or more and below 1"),
        ("ZVD", 50.0, -0.01, "damping ratio: -0.01; allowed: 0 or more and below 1"),
        ("EI", 50.0, math.nan, "damping ratio: nan; allowed: 0 or more and below 1"),
        ("EI", 50.0, 0.69, "damping ratio of EI: 0.69; allowed: 0 to 0.68 (ZV, ZVD and ZVDD take any damping"),
        ("two-hump-EI", 50.0, 0.5, "damping ratio of two-hump-EI: 0.5; allowed: 0 to 0.44 (ZV"),
        ("three-hump-EI", 50.0, 0.3, "damping ratio of three-hump-EI: 0.3; allowed: 0 to 0.27 (ZV"),
    ],
)
def test_what_cannot_be_asked_for(name: str, frequency: float, damping: float, sentence: str) -> None:
    with pytest.raises(InputError) as caught:
        filter_named(name, frequency, damping)
    assert str(caught.value).startswith(sentence)


@pytest.mark.parametrize(
    ("times", "amplitudes", "found"),
    [
        ((), (), "0 times and 0 amplitudes"),
        ((0.0, 1.0), (1.0,), "2 times and 1 amplitudes"),
        ((1.0, 0.0), (0.5, 0.5), "times (1.0, 0.0)"),
        ((0.0, math.nan), (0.5, 0.5), "times (0.0, nan)"),
        ((0.0, 1.0), (1.5, -0.5), "amplitudes (1.5, -0.5)"),
        ((0.0, 1.0), (0.5, 0.4), "amplitudes (0.5, 0.4)"),
        ((0.0, 1.0), (0.5, math.nan), "amplitudes (0.5, nan)"),
    ],
)
def test_numbers_that_are_no_filter(times: tuple[float, ...], amplitudes: tuple[float, ...], found: str) -> None:
    with pytest.raises(InputError, match="filter odd") as caught:
        Filter("odd", times, amplitudes)
    assert caught.value.findings[0].found == found


names = st.sampled_from(FILTER_NAMES[1:])
frequencies = st.floats(1.0, 400.0)
dampings = st.one_of(st.just(0.0), st.floats(0.0, 0.25))


@EXAMPLES
@given(names, frequencies, dampings, st.floats(-1.0, 1.0))
def test_moments_do_not_hang_on_when_the_filter_begins(name: str, f: float, damping: float, shift: float) -> None:
    found = filter_named(name, f, damping)
    moved = Filter("moved", tuple(t + shift for t in found.times), found.amplitudes)
    before, after = spread_of(found), spread_of(moved)
    assert after.delay - before.delay == pytest.approx(shift, abs=1e-12)
    np.testing.assert_allclose(after[1:], before[1:], rtol=1e-8, atol=1e-14)
    omega = 2.0 * math.pi * f * np.linspace(0.1, 3.0, 30)
    np.testing.assert_allclose(residual(moved, omega, damping), residual(found, omega, damping), atol=1e-9)


@EXAMPLES
@given(names, frequencies, dampings)
def test_moments_scale_with_the_period(name: str, f: float, damping: float) -> None:
    """Twice the frequency, a quarter of σ² and half of M; the parts of σ² add up; half of M from either side."""
    one, two = spread_of(filter_named(name, f, damping)), spread_of(filter_named(name, 2.0 * f, damping))
    assert one.variance == pytest.approx(4.0 * two.variance, rel=1e-12)
    assert one.mean_deviation == pytest.approx(2.0 * two.mean_deviation, rel=1e-12)
    assert one.early + one.late == pytest.approx(one.variance, rel=1e-12)
    found = filter_named(name, f, damping)
    centred = np.array(found.times) - one.delay
    amplitudes = np.array(found.amplitudes)
    assert one.variance == pytest.approx(float(amplitudes @ centred**2), rel=1e-12)
    assert float(amplitudes @ np.maximum(centred, 0.0)) == pytest.approx(0.5 * one.mean_deviation, rel=1e-9)


@EXAMPLES
@given(names, frequencies, dampings, st.floats(0.0, 20.0), st.floats(0.0, 0.99))
def test_a_filter_never_makes_it_worse(name: str, f: float, damping: float, ratio: float, true: float) -> None:
    left = float(residual(filter_named(name, f, damping), 2.0 * math.pi * f * ratio, true))
    assert 0.0 <= left <= 1.0 + DIGITS


@EXAMPLES
@given(frequencies, dampings)
def test_more_humps_and_more_zeros_are_wider(f: float, damping: float) -> None:
    widths = {name: insensitivity_width(filter_named(name, f, damping), f, damping) for name in FILTER_NAMES}
    assert widths["none"] == 0.0
    assert widths["ZV"] < widths["ZVD"] < widths["ZVDD"]
    assert widths["EI"] < widths["two-hump-EI"] < widths["three-hump-EI"]
    assert widths["ZVD"] < widths["EI"]
