"""Where moves start, and moves cut into pieces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.gcode.cutting import cut_job, cut_moves, pieces_of, start_places
from kinematics.gcode.moves import FILAMENT, Moves
from tests.gcode.reading import events, read
from tests.naive.random_paths import jobs, to_moves

SUMMING = 1e-12  # relative


def starts(text: str, home: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> list[list[float]]:
    """Where each move of a text starts."""
    return start_places(read(text, home=home)).T.tolist()


def test_moves_start_where_the_one_before_ended() -> None:
    assert starts("G1 X10 Y5 F600\nG1 Z2\nG91\nG1 X-4\nG1 E1\nG1 Y1") == [
        [0, 0, 0], [10, 5, 0], [10, 5, 2], [6, 5, 2], [6, 5, 2],
    ]  # fmt: skip


def test_homing_puts_the_named_axes_home_without_a_move() -> None:
    """At the start all of them, later x alone, then z twice with nothing between."""
    text = "G28\nG1 X10 Y5 F600\nG28 X\nG1 X20\nG28 Z0\nG28 Z\nG1 Y6"
    assert starts(text, (-3.0, 2.0, 50.0)) == [[-3, 2, 50], [-3, 5, 50], [20, 5, 50]]


def test_renaming_a_place_moves_nothing() -> None:
    assert starts("G1 X10 F600\nG92 X0\nG1 X5\nG28\nG1 X1\nG1 X2") == [[0, 0, 0], [10, 0, 0], [0, 0, 0], [1, 0, 0]]


def test_a_home_way_of_the_standard_is_made_of_moves() -> None:
    """By way of the place told to the home place: both are moves, and places go on from them."""
    job = read("G1 X10 F600\nG28 X12\nG1 Y3\nM2", "rs274", (1.0, 0.0, 0.0))
    assert start_places(job).T.tolist() == [[0, 0, 0], [10, 0, 0], [12, 0, 0], [1, 0, 0]]


def test_pieces_are_as_few_as_can_be() -> None:
    job = read("G1 X10 F600\nG1 X20.001\nG1 Y5\nG1 E40\nG1 Y10.1")
    assert pieces_of(job.moves, 5.0).tolist() == [2, 3, 1, 1, 2]
    assert pieces_of(job.moves, 100.0).tolist() == [1] * 5


@settings(derandomize=True, database=None, deadline=None)
@given(jobs(), st.floats(0.05, 30.0))
def test_pieces_add_up_to_the_moves(job: list, longest: float) -> None:
    moves = to_moves(job)
    counts = pieces_of(moves, longest)
    pieces, whole = cut_moves(moves, counts)
    assert np.bincount(whole).tolist() == counts.tolist()
    for name in ("dx", "dy", "dz", "de"):
        summed = np.bincount(whole, weights=getattr(pieces, name))
        assert summed == pytest.approx(getattr(moves, name), rel=SUMMING, abs=1e-15)
    for name in ("speed", "kind", "line", "layer"):
        assert (getattr(pieces, name) == getattr(moves, name)[whole]).all()
    assert np.bincount(whole, weights=pieces.stop).tolist() == moves.stop.tolist()
    first = np.flatnonzero(np.diff(whole, prepend=-1))
    assert pieces.stop[first].tolist() == moves.stop.tolist()
    length = np.sqrt(pieces.dx**2 + pieces.dy**2 + pieces.dz**2)
    assert (length[pieces.kind != FILAMENT] <= longest * (1.0 + 1e-8)).all()
    assert all(a.dtype == b.dtype for a, b in zip(pieces, moves, strict=True))
    assert isinstance(pieces, Moves)


def test_events_and_stated_limits_keep_their_places() -> None:
    job = read("G1 X10 F600\nG4 S1\nG1 X20\nM204 P500\nG1 X22\nG28 Y\nG1 Y9")
    cut, whole = cut_job(job, np.array([4, 2, 1, 3]))
    assert events(cut) == events(job)
    assert job.events.move.tolist() == [1, 3]
    assert cut.events.move.tolist() == [4, 7]
    assert [row.move for row in job.stated] == [2]
    assert [row.move for row in cut.stated] == [6]
    assert whole.tolist() == [0, 0, 0, 0, 1, 1, 2, 3, 3, 3]
    assert cut.moves.stop.tolist() == [0, 0, 0, 0, 1, 0, 0, 1, 0, 0]
    assert start_places(cut)[:, [0, 4, 6, 7]].tolist() == start_places(job).tolist()
    assert cut.labels.of_move.size == 10
    assert cut.conditions.of_move.tolist() == job.conditions.of_move[whole].tolist()
