"""What a filter leaves: against simulation, and the worst of a whole interval against a very dense grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import lsim

from kinematics.errors import InputError
from kinematics.vibration.filters import FILTER_NAMES, Filter, filter_named
from kinematics.vibration.residual import Mode, insensitivity_width, residual, worst_residual
from tests.naive.vibration_twin import relative_residual

Reals = NDArray[np.float64]

EXAMPLES = settings(max_examples=60, deadline=None, derandomize=True, database=None)
SIMULATED = 1e-3  # of the swing without a filter
ONE_MILLIONTH = 1e-6
DIGITS = 1e-12
FINE = 2e-5  # s


def simulated_residual(command_filter: Filter, frequency: float, damping: float) -> float:
    """Envelope after the last impulse of a step through the filter, over that of one step at the last impulse.

    scipy simulates ω²/(s² + 2ζωs + ω²); impulses between two instants are shared out between them.
    """
    omega = 2.0 * math.pi * frequency
    last = command_filter.times[-1]
    times = np.arange(0.0, last + 3.0 / frequency, FINE)
    system = ([[0.0, 1.0], [-(omega**2), -2.0 * damping * omega]], [[0.0], [omega**2]], np.eye(2), np.zeros((2, 1)))

    def envelope(impulses: list[tuple[float, float]]) -> float:
        # A ramp of one interval is a step half an interval later.
        command = sum(
            (a * np.clip((times - t) / FINE + 0.5, 0.0, 1.0) for a, t in impulses), start=np.zeros(times.size)
        )
        _, state, _ = lsim(system, command, times)
        after = np.flatnonzero(times > last + FINE)[0]
        e, slope = state[after, 0] - 1.0, state[after, 1] / omega
        return math.hypot(e, (slope + damping * e) / math.sqrt(1.0 - damping**2))

    shaped = envelope(list(zip(command_filter.amplitudes, command_filter.times, strict=True)))
    return shaped / envelope([(1.0, last)])


@pytest.mark.parametrize("damping", [0.0, 0.1, 0.25])
@pytest.mark.parametrize("plant", [0.85, 1.0, 1.2])
@pytest.mark.parametrize("name", FILTER_NAMES)
def test_residual_on_and_off_the_design(name: str, plant: float, damping: float) -> None:
    """Design 50 Hz, plant at 0.85, 1 and 1.2 of it."""
    found = filter_named(name, 50.0, damping)
    left = float(residual(found, 2.0 * math.pi * 50.0 * plant, damping))
    assert left == pytest.approx(simulated_residual(found, 50.0 * plant, damping), abs=SIMULATED)


def test_residual_of_another_damping_than_designed_for() -> None:
    found = filter_named("ZVD", 50.0, 0.05)
    left = float(residual(found, 2.0 * math.pi * 44.0, 0.2))
    assert left == pytest.approx(simulated_residual(found, 44.0, 0.2), abs=SIMULATED)


def test_residual_keeps_the_shape_of_its_frequencies() -> None:
    found = filter_named("EI", 50.0, 0.1)
    omega = np.array([[100.0, 200.0], [300.0, 400.0]])
    grid = residual(found, omega, 0.1)
    assert grid.shape == (2, 2)
    times = 50.0 * np.array(found.times)
    for index, one in np.ndenumerate(omega):
        by_hand = abs(relative_residual(np.array(found.amplitudes), times, one / (100.0 * math.pi), 0.1))
        assert grid[index] == pytest.approx(by_hand, abs=DIGITS)


def densest(command_filter: Filter, mode: Mode, power: int) -> float:
    """The largest V/ω^power over a hundred thousand frequencies."""
    f, share = mode.frequency, mode.uncertainty
    omega = 2.0 * math.pi * np.linspace(f * (1.0 - share), f * (1.0 + share), 100_001)
    return float((residual(command_filter, omega, mode.damping) / omega**power).max())


@pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.2, 0.35, 0.6, 0.95])
@pytest.mark.parametrize("name", FILTER_NAMES)
def test_the_worst_of_an_interval_is_found(name: str, share: float) -> None:
    """Not below the densest grid by a millionth, and not above it by more than that grid may miss."""
    for damping, offset in ((0.0, 1.0), (0.08, 0.97), (0.2, 1.05)):
        found = filter_named(name, 50.0, damping)
        mode = Mode(50.0 * offset, damping, share)
        for power in (1, 2):
            dense = densest(found, mode, power)
            assert worst_residual(found, mode, power) == pytest.approx(dense, rel=ONE_MILLIONTH, abs=1e-18)


@EXAMPLES
@given(
    st.sampled_from(FILTER_NAMES),
    st.floats(10.0, 200.0),
    st.floats(0.0, 0.25),
    st.floats(0.3, 3.0),
    st.floats(0.0, 0.9),
    st.integers(0, 400),
)
def test_nothing_in_the_interval_is_worse(
    name: str, f: float, damping: float, offset: float, share: float, step: int
) -> None:
    found = filter_named(name, f, damping)
    mode = Mode(f * offset, damping, share)
    omega = 2.0 * math.pi * mode.frequency * (1.0 - share + 2.0 * share * step / 400)
    for power in (1, 2):
        there = float(residual(found, omega, damping)) / omega**power
        assert there <= worst_residual(found, mode, power) * (1.0 + ONE_MILLIONTH) + 1e-18


@pytest.mark.parametrize("humps", [5, 40])
def test_a_hump_that_no_grid_point_meets_is_found(humps: int) -> None:
    """Two impulses so far apart leave all at every frequency that is a multiple of 1/gap, and most at the lowest."""
    for gap in (5.0, 500.0, 5000.0, 50_000.0):
        comb = Filter("comb", (0.0, gap), (0.5, 0.5))
        middle, share = 100.0 + 0.37 / gap, humps / (100.0 * gap)  # twice as many maxima
        worst = worst_residual(comb, Mode(middle, 0.0, share), 2)
        lowest = 100.0 - (humps - 1.0) / gap
        by_hand = 1.0 / (2.0 * math.pi * lowest) ** 2
        assert by_hand * (1.0 - ONE_MILLIONTH) <= worst <= by_hand * (1.0 + 2.0 * ONE_MILLIONTH)


@pytest.mark.parametrize("mode", [Mode(50.0, 0.1, 1.0), Mode(50.0, 0.1, -0.1), Mode(0.0, 0.1), Mode(50.0, 1.0)])
def test_modes_that_are_none(mode: Mode) -> None:
    with pytest.raises(InputError):
        worst_residual(filter_named("ZV", 50.0, 0.1), mode, 2)


def test_nothing_is_left_of_no_vibration() -> None:
    with pytest.raises(InputError, match="damping ratio: 1; allowed: 0 or more and below 1"):
        residual(filter_named("ZV", 50.0, 0.1), 300.0, 1.0)


def test_widths_at_their_ends() -> None:
    """V is the tolerance at both edges of the band of a ZV about its own frequency, and the band lies between them."""
    found = filter_named("ZV", 50.0, 0.0)
    width = insensitivity_width(found, 50.0, 0.0, 0.2)
    assert width == pytest.approx(4.0 / math.pi * math.asin(0.2), abs=1e-9)  # |cos(πr/2)| = 0.2, solved by hand
    assert insensitivity_width(found, 60.0, 0.0, 0.2) == 0.0  # V is |cos(0.6π)| = 0.309 there
    # One edge nearer: from where V reaches 0.35 to where it does again, about another frequency.
    assert insensitivity_width(found, 60.0, 0.0, 0.35) == pytest.approx(
        4.0 / math.pi * math.asin(0.35) * 50.0 / 60.0, abs=1e-9
    )
    assert insensitivity_width(found, 50.0, 0.0, 1.0) == math.inf


def test_a_filter_that_ends_gently_is_wide_without_end() -> None:
    """Heavily damped, all that is left at high frequencies is the last impulse's share, 0.0026 of ZVDD at ζ = 0.5."""
    found = filter_named("ZVDD", 50.0, 0.5)
    assert found.amplitudes[-1] < 0.05
    assert insensitivity_width(found, 50.0, 0.5) == math.inf
