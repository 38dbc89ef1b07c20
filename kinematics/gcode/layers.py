"""Layers found from the path alone: heights of printing moves, and turns of a path that climbs while it prints.

In the same pass filament is summed up.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_part
from kinematics.gcode.moves import PRINT

SAME_HEIGHT = 1e-6  # mm
FULL_TURN = 2.0 * math.pi - 1e-6
SMALL = 0.1  # rad


NUMBER, LEVEL, CLIMBING, WINDING, LAST_CLIMB, LAST_X, LAST_Y, FED, MOST_FED, COURSE_STATE = range(10)


def fresh_course() -> NDArray[np.float64]:
    """The state before the first move: number, level (mm), whether climbing, winding (rad), index and direction of the
    last move that prints and climbs, the index counted from the end of the block before; the sum of filament so far and
    the highest one (mm).
    """
    state = np.zeros(COURSE_STATE)
    state[LEVEL], state[LAST_CLIMB] = math.nan, -2.0
    return state


@compiled_part
def turn_between(ax: float, ay: float, bx: float, by: float) -> float:
    """Angle from one direction to another (rad, −π to π).

    A spiral turns a little at every move: up to SMALL a few terms of the arc tangent's series are exact to 1e-14.
    """
    across, along = ax * by - ay * bx, ax * bx + ay * by
    if abs(across) > SMALL * along:
        return math.atan2(across, along)
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
    """Write the layer of every move into `layer`.

    `state` is that of `fresh_course`, changed in place, so that a job may come in several blocks.

    `dx, dy, dz, de` displacements (mm), `height` the place on z after each move (mm), all of length n. A layer
    begins at the first printing move at a height other than that of the layer under way. A path that climbs while it
    prints begins one as it starts to climb and after each full turn. Layer 0 holds what comes before the first
    printing move.
    """
    number = np.int32(state[NUMBER])
    level = state[LEVEL]
    climbing = state[CLIMBING] != 0.0
    winding = state[WINDING]
    last_climb = int(state[LAST_CLIMB])
    last_x, last_y = state[LAST_X], state[LAST_Y]
    fed, most_fed = state[FED], state[MOST_FED]
    for i in range(dx.size):
        fed += de[i]
        most_fed = max(most_fed, fed)
        rise, top = dz[i], height[i]
        flat = abs(rise) <= SAME_HEIGHT
        # Nearly always nothing changes: one question, not three, so that its answer is foreseen.
        if (kind[i] != PRINT) | (flat & (not climbing) & (abs(top - level) <= SAME_HEIGHT)):
            layer[i] = number
            continue
        x, y = dx[i], dy[i]
        if flat:
            if not abs(top - level) <= SAME_HEIGHT:
                number += 1
                level = top
            climbing = False
        else:
            if not climbing or not abs(top - rise - level) <= SAME_HEIGHT:
                number += 1
                winding = 0.0
                last_x, last_y = x, y
            elif x != 0.0 or y != 0.0:
                if last_climb == i - 1 and (last_x != 0.0 or last_y != 0.0):
                    winding += turn_between(last_x, last_y, x, y)
                    if abs(winding) >= FULL_TURN:
                        number += 1
                        winding -= math.copysign(2.0 * math.pi, winding)
                last_x, last_y = x, y
            level = top
            climbing = True
            last_climb = i
        layer[i] = number
    state[NUMBER], state[LEVEL], state[CLIMBING], state[WINDING] = number, level, climbing, winding
    state[LAST_CLIMB], state[LAST_X], state[LAST_Y] = last_climb - dx.size, last_x, last_y
    state[FED], state[MOST_FED] = fed, most_fed
