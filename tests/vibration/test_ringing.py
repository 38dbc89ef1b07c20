"""Ringing of single kicks: against scipy's simulation, and the limits that budgets and modes set."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.vibration.exposure import AxisMotion
from kinematics.vibration.filters import FILTER_NAMES, filter_named
from kinematics.vibration.residual import Mode, worst_residual
from kinematics.vibration.ringing import (
    acceleration_by_ringing,
    speed_change_by_ringing,
    swing_after_acceleration,
    swing_after_speed_change,
)
from tests.naive.vibration_twin import simulated_swings

EXAMPLES = settings(max_examples=60, deadline=None, derandomize=True, database=None)
SIMULATED = 2e-3  # relative to the swing without a filter
DIGITS = 1e-9
STEP = 1e-5  # s
NOTHING_LEFT = 1e12  # mm/s²: beyond it the filter leaves nothing but rounding


def swing_left(motion: AxisMotion, name: str, design: float, frequency: float, damping: float) -> float:
    """The simulated swing one instant after the filter's last impulse of the last kick, faded back to that impulse."""
    found = filter_named(name, design, damping)
    last = float(motion.duration[:-1].sum()) + found.times[-1]
    times = np.arange(-5, round(last / STEP) + 4) * STEP
    swings = simulated_swings(motion, found, frequency, damping, times)
    at = int(np.flatnonzero(times > last + STEP)[0])
    return float(swings[at] * math.exp(2.0 * math.pi * frequency * damping * (times[at] - last)))


LONG = 0.5  # s: the motion goes on beyond what is looked at
CASES = [(name, plant, damping) for name in FILTER_NAMES for plant in (0.85, 1.0, 1.2) for damping in (0.0, 0.1)]


@pytest.mark.parametrize(("name", "plant", "damping"), CASES)
def test_swing_after_a_step_of_acceleration(name: str, plant: float, damping: float) -> None:
    motion = AxisMotion(np.array([LONG]), np.array([2500.0]), np.array([0.0]))
    f = 50.0 * plant
    found = filter_named(name, 50.0, damping)
    left = swing_left(motion, name, 50.0, f, damping)
    unfiltered = 2500.0 / (2.0 * math.pi * f) ** 2
    assert swing_after_acceleration(found, f, damping, 2500.0) == pytest.approx(left, abs=SIMULATED * unfiltered)
    assert swing_after_acceleration(found, f, damping, -2500.0) == swing_after_acceleration(found, f, damping, 2500.0)


@pytest.mark.parametrize(("name", "plant", "damping"), CASES)
def test_swing_after_a_sudden_change_of_speed(name: str, plant: float, damping: float) -> None:
    motion = AxisMotion(np.array([LONG]), np.array([0.0]), np.array([-40.0]))
    f = 50.0 * plant
    found = filter_named(name, 50.0, damping)
    left = swing_left(motion, name, 50.0, f, damping)
    unfiltered = 40.0 / (2.0 * math.pi * f)
    assert swing_after_speed_change(found, f, damping, -40.0) == pytest.approx(left, abs=SIMULATED * unfiltered)


@pytest.mark.parametrize("name", ["none", "ZV", "EI"])
def test_the_top_of_a_triangle_is_one_step_of_twice_the_acceleration(name: str) -> None:
    """After half a second of rising at ζ = 0.1 nothing of its start is left (e^(−ζωt) = 5e-7)."""
    motion = AxisMotion(np.array([LONG, LONG]), np.array([1500.0, -1500.0]), np.zeros(2))
    found = filter_named(name, 50.0, 0.1)
    left = swing_left(motion, name, 50.0, 44.0, 0.1)
    limit = acceleration_by_ringing(found, [Mode(44.0, 0.1)], left)
    assert limit == pytest.approx(1500.0, rel=2e-3)
    assert swing_after_acceleration(found, 44.0, 0.1, 3000.0) == pytest.approx(left, rel=2e-3)


def test_unfiltered_swing_by_hand() -> None:
    """a/ω² = 0.0303964 mm after 3000 mm/s² at 50 Hz; 0.02 mm allows ρω²/2 = 986.96 mm/s² and ρω = 6.2832 mm/s."""
    none = filter_named("none", 50.0, 0.0)
    assert swing_after_acceleration(none, 50.0, 0.0, 3000.0) == pytest.approx(0.0303964, abs=5e-8)
    assert acceleration_by_ringing(none, [Mode(50.0, 0.0)], 0.02) == pytest.approx(986.960, abs=1e-3)
    assert speed_change_by_ringing(none, [Mode(50.0, 0.0)], 0.02) == pytest.approx(6.28319, abs=1e-5)
    # A fifth lower may be the true frequency: 0.64 of the acceleration, 0.8 of the speed.
    unsure = [Mode(50.0, 0.0, 0.2)]
    assert acceleration_by_ringing(none, unsure, 0.02) == pytest.approx(0.64 * 986.960, abs=1e-3)
    assert speed_change_by_ringing(none, unsure, 0.02) == pytest.approx(0.8 * 6.28319, abs=1e-5)


def test_published_rest_to_rest_ringing() -> None:
    """A trapezoid at most leaves 4a/ω², each of its four steps a/ω² (3000 mm/s², 50 Hz: 0.1216 mm; sum by hand)."""
    none = filter_named("none", 50.0, 0.0)
    assert 4.0 * swing_after_acceleration(none, 50.0, 0.0, 3000.0) == pytest.approx(0.1215854, abs=1e-7)


modes = st.builds(Mode, st.floats(20.0, 150.0), st.floats(0.0, 0.25), st.floats(0.0, 0.3))


@EXAMPLES
@given(
    st.sampled_from(FILTER_NAMES), st.lists(modes, min_size=1, max_size=3), st.floats(1e-3, 1.0), st.floats(-1.0, 1.0)
)
def test_limits_hold_every_mode_anywhere_in_its_band(
    name: str, axis_modes: list[Mode], budget: float, where: float
) -> None:
    """A step of 2a, or of Δv, at its limit: the swings of all modes together stay within the budget."""
    first = axis_modes[0]
    found = filter_named(name, first.frequency, first.damping)
    acceleration = acceleration_by_ringing(found, axis_modes, budget)
    change = speed_change_by_ringing(found, axis_modes, budget)
    true = [(mode.frequency * (1.0 + where * mode.uncertainty), mode.damping) for mode in axis_modes]
    after_top = sum(swing_after_acceleration(found, f, damping, 2.0 * acceleration) for f, damping in true)
    after_corner = sum(swing_after_speed_change(found, f, damping, change) for f, damping in true)
    if acceleration < NOTHING_LEFT:
        assert after_top <= budget * (1.0 + 2e-6)
        assert after_corner <= budget * (1.0 + 2e-6)
    for mode in axis_modes:
        assert acceleration <= acceleration_by_ringing(found, [mode], budget) * (1.0 + DIGITS)
        if acceleration < NOTHING_LEFT:
            assert 2.0 * acceleration * worst_residual(found, mode, 2) <= budget * (1.0 + DIGITS)


@EXAMPLES
@given(st.sampled_from(FILTER_NAMES), modes, st.floats(1e-3, 1.0), st.floats(1.1, 5.0), st.floats(0.8, 1.25))
def test_limits_scale(name: str, mode: Mode, budget: float, factor: float, offset: float) -> None:
    """In proportion to the budget; all frequencies times k: accelerations times k², speed changes times k."""
    design = mode.frequency * offset
    found, other = filter_named(name, design, mode.damping), filter_named(name, factor * design, mode.damping)
    higher = mode._replace(frequency=factor * mode.frequency)
    a, v = acceleration_by_ringing(found, [mode], budget), speed_change_by_ringing(found, [mode], budget)
    if a > NOTHING_LEFT:
        return
    assert acceleration_by_ringing(found, [mode], factor * budget) == pytest.approx(factor * a, rel=DIGITS)
    assert acceleration_by_ringing(other, [higher], budget) == pytest.approx(factor**2 * a, rel=1e-6)
    assert speed_change_by_ringing(other, [higher], budget) == pytest.approx(factor * v, rel=1e-6)


def test_an_axis_without_modes_is_not_held() -> None:
    found = filter_named("ZV", 50.0, 0.1)
    assert acceleration_by_ringing(found, [], 0.02) == math.inf
    assert speed_change_by_ringing(found, [], 0.02) == math.inf


@pytest.mark.parametrize("budget", [0.0, -1.0, math.nan])
def test_budgets_that_are_none(budget: float) -> None:
    found = filter_named("ZV", 50.0, 0.1)
    for limit in (acceleration_by_ringing, speed_change_by_ringing):
        with pytest.raises(InputError, match="ringing budget") as caught:
            limit(found, [Mode(50.0, 0.1)], budget)
        assert caught.value.findings[0].allowed == "above 0"
