"""What a job is, whatever machine prints it: its size, and what it states."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from kinematics.errors import Notice
from kinematics.gcode.dialects import FILE_LIMITS
from kinematics.gcode.file_limits import FileLimit
from kinematics.gcode.labels import LabelNames

if TYPE_CHECKING:
    from kinematics.gcode.job import Job

Extent = tuple[tuple[float, float, float], tuple[float, float, float]]


class StatedLimit(NamedTuple):
    """A limit that a job states: dotted key, last value, line of that, and how often it is stated."""

    key: str
    value: float
    line: int
    times: int


class JobFacts(NamedTuple):
    """What a job is; fields as in `Job`.

    `stated` the limits that it states, in the order of their first statements; `statements` how many lines state each
    set of dotted keys; `labels` those of a job that was read in blocks and asked for them.
    """

    name: str
    moves: int
    layers: int
    extent: Extent | None
    filament: float
    notices: tuple[Notice, ...]
    stated: tuple[StatedLimit, ...]
    statements: Mapping[frozenset[str], int]
    labels: LabelNames | None = None

    def silenced_by(self, varied: frozenset[str]) -> int:
        """How many lines of the job state a limit that a study varies."""
        return sum(lines for keys, lines in self.statements.items() if not varied.isdisjoint(keys))


class Statements:
    """The limits that a job states, counted; its rows may come in several portions of whole lines."""

    def __init__(self) -> None:
        self._limits: dict[str, StatedLimit] = {}
        self.by_line: Counter[frozenset[str]] = Counter()

    def add(self, rows: Iterable[FileLimit]) -> None:
        """Count further rows, in file order."""
        keys_of_line: dict[int, frozenset[str]] = {}
        for row in rows:
            keys = FILE_LIMITS[row.means][0]
            keys_of_line[row.line] = keys_of_line.get(row.line, frozenset()).union(keys)
            for key in keys:
                seen = self._limits.get(key)
                self._limits[key] = StatedLimit(key, row.value, row.line, 1 if seen is None else seen.times + 1)
        self.by_line.update(keys_of_line.values())

    @property
    def limits(self) -> tuple[StatedLimit, ...]:
        """Every limit with its last value, in the order of the first statements."""
        return tuple(self._limits.values())


def facts_of(job: Job) -> JobFacts:
    """The facts of a job that has been read whole."""
    statements = Statements()
    statements.add(job.stated)
    return JobFacts(
        job.name,
        len(job),
        job.layers,
        job.extent,
        job.filament,
        job.notices,
        statements.limits,
        statements.by_line,
    )
