"""A stretch of a file to moves: the state that it begins in, and the arrays that it is read into."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import CHECKED
from kinematics.gcode import state as at
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.interpreter import RESERVE, read_lines

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
# Of what was doubtful, by row of `state` or key: lines, the first one, its byte offset.
Notes = dict[int, tuple[int, int, int]]

PADDING = 64  # zero bytes after the file, so that the reader may look ahead
BYTES_A_MOVE = 16  # a first guess of the room that is needed; it grows as it must
BYTES_AN_EVENT = 256


class ReaderOptions(NamedTuple):
    """What reading depends on beside the file: see `reader.read_gcode`."""

    home: tuple[float, float, float] = (0.0, 0.0, 0.0)
    arc_tolerance: float = 0.01
    retract_length: float = math.nan
    retract_speed: float = math.nan
    filament_area: float = math.nan
    block_delete: bool = False


class Read(NamedTuple):
    """What a stretch of a file was read to: the state at its end, moves, events and notes.

    `path` float64[5, n], `height` float64[n] the place on z after each move (mm), `kind` int8[n], `line` int32[n],
    `stop` uint8[n], `events` float64[m, 5], rows and columns as in `state`. Moves count from the stretch's start.
    """

    real: Real
    whole: Whole
    path: Real
    height: Real
    kind: NDArray[np.int8]
    line: NDArray[np.int32]
    stop: NDArray[np.uint8]
    events: Real
    notes: Notes


class Columns:
    """The moves of a file as they are read, one after the other: `used` of each array, with room for more.

    `path` float64[5, room], `kind`, `line`, `stop` as in `Read`; heights are kept for all moves (`keeps_height`), or
    for those of the last stretch alone.
    """

    def __init__(self, size: int, stretch: int, keeps_height: bool = True) -> None:
        """Room for some `size` bytes of a file, of which some `stretch` are read at a time; it grows as it must."""
        room = size // BYTES_A_MOVE + RESERVE + 1
        self.path = np.empty((at.PATH_ROWS, room))
        self.kind, self.stop = np.empty(room, np.int8), np.empty(room, np.uint8)
        self.line = np.empty(room, np.int32)
        self.used = 0
        self._keeps_height = keeps_height
        self.height = np.empty(room if keeps_height else stretch // BYTES_A_MOVE + RESERVE + 1)
        self._events = np.empty((stretch // BYTES_AN_EVENT + RESERVE + 1, at.EVENT_COLUMNS))
        self._notes = np.zeros((at.NOTE_ROWS, at.NOTE_COLUMNS), np.int64)

    def make_room(self, more: int) -> None:
        """Have room for so many moves more; nothing may be writing to the arrays."""
        if self.used + more <= self.line.size:
            return
        room = max(2 * self.line.size, self.used + more)
        path = np.empty((at.PATH_ROWS, room))
        path[:, : self.used] = self.path[:, : self.used]
        self.path = path
        self.kind, self.stop = self._longer(self.kind, room), self._longer(self.stop, room)
        self.line = self._longer(self.line, room)
        if self._keeps_height:
            self.height = self._longer(self.height, room)

    def _longer(self, old: NDArray[Any], room: int) -> NDArray[Any]:
        new = np.empty(room, old.dtype)
        new[: self.used] = old[: self.used]
        return new

    def read(self, buffer: NDArray[np.uint8], begin: int, end: int, real: Real, whole: Whole, dialect: Dialect) -> Read:
        """Read whole lines from `begin` to `end` from a given state on, behind what was read before.

        `buffer` is readable for PADDING bytes behind `end`. The state is changed in place. Moves are given as parts of
        the arrays; heights that are not kept hold until the next stretch is read.
        """
        first = self.used
        whole[at.MOVES], whole[at.EVENTS], whole[at.NOTED] = first, 0, 0
        whole[at.BASE] = 0 if self._keeps_height else first
        source = buffer if CHECKED else buffer.ctypes.data
        self.make_room(RESERVE + 1)
        while True:
            begin = read_lines(
                source, begin, end, real, whole, dialect.meanings, dialect.groups, self._notes, self.path,
                self.height, self.kind, self.line, self.stop, self._events,
            )  # fmt: skip
            self.used = int(whole[at.MOVES])
            if whole[at.STATUS] != at.STATUS_GROW:
                break
            if self._events.shape[0] - RESERVE <= whole[at.EVENTS]:
                self._events = np.concatenate([self._events, np.empty_like(self._events)])
            if not self._keeps_height and self.height.size - RESERVE <= self.used - first:
                self.height = np.concatenate([self.height, np.empty_like(self.height)])
            self.make_room((end - begin) // BYTES_A_MOVE + RESERVE + 1)
        return self._since(first, real, whole)

    def copying(self, other: Columns, first: int, size: int) -> list[Callable[[], None]]:
        """What is to be done, in any order, to have `size` moves of others from `first` on behind those in use here."""
        begin = self.used
        columns: list[tuple[NDArray[Any], NDArray[Any]]] = [*zip(self.path, other.path, strict=True)]
        columns += [(self.kind, other.kind), (self.line, other.line), (self.stop, other.stop)]
        return [partial(np.copyto, to[begin : begin + size], of[first : first + size]) for to, of in columns]

    def again(self, read: Read, first: int) -> Read:
        """A stretch that was read into these columns, with its moves where they are now."""
        moves = slice(first, first + read.kind.size)
        path, height, kind = self.path[:, moves], self.height[moves], self.kind[moves]
        return read._replace(path=path, height=height, kind=kind, line=self.line[moves], stop=self.stop[moves])

    def _since(self, first: int, real: Real, whole: Whole) -> Read:
        """What was read since there were `first` moves."""
        moves = slice(first, self.used)
        height = self.height[moves] if self._keeps_height else self.height[: self.used - first]
        events = self._events[: int(whole[at.EVENTS])].copy()
        events[:, at.EVENT_MOVE] -= first
        if whole[at.IS_GUESS]:
            counted = whole[[*range(at.FIRST_X, at.FIRST_E + 1), at.FIRST_FEED]]
            whole[[*range(at.FIRST_X, at.FIRST_E + 1), at.FIRST_FEED]] = np.where(counted < 0, -1, counted - first)
        path, kind, line, stop = self.path[:, moves], self.kind[moves], self.line[moves], self.stop[moves]
        return Read(real, whole, path, height, kind, line, stop, events, self._noted() if whole[at.NOTED] else {})

    def _noted(self) -> Notes:
        """What was doubtful since this was last asked for."""
        notes: Notes = {}
        for row in np.flatnonzero(self._notes[:, at.NOTE_COUNT]).tolist():
            count, line, offset, _, key = self._notes[row].tolist()
            notes[key or row] = (count, line, offset)
            self._notes[row] = 0
        return notes


def fresh_state(dialect: Dialect, options: ReaderOptions) -> tuple[Real, Whole]:
    """The state before the first line."""
    real = np.zeros(at.REAL_STATE)
    real[at.SCALE] = real[at.FEED_SHARE] = real[at.FLOW_SHARE] = real[at.FILAMENT_SCALE] = 1.0
    if dialect.extruder_is_volume:
        real[at.FILAMENT_SCALE] = 1.0 / options.filament_area
    real[at.FEED] = math.nan
    real[at.HOME_X : at.HOME_Z + 1] = options.home
    real[at.DWELL_UNIT] = dialect.dwell_p_seconds
    real[at.ARC_TOLERANCE] = options.arc_tolerance
    real[at.LOW_X : at.LOW_Z + 1] = math.inf
    real[at.HIGH_X : at.HIGH_Z + 1] = -math.inf
    real[at.RETRACT_LENGTH] = options.retract_length
    real[at.RETRACT_SPEED] = options.retract_speed
    whole = np.zeros(at.WHOLE_STATE, np.int64)
    whole[at.MOTION] = 1
    whole[at.TOOL_IN_USE] = -1
    whole[at.FIRST_FEED] = -1
    whole[at.LAST_KIND] = -1
    whole[at.STRICT] = dialect.strict
    whole[at.SEMICOLONS] = dialect.semicolon_comments
    whole[at.EXTRUDER] = ord(dialect.extruder_letter.upper()) - ord("A")
    whole[at.BLOCK_DELETE] = options.block_delete
    whole[at.KEEPS_TEXT] = bool(dialect.texts)
    whole[at.E_IS_VOLUME] = dialect.extruder_is_volume
    return real, whole
