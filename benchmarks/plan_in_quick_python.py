"""The same recurrences in Python written for speed: nested ifs for `max` and `min`, local names, numbers for codes.

Beside the line-by-line version it shows how much of that ratio is the style and how much is the language.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import Any

from kinematics.limits import columns as by

CORNER, PATH_ACCELERATION, CAUSES = by.CORNER, by.PATH_ACCELERATION, by.CAUSES
X_ACCELERATION, Y_ACCELERATION, Z_ACCELERATION = by.X_ACCELERATION, by.Y_ACCELERATION, by.Z_ACCELERATION
FILAMENT_ACCELERATION = by.FILAMENT_ACCELERATION


def plan_in_quick_python(features: Sequence[list[Any]], inverse: Sequence[Sequence[float]]) -> dict[str, list[Any]]:
    """Plan a job; `features` the fields of `Features` as lists, `inverse` the table of 1/limit as lists."""
    length, xs, ys, zs, ratios, commanded, classes, rest, sharpness, curvature, corner_x, corner_y, corner_z, *_ = (
        features
    )
    n = len(length)
    squared, sluggish, nodes = [0.0] * n, [0.0] * n, [0.0] * (n + 1)
    cruise_cause, ramp_cause = [0] * n, [0] * n
    pace_before = slow_before = 0.0
    for i in range(n):
        row = inverse[classes[i]]
        x, y, z, ratio = xs[i], ys[i], zs[i], ratios[i]
        pace, cause = commanded[i] * row[0] + row[1], 0
        if row[2] > pace:
            pace, cause = row[2], 1
        other = x * row[3]
        if other > pace:
            pace, cause = other, 2
        other = y * row[4]
        if other > pace:
            pace, cause = other, 3
        other = z * row[5]
        if other > pace:
            pace, cause = other, 4
        other = ratio * row[6]
        if other > pace:
            pace, cause = other, 5
        cruise_cause[i] = cause
        squared[i] = 1.0 / (pace * pace)
        slow, cause = row[7], PATH_ACCELERATION
        other = x * row[8]
        if other > slow:
            slow, cause = other, X_ACCELERATION
        other = y * row[9]
        if other > slow:
            slow, cause = other, Y_ACCELERATION
        other = z * row[10]
        if other > slow:
            slow, cause = other, Z_ACCELERATION
        other = ratio * row[11]
        if other > slow:
            slow, cause = other, FILAMENT_ACCELERATION
        ramp_cause[i] = cause
        sluggish[i] = slow
        if not rest[i]:
            tight = slow if slow > slow_before else slow_before
            other = corner_x[i] * row[8]
            if other > tight:
                tight = other
            other = corner_y[i] * row[9]
            if other > tight:
                tight = other
            other = corner_z[i] * row[10]
            if other > tight:
                tight = other
            bend = sharpness[i] * row[12]
            other = curvature[i]
            if other > bend:
                bend = other
            bend *= tight
            slowest = pace if pace > pace_before else pace_before
            slowest *= slowest
            nodes[i] = 1.0 / (bend if bend > slowest else slowest)
        pace_before, slow_before = pace, slow
    reached = 0.0
    for i in range(n - 1, 0, -1):
        reached += 2.0 * length[i] / sluggish[i]
        if nodes[i] < reached:
            reached = nodes[i]
        else:
            nodes[i] = reached
    speed_in, peak, speed_out, acceleration = [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n
    rising, cruising, falling, duration = [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n
    seconds = [[0.0] * CAUSES for _ in inverse]
    before = speed_before = 0.0
    for i in range(n):
        slow, long, ceiling = sluggish[i], length[i], squared[i]
        gain = 2.0 * long / slow
        after = before + gain
        if nodes[i + 1] < after:
            after = nodes[i + 1]
        top = 0.5 * (gain + (before + after))
        if ceiling < top:
            top = ceiling
        if before > top:
            top = before
        if after > top:
            top = after
        fastest, speed_after = sqrt(top), sqrt(after)
        rise, fall = (fastest - speed_before) * slow, (fastest - speed_after) * slow
        cruise = (long - (top + top - before - after) * 0.5 * slow) / fastest
        if cruise < 0.0:
            cruise = 0.0
        if top < ceiling * (1.0 - 1e-12):
            cruise_cause[i] = CORNER
        speed_in[i], peak[i], speed_out[i], acceleration[i] = speed_before, fastest, speed_after, 1.0 / slow
        rising[i], cruising[i], falling[i], duration[i] = rise, cruise, fall, rise + cruise + fall
        row = seconds[classes[i]]
        row[cruise_cause[i]] += cruise
        row[ramp_cause[i]] += rise + fall
        before, speed_before = after, speed_after
    return {
        "speed_in": speed_in,
        "speed_peak": peak,
        "speed_out": speed_out,
        "acceleration": acceleration,
        "rising": rising,
        "cruising": cruising,
        "falling": falling,
        "duration": duration,
        "cruise_cause": cruise_cause,
        "ramp_cause": ramp_cause,
        "seconds": seconds,
    }
