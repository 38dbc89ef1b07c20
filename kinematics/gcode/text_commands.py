"""Text commands of the user's controller: lines that are no G-code words, met by the dialect's patterns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import state as codes
from kinematics.gcode.dialects import FILE_LIMITS, UNITS, Dialect, TextCommand, compiled_pattern, text_from
from kinematics.gcode.file_limits import FileLimit
from kinematics.gcode.findings import Notes
from kinematics.gcode.moves import DWELL, LIMIT, PAUSE, TEXT, Events

OVERRIDE_UNITS = {"1": 1.0, "%": 0.01}
_LINE = re.compile(rb"[^\r\n]*")
_BRACKETS = re.compile(r"\([^)]*\)?")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


class LimitRows(NamedTuple):
    """Limits that text commands state, arrays of one length in file order.

    `move` index of the first move after it; `means` keys of FILE_LIMITS; `value` in the unit of FILE_LIMITS; `line`
    from 1.
    """

    move: NDArray[np.int64]
    means: tuple[str, ...]
    value: NDArray[np.float64]
    line: NDArray[np.int32]


class ValueRows(NamedTuple):
    """Overrides (a factor) or dwells (s), in file order: `move` the first move after it, `value`, `line` from 1."""

    move: NDArray[np.int64]
    value: NDArray[np.float64]
    line: NDArray[np.int32]


class PauseRows(NamedTuple):
    """Pauses in file order: `move` index of the first move after it, `line` from 1."""

    move: NDArray[np.int64]
    line: NDArray[np.int32]


class TextRows(NamedTuple):
    """What the text lines of a file mean.

    `ignored` lines that are met by nothing but "ignore"; `unmatched` bool[m], True for each text line that no pattern
    fits or whose value cannot be used: no number, 0 or less (a pressure advance and a dwell may be 0).
    """

    limits: LimitRows
    overrides: ValueRows
    dwells: ValueRows
    pauses: PauseRows
    ignored: int
    unmatched: NDArray[np.bool_]


class _Action(NamedTuple):
    means: str
    value: float


def match_texts(
    content: bytes | memoryview,
    offsets: NDArray[np.int64],
    lines: NDArray[np.int32],
    moves: NDArray[np.int64],
    dialect: Dialect,
) -> TextRows:
    """Match text lines with the dialect's text commands.

    `offsets` int64[m] byte offset of each line; `lines` its number (from 1); `moves` index of the first move after it.
    A pattern has to fit the whole line without its comment and without blanks around it, upper and lower case alike;
    comments in ( ) stay for the pattern to fit, or fall off where none fits with them. Every pattern that fits acts, in
    the order of the dialect, so that one line may state several limits; one value that cannot be used spoils its line.
    """
    patterns = [(row, compiled_pattern(row.pattern)) for row in dialect.texts]
    known: dict[bytes, list[_Action]] = {}
    actions: list[tuple[int, _Action]] = []
    ignored = 0
    unmatched = np.zeros(offsets.size, np.bool_)
    for i in range(offsets.size):
        found = _LINE.match(content, int(offsets[i]))
        raw = found[0] if found is not None else b""
        if raw not in known:
            known[raw] = _actions_of(text_from(raw), patterns, dialect.semicolon_comments)
        acting = known[raw]
        unmatched[i] = not acting
        telling = [(i, action) for action in acting if action.means != "ignore"]
        ignored += bool(acting) and not telling
        actions += telling
    limits = [(i, action) for i, action in actions if action.means in FILE_LIMITS]
    places = np.array([i for i, _ in limits], np.int64)
    return TextRows(
        limits=LimitRows(
            moves[places].astype(np.int64),
            tuple(action.means for _, action in limits),
            np.array([action.value for _, action in limits], np.float64),
            lines[places].astype(np.int32),
        ),
        overrides=_value_rows("override", actions, lines, moves),
        dwells=_value_rows("dwell", actions, lines, moves),
        pauses=PauseRows(*_value_rows("pause", actions, lines, moves)[::2]),
        ignored=ignored,
        unmatched=unmatched,
    )


def _value_rows(
    means: str, actions: Sequence[tuple[int, _Action]], lines: NDArray[np.int32], moves: NDArray[np.int64]
) -> ValueRows:
    chosen = [(i, action.value) for i, action in actions if action.means == means]
    places = np.array([i for i, _ in chosen], np.int64)
    values = np.array([value for _, value in chosen], np.float64)
    return ValueRows(moves[places].astype(np.int64), values, lines[places].astype(np.int32))


def _actions_of(
    line: str, patterns: Sequence[tuple[TextCommand, re.Pattern[str]]], semicolon_comments: bool
) -> list[_Action]:
    """What a line does; empty where no pattern fits it or a value cannot be used."""
    if semicolon_comments:
        line = line.partition(";")[0]
    for text in dict.fromkeys((line.strip(), _BRACKETS.sub("", line).strip())):
        fitting = [(row, match) for row, pattern in patterns if (match := pattern.fullmatch(text))]
        if fitting:
            acting = [
                _Action(row.means, value) for row, match in fitting if (value := _value_of(row, match)) is not None
            ]
            return acting if len(acting) == len(fitting) else []
    return []


def _value_of(row: TextCommand, match: re.Match[str]) -> float | None:
    """The value that a line states, in the unit of its meaning; None where it cannot be used, 0 where none is asked."""
    if row.means in ("pause", "ignore"):
        return 0.0
    written = (match["value"] or "").strip()
    if not _NUMBER.fullmatch(written):
        return None
    value = float(written) * _factor(row)
    usable = value >= 0.0 if row.means in ("dwell", "pressure advance") else value > 0.0
    return value if usable and value < float("inf") else None


def _factor(row: TextCommand) -> float:
    if row.means == "override":
        return OVERRIDE_UNITS[row.unit]
    if row.means == "dwell":
        return UNITS["s"][row.unit]
    return UNITS[FILE_LIMITS[row.means][1]][row.unit]


Added = tuple[int, int, float, int, int]  # an event as in `Events`: move, kind, value, tool, line


class Texts(NamedTuple):
    """What text commands add to the events, the limits that they state, and the speed override after the last one."""

    events: list[Added]
    stated: list[FileLimit]
    override: float


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
) -> Texts:
    """Let the dialect's patterns meet the lines that are no G-code; overrides act on `speed`, `notes` keep the rest.

    `override` is the one in force before the first line.
    """
    at_text = np.flatnonzero(events.kind == TEXT)
    offsets = events.value[at_text].astype(np.int64)
    rows = match_texts(content, offsets, events.line[at_text], events.move[at_text], dialect)
    told = events.tool[at_text]
    for note in {codes.NOTE_TEXT, *told.tolist()}:
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
