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
    motion = np.bincount(layer, weights=duration, minlength=layers + 1).astype(np.float64)
    cooling = np.maximum(0.0, shortest - motion)
    cooling[0] = 0.0
    return LayerTimes(motion, cooling)
