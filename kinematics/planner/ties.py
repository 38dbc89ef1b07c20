"""What a job needs where speed and acceleration hang together, or the controller takes in so many moves a second."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps.command_rate import Reach, reach
from kinematics.caps.drive import FORCE, Drives, curve_table
from kinematics.compiled import compiled_part
from kinematics.errors import InputError
from kinematics.gcode.moves import Moves
from kinematics.planner.ceilings import commonest_class
from kinematics.planner.features import Features
from kinematics.planner.motor_loads import FRICTION, motor_loads, worse_end
from kinematics.planner.pairs import run_lengths

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]


class Ties(NamedTuple):
    """`run_length` (n; mm) of the run that each move belongs to; `loads`, `curves` of the drives as in `pairs`;
    `move_reach`, `byte_reach` inverse of the path that one move, one byte gives (1/mm; no entries where not asked for).
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
