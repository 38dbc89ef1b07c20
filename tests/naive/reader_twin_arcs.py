"""Arcs of the slow twin of the G-code reader, cut into chords.

Kramer, Proctor and Messina 2000 (NISTIR 6556), 3.5.3. Units: mm, rad.
"""

from __future__ import annotations

from collections.abc import Callable
from math import acos, atan2, ceil, cos, hypot, pi, sin, sqrt
from typing import NamedTuple

from .reader_twin_words import PLANES

SHORTEST = 1e-9  # mm: shorter than this is no length
SAME_PLACE = 1e-6  # mm: an arc that ends this near its start is a full circle
INCH = 25.4
FULL_TURN = 2 * pi

Words = dict[str, float | None]  # letter to number; None where the letter is bare
Point = tuple[float, float, float]


class Circle(NamedTuple):
    """What an arc hangs on beside its words.

    The plane's name, the direction, mm a unit of the file, how often the arc comes by its end point, and by what factor
    the end may lie further away than 2|R|.
    """

    plane: str
    counter_clockwise: bool
    scale: float
    turns: int
    radius_allowance: float


def chords(
    circle: Circle, start: Point, end: Point, words: Words, tolerance: float, doubt: Callable[[str], None]
) -> list[Point]:
    """Places along an arc, the last one `end`; `end` alone, and a doubt, where there is no such arc."""
    a, b, normal, letter_a, letter_b = PLANES[circle.plane]
    da, db = end[a] - start[a], end[b] - start[b]
    chord = hypot(da, db)
    full = abs(da) <= SAME_PLACE and abs(db) <= SAME_PLACE
    value_a, value_b, value_r = words.get(letter_a), words.get(letter_b), words.get("R")
    centre_form = value_a is not None or value_b is not None
    if centre_form:
        if value_r is not None:
            doubt("arc over-determined")
        ia, ib = (value_a or 0.0) * circle.scale, (value_b or 0.0) * circle.scale
        radius = hypot(ia, ib)
        if radius < SHORTEST:
            doubt("arc impossible")
            return [end]
        end_radius = hypot(da - ia, db - ib)
        if abs(end_radius - radius) > (0.002 if circle.scale == 1.0 else 0.0002 * INCH):
            doubt("arc radii differ")
    else:
        value_r = (value_r or 0.0) * circle.scale
        radius = abs(value_r)
        if full or chord > 2 * radius * circle.radius_allowance:
            doubt("arc impossible")
            return [end]
        height = 0.0
        if chord > 2 * radius:
            radius = chord / 2
        else:
            height = sqrt(max(0.0, radius * radius - chord * chord / 4))
        side = 1.0 if circle.counter_clockwise == (value_r > 0) else -1.0  # +1: the centre lies left of the chord
        ia = da / 2 - side * height * db / chord
        ib = db / 2 + side * height * da / chord
    begin = atan2(-ib, -ia)
    full = full and centre_form
    if full:
        sweep = FULL_TURN
    else:
        turn = atan2(db - ib, da - ia) - begin
        sweep = (turn if circle.counter_clockwise else -turn) % FULL_TURN or FULL_TURN
    sweep += FULL_TURN * (circle.turns - 1)
    signed = sweep if circle.counter_clockwise else -sweep
    count = max(1, ceil(sweep / (2 * acos(max(-1.0, 1 - tolerance / radius)))))
    if full:
        count = max(3, count)
    path: list[Point] = []
    for i in range(1, count):
        angle = begin + signed * i / count
        point = [0.0, 0.0, 0.0]
        point[a] = start[a] + ia + radius * cos(angle)
        point[b] = start[b] + ib + radius * sin(angle)
        point[normal] = start[normal] + (end[normal] - start[normal]) * i / count
        path.append((point[0], point[1], point[2]))
    return [*path, end]
