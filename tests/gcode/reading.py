"""Reading a few lines in a test, and what came of them as plain rows."""

from __future__ import annotations

import math

from kinematics.errors import InputError
from kinematics.gcode.job import Job
from kinematics.gcode.moves import EVENT_NAMES, KIND_NAMES
from kinematics.gcode.reader import read_gcode

Place = tuple[float, float, float]


def read(text: str | bytes, dialect: str = "extrusion", home: Place = (0.0, 0.0, 0.0)) -> Job:
    """The job of a text."""
    return read_gcode(text.encode() if isinstance(text, str) else text, dialect, home=home)


def steps(job: Job) -> list[tuple[float, float, float, float]]:
    """Displacement and filament of every move, without the last digits of binary fractions."""
    m = job.moves
    rows = zip(m.dx.tolist(), m.dy.tolist(), m.dz.tolist(), m.de.tolist(), strict=True)
    return [(round(x, 9) + 0.0, round(y, 9) + 0.0, round(z, 9) + 0.0, round(e, 9) + 0.0) for x, y, z, e in rows]


def ends(job: Job) -> list[Place]:
    """Where every move ends, from the first one's start at 0, 0, 0; right only where nothing was homed."""
    x = y = z = 0.0
    places = []
    for dx, dy, dz, _ in steps(job):
        x, y, z = x + dx, y + dy, z + dz
        places.append((round(x, 6) + 0.0, round(y, 6) + 0.0, round(z, 6) + 0.0))
    return places


def kinds(job: Job) -> list[str]:
    """The kind of every move."""
    return [KIND_NAMES[kind] for kind in job.moves.kind]


def events(job: Job) -> list[tuple[str, float | None, int]]:
    """Every event: name, value (None where the line told none), line."""
    e = job.events
    return [
        (EVENT_NAMES[kind], None if math.isnan(value) else value, line)
        for kind, value, line in zip(e.kind.tolist(), e.value.tolist(), e.line.tolist(), strict=True)
    ]


def doubts(job: Job) -> list[tuple[int | None, int]]:
    """First line and count of every notice."""
    return [(notice.line, notice.count) for notice in job.notices]


def outcome(text: bytes, dialect: str) -> str:
    """How the reading of a text ends, as one line: moves, events and doubts, or the error."""
    try:
        job = read_gcode(text, dialect)
    except InputError as error:
        return f"refused: {error}"
    return f"{len(job)} moves, {job.events.kind.size} events, {[(n.line, n.count, n.text) for n in job.notices]}"
