"""Time by layer, and what a shortest layer time adds."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class LayerTimes(NamedTuple):
    """One entry a layer, 0 (before the first printing move) to the last: `motion` planned (s), `cooling` added (s)."""

    motion: NDArray[np.float64]
    cooling: NDArray[np.float64]


def layer_times(layer: NDArray[np.int32], duration: NDArray[np.float64], layers: int, shortest: float) -> LayerTimes:
    """Time of each layer; a layer lasts `shortest` (s) at least, stops not counted, and what is added is cooling.

    `layer`, `duration` of length n. Layer 0 prints nothing and is never lengthened.
    """
    return lengthened(np.bincount(layer, weights=duration, minlength=layers + 1).astype(np.float64), shortest)


def lengthened(motion: NDArray[np.float64], shortest: float) -> LayerTimes:
    """Layers of known times of `motion` (s), from layer 0 on, with what is added to make each last `shortest` (s)."""
    cooling = np.maximum(0.0, shortest - motion)
    cooling[0] = 0.0
    return LayerTimes(motion, cooling)


def sums_by_layer(
    layer: NDArray[np.int32], duration: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.int64]]:
    """Layers that occur, in ascending order as in `layer` (n), with the time (s) and the number of moves of each."""
    begins = np.concatenate([[0], np.flatnonzero(layer[1:] != layer[:-1]) + 1])
    return layer[begins], np.add.reduceat(duration, begins), np.diff(begins, append=layer.size)
