"""Printed places, and places that are not known yet while a chunk is read from a guessed state."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import dialects as words
from kinematics.gcode import state as at
from kinematics.gcode.letters import AXES, E, X, Y, Z


@compiled_part
def first_places(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    mask: int,
    motion: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
    pieces: int,
) -> None:
    """Note where a motion goes that is the first with some axis, or that the guess cannot be mended.

    `mask` has a bit a word letter; the motion ends at column `pieces` − 1 of `places` (mm).
    """
    fresh = mask & whole[at.UNSET]
    is_arc = motion >= words.ARC_CLOCKWISE
    if is_arc and whole[at.UNSET] & AXES:
        # The chords of an arc hang on where it starts; only along the normal of its plane nothing does.
        plane = whole[at.PLANE]
        normal = 1 << (Z if plane == 0 else (Y if plane == 1 else X))
        if whole[at.UNSET] & AXES & ~normal or fresh & AXES:
            whole[at.INEXACT] = 1
    if fresh & AXES and whole[at.IS_RELATIVE]:
        whole[at.INEXACT] = 1
    for k in range(3):
        if fresh & (1 << (X + k)):
            whole[at.FIRST_X + k] = whole[at.MOVES]
            real[at.TARGET_X + k] = places[k, pieces - 1]
    if fresh & (1 << E):
        if whole[at.IS_RELATIVE] or whole[at.IS_E_RELATIVE]:
            whole[at.E_DIRTY] = 1
        elif pieces > 1 or whole[at.E_DIRTY]:
            whole[at.INEXACT] = 1
        else:
            whole[at.FIRST_E] = whole[at.MOVES]
            real[at.TARGET_E] = slots[E] * real[at.FILAMENT_SCALE]
    whole[at.UNSET] &= ~fresh


@compiled_part
def extend_known(real: NDArray[np.float64], whole: NDArray[np.int64], unset: int, x: float, y: float, z: float) -> None:
    """Take a printed place into the extent, apart from the axes whose place is not known yet; note those."""
    whole[at.PRINTED_UNSET] |= unset
    if unset & (1 << X) == 0:
        real[at.LOW_X], real[at.HIGH_X] = min(real[at.LOW_X], x), max(real[at.HIGH_X], x)
    if unset & (1 << Y) == 0:
        real[at.LOW_Y], real[at.HIGH_Y] = min(real[at.LOW_Y], y), max(real[at.HIGH_Y], y)
    if unset & (1 << Z) == 0:
        real[at.LOW_Z], real[at.HIGH_Z] = min(real[at.LOW_Z], z), max(real[at.HIGH_Z], z)


@compiled_part
def extend(real: NDArray[np.float64], x: float, y: float, z: float) -> None:
    """Take a printed place into the extent of the part."""
    if x < real[at.LOW_X]:
        real[at.LOW_X] = x
    if y < real[at.LOW_Y]:
        real[at.LOW_Y] = y
    if z < real[at.LOW_Z]:
        real[at.LOW_Z] = z
    if x > real[at.HIGH_X]:
        real[at.HIGH_X] = x
    if y > real[at.HIGH_Y]:
        real[at.HIGH_Y] = y
    if z > real[at.HIGH_Z]:
        real[at.HIGH_Z] = z
