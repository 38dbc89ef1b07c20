"""A job that has been read: its moves, its events, what it states, and what was doubtful in it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.errors import Notice
from kinematics.gcode.chunks import Chunk
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.facts import Extent, JobFacts, facts_of
from kinematics.gcode.file_limits import Conditions, FileLimit, conditions_of
from kinematics.gcode.labels import Labels, labels_of
from kinematics.gcode.moves import EVENT_NAMES, KIND_NAMES, Events, Moves

if TYPE_CHECKING:
    import pandas


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
        return conditions_of(self.stated, len(self))

    @cached_property
    def facts(self) -> JobFacts:
        """What the job is, whatever machine prints it."""
        return facts_of(self)

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
