"""What each motor has to move in the direction of each move: mass, friction and its own speed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.caps.drive import FORCE, PATH_MOTORS, Drives
from kinematics.compiled import compiled, compiled_part

Reals = NDArray[np.float64]

MASS, FRICTION, SHARE = range(3)  # last axis of the loads
AT_REST = 1e-9  # share of a direction below which an axis stands still: rounding, which must not call up its friction


@compiled_part
def invert_transposed(jacobian: Reals, place: int, shares: Reals) -> None:
    """Write J⁻ᵀ of the 3×3 matrix `jacobian[place]` to `shares` (float64[3, 3]): its cofactors over its determinant."""
    for i in range(3):
        p, q = (i + 1) % 3, (i + 2) % 3
        for k in range(3):
            r, s = (k + 1) % 3, (k + 2) % 3
            shares[i, k] = jacobian[place, p, r] * jacobian[place, q, s] - jacobian[place, p, s] * jacobian[place, q, r]
    determinant = 0.0
    for k in range(3):
        determinant += jacobian[place, 0, k] * shares[0, k]
    for i in range(3):
        for k in range(3):
            shares[i, k] /= determinant


@compiled
def fill_loads(
    directions: Reals,
    jacobians: Reals,
    motors: NDArray[np.int64],
    masses: Reals,
    frictions: Reals,
    rotors: Reals,
    loads: Reals,
) -> None:
    """Write the loads of every move to `loads` (float64[n, k, 3]); arguments as in `motor_loads` and `Drives`."""
    shares = np.empty((3, 3))
    constant = jacobians.shape[0] == 1
    for i in range(directions.shape[1]):
        place = 0 if constant else i
        if i == 0 or not constant:
            invert_transposed(jacobians, place, shares)
        for k in range(motors.size):
            motor = motors[k]
            force = friction = speed = 0.0
            if motor == PATH_MOTORS:
                speed = directions[3, i]
                force = masses[3] * speed
                friction = frictions[3] if abs(speed) > AT_REST else 0.0
            else:
                for axis in range(3):
                    u = directions[axis, i]
                    speed += jacobians[place, motor, axis] * u
                    force += shares[motor, axis] * masses[axis] * u
                    if abs(u) > AT_REST:
                        friction += shares[motor, axis] * (frictions[axis] if u > 0.0 else -frictions[axis])
            loads[i, k, MASS] = abs(force + rotors[k] * speed)
            loads[i, k, FRICTION] = abs(friction)
            loads[i, k, SHARE] = abs(speed)


def motor_loads(drives: Drives, directions: Reals, jacobians: Reals) -> Reals:
    """The load of every known drive in the direction of every move: float64[n, k, 3] of MASS (t), FRICTION (N), SHARE.

    `directions` float64[4, n] the unit direction on x, y, z and the filament fed a path length, signed (an
    extruder-only move: 0, 0, 0, ±1); `jacobians` float64[1 or n, 3, 3] J, the motors' speed at unit tool speed: one for
    all moves, or one a move. A move that speeds up at a and runs at v asks motor k for no more than
    MASS·a + FRICTION at the motor's speed SHARE·v, speeding up or slowing down.

    Virtual work: tool force f and motor forces F do the same work, f·δx = F·δq with δq = J·δx, so F = J⁻ᵀ·f (statics of
    any mechanism, J. Craig, Introduction to Robotics, ch. 5, from memory). With f = M·u·a + friction against the motion
    and the rotors' own m_k·(J·u)_k·a: F_k = ((J⁻ᵀ·M·u)_k + m_k·(J·u)_k)·a ± (J⁻ᵀ·friction)_k, + while speeding up, −
    while slowing down, so that the larger of the two is the sum of the amounts. Crossed belts (J = 1 1, 1 −1):
    F = ((m_x·a_x + m_y·a_y)/2, (m_x·a_x − m_y·a_y)/2). Linear delta: the masses are those felt along the tool's axes,
    the carriages' counted among them; take the worse of both ends of a move (`worse_end`).

    Not modelled: weight (of a bed that is lifted), what the carriages of a delta accelerate at constant tool speed.
    """
    loads = np.empty((directions.shape[1], drives.motors.size, 3))
    fill_loads(
        np.ascontiguousarray(directions),
        np.ascontiguousarray(jacobians),
        drives.motors,
        drives.masses,
        drives.frictions,
        drives.rotors,
        loads,
    )
    return loads


def worse_end(one: Reals, other: Reals) -> Reals:
    """The heavier loads of two ends of the same moves, each of mass, friction and speed by itself."""
    return np.maximum(one, other)


def stuck_moves(drives: Drives, loads: Reals) -> NDArray[np.int64]:
    """The moves whose friction a motor cannot overcome at rest, in order; they have no acceleration and no time.

    Only where the share of the friction on a motor depends on the place: elsewhere `drives_of` refuses such a drive.
    """
    return np.flatnonzero((loads[:, :, FRICTION] >= drives.curves[:, 0, FORCE]).any(axis=1))
