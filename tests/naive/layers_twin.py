"""A slow, obvious twin of the layers that a path tells, found once all of its moves are known.

Heights and lengths in mm, angles in rad.
"""

from __future__ import annotations

from cmath import phase
from collections.abc import Sequence
from math import dist, inf, pi, tau
from typing import NamedTuple, Protocol

PRINT = 0
SAME_HEIGHT = 1.5e-6  # mm: printing moves this near in height lie in one layer
SAME_TURN = 1e-6  # rad


class Step(Protocol):
    """What layers ask of a move: its displacement, its kind, and where it starts."""

    @property
    def dx(self) -> float: ...
    @property
    def dy(self) -> float: ...
    @property
    def dz(self) -> float: ...
    @property
    def kind(self) -> int: ...
    @property
    def start(self) -> tuple[float, float, float]: ...


class Layer(NamedTuple):
    """The layer under way: its number, its height, and that of the one below it."""

    number: int = 0
    top: float = inf
    bottom: float = -inf

    def next(self, height: float) -> Layer:
        return Layer(self.number + 1, height, self.top if self.top < height - SAME_HEIGHT else -inf)


class Climb:
    """A path that goes on climbing: how far it has wound, all in all and when it last rose, in how many layers."""

    def __init__(self, place: int, move: Step) -> None:
        self.last = place
        self.end = move.start[2] + move.dz
        self.heading = complex(move.dx, move.dy)
        self.wound = self.wound_at_rise = 0.0
        self.turns = 0

    def follow(self, place: int, move: Step) -> None:
        heading = complex(move.dx, move.dy)
        if heading and self.heading and place == self.last + 1:
            turn = phase(heading / self.heading)
            self.wound += turn if abs(turn) < pi - SAME_TURN else 0.0  # one that doubles back turns neither way
        self.heading = heading or self.heading
        self.last = place
        self.end = move.start[2] + move.dz

    def completes_a_turn(self) -> bool:
        if abs(self.wound - self.turns * tau) < tau - SAME_TURN:
            return False
        self.turns += 1 if self.wound > self.turns * tau else -1
        return True


def end_of(move: Step) -> float:
    return move.start[2] + move.dz


def prints(move: Step) -> bool:
    return move.kind == PRINT


def numbered(moves: Sequence[Step]) -> list[int]:
    """The layer of every move, as far as what follows is of no account."""
    layer, climb = Layer(), None
    numbers = []
    for place, move in enumerate(moves):
        if prints(move):
            layer, climb = after(layer, climb, place, move)
        numbers.append(layer.number)
    return numbers


def after(layer: Layer, climb: Climb | None, place: int, move: Step) -> tuple[Layer, Climb | None]:
    """The layer of a printing move, and the climb that it belongs to."""
    height = end_of(move)
    is_flat = abs(move.dz) <= SAME_HEIGHT
    if climb is not None and abs(move.start[2] - climb.end) <= SAME_HEIGHT:
        climb.follow(place, move)
        if is_flat and abs(climb.wound - climb.wound_at_rise) > pi + SAME_TURN:
            return layer, None
        if not is_flat:
            rises = move.dz > 0 and climb.completes_a_turn()
            climb.wound_at_rise = climb.wound
            if rises:
                return layer.next(height), climb
        return layer._replace(top=max(layer.top, height)), climb
    if is_flat:
        return (layer if abs(height - layer.top) <= SAME_HEIGHT else layer.next(height)), None
    if layer.number and layer.bottom + SAME_HEIGHT < height <= layer.top + SAME_HEIGHT:
        return layer, climb
    return layer.next(height), Climb(place, move)


def length(move: Step) -> float:
    return dist((0.0, 0.0, 0.0), (move.dx, move.dy, move.dz))


def falls(moves: Sequence[Step]) -> bool:
    """Whether more than a twentieth of the printed length falls: then a path has no layers."""
    printed = [move for move in moves if prints(move)]
    return 20 * sum(length(move) for move in printed if move.dz < -SAME_HEIGHT) > sum(map(length, printed))


def layers_of(moves: Sequence[Step]) -> list[int]:
    """The layer of every move: layer 1 holds what is printed before the first move at the lowest height."""
    numbers = numbered(moves)
    ends = {place: end_of(move) for place, move in enumerate(moves) if prints(move)}
    if not ends:
        return numbers
    if falls(moves):
        return [0] * len(moves)
    lowest = min(ends.values())
    first = numbers[min(place for place, height in ends.items() if height <= lowest + SAME_HEIGHT)]
    return [number and max(1, number - first + 1) for number in numbers]
