"""Of moves where they start and end, how many bytes stand for each in the file, and moves cut into pieces."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.job import Job
from kinematics.gcode.labels import line_ends
from kinematics.gcode.moves import FILAMENT, HOMING, Moves

AT_A_TIME = 256  # moves: most of their boxes lie inside
JUST_AS_LONG = 1e-9  # relative: a move that is longer by less is not cut once more

Reals = NDArray[np.float64]


def bytes_of_moves(content: bytes, lines_of_moves: NDArray[np.int32]) -> NDArray[np.float64]:
    """Bytes of each move's line (float64[n]), shared evenly by the moves of one line, its end counted.

    `lines_of_moves` int32[n], from 1. Lines of comments between moves do not count: a sender leaves them out (common
    practice, no source).
    """
    lengths = np.diff(line_ends(content), prepend=-1, append=len(content))
    moves = np.bincount(lines_of_moves, minlength=lengths.size + 1)
    return np.asarray(lengths[lines_of_moves - 1] / moves[lines_of_moves], np.float64)


class Pieces(NamedTuple):
    """Moves of which some are cut: `moves` as any others, `whole` the number of the move that each is a piece of."""

    moves: Moves
    whole: NDArray[np.int64]


def start_places(job: Job) -> Reals:
    """Where each move starts in the machine's frame (float64[3, n], mm).

    The tool begins at 0, 0, 0 and goes by the moves' displacements; homing puts axes at their home places without a
    move. Displacements too short to be a move (below 1e-9 mm) are not seen.
    """
    n = len(job)
    places = np.empty((3, n))
    homings = np.flatnonzero(job.events.kind == HOMING)
    for axis, steps in enumerate((job.moves.dx, job.moves.dy, job.moves.dz)):
        begin, place = 0, 0.0
        homed = homings[job.events.tool[homings] & (1 << axis) != 0]
        for end in [*job.events.move[homed].tolist(), n]:
            if end > begin:
                places[axis, begin] = place
                places[axis, begin + 1 : end] = place + np.cumsum(steps[begin : end - 1])
            begin, place = end, job.home[axis]
    return places


@compiled
def count_outside(
    moves: Moves,
    begin: int,
    end: int,
    place: Reals,
    spaces: Reals,
    margin: float,
    counts: NDArray[np.int64],
    most: Reals,
) -> None:
    """Walk moves `begin` to before `end` from a `place` (mm, float64[3]; left where the last one ends).

    `spaces` float64[n, 2, 3] the lowest and the highest corners; `counts` int64[n, 2] how many moves end outside by
    more than the `margin` (mm), and the line of the first one (0: none yet); `most` float64[n, 3] the farthest along
    each axis (mm), told where it is more than the margin. The extruder alone ends nowhere.
    """
    kind, first = moves.kind, np.uint64(begin)
    x, y, z = place[0], place[1], place[2]
    xs, ys, zs = np.empty(AT_A_TIME), np.empty(AT_A_TIME), np.empty(AT_A_TIME)
    off = np.empty(AT_A_TIME, np.bool_)
    while first < np.uint64(end) and kind[first] == FILAMENT:
        first += np.uint64(1)
    while first < np.uint64(end):
        size = min(AT_A_TIME, end - int(first))
        box = ((math.inf, -math.inf), (math.inf, -math.inf), (math.inf, -math.inf))
        for j in range(size):
            i = first + np.uint64(j)
            x += moves.dx[i]
            y += moves.dy[i]
            z += moves.dz[i]
            xs[j], ys[j], zs[j] = x, y, z
            box = (
                (min(box[0][0], x), max(box[0][1], x)),
                (min(box[1][0], y), max(box[1][1], y)),
                (min(box[2][0], z), max(box[2][1], z)),
            )
        for k in range(spaces.shape[0]):
            is_inside = True
            for axis in range(3):
                by = max(spaces[k, 0, axis] - box[axis][0], box[axis][1] - spaces[k, 1, axis])
                most[k, axis], is_inside = max(most[k, axis], by), is_inside and by <= margin
            if is_inside:
                continue
            low_x, low_y, low_z = spaces[k, 0, 0] - margin, spaces[k, 0, 1] - margin, spaces[k, 0, 2] - margin
            high_x, high_y, high_z = spaces[k, 1, 0] + margin, spaces[k, 1, 1] + margin, spaces[k, 1, 2] + margin
            outside = 0
            for j in range(size):
                off_x, off_y = (xs[j] < low_x) | (xs[j] > high_x), (ys[j] < low_y) | (ys[j] > high_y)
                off[j] = off_x | off_y | (zs[j] < low_z) | (zs[j] > high_z)
                off[j] &= kind[first + np.uint64(j)] != FILAMENT
                outside += off[j]
            j = 0
            while counts[k, 1] == 0 and j < size:
                counts[k, 1] = moves.line[first + np.uint64(j)] if off[j] else 0
                j += 1
            counts[k, 0] += outside
        first += np.uint64(size)
    place[0], place[1], place[2] = x, y, z


def pieces_of(moves: Moves, longest: float) -> NDArray[np.int64]:
    """Into how many equal pieces each move must be cut, so that none is longer than `longest` (mm)."""
    length = np.sqrt(moves.dx**2 + moves.dy**2 + moves.dz**2)
    counts = np.maximum(np.ceil(length / longest * (1.0 - JUST_AS_LONG)), 1.0)
    return np.asarray(np.where(moves.kind == FILAMENT, 1.0, counts).astype(np.int64))


def cut_moves(moves: Moves, counts: NDArray[np.int64]) -> Pieces:
    """Cut each move into `counts` (n) equal pieces: path and filament are spread evenly, all else stays as it is.

    A stop before a move is one before its first piece.
    """
    whole = np.repeat(np.arange(counts.size), counts)
    pieces = Moves._make(field[whole] for field in moves)
    among = counts[whole].astype(np.float64)
    is_first = np.diff(whole, prepend=-1) != 0
    return Pieces(
        pieces._replace(
            dx=pieces.dx / among,
            dy=pieces.dy / among,
            dz=pieces.dz / among,
            de=pieces.de / among,
            stop=pieces.stop * is_first,
        ),
        whole,
    )


def cut_job(job: Job, counts: NDArray[np.int64]) -> tuple[Job, NDArray[np.int64]]:
    """A job with its moves cut as by `cut_moves`, events and stated limits at their places; and `whole` as there."""
    moves, whole = cut_moves(job.moves, counts)
    first = np.concatenate([[0], np.cumsum(counts)])
    events = job.events._replace(move=first[job.events.move])
    stated = tuple(row._replace(move=int(first[row.move])) for row in job.stated)
    return replace(job, moves=moves, events=events, stated=stated), whole
