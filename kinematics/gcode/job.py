"""A job that has been read: its moves, its events, what it states, and what was doubtful in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.errors import Notice
from kinematics.gcode.chunks import Chunk
from kinematics.gcode.dialects import FILE_LIMITS, Dialect
from kinematics.gcode.file_limits import Conditions, FileLimit, conditions_of
from kinematics.gcode.labels import LabelNames, Labels, labels_of
from kinematics.gcode.layers import printed_length
from kinematics.gcode.moves import EVENT_NAMES, FILAMENT, KIND_NAMES, Events, Moves

if TYPE_CHECKING:
    import pandas

Extent = tuple[tuple[float, float, float], tuple[float, float, float]]


class HeldValue(NamedTuple):
    """A value that a job states of a limit: the line where it does so first, and the share of the printed length that
    it held for.
    """

    value: float
    line: int
    share: float


class StatedLimit(NamedTuple):
    """A limit that a job states: dotted key, the value that held for most of the printed length, the line where that
    is stated first, how often the limit is stated, the value's share of the printed length, and the other values, the
    longest held first.

    Of values that held for equally much, and where nothing is printed, the later one counts.
    """

    key: str
    value: float
    line: int
    times: int
    share: float = 1.0
    others: tuple[HeldValue, ...] = ()


class JobFacts(NamedTuple):
    """What a job is; fields as in `Job`.

    `stated` the limits that it states, in the order of their first statements; `statements` how many lines state each
    set of dotted keys; `retractions` how often the extruder alone pulls filament back; `labels` those of a job that was
    read in blocks and asked for them.
    """

    name: str
    moves: int
    layers: int
    extent: Extent | None
    filament: float
    notices: tuple[Notice, ...]
    stated: tuple[StatedLimit, ...]
    statements: Mapping[frozenset[str], int]
    retractions: int = 0
    labels: LabelNames | None = None

    def silenced_by(self, varied: frozenset[str]) -> int:
        """How many lines of the job state a limit that a study varies."""
        return sum(lines for keys, lines in self.statements.items() if not varied.isdisjoint(keys))


class _Values:
    """The values that a job states of one limit: by value the first line, and the printed length that it held for."""

    def __init__(self) -> None:
        self.times = 0
        self.lines: dict[float, int] = {}
        self.held: dict[float, float] = {}
        self._now: float | None = None
        self._since = 0.0

    def state(self, value: float, line: int, printed: float) -> None:
        """Another statement, after `printed` mm of printed path."""
        self.times += 1
        self.lines.setdefault(value, line)
        self.end(printed)
        self.held[value] = self.held.pop(value, 0.0)  # the last stated stands last
        self._now = value

    def end(self, printed: float) -> None:
        """The value in force has held up to `printed` mm of printed path."""
        if self._now is not None:
            self.held[self._now] += printed - self._since
        self._since = printed

    def limit(self, key: str, printed: float) -> StatedLimit:
        """What the job states of the limit, after `printed` mm of printed path in all."""
        self.end(printed)
        # Sums differ in their last digits with the way in which a job is read.
        ranks = {value: (round(held, 6), place) for place, (value, held) in enumerate(self.held.items())}
        longest = sorted(ranks, key=ranks.__getitem__, reverse=True)
        value, *others = (
            HeldValue(one, self.lines[one], self.held[one] / printed if printed > 0.0 else 0.0) for one in longest
        )
        return StatedLimit(key, value.value, value.line, self.times, value.share, tuple(others))


class Statements:
    """The limits that a job states, counted; the job may come in several portions of whole lines."""

    def __init__(self) -> None:
        self._values: dict[str, _Values] = {}
        self.by_line: Counter[frozenset[str]] = Counter()

    def add(self, rows: Sequence[FileLimit], moves: Moves, printed: float) -> None:
        """Count further rows, in file order, and the moves among which they stand; `printed` mm of path before them."""
        keys_of_line: dict[int, frozenset[str]] = {}
        begin = 0
        for row in rows:
            part = slice(begin, row.move)
            printed = printed_length(moves.dx[part], moves.dy[part], moves.dz[part], moves.kind[part], printed)
            begin = row.move
            keys = FILE_LIMITS[row.means][0]
            keys_of_line[row.line] = keys_of_line.get(row.line, frozenset()).union(keys)
            for key in keys:
                self._values.setdefault(key, _Values()).state(row.value, row.line, printed)
        self.by_line.update(keys_of_line.values())

    def limits(self, printed: float) -> tuple[StatedLimit, ...]:
        """Every limit, in the order of first statements, with the value that held for most of `printed` mm of path."""
        return tuple(values.limit(key, printed) for key, values in self._values.items())


def retractions_of(moves: Moves) -> int:
    """How many moves of the extruder alone pull filament back."""
    return int(np.count_nonzero(moves.de[moves.kind == FILAMENT] < 0.0))


@dataclass(frozen=True, repr=False, eq=False)
class Job:
    """A job file as a flat tool path.

    `name` the file; `moves`, `events` as in `kinematics.gcode.moves`; `layers` number of layers; `extent` ((x, y, z),
    (x, y, z)) of what is printed (mm; None where nothing is); `filament` highest sum of filament fed (mm); `lines` of
    the file; `dialect` by which it was read; `stated` the limits that it states, in file order; `notices` what was
    doubtful, the dearest first; `chunks` the file itself; `home` where homing puts the axes (mm); `has_layers` whether
    layers count at all, which they do not where the path rises and falls while it prints.
    """

    name: str
    moves: Moves
    events: Events
    layers: int
    extent: Extent | None
    filament: float
    lines: int
    dialect: Dialect
    stated: tuple[FileLimit, ...]
    notices: tuple[Notice, ...]
    chunks: tuple[Chunk, ...] = ()
    home: tuple[float, float, float] = (0.0, 0.0, 0.0)
    has_layers: bool = True

    def __len__(self) -> int:
        return int(self.moves.kind.size)

    @property
    def content(self) -> bytes:
        """The bytes of the file, unpacked."""
        return b"".join(chunk.content for chunk in self.chunks)

    @cached_property
    def conditions(self) -> Conditions:
        """Which stated limits hold for each move."""
        return conditions_of(self.stated, len(self), {})

    @cached_property
    def facts(self) -> JobFacts:
        """What the job is, whatever machine prints it."""
        statements, moves = Statements(), self.moves
        statements.add(self.stated, moves, 0.0)
        return JobFacts(
            self.name,
            len(self),
            self.layers,
            self.extent,
            self.filament,
            self.notices,
            statements.limits(printed_length(moves.dx, moves.dy, moves.dz, moves.kind, 0.0)),
            statements.by_line,
            retractions_of(moves),
        )

    @cached_property
    def labels(self) -> Labels:
        """The label of each move: told by the dialect's patterns, else found by counting comments `key: value`."""
        return labels_of(self.content, self.moves.line, self.dialect)

    def __repr__(self) -> str:
        kinds = np.bincount(self.moves.kind, minlength=3)
        return (
            f"<Job {self.name}: {len(self):,} moves ({kinds[0]:,} print, {kinds[1]:,} travel, {kinds[2]:,} filament), "
            f"{self.layers:,} layers, {self.filament:,.0f} mm of filament, {len(self.notices)} warnings>"
        )

    def to_frame(self) -> pandas.DataFrame:
        """The moves as a table: line, kind, layer, label, dx_mm, dy_mm, dz_mm, filament_mm, commanded_speed_mm_s."""
        import pandas

        m = self.moves
        columns: dict[str, Any] = {
            "line": m.line,
            "kind": pandas.Categorical.from_codes(m.kind, list(KIND_NAMES)),
            "layer": m.layer,
            "label": pandas.Categorical.from_codes(self.labels.of_move, list(self.labels.names)),
            "dx_mm": m.dx,
            "dy_mm": m.dy,
            "dz_mm": m.dz,
            "filament_mm": m.de,
            "commanded_speed_mm_s": m.speed,
        }
        return pandas.DataFrame(columns)

    def events_frame(self) -> pandas.DataFrame:
        """The events as a table: line, event, value (s, °C or tool number), before_move."""
        import pandas

        e = self.events
        names = [EVENT_NAMES[kind] for kind in e.kind]
        return pandas.DataFrame({"line": e.line, "event": names, "value": e.value, "before_move": e.move})

    def _repr_html_(self) -> str:
        from kinematics.notebook import html_table

        rows = [
            ("moves", f"{len(self):,}"),
            ("layers", f"{self.layers:,}"),
            ("filament", f"{self.filament:,.0f} mm"),
            ("warnings", f"{len(self.notices)}"),
        ]
        return html_table(self.name, ("", ""), rows)
