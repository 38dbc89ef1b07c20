"""Layers of random paths beside the slow twin: loops, ramps of seams, spirals of rounded heights, bent strokes."""

from __future__ import annotations

from math import cos, pi, sin
from random import Random
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.gcode.layers import (
    FIRST,
    PRINTED,
    fresh_course,
    layer_count,
    layering_of,
    number_layers,
    printed_length,
    settle_layers,
)
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from tests.naive import layers_twin


class Step(NamedTuple):
    """A move as the twin takes it."""

    dx: float
    dy: float
    dz: float
    de: float
    kind: int
    start: tuple[float, float, float]


class Path:
    """A path that is drawn piece by piece."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.place = (0.0, 0.0, 0.0)
        self.level = 0.2
        self.steps: list[Step] = []

    def go(self, x: float, y: float, z: float, prints: bool) -> None:
        kind = PRINT if prints else TRAVEL
        step = tuple(b - a for a, b in zip(self.place, (x, y, z), strict=True))
        if any(step):
            self.steps.append(Step(*step, 1.0 if prints else 0.0, kind, self.place))
            self.place = (x, y, z)

    def retract(self) -> None:
        for amount in (-1.0, 1.0):
            self.steps.append(Step(0.0, 0.0, 0.0, amount, FILAMENT, self.place))

    def around(self, turns: float, climb: float, digits: int, prints: bool = True) -> None:
        """Round a circle, climbing by so much a turn; heights are rounded as files round them."""
        pieces = self.random.randint(3, 40)
        radius = self.random.uniform(1.0, 30.0)
        way = self.random.choice((-1, 1))
        x, y, z = self.place
        for i in range(1, max(2, round(turns * pieces)) + 1):
            angle = way * 2 * pi * i / pieces
            height = round(z + climb * i / pieces, digits)
            self.go(round(x + radius * (cos(angle) - 1), 3), round(y + radius * sin(angle), 3), height, prints)

    def hop(self, z: float) -> None:
        x, y, _ = self.place
        if self.random.random() < 0.3:
            self.retract()
        self.go(x, y, z + self.random.choice((0.0, 0.4)), prints=False)
        self.go(self.random.uniform(0, 90), self.random.uniform(0, 90), self.place[2], prints=False)
        self.go(*self.place[:2], z, prints=self.random.random() < 0.1)

    def layer(self) -> None:
        """Loops at one height, some of which begin with a ramp from below."""
        thickness = self.random.choice((0.1, 0.2, 0.3))
        self.level = round(self.level + thickness, 3)
        for _ in range(self.random.randint(1, 3)):
            if self.random.random() < 0.4:
                self.hop(self.level - self.random.choice((0.25, 0.5, 1.0)) * thickness)
                self.around(share := self.random.uniform(0.1, 0.9), (self.level - self.place[2]) / share, 3)
            self.hop(self.level)
            self.around(self.random.uniform(0.3, 1.3), 0.0, 3)

    def spiral(self) -> None:
        self.around(
            self.random.uniform(0.2, 6.0), self.random.choice((0.05, 0.2, 0.3, -0.2)), self.random.choice((2, 3, 6))
        )
        self.level = round(self.place[2], 3)

    def bent(self) -> None:
        """A stroke that rises and falls."""
        x, y, z = self.place
        step = self.random.choice((0.5, 5.0, 60.0))
        for i in range(1, self.random.randint(3, 12)):
            self.go(x + step * i, y + self.random.choice((0, 0, step)), round(z + sin(i), 3), prints=True)

    def elsewhere(self) -> None:
        """A part beside the first one, or a line at another height."""
        self.level = self.random.choice((0.1, 0.2, 0.3, 5.0))
        self.hop(self.level)
        self.around(1.0, 0.0, 3)


def random_path(seed: int, bends: bool) -> list[Step]:
    random = Random(seed)
    path = Path(random)
    pieces = [path.layer, path.layer, path.spiral, path.elsewhere, path.retract, *([path.bent] if bends else [])]
    for _ in range(random.randint(1, 25)):
        random.choice(pieces)()
    return path.steps


def fast(steps: list[Step], cuts: list[int]) -> tuple[NDArray[np.int32], int]:
    """The layers that the kernels find, the path given in several blocks; and how many."""
    course, printed = fresh_course(), 0.0
    found = []
    for part in np.split(np.arange(len(steps)), cuts):
        dx, dy, dz, de = (np.array([steps[i][k] for i in part], np.float64) for k in range(4))
        kind = np.array([steps[i].kind for i in part], np.int8)
        height = np.array([layers_twin.end_of(steps[i]) for i in part], np.float64)
        layer = np.empty(part.size, np.int32)
        number_layers(dx, dy, dz, de, kind, height, course, layer)
        printed = printed_length(dx, dy, dz, kind, printed)
        found.append(layer)
    assert course[PRINTED] == pytest.approx(printed, rel=1e-12)
    layering = layering_of(course)
    return settle_layers(np.concatenate(found), layering), layer_count(course, layering)


@pytest.mark.parametrize("bends", [False, True])
@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), data=st.data())
def test_layers_are_those_of_the_twin(bends: bool, seed: int, data: st.DataObject) -> None:
    steps = random_path(seed, bends)
    told = layers_twin.layers_of(steps)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(steps)), max_size=3)))
    found, count = fast(steps, cuts)
    assert found.tolist() == told
    assert count == max(told, default=0)


def test_the_paths_are_of_every_kind() -> None:
    """Some have layers and some have none; some begin above their lowest height; some climb in turns."""
    paths = [random_path(seed, seed % 2 == 0) for seed in range(200)]
    assert 20 < sum(map(layers_twin.falls, paths)) < 180
    numbers = [layers_twin.numbered(steps) for steps in paths]
    settled = [layers_twin.layers_of(steps) for steps in paths]
    assert sum(max(a, default=0) > max(b, default=0) > 0 for a, b in zip(numbers, settled, strict=True)) > 20


def test_nothing_printed_has_no_first_height() -> None:
    course = fresh_course()
    empty = np.empty(0)
    number_layers(empty, empty, empty, empty, np.empty(0, np.int8), empty, course, np.empty(0, np.int32))
    assert course[FIRST] == 0.0
    assert layer_count(course, layering_of(course)) == 0
