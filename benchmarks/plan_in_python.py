"""The kernel's recurrences in plain Python, line by line: what the planner would be without a compiler.

Same formulas, same outputs, lists in place of arrays. Steps of speed are left out: the benchmark's machine has none.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import Any

from kinematics.limits import columns as by

BELOW_CEILING = 1.0 - 1e-12


def plan_in_python(features: Sequence[list[Any]], inverse: Sequence[Sequence[float]]) -> dict[str, list[Any]]:
    """Plan a job; `features` the fields of `Features` as lists, `inverse` the table of 1/limit as lists."""
    length, xs, ys, zs, ratios, commanded, classes, rest, sharpness, curvature, corner_x, corner_y, corner_z, *_ = (
        features
    )
    n = len(length)
    paces, sluggish, cruise_cause, ramp_cause = [0.0] * n, [0.0] * n, [0] * n, [0] * n
    # ---- ceilings of moves
    for i in range(n):
        row = inverse[classes[i]]
        x, y, z, ratio = xs[i], ys[i], zs[i], ratios[i]
        pace = commanded[i] * row[by.SPEED_SHARE] + row[by.SPEED_REPLACED]
        cause = by.COMMANDED_SPEED
        other = row[by.CAP]
        cause = by.SPEED_CAP if other > pace else cause
        pace = max(pace, other)
        other = x * row[by.X_MOST]
        cause = by.X_SPEED if other > pace else cause
        pace = max(pace, other)
        other = y * row[by.Y_MOST]
        cause = by.Y_SPEED if other > pace else cause
        pace = max(pace, other)
        other = z * row[by.Z_MOST]
        cause = by.Z_SPEED if other > pace else cause
        pace = max(pace, other)
        other = ratio * row[by.FILAMENT_MOST]
        cause = by.FILAMENT_SPEED if other > pace else cause
        pace = max(pace, other)
        paces[i], cruise_cause[i] = pace, cause
        slow = row[by.PATH_RAMP]
        cause = by.PATH_ACCELERATION
        other = x * row[by.X_RAMP]
        cause = by.X_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        other = y * row[by.Y_RAMP]
        cause = by.Y_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        other = z * row[by.Z_RAMP]
        cause = by.Z_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        other = ratio * row[by.FILAMENT_RAMP]
        cause = by.FILAMENT_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        sluggish[i], ramp_cause[i] = slow, cause
    # ---- ceilings of corners
    nodes = [0.0] * (n + 1)
    for i in range(1, n):
        row = inverse[classes[i]]
        slow = max(sluggish[i - 1], sluggish[i])
        slow = max(slow, corner_x[i] * row[by.X_RAMP])
        slow = max(slow, corner_y[i] * row[by.Y_RAMP])
        slow = max(slow, corner_z[i] * row[by.Z_RAMP])
        pace = max(paces[i - 1], paces[i])
        bend = max(sharpness[i] * row[by.DEVIATION], curvature[i])
        nodes[i] = 0.0 if rest[i] else 1.0 / max(pace * pace, slow * bend)
    acceleration = [1.0 / slow for slow in sluggish]
    gains = [2.0 * long * most for long, most in zip(length, acceleration, strict=True)]
    # ---- the two passes
    reached = nodes[n]
    for i in range(n - 1, 0, -1):
        reached = min(nodes[i], reached + gains[i])
        nodes[i] = reached
    square = 0.0
    for i in range(n):
        square = min(nodes[i + 1], square + gains[i])
        nodes[i + 1] = square
    # ---- durations, and where the time goes
    speeds = [sqrt(square) for square in nodes]
    peak, duration, rising, cruising, falling = [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n, [0.0] * n
    seconds = [[0.0] * by.CAUSES for _ in inverse]
    for i in range(n):
        v0, v1, slow = nodes[i], nodes[i + 1], sluggish[i]
        ceiling = 1.0 / (paces[i] * paces[i])
        top = min(ceiling, 0.5 * (gains[i] + (v0 + v1)))
        top = max(top, max(v0, v1))
        speed = sqrt(top)
        rise = (speed - speeds[i]) * slow
        fall = (speed - speeds[i + 1]) * slow
        cruise = max(0.0, length[i] - (top + top - v0 - v1) * 0.5 * slow) / speed
        peak[i] = speed
        rising[i] = rise
        cruising[i] = cruise
        falling[i] = fall
        duration[i] = rise + cruise + fall
        cruise_cause[i] = by.CORNER if top < ceiling * BELOW_CEILING else cruise_cause[i]
        of_class = seconds[classes[i]]
        of_class[cruise_cause[i]] += cruise
        of_class[ramp_cause[i]] += rise + fall
    return {
        "speed_in": speeds[:-1],
        "speed_peak": peak,
        "speed_out": speeds[1:],
        "acceleration": acceleration,
        "rising": rising,
        "cruising": cruising,
        "falling": falling,
        "duration": duration,
        "cruise_cause": cruise_cause,
        "ramp_cause": ramp_cause,
        "seconds": seconds,
    }
