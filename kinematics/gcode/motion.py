"""Places that a command goes through one after the other: the chords of an arc, the way home; how fast."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_part
from kinematics.gcode import dialects as words
from kinematics.gcode import state as codes
from kinematics.gcode.commands import add_event, fail, note
from kinematics.gcode.moves import NOZZLE_TARGET, RETRACTION
from kinematics.gcode.scanning import I, P, R, S, X

SAME_PLACE = 1e-6  # mm: an arc that ends this close to its start is a full circle
RADII_AGREE = 0.002  # mm, NISTIR 6556, 3.5.3.2
RADII_AGREE_INCH = 0.0002 * 25.4  # mm, where the file is in inches
REACH_SLACK = 1.001  # a radius too small by less than this share is taken as a half circle

# What is wrong with an arc: what a strict dialect says of it.
ARC_GOOD, ARC_OFF_CIRCLE = codes.ERROR_NONE, codes.ERROR_ARC_RADII
MOST_CHORDS = 60_000
MOST_TURNS = 1_000.0
ANEW = 32  # chords
NO_LENGTH = 1e-9  # mm: lengths below count as zero


@compiled_part
def arc_from_centre(
    dp: float, dq: float, offset_p: float, offset_q: float, agree: float, counter: bool
) -> tuple[int, float, float, float, float, float]:
    """The circle of an arc in centre form.

    `dp, dq` end minus start in the plane, `offset_p, offset_q` centre minus start (mm); `agree` how far the end
    may lie off the circle (mm). Returns a code, the centre
    relative to the start (p, q), the radius at the start, the start angle and the signed sweep (rad).
    """
    radius = math.sqrt(offset_p * offset_p + offset_q * offset_q)
    if radius < 1e-9:
        return codes.ERROR_ARC_NO_RADIUS, 0.0, 0.0, 0.0, 0.0, 0.0
    end_p, end_q = dp - offset_p, dq - offset_q
    is_off = abs(math.sqrt(end_p * end_p + end_q * end_q) - radius) > agree
    code = ARC_OFF_CIRCLE if is_off else ARC_GOOD
    start = math.atan2(-offset_q, -offset_p)
    if abs(dp) <= SAME_PLACE and abs(dq) <= SAME_PLACE:
        sweep = 2.0 * math.pi
    else:
        sweep = math.atan2(end_q, end_p) - start
        if not counter:
            sweep = -sweep
        if sweep < 0.0:
            sweep += 2.0 * math.pi
        if sweep <= 0.0:  # in the direction of the start, but further out or in
            sweep = 2.0 * math.pi
    return code, offset_p, offset_q, radius, start, sweep if counter else -sweep


@compiled_part
def arc_from_radius(
    dp: float, dq: float, radius: float, counter: bool, slack: float
) -> tuple[int, float, float, float, float, float]:
    """The circle of an arc in radius form: R > 0 turns 180° at most, R < 0 the long way round.

    `slack` is the factor by which the end may lie beyond 2·|R|; then the half circle over the chord is taken. Returns
    as `arc_from_centre`.
    """
    chord = math.sqrt(dp * dp + dq * dq)
    if abs(dp) <= SAME_PLACE and abs(dq) <= SAME_PLACE:
        return codes.ERROR_ARC_FULL_BY_RADIUS, 0.0, 0.0, 0.0, 0.0, 0.0
    size = abs(radius)
    if chord > 2.0 * size * slack:
        return codes.ERROR_ARC_TOO_FAR, 0.0, 0.0, 0.0, 0.0, 0.0
    half = 0.5 * chord
    size = max(size, half)
    rise = math.sqrt(max(0.0, size * size - half * half))
    # The centre of a short counter-clockwise arc lies to the left of its chord.
    side = rise if counter == (radius > 0.0) else -rise
    centre_p = 0.5 * dp - side * dq / chord
    centre_q = 0.5 * dq + side * dp / chord
    sweep = 2.0 * math.atan2(half, rise)
    if radius < 0.0:
        sweep = 2.0 * math.pi - sweep
    start = math.atan2(-centre_q, -centre_p)
    return ARC_GOOD, centre_p, centre_q, size, start, sweep if counter else -sweep


@compiled_part
def chord_count(sweep: float, radius: float, tolerance: float, closed: bool) -> float:
    """Number of equal chords that stray from the circle by `tolerance` (mm) at most; 3 at least for a full circle.

    n = ceil(|sweep| / (2·acos(max(−1, 1 − tolerance/radius)))). Returned as a float: it may be too large to be used.
    """
    step = 2.0 * math.acos(max(-1.0, 1.0 - tolerance / radius))
    if step <= 0.0:
        return math.inf
    return max(3.0 if closed else 1.0, math.ceil(abs(sweep) / step))


@compiled_part
def extend(state: codes.State, x: float, y: float, z: float) -> None:
    """Take a printed place into the extent."""
    state.low[0], state.high[0] = min(state.low[0], x), max(state.high[0], x)
    state.low[1], state.high[1] = min(state.low[1], y), max(state.high[1], y)
    state.low[2], state.high[2] = min(state.low[2], z), max(state.high[2], z)


@compiled_part
def place_told(
    state: codes.State,
    mask: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
) -> None:
    """Write the place that the X, Y and Z words name (mm, machine's frame) to the first column of `places`."""
    for k in range(3):
        place = state.place[k]
        if mask & (1 << (X + k)):
            base = place if state.is_relative else state.shift[k]
            place = base + slots[X + k] * state.scale
        places[k, 0] = place


@compiled_part
def way_home(
    state: codes.State,
    mask: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
) -> int:
    """G28 by the standard: by way of the place told, if one is, to the home place (NISTIR 6556, 3.5.8).

    Writes both to `places` and returns their number.
    """
    place_told(state, mask, slots, places)
    for k in range(3):
        places[k, 1] = state.home[k]
    return 2


@compiled_part
def cut_arc(
    state: codes.State,
    notes: NDArray[np.int64],
    mask: int,
    slots: NDArray[np.float64],
    places: NDArray[np.float64],
    counter: bool,
) -> int:
    """Cut an arc into chords: write the end of each to `places` (float64[3, room], mm) and return their number.

    1, the straight move, where the arc cannot exist; 0 where that stops reading.
    """
    strict = state.strict
    place_told(state, mask, slots, places)
    target = (places[0, 0], places[1, 0], places[2, 0])
    # Plane axes in right-handed order: (X, Y), (Z, X), (Y, Z); the third is the normal.
    plane = state.plane
    p = 0 if plane == 0 else (2 if plane == 1 else 1)
    q = (p + 1) % 3
    normal = (p + 2) % 3
    start_p, start_q, start_n = state.place[p], state.place[q], state.place[normal]
    dp, dq = target[p] - start_p, target[q] - start_q
    by_centre = mask & ((1 << (I + p)) | (1 << (I + q))) != 0
    by_radius = mask & (1 << R) != 0
    code = codes.ERROR_ARC_TOO_FAR
    centre_p = centre_q = radius = start = sweep = 0.0
    if strict and (not (by_centre or by_radius) or mask & ((1 << (X + p)) | (1 << (X + q))) == 0):
        fail(state, codes.ERROR_ARC_NO_FORM)
        return 0
    if by_centre and by_radius:
        if strict:
            fail(state, codes.ERROR_ARC_OVERDETERMINED)
            return 0
        note(notes, codes.NOTE_ARC_OVERDETERMINED, state)
    if by_centre:
        offset_p = slots[I + p] * state.scale if mask & (1 << (I + p)) else 0.0
        offset_q = slots[I + q] * state.scale if mask & (1 << (I + q)) else 0.0
        agree = RADII_AGREE_INCH if state.scale != 1.0 else RADII_AGREE
        code, centre_p, centre_q, radius, start, sweep = arc_from_centre(dp, dq, offset_p, offset_q, agree, counter)
    elif by_radius:
        slack = 1.0 + 1e-9 if strict else REACH_SLACK
        code, centre_p, centre_q, radius, start, sweep = arc_from_radius(dp, dq, slots[R] * state.scale, counter, slack)
    if code != ARC_GOOD and strict:
        fail(state, code)
        return 0
    if code == ARC_OFF_CIRCLE:
        note(notes, codes.NOTE_ARC_RADII, state)
    elif code != ARC_GOOD:
        note(notes, codes.NOTE_ARC_IMPOSSIBLE, state)
        return 1
    closed = abs(dp) <= SAME_PLACE and abs(dq) <= SAME_PLACE  # not: a whole turn that ends further out
    if (
        not strict and mask & (1 << P) and slots[P] >= 1.5
    ):  # whole turns, the drawn one counted (common practice, no source)
        if slots[P] > MOST_TURNS:
            fail(state, codes.ERROR_TOO_MANY_TURNS)
            return 0
        sweep += math.copysign(2.0 * math.pi * (round(slots[P]) - 1), sweep)
    chords = chord_count(sweep, radius, state.arc_tolerance, closed)
    if chords > MOST_CHORDS:
        fail(state, codes.ERROR_TOO_MANY_CHORDS)
        return 0
    n = int(chords)
    turn = sweep / n
    cosine, sine = math.cos(turn), math.sin(turn)
    x = y = 0.0
    for i in range(1, n):
        if i % ANEW == 1:  # turned on from place to place, and anew before rounding can add up
            angle = start + sweep * i / n
            x, y = radius * math.cos(angle), radius * math.sin(angle)
        else:
            x, y = x * cosine - y * sine, x * sine + y * cosine
        places[p, i - 1] = start_p + centre_p + x
        places[q, i - 1] = start_q + centre_q + y
        places[normal, i - 1] = start_n + (target[normal] - start_n) * i / n
    for k in range(3):
        places[k, n - 1] = target[k]
    return n


@compiled_part
def special_speed(
    state: codes.State,
    notes: NDArray[np.int64],
    motion: int,
    has_feed: bool,
    places: NDArray[np.float64],
    pieces: int,
    de: float,
) -> float:
    """Commanded speed (mm/s) of what is not simply F: the standard's rapids, the controller's retraction, G93, G95.

    Under G93 a command takes 1/F minutes; G95 is not guessed. The command goes through the first `pieces` columns of
    `places` and feeds `de` (mm). May set STATUS to STATUS_ERROR.
    """
    if is_own_retraction(motion):
        return float(state.retract_speed)
    if state.strict and (motion == words.RAPID or motion == words.HOME):
        return math.inf
    if state.feed_mode == codes.PER_MINUTE:
        return float(state.feed / 60.0 * state.feed_share)
    if state.feed_mode == codes.PER_TURN:
        note(notes, codes.NOTE_FEED_PER_TURN, state)
        return math.inf
    if not has_feed:
        if state.strict:
            fail(state, codes.ERROR_FEED_MISSING)
        else:
            note(notes, codes.NOTE_FEED_MISSING, state)
        return math.inf
    length = 0.0
    x, y, z = state.place[0], state.place[1], state.place[2]
    for k in range(pieces):
        length += math.sqrt((places[0, k] - x) ** 2 + (places[1, k] - y) ** 2 + (places[2, k] - z) ** 2)
        x, y, z = places[0, k], places[1, k], places[2, k]
    if length < NO_LENGTH:
        length = abs(de)
    return float(length * state.frequency / 60.0 * state.feed_share) if length >= NO_LENGTH else math.inf


@compiled_part
def is_own_retraction(meaning: int) -> bool:
    """Whether a command is the controller's own retraction or its return."""
    return meaning == words.RETRACT or meaning == words.UNRETRACT or meaning == words.RETRACT_OR_HEAT


@compiled_part
def own_retraction(
    state: codes.State,
    motion: int,
    mask: int,
    slots: NDArray[np.float64],
    events: NDArray[np.float64],
    notes: NDArray[np.int64],
) -> float:
    """Filament fed by the controller's own retraction and its return (mm); 0 where nothing is to be done.

    It has no words but S0 and S1 (common practice, no source); with others a word of the meaning RETRACT_OR_HEAT tells
    nozzle P its target S, and any other is counted. A retraction whose length nobody gave is an event.
    """
    if mask & ~(1 << S) or (mask & (1 << S) and slots[S] != 0.0 and slots[S] != 1.0):
        if motion != words.RETRACT_OR_HEAT:
            note(notes, codes.NOTE_RETRACTION_WORDS, state)
        elif mask & (1 << S):
            add_event(state, events, NOZZLE_TARGET, slots[S], int(slots[P]) if mask & (1 << P) else 0)
        return 0.0
    back = motion != words.UNRETRACT
    if state.retracted == back:
        return 0.0
    state.retracted = True if back else 0
    length = state.retract_length
    if math.isnan(length):
        add_event(state, events, RETRACTION, 0.0, 0)
        return 0.0
    return float(-length if back else length)
