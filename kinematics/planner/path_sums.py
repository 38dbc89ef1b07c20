"""Lengths and peaks of a planned stretch of a job, in one pass over its moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import FILAMENT, PRINT

Reals = NDArray[np.float64]

PATH, PRINTED, FILAMENT_SPEED, SPEED, PATH_SUMS = range(5)


@compiled
def add_path(
    kind: NDArray[np.int8], length: Reals, ratio: Reals, peak: Reals, begin: int, end: int, sums: Reals
) -> int:
    """Add the moves from `begin` to `end` to `sums` (float64[4]); return the move of a new highest flow, −1 for none.

    `kind, length, ratio, peak` as in `Moves`, `Features` and `Plan`. `sums` holds the lengths of path and of printed
    path (mm), the fastest that filament is fed at while printing, r·v_peak, and the fastest move with a path (mm/s).
    """
    path, printed, fed, speed = sums[0], sums[1], sums[2], sums[3]
    highest = -1
    for i in range(begin, end):
        if kind[i] == FILAMENT:
            continue
        path += length[i]
        speed = max(speed, peak[i])
        if kind[i] == PRINT:
            printed += length[i]
            flow = ratio[i] * peak[i]
            if flow > fed:
                fed = flow
                highest = i
    sums[0], sums[1], sums[2], sums[3] = path, printed, fed, speed
    return highest
