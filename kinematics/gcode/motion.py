"""Places that a command goes through one after the other: the chords of an arc, the way home."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import state as at
from kinematics.gcode.arcs import (
    ARC_GOOD,
    ARC_NO_RADIUS,
    ARC_OFF_CIRCLE,
    ARC_TOO_FAR,
    RADII_AGREE,
    RADII_AGREE_INCH,
    REACH_SLACK,
    arc_from_centre,
    arc_from_radius,
    chord_count,
)
from kinematics.gcode.commands import fail, note

MOST_CHORDS = 60_000

I, R, X = 8, 17, 23  # letters as bits and slots, A = 0; J, K and Y, Z follow


@compiled_part
def place_told(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
) -> None:
    """Write the place that the X, Y and Z words name (mm, machine's frame) to the first column of `places`."""
    for k in range(3):
        place = real[at.PLACE_X + k]
        if mask & (1 << (X + k)):
            base = place if whole[at.IS_RELATIVE] else real[at.SHIFT_X + k]
            place = base + slots[X + k] * real[at.SCALE]
        places[k, 0] = place


@compiled_part
def way_home(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
) -> int:
    """G28 by the standard: by way of the place told, if one is, to the home place (NISTIR 6556, 3.5.8).

    Writes both to `places` and returns their number.
    """
    place_told(real, whole, mask, slots, places)
    for k in range(3):
        places[k, 1] = real[at.HOME_X + k]
    return 2


@compiled_part
def cut_arc(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    notes: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
    counter: bool,
) -> int:
    """Cut an arc into chords: write the end of each to `places` (float64[3, room], mm) and return their number.

    1, the straight move, where the arc cannot exist; 0 where that stops reading.
    """
    strict = whole[at.STRICT] != 0
    place_told(real, whole, mask, slots, places)
    target = (places[0, 0], places[1, 0], places[2, 0])
    # Plane axes in right-handed order: (X, Y), (Z, X), (Y, Z); the third is the normal.
    plane = whole[at.PLANE]
    p = 0 if plane == 0 else (2 if plane == 1 else 1)
    q = (p + 1) % 3
    normal = (p + 2) % 3
    start_p, start_q, start_n = real[at.PLACE_X + p], real[at.PLACE_X + q], real[at.PLACE_X + normal]
    dp, dq = target[p] - start_p, target[q] - start_q
    by_centre = mask & ((1 << (I + p)) | (1 << (I + q))) != 0
    by_radius = mask & (1 << R) != 0
    code = ARC_TOO_FAR
    centre_p = centre_q = radius = start = sweep = 0.0
    if strict and (not (by_centre or by_radius) or mask & ((1 << (X + p)) | (1 << (X + q))) == 0):
        fail(whole, at.ERROR_ARC_NO_FORM)
        return 0
    if by_centre and by_radius:
        if strict:
            fail(whole, at.ERROR_ARC_OVERDETERMINED)
            return 0
        note(notes, at.NOTE_ARC_OVERDETERMINED, whole)
    if by_centre:
        offset_p = slots[I + p] * real[at.SCALE] if mask & (1 << (I + p)) else 0.0
        offset_q = slots[I + q] * real[at.SCALE] if mask & (1 << (I + q)) else 0.0
        agree = RADII_AGREE_INCH if real[at.SCALE] != 1.0 else RADII_AGREE
        code, centre_p, centre_q, radius, start, sweep = arc_from_centre(dp, dq, offset_p, offset_q, agree, counter)
    elif by_radius:
        slack = 1.0 + 1e-9 if strict else REACH_SLACK
        code, centre_p, centre_q, radius, start, sweep = arc_from_radius(
            dp, dq, slots[R] * real[at.SCALE], counter, slack
        )
    if code != ARC_GOOD and strict:
        if code == ARC_OFF_CIRCLE:
            fail(whole, at.ERROR_ARC_RADII)
        elif code == ARC_TOO_FAR:
            fail(whole, at.ERROR_ARC_TOO_FAR)
        elif code == ARC_NO_RADIUS:
            fail(whole, at.ERROR_ARC_NO_RADIUS)
        else:
            fail(whole, at.ERROR_ARC_FULL_BY_RADIUS)
        return 0
    if code == ARC_OFF_CIRCLE:
        note(notes, at.NOTE_ARC_RADII, whole)
    elif code != ARC_GOOD:
        note(notes, at.NOTE_ARC_IMPOSSIBLE, whole)
        return 1
    closed = abs(abs(sweep) - 2.0 * math.pi) < 1e-12
    chords = chord_count(sweep, radius, real[at.ARC_TOLERANCE], closed)
    if chords > MOST_CHORDS:
        fail(whole, at.ERROR_TOO_MANY_CHORDS)
        return 0
    n = int(chords)
    for i in range(1, n):
        angle = start + sweep * i / n
        places[p, i - 1] = start_p + centre_p + radius * math.cos(angle)
        places[q, i - 1] = start_q + centre_q + radius * math.sin(angle)
        places[normal, i - 1] = start_n + (target[normal] - start_n) * i / n
    for k in range(3):
        places[k, n - 1] = target[k]
    return n
