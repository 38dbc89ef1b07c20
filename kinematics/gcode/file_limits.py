"""Limits that a job file states: rows in file order, and what holds for each move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.dialects import CODES, FILE_LIMITS, UNITS, Dialect
from kinematics.gcode.moves import LIMIT, Events

NOTHING_BEFORE: Mapping[str, float] = MappingProxyType({})
MAY_BE_ZERO = ("pressure advance",)


class FileLimit(NamedTuple):
    """One statement: index of the first move after it, meaning (key of FILE_LIMITS), value in its unit, line from 1."""

    move: int
    means: str
    value: float
    line: int


class Conditions(NamedTuple):
    """`of_move` int32[n] the row of `table` that holds for a move; a row maps dotted keys of the machine to values."""

    of_move: NDArray[np.int32]
    table: tuple[Mapping[str, float], ...]


class Unused(NamedTuple):
    """A word of a limit command that the dialect's table does not have, or a value that no limit can take."""

    word: str
    line: int
    times: int


def limits_in_events(events: Events, dialect: Dialect) -> tuple[list[FileLimit], list[Unused]]:
    """The limits that G and M words state, and the words that state none."""
    rows = {
        (round(10 * float(row.word[1:])) + (0 if row.word[0] == "G" else CODES), ord(row.letter) - ord("A")): row
        for row in dialect.limits
    }
    found: list[FileLimit] = []
    unused: dict[str, Unused] = {}
    for i in np.flatnonzero(events.kind == LIMIT):
        code, letter = divmod(int(events.tool[i]), 32)
        line, value = int(events.line[i]), float(events.value[i])
        row = rows.get((code, letter))
        if row is not None:
            value *= UNITS[FILE_LIMITS[row.means][1]][row.unit]
            if value > 0.0 or (value == 0.0 and row.means in MAY_BE_ZERO):
                found.append(FileLimit(int(events.move[i]), row.means, value, line))
                continue
        word = f"{'G' if code < CODES else 'M'}{code % CODES / 10:g} {chr(ord('A') + letter)}"
        seen = unused.get(word)
        unused[word] = Unused(word, line, 1) if seen is None else seen._replace(times=seen.times + 1)
    # Of one command the more particular letter wins, in whatever order they stand.
    found.sort(key=lambda row: (row.line, row.move, -len(FILE_LIMITS[row.means][0])))
    return found, list(unused.values())


def conditions_of(stated: Sequence[FileLimit], moves: int, before: Mapping[str, float] = NOTHING_BEFORE) -> Conditions:
    """What holds for each of `moves` moves: equal sets of stated limits share a row; row 0 is what held `before`."""
    of_move = np.zeros(moves, np.int32)
    now = dict(before)
    rows: dict[tuple[tuple[str, float], ...], int] = {tuple(sorted(now.items())): 0}
    number = 0
    begin = 0
    for statement in stated:
        if statement.move > begin:
            of_move[begin : statement.move] = number
            begin = statement.move
        for key in FILE_LIMITS[statement.means][0]:
            now[key] = statement.value
        number = rows.setdefault(tuple(sorted(now.items())), len(rows))
    of_move[begin:] = number
    return Conditions(of_move, tuple(dict(row) for row in rows))
