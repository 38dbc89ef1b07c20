"""Layers by hand: from the heights of what is printed, never from comments."""

from __future__ import annotations

import math

import pytest

from tests.gcode.reading import read

START = "M83\nG1 X0 Y0 F600\n"


def layers(text: str) -> list[int]:
    """The layer of every move of a text in relative filament."""
    return [int(layer) for layer in read(START + text).moves.layer]


def test_flat_layers() -> None:
    text = "G1 Z0.2 X1\nX2 E1\nX3 E1\nG1 Z0.4\nX2 E1\nZ0.6\nX1 E1"
    assert layers(text) == [0, 1, 1, 1, 2, 2, 3]


def test_what_is_travelled_before_a_layer_belongs_to_the_one_before() -> None:
    assert layers("Z0.2\nX1 E1\nZ0.4\nX9\nE-1\nE1\nX5 E1") == [0, 1, 1, 1, 1, 1, 2]


def test_a_hop_of_a_travel_begins_no_layer() -> None:
    assert layers("Z0.2\nX1 E1\nZ0.6\nX5\nZ0.2\nX6 E1\nZ0.6\nX9 Z0.4\nX8 E1") == [0, 1, 1, 1, 1, 1, 1, 1, 2]


def test_going_back_down_begins_a_layer_again() -> None:
    assert layers("Z0.2\nX1 E1\nZ0.4\nX2 E1\nZ0.2\nX3 E1") == [0, 1, 1, 2, 2, 3]


def test_heights_a_millionth_apart_are_one() -> None:
    assert layers("Z0.2\nX1 E1\nZ0.2000005\nX2 E1\nZ0.201\nX3 E1") == [0, 1, 1, 1, 1, 2]


def test_printing_nothing_makes_no_layer() -> None:
    job = read("G1 X1 F60\nZ5\nX2")
    assert job.layers == 0
    assert job.moves.layer.tolist() == [0, 0, 0]


def test_renaming_heights_begins_no_layer() -> None:
    assert layers("Z0.2\nX1 E1\nG92 Z7\nX2 E1") == [0, 1, 1]


def test_what_is_printed_at_height_zero_is_a_layer() -> None:
    assert layers("X1 E1\nX2 E1")[-2:] == [1, 1]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("sides", [3, 8, 60])
def test_a_spiral_is_cut_by_its_turns(sides: int, way: int) -> None:
    turns = 5
    lines = ["Z0.2 X10 Y0"]
    for i in range(1, turns * sides + 1):
        angle = way * 2 * math.pi * i / sides
        lines.append(f"X{10 * math.cos(angle):.6f} Y{10 * math.sin(angle):.6f} Z{0.2 + 0.3 * i / sides:.6f} E0.5")
    job = read(START + "\n".join(lines))
    spiral = job.moves.layer.tolist()[1:]
    # It turns at corners: a turn is complete at the corner that many sides after the first one.
    assert spiral == [1 + i // sides for i in range(turns * sides)]


def test_a_ramp_without_turning_is_one_layer() -> None:
    lines = "\n".join(f"X{i} Z{0.2 + 0.01 * i} E1" for i in range(1, 30))
    assert set(layers("Z0.2\n" + lines)[1:]) == {1}


def test_turning_to_and_fro_while_climbing_is_no_full_turn() -> None:
    lines = "\n".join(f"X{i} Y{i % 2} Z{0.2 + 0.01 * i} E1" for i in range(1, 60))
    assert set(layers("Z0.2\n" + lines)[1:]) == {1}


def test_turns_count_from_the_start_of_the_climb() -> None:
    """A first climbing move straight up has no direction to turn from."""
    square = "".join(f"X{x} Y{y} Z{1 + 0.1 * i} E1\n" for i, (x, y) in enumerate([(9, 0), (9, 9), (0, 9), (0, 0)]))
    assert layers("Z0.2\nY-5 E1\nX0 Y0 E1\nZ0.9 E1\n" + square)[-5:] == [2, 2, 2, 2, 2]
    assert layers("Z0.2\nY-5 E1\nX0 Y0 E1\nZ0.9 E1\n" + square + "X9 Z1.4 E1")[-1] == 3


def test_a_flat_floor_below_a_spiral() -> None:
    floor = "Z0.2\nX10 E1\n"
    spiral = "".join(f"X{10 * math.cos(i)} Y{10 * math.sin(i)} Z{0.2 + 0.02 * i} E1\n" for i in range(1, 14))
    found = layers(floor + spiral)
    assert found[:2] == [0, 1]
    assert found[2] == 2
    assert found[-1] == 3  # twelve turns of one radian are 12 > 2 pi, and less than 4 pi
    assert found == sorted(found)
