"""Closed outlines made of straight lines and arcs, each drawn at any inset from the edge of the part (mm)."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

Point = tuple[float, float]


class Edge(NamedTuple):
    """One side of a loop: straight to `end`, or about `centre` to `end`; a circle where it ends at its beginning."""

    end: Point
    centre: Point | None = None
    clockwise: bool = False


class Loop(NamedTuple):
    """A closed outline: the place it starts from and its sides, the last of which returns there."""

    start: Point
    edges: tuple[Edge, ...]


# The outlines of a part, drawn `inset` mm inside its edge: round the outside first, then each hole.
Outline = Callable[[float], list[Loop]]


def on_circle(centre: Point, radius: float, angle: float) -> Point:
    """The point of a circle at `angle` (rad, from +X, counter-clockwise)."""
    return centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle)


def sweep_of(start: Point, edge: Edge) -> float:
    """Angle that an arc turns through (rad, more than 0, at most 2 pi), whichever way round it goes."""
    if edge.centre is None:
        raise ValueError("a straight side has no sweep")
    begin = math.atan2(start[1] - edge.centre[1], start[0] - edge.centre[0])
    finish = math.atan2(edge.end[1] - edge.centre[1], edge.end[0] - edge.centre[0])
    turned = begin - finish if edge.clockwise else finish - begin
    turned %= 2.0 * math.pi
    # Within a nanoradian of nothing the arc has come back to its start: it is the whole circle.
    return turned if 1e-9 < turned < 2.0 * math.pi - 1e-9 else 2.0 * math.pi


def chords(start: Point, edge: Edge, chord_error: float) -> list[Point]:
    """The places after `start` that a side passes; an arc in equal chords that stray from it by `chord_error` at most.

    A chord that spans the angle t strays by r (1 - cos(t/2)) from its arc.
    """
    if edge.centre is None:
        return [edge.end]
    radius = math.dist(start, edge.centre)
    sweep = sweep_of(start, edge)
    count = max(3, math.ceil(sweep / (2.0 * math.acos(1.0 - chord_error / radius))))
    begin = math.atan2(start[1] - edge.centre[1], start[0] - edge.centre[0])
    step = (-sweep if edge.clockwise else sweep) / count
    inner = [on_circle(edge.centre, radius, begin + step * k) for k in range(1, count)]
    return [*inner, edge.end]


def polygon(loop: Loop, chord_error: float) -> list[Point]:
    """The corners of a loop whose arcs are cut into chords, without repeating the first one at the end."""
    corners = [loop.start]
    for edge in loop.edges:
        corners += chords(corners[-1], edge, chord_error)
    return corners[:-1]


def disc(centre: Point, radius: float, inset: float) -> Loop:
    """The rim of a disc, counter-clockwise from the seam at the back of the bed."""
    seam = (centre[0], centre[1] + radius - inset)
    return Loop(seam, (Edge(seam, centre),))


def hole(centre: Point, radius: float, inset: float) -> Loop:
    """The rim of a round hole, clockwise: material lies outside, so an inset widens it."""
    seam = (centre[0], centre[1] + radius + inset)
    return Loop(seam, (Edge(seam, centre, clockwise=True),))


def rectangle(centre: Point, width: float, depth: float, inset: float) -> Loop:
    """A rectangle with sharp corners, counter-clockwise from its front left corner."""
    right, back = centre[0] + width / 2 - inset, centre[1] + depth / 2 - inset
    left, front = centre[0] - width / 2 + inset, centre[1] - depth / 2 + inset
    return Loop((left, front), (Edge((right, front)), Edge((right, back)), Edge((left, back)), Edge((left, front))))


def rounded_rectangle(centre: Point, width: float, depth: float, corner: float, inset: float) -> Loop:
    """A rectangle with round corners of radius `corner`, counter-clockwise from the left end of its front side.

    The corners keep their centres and lose `inset` of radius; corners smaller than the inset become sharp.
    """
    radius = corner - inset
    if radius <= 0.0:
        return rectangle(centre, width, depth, inset)
    x_far, y_far = width / 2 - corner, depth / 2 - corner
    edges: list[Edge] = []
    start = (centre[0] - x_far, centre[1] - y_far - radius)
    for x_side, y_side, begin in ((1, -1, -0.5), (1, 1, 0.0), (-1, 1, 0.5), (-1, -1, 1.0)):
        middle = (centre[0] + x_side * x_far, centre[1] + y_side * y_far)
        edges.append(Edge(on_circle(middle, radius, begin * math.pi)))
        edges.append(Edge(on_circle(middle, radius, (begin + 0.5) * math.pi), middle))
    # The loop closes on the very point it began from, not on one a rounding away.
    edges[-1] = edges[-1]._replace(end=start)
    return Loop(start, tuple(edges))


class Comb(NamedTuple):
    """Measures of a two-sided comb (mm): round channels along both long sides, round teeth between them.

    Channels are `pitch` apart and their centres `spread` from the long axis. A tooth touches the channels beside it
    tangentially: the centres of both lie `channel_radius + tooth_radius` apart.
    """

    channels: int
    pitch: float
    channel_radius: float
    tooth_radius: float
    spread: float

    @property
    def tooth_rise(self) -> float:
        """How much further out than the channels' centres those of the teeth lie."""
        return math.sqrt((self.channel_radius + self.tooth_radius) ** 2 - (self.pitch / 2) ** 2)


def comb(centre: Point, measures: Comb, inset: float) -> Loop:
    """The rim of a two-sided comb, counter-clockwise from the lower end of its left side.

    All its sides meet tangentially, so an inset keeps every centre: teeth shrink by it, channels widen by it.
    """
    tooth = measures.tooth_radius - inset
    if tooth <= 0.0:
        raise ValueError(f"an inset of {inset} mm leaves nothing of teeth of radius {measures.tooth_radius} mm")
    half = measures.channels / 2
    rise = measures.spread + measures.tooth_rise
    lean = math.atan2(measures.tooth_rise, measures.pitch / 2)  # of the line from a channel's centre to a tooth's
    edges: list[Edge] = []
    start = (centre[0] - half * measures.pitch - tooth, centre[1] - rise)
    for side in (-1.0, 1.0):  # along the front to the right, then along the back to the left
        forward = -side
        for k in range(measures.channels + 1):
            x_tooth = centre[0] + forward * (k - half) * measures.pitch
            middle = (x_tooth, centre[1] + side * rise)
            if k == measures.channels:
                edges.append(Edge((x_tooth + forward * tooth, middle[1]), middle))
                break
            reach_x, reach_y = tooth * math.cos(lean), tooth * math.sin(lean)
            edges.append(Edge((x_tooth + forward * reach_x, middle[1] - side * reach_y), middle))
            channel = (x_tooth + forward * measures.pitch / 2, centre[1] + side * measures.spread)
            next_tooth = (x_tooth + forward * measures.pitch, middle[1])
            edges.append(Edge((next_tooth[0] - forward * reach_x, next_tooth[1] - side * reach_y), channel, True))
        if side < 0.0:
            edges.append(Edge((centre[0] + half * measures.pitch + tooth, centre[1] + rise)))
    edges.append(Edge(start))
    return Loop(start, tuple(edges))
