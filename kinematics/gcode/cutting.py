"""Of moves where they start and end, how many bytes stand for each in the file, and moves cut into pieces."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.job import Job
from kinematics.gcode.labels import line_ends
from kinematics.gcode.moves import FILAMENT, HOMING, Moves

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
    each axis (mm). The extruder alone ends nowhere.
    """
    x, y, z = place[0], place[1], place[2]
    for i in range(np.uint64(begin), np.uint64(end)):
        x += moves.dx[i]
        y += moves.dy[i]
        z += moves.dz[i]
        for k in range(spaces.shape[0]):
            by_x = max(spaces[k, 0, 0] - x, x - spaces[k, 1, 0])
            by_y = max(spaces[k, 0, 1] - y, y - spaces[k, 1, 1])
            by_z = max(spaces[k, 0, 2] - z, z - spaces[k, 1, 2])
            if max(by_x, by_y, by_z) > margin and moves.kind[i] != FILAMENT:
                counts[k, 0] += 1
                if counts[k, 1] == 0:
                    counts[k, 1] = moves.line[i]
                most[k, 0] = max(most[k, 0], by_x)
                most[k, 1] = max(most[k, 1], by_y)
                most[k, 2] = max(most[k, 2], by_z)
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
