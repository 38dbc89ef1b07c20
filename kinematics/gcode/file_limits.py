"""Limits that a job file states: rows in file order, and what holds for each move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.dialects import CODES, FILE_LIMITS, UNITS_OF, Dialect, LimitWord, place_of
from kinematics.gcode.moves import FIRST_OF_COMMAND, LIMIT, Events

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
    """A word for limits with letters that the dialect's table does not have, or with values that no limit can take.

    `times` counts lines, `line` is the first.
    """

    word: str
    letters: str
    line: int
    times: int

    def joined(self, later: Unused) -> Unused:
        """This and what later lines have of the same word."""
        letters = "".join(sorted({*self.letters, *later.letters}))
        return self._replace(letters=letters, times=self.times + later.times)


def limits_in_events(events: Events, dialect: Dialect, unused: dict[str, Unused]) -> list[FileLimit]:
    """The limits that G and M words state; `unused` takes up the words that state none."""
    rows: dict[tuple[int, int], list[LimitWord]] = {}
    for row in dialect.limits:
        of_m, code = place_of(row.word)
        rows.setdefault((code + of_m * CODES, ord(row.letter) - ord("A")), []).append(row)
    found: list[FileLimit] = []
    last: dict[str, int] = {}  # the last line counted of each unused word
    at_limit = np.flatnonzero(events.kind == LIMIT)
    first, told = np.divmod(events.tool[at_limit], FIRST_OF_COMMAND)
    codes, slots = np.divmod(told, 32)
    begins = [*np.flatnonzero(first).tolist(), at_limit.size]
    for begin, end in pairwise(begins):
        code = int(codes[begin])
        letters = "".join(chr(ord("A") + slot) for slot in slots[begin:end])
        for i, letter in zip(at_limit[begin:end], letters, strict=True):
            line, value = int(events.line[i]), float(events.value[i])
            stating = [one for one in rows.get((code, ord(letter) - ord("A")), ()) if one.fits(letters)]
            if stating:
                means, unit = stating[0].means, stating[0].unit
                value *= UNITS_OF[means][unit]
                if value > 0.0 or (value == 0.0 and means in MAY_BE_ZERO):
                    found.append(FileLimit(int(events.move[i]), means, value, line))
                    continue
            word = f"{'G' if code < CODES else 'M'}{code % CODES / 10:g}"
            one = Unused(word, letter, line, 0 if last.get(word) == line else 1)
            unused[word] = unused[word].joined(one) if word in unused else one
            last[word] = line
    # Of one command the more particular letter wins, in whatever order they stand.
    found.sort(key=lambda row: (row.line, row.move, -len(FILE_LIMITS[row.means][0])))
    return found


def conditions_of(stated: Sequence[FileLimit], moves: int, holds: dict[str, float]) -> Conditions:
    """What holds for each of `moves` moves: equal sets of stated limits share a row; row 0 is what `holds` before them,
    which becomes what holds behind them.
    """
    of_move = np.zeros(moves, np.int32)
    rows: dict[tuple[tuple[str, float], ...], int] = {tuple(sorted(holds.items())): 0}
    number = 0
    begin = 0
    for statement in stated:
        if statement.move > begin:
            of_move[begin : statement.move] = number
            begin = statement.move
        holds |= dict.fromkeys(FILE_LIMITS[statement.means][0], statement.value)
        number = rows.setdefault(tuple(sorted(holds.items())), len(rows))
    of_move[begin:] = number
    return Conditions(of_move, tuple(dict(row) for row in rows))
