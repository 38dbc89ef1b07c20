"""Modes from shakes that repeat nothing by chance: a rising shake, and taps. Least squares on the swing itself.

Beside the noise of the sensor nothing is random there, so that the swing's phase tells as much as its strength.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.vibration.modes import FittedMode, beside_strongest, fitted, responses
from kinematics.vibration.spectrum import SAMPLES_AROUND, Piece, group_delays

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Guess = Sequence[tuple[float, float, float]]  # frequency, damping, strength of each mode

STRENGTH_DEGREE, PHASE_DEGREE = 2, 3  # of the polynomials that stand for a force that rises smoothly
PHASE_BLOCKS = 200  # of a band: how finely a phase that strays is followed at first
AFTER_TAP = 0.003  # s after the loudest moment: what the knock itself takes
BEFORE_TAP = 0.03  # s kept free before the next
LONGEST_RING = 12.0  # time constants of the slowest mode that are looked at after a tap
EVALUATIONS = 200


def _standard_errors(jacobian: Reals, misses: Reals, numbers: int) -> Reals:
    """Standard errors of fitted numbers: those of even noise, or those that the misses themselves tell (P. Huber, 5th
    Berkeley Symposium 1:221-233, 1967) where they are larger.
    """
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    freedom = max(1, misses.size - numbers)
    even = np.diag(inverse) * float(misses @ misses) / freedom
    weighted = jacobian * misses[:, None]
    told = np.diag(inverse @ (weighted.T @ weighted) @ inverse) * misses.size / freedom
    return np.asarray(np.sqrt(np.maximum(even, told)))


def _course(frequency: Reals, transform: Complexes, seen: Complexes) -> Reals:
    """A first guess of a rising force's phase at each frequency, from when frequencies came by (their group delay), and
    from the phase that this leaves, block by block; `seen` the modes' own response in the transform.
    """
    delays = group_delays(transform / seen)
    middle = 0.5 * (frequency[1:] + frequency[:-1])
    unit = _unit(middle)
    course = np.polyfit(unit, delays, 1)
    for _ in range(8):  # what lies far off is noise, or a mode's own delay where it was guessed badly
        off = np.abs(delays - np.polyval(course, unit))
        kept = off <= max(3.0 * float(np.median(off)), 1e-4)
        course = np.polyfit(unit[kept], delays[kept], 2)
    turns = np.concatenate([[0.0], np.cumsum(np.polyval(course, unit))])
    course = -2.0 * math.pi * turns
    blocks = np.arange(0, frequency.size, max(1, frequency.size // PHASE_BLOCKS))
    for _ in range(3):
        sums = np.add.reduceat(transform * seen.conj() * np.exp(-1j * course), blocks)
        left = np.unwrap(np.angle(sums))
        phase = np.polyfit(_unit(frequency)[blocks], left, PHASE_DEGREE, w=np.abs(sums))
        course = course + np.polyval(phase, _unit(frequency))
    return np.asarray(course)


def _unit(frequency: Reals) -> Reals:
    return np.asarray(2.0 * (frequency - frequency[0]) / (frequency[-1] - frequency[0]) - 1.0)


def fit_to_rising_shake(piece: Piece, guess: Guess, low: float, high: float) -> tuple[FittedMode, ...]:
    """Modes fitted to the record of a shake whose frequency rises or falls, between two frequencies (Hz).

    The transform is X(f) = e^P(f)·Σ r_k h_k(f) + noise, P a polynomial with complex coefficients: whatever moved the
    axis was smooth in strength and in phase. Intervals from the least squares' own information.
    """
    from scipy.optimize import least_squares

    values = piece.values - piece.values.mean()
    transform = np.fft.rfft(values) / math.sqrt(values.size)
    frequency: Reals = np.fft.rfftfreq(values.size, 1.0 / piece.rate).astype(np.float64)
    kept = (frequency >= low) & (frequency <= high)
    frequency, transform = frequency[kept], transform[kept]
    transform = transform / float(np.sqrt(np.mean(np.abs(transform) ** 2)))
    modes = len(guess)
    powers = _unit(frequency)[None, :] ** np.arange(max(STRENGTH_DEGREE, PHASE_DEGREE) + 1)[:, None]
    seen = np.sum([r * responses(frequency, f, z)[0] for f, z, r in guess], axis=0)
    course = _course(frequency, transform, seen)
    first = np.zeros(STRENGTH_DEGREE + PHASE_DEGREE + 2)
    start = np.concatenate([first, *([math.log(f), math.log(z), r / guess[0][2]] for f, z, r in guess)])
    split = STRENGTH_DEGREE + 1

    def parts(numbers: Reals) -> tuple[Complexes, Complexes, list[Complexes]]:
        phase = course + numbers[split : first.size] @ powers[: PHASE_DEGREE + 1]
        force = np.exp(numbers[:split] @ powers[:split] + 1j * phase)
        total = np.zeros(frequency.size, np.complex128)
        slopes: list[Complexes] = []
        for k in range(modes):
            natural, damping, strength = numbers[first.size + 3 * k : first.size + 3 * k + 3]
            h, by_natural, by_damping = responses(frequency, math.exp(natural), math.exp(damping))
            total += strength * h
            slopes += [strength * by_natural, strength * by_damping, h]
        return force, total, slopes

    moving = np.delete(np.arange(start.size), first.size + 2)

    def whole(moved: Reals) -> Reals:
        numbers = start.copy()
        numbers[moving] = moved
        return numbers

    def misses(moved: Reals) -> Reals:
        force, total, _ = parts(whole(moved))
        return _real(force * total - transform)

    def jacobian(moved: Reals) -> Reals:
        force, total, slopes = parts(whole(moved))
        model = force * total
        columns = [model * powers[n] for n in range(split)]
        columns += [1j * model * powers[n] for n in range(PHASE_DEGREE + 1)]
        columns += [force * slope for slope in slopes]
        return np.stack([_real(columns[n]) for n in moving.tolist()], axis=1)

    # The level and the phase at the start: what the rest of the model leaves on the average.
    force, total, _ = parts(start)
    left = np.vdot(force * total, transform) / np.vdot(force * total, force * total).real
    start[0] = math.log(float(np.sqrt(np.mean(np.abs(transform) ** 2) / np.mean(np.abs(total) ** 2))))
    start[split] = float(np.angle(left))
    found = least_squares(misses, start[moving], jacobian, method="lm", max_nfev=EVALUATIONS)
    errors = np.zeros(start.size)
    errors[moving] = _standard_errors(found.jac, found.fun, moving.size)
    numbers = whole(found.x)
    modes_found = []
    for k in range(modes):
        place = first.size + 3 * k
        natural, damping, strength = math.exp(numbers[place]), math.exp(numbers[place + 1]), abs(numbers[place + 2])
        modes_found.append(fitted(natural, errors[place], damping, errors[place + 1], strength))
    return beside_strongest(modes_found)


def _real(values: Complexes) -> Reals:
    return np.concatenate([values.real, values.imag])


def rings_after(piece: Piece, starts: NDArray[np.int64], guess: Guess) -> list[Reals]:
    """What follows each tap: from when the knock is over, and no longer in the samples that even moments were made of,
    to the next, as long as the slowest mode can be seen.
    """
    slowest = min(2.0 * math.pi * natural * damping for natural, damping, _ in guess)
    most = round(LONGEST_RING / slowest * piece.rate)
    ends = [*(starts[1:] - round(BEFORE_TAP * piece.rate)).tolist(), piece.values.size]
    rings = []
    for start, end in zip(starts.tolist(), ends, strict=True):
        first = start + round(AFTER_TAP * piece.rate) + SAMPLES_AROUND // 2
        ring = piece.values[first : min(end, first + most)]
        if ring.size > 8 * len(guess) + 16:
            rings.append(ring)
    return rings


def fit_to_rings(rings: Sequence[Reals], rate: float, guess: Guess, low: float, high: float) -> tuple[FittedMode, ...]:
    """Modes fitted to what follows taps: Σ_k e^(−ζωt)·(a_k cos ω_d t + b_k sin ω_d t), seen from `low` to `high` (Hz).

    Strengths and phases of each tap follow from the rest by linear least squares (G. Golub, V. Pereyra, SIAM J. Numer.
    Anal. 10(2):413-432, 1973), so that only frequencies and dampings are looked for.
    """
    from scipy.optimize import least_squares

    transforms = []
    for ring in rings:
        frequency = np.fft.rfftfreq(ring.size, 1.0 / rate)
        kept = np.flatnonzero((frequency >= low) & (frequency <= high))
        transforms.append((kept, _real(np.fft.rfft(ring - ring.mean())[kept] / math.sqrt(ring.size))))
    modes = len(guess)

    def swings(numbers: Reals) -> list[tuple[Reals, Reals]]:
        """What is left of each ring, and the strengths that leave so little."""
        found = []
        for ring, (kept, seen) in zip(rings, transforms, strict=True):
            time = np.arange(ring.size) / rate
            columns = []
            for k in range(modes):
                natural, damping = 2.0 * math.pi * math.exp(numbers[2 * k]), math.exp(min(numbers[2 * k + 1], -0.05))
                decay = np.exp(natural * complex(-damping, math.sqrt(1.0 - damping**2)) * time)
                columns += [decay.real, decay.imag]
            table = np.stack([_real(np.fft.rfft(column)[kept]) for column in columns], axis=1) / math.sqrt(ring.size)
            strengths = np.asarray(np.linalg.lstsq(table, seen, rcond=None)[0], np.float64)
            found.append((seen - table @ strengths, strengths))
        return found

    def misses(numbers: Reals) -> Reals:
        return np.concatenate([left for left, _ in swings(numbers)])

    start = np.array([math.log(number) for natural, damping, _ in guess for number in (natural, damping)])
    found = least_squares(misses, start, "3-point", method="lm", max_nfev=EVALUATIONS)
    linear = 2 * modes * len(rings)
    errors = _standard_errors(found.jac, found.fun, found.x.size + linear)
    by_tap = np.array([strengths for _, strengths in swings(found.x)])
    loud = np.sqrt((by_tap.reshape(len(rings), modes, 2) ** 2).sum(axis=2).mean(axis=0))
    return beside_strongest(
        [
            fitted(
                math.exp(found.x[2 * k]),
                errors[2 * k],
                math.exp(found.x[2 * k + 1]),
                errors[2 * k + 1],
                float(loud[k]) * math.exp(found.x[2 * k + 1]),
            )
            for k in range(modes)
        ]
    )
