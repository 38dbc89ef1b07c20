"""Moves of a job that comes in by and by, as many as are at hand."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import FILAMENT, Moves
from kinematics.planner.corners import NOTHING_BEFORE, Before

TAIL = 1024  # moves at the end of what is at hand that are looked through before those before them


def _joined(columns: Iterable[Any], others: Iterable[Any]) -> list[Any]:
    return [np.concatenate(both) for both in zip(columns, others, strict=True)]


class AtHand(NamedTuple):
    """Moves of a job, in file order; `classes` the class of every move, one array for each way of classing; `before`
    what of the first move's run lies before it.
    """

    moves: Moves
    classes: tuple[NDArray[np.uint16], ...]
    before: Before = NOTHING_BEFORE

    def part(self, begin: int, end: int, before: Before = NOTHING_BEFORE) -> AtHand:
        """The moves from `begin` to `end`, and what lies before them."""
        moves = Moves._make(column[begin:end] for column in self.moves)
        return AtHand(moves, tuple(column[begin:end] for column in self.classes), before)

    def followed_by(self, other: AtHand) -> AtHand:
        """These moves and the next as one."""
        if not self.size:
            return other
        moves, classes = _joined(self.moves, other.moves), _joined(self.classes, other.classes)
        return AtHand(Moves._make(moves), tuple(classes), self.before)

    @property
    def size(self) -> int:
        """Number of moves."""
        return int(self.moves.kind.size)


def last_rest(moves: Moves, begin: int) -> int:
    """The last node behind `begin`, but the end of the moves, at which motion rests; 0 where there is none."""
    kind, stop = moves.kind, moves.stop
    size, end = TAIL, kind.size
    while end > begin:
        first = max(begin, end - size)
        before = np.flatnonzero((kind[first:end] == FILAMENT) | (stop[first:end] != 0))
        if before.size and first + int(before[-1]) > begin:
            return first + int(before[-1])
        end, size = first, 8 * size
    return 0
