"""Where speed and acceleration hang together: what motors pull at their speed, and pressure advance.

Of a job: the load of each motor in the direction of every move, and the path that one command gives. Of a move: the
pair of speed and acceleration with the shortest time from stop to stop.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_part
from kinematics.errors import InputError
from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.limits.command_rate import Reach, reach
from kinematics.limits.drive import END, FASTEST, FORCE, PATH_MOTORS, SLOPE, Drives, curve_table
from kinematics.planner.features import Features

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

MASS, FRICTION, SHARE = range(3)  # last axis of the loads
AT_REST = 1e-9  # share of a direction below which an axis stands still: rounding, which must not call up its friction
LONGEST_RUN = 1e12  # mm: stands for an endless run, so that an acceleration is left to begin it with
LEAST_MASS = 1e-12  # t: a milligram stands for none
QUICKER = 1.0 - 1e-12  # share of a time below which another is quicker, not the same but for rounding
UNTIED = -1  # what holds a speed or an acceleration is a ceiling of its own, none that ties the two
ADVANCE, DELAY = range(2)  # columns of the table of pressure advance: speed of the extruder (mm/s), p (s)
ALPHA, BETA, FROM, INVERSE = range(4)  # of a line: a <= ALPHA − BETA·v, down to the speed FROM; 1/mass of its drive


class Ties(NamedTuple):
    """`run_length` (n; mm) of the run that each move belongs to; `loads` float64[n, k, 3] of the k
    drives (`motor_loads`), `curves` float64[k, pieces, 3] (`Drives`); `move_reach`, `byte_reach` inverse of the path
    that one move, one byte gives (1/mm; no entries where not asked for).
    """

    run_length: Reals
    loads: Reals
    curves: Reals
    move_reach: Reals
    byte_reach: Reals


NO_TIES = Ties(np.empty(0), np.empty((0, 0, 3)), curve_table([]), np.empty(0), np.empty(0))


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
    runs = run_lengths(length, features.change, features.rest)
    loads = np.empty((length.size, 0, 3))
    curves = NO_TIES.curves
    if drives is not None:
        directions = signed_directions(moves, length)
        loads = motor_loads(drives, directions, jacobians[0])
        if len(jacobians) > 1:
            loads = worse_end(loads, motor_loads(drives, directions, jacobians[1]))
        loads[np.isnan(loads).any(axis=2)] = 0.0
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
    return Ties(runs, loads, curves, move_reach, byte_reach)


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


# ---- the pair of speed and acceleration ----------------------------------------------------------------------------

# A motor pulls less the faster it turns, and pressure advance takes speed of the extruder for acceleration. Everything
# that ties the two is a falling line a <= α − β·v between two speeds, or a chain of such lines. Of the admitted pairs a
# move takes the one with which its run, taken from stop to stop, is done first; of equal times the faster pair.
#
# Along one line L/v + v/(α − β·v) is convex and least at v = α/(β + √(α/L)) (set its derivative to 0), where
# v² = a·L·(a/α) <= a·L: on the way to a triangle of speed, never beyond. Where several lines hold at once the least of
# them counts, and the time is the largest of convex functions, hence convex up to the next end of a line. The search
# begins at the largest speed, walks down from line to line, and ends where no lower speed can be quicker.


class TieScratch(NamedTuple):
    """What the ties of one block need: `tied` which moves are; of one move `lines` (as many and two, 4), `pieces`."""

    tied: Places
    lines: Reals
    pieces: Places


@compiled_part
def tie_scratch(size: int, drives: int) -> TieScratch:
    """Scratch for blocks of up to `size` moves and so many drives."""
    return TieScratch(np.empty(size, np.int64), np.empty((drives + 2, 4)), np.empty(drives, np.int64))


@compiled_part
def time_between_stops(length: float, speed: float, acceleration: float) -> float:
    """Time from stop to stop (s): L/v + v/a, or 2·√(L/a) where v is not reached; infinite where a is not above 0."""
    if acceleration <= 0.0:
        return math.inf
    if speed * speed >= acceleration * length:
        return 2.0 * math.sqrt(length / acceleration)
    return length / speed + speed / acceleration


@compiled_part
def takes_longer(length: float, speed: float, acceleration: float, time: float) -> bool:
    """Whether `time_between_stops` (with a > 0) is `time` or more; divides nothing."""
    if speed * speed >= acceleration * length:
        return 4.0 * length >= time * time * acceleration
    return length * acceleration + speed * speed >= time * speed * acceleration


@compiled_part
def is_falling(length: float, speed: float, alpha: float, beta: float) -> bool:
    """Whether the time L/v + v/(α − β·v) still falls with v at a speed: up to v = α/(β + √(α/L)), and on a level line.

    On a level line the time falls up to v² = a·L, and is the same at all speeds beyond, which are not reached.
    """
    if beta == 0.0:
        return True
    here = alpha - beta * speed
    return here > 0.0 and here * here * length >= speed * speed * alpha


@compiled
def run_lengths(length: Reals, change: Reals, rest: Codes) -> Reals:
    """Length (mm) of the run that each move belongs to; `length`, `change` (n) and `rest` (n + 1) as in `Features`.

    A run goes on over nodes without a change of direction and without a stop.
    """
    runs = np.empty_like(length)
    begin, travelled = 0, 0.0
    for i in range(length.size):
        travelled += length[i]
        if rest[i + 1] or change[i + 1] > 0.0:
            runs[begin : i + 1] = travelled
            begin, travelled = i + 1, 0.0
    return runs


@compiled_part
def extruder_tie(ratio: float, advance: float, delay: float) -> float:
    """The speed (mm/s) that v + p·a may not pass: V_e/r; infinity where the extruder ties nothing."""
    return math.inf if delay == 0.0 or ratio == 0.0 else advance / ratio


@compiled_part
def find_tied(
    features: Features, ties: Ties, advance: Reals, begin: int, end: int, paces: Reals, sluggish: Reals, tied: Places
) -> int:
    """Write which moves may not take both of their ceilings to `tied` (from 0 for `begin`), and return how many.

    Arguments as in `tie_ceilings`.
    """
    ratio, move_class, curves, loads = features.ratio, features.move_class, ties.curves, ties.loads
    count = 0
    for k in range(end - begin):
        i = begin + k
        speed, acceleration = min(1.0 / paces[k], FASTEST), 1.0 / sluggish[k]
        row = np.int64(move_class[i])
        delay = advance[row, DELAY]
        admitted = speed + delay * acceleration <= extruder_tie(ratio[i], advance[row, ADVANCE], delay)
        for motor in range(curves.shape[0]):
            at = speed * loads[i, motor, SHARE]
            piece = 0
            while at > curves[motor, piece, END]:
                piece += 1
            asked = acceleration * loads[i, motor, MASS] + loads[i, motor, FRICTION]
            admitted = admitted and asked <= curves[motor, piece, FORCE] - curves[motor, piece, SLOPE] * at
        if not admitted:
            tied[count] = k
            count += 1
    return count


@compiled_part
def lower_tied(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    count: int,
    paces: Reals,
    sluggish: Reals,
    causes: tuple[Codes, Codes],
    scratch: TieScratch,
) -> None:
    """Give the `count` moves that `scratch.tied` names the admitted pair with the shortest time from stop to stop.

    Arguments as in `tie_ceilings`. All moves in one call: each array that a call is given costs two atomic counts.
    """
    ratio, move_class, run_length = features.ratio, features.move_class, ties.run_length
    curves, loads = ties.curves, ties.loads
    tied, lines, pieces = scratch.tied, scratch.lines, scratch.pieces
    cruise_cause, ramp_cause = causes
    drives = curves.shape[0]
    for place in range(count):
        k = tied[place]
        i = begin + k
        # ---- the lines
        row = np.int64(move_class[i])
        delay = advance[row, DELAY]
        extruder = extruder_tie(ratio[i], advance[row, ADVANCE], delay)
        length = min(run_length[i], LONGEST_RUN)
        steepest, top = 1.0 / sluggish[k], min(1.0 / paces[k], FASTEST)
        most = steepest  # no lower speed admits more
        for motor in range(drives):
            inverse = 1.0 / max(loads[i, motor, MASS], LEAST_MASS)
            most = min(most, (curves[motor, 0, FORCE] - loads[i, motor, FRICTION]) * inverse)
            piece = 1
            while top * loads[i, motor, SHARE] > curves[motor, piece - 1, END]:
                piece += 1
            lines[motor, INVERSE], lines[motor, FROM], pieces[motor] = inverse, math.inf, piece
        lines[drives, ALPHA], lines[drives, BETA] = steepest, 0.0
        used = drives + 1
        if extruder < math.inf:
            lines[used, ALPHA], lines[used, BETA] = extruder / delay, 1.0 / delay
            most = min(most, lines[used, ALPHA])
            used += 1
        # ---- from one end of a line down to the next
        best = math.inf
        speed, acceleration, holds_speed, holds_acceleration = top, 0.0, UNTIED, UNTIED
        above = UNTIED  # what admits no more speed than `top`
        while True:
            bottom = 0.0
            line, least = drives, steepest  # what admits least at `top`
            for motor in range(used):
                if motor < drives and lines[motor, FROM] >= top:
                    piece = pieces[motor] - 1
                    inverse, share = lines[motor, INVERSE], loads[i, motor, SHARE]
                    lines[motor, ALPHA] = (curves[motor, piece, FORCE] - loads[i, motor, FRICTION]) * inverse
                    lines[motor, BETA] = curves[motor, piece, SLOPE] * share * inverse
                    lines[motor, FROM] = 0.0 if piece == 0 else curves[motor, piece - 1, END] / share
                    pieces[motor] = piece
                if motor < drives:
                    bottom = max(bottom, lines[motor, FROM])
                here = lines[motor, ALPHA] - lines[motor, BETA] * top
                if here < least:
                    line, least = motor, here
            # ---- from the line that holds at `top` to flatter ones
            while True:
                alpha, beta = lines[line, ALPHA], lines[line, BETA]
                target, held = top, above
                if not is_falling(length, top, alpha, beta):
                    target, held = bottom, line
                    if is_falling(length, bottom, alpha, beta):
                        target = alpha / (beta + math.sqrt(alpha / length))
                    here = alpha - beta * target
                    met, crossing = UNTIED, target
                    for other in range(used):
                        flatter = beta - lines[other, BETA]
                        if flatter > 0.0 and lines[other, ALPHA] - lines[other, BETA] * target < here:
                            at = (alpha - lines[other, ALPHA]) / flatter
                            if at > crossing:
                                met, crossing = other, at
                    if met != UNTIED:
                        top, above, line = min(top, crossing), line, met
                        continue
                    if target == bottom:
                        break
                here = alpha - beta * target
                time = time_between_stops(length, target, here)
                if time < best * QUICKER:
                    best, speed, acceleration = time, target, here
                    holds_speed, holds_acceleration = held, line
                break
            if bottom <= 0.0 or takes_longer(length, bottom, most, best):
                break
            top, above = bottom, line
        # ---- the pair
        if holds_speed != UNTIED:
            paces[k] = 1.0 / speed
            cruise_cause[i] = np.uint8(by.DRIVE_1 + holds_speed if holds_speed < drives else by.ADVANCE)
        if holds_acceleration != drives:
            sluggish[k] = 1.0 / acceleration
            drive = holds_acceleration < drives
            ramp_cause[i] = np.uint8(by.DRIVE_1 + holds_acceleration if drive else by.ADVANCE)


@compiled_part
def tie_ceilings(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    causes: tuple[Codes, Codes],
    scratch: TieScratch,
) -> None:
    """Lower the ceilings of the moves from `begin` to `end` to pairs that are admitted; most are as they stand.

    `advance` float64[classes, 2] of ADVANCE (mm/s of filament; infinity for no limit) and DELAY p (s; 0 where none). Of
    the block, index 0 for `begin`: `paces` 1/v and `sluggish` 1/a, read and lowered. `causes` of cruising and of ramps
    (n) are changed where a tie holds. No move may be stuck (`make_ties`).
    """
    count = find_tied(features, ties, advance, begin, end, paces, sluggish, scratch.tied)
    lower_tied(features, ties, advance, begin, count, paces, sluggish, causes, scratch)
