"""Ceilings of moves and corners where motors that move several axes at once, or one of them unevenly, are limited.

These loops take the place of those of `ceilings` there, and are made alike: all is kept as inverses, the moves of a
block's commonest class go eight at a time, and the few of other classes are done again. There are up to three such
motors; in place of one that there is not, another is looked at twice.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled_part
from kinematics.planner.ceilings import (
    commonest_class,
    least_pace,
    least_sluggishness,
    limits_of_class,
    turn_pace,
)
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Motors = tuple[float, float, float, float, float, float]  # inverse limits: three speeds, three accelerations

# On a delta the acceleration of a motor is shared out: what it does at steady tool speed, and what is left for ramps.
STEADY_SHARE = 0.2
RAMP_SHARE = 0.8


@compiled_part
def motors_of_class(inverse: Reals, row: int, motors: int, ramp_share: float) -> Motors:
    """The inverse limits of three motors in one row of the table, `ramp_share` of the acceleration."""
    second, third = min(1, motors - 1), min(2, motors - 1)
    return (
        inverse[row, by.MOTOR_1_MOST],
        inverse[row, by.MOTOR_1_MOST + second],
        inverse[row, by.MOTOR_1_MOST + third],
        inverse[row, by.MOTOR_1_RAMP] / ramp_share,
        inverse[row, by.MOTOR_1_RAMP + second] / ramp_share,
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
    one, two, three = np.uint64(0), np.uint64(min(1, motors - 1)), np.uint64(min(2, motors - 1))
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
    one, two, three = np.uint64(0), np.uint64(min(1, motors - 1)), np.uint64(min(2, motors - 1))
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
