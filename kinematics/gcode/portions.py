"""What a job becomes while it is read chunk by chunk: portions of moves, and what is known of the whole at its end."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import CHECKED
from kinematics.errors import InputError, Notice, by_weight
from kinematics.gcode import state as codes
from kinematics.gcode.chunks import CHUNK, Chunk, JobFile
from kinematics.gcode.dialects import Dialect, text_from
from kinematics.gcode.file_limits import Conditions, FileLimit, Unused, conditions_of, limits_in_events
from kinematics.gcode.findings import Notes, end_of_line, error_of, first_findings, joined, notice_of
from kinematics.gcode.interpreter import RESERVE, read_lines
from kinematics.gcode.job import Extent, JobFacts, Statements
from kinematics.gcode.labels import LabelNames, Labels, Marks, label_marks, layer_marks
from kinematics.gcode.layers import (
    DRAWN,
    FALLEN,
    FIRST,
    MOST_FED,
    NOT_SETTLED,
    PRINTED,
    Layering,
    first_fall,
    fresh_course,
    layer_count,
    layering_of,
    no_layers,
    number_layers,
    settle_layers,
)
from kinematics.gcode.moves import LIMIT, Events, Moves
from kinematics.gcode.state import ReaderOptions, fresh_state
from kinematics.gcode.text_commands import events_from, take_texts, with_added

Item = TypeVar("Item")

LEAD = 1 << 15  # moves: room before those of a portion for earlier ones that have still to be planned
AHEAD = 2  # portions that are made before they are asked for
BYTES_A_MOVE = 16  # a first guess of the room that is needed; it grows as it must
BYTES_AN_EVENT = 256
MOST_MOVES = 200_000_000  # of a job, kilometres of them; beyond are endless arcs in too many pieces
MOST_EVENTS = 10_000_000  # of a job: they are kept, some 50 bytes each
MOST_LINES = 2_000_000_000  # as many as the number of a line can tell


class TooManyMovesError(Exception):
    """A job has more moves than may be kept of it."""


class Columns:
    """Arrays that moves are read into, one chunk's behind another's: `used` of each, with room for more.

    `path` float64[5, room] as in `state`, `kind` int8, `line`, `layer` int32, `stop` uint8, each [room].
    """

    def __init__(self, size: int, most: int | None = None, lead: int = 0) -> None:
        """Room for some `size` bytes of a file, behind `lead` moves that are left free; it grows as it must, but not
        beyond `most` moves (None: any).
        """
        self._most = most
        room = lead + size // BYTES_A_MOVE + RESERVE + 1
        self.path = np.empty((codes.PATH_ROWS, room))
        self.kind, self.stop = np.empty(room, np.int8), np.empty(room, np.uint8)
        self.line, self.layer = np.empty(room, np.int32), np.empty(room, np.int32)
        self.used = lead

    def make_room(self, more: int) -> None:
        """Have room for so many moves more. Raises TooManyMovesError where there are too many already."""
        if self._most is not None and self.used > self._most:
            raise TooManyMovesError
        if self.used + more <= self.line.size:
            return
        room = max(2 * self.line.size, self.used + more)
        for name in ("path", "kind", "stop", "line", "layer"):
            old = getattr(self, name)
            new = np.empty((*old.shape[:-1], room), old.dtype)
            new[..., : self.used] = old[..., : self.used]
            setattr(self, name, new)

    def moves(self, first: int = 0) -> Moves:
        """The moves from `first` on, as parts of the arrays."""
        of = slice(first, self.used)
        dx, dy, dz, de, speed = self.path[:, of]
        return Moves(dx, dy, dz, de, speed, self.kind[of], self.line[of], self.layer[of], self.stop[of])

    def led_by(self, before: Moves, first: int) -> Moves:
        """The moves from `first` on behind others, which are written into what is free before them if it is enough."""
        begin = first - before.kind.size
        if begin < 0:
            both: Iterable[Any] = zip(before, self.moves(first), strict=True)
            return Moves._make(map(np.concatenate, both))
        led = self.moves(begin)
        columns: Iterable[Any] = zip(led, before, strict=True)
        for column, values in columns:
            column[: first - begin] = values
        return led


class Portion(NamedTuple):
    """The moves of one chunk of a job, or of a part of it: as in `Job`, but moves are counted from the portion's start.

    `chunk` it was read from; `stated` the limits that it states. `conditions` has a table of its own; the labels are
    those of the job so far. `conditions` and `labels` are None where they were not asked for.
    `has_layers` as in `Job`. `columns` the arrays that the moves are the last of.
    """

    chunk: Chunk
    moves: Moves
    events: Events
    stated: list[FileLimit]
    conditions: Conditions | None
    labels: Labels | None
    has_layers: bool
    columns: Columns

    def led_by(self, before: Moves) -> Moves:
        """The moves of the portion behind some that lie before them."""
        return self.columns.led_by(before, self.columns.used - self.moves.kind.size)


class Wanted(NamedTuple):
    """What portions hold beside moves and events: conditions, labels.

    `label_key` is the key that was found by counting; `marked_layers` says whether layers are those of the dialect's
    marks rather than the path's own, and `layering` what is taken for granted of the latter (None: what the first
    portion with print tells). Whether that held is known at the end (`Portions.layers_held`).
    """

    conditions: bool = False
    labels: bool = False
    label_key: bytes = b""
    marked_layers: bool = False
    layering: Layering | None = None


class Portions:
    """Reads a job file from its start, makes portions of its chunks in file order, and sums up what the job is.

    Each is read from the state in which the one before it ended. A chunk becomes one portion where all moves are kept;
    where they are not, a portion ends as soon as it holds as many moves as a chunk has room for, were it amid a line:
    what a chunk of arcs becomes does not hang on its bytes.
    """

    def __init__(
        self,
        file: JobFile,
        dialect: Dialect,
        options: ReaderOptions,
        wanted: Wanted,
        chunk: int = CHUNK,
        columns: Columns | None = None,
    ) -> None:
        """`chunk` the size of a chunk (bytes); moves are read into `columns`, or for every portion into new ones."""
        self._file = file
        self._dialect = dialect
        self._wanted = wanted
        self._chunk = chunk
        self._columns = columns
        self._state = fresh_state(dialect, options)
        self._height = np.empty(chunk // BYTES_A_MOVE + RESERVE + 1)
        self._event_rows = np.empty((chunk // BYTES_AN_EVENT + RESERVE + 1, codes.EVENT_COLUMNS))
        self._notes = np.zeros((codes.NOTE_ROWS, codes.NOTE_COLUMNS), np.int64)
        self._course = fresh_course()
        self._assumed = NOT_SETTLED if wanted.marked_layers else wanted.layering
        self._first_fall: int | None = None
        self._layer_marks, self._label_marks = Marks(), Marks()
        self._override, self._stop_pending = 1.0, False
        self._doubtful: dict[int, Notice] = {}
        self._unused: dict[str, Unused] = {}
        self._statements = Statements()
        self._holds: dict[str, float] = {}
        self._marked = 0  # bytes at the start of what is read next whose marks have been taken
        self._events = 0
        self.moves = 0

    @property
    def lines(self) -> int:
        """Number of lines so far."""
        return int(self._state.line)

    @property
    def layers(self) -> int:
        """Number of layers so far."""
        marked = self._wanted.marked_layers
        return self._layer_marks.now if marked else layer_count(self._course, self._taken)

    @property
    def _taken(self) -> Layering:
        """The layering under which moves are put into layers; it changes nothing before something is printed."""
        return NOT_SETTLED if self._assumed is None else self._assumed

    @property
    def layering(self) -> Layering:
        """What the path so far tells of its layers; nothing where marks tell them."""
        return NOT_SETTLED if self._wanted.marked_layers else layering_of(self._course)

    @property
    def layers_held(self) -> bool:
        """Whether the moves so far are in the layers that the path so far tells."""
        return self._course[FIRST] == 0.0 or self._assumed == self.layering

    def settled(self, moves: Moves) -> Moves:
        """All moves of the job, numbered as NOT_SETTLED, in the layers that the whole path tells."""
        self._assumed = self.layering
        return moves._replace(layer=settle_layers(moves.layer, self.layering))

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was doubtful so far, the gravest first."""
        falls = [no_layers(self._first_fall)] if self.layering.falls else []
        return by_weight([*self._doubtful.values(), *map(notice_of, self._unused.values()), *falls])

    @property
    def extent(self) -> Extent | None:
        """What has been printed so far: its lowest and its highest place (mm); None where nothing was."""
        low, high = self._state.low, self._state.high
        return ((*map(float, low),), (*map(float, high),)) if np.isfinite(low).all() else None  # type: ignore[return-value]

    def read(self, most: int | None = None) -> Generator[Portion]:
        """Every portion in file order, or the first ones, `most` of them. Raises InputError where the job is unusable.

        Ends with the program of a strict dialect.
        """
        self._file.refuse_what_is_no_text(self._chunk)
        strict, state = self._dialect.strict, self._state
        room = 0 if self._columns is None else self._file.size
        made = 0
        for chunk in self._file.chunks(self._chunk, room):
            left: Chunk | None = chunk
            while left is not None:
                if made == most:
                    return
                made += 1
                portion, left = self._portion(left)
                yield portion
                if strict and state.ended:
                    return
        if strict and state.percents == 1:
            raise InputError.at(self._file.name, *codes.ERROR_TEXTS[codes.ERROR_PERCENT])

    def _portion(self, chunk: Chunk) -> tuple[Portion, Chunk | None]:
        """The next portion, and what is left of its chunk."""
        dialect = self._dialect
        columns = self._columns or Columns(chunk.end - chunk.begin, lead=LEAD)
        first, lines, printed = columns.used, self.lines, float(self._course[PRINTED])
        table, stop = self._read_lines(chunk, columns)
        notes = self._noted()
        if self._state.status == codes.STATUS_ERROR:
            raise error_of(chunk.content, self._file.name, self._state)
        # A line of which only some commands have acted is looked at with the first of its moves.
        end = end_of_line(chunk.buffer.data, stop, chunk.end) if self._state.resumed else stop
        taken, self._marked = self._marked, end - stop
        content = chunk.buffer.data[:end]
        moves = columns.moves(first)
        n = moves.kind.size
        moves.layer[:] = self._layers(content, moves, lines, taken)
        events = events_from(table)
        stated = limits_in_events(events, dialect, self._unused)
        if dialect.texts:
            added, told, self._override = take_texts(events, content, dialect, moves.speed, notes, self._override)
            stated = sorted([*stated, *told], key=lambda row: row.line)
            rests = {*([0] if self._stop_pending else []), *(move for move, *_ in added)}
            self._stop_pending = n in rests  # motion rests before the first move of the next portion
            moves.stop[[move for move in rests if move < n]] = 1
            events = with_added(events, added)
        elif (events.kind == LIMIT).any():
            events = with_added(events, [])
        for row, notice in first_findings(notes, content).items():
            self._doubtful[row] = joined(self._doubtful.get(row), notice)
        if self._columns is None:
            self._statements.add(stated, moves, printed)
        conditions = conditions_of(stated, n, self._holds) if self._wanted.conditions else None
        labels = self._labels(content, moves.line - lines, taken) if self._wanted.labels else None
        self.moves += n
        self._events += int(table.shape[0])
        self._refuse_what_has_no_end()
        portion = Portion(
            Chunk(chunk.buffer, chunk.begin, stop),
            moves,
            events,
            stated,
            conditions,
            labels,
            not self._taken.falls,
            columns,
        )
        return portion, Chunk(chunk.buffer[stop:], 0, chunk.end - stop) if stop < chunk.end else None

    def _refuse_what_has_no_end(self) -> None:
        """Raise InputError for more than any print has."""
        hint = "is an arc cut into too many pieces, by P or by motion.arc_tolerance_mm?"
        for count, most, what, told in (
            (self.moves, MOST_MOVES, "moves", hint),
            (self._events, MOST_EVENTS, "dwells, heaters, tools and limits", ""),
            (self.lines, MOST_LINES, "lines", ""),
        ):
            if count > most:
                raise InputError.at(f"{self._file.name}:{self.lines}", f"more than {most:,} {what}", "a job", told)

    def _read_lines(self, chunk: Chunk, columns: Columns) -> tuple[NDArray[np.float64], int]:
        """Read the lines of a chunk into the columns: all of them where moves are kept, else while there is room.

        Returns their events (float64[m, 5]), moves counted from the first one, and the byte where reading stopped.
        """
        buffer, begin, end = chunk
        first, state = columns.used, self._state
        state.moves = state.first = first
        state.events = state.noted = 0
        source = buffer if CHECKED else buffer.ctypes.data
        columns.make_room(RESERVE + 1)
        while True:
            begin = read_lines(
                source, begin, end, state, self._dialect.meanings, self._dialect.groups, self._notes,
                columns.path, self._height, columns.kind, columns.line, columns.stop, self._event_rows,
            )  # fmt: skip
            columns.used = int(state.moves)
            if state.status != codes.STATUS_GROW or self._columns is None:
                break
            if self._event_rows.shape[0] - RESERVE <= state.events:
                self._event_rows = np.concatenate([self._event_rows, np.empty_like(self._event_rows)])
            if self._height.size - RESERVE <= columns.used - first:
                self._height = np.concatenate([self._height, np.empty_like(self._height)])
            columns.make_room((end - begin) // BYTES_A_MOVE + RESERVE + 1)
        events = self._event_rows[: int(state.events)].copy()
        events[:, codes.EVENT_MOVE] -= first
        return events, begin if state.status == codes.STATUS_GROW else end

    def _noted(self) -> Notes:
        """What was doubtful since this was last asked for."""
        notes: Notes = {}
        if self._state.noted:
            for row in np.flatnonzero(self._notes[:, codes.NOTE_COUNT]).tolist():
                count, line, offset, _, key = self._notes[row].tolist()
                notes[key or row] = (count, line, offset)
                self._notes[row, codes.NOTE_COUNT] = 0  # the last line counted stays: it may be taken up again
        return notes

    def _layers(self, content: memoryview, moves: Moves, lines: int, taken: int) -> NDArray[np.int32]:
        """The layers of a portion's moves; `lines` stand before it, and the marks of its first `taken` bytes count
        already.
        """
        dx, dy, dz, de, _, kind, line, layer, _ = moves
        number_layers(dx, dy, dz, de, kind, self._height[: kind.size], self._course, layer)
        if self._wanted.marked_layers:
            marks = [mark for mark in layer_marks(content, self._dialect) if mark[0] >= taken]
            layer[:] = self._layer_marks.layers(content, marks, line - lines)
            return layer
        if self._first_fall is None and self._course[FALLEN] > 0.0:
            self._first_fall = first_fall(moves)
        if self._assumed is None and self._course[FIRST] > 0.0:
            # What has been handed out before, without print, was not told that there are no layers.
            self._assumed = self.layering if self.moves == 0 else self.layering._replace(falls=False)
        return settle_layers(layer, self._taken)

    def _labels(self, content: memoryview, lines: NDArray[np.int32], taken: int) -> Labels:
        marks = [mark for mark in label_marks(content, self._dialect, self._wanted.label_key) if mark[0] >= taken]
        of_move = self._label_marks.labels(content, marks, lines)
        return Labels(of_move, self._label_marks.names, bool(self._dialect.labels), None)

    def facts(self) -> JobFacts:
        """What the job is, once all of it has been read."""
        key = text_from(self._wanted.label_key) if self._wanted.label_key else None
        labels = LabelNames(self._label_marks.names[1:], bool(self._dialect.labels), key)
        return JobFacts(
            self._file.name,
            self.moves,
            self.layers,
            self.extent,
            self.filament,
            self.notices,
            self._statements.limits(float(self._course[PRINTED])),
            self._statements.by_line,
            int(self._course[DRAWN]),
            labels if self._wanted.labels else None,
        )

    @property
    def filament(self) -> float:
        """The highest sum of filament fed so far (mm)."""
        return float(self._course[MOST_FED])


def made_ahead(items: Generator[Item]) -> Generator[Item]:
    """The items of a generator, made on a thread beside the caller's, some before they are asked for."""
    with closing(items), ThreadPoolExecutor(1) as pool:
        waiting = deque(pool.submit(next, items, None) for _ in range(AHEAD))
        while (item := waiting.popleft().result()) is not None:
            waiting.append(pool.submit(next, items, None))
            yield item
