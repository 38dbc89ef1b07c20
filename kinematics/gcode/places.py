"""Where moves end, held against spaces: how many end outside of each, the first of them, and by how much."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import FILAMENT, Moves

Reals = NDArray[np.float64]


@compiled
def count_outside(
    moves: Moves,
    begin: int,
    end: int,
    place: Reals,
    spaces: Reals,
    margin: float,
    counts: NDArray[np.int64],
    most: Reals,
) -> None:
    """Walk moves `begin` to before `end` from a `place` (mm, float64[3]; left where the last one ends).

    `spaces` float64[n, 2, 3] the lowest and the highest corners; `counts` int64[n, 2] how many moves end outside by
    more than the `margin` (mm), and the line of the first one (0: none yet); `most` float64[n, 3] the farthest along
    each axis (mm). The extruder alone ends nowhere.
    """
    x, y, z = place[0], place[1], place[2]
    for i in range(np.uint64(begin), np.uint64(end)):
        x += moves.dx[i]
        y += moves.dy[i]
        z += moves.dz[i]
        for k in range(spaces.shape[0]):
            by_x = max(spaces[k, 0, 0] - x, x - spaces[k, 1, 0])
            by_y = max(spaces[k, 0, 1] - y, y - spaces[k, 1, 1])
            by_z = max(spaces[k, 0, 2] - z, z - spaces[k, 1, 2])
            if max(by_x, by_y, by_z) > margin and moves.kind[i] != FILAMENT:
                counts[k, 0] += 1
                if counts[k, 1] == 0:
                    counts[k, 1] = moves.line[i]
                most[k, 0] = max(most[k, 0], by_x)
                most[k, 1] = max(most[k, 1], by_y)
                most[k, 2] = max(most[k, 2], by_z)
    place[0], place[1], place[2] = x, y, z
