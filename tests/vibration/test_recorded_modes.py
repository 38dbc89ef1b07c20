"""Modes are found in records, and their intervals hold what they promise; published checks beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from kinematics.filtering.answer import echo_damping, half_power_damping, pooled, ripple_of
from kinematics.vibration.modes import FittedMode, Powers, fit_to_random_force, responses
from kinematics.vibration.recorded_modes import modes_of_record
from kinematics.vibration.spectrum import RANDOM, Piece, Spectrum, even_pieces, periodograms, sampling_of, spectrum_of
from tests.vibration.shaken import KINDS, Shaken, recorded
from tests.vibration.shaken_cases import FREQUENCY_ERROR, WIDER, mean, told

CASES = range(21)
FEWEST_INSIDE = 0.84  # of some thirty modes: the share of 95 % intervals that hold the truth, three errors off


def test_cases_of_all_kinds() -> None:
    """Random forces, rising shakes and taps: every mode found, in intervals no wider than need be."""
    scores, missed = told(CASES)
    assert not missed
    assert mean(score.frequency_inside for score in scores) >= FEWEST_INSIDE
    assert mean(score.damping_inside for score in scores) >= FEWEST_INSIDE
    for kind in KINDS:
        some = [score for score in scores if score.kind == kind]
        assert mean(score.frequency_width for score in some) < WIDER
        assert mean(score.damping_width for score in some) < WIDER
        assert mean(score.damping_width for score in some) > 0.8
        assert max(score.error for score in some if score.damping <= 0.1) < FREQUENCY_ERROR


def test_response_at_resonance_and_slopes() -> None:
    """|h| = 1/(2ζ) at the natural frequency (any text on vibration), and slopes against differences."""
    frequency = np.array([30.0, 50.0, 70.0])
    h, by_natural, by_damping = responses(frequency, 50.0, 0.05)
    assert abs(h[1]) == pytest.approx(1.0 / (2.0 * 0.05), rel=1e-12)
    step = 1e-6
    for slope, one, other in (
        (by_natural, (50.0 * math.exp(step), 0.05), (50.0 * math.exp(-step), 0.05)),
        (by_damping, (50.0, 0.05 * math.exp(step)), (50.0, 0.05 * math.exp(-step))),
    ):
        expected = (responses(frequency, *one)[0] - responses(frequency, *other)[0]) / (2.0 * step)
        np.testing.assert_allclose(slope, expected, rtol=1e-6)


def test_fit_to_an_exact_spectrum() -> None:
    """A spectrum without chance in it gives its mode back to the last digits."""
    frequency = np.arange(10.0, 120.0, 0.05)
    power = np.abs(responses(frequency, 47.0, 0.06)[0]) ** 2 + 0.02
    (found,) = fit_to_random_force(Powers(frequency, power, np.ones(frequency.size)), [(45.0, 0.05, 1.0)])
    assert found.frequency == pytest.approx(47.0, rel=1e-6)
    assert found.damping == pytest.approx(0.06, rel=1e-5)


def test_welch_of_a_sine_and_of_noise() -> None:
    """A sine of 2 on a bin has 2²/2 of power; unit noise at fs a density of 2/fs (scipy's own description of welch)."""
    rate = 1024.0
    time = np.arange(int(64 * rate)) / rate
    shown = spectrum_of([Piece(rate, 2.0 * np.sin(2.0 * np.pi * 50.0 * time))])
    near = np.abs(shown.frequency - 50.0) < 2.0
    assert shown.power[near].sum() * shown.frequency[1] == pytest.approx(2.0, rel=1e-3)
    noise = np.random.default_rng(1).standard_normal(time.size)
    assert spectrum_of([Piece(rate, noise)]).power[2:-2].mean() == pytest.approx(2.0 / rate, rel=0.02)


def test_white_noise_through_an_oscillator() -> None:
    """f 50 Hz, ζ 0.05, 2000 Hz, 120 s: within 1.2 Hz and 25 %, and the interval says how well."""
    poles = signal.cont2discrete(
        ([1.0, 0.0, 0.0], [1.0, 2.0 * 0.05 * 100.0 * math.pi, (100.0 * math.pi) ** 2]), 1.0 / 2000.0, "bilinear"
    )
    for seed in range(3):
        force = np.random.default_rng(seed).standard_normal(240_000)
        values = signal.lfilter(poles[0].ravel(), poles[1], force)
        (found,) = modes_of_record([Piece(2000.0, values)]).modes
        assert found.frequency == pytest.approx(50.0, abs=1.2)
        assert found.damping == pytest.approx(0.05, rel=0.25)
        assert 0.1 < found.frequency_high - found.frequency_low < 1.2


def test_half_power_points() -> None:
    """(f2 − f1)/(2f) = 0.0501261 for f 50 Hz and ζ 0.05, on a power spectrum at half the power (any text)."""
    frequency = np.arange(0.0, 200.0, 0.01)
    with np.errstate(divide="ignore"):
        swing = 1.0 / ((50.0**2 - frequency**2) ** 2 + (2.0 * 0.05 * 50.0 * frequency) ** 2)
    found = half_power_damping(Spectrum(frequency, swing), 50.0)
    assert found == pytest.approx(0.0501261, rel=1e-3)
    assert half_power_damping(Spectrum(frequency[::200], swing[::200]), 50.0) is None


def test_decrement() -> None:
    """δ = 2πζ/√(1 − ζ²): 0.3145527 at ζ 0.05 (any text), told by the echo of a long record to a tenth."""
    one = Shaken(RANDOM, ((50.0, 0.05, 1.0),), 1000.0, 240.0, 40.0, 5)
    times, values, _ = recorded(one)
    pieces = even_pieces(times, values, sampling_of(times))
    mode = FittedMode(50.0, 49.0, 51.0, 0.05, 0.04, 0.06)
    assert echo_damping(pieces, mode) == pytest.approx(0.05, rel=0.15)


def test_lost_samples_cut_a_record() -> None:
    """Where many are lost the record is cut, and what is left is on even moments."""
    time = np.delete(np.arange(20_000) / 1000.0, np.r_[5000:5400, 9000:9002])
    sampling = sampling_of(time)
    assert (sampling.lost, sampling.gaps) == (402, 1)
    pieces = even_pieces(time, np.sin(2.0 * np.pi * 40.0 * time), sampling)
    assert [piece.values.size for piece in pieces] == [5000, 14599]
    for piece in pieces:
        moments = piece.start + np.arange(piece.values.size) / piece.rate
        np.testing.assert_allclose(piece.values, np.sin(2.0 * np.pi * 40.0 * moments), atol=5e-3)


def test_noise_alone_has_no_modes() -> None:
    """White noise, and noise that a smooth force colours."""
    for seed in range(4):
        noise = np.random.default_rng(seed).standard_normal(40_000)
        assert modes_of_record([Piece(1000.0, noise)]).modes == ()
        assert modes_of_record([Piece(1000.0, np.cumsum(noise) * 0.1 + noise)]).modes == ()


def test_pooled_records() -> None:
    """Two that agree narrow the interval by √2, two that do not are given the width of their difference."""
    one = FittedMode(50.0, 50.0 / 1.02, 50.0 * 1.02, 0.05, 0.04, 0.0625)
    (agreed,), _ = pooled([[one], [one]])
    assert math.log(agreed.frequency_high / agreed.frequency_low) == pytest.approx(
        math.log(1.02) * 2.0 / math.sqrt(2.0), rel=1e-9
    )
    other = one._replace(frequency=54.0, frequency_low=54.0 / 1.02, frequency_high=54.0 * 1.02)
    (apart,), _ = pooled([[one], [other]])
    assert apart.frequency_low < 51.0
    assert apart.frequency_high > 53.0
    kept, left = pooled([[one], [one], [one, one._replace(frequency=90.0, frequency_low=89.0, frequency_high=91.0)]])
    assert (len(kept), len(left)) == (1, 1)


def test_ripples() -> None:
    """Spacing = speed/frequency, and a caliper's uncertainty on the length."""
    axis, mode = ripple_of("x=2.5@100")
    assert (axis, mode.frequency) == ("x", 40.0)
    assert mode.frequency_high - mode.frequency_low == pytest.approx(2.0 * 40.0 * 0.1 / 2.5, rel=0.01)
    _, finer = ripple_of("y=12.5/5@100")
    assert finer.frequency == 40.0
    assert finer.frequency_high - finer.frequency_low == pytest.approx(2.0 * 40.0 * 0.1 / 12.5, rel=0.01)


def test_periodograms_keep_the_power() -> None:
    """Whatever the looks, noise has the same power in every bin: a fit's likelihood rests on that."""
    noise = np.random.default_rng(2).standard_normal(200_000)
    powers = periodograms([Piece(1000.0, noise)], 10.0, 200.0)
    assert powers.power.mean() == pytest.approx(1.0)
    assert powers.power.std() == pytest.approx(powers.looks[0] ** -0.5, rel=0.05)
