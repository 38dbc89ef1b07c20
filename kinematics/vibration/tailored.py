"""A filter of one's own: the least rounding that keeps what is left of the measured modes under a bound.

With impulses on a raster of times and their mean t̄ given, σ² = ΣA(t − t̄)² is linear in the amplitudes A >= 0, and so
are the residual's two parts ΣA e^(ζωt)cos(ω_d t) and ΣA e^(ζωt)sin(ω_d t): a linear programme. That residuals bound
filters so is N. Singer's and W. Seering's (ASME J. Dyn. Sys. Meas. Control 112(1):76-82, 1990), and that filters for
several modes are convolved; to ask for the least σ² by linear programmes, with t̄ looked for, is our own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.vibration.filters import FILTER_NAMES, HIGHEST_DAMPING, OWN, Filter, filter_named, spread_of
from kinematics.vibration.modes import FittedMode
from kinematics.vibration.residual import residual

Reals = NDArray[np.float64]

SIDES = 32  # of the polygon inside the circle that holds the residual: 0.5 % is given away
PERIODS = 2.5  # of the slowest mode: how long the filter may be
RASTER = 48  # times a period of the fastest mode
MOST_MOMENTS = 220
LOOKS = 11  # frequencies of a mode's interval at which the residual is held
FINE_LOOKS = 201  # at which it is judged
MEANS = (0.25, 0.35, 0.42, 0.5)  # means that are tried beside those of named filters, as shares of the length
SHORTEST, HALVINGS = 0.3, 9  # of a period: the shortest raster, and how often the span of lengths is halved
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
ROUNDS = 3  # of golden section about the best mean
SMALLEST = 1e-5  # amplitude: less is taken away
DESIGNS = 13  # design frequencies of named types over a band
ALLOWANCE = 0.998  # of the bound: what frequencies between those looked at may take


Solved = tuple[float, Reals]


class Band(NamedTuple):
    """Where a mode may lie: frequencies (Hz) and damping ratios from `low` to `high`."""

    low: float
    high: float
    damping_low: float
    damping_high: float

    def looked_at(self, count: int) -> tuple[Reals, tuple[float, ...]]:
        """So many frequencies, and the dampings at the ends and in the middle."""
        middle = 0.5 * (self.damping_low + self.damping_high)
        dampings = tuple(dict.fromkeys((self.damping_low, middle, self.damping_high)))
        return (np.linspace(self.low, self.high, count) if self.high > self.low else np.array([self.low])), dampings


def bands_of(modes: Sequence[FittedMode]) -> list[Band]:
    """The bands of modes: the intervals of their frequencies and dampings."""
    return [Band(one.frequency_low, one.frequency_high, one.damping_low, min(one.damping_high, 0.95)) for one in modes]


def largest_residual(command_filter: Filter, bands: Sequence[Band], looks: int = FINE_LOOKS) -> float:
    """The largest residual of a filter over bands of frequency and damping, on a grid."""
    worst = 0.0
    for band in bands:
        frequencies, dampings = band.looked_at(looks)
        for damping in dampings:
            worst = max(worst, float(residual(command_filter, 2.0 * math.pi * frequencies, damping).max()))
    return worst


def best_named(bands: Sequence[Band], bound: float) -> Filter | None:
    """The filter of a named type with the least σ² that keeps the residual over bands under a bound; None for none.

    One filter for a mode, those of several modes one after another (their convolution).
    """
    best: Filter | None = None
    for name in FILTER_NAMES:
        for factor in np.linspace(0.85, 1.15, DESIGNS).tolist():
            made: Filter | None = None
            for band in bands:
                damping = 0.5 * (band.damping_low + band.damping_high)
                if damping > HIGHEST_DAMPING.get(name, 1.0):
                    break
                one = filter_named(name, factor * 0.5 * (band.low + band.high), damping)
                made = one if made is None else convolved(made, one)
            else:
                if made is None or largest_residual(made, bands) > bound:
                    continue
                if best is None or spread_of(made).variance < spread_of(best).variance:
                    best = made
    return best


def convolved(one: Filter, other: Filter) -> Filter:
    """Two filters one after the other."""
    times = np.add.outer(one.times, other.times).ravel()
    amplitudes = np.multiply.outer(one.amplitudes, other.amplitudes).ravel()
    order = np.argsort(times)
    name = one.name if one.name == other.name else f"{one.name} and {other.name}"
    return Filter(name, tuple(times[order].tolist()), tuple(amplitudes[order].tolist()))


class _Programme:
    """The linear programme of one raster: everything but the mean."""

    def __init__(self, times: Reals, bands: Sequence[Band], bound: float) -> None:
        self.times = times
        angles = 2.0 * math.pi * np.arange(SIDES) / SIDES
        rows = []
        for band in bands:
            frequencies, dampings = band.looked_at(LOOKS)
            for damping in dampings:
                pole = complex(damping, math.sqrt(1.0 - damping * damping))
                terms = np.exp(np.multiply.outer(2.0 * math.pi * frequencies, pole * (times - times[-1])))
                for term in terms:
                    rows.append(np.cos(angles)[:, None] * term.real + np.sin(angles)[:, None] * term.imag)
        self.rows = np.concatenate(rows)
        self.limits = np.full(self.rows.shape[0], ALLOWANCE * bound * math.cos(math.pi / SIDES))

    def solved(self, mean: float) -> tuple[float, Reals]:
        """The least σ² with a mean (s), and its amplitudes; infinity where nothing keeps the bound."""
        from scipy.optimize import linprog

        unit = float(self.times[-1])
        away = (self.times - mean) / unit
        equal = np.stack([np.ones(self.times.size), away])
        found = linprog(away**2, self.rows, self.limits, equal, [1.0, 0.0], (0.0, None), method="highs")
        if found.status != 0:
            return math.inf, np.zeros(0)
        return float(found.fun) * unit * unit, np.asarray(found.x, np.float64)


def _least(cost: Callable[[float], float], starts: Sequence[float], step: float) -> float:
    """Where a cost is least: the best of some starts, then golden section about it."""
    best = min(starts, key=cost)
    low, high = best - step, best + step
    left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    for _ in range(ROUNDS):
        if cost(left) <= cost(right):
            high, right = right, left
            left = high - GOLDEN * (high - low)
        else:
            low, left = left, right
            right = low + GOLDEN * (high - low)
    return min((best, left, right), key=cost)


def tailored_filter(bands: Sequence[Band], bound: float) -> Filter:
    """The filter with the least σ² whose residual stays under a bound over bands of frequency and damping.

    Never worse in σ² than the best named type under the same bound. Raises InputError for a bound that is none, and
    where neither a raster of two and a half periods nor a named type keeps it.
    """
    if not 0.0 < bound < 1.0:
        raise InputError.at("bound of the residual", f"{bound:g}", "above 0 and below 1")
    named = best_named(bands, bound)
    best = named
    slowest, fastest = 1.0 / min(band.low for band in bands), 1.0 / max(band.high for band in bands)
    # Too short a raster holds no filter; one that reaches beyond the last impulse is held too little, since what is
    # left is counted from there. Between them lies the longest that serves.
    short, long = SHORTEST * slowest, PERIODS * slowest
    for _ in range(HALVINGS):
        length = math.sqrt(short * long)
        made = _on_raster(length, fastest, bands, bound, named)
        if made is None:
            short = length
        elif largest_residual(made, bands) > bound:
            long = length
        else:
            short = length
            if best is None or spread_of(made).variance < spread_of(best).variance:
                best = made
    if best is None:
        periods = f"no filter of {PERIODS:g} periods keeps what is left of the modes under {bound:.3g}"
        raise InputError.at("bound of the residual", periods, "a larger bound, or modes known better")
    return Filter(OWN, best.times, best.amplitudes)


def _on_raster(
    length: float, fastest: float, bands: Sequence[Band], bound: float, named: Filter | None
) -> Filter | None:
    """The filter of a raster of a length (s) with the best mean; None where none keeps the bound there."""
    count = min(MOST_MOMENTS, max(8, round(length * RASTER / fastest)))
    times = length * np.arange(count + 1) / count
    if named is not None and named.times[-1] <= length:
        times = np.unique(np.concatenate([times, named.times]))
    programme = _Programme(times, bands, bound)
    kept: dict[float, Solved] = {}

    def cost(mean: float) -> float:
        if mean not in kept:
            kept[mean] = programme.solved(mean)
        return kept[mean][0]

    starts = [share * length for share in MEANS]
    if named is not None and spread_of(named).delay < length:
        starts.append(spread_of(named).delay)
    mean = _least(cost, starts, 0.08 * length)
    variance, amplitudes = kept[mean]
    return _cleaned(times, amplitudes) if math.isfinite(variance) else None


def _cleaned(times: Reals, amplitudes: Reals) -> Filter:
    """The impulses that count, from 0 s on, summing to 1."""
    counts = amplitudes > SMALLEST
    kept, shares = times[counts], amplitudes[counts]
    shares = shares / shares.sum()
    return Filter(OWN, tuple((kept - kept[0]).tolist()), tuple(shares.tolist()))


LARGEST_BOUND, LEAST_BOUND = 0.6, 0.01
BOUNDS = 5  # halvings between the bounds


def tailored_to_budgets(bands: Sequence[Band], acceleration_of: Callable[[Filter], tuple[float, float]]) -> Filter:
    """The filter of one's own with which an axis takes most: its bound is where rounding and ringing meet.

    `acceleration_of` tells what rounding and what ringing take with a filter (mm/s²).
    """
    low, high = LEAST_BOUND, LARGEST_BOUND
    best, most = None, -1.0
    for _ in range(BOUNDS):
        bound = math.sqrt(low * high)
        try:
            made = tailored_filter(bands, bound)
        except InputError:
            low = bound
            continue
        rounding, ringing = acceleration_of(made)
        if min(rounding, ringing) > most:
            best, most = made, min(rounding, ringing)
        if rounding < ringing:
            low = bound
        else:
            high = bound
    if best is None:
        raise InputError.at("filter of one's own", "no bound of what is left can be kept", "modes known better")
    return best
