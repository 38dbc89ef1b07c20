"""Ceilings of moves and corners: minima of limit over feature, and which limit was the minimum.

Everything is kept as an inverse (pace in s/mm, sluggishness in s²/mm): "no limit" is then 0, and a minimum of quotients
is a maximum of products.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled_part
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]


@compiled_part
def move_ceilings(
    features: Features,
    inverse: Reals,
    begin: int,
    end: int,
    squared: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
) -> None:
    """Ceilings of the moves from `begin` to `end`, and what set them.

    `inverse` float64[classes, LIMITS] holds 1/limit. Writes the squared ceiling of speed (mm²/s²) to `squared`, the
    inverse of the admitted acceleration (s²/mm) to `sluggish`, and the causes; of equal ceilings the first counts.
    """
    length_x, length_y, length_z = features.x, features.y, features.z
    ratios, paces, classes = features.ratio, features.pace, features.move_class
    for i in range(begin, end):
        row = np.int64(classes[i])
        x, y, z, ratio = length_x[i], length_y[i], length_z[i], ratios[i]
        pace = paces[i] * inverse[row, by.SPEED_SHARE] + inverse[row, by.SPEED_REPLACED]
        cause = by.COMMANDED_SPEED
        other = inverse[row, by.CAP]
        cause = by.SPEED_CAP if other > pace else cause
        pace = max(pace, other)
        other = x * inverse[row, by.X_MOST]
        cause = by.X_SPEED if other > pace else cause
        pace = max(pace, other)
        other = y * inverse[row, by.Y_MOST]
        cause = by.Y_SPEED if other > pace else cause
        pace = max(pace, other)
        other = z * inverse[row, by.Z_MOST]
        cause = by.Z_SPEED if other > pace else cause
        pace = max(pace, other)
        other = ratio * inverse[row, by.FILAMENT_MOST]
        cause = by.FILAMENT_SPEED if other > pace else cause
        pace = max(pace, other)
        cruise_cause[i] = cause
        squared[i] = 1.0 / (pace * pace)
        slow = inverse[row, by.PATH_RAMP]
        cause = by.PATH_ACCELERATION
        other = x * inverse[row, by.X_RAMP]
        cause = by.X_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        other = y * inverse[row, by.Y_RAMP]
        cause = by.Y_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        other = z * inverse[row, by.Z_RAMP]
        cause = by.Z_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        other = ratio * inverse[row, by.FILAMENT_RAMP]
        cause = by.FILAMENT_ACCELERATION if other > slow else cause
        slow = max(slow, other)
        ramp_cause[i] = cause
        sluggish[i] = slow


@compiled_part
def corner_ceilings(
    features: Features,
    inverse: Reals,
    axis_steps: bool,
    filament_steps: bool,
    begin: int,
    end: int,
    squared: Reals,
    sluggish: Reals,
    nodes: Reals,
) -> None:
    """Squared ceilings of speed (mm²/s²) at the nodes from `begin` (1 or more) to `end` (n at most), into `nodes`.

    At a node v² <= a/max(sharpness/δ, κ) with a the least of both moves' and of the axes' in the corner's direction
    (Kunz and Stilman 2012; curve rule), v <= ΔV_k/|w_k| where axis steps rule, v <= ΔV_e/|r' − r|, and never more than
    either move's ceiling. Limits are those of the later move.
    """
    for i in range(begin, end):
        row = np.int64(features.move_class[i])
        corner_x, corner_y, corner_z = features.corner_x[i], features.corner_y[i], features.corner_z[i]
        slow = max(sluggish[i - 1], sluggish[i])
        slow = max(slow, corner_x * inverse[row, by.X_RAMP])
        slow = max(slow, corner_y * inverse[row, by.Y_RAMP])
        slow = max(slow, corner_z * inverse[row, by.Z_RAMP])
        bend = max(features.sharpness[i] * inverse[row, by.DEVIATION], features.curvature[i])
        ceiling = min(squared[i - 1], squared[i])
        ceiling = min(ceiling, 1.0 / (slow * bend))
        if axis_steps:
            change = features.change[i]
            pace = max(corner_x * change * inverse[row, by.X_STEP], corner_y * change * inverse[row, by.Y_STEP])
            pace = max(pace, corner_z * change * inverse[row, by.Z_STEP])
            ceiling = min(ceiling, 1.0 / (pace * pace))
        if filament_steps:
            pace = features.ratio_change[i] * inverse[row, by.FILAMENT_STEP]
            ceiling = min(ceiling, 1.0 / (pace * pace))
        nodes[i] = 0.0 if features.rest[i] else ceiling
