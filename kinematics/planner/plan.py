"""One candidate planned in full: every move's speeds, the parts of its duration, and what bound them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled, compiled_part
from kinematics.planner.ceilings import corner_ceilings, move_ceilings
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]

BLOCK = 1024  # moves at a time: what one block touches stays in the fast caches
BELOW_CEILING = 1.0 - 1e-12  # a peak below this share of the ceiling is held by its corners


class Plan(NamedTuple):
    """A job planned under one table of limits; one entry a move unless said otherwise.

    `speed_in`, `speed_peak`, `speed_out` (mm/s); `acceleration` admitted along the path (mm/s²); `rising`, `cruising`,
    `falling` parts of the duration (s) and `duration` their sum; `cruise_cause`, `ramp_cause` codes of
    `caps.columns`; `seconds` float64[classes, CAUSES] the time spent under each.
    """

    speed_in: Reals
    speed_peak: Reals
    speed_out: Reals
    acceleration: Reals
    rising: Reals
    cruising: Reals
    falling: Reals
    duration: Reals
    cruise_cause: Codes
    ramp_cause: Codes
    seconds: Reals


@compiled_part
def look_ahead(length: Reals, sluggish: Reals, rest: NDArray[np.uint8], window: int, nodes: Reals) -> None:
    """Lower the node ceilings so that motion can stop within the next `window` moves: v_i² <= Σ 2 a_k L_k.

    Sums over a sliding window are made of a suffix of one block of `window` moves and a prefix of the next: no
    difference of large sums is taken.
    """
    n = length.size
    suffix = np.empty(window)
    for base in range(0, n, window):
        stop = min(base + window, n)
        total = 0.0
        for k in range(stop - 1, base - 1, -1):
            total += 2.0 * length[k] / sluggish[k]
            suffix[k - base] = total
        total = 0.0
        nodes[base] = min(nodes[base], suffix[0])
        for k in range(base + 1, stop):
            ahead = k + window - 1
            if ahead < n:
                total += 2.0 * length[ahead] / sluggish[ahead]
            nodes[k] = min(nodes[k], suffix[k - base] + total)


@compiled_part
def durations(
    length: Reals,
    begin: int,
    end: int,
    squares: Reals,
    speeds: Reals,
    peak: Reals,
    sluggish: Reals,
    acceleration: Reals,
    rising: Reals,
    cruising: Reals,
    falling: Reals,
    duration: Reals,
    cruise_cause: Codes,
) -> None:
    """Peak speed and the parts of the duration of the moves from `begin` to `end`.

    `squares` squared node speeds of the block (index 0 for `begin`), `peak` holds the squared ceilings and takes the
    peak speeds. v_p² = min(v², a·L + (v_0² + v_1²)/2); cruising = (L − (2 v_p² − v_0² − v_1²)/2a)/v_p.
    """
    for i in range(begin, end):
        v0, v1 = squares[i - begin], squares[i - begin + 1]
        slow = sluggish[i]
        ceiling = peak[i]
        top = min(ceiling, length[i] / slow + 0.5 * (v0 + v1))
        top = max(top, max(v0, v1))
        speed = math.sqrt(top)
        speed_in = math.sqrt(v0)
        speed_out = math.sqrt(v1)
        acceleration[i] = 1.0 / slow
        rise = (speed - speed_in) * slow
        fall = (speed - speed_out) * slow
        cruise = max(0.0, length[i] - (top + top - v0 - v1) * 0.5 * slow) / speed
        speeds[i] = speed_in
        peak[i] = speed
        rising[i] = rise
        cruising[i] = cruise
        falling[i] = fall
        duration[i] = rise + cruise + fall
        if top < ceiling * BELOW_CEILING:
            cruise_cause[i] = by.CORNER


@compiled
def plan_moves(
    features: Features,
    inverse: Reals,
    axis_steps: bool,
    filament_steps: bool,
    window: int,
    speeds: Reals,
    numbers: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
    seconds: Reals,
) -> None:
    """Plan a job: ceilings, backward pass, forward pass, durations, seconds by class and cause.

    `inverse` float64[classes, LIMITS] of 1/limit; `window` moves that the controller sees, 0 for all; `speeds`
    float64[n + 1] takes the node speeds, `numbers` float64[6, n] peak, acceleration, rising, cruising, falling,
    duration; `seconds` float64[classes, CAUSES].
    """
    length = features.length
    rest = features.rest
    n = length.size
    peak, acceleration, rising, cruising, falling, duration = numbers
    sluggish = np.empty(n)
    speeds[0] = 0.0
    speeds[n] = 0.0
    # ---- from the end: ceilings and the backward pass, block by block
    last_block = (n - 1) // BLOCK * BLOCK
    if window > 0:
        move_ceilings(features, inverse, 0, n, peak, sluggish, cruise_cause, ramp_cause)
        corner_ceilings(features, inverse, axis_steps, filament_steps, 1, n, peak, sluggish, speeds)
        look_ahead(length, sluggish, rest, window, speeds)
        for i in range(n - 1, 0, -1):
            speeds[i] = min(speeds[i], speeds[i + 1] + 2.0 * length[i] / sluggish[i])
    else:
        for begin in range(last_block, -1, -BLOCK):
            end = min(begin + BLOCK, n)
            move_ceilings(features, inverse, begin, end, peak, sluggish, cruise_cause, ramp_cause)
            top = min(end + 1, n)
            corner_ceilings(features, inverse, axis_steps, filament_steps, begin + 1, top, peak, sluggish, speeds)
            for i in range(top - 1, begin, -1):
                speeds[i] = min(speeds[i], speeds[i + 1] + 2.0 * length[i] / sluggish[i])
    # ---- from the start: the forward pass and the durations
    squares = np.empty(BLOCK + 1)
    square = 0.0
    for begin in range(0, n, BLOCK):
        end = min(begin + BLOCK, n)
        squares[0] = square
        for i in range(begin, end):
            square = min(speeds[i + 1], square + 2.0 * length[i] / sluggish[i])
            squares[i - begin + 1] = square
        durations(
            length,
            begin,
            end,
            squares,
            speeds,
            peak,
            sluggish,
            acceleration,
            rising,
            cruising,
            falling,
            duration,
            cruise_cause,
        )
    # ---- where the time goes
    seconds[:] = 0.0
    for i in range(n):
        row = np.int64(features.move_class[i])
        seconds[row, np.int64(cruise_cause[i])] += cruising[i]
        seconds[row, np.int64(ramp_cause[i])] += rising[i] + falling[i]


def plan(features: Features, limits: Reals, lookahead: int | None = None) -> Plan:
    """Time a job under a table of limits (float64[classes, LIMITS], infinity for none).

    `lookahead` is the number of moves that the controller sees (None: all). The speeds are the largest that satisfy the
    corner rules and can be reached and left under each move's acceleration: the time optimum under these ceilings
    (J. Bobrow, S. Dubowsky, J. Gibson, Int. J. Robotics Research 4(3), 1985; here on straight moves). Ramps are
    trapezoid ramps; S-shaped ramps are not modelled.
    """
    n = features.length.size
    speeds = np.empty(n + 1)
    numbers = np.empty((6, n))
    cruise_cause = np.empty(n, np.uint8)
    ramp_cause = np.empty(n, np.uint8)
    seconds = np.empty((limits.shape[0], by.CAUSES))
    axis_steps = bool(np.isfinite(limits[:, by.X_STEP : by.Z_STEP + 1]).any())
    filament_steps = bool(np.isfinite(limits[:, by.FILAMENT_STEP]).any())
    with np.errstate(divide="ignore"):
        inverse = 1.0 / limits
    inverse[:, by.SPEED_SHARE] = np.where(limits[:, by.SPEED_SHARE] > 0.0, inverse[:, by.SPEED_SHARE], 0.0)
    window = min(lookahead, n) if lookahead else 0
    plan_moves(
        features, inverse, axis_steps, filament_steps, window, speeds, numbers, cruise_cause, ramp_cause, seconds
    )
    peak, acceleration, rising, cruising, falling, duration = numbers
    return Plan(
        speeds[:-1],
        peak,
        speeds[1:],
        acceleration,
        rising,
        cruising,
        falling,
        duration,
        cruise_cause,
        ramp_cause,
        seconds,
    )
