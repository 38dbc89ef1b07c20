"""Ceilings of moves and corners: minima of limit over feature, and which limit was the minimum.

Everything is kept as an inverse (pace in s/mm, sluggishness in s²/mm): "no limit" is then 0, and a minimum of
quotients is a maximum of products. A loop first takes all moves of a block for members of its commonest class, whose
limits then stay in registers, so that eight moves go at a time; a second loop does the few moves of other classes
again. Places in a job are unsigned: a place that could be negative would have to be taken to count from the end, and
the loop would go move by move.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled_part
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
MoveClasses = NDArray[np.uint16]
Row = tuple[float, ...]  # the first columns of the table, as limits_of_class says

VOTER_EVERY = 64  # one move in so many is asked for its class


@compiled_part
def commonest_class(move_class: MoveClasses, begin: int, end: int) -> int:
    """The class that most of a few moves of a block belong to, if one has more than half (R. Boyer, J. Moore, 1981)."""
    chosen = int(move_class[begin])
    votes = 0
    for i in range(begin, end, VOTER_EVERY):
        found = int(move_class[i])
        if votes == 0:
            chosen = found
        votes += 1 if found == chosen else -1
    return chosen


@compiled_part
def limits_of_class(inverse: Reals, row: int) -> Row:
    """The columns up to DEVIATION of one row of the table of inverse limits, as numbers that can stay in registers."""
    return (
        inverse[row, by.SPEED_SHARE],
        inverse[row, by.SPEED_REPLACED],
        inverse[row, by.CAP],
        inverse[row, by.X_MOST],
        inverse[row, by.Y_MOST],
        inverse[row, by.Z_MOST],
        inverse[row, by.FILAMENT_MOST],
        inverse[row, by.PATH_RAMP],
        inverse[row, by.X_RAMP],
        inverse[row, by.Y_RAMP],
        inverse[row, by.Z_RAMP],
        inverse[row, by.FILAMENT_RAMP],
        inverse[row, by.DEVIATION],
    )


@compiled_part
def least_pace(x: float, y: float, z: float, ratio: float, commanded: float, limits: Row) -> tuple[float, np.uint8]:
    """Pace (s/mm) that a move may not go below, and what set it; of equal ceilings the first counts."""
    pace = commanded * limits[by.SPEED_SHARE] + limits[by.SPEED_REPLACED]
    cause = np.uint8(by.COMMANDED_SPEED)
    other = limits[by.CAP]
    cause = np.uint8(by.SPEED_CAP) if other > pace else cause
    pace = max(pace, other)
    other = x * limits[by.X_MOST]
    cause = np.uint8(by.X_SPEED) if other > pace else cause
    pace = max(pace, other)
    other = y * limits[by.Y_MOST]
    cause = np.uint8(by.Y_SPEED) if other > pace else cause
    pace = max(pace, other)
    other = z * limits[by.Z_MOST]
    cause = np.uint8(by.Z_SPEED) if other > pace else cause
    pace = max(pace, other)
    other = ratio * limits[by.FILAMENT_MOST]
    cause = np.uint8(by.FILAMENT_SPEED) if other > pace else cause
    pace = max(pace, other)
    return pace, cause


@compiled_part
def least_sluggishness(x: float, y: float, z: float, ratio: float, limits: Row) -> tuple[float, np.uint8]:
    """Inverse (s²/mm) of the acceleration that a move may take, and what set it; of equal ceilings the first counts."""
    slow = limits[by.PATH_RAMP]
    cause = np.uint8(by.PATH_ACCELERATION)
    other = x * limits[by.X_RAMP]
    cause = np.uint8(by.X_ACCELERATION) if other > slow else cause
    slow = max(slow, other)
    other = y * limits[by.Y_RAMP]
    cause = np.uint8(by.Y_ACCELERATION) if other > slow else cause
    slow = max(slow, other)
    other = z * limits[by.Z_RAMP]
    cause = np.uint8(by.Z_ACCELERATION) if other > slow else cause
    slow = max(slow, other)
    other = ratio * limits[by.FILAMENT_RAMP]
    cause = np.uint8(by.FILAMENT_ACCELERATION) if other > slow else cause
    slow = max(slow, other)
    return slow, cause


@compiled_part
def move_ceilings(
    features: Features,
    inverse: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
) -> None:
    """Ceilings of the moves from `begin` to `end`, and what set them.

    `inverse` float64[classes, LIMITS] holds 1/limit. Writes the inverse of the ceiling of speed (s/mm) to `paces` and
    the inverse of the admitted acceleration (s²/mm) to `sluggish`, index 0 for `begin`, and the causes.
    """
    first = np.uint64(begin)
    x, y, z, ratio = features.x, features.y, features.z, features.ratio
    pace, classes = features.pace, features.move_class
    commonest = commonest_class(classes, begin, end)
    limits = limits_of_class(inverse, commonest)
    for k in range(end - begin):
        i = first + np.uint64(k)
        paces[k], cruise_cause[i] = least_pace(x[i], y[i], z[i], ratio[i], pace[i], limits)
        sluggish[k], ramp_cause[i] = least_sluggishness(x[i], y[i], z[i], ratio[i], limits)
    for k in range(end - begin):
        i = first + np.uint64(k)
        if classes[i] != commonest:
            limits = limits_of_class(inverse, int(classes[i]))
            paces[k], cruise_cause[i] = least_pace(x[i], y[i], z[i], ratio[i], pace[i], limits)
            sluggish[k], ramp_cause[i] = least_sluggishness(x[i], y[i], z[i], ratio[i], limits)


@compiled_part
def turn_pace(x: float, y: float, z: float, sharpness: float, curvature: float, sluggish: float, limits: Row) -> float:
    """Inverse (s²/mm²) of the squared speed that a corner may be taken at: 1/v² = max(sharpness/δ, κ)/a."""
    slow = max(sluggish, x * limits[by.X_RAMP])
    slow = max(slow, y * limits[by.Y_RAMP])
    slow = max(slow, z * limits[by.Z_RAMP])
    return slow * max(sharpness * limits[by.DEVIATION], curvature)


@compiled_part
def corner_ceilings(
    features: Features, inverse: Reals, begin: int, end: int, paces: Reals, sluggish: Reals, nodes: Reals
) -> None:
    """Inverse (s²/mm²) of the squared ceiling of speed at the nodes between `begin` and `end`, into `nodes`.

    At a node v² <= a/max(sharpness/δ, κ) with a the least of both moves' and of the axes' in the corner's direction
    (Kunz and Stilman 2012; curve rule), and never more than either move's ceiling. Limits are those of the later move.
    In `paces`, `sluggish` (of the moves) and `nodes`, index 0 is for `begin`.
    """
    first = np.uint64(begin)
    x, y, z, classes = features.corner_x, features.corner_y, features.corner_z, features.move_class
    sharpness, curvature = features.sharpness, features.curvature
    commonest = commonest_class(classes, begin, end)
    limits = limits_of_class(inverse, commonest)
    for k in range(1, end - begin):
        i = first + np.uint64(k)
        slow = max(sluggish[k - 1], sluggish[k])
        pace = max(paces[k - 1], paces[k])
        nodes[k] = max(pace * pace, turn_pace(x[i], y[i], z[i], sharpness[i], curvature[i], slow, limits))
    for k in range(1, end - begin):
        i = first + np.uint64(k)
        if classes[i] != commonest:
            limits = limits_of_class(inverse, int(classes[i]))
            slow = max(sluggish[k - 1], sluggish[k])
            pace = max(paces[k - 1], paces[k])
            nodes[k] = max(pace * pace, turn_pace(x[i], y[i], z[i], sharpness[i], curvature[i], slow, limits))


@compiled_part
def speed_steps(features: Features, inverse: Reals, begin: int, end: int, nodes: Reals) -> None:
    """Raise the inverse squared ceilings (s²/mm²) of `nodes` by what hangs on how much each axis changes.

    v <= ΔV_k/|w_k| of every axis, v <= ΔV_e/|r' − r|, and v·√(Σ (w_k/R_k)²) <= 1 with R_k the change of speed of axis k
    alone whose rounding uses up the budget.
    """
    turn, classes, ratio_changes = features.turn, features.move_class, features.ratio_change
    for i in range(begin + 1, end):
        row = np.int64(classes[i])
        x, y, z = turn[0, i], turn[1, i], turn[2, i]
        pace = max(x * inverse[row, by.X_STEP], y * inverse[row, by.Y_STEP])
        pace = max(pace, max(z * inverse[row, by.Z_STEP], ratio_changes[i] * inverse[row, by.FILAMENT_STEP]))
        x, y = x * inverse[row, by.X_ROUNDING], y * inverse[row, by.Y_ROUNDING]
        nodes[i - begin] = max(nodes[i - begin], max(pace * pace, x * x + y * y))
