"""What the compiled reader brought, put together to a job: text commands, stated limits, layers, notices."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import by_weight
from kinematics.gcode import state as at
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.file_limits import FileLimit, limits_in_events
from kinematics.gcode.findings import notice_of, notices_of
from kinematics.gcode.job import Job
from kinematics.gcode.labels import layer_marks_of
from kinematics.gcode.layers import (
    FALLEN,
    MOST_FED,
    NOT_SETTLED,
    Layering,
    first_fall,
    layer_count,
    layering_of,
    no_layers,
    printed_length,
    settle_layers,
)
from kinematics.gcode.moves import DWELL, LIMIT, PAUSE, TEXT, Events, Moves
from kinematics.gcode.stretches import Notes
from kinematics.gcode.whole import WholeRead

Added = tuple[int, int, float, int, int]  # an event as in `Events`: move, kind, value, tool, line


class Texts(NamedTuple):
    """What text commands add to the events, the limits that they state, and the speed override after the last one."""

    events: list[Added]
    stated: list[FileLimit]
    override: float


def events_from(table: NDArray[np.float64]) -> Events:
    """Events from the reader's buffer (float64[m, 5])."""
    return Events(
        table[:, at.EVENT_MOVE].astype(np.int64),
        table[:, at.EVENT_KIND].astype(np.int8),
        table[:, at.EVENT_VALUE].copy(),
        table[:, at.EVENT_TOOL].astype(np.int32),
        table[:, at.EVENT_LINE].astype(np.int32),
    )


def take_texts(
    events: Events,
    content: bytes,
    dialect: Dialect,
    speed: NDArray[np.float64],
    notes: Notes,
    override: float = 1.0,
) -> Texts:
    """Let the dialect's patterns meet the lines that are no G-code; overrides act on `speed`, `notes` keep the rest.

    `override` is the one in force before the first line.
    """
    from kinematics.gcode.text_commands import match_texts

    at_text = np.flatnonzero(events.kind == TEXT)
    offsets = events.value[at_text].astype(np.int64)
    rows = match_texts(content, offsets, events.line[at_text], events.move[at_text], dialect)
    told = events.tool[at_text]
    for note in {at.NOTE_TEXT, *told.tolist()}:
        left = at_text[rows.unmatched & (told == note)]
        notes.pop(note, None)
        if left.size:
            notes[note] = (left.size, int(events.line[left[0]]), int(events.value[left[0]]))
    begins = [0, *rows.overrides.move]
    factors = [override, *rows.overrides.value]
    for move, stop, factor in zip(begins, [*begins[1:], speed.size], factors, strict=True):
        speed[move:stop] *= factor
    added = [(int(m), DWELL, float(v), 0, int(line)) for m, v, line in zip(*rows.dwells, strict=True)]
    added += [(int(m), PAUSE, 0.0, 0, int(line)) for m, line in zip(*rows.pauses, strict=True)]
    limits = rows.limits
    stated = [
        FileLimit(int(m), means, float(v), int(line))
        for m, means, v, line in zip(limits.move, limits.means, limits.value, limits.line, strict=True)
    ]
    return Texts(added, stated, float(factors[-1]))


def with_added(events: Events, added: list[Added]) -> Events:
    """Events with those of text commands among them, in file order; texts and limits, which are taken, left out."""
    keep = (events.kind != TEXT) & (events.kind != LIMIT)
    move, kind, value, tool, line = (list(column[keep]) for column in events)
    for row in added:
        for column, entry in zip((move, kind, value, tool, line), row, strict=True):
            column.append(entry)
    order = np.argsort(np.array(line, np.int64), kind="stable")
    return Events(
        np.array(move, np.int64)[order],
        np.array(kind, np.int8)[order],
        np.array(value, np.float64)[order],
        np.array(tool, np.int32)[order],
        np.array(line, np.int32)[order],
    )


def _with_layers(
    moves: Moves, course: NDArray[np.float64], content: memoryview, dialect: Dialect
) -> tuple[Moves, Layering, int]:
    """Moves in the layers that the dialect's marks tell, else in those of the path; and how many there are."""
    if dialect.layers:
        marks = layer_marks_of(bytes(content), moves.line, dialect)
        if marks.layers:
            return moves._replace(layer=marks.of_move.astype(np.int32)), NOT_SETTLED, marks.layers
    printed = printed_length(moves.dx, moves.dy, moves.dz, moves.kind, 0.0) if course[FALLEN] > 0.0 else 0.0
    layering = layering_of(course, printed)
    return moves._replace(layer=settle_layers(moves.layer, layering)), layering, layer_count(course, layering)


def job_from(read: WholeRead, content: memoryview, name: str, dialect: Dialect) -> Job:
    """A job from what was read; `content` are the bytes of the file."""
    moves = read.moves
    events = events_from(read.events)
    stated, unused = limits_in_events(events, dialect)
    added: list[Added] = []
    if dialect.texts:
        texts = take_texts(events, bytes(content), dialect, moves.speed, read.notes)
        added = texts.events
        stated = sorted([*stated, *texts.stated], key=lambda row: row.line)
        moves.stop[[move for move, *_ in added if move < moves.kind.size]] = 1
    moves, layering, layers = _with_layers(moves, read.course, content, dialect)
    low, high = read.real[at.LOW_X : at.LOW_Z + 1], read.real[at.HIGH_X : at.HIGH_Z + 1]
    notices = [*notices_of(read.notes, content), *map(notice_of, unused)]
    if layering.falls:
        notices.append(no_layers(first_fall(moves)))
    return Job(
        name=name,
        moves=moves,
        events=with_added(events, added) if added or stated or unused or dialect.texts else events,
        layers=layers,
        has_layers=not layering.falls,
        extent=((*map(float, low),), (*map(float, high),)) if np.isfinite(low).all() else None,  # type: ignore[arg-type]
        filament=float(read.course[MOST_FED]),
        lines=int(read.whole[at.LINE_NUMBER]),
        size=len(content),
        dialect=dialect,
        stated=tuple(stated),
        notices=by_weight(notices),
        content=content,
        home=(*map(float, read.real[at.HOME_X : at.HOME_Z + 1]),),  # type: ignore[arg-type]
    )
