"""Ceilings of moves and corners by the motors that move several axes at once, or one of them unevenly.

These passes go over a block after those of `ceilings`, and only where such motors are limited. All is kept as inverses
there as here. The moves of the block's commonest class go eight at a time; those of other classes take no part in that,
and are done after it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled_part
from kinematics.planner.ceilings import commonest_class
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]

# On a delta the acceleration of a motor is shared out: what it does at steady tool speed, and what is left for ramps.
STEADY_SHARE = 0.2
RAMP_SHARE = 0.8
NO_SPEED = 1e300  # s²/mm²: stands for infinity, so that no product is 0·∞


@compiled_part
def motor_ceilings(
    features: Features,
    inverse: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
) -> None:
    """Lower the ceilings of the moves from `begin` to `end` to what the coupled motors may.

    v <= W_k/|j_k|, a <= B_k/|j_k|. Where motors accelerate at steady tool speed as well, by c_k·v², B_k is shared:
    v² <= 0.2·B_k/c_k, a <= 0.8·B_k/|j_k|. Motors that are not limited are passed over.
    """
    first = np.uint64(begin)
    shares, bends, classes = features.motor, features.bend, features.move_class
    is_bent = bends.shape[0] > 0
    ramp_share = RAMP_SHARE if is_bent else 1.0
    commonest = np.uint16(commonest_class(classes, begin, end))
    for motor in range(shares.shape[0]):
        most, ramp = inverse[commonest, by.MOTOR_1_MOST + motor], inverse[commonest, by.MOTOR_1_RAMP + motor]
        if most > 0.0:
            code = np.uint8(by.MOTOR_1_SPEED + motor)
            for k in range(end - begin):
                i = first + np.uint64(k)
                other = shares[motor, i] * most if classes[i] == commonest else 0.0
                cruise_cause[i] = code if other > paces[k] else cruise_cause[i]
                paces[k] = max(paces[k], other)
        if ramp > 0.0:
            code = np.uint8(by.MOTOR_1_ACCELERATION + motor)
            ramp /= ramp_share
            for k in range(end - begin):
                i = first + np.uint64(k)
                other = shares[motor, i] * ramp if classes[i] == commonest else 0.0
                ramp_cause[i] = code if other > sluggish[k] else ramp_cause[i]
                sluggish[k] = max(sluggish[k], other)
        if ramp > 0.0 and is_bent:
            code = np.uint8(by.MOTOR_1_STEADY + motor)
            ramp *= RAMP_SHARE / STEADY_SHARE
            for k in range(end - begin):
                i = first + np.uint64(k)
                other = math.sqrt(bends[motor, i] * ramp) if classes[i] == commonest else 0.0
                cruise_cause[i] = code if other > paces[k] else cruise_cause[i]
                paces[k] = max(paces[k], other)
    for k in range(end - begin):
        i = first + np.uint64(k)
        if classes[i] != commonest:
            row = np.int64(classes[i])
            for motor in range(shares.shape[0]):
                most, ramp = inverse[row, by.MOTOR_1_MOST + motor], inverse[row, by.MOTOR_1_RAMP + motor]
                other = shares[motor, i] * most
                if other > paces[k]:
                    paces[k], cruise_cause[i] = other, np.uint8(by.MOTOR_1_SPEED + motor)
                other = shares[motor, i] * (ramp / ramp_share)
                if other > sluggish[k]:
                    sluggish[k], ramp_cause[i] = other, np.uint8(by.MOTOR_1_ACCELERATION + motor)
                other = math.sqrt(bends[motor, i] * (ramp / STEADY_SHARE)) if is_bent else 0.0
                if other > paces[k]:
                    paces[k], cruise_cause[i] = other, np.uint8(by.MOTOR_1_STEADY + motor)


@compiled_part
def motor_corners(features: Features, inverse: Reals, begin: int, end: int, nodes: Reals) -> None:
    """Raise the inverse squared ceilings (s²/mm²) of `nodes`: through a corner a <= B_k/|(J·n)_k| of coupled motors."""
    first = np.uint64(begin)
    shares, classes = features.motor_corner, features.move_class
    sharpness, curvature = features.sharpness, features.curvature
    commonest = np.uint16(commonest_class(classes, begin, end))
    deviation = inverse[commonest, by.DEVIATION]
    for motor in range(shares.shape[0]):
        ramp = inverse[commonest, by.MOTOR_1_RAMP + motor]
        if ramp > 0.0:
            for k in range(1, end - begin):
                i = first + np.uint64(k)
                slow = shares[motor, i] * ramp if classes[i] == commonest else 0.0
                nodes[k] = max(nodes[k], slow * min(NO_SPEED, max(sharpness[i] * deviation, curvature[i])))
    for k in range(1, end - begin):
        i = first + np.uint64(k)
        if classes[i] != commonest:
            row = np.int64(classes[i])
            for motor in range(shares.shape[0]):
                slow = shares[motor, i] * inverse[row, by.MOTOR_1_RAMP + motor]
                bend = max(sharpness[i] * inverse[row, by.DEVIATION], curvature[i])
                nodes[k] = max(nodes[k], slow * min(NO_SPEED, bend))
