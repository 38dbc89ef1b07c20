"""Sums of planned moves: lengths and peaks in one pass, time by layer, and what a shortest layer time adds."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.gcode.moves import FILAMENT, PRINT

Reals = NDArray[np.float64]

PATH_MM, PRINTED_MM, FASTEST_FEED, PRINT_SPEED, TRAVEL_SPEED, PATH_SUMS = range(6)


@compiled
def add_path(
    kind: NDArray[np.int8], length: Reals, ratio: Reals, peak: Reals, begin: int, end: int, sums: Reals
) -> int:
    """Add the moves from `begin` to `end` to `sums` (float64[5]); return the move of a new highest flow, −1 for none.

    `kind, length, ratio, peak` as in `Moves`, `Features` and `Plan`. `sums` holds the lengths of path and of printed
    path (mm), the fastest that filament is fed at while printing, r·v_peak, and the fastest moves that print and that
    travel (mm/s).
    """
    path, printed, fed, fastest, travel = sums[0], sums[1], sums[2], sums[3], sums[4]
    highest = -1
    for i in range(begin, end):
        if kind[i] == FILAMENT:
            continue
        path += length[i]
        if kind[i] == PRINT:
            printed += length[i]
            fastest = max(fastest, peak[i])
            flow = ratio[i] * peak[i]
            if flow > fed:
                fed = flow
                highest = i
        else:
            travel = max(travel, peak[i])
    sums[0], sums[1], sums[2], sums[3], sums[4] = path, printed, fed, fastest, travel
    return highest


class LayerTimes(NamedTuple):
    """One entry a layer, 0 (before the first printing move) to the last: `motion` planned (s), `cooling` added (s)."""

    motion: Reals
    cooling: Reals


def layer_times(layer: NDArray[np.int32], duration: Reals, layers: int, shortest: float) -> LayerTimes:
    """Time of each layer; a layer lasts `shortest` (s) at least, stops not counted, and what is added is cooling.

    `layer`, `duration` of length n. Layer 0 prints nothing and is never lengthened.
    """
    return lengthened(np.bincount(layer, weights=duration, minlength=layers + 1).astype(np.float64), shortest)


def lengthened(motion: Reals, shortest: float) -> LayerTimes:
    """Layers of known times of `motion` (s), from layer 0 on, with what is added to make each last `shortest` (s)."""
    cooling = np.maximum(0.0, shortest - motion)
    cooling[0] = 0.0
    return LayerTimes(motion, cooling)


def new_layers(layer: NDArray[np.int32]) -> NDArray[np.int64]:
    """The moves with which layers begin, as in `layer` (n), but for the first move."""
    return np.flatnonzero(layer[1:] != layer[:-1]) + 1


def sums_by_layer(
    layer: NDArray[np.int32], duration: Reals, begins: NDArray[np.int64]
) -> tuple[NDArray[np.int32], Reals, NDArray[np.int64]]:
    """Layers that occur, in ascending order as in `layer` (n), with the time (s) and the number of moves of each.

    `begins` the moves with which they begin, the first one among them if there is any.
    """
    return layer[begins], np.add.reduceat(duration, begins), np.diff(begins, append=layer.size)
