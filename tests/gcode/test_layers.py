"""Layers by hand: from the heights of what is printed, never from comments."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from kinematics.gcode.dialects import EXTRUSION
from kinematics.gcode.reader import read_gcode
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


def test_doubling_back_while_climbing_turns_neither_way() -> None:
    lines = "\n".join(f"X{9 * (i % 2)} Z{0.2 + 0.01 * i} E1" for i in range(1, 60))
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


def polygon(sides: int, rising: set[int], turns: int, height: float = 0.2, step: float = 0.3) -> str:
    """Rounds of a polygon in which some sides rise, all of them together by `step` a turn."""
    lines = [f"X10 Y0 Z{height}"]
    for i in range(turns * sides):
        angle = 2 * math.pi * (i + 1) / sides
        height += step / len(rising) if i % sides in rising else 0.0
        lines.append(f"X{10 * math.cos(angle):.6f} Y{10 * math.sin(angle):.6f} Z{height:.6f} E0.5")
    return "\n".join(lines)


@pytest.mark.parametrize("rising", [{0}, {0, 6}, {0, 1}, {0, 3, 6, 9}, set(range(0, 12, 2)), set(range(12))])
def test_a_spiral_is_cut_by_its_climb_per_turn_however_its_heights_are_rounded(rising: set[int]) -> None:
    """Steps of z are rounded to 0.01 or 0.001 mm, so most pieces of a finely cut spiral are flat."""
    assert layers(polygon(12, rising, 4))[1:] == [1 + i // 12 for i in range(48)]


def test_heights_rounded_to_a_hundredth() -> None:
    """600 pieces a turn of 0.2 mm: 29 of 30 are flat, and the path does not climb by 20 layers a turn."""
    lines = [
        f"X{30 * math.cos(i / 600 * 2 * math.pi):.4f} Y{30 * math.sin(i / 600 * 2 * math.pi):.4f}"
        f" Z{0.2 + 0.2 * i / 600:.2f} E0.01"
        for i in range(1, 3001)
    ]
    assert layers("X30 Y0 Z0.2\n" + "\n".join(lines))[-1] in (5, 6)


def test_a_flat_ring_on_top_of_a_spiral() -> None:
    ring = "\n".join(f"X{10 * math.cos(i):.4f} Y{10 * math.sin(i):.4f} E0.5" for i in range(1, 20))
    assert layers(polygon(12, set(range(12)), 2) + "\n" + ring)[-19:] == [2] * 19


@pytest.mark.parametrize("below", [0.15, 0.1, 0.05])
def test_a_ramp_that_begins_a_loop_lies_in_the_loops_layer(below: float) -> None:
    """Seams are hidden by a start from below; the second loop of a layer has one as well."""
    loops = [
        f"Z{0.2 * number - below:.3f}\nX9 Z{0.2 * number:.3f} E1\nX9 Y9 E1\nX0 Y9 E1\nX0 Y0 E1\n" * 2
        for number in (1, 2, 3)
    ]
    assert layers("".join(loops)) == [0, *[1] * 9, 1, *[2] * 9, 2, *[3] * 9]


def test_what_is_squeezed_out_while_the_nozzle_comes_down_begins_no_layer() -> None:
    line = "X30 E1\nX0 E1\n"
    assert layers(f"Z0.2\n{line}Z0.4\n{line}Z0.6\nZ0.4 E0.1\n{line}")[-3:] == [2, 2, 2]


# ---- what only the whole path tells -----------------------------------------------------------------------------


def test_a_priming_line_at_another_height_belongs_to_layer_1() -> None:
    assert layers("Z0.3\nX90 E9\nZ0.2\nX1 E1\nX2 E1\nZ0.4\nX3 E1") == [0, 1, 1, 1, 1, 1, 2]
    assert read(START + "Z0.3\nX90 E9\nZ0.2\nX1 E1\nX2 E1\nZ0.4\nX3 E1").layers == 2


def test_two_priming_lines_and_a_blob() -> None:
    assert layers("Z0.5\nX90 E9\nZ0.3\nX1 E1\nZ2 E3\nZ0.2\nX2 E1\nX99 E1\nZ0.4\nX3 E1")[-6:] == [1, 1, 1, 1, 1, 2]


def test_a_part_that_is_begun_when_another_is_done_stays_in_later_layers() -> None:
    part = "Z0.2\nX1 E1\nX2 E1\nZ0.4\nX3 E1\n"
    assert layers(part + part) == [0, 1, 1, 1, 2, 2, 3, 3, 3, 4]


BENT = "Z0.3\n" + "".join(f"X{10 * i} Z{0.3 + 0.2 * (i % 2)} E1\n" for i in range(1, 21))
HINT = "[[layer]]"


def test_a_path_that_rises_and_falls_while_it_prints_has_no_layers() -> None:
    job = read(START + BENT)
    assert job.layers == 0
    assert set(job.moves.layer.tolist()) == {0}
    (notice,) = [one for one in job.notices if HINT in one.text]
    assert (notice.line, notice.count) == (5, 1)
    assert "no layers are told" in notice.text


@pytest.mark.parametrize(("flat", "count"), [(189.0, 0), (190.0, 2)])
def test_more_than_a_twentieth_of_the_printed_length_must_fall(flat: float, count: int) -> None:
    """10 mm fall; what is travelled does not count, down or along."""
    fall = f"Z0.2\nX{flat} E1\nX0\nZ9\nX8\nX0 Z3 E1\n"
    assert read(START + fall).layers == count


def test_a_pattern_of_the_user_tells_layers_all_the_same() -> None:
    marked = START + BENT.replace("X110", "; course 2\nX110").replace("X10 ", "; course 1\nX10 ")
    told = replace(EXTRUSION, layers=(r"course (?P<layer>\d+)",))
    job = read_gcode(marked.encode(), told)
    assert job.layers == 2
    assert job.moves.layer.tolist() == [0, *([1] * 10), *([2] * 10)]
    assert not [one for one in job.notices if HINT in one.text]
    # Without a comment that fits, nobody has told them.
    job = read_gcode((START + BENT).encode(), told)
    assert job.layers == 0
    assert [one for one in job.notices if HINT in one.text]
