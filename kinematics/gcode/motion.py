"""Moves: straight ones, arcs cut into chords, and homing by the standard."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import dialects as words
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
from kinematics.gcode.commands import fail, note, set_feed
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL

MOST_CHORDS = 60_000
NOTHING = 1e-9  # mm: lengths below count as zero

E, F, I, J, K, R, X, Y, Z = 4, 5, 8, 9, 10, 17, 23, 24, 25
XYZE = (1 << X) | (1 << Y) | (1 << Z) | (1 << E)
OFFSETS = (1 << I) | (1 << J) | (1 << K)


@compiled_part
def extend(real: NDArray[np.float64], x: float, y: float, z: float) -> None:
    """Take a printed place into the extent of the part."""
    real[at.LOW_X] = min(real[at.LOW_X], x)
    real[at.LOW_Y] = min(real[at.LOW_Y], y)
    real[at.LOW_Z] = min(real[at.LOW_Z], z)
    real[at.HIGH_X] = max(real[at.HIGH_X], x)
    real[at.HIGH_Y] = max(real[at.HIGH_Y], y)
    real[at.HIGH_Z] = max(real[at.HIGH_Z], z)


@compiled_part
def add_move(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    target_x: float,
    target_y: float,
    target_z: float,
    de: float,
    speed: float,
) -> None:
    """Go straight to a place (mm, machine's frame) and append the move, unless there is nothing to it."""
    x, y, z = real[at.PLACE_X], real[at.PLACE_Y], real[at.PLACE_Z]
    dx, dy, dz = target_x - x, target_y - y, target_z - z
    real[at.PLACE_X], real[at.PLACE_Y], real[at.PLACE_Z] = target_x, target_y, target_z
    kind = TRAVEL
    if math.sqrt(dx * dx + dy * dy + dz * dz) < NOTHING:
        if abs(de) < NOTHING:
            return
        kind = FILAMENT
        dx = dy = dz = 0.0
    elif de > 0.0:
        kind = PRINT
        extend(real, x, y, z)
        extend(real, target_x, target_y, target_z)
    real[at.FED] += de
    real[at.FED_MOST] = max(real[at.FED_MOST], real[at.FED])
    i = whole[at.MOVES]
    path[at.DX, i] = dx
    path[at.DY, i] = dy
    path[at.DZ, i] = dz
    path[at.DE, i] = de
    path[at.SPEED, i] = speed
    path[at.HEIGHT, i] = target_z
    tags[at.KIND, i] = kind
    tags[at.LINE, i] = whole[at.LINE_NUMBER]
    tags[at.STOP, i] = whole[at.STOP_PENDING]
    whole[at.STOP_PENDING] = 0
    whole[at.MOVES] = i + 1


@compiled_part
def add_arc(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    notes: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    target: NDArray[np.float64],
    de: float,
    speed: float,
    counter: bool,
) -> None:
    """Cut an arc into chords and append them; `target` is the end place (mm, machine's frame)."""
    strict = whole[at.STRICT] != 0
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
        return
    if by_centre and by_radius:
        if strict:
            fail(whole, at.ERROR_ARC_OVERDETERMINED)
            return
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
        return
    if code == ARC_OFF_CIRCLE:
        note(notes, at.NOTE_ARC_RADII, whole)
    elif code != ARC_GOOD:
        note(notes, at.NOTE_ARC_IMPOSSIBLE, whole)
        add_move(real, whole, path, tags, target[0], target[1], target[2], de, speed)
        return
    closed = abs(abs(sweep) - 2.0 * math.pi) < 1e-12
    chords = chord_count(sweep, radius, real[at.ARC_TOLERANCE], closed)
    if chords > MOST_CHORDS or whole[at.MOVES] + chords + 1 > path.shape[1]:
        fail(whole, at.ERROR_TOO_MANY_CHORDS)
        return
    n = int(chords)
    place = np.empty(3)
    for i in range(1, n + 1):
        if i == n:
            place[p], place[q], place[normal] = target[p], target[q], target[normal]
        else:
            angle = start + sweep * i / n
            place[p] = start_p + centre_p + radius * math.cos(angle)
            place[q] = start_q + centre_q + radius * math.sin(angle)
            place[normal] = start_n + (target[normal] - start_n) * i / n
        add_move(real, whole, path, tags, place[0], place[1], place[2], de / n, speed)


@compiled_part
def place_told(
    real: NDArray[np.float64], whole: NDArray[np.int64], mask: int, slots: NDArray[np.float64]
) -> tuple[float, float, float]:
    """The place that the X, Y and Z words name (mm, machine's frame)."""
    scale = real[at.SCALE]
    relative = whole[at.IS_RELATIVE] != 0
    x, y, z = real[at.PLACE_X], real[at.PLACE_Y], real[at.PLACE_Z]
    if mask & (1 << X):
        x = (x if relative else real[at.SHIFT_X]) + slots[X] * scale
    if mask & (1 << Y):
        y = (y if relative else real[at.SHIFT_Y]) + slots[Y] * scale
    if mask & (1 << Z):
        z = (z if relative else real[at.SHIFT_Z]) + slots[Z] * scale
    return x, y, z


@compiled_part
def go_home(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    mask: int,
    slots: NDArray[np.float64],
) -> None:
    """G28 by the standard: a traverse by way of the place told, if one is, to the home place (NISTIR 6556, 3.5.8)."""
    x, y, z = place_told(real, whole, mask, slots)
    add_move(real, whole, path, tags, x, y, z, 0.0, math.inf)
    add_move(real, whole, path, tags, real[at.HOME_X], real[at.HOME_Y], real[at.HOME_Z], 0.0, math.inf)


@compiled_part
def move(
    real: NDArray[np.float64],
    whole: NDArray[np.int64],
    path: NDArray[np.float64],
    tags: NDArray[np.int32],
    notes: NDArray[np.int64],
    motion: int,
    mask: int,
    slots: NDArray[np.float64],
) -> None:
    """Carry out G0 to G3 with its words."""
    whole[at.MOTION] = motion
    is_arc = motion >= words.ARC_CLOCKWISE
    if mask & (1 << F):
        set_feed(real, whole, notes, slots[F])
        if whole[at.STATUS] != at.STATUS_DONE:
            return
    if mask & (XYZE | OFFSETS | (1 << R) if is_arc else XYZE) == 0:
        return
    x, y, z = place_told(real, whole, mask, slots)
    de = 0.0
    if mask & (1 << E):
        reading = slots[E] * real[at.SCALE]
        if whole[at.IS_RELATIVE] or whole[at.IS_E_RELATIVE]:
            de = reading
            real[at.E_READING] += reading
        else:
            de = reading - real[at.E_READING]
            real[at.E_READING] = reading
        de *= real[at.FLOW_SHARE]
    speed = math.inf
    if motion != words.RAPID or not whole[at.STRICT]:
        if real[at.FEED] > 0.0:
            speed = real[at.FEED] / 60.0 * real[at.FEED_SHARE]
        else:
            note(notes, at.NOTE_NO_FEED, whole)
    before = whole[at.MOVES]
    if is_arc:
        target = np.empty(3)
        target[0], target[1], target[2] = x, y, z
        add_arc(real, whole, path, tags, notes, mask, slots, target, de, speed, motion == words.ARC_COUNTER)
    else:
        add_move(real, whole, path, tags, x, y, z, de, speed)
    if whole[at.ENDED] and whole[at.MOVES] > before:
        note(notes, at.NOTE_AFTER_END, whole)
