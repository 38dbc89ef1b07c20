"""What a proof print looks like: a fork with two hollow tines, whose walls rise in bands; all lengths in mm."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

Point = tuple[float, float]

WALL = 58.0  # length of the long walls along X and along Y: room for a swing to die away
TINE = 14.0  # width of a tine and of the back that joins them
LOOPS = 2  # lines of a wall, from the outside in
FOOT_LOOPS = 4  # lines around the first layer that hold the print on the bed
RIB = 0.8  # of a line's width: how far the first layer of a band stands out, for a caliper's jaw to find


class Loop(NamedTuple):
    """A closed line of the print: corners in order, the first one not again at the end; counter-clockwise."""

    corners: tuple[Point, ...]

    @property
    def length(self) -> float:
        """Length of the line once around (mm)."""
        return math.fsum(math.dist(a, b) for a, b in self.sides())

    def sides(self) -> Iterator[tuple[Point, Point]]:
        """Every straight side, from corner to corner."""
        return zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True)


def fork() -> Loop:
    """The outline of the fork, its lower left corner at 0, 0: eight right angles, two of them inner ones."""
    return Loop(
        (
            (0.0, WALL),
            (0.0, 0.0),
            (WALL, 0.0),
            (WALL, WALL),
            (WALL - TINE, WALL),
            (WALL - TINE, TINE),
            (TINE, TINE),
            (TINE, WALL),
        )
    )


def inside(loop: Loop, distance: float) -> Loop:
    """A loop of right angles moved inwards by a distance (mm), outwards where that is below 0.

    Both sides at a corner move along their inner normals (to the left of the way round), so the corner moves by the sum
    of the two. Its length changes by 8 times the distance: four more corners turn left than right.
    """
    corners = loop.corners
    moved = []
    for i, (x, y) in enumerate(corners):
        before, after = corners[i - 1], corners[(i + 1) % len(corners)]
        into, out = _unit(before, (x, y)), _unit((x, y), after)
        moved.append((x - distance * (into[1] + out[1]), y + distance * (into[0] + out[0])))
    return Loop(tuple(moved))


def _unit(a: Point, b: Point) -> Point:
    length = math.dist(a, b)
    return (b[0] - a[0]) / length, (b[1] - a[1]) / length


def wall_loops(width: float, ribbed: bool) -> tuple[Loop, ...]:
    """The lines of one layer of the walls, the outer one first; with a rib it stands out by a part of its width."""
    outer = inside(fork(), width * (0.5 - (RIB if ribbed else 0.0)))
    return (outer, *(inside(fork(), width * (i + 0.5)) for i in range(1, LOOPS)))


def foot_loops(width: float) -> tuple[Loop, ...]:
    """The lines around the first layer, from the outside in; they touch the wall."""
    return tuple(inside(fork(), -width * (FOOT_LOOPS - i - 0.5)) for i in range(FOOT_LOOPS))


def extent(width: float) -> Point:
    """Width and depth of all that is printed (mm)."""
    corners = inside(foot_loops(width)[0], -0.5 * width).corners
    return _span([x for x, _ in corners]), _span([y for _, y in corners])


def _span(values: Sequence[float]) -> float:
    return max(values) - min(values)


def thirds(a: Point, b: Point) -> tuple[Point, Point]:
    """The places a third and two thirds of the way along a side."""
    return _between(a, b, 1.0 / 3.0), _between(a, b, 2.0 / 3.0)


def _between(a: Point, b: Point, share: float) -> Point:
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])
