"""Shaken axes made up: one generator for a random force, a rising shake and taps, and how much each can tell at best.

An axis of one or two modes is moved by a force on a fine grid of time, exactly in the frequency domain; a sensor takes
its acceleration at uneven moments, some lost, with noise. How wide an interval has to be is told from the same
generator: for a random force by Whittle's information at the truth, for the others by moving each number a little and
running the generator again (a likelihood by brute force), with the force's strength, its phase or moment not known.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

FINE = 12  # steps of the fine grid to one of the sensor
RANDOM, RISING, TAPS = "random", "rising", "taps"
KINDS = (RANDOM, RISING, TAPS)
LEAD = 2.0  # s before the sensor begins
NUDGE = 1e-4


class Shaken(NamedTuple):
    """A made-up case: the `kind` of force, (frequency, damping, strength) of each mode, sensor's `rate` (Hz), `length`
    (s), noise in dB below the signal, and its seed."""

    kind: str
    modes: tuple[tuple[float, float, float], ...]
    rate: float
    length: float
    decibels: float
    seed: int


def case(number: int) -> Shaken:
    """The case of a number: all three kinds in turn."""
    dice = np.random.default_rng([16, number])
    while True:
        count = int(dice.integers(1, 3))
        frequencies = np.exp(dice.uniform(math.log(25), math.log(120), count))
        modes = sorted(zip(frequencies.tolist(), dice.uniform(0.02, 0.15, count).tolist(), strict=True))
        widths = [2.0 * f * z for f, z in modes]
        if count == 1 or modes[1][0] - modes[0][0] >= 3.0 * max(widths):
            break
    strengths = [1.0, *(float(np.exp(dice.uniform(-0.5, 0.5))) for _ in modes[1:])]
    told = tuple((f, z, r) for (f, z), r in zip(modes, strengths, strict=True))
    rate = float(dice.choice([800.0, 1000.0, 1600.0]))
    return Shaken(KINDS[number % 3], told, rate, float(dice.uniform(30, 60)), float(dice.uniform(20, 40)), number)


def force_of(one: Shaken, moved: dict[str, float] | None = None) -> np.ndarray:
    """The force on the fine grid; `moved` shifts what a likelihood does not know of it (time in s, phase in rad)."""
    moved = moved or {}
    dice = np.random.default_rng([17, one.seed])
    fine = one.rate * FINE
    count = next_fast_len(round((one.length + 2 * LEAD) * fine), real=True)
    time = np.arange(count) / fine
    if one.kind == RANDOM:
        return dice.standard_normal(count)
    if one.kind == RISING:
        low, high = 8.0, 170.0
        begin, end = LEAD, LEAD + one.length - 1.0
        t = time - begin - moved.get("time", 0.0)
        slope = (high - low) / (end - begin)
        phase = 2.0 * math.pi * (low * t + 0.5 * slope * t * t) + moved.get("phase", 0.0)
        swell = np.clip(t / 1.5, 0.0, 1.0), np.clip((end - begin - t) / 1.5, 0.0, 1.0)
        envelope = np.sin(0.5 * math.pi * swell[0]) ** 2 * np.sin(0.5 * math.pi * swell[1]) ** 2
        return envelope * np.sin(phase)
    force = np.zeros(count)
    for number, moment in enumerate(tap_moments(one)):
        at = LEAD + moment + moved.get(f"time {number}", 0.0)
        strength = float(dice.uniform(0.6, 1.4)) * math.exp(moved.get(f"strength {number}", 0.0))
        t = (time - at) / 0.003
        force += strength * np.where(np.abs(t) < 0.5, 1.0 + np.cos(2.0 * math.pi * t), 0.0)
    return force


def tap_moments(one: Shaken) -> list[float]:
    """When the axis is tapped (s)."""
    dice = np.random.default_rng([18, one.seed])
    moments, at = [], 1.0
    while at < one.length - 2.5:
        moments.append(at)
        at += float(dice.uniform(3.0, 5.0))
    return moments


def moved_axis(one: Shaken, modes: tuple[tuple[float, float, float], ...], force: np.ndarray) -> np.ndarray:
    """The acceleration on the fine grid under a force, behind the sensor's low-pass at 0.4 of its rate."""
    fine = one.rate * FINE
    frequency = np.fft.rfftfreq(force.size, 1.0 / fine)
    response = sum(r * frequency**2 / (f * f - frequency**2 + 2j * z * f * frequency) for f, z, r in modes)
    within = frequency / (0.4 * one.rate)
    response /= 1.0 + 1.414j * within - within**2
    return irfft(rfft(force) * response, force.size)


def sensed_at(one: Shaken) -> np.ndarray:
    """Places on the fine grid at which the sensor looks: uneven by a tenth of a step, one in 300 lost."""
    dice = np.random.default_rng([19, one.seed])
    count = round(one.length * one.rate)
    places = np.arange(count) * FINE + np.rint(dice.normal(0.0, 0.1 * FINE, count)).astype(int)
    kept = dice.uniform(size=count) > 1.0 / 300.0
    return np.maximum.accumulate(np.clip(places[kept], 0, None)) + round(LEAD * one.rate * FINE)


def recorded(one: Shaken) -> tuple[np.ndarray, np.ndarray, float]:
    """Times (s), accelerations, and the noise's standard deviation."""
    places = np.unique(sensed_at(one))
    clean = moved_axis(one, one.modes, force_of(one))[places]
    noise = float(clean.std()) * 10.0 ** (-one.decibels / 20.0)
    dice = np.random.default_rng([20, one.seed])
    return places / (one.rate * FINE) - LEAD, clean + noise * dice.standard_normal(clean.size), noise


def least_errors(one: Shaken) -> list[tuple[float, float]]:
    """The standard errors of the logarithms of frequency and damping of each mode that the data can give at best."""
    return _by_whittle(one) if one.kind == RANDOM else _by_brute_force(one)


def _by_whittle(one: Shaken) -> list[tuple[float, float]]:
    """Whittle's information at the truth: Σ over the bins of the products of slopes of log S, by differences."""
    frequency = np.arange(1.0, 0.4 * one.rate, 1.0 / one.length)
    clean = moved_axis(one, one.modes, force_of(one))[np.unique(sensed_at(one))]
    noise = float(clean.var()) * 10.0 ** (-one.decibels / 10.0) / one.rate * (one.rate * FINE)

    def log_power(numbers: np.ndarray) -> np.ndarray:
        h = sum(
            np.exp(r) * frequency**2 / (np.exp(f) ** 2 - frequency**2 + 2j * np.exp(z + f) * frequency)
            for f, z, r in numbers[2:].reshape(-1, 3)
        )
        return np.log(np.exp(numbers[0]) * np.abs(h) ** 2 + noise * np.exp(numbers[1]))

    numbers = np.concatenate([[0.0, 0.0], np.log(np.array(one.modes)).ravel()])
    slopes = []
    for k in range(numbers.size):
        if k == 4:
            continue  # the first strength is the unit
        nudge = np.zeros(numbers.size)
        nudge[k] = NUDGE
        slopes.append((log_power(numbers + nudge) - log_power(numbers - nudge)) / (2.0 * NUDGE))
    table = np.array(slopes)
    errors = np.sqrt(np.diag(np.linalg.inv(table @ table.T)))
    return [(float(errors[2 + (3 * k - (k > 0))]), float(errors[3 + (3 * k - (k > 0))])) for k in range(len(one.modes))]


def _outside_knocks(one: Shaken, places: np.ndarray) -> np.ndarray:
    """Which samples tell of the axis alone: how a knock acts while it lasts is not known."""
    outside = np.ones(places.size, bool)
    time = places / (one.rate * FINE) - LEAD
    for moment in tap_moments(one) if one.kind == TAPS else ():
        outside &= (time < moment - 0.005) | (time > moment + 0.0025)
    return outside


def _by_brute_force(one: Shaken) -> list[tuple[float, float]]:
    """The information of all samples about all numbers, each moved a little, the force's own among them."""
    places = np.unique(sensed_at(one))
    force = force_of(one)
    clean = moved_axis(one, one.modes, force)[places]
    noise = float(clean.std()) * 10.0 ** (-one.decibels / 20.0)
    slopes = []
    for k in range(len(one.modes)):
        for place in range(3):
            table = [list(mode) for mode in one.modes]
            sides = []
            for sign in (1.0, -1.0):
                table[k][place] = one.modes[k][place] * math.exp(sign * NUDGE)
                sides.append(moved_axis(one, tuple(map(tuple, table)), force)[places])
            slopes.append((sides[0] - sides[1]) / (2.0 * NUDGE))
    unknown = {"phase": 1e-3, "time": 1e-5} if one.kind == RISING else {}
    for number in range(len(tap_moments(one)) if one.kind == TAPS else 0):
        unknown |= {f"time {number}": 1e-4, f"strength {number}": 1e-3}
    for name, by in unknown.items():
        if name == "strength 0":
            continue  # the first strength is the unit
        sides = [moved_axis(one, one.modes, force_of(one, {name: sign * by}))[places] for sign in (1.0, -1.0)]
        slopes.append((sides[0] - sides[1]) / (2.0 * by))
    table = np.array(slopes)[:, _outside_knocks(one, places)] / noise
    scale = np.sqrt((table**2).sum(axis=1))
    unit = table / scale[:, None]
    errors = np.sqrt(np.diag(np.linalg.inv(unit @ unit.T))) / scale
    return [(float(errors[3 * k]), float(errors[3 * k + 1])) for k in range(len(one.modes))]
