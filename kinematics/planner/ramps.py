"""Ramps of many moves at once, each held by its own ceiling up to a knee and by one line of `falling` from there on.

The same steps are taken for every move, as often as is enough for nearly all of them, so that several moves go at a
time; who calls is told which moves want more.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf
from kinematics.planner.falling import CLOSE, MANY, first_guess, halley, later_by, on_line

Reals = NDArray[np.float64]

# Rows of the numbers of up to MOST_AT_ONCE moves, in one array and so far apart that the compiler knows them apart.
MOST_AT_ONCE = 64
(
    OWN, ALPHA, BETA, GAMMA, KNEE, LOW, HIGH, TOP, LENGTH,
    PEAK, CRUISED, LEVEL_BETWEEN, LINE_BETWEEN, LEVEL_BEYOND, LINE_BEYOND, WANTING,
) = (MOST_AT_ONCE * row for row in range(16))  # fmt: skip
ROOM = 16 * MOST_AT_ONCE
NO_PATH = 1e-12  # share of a length
NO_SPEED = 1e-100  # mm/s: stands for rest where it is divided by
SMALL = 1e-7  # share of a speed whose square is nothing


@compiled_leaf
def ramps_at_once(count: int, w: Reals) -> None:
    """Ramps of moves from the speed LOW or HIGH to the other one and on to their peak, TOP at most (all mm/s).

    Of each in `w` (float64[ROOM]): OWN (mm/s²) up to the speed KNEE, beyond it ALPHA − BETA·v − GAMMA·v²; LENGTH (mm).
    Writes PEAK (mm/s), the path CRUISED at it (mm), the seconds of the ramp BETWEEN both ends and of each of both that
    lead BEYOND them, under the own ceiling (LEVEL) and under the line, and whether more is WANTING (above 0).
    """
    for move in range(count):
        j = np.uint64(move)
        own, alpha, beta, gamma = w[OWN + j], w[ALPHA + j], w[BETA + j], w[GAMMA + j]
        low, high, top, length = w[LOW + j], w[HIGH + j], w[TOP + j], w[LENGTH + j]
        knee = min(w[KNEE + j], top)
        slower = 1.0 / own
        # From the slower end's speed to the faster one's.
        bent = min(max(knee, low), high)
        path, time, between = on_line(alpha, beta, gamma, bent, high)
        w[LEVEL_BETWEEN + j] = (bent - low) * slower
        w[LINE_BETWEEN + j] = time
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
        path, time, p = on_line(alpha, beta, gamma, slow, fast)
        step, bow = halley(alpha, beta, gamma, fast, line_left - path)
        gained = max(min(gained + step, room), 0.0)
        fast = slow + gained
        path, time, p = on_line(alpha, beta, gamma, slow, fast)
        step, bow = halley(alpha, beta, gamma, fast, line_left - path)
        step = max(min(step, room - gained), -gained)
        time += later_by(alpha, beta, gamma, fast, step)
        there = alpha - (beta + gamma * fast) * fast
        path += step * fast / there
        gained += step
        off = abs(step)
        is_top = gained >= room
        off = off - SMALL * fast if is_top else off * bow * bow - CLOSE * fast
        is_fine = between <= MANY and (is_level or (p <= MANY and off <= 0.0))  # also where there are no numbers
        ramps = level + (path if is_top else line_left)
        w[PEAK + j] = math.sqrt(high * high + 2.0 * own * half_left) if is_level else base + gained
        w[LEVEL_BEYOND + j] = (min(w[PEAK + j], base) - high) * slower
        w[LINE_BEYOND + j] = 0.0 if is_level else time
        w[CRUISED + j] = max(left - 2.0 * (half_left if is_level else ramps), 0.0)
        w[WANTING + j] = 0.0 if is_fine else 1.0
