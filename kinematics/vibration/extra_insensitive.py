"""Extra-insensitive filters at any damping, solved from their definition by following the undamped one."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

WIDEST_STEP = 0.02  # of the damping ratio, from one solution to the next
NARROWEST_STEP = 1e-5  # where even this leads nowhere, the solution has ended
NUDGE = 1e-6  # of an unknown, for slopes
CONVERGED = 1e-12  # last change of an unknown (amplitudes, periods, multiples of the design frequency)
FARTHEST = 1.0  # change of an unknown: further away lies another solution, or none
ITERATIONS = 12


def undamped(impulses: int, tolerance: float) -> tuple[Reals, Reals]:
    """Amplitudes and places of the undamped filter of 3, 4 or 5 `impulses`, which lie half a period apart.

    Amplitudes: Singhose, Seering and Singer 1994 (3); Singhose, Porter, Tuttle and Singer 1997 (4, 5). Places
    (multiples of the design frequency): zeros and humps in turn, ascending, the design frequency left out; with c =
    cos(πr/2), 4 impulses have V = |2c(A_1(4c² − 3) + A_2)|, with y = cos(πr) 3 have |2A_1 y + A_2| and 5 have |2A_1(2y²
    − 1) + 2A_2 y + A_3|.
    """
    v = tolerance
    if impulses == 3:
        first = (1.0 + v) / 4.0
        amplitudes = [first, (1.0 - v) / 2.0, first]
        below = [math.acos(-(1.0 - v) / (1.0 + v)) / math.pi]
    elif impulses == 4:
        x = math.cbrt(v * v * (math.sqrt(1.0 - v * v) + 1.0))
        first = (3.0 * x * x + 2.0 * x + 3.0 * v * v) / (16.0 * x)
        second = 0.5 - first
        amplitudes = [first, second, second, first]
        zero = (3.0 * first - second) / (4.0 * first)
        below = [2.0 * math.acos(math.sqrt(square)) / math.pi for square in (zero, zero / 3.0)]
    else:
        first = (1.0 + 3.0 * v + 2.0 * math.sqrt(2.0 * (v * v + v))) / 16.0
        second = (1.0 - v) / 4.0
        third = 1.0 - 2.0 * (first + second)
        amplitudes = [first, second, third, second, first]
        hump = -second / (4.0 * first)
        apart = math.sqrt(hump * hump - (third - 2.0 * first) / (4.0 * first))
        below = [math.acos(y) / math.pi for y in (hump + apart, hump, hump - apart)]
    return np.array(amplitudes), np.array([*below, *(2.0 - r for r in reversed(below))])


def _told_apart(unknowns: Reals, impulses: int) -> tuple[Reals, Reals, Reals]:
    """Amplitudes, times (periods) and places (zeros and humps in turn, the design frequency among them)."""
    head, rest = unknowns[: impulses - 1], unknowns[impulses - 1 :]
    times, places = rest[: impulses - 1], rest[impulses - 1 :]
    amplitudes = np.append(head, 1.0 - head.sum())
    return amplitudes, np.append(0.0, times), np.insert(places, places.size // 2, 1.0)


def _violations(unknowns: Reals, impulses: int, damping: float, tolerance: float) -> Reals:
    """By how much the unknowns miss each condition; as many numbers as unknowns."""
    amplitudes, times, places = _told_apart(unknowns, impulses)
    root = math.sqrt(1.0 - damping * damping)
    pole = 2.0 * math.pi * complex(damping, root)
    terms = np.exp(pole * np.multiply.outer(places, times))
    sums, slopes = terms @ amplitudes, terms @ (pole * times * amplitudes)
    fading = 2.0 * math.pi * damping * times[-1]
    at_zeros, humps = sums[::2], sums[1::2]
    heights = np.log(np.abs(humps) / tolerance) - fading * places[1::2]
    if impulses == 3:
        last = np.array([times[-1] * root - 1.0])
    else:
        last = (slopes[1::2] / humps).real - fading  # d(ln V)/dr
    return np.concatenate([at_zeros.real, at_zeros.imag, heights, last])


def _solved(guess: Reals, impulses: int, damping: float, tolerance: float) -> Reals:
    """Newton's method from a guess; raises ArithmeticError where it leads nowhere."""
    unknowns = guess
    slopes = np.empty((guess.size, guess.size))
    nudges = NUDGE * np.eye(guess.size)
    for _ in range(ITERATIONS):
        for k, nudge in enumerate(nudges):
            ahead = _violations(unknowns + nudge, impulses, damping, tolerance)
            behind = _violations(unknowns - nudge, impulses, damping, tolerance)
            slopes[:, k] = (ahead - behind) / (2.0 * NUDGE)
        try:
            change = np.linalg.solve(slopes, _violations(unknowns, impulses, damping, tolerance))
        except np.linalg.LinAlgError:
            break
        unknowns = unknowns - change
        if not np.abs(change).max() < FARTHEST:  # false for nan as well
            break
        if np.abs(change).max() < CONVERGED:
            _, times, places = _told_apart(unknowns, impulses)
            if (np.diff(times) > 0.0).all() and (np.diff(places) > 0.0).all():
                return unknowns
            break
    raise ArithmeticError(f"no filter of {impulses} impulses found at damping ratio {damping}")


def extra_insensitive(impulses: int, damping: float, tolerance: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Times (periods of the undamped mode, from 0) and amplitudes of the filter with 3, 4 or 5 `impulses`.

    Residual V relative to one impulse at the time of the last (`residual`), all of it at the design damping ratio. 3
    (one hump): V is `tolerance` at the design frequency and 0 at one frequency below and one above; the last impulse
    comes one damped period after the first. 4 (two humps): V is 0 at the design frequency and at one below and one
    above, and between neighbouring zeros V has a maximum of `tolerance`. 5 (three humps): as with 4, but with a maximum
    at the design frequency and two zeros on either side. As many equations as unknowns: n − 1 amplitudes, n − 1 times
    and the frequencies of the zeros and of the other humps. Sources as in `undamped`; that the last impulse of 3 lies
    at the damped period is read off the fits that their authors published. Newton's method from the undamped filter in
    steps of the damping ratio, shorter ones where it leads nowhere. Raises ArithmeticError where the solution has
    ended.
    """
    amplitudes, places = undamped(impulses, tolerance)
    now = np.concatenate([amplitudes[:-1], 0.5 * np.arange(1, impulses), places])
    reached, step, slope = 0.0, WIDEST_STEP, np.zeros(now.size)
    while reached < damping:
        step = min(step, damping - reached)
        # The last step ends at the damping asked for, to the last digit.
        aim = damping if step == damping - reached else reached + step
        try:
            found = _solved(now + slope * step, impulses, aim, tolerance)
        except ArithmeticError:
            step /= 2.0
            if step < NARROWEST_STEP:
                raise
            continue
        slope = (found - now) / (aim - reached)
        now, reached, step = found, aim, min(2.0 * step, WIDEST_STEP)
    amplitudes, times, _ = _told_apart(now, impulses)
    return tuple(times.tolist()), tuple(amplitudes.tolist())
