"""Layers found from the path alone: heights of printing moves, and turns of a path that climbs while it prints."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import PRINT

SAME_HEIGHT = 1e-6  # mm
FULL_TURN = 2.0 * math.pi - 1e-6


def fresh_layers() -> NDArray[np.float64]:
    """The state before the first move: number, level (mm), whether climbing, winding (rad), index and direction of the
    last printing move, the index counted from the end of the block before.
    """
    return np.array([0.0, math.nan, 0.0, 0.0, -2.0, 0.0, 0.0])


@compiled
def number_layers(
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    kind: NDArray[np.int8],
    height: NDArray[np.float64],
    state: NDArray[np.float64],
    layer: NDArray[np.int32],
) -> int:
    """Write the layer of every move into `layer` and return the number of the last one.

    `state` is that of `fresh_layers`, changed in place, so that a job may come in several blocks.

    `dx, dy, dz` displacements (mm), `height` the place on z after each move (mm), all of length n. A layer
    begins at the first printing move at a height other than that of the layer under way. A path that climbs while it
    prints begins one as it starts to climb and after each full turn. Layer 0 holds what comes before the first
    printing move.
    """
    number = int(state[0])
    level = state[1]
    climbing = state[2] != 0.0
    winding = state[3]
    last_print = int(state[4])
    last_x = state[5]
    last_y = state[6]
    for i in range(dx.size):
        if kind[i] == PRINT:
            top = height[i]
            rise = dz[i]
            x, y = dx[i], dy[i]
            if abs(rise) <= SAME_HEIGHT:
                if not abs(top - level) <= SAME_HEIGHT:
                    number += 1
                    level = top
                    winding = 0.0
                climbing = False
            else:
                if not climbing or not abs(top - rise - level) <= SAME_HEIGHT:
                    number += 1
                    winding = 0.0
                elif last_print == i - 1 and (x != 0.0 or y != 0.0):
                    winding += math.atan2(last_x * y - last_y * x, last_x * x + last_y * y)
                    if abs(winding) >= FULL_TURN:
                        number += 1
                        winding -= math.copysign(2.0 * math.pi, winding)
                level = top
                climbing = True
            if x != 0.0 or y != 0.0:
                last_x, last_y = x, y
            last_print = i
        layer[i] = number
    state[0], state[1], state[2], state[3] = number, level, climbing, winding
    state[4], state[5], state[6] = last_print - dx.size, last_x, last_y
    return number
