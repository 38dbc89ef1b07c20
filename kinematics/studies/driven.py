"""A job as the motors of a machine meet it: in pieces where a move is uneven for them, and what they cannot reach."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import MAY_COST, InputError, Notice, by_weight
from kinematics.gcode.cutting import bytes_of_moves, cut_job, pieces_of, start_places
from kinematics.gcode.job import Job
from kinematics.gcode.moves import FILAMENT, PRINT
from kinematics.limits.classes import Classes
from kinematics.limits.combine import Limits
from kinematics.limits.drive import jacobians
from kinematics.limits.flow import flow_at, hangs_on_temperature
from kinematics.machine import Machine
from kinematics.machine.mechanisms import Cartesian, LinearDelta, has_coupled_limits, mechanism_of
from kinematics.planner.features import NOT_CUT, Drive, Features
from kinematics.planner.ties import Ties, make_ties

MOST_PIECES = 50_000_000  # some 10 GB of arrays
HELD_FLOW = "printing move at a nozzle temperature outside the table of hotend.max_flow_mm3_s: its nearest row holds"
OUT_OF_REACH = "place that an arm of the delta does not reach: timed without that carriage's limits"


class Driven(NamedTuple):
    """`job` to plan; `whole` the file's move that each of its moves is a piece of (empty: none is cut); `drive` the
    coupled motors that are limited, None where none is.
    """

    job: Job
    whole: NDArray[np.int64]
    drive: Drive | None


def driven_by(machine: Machine, job: Job) -> Driven:
    """A job as a machine's motors meet it.

    On a linear delta whose carriages are limited, moves are cut into pieces of `motion.delta_piece_mm` at most: a piece
    is planned under the limits of its worse end. That never shortens a job; what it adds falls with the length of the
    pieces, and at the default 2 mm is below 1.5 % (arms of 250 mm; measured in the tests against 0.1 mm). Moves that go
    beyond the arms' reach are not cut. Raises InputError where there are too many pieces.
    """
    mechanism = mechanism_of(machine)
    limited = has_coupled_limits(machine)
    if isinstance(mechanism, Cartesian):
        return Driven(job, NOT_CUT, None)
    if not isinstance(mechanism, LinearDelta):
        return Driven(job, NOT_CUT, Drive(mechanism, np.empty((3, 0))) if limited else None)
    moves = job.moves
    starts = start_places(job)
    reached = mechanism.reaches(starts) & mechanism.reaches(starts + np.stack([moves.dx, moves.dy, moves.dz]))
    beyond = np.flatnonzero(~reached & (moves.kind != FILAMENT))
    if beyond.size:
        notice = Notice(int(moves.line[beyond[0]]), int(beyond.size), OUT_OF_REACH, "moves", MAY_COST)
        job = replace(job, notices=by_weight((*job.notices, notice)))
    if not limited:
        return Driven(job, NOT_CUT, None)
    counts = np.where(reached, pieces_of(moves, machine.motion.delta_piece_mm), 1)
    if counts.sum() > MOST_PIECES:
        found = f"motion.delta_piece_mm = {machine.motion.delta_piece_mm:g} cuts the job into {counts.sum():,} pieces"
        raise InputError.at(job.name, found, f"{MOST_PIECES:,} at most", "longer pieces")
    if counts.max() == 1:
        return Driven(job, NOT_CUT, Drive(mechanism, starts))
    job, whole = cut_job(job, counts)
    return Driven(job, whole, Drive(mechanism, start_places(job)))


def noting_held_flow(job: Job, machine: Machine, classes: Classes, whole: NDArray[np.int64]) -> Job:
    """The job with a notice where the table of what melts has no row for a temperature and is held at its end.

    `whole` as in `Driven`.
    """
    if not hangs_on_temperature(machine):
        return job
    flow = machine.hotend.max_flow_mm3_s
    held = [i for i, one in enumerate(classes.table) if one.kind == PRINT and flow_at(flow, one.nozzle).held]
    found = np.flatnonzero(np.isin(classes.of_move, held))
    if found.size == 0:
        return job
    moves = int(np.unique(whole[found]).size) if whole.size else int(found.size)
    notice = Notice(int(job.moves.line[found[0]]), moves, HELD_FLOW, "moves")
    return replace(job, notices=by_weight((*job.notices, notice)))


def ties_of(job: Job, machine: Machine, limits: Limits, features: Features, by_moves: bool, by_bytes: bool) -> Ties:
    """What ties speed and acceleration of a job's moves together; `by_moves`, `by_bytes` the command rates that count.

    Raises InputError where a motor cannot overcome the friction of a move.
    """
    mechanism = mechanism_of(machine)
    found: tuple[NDArray[np.float64], ...] = ()
    if limits.drives is not None:
        places = [np.zeros((3, 1))]
        if isinstance(mechanism, LinearDelta):
            starts = start_places(job)
            places = [starts, starts + np.stack([job.moves.dx, job.moves.dy, job.moves.dz])]
        found = tuple(jacobians(mechanism, place) for place in places)
    bytes_of_move = bytes_of_moves(job.content, job.moves.line) if by_bytes else None
    return make_ties(job.moves, features, limits.drives, found, limits.lookahead, by_moves, bytes_of_move)
