"""Sums over planned moves: by layer, and of the path, against plain Python."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.planner.sums import PATH_SUMS, add_path, layer_times, lengthened, new_layers, sums_by_layer

NUMBERS = st.floats(0.0, 500.0)
MOVES = st.lists(st.tuples(st.sampled_from([PRINT, TRAVEL, FILAMENT]), NUMBERS, NUMBERS, NUMBERS), min_size=1)


@given(st.lists(st.tuples(st.integers(0, 3), NUMBERS), min_size=1))
def test_sums_by_layer(steps: list[tuple[int, float]]) -> None:
    """Layers rise by 0 to 3 from move to move."""
    layer = np.cumsum([step for step, _ in steps]).astype(np.int32)
    duration = np.array([seconds for _, seconds in steps])
    expected: dict[int, list[float]] = {}
    for number, seconds in zip(layer.tolist(), duration.tolist(), strict=True):
        expected.setdefault(number, []).append(seconds)
    layers, sums, counts = sums_by_layer(layer, duration, np.concatenate([[0], new_layers(layer)]))
    assert layers.tolist() == sorted(expected)
    assert sums.tolist() == pytest.approx([sum(seconds) for seconds in expected.values()])
    assert counts.tolist() == [len(seconds) for seconds in expected.values()]


def test_layers_are_lengthened() -> None:
    """3 s of a layer to last 5 add 2 s; layer 0 prints nothing and is left alone."""
    layers = lengthened(np.array([1.0, 3.0, 9.0]), 5.0)
    assert layers.cooling.tolist() == [0.0, 2.0, 0.0]


def test_a_layer_without_moves_has_its_row() -> None:
    """Of three layers the second and the last have none; 4 s at least of each but the one before the first."""
    found = layer_times(np.array([0, 1, 1], np.int32), np.array([0.5, 1.0, 2.0]), 3, 4.0)
    assert found.motion.tolist() == [0.5, 3.0, 0.0, 0.0]
    assert found.cooling.tolist() == [0.0, 1.0, 4.0, 4.0]


@given(MOVES, st.integers(0, 40), st.integers(0, 40))
@settings(deadline=None)
def test_path_sums(moves: list[tuple[int, float, float, float]], begin: int, end: int) -> None:
    """Twice in a row, so that sums go on; the second time nothing is higher than before."""
    kind = np.array([move[0] for move in moves], np.int8)
    length, ratio, peak = np.array([move[1:] for move in moves]).T.copy()
    begin, end = sorted((begin % (len(moves) + 1), end % (len(moves) + 1)))
    part = moves[begin:end]
    flows = [r * v if k == PRINT else 0.0 for k, _, r, v in part]
    sums = np.zeros(PATH_SUMS)
    highest = add_path(kind, length, ratio, peak, begin, end, sums)
    expected = [
        sum(one for k, one, _, _ in part if k != FILAMENT),
        sum(one for k, one, _, _ in part if k == PRINT),
        max(flows, default=0.0),
        max((v for k, _, _, v in part if k == PRINT), default=0.0),
        max((v for k, _, _, v in part if k == TRAVEL), default=0.0),
    ]
    assert sums.tolist() == pytest.approx(expected)
    assert highest == (begin + flows.index(max(flows)) if max(flows, default=0.0) > 0.0 else -1)
    assert add_path(kind, length, ratio, peak, begin, end, sums) == -1
    assert sums.tolist() == pytest.approx([2 * expected[0], 2 * expected[1], *expected[2:]])
