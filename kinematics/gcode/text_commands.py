"""Text commands of the user's controller: lines that are no G-code words, met by the dialect's patterns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import state as codes
from kinematics.gcode.dialects import FILE_LIMITS, UNITS_OF, Dialect, TextCommand, compiled_pattern, text_from
from kinematics.gcode.file_limits import FileLimit
from kinematics.gcode.findings import Notes, end_of_line
from kinematics.gcode.moves import DWELL, LIMIT, PAUSE, TEXT_LINE, Events

Action = tuple[str, float]  # what a line means, and the value in its unit
STOPS = (("dwell", DWELL), ("pause", PAUSE))
_BRACKETS = re.compile(r"\([^)]*\)?")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def match_texts(
    content: bytes | memoryview,
    offsets: NDArray[np.int64],
    lines: NDArray[np.int32],
    moves: NDArray[np.int64],
    dialect: Dialect,
) -> tuple[list[FileLimit], NDArray[np.bool_]]:
    """What text lines tell by the dialect's text commands, in file order, and which of them no pattern fits.

    A row is a stated limit, or an override (a factor), a dwell (s) or a pause told likewise. A line is unmatched as
    well where its value cannot be used: no number, 0 or less (a pressure advance and a dwell may be 0).

    `offsets` int64[m] byte offset of each line; `lines` its number (from 1); `moves` index of the first move after it.
    A pattern has to fit the whole line without its comment and without blanks around it, upper and lower case alike;
    comments in ( ) stay for the pattern to fit, or fall off where none fits with them. Every pattern that fits acts, in
    the order of the dialect, so that one line may state several limits; one value that cannot be used spoils its line.
    """
    patterns = [(row, compiled_pattern(row.pattern)) for row in dialect.texts]
    known: dict[bytes, list[Action]] = {}
    told: list[FileLimit] = []
    unmatched = np.zeros(offsets.size, np.bool_)
    for i, (offset, line, move) in enumerate(zip(offsets.tolist(), lines.tolist(), moves.tolist(), strict=True)):
        raw = bytes(content[offset : end_of_line(content, offset, len(content))])
        if raw not in known:
            known[raw] = _actions_of(text_from(raw), patterns, dialect.semicolon_comments)
        unmatched[i] = not known[raw]
        told += [FileLimit(move, means, value, line) for means, value in known[raw] if means != "ignore"]
    return told, unmatched


def _actions_of(
    line: str, patterns: Sequence[tuple[TextCommand, re.Pattern[str]]], semicolon_comments: bool
) -> list[Action]:
    """What a line does; empty where no pattern fits it or a value cannot be used."""
    if semicolon_comments:
        line = line.partition(";")[0]
    for text in dict.fromkeys((line.strip(), _BRACKETS.sub("", line).strip())):
        fitting = [(row, match) for row, pattern in patterns if (match := pattern.fullmatch(text))]
        if fitting:
            acting = [(row.means, value) for row, match in fitting if (value := _value_of(row, match)) is not None]
            return acting if len(acting) == len(fitting) else []
    return []


def _value_of(row: TextCommand, match: re.Match[str]) -> float | None:
    """The value that a line states, in the unit of its meaning; None where it cannot be used, 0 where none is asked."""
    if not UNITS_OF[row.means]:
        return 0.0
    written = (match["value"] or "").strip()
    if not _NUMBER.fullmatch(written):
        return None
    value = float(written) * UNITS_OF[row.means][row.unit]
    usable = value >= 0.0 if row.means in ("dwell", "pressure advance") else value > 0.0
    return value if usable and value < float("inf") else None


Added = tuple[int, int, float, int, int]  # an event as in `Events`: move, kind, value, tool, line


def events_from(table: NDArray[np.float64]) -> Events:
    """Events from the reader's buffer (float64[m, 5])."""
    return Events(
        table[:, codes.EVENT_MOVE].astype(np.int64),
        table[:, codes.EVENT_KIND].astype(np.int8),
        table[:, codes.EVENT_VALUE].copy(),
        table[:, codes.EVENT_TOOL].astype(np.int32),
        table[:, codes.EVENT_LINE].astype(np.int32),
    )


def take_texts(
    events: Events,
    content: memoryview,
    dialect: Dialect,
    speed: NDArray[np.float64],
    notes: Notes,
    override: float = 1.0,
) -> tuple[list[Added], list[FileLimit], float]:
    """Let the dialect's patterns meet the lines that are no G-code; overrides act on `speed`, `notes` keep the rest.

    `override` is the one in force before the first line. Returns what they add to the events, the limits that they
    state, and the override after the last one.
    """
    at_text = np.flatnonzero(events.kind == TEXT_LINE)
    offsets = events.value[at_text].astype(np.int64)
    told, unmatched = match_texts(content, offsets, events.line[at_text], events.move[at_text], dialect)
    noted = events.tool[at_text]
    for note in {codes.NOTE_TEXT, *noted.tolist()}:
        left = at_text[unmatched & (noted == note)]
        notes.pop(note, None)
        if left.size:
            notes[note] = (left.size, int(events.line[left[0]]), int(events.value[left[0]]))
    overrides = [row for row in told if row.means == "override"]
    begins = [0, *(row.move for row in overrides)]
    factors = [override, *(row.value for row in overrides)]
    for move, stop, factor in zip(begins, [*begins[1:], speed.size], factors, strict=True):
        speed[move:stop] *= factor
    stops = ((row, kind) for means, kind in STOPS for row in told if row.means == means)
    added = [(row.move, kind, row.value, 0, row.line) for row, kind in stops]
    return added, [row for row in told if row.means in FILE_LIMITS], factors[-1]


def with_added(events: Events, added: list[Added]) -> Events:
    """Events with those of text commands among them, in file order; texts and limits, which are taken, left out."""
    keep = (events.kind != TEXT_LINE) & (events.kind != LIMIT)
    more = [*zip(*added, strict=True)] or [()] * len(Events._fields)
    columns: tuple[NDArray[Any], ...] = events
    both = zip(columns, more, strict=True)
    joined = [np.concatenate([column[keep], np.array(entries, column.dtype)]) for column, entries in both]
    order = np.argsort(joined[-1], kind="stable")
    return Events(*(column[order] for column in joined))
