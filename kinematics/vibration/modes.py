"""The modes of an axis from its spectrum: natural frequency and damping with intervals, by likelihood.

What an accelerometer on a shaken axis sees of mode k is the force through h_k = f²/(f_k² − f² + 2iζ_k f_k f); several
modes add with their strengths r_k. For a random force the periodogram's bins are independent and exponential about
S(f) = s·f^c·|Σ r_k h_k|² + n (P. Whittle, Ark. Mat. 2:423-434, 1953), which makes a likelihood of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations, pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]

NORMAL = 1.959964  # standard errors to either side that hold 95 %
MOST_MODES = 4
STEPS = 60  # of scoring at most
CONVERGED = 1e-8  # relative change of the likelihood
EVIDENCE = 16.0  # by how much the logarithm of the likelihood must grow for one mode more (three numbers)
LEAST_DAMPING, MOST_DAMPING = 0.002, 0.6
ANYWHERE = 6  # starts that hang on nothing seen
STARTS = (0.03, 0.1)  # dampings that a mode is looked for with
COARSE = 0.25  # Hz: bins are taken together to this while modes are looked for
STRAY = 0.5  # of a block's bins: how finely a misfit is looked for, as a share of the half-power width


class FittedMode(NamedTuple):
    """A mode as it was fitted: natural `frequency` (Hz) and `damping` ratio with the ends of their 95 % intervals, and
    its `strength` beside the strongest.
    """

    frequency: float
    frequency_low: float
    frequency_high: float
    damping: float
    damping_low: float
    damping_high: float
    strength: float = 1.0


class Powers(NamedTuple):
    """Power by frequency: `frequency` (Hz), `power` (any unit), float64[bins]; `looks` how many independent looks each
    bin averages, and `spread` by how much a taper makes them fewer (1: not at all).
    """

    frequency: Reals
    power: Reals
    looks: Reals
    spread: float = 1.0


def responses(frequency: Reals, natural: float, damping: float) -> tuple[Complexes, Complexes, Complexes]:
    """The response h(f) of one mode, and its slopes with the logarithms of frequency and damping (complex128[bins])."""
    square = frequency * frequency
    swing: Complexes = np.multiply(2j * damping * natural, frequency)
    below = natural * natural - square + swing
    h: Complexes = square / below
    slope: Complexes = -h / below
    return h, slope * (2.0 * natural * natural + swing), slope * swing


class _Fit(NamedTuple):
    """A point of the likelihood: `numbers` (log s, c, log n, then log f_k, log ζ_k, log r_k a mode; r_1 = 1 stands but
    is not moved), `loss` the negative logarithm of the likelihood, `information` of all numbers that move.
    """

    numbers: Reals
    loss: float
    information: Reals
    moving: NDArray[np.int64]


def _moving(modes: int) -> NDArray[np.int64]:
    """Which numbers move: the first mode's strength is the unit of all."""
    return np.delete(np.arange(3 + 3 * modes), 5)


def _model(powers: Powers, numbers: Reals, middle: float) -> tuple[Reals, Reals]:
    """S(f), and the slopes of log S with each number (float64[numbers, bins])."""
    frequency = powers.frequency
    modes = (numbers.size - 3) // 3
    total = np.zeros(frequency.size, np.complex128)
    slopes: list[Complexes] = []
    for k in range(modes):
        log_natural, log_damping, log_strength = numbers[3 + 3 * k : 6 + 3 * k]
        strength = math.exp(log_strength)
        h, by_natural, by_damping = responses(frequency, math.exp(log_natural), math.exp(log_damping))
        total += strength * h
        slopes += [strength * by_natural, strength * by_damping, strength * h]
    tilt = np.log(frequency / middle)
    force = np.exp(numbers[0] + numbers[1] * tilt)
    noise = math.exp(numbers[2])
    signal = force * (total.real**2 + total.imag**2)
    power = signal + noise
    share = signal / power
    by_number = np.empty((numbers.size, frequency.size))
    by_number[0], by_number[1], by_number[2] = share, share * tilt, noise / power
    factor = 2.0 * force / power
    for place, slope in enumerate(slopes):
        by_number[3 + place] = factor * (total.real * slope.real + total.imag * slope.imag)
    return power, by_number


def _loss(powers: Powers, power: Reals) -> float:
    return float(powers.looks @ (np.log(power) + powers.power / power))


def _scored(powers: Powers, start: Reals) -> _Fit:
    """The likelihood's maximum from a start, by Fisher's scoring with damped steps."""
    middle = float(np.exp(np.log(powers.frequency).mean()))
    numbers = start.copy()
    moving = _moving((numbers.size - 3) // 3)
    power, slopes = _model(powers, numbers, middle)
    loss = _loss(powers, power)
    held = 1e-3
    information = np.eye(moving.size)
    for _ in range(STEPS):
        moved = slopes[moving]
        information = (moved * powers.looks) @ moved.T
        uphill = moved @ (powers.looks * (powers.power / power - 1.0))
        better = False
        for _ in range(12):
            step = np.linalg.lstsq(information + held * np.diag(np.diag(information) + 1e-12), uphill, rcond=None)[0]
            step = np.clip(step, -1.0, 1.0)
            tried = numbers.copy()
            tried[moving] += step
            tried[4::3] = np.clip(tried[4::3], math.log(LEAST_DAMPING), math.log(MOST_DAMPING))
            tried[2] = max(tried[2], numbers[2] - 3.0, -60.0)
            new_power, new_slopes = _model(powers, tried, middle)
            new_loss = _loss(powers, new_power)
            if math.isfinite(new_loss) and new_loss < loss:
                better = True
                break
            held *= 4.0
        if not better:
            break
        gained = loss - new_loss
        numbers, power, slopes, loss = tried, new_power, new_slopes, new_loss
        held = max(held * 0.2, 1e-9)
        if gained < CONVERGED * abs(loss) + 1e-6:
            break
    moved = slopes[moving]
    return _Fit(numbers, loss, (moved * powers.looks) @ moved.T, moving)


def _coarser(powers: Powers, width: float) -> Powers:
    """Neighbouring bins taken together to about a `width` (Hz)."""
    step = float(np.diff(powers.frequency[:2])[0]) if powers.frequency.size > 1 else width
    together = max(1, round(width / step))
    whole = powers.frequency.size // together * together
    if together == 1 or whole == 0:
        return powers

    def blocks(values: Reals) -> Reals:
        return np.asarray(values[:whole].reshape(-1, together))

    count = blocks(powers.looks)
    return Powers(
        blocks(powers.frequency).mean(axis=1),
        (blocks(powers.power) * count).sum(axis=1) / count.sum(axis=1),
        count.sum(axis=1),
        powers.spread,
    )


def _smoothed(values: Reals, width: int) -> Reals:
    width = max(1, width)
    ones = np.ones(width)
    return np.asarray(np.convolve(values, ones, "same") / np.convolve(np.ones(values.size), ones, "same"))


def _candidates(powers: Powers, shape: Reals, spread: int, most: int) -> list[float]:
    """Frequencies at which a spectrum, beside a `shape` that it is held against, stands out most."""
    ratio = _smoothed(powers.power / shape, spread)
    logarithm = np.log(np.maximum(ratio, 1e-300))
    inner = (logarithm[1:-1] >= logarithm[:-2]) & (logarithm[1:-1] > logarithm[2:])
    tops = np.flatnonzero(inner) + 1
    depth = []
    for top in tops.tolist():
        left, right = logarithm[max(0, top - 8 * spread) : top], logarithm[top + 1 : top + 1 + 8 * spread]
        lowest = [float(side.min()) for side in (left, right) if side.size]
        depth.append(float(logarithm[top]) - max(lowest, default=0.0))
    order = np.argsort(depth)[::-1][:most]
    return [float(powers.frequency[tops[place]]) for place in order.tolist()]


def _start(powers: Powers, found: Sequence[tuple[float, float, float]]) -> Reals:
    """Numbers to begin from: level and noise by eye, modes as given (frequency, damping, strength)."""
    noise = math.log(max(float(np.quantile(powers.power, 0.02)) * 0.3, 1e-300))
    numbers = [0.0, 0.0, noise]
    for natural, damping, strength in found:
        numbers += [math.log(natural), math.log(damping), math.log(strength)]
    start = np.array(numbers)
    middle = float(np.exp(np.log(powers.frequency).mean()))
    start[2] = -60.0
    shape, _ = _model(powers, start, middle)
    start[0] = math.log(float(np.median(powers.power / shape)) + 1e-300)
    start[2] = noise
    return start


def _modes_in(numbers: Reals) -> list[tuple[float, float, float]]:
    return [
        (math.exp(numbers[k]), math.exp(numbers[k + 1]), math.exp(numbers[k + 2])) for k in range(3, numbers.size, 3)
    ]


def _apart(numbers: Reals) -> bool:
    """Whether all modes of a fit are told apart by at least a half-power width, and none is lost in the band's ends."""
    modes = sorted(_modes_in(numbers))
    return all(two[0] - one[0] > max(one[0] * one[1], two[0] * two[1]) * 2.0 for one, two in pairwise(modes))


def _inside(powers: Powers, numbers: Reals) -> bool:
    low, high = float(powers.frequency[0]), float(powers.frequency[-1])
    return all(
        low * 1.02 < natural < high * 0.98 and damping < MOST_DAMPING * 0.9
        for natural, damping, _ in _modes_in(numbers)
    )


def _without_modes(powers: Powers, spread: int) -> Reals:
    """The likeliest spectrum without a mode: a force that is a power of the frequency, and noise."""
    from scipy.optimize import minimize

    logarithm = np.log(powers.frequency) - float(np.log(powers.frequency).mean())
    tilt, level = np.polyfit(logarithm, np.log(_smoothed(powers.power, spread)), 1)

    def shape(numbers: Reals) -> Reals:
        return np.asarray(np.exp(numbers[0] + numbers[1] * logarithm) + np.exp(numbers[2]))

    start = np.array([level, tilt, math.log(float(np.quantile(powers.power, 0.1)) + 1e-300)])
    found = minimize(lambda numbers: _loss(powers, shape(numbers)), start, method="Nelder-Mead")
    return shape(found.x)


def _good_fits(powers: Powers, starts: Sequence[Sequence[tuple[float, float, float]]]) -> list[_Fit]:
    """The fits from some starts whose modes lie apart and inside the band."""
    fits = [_scored(powers, _start(powers, start)) for start in starts]
    return [fit for fit in fits if _inside(powers, fit.numbers) and _apart(fit.numbers)]


def look_for_modes(powers: Powers, most: int = MOST_MODES) -> list[tuple[float, float, float]]:
    """The modes that a spectrum shows, one after the other as long as the likelihood grows by more than `EVIDENCE`.

    Returns (frequency, damping, strength) a mode, by frequency; empty where not even one mode explains the spectrum
    better than a smooth force and noise do.
    """
    coarse = _coarser(powers, COARSE)
    width = float(np.diff(coarse.frequency[:2])[0])
    spread = max(3, round(1.5 / width))
    flat = np.full(coarse.power.size, float(np.median(coarse.power)))
    smooth = _without_modes(coarse, spread)
    loss = _loss(coarse, smooth)
    known: list[tuple[float, float, float]] = []
    shape = flat
    for _ in range(most):
        starts = _candidates(coarse, shape, spread, 4) + _candidates(coarse, smooth, spread, 2)
        starts += np.geomspace(1.2 * coarse.frequency[0], 0.8 * coarse.frequency[-1], ANYWHERE).tolist()
        starts = [one for one in dict.fromkeys(starts) if all(abs(one - k[0]) >= k[0] * k[1] for k in known)]
        fits = _good_fits(coarse, [[*known, (one, damping, 1.0)] for one in starts for damping in STARTS])
        if not fits and not known:  # two modes far apart that are about as strong look like neither alone
            pairs = combinations(sorted(starts), 2)
            fits = _good_fits(coarse, [[(one, STARTS[1], 1.0), (two, STARTS[1], 1.0)] for one, two in pairs])
        best = min(fits, key=lambda fit: fit.loss, default=None)
        if best is None or loss - best.loss < EVIDENCE:
            break
        loss, known = best.loss, _modes_in(best.numbers)
        middle = float(np.exp(np.log(coarse.frequency).mean()))
        shape, _ = _model(coarse, best.numbers, middle)
    strongest = max((strength / damping for _, damping, strength in known), default=1.0)
    return sorted(mode for mode in known if mode[2] / mode[1] > 0.02 * strongest)


def band_about(modes: Sequence[tuple[float, float, float]], low: float, high: float) -> tuple[float, float]:
    """The frequencies (Hz) within which modes are fitted: well beside them, within what the record shows."""
    lowest = min(natural * (1.0 - 3.0 * damping) for natural, damping, _ in modes)
    highest = max(natural * (1.0 + 4.0 * damping) for natural, damping, _ in modes)
    return max(low, 0.6 * lowest), min(high, 1.6 * highest)


def within(powers: Powers, low: float, high: float) -> Powers:
    """The part of a spectrum between two frequencies (Hz)."""
    kept = (powers.frequency >= low) & (powers.frequency <= high)
    return Powers(powers.frequency[kept], powers.power[kept], powers.looks[kept], powers.spread)


def _misfit(powers: Powers, numbers: Reals) -> float:
    """By how much more the spectrum strays from the fit than chance has it stray, looked at in blocks; 1 at least."""
    middle = float(np.exp(np.log(powers.frequency).mean()))
    power, _ = _model(powers, numbers, middle)
    step = float(np.diff(powers.frequency[:2])[0])
    narrowest = min(2.0 * natural * damping for natural, damping, _ in _modes_in(numbers))
    together = max(4, round(STRAY * narrowest / step))
    whole = powers.power.size // together * together
    if whole < 10 * together:
        return 1.0
    ratio = (powers.power / power - 1.0) * powers.looks
    sums = ratio[:whole].reshape(-1, together).sum(axis=1)
    counts = powers.looks[:whole].reshape(-1, together).sum(axis=1)
    return max(1.0, float(np.mean(sums**2 / counts)) / powers.spread)


def fit_to_random_force(powers: Powers, modes: Sequence[tuple[float, float, float]]) -> tuple[FittedMode, ...]:
    """Modes fitted to the periodogram of a randomly shaken axis by Whittle's likelihood, from a first guess.

    Intervals from its information, for the logarithms of frequency and damping, wider by what a taper takes away and by
    what the spectrum strays from the model more than chance would have it.
    """
    fit = _scored(powers, _start_from(powers, modes))
    covariance = np.linalg.pinv(fit.information) * powers.spread * _misfit(powers, fit.numbers)
    place = {int(number): k for k, number in enumerate(fit.moving)}
    found = []
    for k, (natural, damping, strength) in enumerate(_modes_in(fit.numbers)):
        errors = [math.sqrt(max(0.0, covariance[p, p])) for p in (place[3 + 3 * k], place[4 + 3 * k])]
        found.append(fitted(natural, errors[0], damping, errors[1], strength))
    return beside_strongest(found)


def _start_from(powers: Powers, modes: Sequence[tuple[float, float, float]]) -> Reals:
    first = modes[0][2]
    return _start(powers, [(natural, damping, strength / first) for natural, damping, strength in modes])


def fitted(natural: float, error: float, damping: float, damping_error: float, strength: float) -> FittedMode:
    """A fitted mode from standard errors of the logarithms of its frequency and damping."""
    by, by_damping = math.exp(NORMAL * min(error, 2.0)), math.exp(NORMAL * min(damping_error, 2.0))
    return FittedMode(
        natural, natural / by, natural * by, damping, damping / by_damping, damping * by_damping, strength
    )


def beside_strongest(modes: Sequence[FittedMode]) -> tuple[FittedMode, ...]:
    """Modes by frequency, the height of each peak as a share of the highest."""
    heights = [mode.strength / (2.0 * mode.damping) for mode in modes]
    highest = max(heights, default=1.0)
    ordered = sorted(zip(modes, heights, strict=True), key=lambda pair: pair[0].frequency)
    return tuple(mode._replace(strength=height / highest) for mode, height in ordered)
