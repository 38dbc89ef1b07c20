"""Ceilings of moves and corners: minima of limit over feature, and which limit was the minimum.

Of tool axes, path and extruder; of motors that move several axes at once, or one of them unevenly; of what the
controller takes in. Those under which acceleration falls with speed stand in `tied`.

Everything is kept as an inverse (pace in s/mm, sluggishness in s²/mm): "no limit" is then 0, and a minimum of
quotients is a maximum of products. A loop first takes all moves of a block for members of its commonest class, whose
limits then stay in registers, so that eight moves go at a time; a second loop does the few moves of other classes
again. Places in a job are unsigned: a place that could be negative would have to be taken to count from the end, and
the loop would go move by move.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_part
from kinematics.limits import columns as by
from kinematics.planner.features import Features
from kinematics.planner.ties import ADVANCE_DELAY, ADVANCE_SPEED, MASS, SHARE, Ties

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
MoveClasses = NDArray[np.uint16]
Row = tuple[float, ...]  # the first columns of the table, as limits_of_class says

NO_STEP = 1e30  # s/mm: stands for infinity where a product with 0 must stay 0
LEAST_KICK = 0.02  # share of a sudden change of speed that a ringing budget admits beside any step of acceleration
NO_SLUGGISHNESS = 1e-100  # s²/mm: of a move that no acceleration holds
NO_SPEED = 1e12  # s/mm: a pace so slow is rest
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

    v <= ΔV_k/|w_k| of every axis, v <= ΔV_e/|r' − r|.
    """
    turn, classes, ratio_changes = features.turn, features.move_class, features.ratio_change
    for i in range(begin + 1, end):
        row = np.int64(classes[i])
        x, y, z = turn[0, i], turn[1, i], turn[2, i]
        pace = max(x * inverse[row, by.X_STEP], y * inverse[row, by.Y_STEP])
        pace = max(pace, max(z * inverse[row, by.Z_STEP], ratio_changes[i] * inverse[row, by.FILAMENT_STEP]))
        nodes[i - begin] = max(nodes[i - begin], pace * pace)


# ---- rounding ------------------------------------------------------------------------------------------------------


@compiled_part
def rounding_ramps(
    features: Features, inverse: Reals, begin: int, end: int, sluggish: Reals, ramp_cause: Codes
) -> None:
    """Raise the sluggishness (s²/mm) of moves to that within the rounding budget: a <= 2qε/√(Σ (u_k·σ_k²)²)."""
    start, lead, classes = np.uint64(begin), features.lead, features.move_class
    for k in range(end - begin):
        i = start + np.uint64(k)
        other = lead[i] * inverse[np.int64(classes[i]), by.ROUNDING_RAMP]
        ramp_cause[i] = np.uint8(by.ROUNDING_ACCELERATION) if other > sluggish[k] else ramp_cause[i]
        sluggish[k] = max(sluggish[k], other)


@compiled_part
def rounding_nodes(features: Features, begin: int, end: int, nodes: Reals) -> None:
    """Raise the inverse squared ceilings (s²/mm²) of `nodes` to those within the rounding budget."""
    start, rounded = np.uint64(begin), features.rounded
    for k in range(1, end - begin):
        i = start + np.uint64(k)
        nodes[k] = max(nodes[k], rounded[i] * rounded[i])


Kicks = tuple[float, float, float]  # inverse limits of one axis: of a sudden change of speed, of two kinds of steps


@compiled_part
def kicks_of_class(inverse: Reals, row: int) -> tuple[Kicks, Kicks]:
    """The inverse limits by ringing in one row of the table, of x and of y."""
    return (
        (inverse[row, by.X_KICK], inverse[row, by.X_SWING], inverse[row, by.X_SWING_ADDED]),
        (inverse[row, by.Y_KICK], inverse[row, by.Y_SWING], inverse[row, by.Y_SWING_ADDED]),
    )


@compiled_part
def kick_pace(change: float, share: float, other: float, before: float, after: float, limits: Kicks) -> float:
    """Pace (s/mm) at which an axis is kicked no harder than the ringing budget admits; 0 for any speed.

    A corner kicks the speed of an axis by v·`change`, |w_k|, and at the same instant its acceleration: by
    a·|u_k + u'_k|, a the smaller acceleration of both runs, or by |a·u_k + a'·u'_k| where that is more. `share` and
    `other` |u_k| and |u'_k|, `before` and `after` a and a': v·|w_k| <= Δv_ρ·(√(1 − (Δa/a_apart)²) − Δa/a_added). Where
    a step of acceleration alone uses up the budget, what LEAST_KICK leaves adds 2 % to it.
    """
    kick, swing, added = limits
    turned = change > max(share, other)  # the axis turns back
    both = abs(share - other) if turned else share + other
    each = abs(before * share - after * other) if turned else before * share + after * other
    step = max(min(before, after) * both, each)
    part = step * swing
    left = math.sqrt(max(1.0 - part * part, 0.0)) - step * added
    return change * kick / max(left, LEAST_KICK)


@compiled_part
def ringing_nodes(features: Features, inverse: Reals, begin: int, end: int, sluggish: Reals, nodes: Reals) -> None:
    """Raise the inverse squared ceilings (s²/mm²) of `nodes` to those within the ringing budget (`kick_pace`)."""
    first, classes, turn, x, y = np.uint64(begin), features.move_class, features.turn, features.x, features.y
    across, along = np.uint64(0), np.uint64(1)
    commonest = commonest_class(classes, begin, end)
    of_x, of_y = kicks_of_class(inverse, commonest)
    for k in range(1, end - begin):
        i = first + np.uint64(k)
        before = i - np.uint64(1)
        braked, left = 1.0 / max(sluggish[k - 1], NO_SLUGGISHNESS), 1.0 / max(sluggish[k], NO_SLUGGISHNESS)
        pace = kick_pace(turn[across, i], x[before], x[i], braked, left, of_x)
        pace = max(pace, kick_pace(turn[along, i], y[before], y[i], braked, left, of_y))
        nodes[k] = max(nodes[k], pace * pace) if classes[i] == commonest else nodes[k]
    for k in range(1, end - begin):
        i = first + np.uint64(k)
        if classes[i] != commonest:
            of_x, of_y = kicks_of_class(inverse, int(classes[i]))
            before = i - np.uint64(1)
            braked, left = 1.0 / max(sluggish[k - 1], NO_SLUGGISHNESS), 1.0 / max(sluggish[k], NO_SLUGGISHNESS)
            pace = kick_pace(turn[across, i], x[before], x[i], braked, left, of_x)
            pace = max(pace, kick_pace(turn[along, i], y[before], y[i], braked, left, of_y))
            nodes[k] = max(nodes[k], pace * pace)


# ---- rest ----------------------------------------------------------------------------------------------------------


@compiled_part
def pace_at_rest(features: Features, inverse: Reals, rest_paces: Reals, i: int, sluggish: float) -> float:
    """Inverse squared speed (s²/mm²) with which a move may leave rest or reach it, infinite where without a step.

    v <= ΔV_k/|u_k| on every axis that has a step, v <= ΔV_e/r; nothing leaves rest with a speed that none of the steps
    bounds. (Common practice, no source.) The step kicks as a corner of w = u does.
    """
    row = np.int64(features.move_class[i])
    x, y = features.x[i], features.y[i]
    pace = max(x * rest_paces[row, 0], y * rest_paces[row, 1])
    pace = max(pace, max(features.z[i] * rest_paces[row, 2], features.ratio[i] * rest_paces[row, 3]))
    if pace == 0.0 or pace >= NO_SPEED:
        return math.inf
    of_x, of_y = kicks_of_class(inverse, int(row))
    acceleration = 1.0 / max(sluggish, NO_SLUGGISHNESS)
    pace = max(pace, kick_pace(x, 0.0, x, acceleration, acceleration, of_x))
    pace = max(pace, kick_pace(y, 0.0, y, acceleration, acceleration, of_y))
    return float(pace * pace)


@compiled_part
def arrival_ceilings(
    features: Features,
    inverse: Reals,
    rest_paces: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    nodes: Reals,
    arrivals: Reals,
) -> None:
    """Squared ceilings of speed at the places of rest from `begin` to `end`: `nodes` left, `arrivals` reached.

    Never more than the move's own ceiling, nor than rounding admits at the end of a path; in `paces` 1/v, `sluggish`,
    `nodes` and `arrivals`, index 0 is for `begin`.
    """
    rest, rounds = features.rest, features.lead.size > 0
    for k in range(end - begin + 1):
        i = begin + k
        arrivals[k] = 0.0
        if not rest[i]:
            continue
        if k > 0:
            square = max(pace_at_rest(features, inverse, rest_paces, i - 1, sluggish[k - 1]), paces[k - 1] ** 2)
            if rounds:
                square = max(square, features.reached[i - 1] ** 2)
            arrivals[k] = 1.0 / square
        if i < end:
            square = max(pace_at_rest(features, inverse, rest_paces, i, sluggish[k]), paces[k] ** 2)
            if rounds:
                square = max(square, features.rounded[i] ** 2)
            nodes[k] = 1.0 / square


# ---- motors --------------------------------------------------------------------------------------------------------

# Where motors that move several axes at once, or one of them unevenly, are limited, these loops take the place of those
# above. There are two such motors or three; in place of a third that there is not, the second is looked at twice.

Motors = tuple[float, float, float, float, float, float]  # inverse limits: three speeds, three accelerations

# On a delta the acceleration of a motor is shared out: what it does at steady tool speed, and what is left for ramps.
STEADY_SHARE = 0.2
RAMP_SHARE = 0.8


@compiled_part
def motors_of_class(inverse: Reals, row: int, motors: int, ramp_share: float) -> Motors:
    """The inverse limits of three motors in one row of the table, `ramp_share` of the acceleration."""
    third = motors - 1
    return (
        inverse[row, by.MOTOR_1_MOST],
        inverse[row, by.MOTOR_2_MOST],
        inverse[row, by.MOTOR_1_MOST + third],
        inverse[row, by.MOTOR_1_RAMP] / ramp_share,
        inverse[row, by.MOTOR_2_RAMP] / ramp_share,
        inverse[row, by.MOTOR_1_RAMP + third] / ramp_share,
    )


@compiled_part
def raised(value: float, cause: np.uint8, a: float, b: float, c: float, first: int) -> tuple[float, np.uint8]:
    """The largest of a value and three numbers of motors, and its cause; of equal ones the first counts."""
    cause = np.uint8(first) if a > value else cause
    value = max(value, a)
    cause = np.uint8(first + 1) if b > value else cause
    value = max(value, b)
    cause = np.uint8(first + 2) if c > value else cause
    return max(value, c), cause


@compiled_part
def coupled_move_ceilings(
    features: Features,
    inverse: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
) -> None:
    """Ceilings of the moves from `begin` to `end` and what set them, as `ceilings.move_ceilings` has them.

    Beside those, for every coupled motor v <= W_k/|j_k|, a <= B_k/|j_k|. Where motors accelerate at steady tool speed
    as well, by c_k·v², B_k is shared: v² <= 0.2·B_k/c_k, a <= 0.8·B_k/|j_k|.
    """
    start = np.uint64(begin)
    x, y, z, ratio = features.x, features.y, features.z, features.ratio
    pace, classes, motor = features.pace, features.move_class, features.motor
    motors = motor.shape[0]
    one, two, three = np.uint64(0), np.uint64(1), np.uint64(motors - 1)
    ramp_share = RAMP_SHARE if features.bend.shape[0] > 0 else 1.0
    commonest = commonest_class(classes, begin, end)
    limits = limits_of_class(inverse, commonest)
    most_1, most_2, most_3, ramp_1, ramp_2, ramp_3 = motors_of_class(inverse, commonest, motors, ramp_share)
    for k in range(end - begin):
        i = start + np.uint64(k)
        p, q, r = motor[one, i], motor[two, i], motor[three, i]
        slow, cause = least_pace(x[i], y[i], z[i], ratio[i], pace[i], limits)
        paces[k], cruise_cause[i] = raised(slow, cause, p * most_1, q * most_2, r * most_3, by.MOTOR_1_SPEED)
        slow, cause = least_sluggishness(x[i], y[i], z[i], ratio[i], limits)
        sluggish[k], ramp_cause[i] = raised(slow, cause, p * ramp_1, q * ramp_2, r * ramp_3, by.MOTOR_1_ACCELERATION)
    for k in range(end - begin):
        i = start + np.uint64(k)
        if classes[i] != commonest:
            limits = limits_of_class(inverse, int(classes[i]))
            most_1, most_2, most_3, ramp_1, ramp_2, ramp_3 = motors_of_class(
                inverse, int(classes[i]), motors, ramp_share
            )
            p, q, r = motor[one, i], motor[two, i], motor[three, i]
            slow, cause = least_pace(x[i], y[i], z[i], ratio[i], pace[i], limits)
            paces[k], cruise_cause[i] = raised(slow, cause, p * most_1, q * most_2, r * most_3, by.MOTOR_1_SPEED)
            slow, cause = least_sluggishness(x[i], y[i], z[i], ratio[i], limits)
            sluggish[k], ramp_cause[i] = raised(
                slow, cause, p * ramp_1, q * ramp_2, r * ramp_3, by.MOTOR_1_ACCELERATION
            )
    if features.bend.shape[0] > 0:
        steady_ceilings(features, inverse, begin, end, paces, cruise_cause)


@compiled_part
def steady_ceilings(
    features: Features, inverse: Reals, begin: int, end: int, paces: Reals, cruise_cause: Codes
) -> None:
    """Raise the paces (s/mm) of moves to what motors may accelerate by at steady tool speed: v² <= 0.2·B_k/c_k."""
    start = np.uint64(begin)
    bend, classes = features.bend, features.move_class
    one, two, three = np.uint64(0), np.uint64(1), np.uint64(2)
    commonest = commonest_class(classes, begin, end)
    _, _, _, ramp_1, ramp_2, ramp_3 = motors_of_class(inverse, commonest, 3, STEADY_SHARE)
    for k in range(end - begin):
        i = start + np.uint64(k)
        p, q, r = math.sqrt(bend[one, i] * ramp_1), math.sqrt(bend[two, i] * ramp_2), math.sqrt(bend[three, i] * ramp_3)
        slow, cause = raised(paces[k], cruise_cause[i], p, q, r, by.MOTOR_1_STEADY)
        paces[k] = slow if classes[i] == commonest else paces[k]
        cruise_cause[i] = cause if classes[i] == commonest else cruise_cause[i]
    for k in range(end - begin):
        i = start + np.uint64(k)
        if classes[i] != commonest:
            _, _, _, ramp_1, ramp_2, ramp_3 = motors_of_class(inverse, int(classes[i]), 3, STEADY_SHARE)
            p, q = math.sqrt(bend[one, i] * ramp_1), math.sqrt(bend[two, i] * ramp_2)
            r = math.sqrt(bend[three, i] * ramp_3)
            paces[k], cruise_cause[i] = raised(paces[k], cruise_cause[i], p, q, r, by.MOTOR_1_STEADY)


@compiled_part
def coupled_corner_ceilings(
    features: Features, inverse: Reals, begin: int, end: int, paces: Reals, sluggish: Reals, nodes: Reals
) -> None:
    """Inverse (s²/mm²) of the squared ceiling of speed at the nodes, as `ceilings.corner_ceilings` has it.

    Beside those, through a corner a <= B_k/|(J·n)_k| for every coupled motor.
    """
    start = np.uint64(begin)
    x, y, z, classes = features.corner_x, features.corner_y, features.corner_z, features.move_class
    sharpness, curvature, motor = features.sharpness, features.curvature, features.motor_corner
    motors = motor.shape[0]
    one, two, three = np.uint64(0), np.uint64(1), np.uint64(motors - 1)
    commonest = commonest_class(classes, begin, end)
    limits = limits_of_class(inverse, commonest)
    _, _, _, ramp_1, ramp_2, ramp_3 = motors_of_class(inverse, commonest, motors, 1.0)
    for k in range(1, end - begin):
        i = start + np.uint64(k)
        slow = max(sluggish[k - 1], sluggish[k])
        slow = max(max(slow, motor[one, i] * ramp_1), max(motor[two, i] * ramp_2, motor[three, i] * ramp_3))
        pace = max(paces[k - 1], paces[k])
        nodes[k] = max(pace * pace, turn_pace(x[i], y[i], z[i], sharpness[i], curvature[i], slow, limits))
    for k in range(1, end - begin):
        i = start + np.uint64(k)
        if classes[i] != commonest:
            limits = limits_of_class(inverse, int(classes[i]))
            _, _, _, ramp_1, ramp_2, ramp_3 = motors_of_class(inverse, int(classes[i]), motors, 1.0)
            slow = max(sluggish[k - 1], sluggish[k])
            slow = max(max(slow, motor[one, i] * ramp_1), max(motor[two, i] * ramp_2, motor[three, i] * ramp_3))
            pace = max(paces[k - 1], paces[k])
            nodes[k] = max(pace * pace, turn_pace(x[i], y[i], z[i], sharpness[i], curvature[i], slow, limits))


# ---- what the controller takes in ----------------------------------------------------------------------------------


@compiled_part
def rate_ceilings(
    reach: Reals,
    inverse: Reals,
    column: int,
    cause: int,
    features: Features,
    begin: int,
    end: int,
    paces: Reals,
    cruise_cause: Codes,
) -> None:
    """Lower the ceilings of the moves from `begin` to `end` to v <= L̄·rate: `reach` (n) 1/L̄, the rate in a column.

    Moves of the commonest class go eight at a time, as in `ceilings`.
    """
    start, classes = np.uint64(begin), features.move_class
    commonest = commonest_class(classes, begin, end)
    rate = inverse[commonest, column]
    for k in range(end - begin):
        i = start + np.uint64(k)
        other = reach[i] * rate if classes[i] == commonest else 0.0
        cruise_cause[i] = np.uint8(cause) if other > paces[k] else cruise_cause[i]
        paces[k] = max(paces[k], other)
    for k in range(end - begin):
        i = start + np.uint64(k)
        if classes[i] != commonest:
            other = reach[i] * inverse[np.int64(classes[i]), column]
            cruise_cause[i] = np.uint8(cause) if other > paces[k] else cruise_cause[i]
            paces[k] = max(paces[k], other)


# ---- of a whole job ------------------------------------------------------------------------------------------------


def inverse_of(limits: Reals) -> Reals:
    """A table of limits as inverses: no limit is 0, and so is the share of a commanded speed that is replaced."""
    with np.errstate(divide="ignore"):
        inverse = 1.0 / limits
    inverse[:, by.SPEED_SHARE] = np.where(limits[:, by.SPEED_SHARE] > 0.0, inverse[:, by.SPEED_SHARE], 0.0)
    return np.asarray(inverse)


def paces_at_rest(limits: Reals) -> Reals:
    """Inverse steps (s/mm) with which rest is left and reached under a table of limits: float64[classes, 4].

    Of x, y, z and the filament; 0 for none, NO_STEP where steps are not permitted at all: those of axes where junction
    deviation rules. Budgets permit nothing and have no part in this. No rows where no class may step.
    """
    stepping = np.isinf(limits[:, by.DEVIATION]) & np.isfinite(limits[:, by.X_STEP : by.Z_STEP + 1]).any(axis=1)
    if not (stepping.any() or np.isfinite(limits[:, by.FILAMENT_STEP]).any()):
        return np.empty((0, 4))
    columns = [by.X_STEP, by.Y_STEP, by.Z_STEP, by.FILAMENT_STEP]
    paces = np.asarray(1.0 / limits[:, columns])
    paces[~stepping, :3] = NO_STEP
    return paces


def hang_on_turns(limits: Reals) -> bool:
    """Whether anything in a table of limits hangs on how much each axis changes at a corner."""
    return bool(np.isfinite(limits[:, by.TURN_COLUMNS]).any())


def permits_steps(limits: Reals) -> bool:
    """Whether corners are held by permitted steps of speed under a table of limits."""
    return bool(np.isfinite(limits[:, by.X_STEP : by.FILAMENT_STEP + 1]).any())


def kicks(limits: Reals) -> bool:
    """Whether a ringing budget holds the corners under a table of limits."""
    return bool(np.isfinite(limits[:, [by.X_KICK, by.Y_KICK]]).any())


@compiled
def first_unbounded(features: Features, inverse: Reals, advance: Reals, ties: Ties) -> int:
    """The first move without a ceiling of speed or of acceleration; −1 where every move has both.

    A motor that accelerates at steady speed bounds that speed, one that has some mass to move bounds acceleration, and
    pressure advance beside a limit of the extruder bounds both.
    """
    by_moves, by_bytes, loads = ties.move_reach.size > 0, ties.byte_reach.size > 0, ties.loads
    for i in range(features.length.size):
        row = int(features.move_class[i])
        limits = limits_of_class(inverse, row)
        x, y, z, ratio = features.x[i], features.y[i], features.z[i], features.ratio[i]
        pace = least_pace(x, y, z, ratio, features.pace[i], limits)[0]
        slow = least_sluggishness(x, y, z, ratio, limits)[0]
        if features.lead.size > 0:
            slow = max(slow, features.lead[i] * inverse[row, by.ROUNDING_RAMP])
        for motor in range(features.motor.shape[0]):
            share = features.motor[motor, i]
            pace = max(pace, share * inverse[row, by.MOTOR_1_MOST + motor])
            slow = max(slow, share * inverse[row, by.MOTOR_1_RAMP + motor])
            if features.bend.shape[0] > 0:
                pace = max(pace, features.bend[motor, i] * inverse[row, by.MOTOR_1_RAMP + motor])
        if by_moves:
            pace = max(pace, ties.move_reach[i] * inverse[row, by.MOVE_RATE])
        if by_bytes:
            pace = max(pace, ties.byte_reach[i] * inverse[row, by.BYTE_RATE])
        for motor in range(loads.shape[0]):
            slow = max(slow, loads[motor, MASS, i])
            pace = max(pace, loads[motor, SHARE, i])
        if ratio > 0.0 and advance[row, ADVANCE_DELAY] > 0.0 and advance[row, ADVANCE_SPEED] < np.inf:
            pace, slow = max(pace, 1.0), max(slow, 1.0)
        if pace == 0.0 or slow == 0.0:
            return i
    return -1


def is_unbounded(features: Features, limits: Reals, advance: Reals, ties: Ties) -> bool:
    """Whether some move may run at any speed, or speed up at any rate, under limits as in `plan`."""
    return bool(first_unbounded(features, inverse_of(limits), advance, ties) >= 0)
