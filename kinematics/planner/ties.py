"""Where acceleration falls with speed: what motors pull at their speed, and pressure advance.

Of a job: the load of each motor in the direction of every move and through its curve, and the path that one command
gives. What a block of moves makes of it stands in `tied`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_leaf, compiled_part
from kinematics.errors import InputError
from kinematics.gcode.moves import Moves
from kinematics.limits.command_rate import Reach, reach
from kinematics.limits.drive import FORCE, PATH_MOTORS, SLOPE, Drives, curve_table
from kinematics.planner.falling import ALPHA, BETA, GAMMA
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

MASS, FRICTION, SHARE = range(3)  # last axis of the loads
LEAST_MASS = 1e-12  # t: a milligram stands for none
AT_REST = 1e-9  # share of a direction below which an axis stands still: rounding, which must not call up its friction
ADVANCE_SPEED, ADVANCE_DELAY = range(2)  # columns of the table of pressure advance: speed of the extruder (mm/s), p (s)


class Ties(NamedTuple):
    """`loads` float64[k, 3, n] of the k drives (`motor_loads`), `firsts` float64[k, 3, n] of what the first piece of
    each curve admits, ALPHA, BETA, GAMMA as in `falling`, `shares` float64[k] the largest SHARE of the loads; `curves`
    float64[k, pieces, 3] (`Drives`); `move_reach`, `byte_reach` inverse of the path that one
    move, one byte gives (1/mm; no entries where not asked for).
    """

    loads: Reals
    firsts: Reals
    shares: Reals
    curves: Reals
    move_reach: Reals
    byte_reach: Reals


NO_TIES = Ties(np.empty((0, 3, 0)), np.empty((0, 3, 0)), np.empty(0), curve_table([]), np.empty(0), np.empty(0))


def signed_directions(moves: Moves, length: Reals) -> Reals:
    """The unit direction on x, y, z and the filament fed a path length, all signed (float64[4, n])."""
    steps = np.stack([moves.dx, moves.dy, moves.dz, moves.de])
    return np.asarray(steps / length)


def make_ties(
    moves: Moves,
    features: Features,
    drives: Drives | None,
    jacobians: tuple[Reals, ...],
    lookahead: int | None,
    by_moves: bool,
    bytes_of_move: Reals | None,
) -> Ties:
    """The ties of a job.

    `drives` where there are any, with `jacobians` J once for all moves (float64[1, 3, 3]) or at both ends of each
    (float64[n, 3, 3]); `by_moves` whether moves a second count; `bytes_of_move` (n) where bytes a second do. Where an
    arm does not reach, statics tells nothing, and no carriage is asked for anything. Raises InputError where a motor
    cannot overcome the friction of a move.
    """
    length = features.length
    loads, pulls = np.empty((length.size, 0, 3)), np.empty((length.size, 0))
    curves = NO_TIES.curves
    if drives is not None:
        directions = signed_directions(moves, length)
        loads = motor_loads(drives, directions, jacobians[0])
        if len(jacobians) > 1:
            loads = worse_end(loads, motor_loads(drives, directions, jacobians[1]))
        loads[np.isnan(loads).any(axis=2)] = 0.0
        pulls = np.zeros(loads.shape[:2])
        if len(jacobians) == 1:  # on a delta the carriages' share is taken for it, as `ceilings` has it
            pulls = curve_pulls(drives, directions, jacobians[0], features)
        curves = drives.curves
        stuck = np.argwhere(loads[:, :, FRICTION] >= curves[:, 0, FORCE])
        if stuck.size:
            i, motor = stuck[0]
            found = f"motor {drives.names[motor]} cannot overcome the friction of this move from rest"
            raise InputError.at(f"line {moves.line[i]}", found, "more torque, or less friction_n of its axes")
    move_reach = byte_reach = NO_TIES.move_reach
    if by_moves or bytes_of_move is not None:
        covered = reach_of_moves(features, lookahead, bytes_of_move)
        move_reach = 1.0 / covered.a_move if by_moves else move_reach
        byte_reach = 1.0 / covered.a_byte if bytes_of_move is not None else byte_reach
    columns = np.ascontiguousarray(loads.transpose(1, 2, 0))
    shares = columns[:, SHARE].max(axis=1, initial=0.0)
    return Ties(columns, first_lines(curves, columns, pulls), shares, curves, move_reach, byte_reach)


@compiled_leaf
def line_of(curves: Reals, loads: Reals, motor: int, piece: int, i: np.uint64) -> tuple[float, float]:
    """What a piece of a curve admits of the `i`-th move at rest (mm/s²), and how that falls with speed (1/s)."""
    mass, friction, share = loads[motor, MASS, i], loads[motor, FRICTION, i], loads[motor, SHARE, i]
    inverse = 1.0 / max(mass, LEAST_MASS)
    return (curves[motor, piece, FORCE] - friction) * inverse, curves[motor, piece, SLOPE] * share * inverse


@compiled
def first_lines(curves: Reals, loads: Reals, pulls: Reals) -> Reals:
    """The lines of the first pieces as `Ties` has them; `pulls` float64[n, k] F_c·κ of a run's curve (t/mm)."""
    found = np.empty(loads.shape)
    for motor in range(loads.shape[0]):
        for i in range(loads.shape[2]):
            alpha, beta = line_of(curves, loads, motor, 0, np.uint64(i))
            found[motor, ALPHA, i], found[motor, BETA, i] = alpha, beta
            found[motor, GAMMA, i] = pulls[i, motor] / max(loads[motor, MASS, i], LEAST_MASS)
    return found


def reach_of_moves(features: Features, lookahead: int | None, bytes_of_move: Reals | None) -> Reach:
    """How much path every move gives for one command and one byte; a piece of a move gives what all of the move does.

    `bytes_of_move` (n) where bytes count, of a piece its share.
    """
    whole = features.whole
    if whole.size == 0:
        return reach(features.length, features.rest, lookahead, bytes_of_move)
    first = np.flatnonzero(np.diff(whole, prepend=-1))
    length = np.add.reduceat(features.length, first)
    size = None if bytes_of_move is None else np.add.reduceat(bytes_of_move, first)
    covered = reach(length, features.rest[np.append(first, whole.size)], lookahead, size)
    return Reach(covered.a_move[whole], covered.a_byte[whole])


# ---- what each motor has to move -----------------------------------------------------------------------------------


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


# ---- what a curve takes of it ----------------------------------------------------------------------------------------


def curve_pulls(drives: Drives, directions: Reals, jacobian: Reals, features: Features) -> Reals:
    """What a curve asks of every drive at unit tool speed, F_c·κ of each move's run: float64[n, k], t/mm.

    At speed v a path of curvature κ accelerates by κ·v² along its normal n, and F_c is the mass that a motor feels in
    that direction (`motor_loads`). κ is the smaller of the curve rule's at the two ends of the run, so that a straight
    beside a curve is none; F_c the larger of those at its ends. `directions` and `jacobian` (one for all moves) as in
    `motor_loads`.
    """
    n = features.length.size
    pulls = np.zeros((n, drives.motors.size))
    begins = np.flatnonzero((features.change[:n] > 0.0) | (features.rest[:n] != 0))
    if not begins.size:
        return pulls
    run = np.cumsum(np.bincount(begins, minlength=n)) - 1
    # At each run's first node; behind the last run lies rest.
    bend = np.where(features.rest[begins] != 0, 0.0, features.curvature[begins])
    kappa = np.minimum(bend, np.append(bend[1:], 0.0))
    if not kappa.any():
        return pulls
    turned = np.zeros((4, begins.size + 1))
    inner = begins[begins > 0]
    turned[:3, begins.size - inner.size : begins.size] = directions[:3, inner] - directions[:3, inner - 1]
    size = np.sqrt((turned * turned).sum(axis=0))
    np.divide(turned, size, out=turned, where=size > 0.0)
    felt = motor_loads(drives, turned, jacobian)[:, :, MASS]
    return np.asarray((np.maximum(felt[:-1], felt[1:]) * kappa[:, None])[run])
