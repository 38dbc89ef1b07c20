"""A stretch of a file to arrays: the state that it begins in, and what it is read into."""

from __future__ import annotations

import contextlib
import math
from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import CHECKED
from kinematics.gcode import state as at
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.interpreter import RESERVE, read_lines

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

PADDING = 64  # zero bytes after the file, so that the reader may look ahead
BYTES_A_MOVE = 16  # a first guess of the room that is needed; it grows as it must


class ReaderOptions(NamedTuple):
    """What reading depends on beside the file: see `reader.read_gcode`."""

    home: tuple[float, float, float] = (0.0, 0.0, 0.0)
    arc_tolerance: float = 0.01
    retract_length: float = math.nan
    retract_speed: float = math.nan
    filament_area: float = math.nan
    block_delete: bool = False


class Read(NamedTuple):
    """What a stretch of a file was read to: the state at its end, moves, events and notes (see `state`).

    `path` float64[5, n], `height` float64[n] the place on z after each move (mm), `kind` int8[n], `line` int32[n],
    `stop` uint8[n], `events` float64[m, 5], `notes` int64[NOTE_ROWS, 3].
    """

    real: Real
    whole: Whole
    path: Real
    height: Real
    kind: NDArray[np.int8]
    line: NDArray[np.int32]
    stop: NDArray[np.uint8]
    events: Real
    notes: Whole


class Scratch(NamedTuple):
    """Arrays that a stretch is read into, with room for more than it needs; as in `Read`."""

    path: Real
    height: Real
    kind: NDArray[np.int8]
    line: NDArray[np.int32]
    stop: NDArray[np.uint8]
    events: Real

    @classmethod
    def of(cls, moves: int, events: int) -> Scratch:
        """Fresh arrays."""
        return cls(
            np.empty((at.PATH_ROWS, moves)),
            np.empty(moves),
            np.empty(moves, np.int8),
            np.empty(moves, np.int32),
            np.empty(moves, np.uint8),
            np.empty((events, at.EVENT_COLUMNS)),
        )

    def wider(self, moves: int, events: int) -> Scratch:
        """Twice the room, with the moves and events in use."""
        new = Scratch.of(2 * self.kind.size, 2 * self.events.shape[0])
        new.path[:, :moves] = self.path[:, :moves]
        new.events[:events] = self.events[:events]
        for row in (1, 2, 3, 4):
            new[row][:moves] = self[row][:moves]
        return new


class Scratches:
    """Arrays that are read into again and again: fresh memory costs a third of reading."""

    def __init__(self) -> None:
        self._free: deque[Scratch] = deque()
        self._used: dict[int, Scratch] = {}

    def take(self, moves: int, events: int) -> Scratch:
        """Arrays with room for so many moves and events, used before or fresh."""
        with contextlib.suppress(IndexError):
            found = self._free.popleft()
            if found.kind.size >= moves and found.events.shape[0] >= events:
                return found
        return Scratch.of(moves, events)

    def lend(self, read: Read, scratch: Scratch) -> Read:
        """Remember what a stretch was read into."""
        self._used[id(read)] = scratch
        return read

    def free(self, read: Read) -> None:
        """What a stretch was read into may be used again."""
        scratch = self._used.pop(id(read), None)
        if scratch is not None:
            self._free.append(scratch)


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
    return real, whole


def read_stretch(
    buffer: NDArray[np.uint8],
    begin: int,
    end: int,
    real: Real,
    whole: Whole,
    dialect: Dialect,
    scratches: Scratches | None = None,
) -> Read:
    """Read whole lines from `begin` to `end` from a given state on; the state is changed in place.

    Of what is read into `scratches` only those who free it again may hold a part.
    """
    size = end - begin
    moves, many = size // BYTES_A_MOVE + RESERVE + 1, size // 256 + RESERVE + 1
    scratch = Scratch.of(moves, many) if scratches is None else scratches.take(moves, many)
    notes = np.zeros((at.NOTE_ROWS, 3), np.int64)
    whole[at.MOVES] = whole[at.EVENTS] = whole[at.BASE] = 0
    source = buffer if CHECKED else buffer.ctypes.data
    while True:
        path, height, kind, line, stop, events = scratch
        begin = read_lines(
            source, begin, end, real, whole, dialect.meanings, dialect.groups, notes, path, height, kind, line, stop,
            events,
        )  # fmt: skip
        n, m = int(whole[at.MOVES]), int(whole[at.EVENTS])
        if whole[at.STATUS] != at.STATUS_GROW:
            break
        scratch = scratch.wider(n, m)
    read = Read(real, whole, path[:, :n], height[:n], kind[:n], line[:n], stop[:n], events[:m], notes)
    return read if scratches is None else scratches.lend(read, scratch)
