"""What a job becomes while it is read chunk by chunk: portions of moves, and what is known of the whole at its end."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import Notice, by_weight
from kinematics.gcode import state as at
from kinematics.gcode.assembly import Added, events_from, take_texts, with_added
from kinematics.gcode.chunks import Chunk
from kinematics.gcode.dialects import FILE_LIMITS, Dialect
from kinematics.gcode.facts import JobFacts, Statements
from kinematics.gcode.file_limits import Conditions, FileLimit, Unused, conditions_of, limits_in_events
from kinematics.gcode.findings import first_findings, joined, notice_of
from kinematics.gcode.labels import LabelNames, Labels, Mark, held, label_marks, layer_marks
from kinematics.gcode.layers import (
    FALLEN,
    FIRST,
    MOST_FED,
    NOT_SETTLED,
    Layering,
    first_fall,
    fresh_course,
    layer_count,
    layering_of,
    no_layers,
    number_layers,
    printed_length,
    settle_layers,
)
from kinematics.gcode.moves import Events, Moves
from kinematics.gcode.patterns import text_from
from kinematics.gcode.stretches import Read


class Portion(NamedTuple):
    """The moves of one chunk of a job: as in `Job`, but moves are counted from the portion's start.

    `conditions` has a table of its own; the labels are those of the job so far. `conditions` and `labels` are None
    where they were not asked for. `has_layers` as in `Job`.
    """

    moves: Moves
    events: Events
    conditions: Conditions | None
    labels: Labels | None
    has_layers: bool


class _Marks:
    """Marks of comments from chunk to chunk: the number in force, and the number of every name."""

    def __init__(self) -> None:
        self.now = 0
        self.last = ""
        self.numbers: dict[str, int] = {"": 0}

    def labels(self, content: bytes, marks: list[Mark], lines: NDArray[np.int32]) -> NDArray[np.int32]:
        """The label in force at each move of a chunk, whose `lines` are counted from the chunk's start."""
        numbers = [self.numbers.setdefault(name, len(self.numbers)) for _, name in marks]
        of_move = held(content, [offset for offset, _ in marks], numbers, lines, self.now)
        self.now = numbers[-1] if numbers else self.now
        return of_move

    def layers(self, content: bytes, marks: list[Mark], lines: NDArray[np.int32]) -> NDArray[np.int32]:
        """The layer of each move likewise: every mark begins one whose name is not that of the mark before it."""
        begins: list[int] = []
        for offset, name in marks:
            if name != self.last or (self.now == 0 and not begins):
                begins.append(offset)
            self.last = name
        of_move = held(content, begins, range(self.now + 1, self.now + 1 + len(begins)), lines, self.now)
        self.now += len(begins)
        return of_move


class Portions:
    """Makes portions of what was read, chunk by chunk in file order, and sums up what the job is.

    `stated`, `labelled` say whether conditions and labels are asked for; `label_key` is the key that was found by
    counting; `marked_layers` says whether layers are those of the dialect's marks rather than the path's own, and
    `layering` what is taken for granted of the latter (None: what the first portion with print tells). Whether that
    held is known at the end (`layers_held`).
    """

    def __init__(
        self,
        dialect: Dialect,
        stated: bool,
        labelled: bool,
        label_key: bytes,
        marked_layers: bool,
        layering: Layering | None = None,
    ) -> None:
        self._dialect = dialect
        self._stated = stated
        self._labelled = labelled
        self._label_key = label_key
        self._marked_layers = marked_layers
        self._course = fresh_course()
        self._assumed = NOT_SETTLED if marked_layers else layering
        self._printed = 0.0
        self._first_fall: int | None = None
        self._layer_marks, self._label_marks = _Marks(), _Marks()
        self._override, self._stop_pending = 1.0, False
        self._found: dict[int, Notice] = {}
        self._unused: dict[str, Unused] = {}
        self._statements = Statements()
        self._holds: dict[str, float] = {}
        self._low, self._high = np.full(3, np.inf), np.full(3, -np.inf)
        self._lines = 0
        self.moves = 0

    @property
    def layers(self) -> int:
        """Number of layers so far."""
        return self._layer_marks.now if self._marked_layers else layer_count(self._course, self._taken)

    @property
    def _taken(self) -> Layering:
        """The layering under which moves are put into layers; it changes nothing before something is printed."""
        return NOT_SETTLED if self._assumed is None else self._assumed

    @property
    def layering(self) -> Layering:
        """What the path so far tells of its layers; nothing where marks tell them."""
        return NOT_SETTLED if self._marked_layers else layering_of(self._course, self._printed)

    @property
    def layers_held(self) -> bool:
        """Whether the moves so far are in the layers that the path so far tells."""
        return self._course[FIRST] == 0.0 or self._assumed == self.layering

    @property
    def notices(self) -> tuple[Notice, ...]:
        """What was doubtful so far, the gravest first."""
        falls = [no_layers(self._first_fall)] if self.layering.falls else []
        return by_weight([*self._found.values(), *map(notice_of, self._unused.values()), *falls])

    def portion(self, chunk: Chunk, read: Read) -> Portion:
        """The portion of a chunk, which was read without an error."""
        n = read.kind.size
        dx, dy, dz, de, speed = read.path
        kind, line, stop = read.kind, read.line, read.stop
        events = events_from(read.events)
        stated, unused = limits_in_events(events, self._dialect)
        added: list[Added] = []
        dialect = self._dialect
        if dialect.texts:
            content = bytes(chunk.content)
            texts = take_texts(events, content, dialect, speed, read.notes, self._override)
            added, self._override = texts.events, texts.override
            stated = sorted([*stated, *texts.stated], key=lambda row: row.line)
            if self._stop_pending and n:
                stop[0] = 1
            self._stop_pending = (self._stop_pending and n == 0) or any(move == n for move, *_ in added)
            stop[[move for move, *_ in added if move < n]] = 1
        if added or stated or unused or dialect.texts:
            events = with_added(events, added)
        moves = Moves(dx, dy, dz, de, speed, kind, line, np.empty(n, np.int32), stop)
        self._note(read, chunk.content, unused)
        self._statements.add(stated, moves)
        portion = Portion(
            moves._replace(layer=self._layer(chunk, moves, read.height)),
            events,
            self._conditions(stated, n),
            self._labels(chunk, line) if self._labelled else None,
            not self._taken.falls,
        )
        self.moves += n
        self._lines = int(read.whole[at.LINE_NUMBER])
        self._low = np.minimum(self._low, read.real[at.LOW_X : at.LOW_Z + 1])
        self._high = np.maximum(self._high, read.real[at.HIGH_X : at.HIGH_Z + 1])
        return portion

    def _note(self, read: Read, content: memoryview, unused: list[Unused]) -> None:
        """Keep what was doubtful."""
        for row, notice in first_findings(read.notes, content).items():
            self._found[row] = joined(self._found.get(row), notice)
        for one in unused:
            known = self._unused.get(one.word)
            self._unused[one.word] = one if known is None else known.joined(one)

    def _conditions(self, stated: list[FileLimit], moves: int) -> Conditions | None:
        if not self._stated:
            return None
        conditions = conditions_of(stated, moves, self._holds)
        for statement in stated:
            self._holds |= dict.fromkeys(FILE_LIMITS[statement.means][0], statement.value)
        return conditions

    def _layer(self, chunk: Chunk, moves: Moves, height: NDArray[np.float64]) -> NDArray[np.int32]:
        dx, dy, dz, de, _, kind, line, layer, _ = moves
        number_layers(dx, dy, dz, de, kind, height, self._course, layer)
        if self._marked_layers:
            content = bytes(chunk.content)
            return self._layer_marks.layers(content, layer_marks(content, self._dialect), line - self._lines)
        self._printed = printed_length(dx, dy, dz, kind, self._printed)
        if self._first_fall is None and self._course[FALLEN] > 0.0:
            self._first_fall = first_fall(moves)
        if self._assumed is None and self._course[FIRST] > 0.0:
            # What has been handed out before, without print, was not told that there are no layers.
            self._assumed = self.layering if self.moves == 0 else self.layering._replace(falls=False)
        return settle_layers(layer, self._taken)

    def _labels(self, chunk: Chunk, line: NDArray[np.int32]) -> Labels:
        content = bytes(chunk.content)
        marks = label_marks(content, self._dialect, self._label_key)
        of_move = self._label_marks.labels(content, marks, line - self._lines)
        return Labels(of_move, tuple(self._label_marks.numbers), bool(self._dialect.labels), None)

    def facts(self, name: str) -> JobFacts:
        """What the job is, once all of it has been read."""
        low, high = (*map(float, self._low),), (*map(float, self._high),)
        return JobFacts(
            name,
            self.moves,
            self.layers,
            (low, high) if np.isfinite(self._low).all() else None,  # type: ignore[arg-type]
            float(self._course[MOST_FED]),
            self.notices,
            self._statements.limits,
            self._statements.by_line,
            self._label_names if self._labelled else None,
        )

    @property
    def _label_names(self) -> LabelNames:
        key = text_from(self._label_key) if self._label_key else None
        return LabelNames(tuple(self._label_marks.numbers)[1:], bool(self._dialect.labels), key)
