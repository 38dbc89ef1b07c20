"""Ramps of many moves at once, each held by its own ceiling up to a knee and by one line of `falling` from there on.

The same steps are taken for every move, as often as is enough for nearly all of them, so that several moves go at a
time; who calls is told which moves want more.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf
from kinematics.planner.falling import HALLEY_CLOSE, first_guess, halley, later_by, on_line

Reals = NDArray[np.float64]

# Rows of the numbers of up to MOST_AT_ONCE moves, in one array and so far apart that the compiler knows them apart.
MOST_AT_ONCE = 64
(
    OWN_AT, ALPHA_AT, BETA_AT, GAMMA_AT, KNEE_AT, FIRST_AT, LAST_AT, PACE_AT, LENGTH_AT,
    PEAK_AT, RISING_AT, CRUISING_AT, FALLING_AT, DURATION_AT, UNDER_OWN_AT, UNDER_LINE_AT, ADMITTED_AT, WANTING_AT,
) = (MOST_AT_ONCE * row for row in range(18))  # fmt: skip
ROOM = 18 * MOST_AT_ONCE
JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known
NO_PATH = 1e-12  # share of a length
NO_SPEED = 1e-100  # mm/s: stands for rest where it is divided by
SMALL_SHARE = 1e-7  # share of a speed whose square is nothing


@compiled_leaf
def ramps_at_once(count: int, w: Reals) -> None:
    """Ramps of moves from a first speed to a peak and on to a last one (mm/s), none faster than at their pace (s/mm).

    Of each in `w` (float64[ROOM], a row of names above): its own ceiling (mm/s²) up to the speed of the knee, beyond it
    α − β·v − γ·v²; its length (mm). Writes the peak (mm/s), the seconds of rising, cruising and falling, their sum, and
    those of ramps under its own ceiling and under the line; what is admitted at the peak (mm/s²), and whether more is
    wanting (above 0).
    """
    for move in range(count):
        j = np.uint64(move)
        own, alpha, beta, gamma = w[OWN_AT + j], w[ALPHA_AT + j], w[BETA_AT + j], w[GAMMA_AT + j]
        low, high = min(w[FIRST_AT + j], w[LAST_AT + j]), max(w[FIRST_AT + j], w[LAST_AT + j])
        top, length = max(1.0 / w[PACE_AT + j], high), w[LENGTH_AT + j]
        knee = min(w[KNEE_AT + j], top)
        slower = 1.0 / own
        # From the slower end's speed to the faster one's.
        bent = min(max(knee, low), high)
        path, line_between, between = on_line(alpha, beta, gamma, bent, high)
        is_line = high > bent  # else nothing may be left at that speed, and there are no numbers
        path, line_between = path if is_line else 0.0, line_between if is_line else 0.0
        level_between = (bent - low) * slower
        left = length - (path + 0.5 * (bent - low) * (bent + low) * slower)
        # From there on, half of the path that is left.
        half_left = 0.5 * left if left > NO_PATH * length and high < top else 0.0
        base = max(high, knee)
        level = 0.5 * (base - high) * (base + high) * slower
        is_level = level >= half_left
        line_left, room = max(half_left - level, 0.0), max(top - base, 0.0)
        slow = max(base, NO_SPEED)
        gained = min(first_guess(alpha, beta, gamma, slow, line_left), room)
        fast = slow + gained
        path, _, _ = on_line(alpha, beta, gamma, slow, fast)
        step, bow = halley(alpha, beta, gamma, fast, line_left - path)
        gained = max(min(gained + step, room), 0.0)
        fast = slow + gained
        path, time, further = on_line(alpha, beta, gamma, slow, fast)
        step, bow = halley(alpha, beta, gamma, fast, line_left - path)
        step = max(min(step, room - gained), -gained)
        time += later_by(alpha, beta, gamma, fast, step)
        there = alpha - (beta + gamma * fast) * fast
        path += step * fast / there
        gained += step
        off = abs(step)
        is_top = gained >= room
        off = off - SMALL_SHARE * fast if is_top else off * bow * bow - HALLEY_CLOSE * fast * fast * fast * fast * fast
        is_fine = between <= 0.0 and (is_level or (further <= 0.0 and off <= 0.0))  # also where there are no numbers
        ramps = level + (path if is_top else line_left)
        peak = math.sqrt(high * high + 2.0 * own * half_left) if is_level else base + gained
        level_beyond, line_beyond = (min(peak, base) - high) * slower, 0.0 if is_level else time
        at = peak * JUST_BELOW
        w[PEAK_AT + j], w[ADMITTED_AT + j] = peak, max(min(alpha - (beta + gamma * at) * at, own), 0.0)
        cruise = max(left - 2.0 * (half_left if is_level else ramps), 0.0) / peak
        apart, beyond = level_between + line_between, level_beyond + line_beyond
        rises = w[FIRST_AT + j] < w[LAST_AT + j]
        w[RISING_AT + j], w[FALLING_AT + j] = beyond + (apart if rises else 0.0), beyond + (0.0 if rises else apart)
        w[CRUISING_AT + j], w[DURATION_AT + j] = cruise, apart + cruise + 2.0 * beyond
        w[UNDER_OWN_AT + j], w[UNDER_LINE_AT + j] = level_between + 2.0 * level_beyond, line_between + 2.0 * line_beyond
        w[WANTING_AT + j] = 0.0 if is_fine else 1.0
