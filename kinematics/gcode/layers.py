"""Layers found from the path alone: heights of printing moves, and turns of a path that climbs while it prints.

Moves are numbered as they come (`number_layers`), what is printed before the first move at the lowest height by layers
of its own. Only where all of the path is known can it be told that this was a priming line, or that the path has no
layers at all (`Layering`, `settled`). In the same pass filament, retractions and printed path are summed up.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_part
from kinematics.errors import MAY_COST, Notice
from kinematics.gcode.moves import FILAMENT, PRINT, Moves

SAME_HEIGHT = 1.5e-6  # mm; no multiple of what files round to, so that nothing hangs on the last digit of a sum
FULL_TURN = 2.0 * math.pi - 1e-6
HALF_TURN = math.pi + 1e-6  # without a rise, after which a path climbs no more
SMALL_TURN, BACK = 0.1, math.pi - 1e-6  # rad
MOST_FALLING = 1.0 / 20.0  # of the printed length: a path that falls more while it prints has no layers

NUMBER, LEVEL, FLOOR, CLIMBING, WINDING, RISEN_AT, CLIMB_END, LAST_PRINT, LAST_X, LAST_Y = range(10)
FED, MOST_FED, DRAWN, LOWEST_PRINT, FIRST, FALLEN, PRINTED, COURSE_STATE = range(10, 18)


def fresh_course() -> NDArray[np.float64]:
    """The state before the first move.

    Of the layer under way its number and height, and the height of the one below it (mm; −infinity where there is
    none). Of the climb under way whether there is one, how far it has wound since its layer began, and had at its last
    rise (rad), the height at its end (mm), the index and direction of its last move, the index counted from the end of
    the block before. The sum of filament so far and the highest one (mm); how often it was drawn back; the lowest
    height of what was printed (mm), and the layer number of the first move there; how far the path has fallen while it
    printed, and how far it has printed at all (mm of path).
    """
    state = np.zeros(COURSE_STATE)
    state[LEVEL], state[FLOOR], state[LAST_PRINT], state[LOWEST_PRINT] = math.nan, -math.inf, -2.0, math.inf
    return state


@compiled_part
def turn_between(ax: float, ay: float, bx: float, by: float) -> float:
    """Angle from one direction to another (rad, −π to π); 0 where the path doubles back, which turns neither way.

    A spiral turns a little at every move: up to SMALL_TURN a few terms of the arc tangent's series are exact to 1e-14.
    """
    across, along = ax * by - ay * bx, ax * bx + ay * by
    if abs(across) > SMALL_TURN * along:
        turn = math.atan2(across, along)
        return turn if abs(turn) < BACK else 0.0
    t = across / along
    q = t * t
    return t * (1.0 - q * (1.0 / 3.0 - q * (1.0 / 5.0 - q * (1.0 / 7.0 - q * (1.0 / 9.0 - q * (1.0 / 11.0))))))


@compiled
def number_layers(
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    de: NDArray[np.float64],
    kind: NDArray[np.int8],
    height: NDArray[np.float64],
    state: NDArray[np.float64],
    layer: NDArray[np.int32],
) -> None:
    """Write the layer of every move into `layer`, as far as what follows is of no account.

    `state` is that of `fresh_course`, changed in place, so that a job may come in several blocks.

    `dx, dy, dz, de` displacements (mm), `height` the place on z after each move (mm), all of length n. A flat move at a
    height other than that of the layer under way begins one. A move that rises or falls while it prints begins one
    unless it ends within the layer under way: such are the ramps of seams. A path that goes on climbing from there
    begins one with the first rise after each full turn; flat pieces between (steps of z are rounded) belong to the
    climb, until the path has turned by half a turn without a rise. Layer 0 holds what comes before the first printing
    move.
    """
    number = np.int32(state[NUMBER])
    level, floor = state[LEVEL], state[FLOOR]
    climbing = state[CLIMBING] != 0.0
    last_print = int(state[LAST_PRINT])
    fed, most_fed, drawn, printed = state[FED], state[MOST_FED], state[DRAWN], state[PRINTED]
    for i in range(dx.size):
        fed += de[i]
        most_fed = max(most_fed, fed)
        drawn += 1.0 if (kind[i] == FILAMENT) & (de[i] < 0.0) else 0.0
        rise, top = dz[i], height[i]
        length = math.sqrt(dx[i] * dx[i] + dy[i] * dy[i] + rise * rise)
        printed += length if kind[i] == PRINT else 0.0
        flat = abs(rise) <= SAME_HEIGHT
        # Nearly always nothing changes: one question, not three, so that its answer is foreseen.
        if (kind[i] != PRINT) | (flat & (not climbing) & (abs(top - level) <= SAME_HEIGHT)):
            layer[i] = number
            continue
        x, y = dx[i], dy[i]
        begins = False
        if climbing and abs(top - rise - state[CLIMB_END]) <= SAME_HEIGHT:
            if x != 0.0 or y != 0.0:
                if last_print == i - 1 and (state[LAST_X] != 0.0 or state[LAST_Y] != 0.0):
                    state[WINDING] += turn_between(state[LAST_X], state[LAST_Y], x, y)
                state[LAST_X], state[LAST_Y] = x, y
            last_print = i
            if not flat:
                if rise > 0.0 and abs(state[WINDING]) >= FULL_TURN:
                    begins = True
                    state[WINDING] -= math.copysign(2.0 * math.pi, state[WINDING])
                state[RISEN_AT] = state[WINDING]
            elif abs(state[WINDING] - state[RISEN_AT]) > HALF_TURN:
                climbing = False
            state[CLIMB_END] = top
        elif flat:
            begins = not abs(top - level) <= SAME_HEIGHT
            climbing = False
        elif not (floor + SAME_HEIGHT < top <= level + SAME_HEIGHT):
            begins = climbing = True
            state[WINDING] = state[RISEN_AT] = 0.0
            last_print = i
            state[LAST_X], state[LAST_Y] = x, y
            state[CLIMB_END] = top
        if begins:
            number += 1
            floor = level if level < top - SAME_HEIGHT else -math.inf
            level = top
        elif climbing:
            level = max(level, top)
        if top < state[LOWEST_PRINT] - SAME_HEIGHT:
            state[LOWEST_PRINT], state[FIRST] = top, number
        if rise < -SAME_HEIGHT:
            state[FALLEN] += length
        layer[i] = number
    state[NUMBER], state[LEVEL], state[FLOOR], state[CLIMBING] = number, level, floor, climbing
    state[LAST_PRINT] = last_print - dx.size
    state[FED], state[MOST_FED], state[DRAWN], state[PRINTED] = fed, most_fed, drawn, printed


@compiled
def printed_length(
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    kind: NDArray[np.int8],
    before: float,
) -> float:
    """Length of path that moves print (mm), added one by one to what was printed `before`."""
    for i in range(kind.size):
        if kind[i] == PRINT:
            before += math.sqrt(dx[i] * dx[i] + dy[i] * dy[i] + dz[i] * dz[i])
    return before


class Layering(NamedTuple):
    """What numbers of layers hang on that only the whole path tells.

    `first` the number that `number_layers` gives the first move at the lowest printed height (0 where nothing is
    printed); `falls` whether so much falls while it prints that the path has no layers.
    """

    first: int
    falls: bool


NOT_SETTLED = Layering(1, False)


def layering_of(course: NDArray[np.float64]) -> Layering:
    """The layering of a path from its course."""
    return Layering(int(course[FIRST]), bool(course[FALLEN] > MOST_FALLING * course[PRINTED]))


def settle_layers(layer: NDArray[np.int32], layering: Layering) -> NDArray[np.int32]:
    """The layers of moves that `number_layers` has numbered.

    What is printed before the first move at the lowest height belongs to layer 1; without layers every move is in 0.
    """
    if layering.falls:
        return np.zeros(layer.size, np.int32)
    if layering.first <= 1:
        return layer
    return np.where(layer > 0, np.maximum(layer - np.int32(layering.first - 1), 1), 0).astype(np.int32)


def layer_count(course: NDArray[np.float64], layering: Layering) -> int:
    """How many layers a path of this course has."""
    return 0 if layering.falls else max(0, int(course[NUMBER]) - max(0, layering.first - 1))


def first_fall(moves: Moves) -> int | None:
    """The line of the first move that falls while it prints; None where none does."""
    falling = np.flatnonzero((moves.kind == PRINT) & (moves.dz < -SAME_HEIGHT))
    return int(moves.line[falling[0]]) if falling.size else None


def no_layers(line: int | None) -> Notice:
    """The notice of a path without layers, `line` that of its first fall."""
    return Notice(
        line,
        1,
        "the path rises and falls while it prints, so no layers are told: no shortest layer time, no first layers "
        "(a [[layer]] pattern in a dialect table says where layers begin)",
        weight=MAY_COST,
    )
