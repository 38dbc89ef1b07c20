"""A whole file to moves, layers and all: in one go, or in chunks on both cores, with the same result."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import CHECKED, compiled
from kinematics.gcode import state as at
from kinematics.gcode.chunks import CHUNK, WORKERS, OrderError, chunk_ends, read_chunks
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.interpreter import RESERVE, read_lines
from kinematics.gcode.layers import fresh_layers, number_layers
from kinematics.gcode.moves import Moves
from kinematics.gcode.stretches import BYTES_A_MOVE, Read, ReaderOptions, Scratches, fresh_state

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

STRETCH = 1 << 20  # bytes: what was read of them is still in the caches when its layers are numbered


class WholeRead(NamedTuple):
    """What a file was read to: the state at its end, its moves, events and notes (see `state`), the number of layers,
    and the highest sum of filament fed (mm).
    """

    real: Real
    whole: Whole
    moves: Moves
    events: Real
    notes: Whole
    layers: int
    most_fed: float


@compiled
def feed(de: Real, fed: Real) -> None:
    """Add filament (mm) move by move; `fed` holds the sum so far and the highest one."""
    total, most = fed[0], fed[1]
    for i in range(de.size):
        total += de[i]
        most = max(most, total)
    fed[0], fed[1] = total, most


class _Columns:
    """The moves of a file as they come: one array a column, with room for more."""

    def __init__(self, room: int) -> None:
        self.path = np.empty((at.PATH_ROWS, room))
        self.kind, self.stop = np.empty(room, np.int8), np.empty(room, np.uint8)
        self.line, self.layer = np.empty(room, np.int32), np.empty(room, np.int32)
        self.used = 0
        self._layers = fresh_layers()
        self._fed = np.zeros(2)

    def make_room(self, more: int) -> None:
        """Have room for so many moves more; nothing may be writing."""
        if self.used + more <= self.line.size:
            return
        room = max(2 * self.line.size, self.used + more)
        path = np.empty((at.PATH_ROWS, room))
        path[:, : self.used] = self.path[:, : self.used]
        self.path = path
        self.kind, self.stop = self._longer(self.kind, room), self._longer(self.stop, room)
        self.line, self.layer = self._longer(self.line, room), self._longer(self.layer, room)

    def _longer(self, old: NDArray[Any], room: int) -> NDArray[Any]:
        new = np.empty(room, old.dtype)
        new[: self.used] = old[: self.used]
        return new

    def number(self, end: int, path: Real, kind: NDArray[np.int8], height: Real) -> None:
        """Number the layers of the moves up to `end`, and add their filament; their numbers may stand elsewhere yet."""
        number_layers(path[at.DX], path[at.DY], path[at.DZ], kind, height, self._layers, self.layer[self.used : end])
        feed(path[at.DE], self._fed)
        self.used = end

    def read(self, real: Real, whole: Whole, events: Real, notes: Whole) -> WholeRead:
        """Everything together."""
        n = self.used
        dx, dy, dz, de, speed = self.path[:, :n]
        moves = Moves(dx, dy, dz, de, speed, self.kind[:n], self.line[:n], self.layer[:n], self.stop[:n])
        return WholeRead(real, whole, moves, events, notes, int(self._layers[0]), float(self._fed[1]))


def read_whole(
    buffer: NDArray[np.uint8],
    begin: int,
    end: int,
    dialect: Dialect,
    options: ReaderOptions,
    chunk: int = CHUNK,
    workers: int = WORKERS,
) -> WholeRead:
    """Read a whole file; `buffer` holds it from `begin` to `end`, and PADDING zero bytes after."""
    if workers >= 2 and not dialect.strict and end - begin > 2 * chunk:
        try:
            return _side_by_side(buffer, begin, end, dialect, fresh_state(dialect, options), chunk, workers)
        except OrderError:
            pass
    return _one_after_the_other(buffer, begin, end, dialect, *fresh_state(dialect, options))


def _one_after_the_other(
    buffer: NDArray[np.uint8], begin: int, end: int, dialect: Dialect, real: Real, whole: Whole
) -> WholeRead:
    columns = _Columns((end - begin) // BYTES_A_MOVE + RESERVE + 1)
    height = np.empty(STRETCH // BYTES_A_MOVE + RESERVE + 1)
    events = np.empty(((end - begin) // 256 + RESERVE + 1, at.EVENT_COLUMNS))
    notes = np.zeros((at.NOTE_ROWS, 3), np.int64)
    whole[at.MOVES] = whole[at.EVENTS] = whole[at.BASE] = 0
    source = buffer if CHECKED else buffer.ctypes.data
    for first, stop in chunk_ends(buffer, begin, end, STRETCH):
        place = first
        while True:
            columns.make_room(RESERVE + 1)
            path, kind, line, stops = columns.path, columns.kind, columns.line, columns.stop
            place = read_lines(
                source, place, stop, real, whole, dialect.meanings, dialect.groups, notes, path, height, kind, line,
                stops, events,
            )  # fmt: skip
            n, base = int(whole[at.MOVES]), int(whole[at.BASE])
            columns.number(n, path[:, base:n], kind[base:n], height[: n - base])
            whole[at.BASE] = n
            if whole[at.STATUS] != at.STATUS_GROW:
                break
            if events.shape[0] - RESERVE <= whole[at.EVENTS]:
                events = np.concatenate([events, np.empty_like(events)])
            columns.make_room((stop - place) // BYTES_A_MOVE + RESERVE + 1)
        if whole[at.STATUS] == at.STATUS_ERROR or (dialect.strict and whole[at.ENDED]):
            break
    return columns.read(real, whole, events[: int(whole[at.EVENTS])], notes)


def _side_by_side(
    buffer: NDArray[np.uint8],
    begin: int,
    end: int,
    dialect: Dialect,
    start: tuple[Real, Whole],
    chunk: int,
    workers: int,
) -> WholeRead:
    columns = _Columns((end - begin) // BYTES_A_MOVE + RESERVE + 1)
    scratches = Scratches()
    notes = np.zeros((at.NOTE_ROWS, 3), np.int64)
    events: list[Real] = []
    extent = np.array([np.inf] * 3 + [-np.inf] * 3)
    read: Read | None = None
    copies: list[Future[None]] = []
    with ThreadPoolExecutor(1) as pool:
        for read in read_chunks(buffer, begin, end, dialect, start, chunk, workers, scratches):
            first, n = columns.used, read.kind.size
            if first + n > columns.line.size:
                for copy in copies:
                    copy.result()
                columns.make_room(n + chunk // BYTES_A_MOVE)
            columns.number(first + n, read.path, read.kind, read.height)
            copies = [copy for copy in copies if not copy.done()]
            copies.append(pool.submit(_copy, read, columns, first, scratches))
            read.events[:, at.EVENT_MOVE] += first
            events.append(read.events.copy())
            low, high = read.real[at.LOW_X : at.LOW_Z + 1], read.real[at.HIGH_X : at.HIGH_Z + 1]
            extent[:3], extent[3:] = np.minimum(extent[:3], low), np.maximum(extent[3:], high)
            fresh = (notes[:, 0] == 0) & (read.notes[:, 0] > 0)
            notes[fresh, 1:] = read.notes[fresh, 1:]
            notes[:, 0] += read.notes[:, 0]
        for copy in copies:
            copy.result()
    assert read is not None  # a file of several chunks
    real = read.real.copy()
    real[at.LOW_X : at.HIGH_Z + 1] = extent
    return columns.read(real, read.whole, np.concatenate(events), notes)


def _copy(read: Read, columns: _Columns, first: int, scratches: Scratches) -> None:
    """Put a chunk's moves in their place, and free what it was read into."""
    end = first + read.kind.size
    for row in range(at.PATH_ROWS):
        columns.path[row, first:end] = read.path[row]
    columns.kind[first:end], columns.stop[first:end] = read.kind, read.stop
    columns.line[first:end] = read.line
    scratches.free(read)
