"""Job files to jobs that are kept: their portions, joined."""

from __future__ import annotations

import math
import os
import sys
from contextlib import nullcontext

import numpy as np

from kinematics.errors import InputError
from kinematics.gcode.chunks import CHUNK, LARGEST_IN_MEMORY, JobFile, is_stream, stream_blocks
from kinematics.gcode.dialects import EXTRUSION, Dialect, dialect_named
from kinematics.gcode.findings import nothing_moves
from kinematics.gcode.job import Job
from kinematics.gcode.layers import NOT_SETTLED
from kinematics.gcode.moves import Events
from kinematics.gcode.portions import Columns, Portions, Wanted
from kinematics.gcode.state import ReaderOptions

NOTHING_GIVEN = (math.nan, math.nan)


def read_gcode(
    source: str | os.PathLike[str] | bytes,
    dialect: str | Dialect = EXTRUSION,
    *,
    name: str | None = None,
    home: tuple[float, float, float] = (0.0, 0.0, 0.0),
    arc_tolerance: float = 0.01,
    retraction: tuple[float, float] = NOTHING_GIVEN,
    filament_area: float = math.nan,
    block_delete: bool = False,
    chunk: int = CHUNK,
) -> Job:
    """Read a job file into a flat tool path.

    `source` a path, `-` for standard input, or the bytes themselves; gzip is recognised by its first bytes. `dialect` a
    built-in name or a Dialect; `home` where homing puts the axes (mm); `arc_tolerance` how far chords may stray from
    their arc (mm); `retraction` length and speed of the controller's own retraction (mm, mm/s; NaN where not given);
    `filament_area` (mm²) where the dialect's E is a volume; `block_delete` skips lines that begin with `/`; `chunk` how
    much is read at a time (bytes; the result is the same). Raises InputError (file:line, found, allowed) where the file
    cannot be used.
    """
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    options = ReaderOptions(home, arc_tolerance, *retraction, filament_area, block_delete)
    return read_job(job_file(source, name), dialect, options, chunk)


def job_file(source: str | os.PathLike[str] | bytes | memoryview, name: str | None = None) -> JobFile:
    """A job file that may be read again; what comes from standard input (`-`) or a pipe is kept in memory."""
    if isinstance(source, bytes | memoryview) or not is_stream(source):
        return JobFile(source, name)
    shown = name or os.fspath(source)
    try:
        with nullcontext(sys.stdin.buffer) if os.fspath(source) == "-" else open(source, "rb") as stream:
            return JobFile(b"".join(stream_blocks(stream, shown, LARGEST_IN_MEMORY)), shown)
    except OSError as error:
        raise InputError.at(shown, f"cannot be read: {error.strerror}") from None


def read_job(
    file: JobFile, dialect: Dialect, options: ReaderOptions, chunk: int = CHUNK, most_moves: int | None = None
) -> Job:
    """Read a job file into a flat tool path that is kept, bytes and all. Raises InputError as `read_gcode`, and
    TooManyMovesError as soon as there are more than `most_moves`.

    Layers are those of the dialect's marks, if one is found, else the path's own.
    """
    for marked in (True, False) if dialect.layers else (False,):
        columns = Columns(file.size, most_moves)
        wanted = Wanted(marked_layers=marked, layering=NOT_SETTLED)
        portions = Portions(file, dialect, options, wanted, chunk, columns)
        read = [(one.chunk, one.events, one.stated, portions.moves - one.moves.kind.size) for one in portions.read()]
        if portions.layers > 0:
            break
    if portions.moves == 0:
        raise nothing_moves(file.name, portions.notices)
    moves = portions.settled(columns.moves())
    events = [own._replace(move=own.move + first) for _, own, _, first in read]
    return Job(
        name=file.name,
        moves=moves,
        events=Events(*map(np.concatenate, zip(*events, strict=True))),
        layers=portions.layers,
        extent=portions.extent,
        filament=portions.filament,
        lines=portions.lines,
        dialect=dialect,
        stated=tuple(row._replace(move=row.move + first) for _, _, own, first in read for row in own),
        notices=portions.notices,
        chunks=tuple(one for one, *_ in read),
        home=options.home,
        has_layers=not portions.layering.falls,
    )
