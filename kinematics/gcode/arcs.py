"""Arcs: centre and radius form to a circle, a circle to equal chords (NISTIR 6556, 3.5.3, 4.3.6.1)."""

from __future__ import annotations

import math

from kinematics.compiled import compiled_part

SAME_PLACE = 1e-6  # mm: an arc that ends this close to its start is a full circle
RADII_AGREE = 0.002  # mm, NISTIR 6556, 3.5.3.2
RADII_AGREE_INCH = 0.0002 * 25.4  # mm, where the file is in inches
REACH_SLACK = 1.001  # a radius too small by less than this share is taken as a half circle

ARC_GOOD, ARC_OFF_CIRCLE, ARC_TOO_FAR, ARC_NO_RADIUS, ARC_CLOSED_BY_RADIUS = 0, 1, 2, 3, 4


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
        return ARC_NO_RADIUS, 0.0, 0.0, 0.0, 0.0, 0.0
    code = ARC_GOOD
    end_p = dp - offset_p
    end_q = dq - offset_q
    if abs(math.sqrt(end_p * end_p + end_q * end_q) - radius) > agree:
        code = ARC_OFF_CIRCLE
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
        return ARC_CLOSED_BY_RADIUS, 0.0, 0.0, 0.0, 0.0, 0.0
    size = abs(radius)
    if chord > 2.0 * size * slack:
        return ARC_TOO_FAR, 0.0, 0.0, 0.0, 0.0, 0.0
    half = 0.5 * chord
    if half > size:
        size = half
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
    count = max(1.0, math.ceil(abs(sweep) / step))
    if closed:
        count = max(3.0, count)
    return count
