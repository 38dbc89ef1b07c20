"""Angles, normals and circles of a path's corners, from exact cross products and the geometry of triangles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

Vector = tuple[float, float, float]


def over(limit: float, share: float) -> float:
    """The limit seen along the path: limit/share; no limit where the share is zero."""
    return limit / share if share != 0.0 else math.inf


class Turn(NamedTuple):
    """How one direction u turns into the next u'.

    `angle` φ (0 straight on, π straight back); `interior` π − φ, measured by itself so that no digits are lost near
    a reversal; `normal` n = w/|w| with w = u' − u.
    """

    angle: float
    interior: float
    normal: Vector

    @property
    def change(self) -> Vector:
        """w = u' − u, from |w| = 2·sin(φ/2)."""
        size = 2.0 * math.sin(self.angle / 2.0)
        return scaled(self.normal, size)


def scaled(vector: Vector, factor: float) -> Vector:
    """The vector times a number."""
    return (vector[0] * factor, vector[1] * factor, vector[2] * factor)


def unit(vector: Vector) -> Vector:
    """The vector made one long."""
    size = math.hypot(*vector)
    return (vector[0] / size, vector[1] / size, vector[2] / size)


def sum_of(vectors: Sequence[Vector]) -> Vector:
    """The sum of the vectors, each component rounded once."""
    return (math.fsum(v[0] for v in vectors), math.fsum(v[1] for v in vectors), math.fsum(v[2] for v in vectors))


def exact_cross(first: Vector, second: Vector) -> Vector:
    """first × second in whole numbers, rounded once at the end: nearly parallel vectors lose no digits."""
    (a, b, c), one = in_whole_parts(first)
    (p, q, r), other = in_whole_parts(second)
    parts = one * other
    return ((b * r - c * q) / parts, (c * p - a * r) / parts, (a * q - b * p) / parts)


def in_whole_parts(vector: Vector) -> tuple[list[int], int]:
    """The vector in whole numbers of a part that fits into all three, and how many of these make one; exact.

    Numbers of the machine are whole numbers over powers of two.
    """
    ratios = [x.as_integer_ratio() for x in vector]
    parts = max(below for _, below in ratios)
    return [above * (parts // below) for above, below in ratios], parts


def turn_between(before: Vector, after: Vector) -> Turn:
    """The turn from the direction of one displacement to that of another (their lengths do not matter).

    tan φ = |d × d'| / (d · d'). The normal: for an open turn along (u × u') × (u + u'), which is a positive multiple of
    u' − u; for a sharp one along u' − u itself.
    """
    axis = exact_cross(before, after)
    along = math.fsum(p * q for p, q in zip(before, after, strict=True))
    across = math.hypot(*axis)
    angle, interior = math.atan2(across, along), math.atan2(across, -along)
    u, u_next = unit(before), unit(after)
    if across == 0.0:
        return Turn(angle, interior, u_next if along < 0.0 else (0.0, 0.0, 0.0))
    if angle < math.pi / 2.0:
        return Turn(angle, interior, unit(exact_cross(unit(axis), sum_of([u, u_next]))))
    return Turn(angle, interior, unit(sum_of([u_next, scaled(u, -1.0)])))


def deviation_radius(turn: Turn, deviation: float) -> float:
    """Radius of the circle tangent to both runs that passes the corner at a distance (mm).

    T. Kunz, M. Stilman, Time-Optimal Trajectory Generation for Path Following with Bounded Acceleration and Velocity,
    RSS VIII 2012: the circle touches the runs l = δ·sin(φ/2)/(1 − cos(φ/2)) from the corner and has the radius
    l/tan(φ/2), here with tan(φ/2) = 1/tan((π − φ)/2) and 1 − cos(φ/2) = 2·sin²(φ/4).
    """
    half_turn, half_interior = turn.angle / 2.0, turn.interior / 2.0
    if turn.interior == 0.0:  # straight back, however large the deviation
        return 0.0
    touching = deviation * math.sin(half_turn) / (2.0 * math.sin(half_turn / 2.0) ** 2)
    return touching * math.tan(half_interior)


def circle_radius(to_corner: Vector, from_corner: Vector) -> float:
    """Radius of the circle through the two ends and the common point of two chords (mm); infinite on a straight line.

    The circumscribed circle of a triangle: R = product of the sides / (4 · area) (school geometry).
    """
    sides = (math.hypot(*to_corner), math.hypot(*from_corner), math.hypot(*sum_of([to_corner, from_corner])))
    area = math.hypot(*exact_cross(to_corner, from_corner)) / 2.0
    return over(math.prod(sides), 4.0 * area)
