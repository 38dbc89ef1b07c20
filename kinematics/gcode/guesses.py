"""A stretch of a file that is read before anybody knows the state in which it begins.

Modes are guessed, places are unknown. In file order each guess is then held against the truth: where only places and
the feed were unknown, the few numbers that hang on them are filled in; anything else, and the stretch is read again.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import state as at
from kinematics.gcode.motion import NOTHING
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.gcode.stretches import Read

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

NOWHERE = -float(1 << 20)  # mm
X_BIT, E_BIT = 1 << 23, 1 << 4
AXES = 7 * X_BIT
GUESSED_REALS = (at.SHIFT_X, at.SHIFT_Y, at.SHIFT_Z, at.SCALE, at.FEED_SHARE, at.FLOW_SHARE, at.FILAMENT_SCALE)
GUESSED = (
    at.MOTION,
    at.PLANE,
    at.IS_RELATIVE,
    at.IS_E_RELATIVE,
    at.TOOL_IN_USE,
    at.ENDED,
    at.FEED_MODE,
    at.RETRACTED,
)


def guess_after(real: Real, whole: Whole) -> tuple[Real, Whole]:
    """The state in which a later stretch probably begins: the modes of an earlier one, and no place known.

    Unknown axes stand where no machine goes, so that no first move vanishes by chance; E so low that the first E word
    feeds filament, as it nearly always does.
    """
    real, whole = real.copy(), whole.copy()
    real[at.PLACE_X : at.PLACE_Z + 1] = NOWHERE
    real[at.E_READING] = NOWHERE
    real[at.FEED] = 1.0
    real[at.LOW_X : at.LOW_Z + 1] = math.inf
    real[at.HIGH_X : at.HIGH_Z + 1] = -math.inf
    whole[at.LINE_NUMBER] = whole[at.STOP_PENDING] = whole[at.INEXACT] = whole[at.PRINTED_UNSET] = 0
    whole[at.FIRST_FEED] = whole[at.LAST_KIND] = -1
    whole[at.FIRST_X : at.FIRST_E + 1] = -1
    whole[at.IS_GUESS] = 1
    summing = whole[at.IS_RELATIVE] or whole[at.IS_E_RELATIVE]
    whole[at.E_DIRTY] = int(bool(summing))
    whole[at.UNSET] = AXES if summing else AXES | E_BIT
    return real, whole


def _same_modes(guess: tuple[Real, Whole], real: Real, whole: Whole) -> bool:
    """Whether a stretch was read in the modes that really held."""
    if any(guess[1][k] != whole[k] for k in GUESSED):
        return False
    return all(guess[0][k] == real[k] for k in GUESSED_REALS)


def mended(read: Read, guess: tuple[Real, Whole], real: Real, whole: Whole) -> bool:
    """Fill in what hung on the unknown state, in place; False where that cannot be done exactly.

    `real`, `whole` are the state in which the stretch really begins. The first command with an axis came from nowhere;
    every later number is right already.
    """
    after, state = read.real, read.whole
    if not _same_modes(guess, real, whole) or math.isnan(real[at.FEED]) or whole[at.FEED_MODE] != at.PER_MINUTE:
        return False
    if state[at.INEXACT] or state[at.STATUS] != at.STATUS_DONE:
        return False
    path, n = read.path, read.kind.size
    touched = set()
    for k, row in enumerate((at.DX, at.DY, at.DZ)):
        i = int(state[at.FIRST_X + k])
        if i >= 0:
            path[row, i] = after[at.TARGET_X + k] - real[at.PLACE_X + k]
            touched.add(i)
        if state[at.UNSET] & (X_BIT << k):
            after[at.PLACE_X + k] = real[at.PLACE_X + k]
        if state[at.PRINTED_UNSET] & (X_BIT << k):
            after[at.LOW_X + k] = min(after[at.LOW_X + k], real[at.PLACE_X + k])
            after[at.HIGH_X + k] = max(after[at.HIGH_X + k], real[at.PLACE_X + k])
    heights = read.height
    heights[heights == NOWHERE] = real[at.PLACE_Z]
    i = int(state[at.FIRST_E])
    if i >= 0:
        if whole[at.E_DIRTY]:
            return False
        path[at.DE, i] = (after[at.TARGET_E] - real[at.E_READING]) * guess[0][at.FLOW_SHARE]
        touched.add(i)
    if state[at.UNSET] & E_BIT and not state[at.E_DIRTY]:
        after[at.E_READING] = real[at.E_READING]
        state[at.E_DIRTY] = whole[at.E_DIRTY]
    if state[at.FIRST_FEED] < 0:
        after[at.FEED] = real[at.FEED]
    first = int(state[at.FIRST_FEED])
    path[at.SPEED, : n if first < 0 else first] = real[at.FEED] / 60.0 * real[at.FEED_SHARE]
    return all(_kind_stands(path[:, i], int(read.kind[i])) for i in touched)


def _kind_stands(move: Real, kind: int) -> bool:
    """Whether a move whose numbers were filled in is still of the kind that it was taken for."""
    length = math.sqrt(move[at.DX] ** 2 + move[at.DY] ** 2 + move[at.DZ] ** 2)
    if length < NOTHING:
        return kind == FILAMENT and abs(move[at.DE]) >= NOTHING and length == 0.0
    return kind == (PRINT if move[at.DE] > 0.0 else TRAVEL)


def begin_from(real: Real, whole: Whole) -> tuple[Real, Whole]:
    """A copy of a true state from which a stretch can be read; its extent is taken anew."""
    real, whole = real.copy(), whole.copy()
    real[at.LOW_X : at.LOW_Z + 1] = math.inf
    real[at.HIGH_X : at.HIGH_Z + 1] = -math.inf
    whole[at.UNSET] = whole[at.INEXACT] = 0
    whole[at.IS_GUESS] = whole[at.E_DIRTY]  # a doubtful reading of E must be noticed once it is used
    if whole[at.E_DIRTY] and not (whole[at.IS_RELATIVE] or whole[at.IS_E_RELATIVE]):
        whole[at.UNSET] = E_BIT
    return real, whole


class OrderError(Exception):
    """The file hangs on a sum that only reading from its start gives exactly."""
