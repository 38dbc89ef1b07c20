"""How motors that move several axes at once, or one of them unevenly, take part in each move and corner."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.machine.mechanisms import CrossedBelt, LinearDelta

Reals = NDArray[np.float64]


class Drive(NamedTuple):
    """The mechanism whose coupled motors are limited, and where each move starts (float64[3, n], mm).

    A crossed belt is the same everywhere and needs no places.
    """

    mechanism: CrossedBelt | LinearDelta
    starts: Reals


class MotorFeatures(NamedTuple):
    """`motor` |j_k| of every move, `motor_corner` |(J·n)_k| of every corner (float64[motors, n]); `bend` the
    acceleration of each motor at unit tool speed (1/mm), no row where motors are at rest then.
    """

    motor: Reals
    motor_corner: Reals
    bend: Reals


NO_MOTORS = MotorFeatures(np.empty((0, 0)), np.empty((0, 0)), np.empty((0, 0)))


def motor_features(drive: Drive, units: Reals, steps: Reals, normals: Reals) -> MotorFeatures:
    """The part of the coupled motors in moves and corners.

    `units` (3, n) directions of moves, `steps` (3, n) their displacements (mm), `normals` (3, n) the signed direction
    in which the corner at each move's start accelerates (zero where there is none). On a crossed belt j = J·u. On a
    delta, whose j falls all along a straight move, dj/ds = −c_k, |j_k| is largest at an end: the worse one is taken;
    c_k = (|u_xy|² + (j_k − u_z)²)/h_k (differentiating z + √(L² − …) twice), the worse end of each factor. Where an arm
    does not reach an end of a move, nothing is known of its carriage and all of its numbers are 0.
    """
    mechanism = drive.mechanism
    if isinstance(mechanism, CrossedBelt):
        rows = len(mechanism.coupled)
        motor = np.abs(mechanism.motor_speeds(units, drive.starts)[:rows])
        return MotorFeatures(motor, np.abs(mechanism.motor_speeds(normals, drive.starts)[:rows]), NO_MOTORS.bend)
    starts = drive.starts
    ends = starts + steps
    first, last = mechanism.motor_speeds(units, starts), mechanism.motor_speeds(units, ends)
    motor = np.maximum(np.abs(first), np.abs(last))
    heights = np.minimum(mechanism.arm_heights(starts), mechanism.arm_heights(ends))
    leaning = np.maximum((first - units[2]) ** 2, (last - units[2]) ** 2)
    bend = (units[0] ** 2 + units[1] ** 2 + leaning) / heights
    motor_corner = np.abs(mechanism.motor_speeds(normals, starts))
    for found in (motor, motor_corner, bend):
        found[np.isnan(found)] = 0.0
    return MotorFeatures(motor, motor_corner, bend)
