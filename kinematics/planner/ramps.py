"""Ramps of many moves at once, each held by its own ceiling up to a knee and by one line of `falling` from there on.

The same steps are taken for every move, as often as is enough for nearly all of them, so that several moves go at a
time; who calls is told which moves want more.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf
from kinematics.planner.falling import CLOSE, first_guess, halley, later_by, on_line

Reals = NDArray[np.float64]

# Rows of the numbers of up to MOST_AT_ONCE moves, in one array and so far apart that the compiler knows them apart.
MOST_AT_ONCE = 64
(
    OWN, ALPHA, BETA, GAMMA, KNEE, FIRST, LAST, PACE, LENGTH,
    PEAK, RISING, CRUISING, FALLING, DURATION, UNDER_OWN, UNDER_LINE, ADMITTED, WANTING,
) = (MOST_AT_ONCE * row for row in range(18))  # fmt: skip
ROOM = 18 * MOST_AT_ONCE
JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known
NO_PATH = 1e-12  # share of a length
NO_SPEED = 1e-100  # mm/s: stands for rest where it is divided by
SMALL = 1e-7  # share of a speed whose square is nothing


@compiled_leaf
def ramps_at_once(count: int, w: Reals) -> None:
    """Ramps of moves from the speed FIRST to a peak and on to LAST (mm/s), none faster than at the PACE (s/mm).

    Of each in `w` (float64[ROOM]): OWN (mm/s²) up to the speed KNEE, beyond it ALPHA − BETA·v − GAMMA·v²; LENGTH (mm).
    Writes PEAK (mm/s), the seconds of RISING, CRUISING and FALLING, their sum DURATION, those of ramps UNDER_OWN
    ceiling and UNDER_LINE; what is ADMITTED at the peak (mm/s²), and whether more is WANTING (above 0).
    """
    for move in range(count):
        j = np.uint64(move)
        own, alpha, beta, gamma = w[OWN + j], w[ALPHA + j], w[BETA + j], w[GAMMA + j]
        low, high = min(w[FIRST + j], w[LAST + j]), max(w[FIRST + j], w[LAST + j])
        top, length = max(1.0 / w[PACE + j], high), w[LENGTH + j]
        knee = min(w[KNEE + j], top)
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
        off = off - SMALL * fast if is_top else off * bow * bow - CLOSE * fast * fast * fast * fast * fast
        is_fine = between <= 0.0 and (is_level or (further <= 0.0 and off <= 0.0))  # also where there are no numbers
        ramps = level + (path if is_top else line_left)
        peak = math.sqrt(high * high + 2.0 * own * half_left) if is_level else base + gained
        level_beyond, line_beyond = (min(peak, base) - high) * slower, 0.0 if is_level else time
        at = peak * JUST_BELOW
        w[PEAK + j], w[ADMITTED + j] = peak, max(min(alpha - (beta + gamma * at) * at, own), 0.0)
        cruise = max(left - 2.0 * (half_left if is_level else ramps), 0.0) / peak
        apart, beyond = level_between + line_between, level_beyond + line_beyond
        rises = w[FIRST + j] < w[LAST + j]
        w[RISING + j], w[FALLING + j] = beyond + (apart if rises else 0.0), beyond + (0.0 if rises else apart)
        w[CRUISING + j], w[DURATION + j] = cruise, apart + cruise + 2.0 * beyond
        w[UNDER_OWN + j], w[UNDER_LINE + j] = level_between + 2.0 * level_beyond, line_between + 2.0 * line_beyond
        w[WANTING + j] = 0.0 if is_fine else 1.0
