"""Text commands of the user's controller: lines that are no G-code words, met by the dialect's patterns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.dialects import FILE_LIMITS, UNITS, Dialect, TextCommand
from kinematics.gcode.patterns import compiled_pattern, text_from

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
