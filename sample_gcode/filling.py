"""Parallel infill lines inside an outline, joined into long zigzags where the joint stays inside."""

from __future__ import annotations

import math
from typing import NamedTuple

from shapes import Outline, Point, polygon

CHORD_ERROR = 0.0025  # of the outlines that lines are cut off at, mm
SHORTEST_LINE = 0.6  # shorter leftovers in narrow places are not printed, mm
LONGEST_JOINT = 1.8  # in row spacings; along a wall at 45° to the rows it takes 1.42
JOINT_SLACK = 0.1  # how far a joint may pass outside the edge of the infill, mm
JOINT_PLACES = 8  # a joint is judged at this many places along it


class Line(NamedTuple):
    """One piece of an infill line: its row and its two ends, in coordinates turned so that rows are level."""

    row: int
    left: Point
    right: Point


def turned(place: Point, angle: float) -> Point:
    """A place turned about 0, 0 by `angle` (rad)."""
    cosine, sine = math.cos(angle), math.sin(angle)
    return place[0] * cosine - place[1] * sine, place[0] * sine + place[1] * cosine


def crossings(loops: list[list[Point]], y: float) -> list[float]:
    """Where the level line at `y` meets the loops, x ascending; half-open sides count every corner once."""
    found: list[float] = []
    for loop in loops:
        x0, y0 = loop[-1]
        for x1, y1 in loop:
            if (y0 <= y) != (y1 <= y):
                found.append(x0 + (y - y0) / (y1 - y0) * (x1 - x0))
            x0, y0 = x1, y1
    return sorted(found)


def inside(loops: list[list[Point]], place: Point) -> bool:
    """Whether a place is inside: a ray from it meets the loops an odd number of times (holes count as outside)."""
    return sum(x > place[0] for x in crossings(loops, place[1])) % 2 == 1


def rows_of(loops: list[list[Point]], spacing: float) -> list[Line]:
    """The lines of all rows, `spacing` apart and at half-odd multiples of it, so that layers stack on each other."""
    heights = [y for loop in loops for _, y in loop]
    first = math.ceil(min(heights) / spacing - 0.5)
    last = math.floor(max(heights) / spacing - 0.5)
    lines: list[Line] = []
    for row in range(first, last + 1):
        y = (row + 0.5) * spacing
        met = crossings(loops, y)
        for x_left, x_right in zip(met[::2], met[1::2], strict=True):
            if x_right - x_left >= SHORTEST_LINE:
                lines.append(Line(row, (x_left, y), (x_right, y)))
    return lines


def joint_fits(wider: list[list[Point]], begin: Point, finish: Point, longest: float) -> bool:
    """Whether the straight joint between two line ends is short and nowhere leaves the part of the infill."""
    if math.dist(begin, finish) > longest:
        return False
    shares = [(k + 0.5) / JOINT_PLACES for k in range(JOINT_PLACES)]
    return all(
        inside(wider, (begin[0] + share * (finish[0] - begin[0]), begin[1] + share * (finish[1] - begin[1])))
        for share in shares
    )


def nearest_end(here: Point, lines: list[Line]) -> tuple[Line, Point, Point]:
    """The line with the end nearest to a place, that end, and its other end.

    Distances count to a nanometre: ties are then broken by the lines' order, on every machine alike.
    """
    ends = [(line, first, last) for line in lines for first, last in ((line.left, line.right), (line.right, line.left))]
    return min(ends, key=lambda end: round(math.dist(here, end[1]), 6))


def zigzags(outline: Outline, inset: float, spacing: float, angle: float) -> list[list[Point]]:
    """Infill as polylines: lines at `angle` (rad), `spacing` apart (mm), ending `inset` inside the part's edge.

    From the end of a line the zigzag goes on to the nearest line of the next row, if a straight joint to it stays
    inside; else a new one begins at the nearest line left.
    """
    loops = [[turned(p, -angle) for p in polygon(loop, CHORD_ERROR)] for loop in outline(inset)]
    wider = [[turned(p, -angle) for p in polygon(loop, CHORD_ERROR)] for loop in outline(inset - JOINT_SLACK)]
    left_over = rows_of(loops, spacing)
    paths: list[list[Point]] = []
    row = 0
    while left_over:
        here = paths[-1][-1] if paths else left_over[0].left
        line, first, last = nearest_end(here, [line for line in left_over if abs(line.row - row) == 1] or left_over)
        joined = bool(paths) and abs(line.row - row) == 1 and joint_fits(wider, here, first, LONGEST_JOINT * spacing)
        if not joined:
            line, first, last = nearest_end(here, left_over)
            paths.append([])
        paths[-1] += [first, last]
        left_over.remove(line)
        row = line.row
    return [[turned(p, angle) for p in path] for path in paths]
