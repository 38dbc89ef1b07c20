"""The sample jobs are what they claim to be: read back by a slow reader that shares nothing with their maker."""

from __future__ import annotations

import itertools
import math
import subprocess
import sys
from collections import Counter, defaultdict
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

FOLDER = Path(__file__).resolve().parents[2] / "sample_gcode"
NAMES = ("bracket", "test_cube", "cable_guide", "cable_guide_arcs", "spiral_cup", "tall_pin")
FILAMENT_AREA = math.pi * 1.75**2 / 4.0  # mm2
WRITTEN_STEP = 1e-5  # mm of filament, the last digit of E
PLACE_STEP = 1e-3  # mm, the last digit of X, Y, Z
FLOATING = 1e-9  # what adding numbers of a few digits may cost

Place = tuple[float, float, float]


class Move(NamedTuple):
    """One G0-G3 line: where from and to (mm), length of its path, filament, speed (mm/s) and the labels in force."""

    line: int
    begin: Place
    end: Place
    centre: tuple[float, float] | None
    length: float
    filament: float
    speed: float
    road: str
    width: float
    height: float
    course: int

    @property
    def prints(self) -> bool:
        return self.length > 0.0 and self.filament > 0.0


class Job(NamedTuple):
    """What the slow reader finds: the lines, the moves, and the height that each layer's comment gives."""

    lines: list[str]
    moves: list[Move]
    tops: dict[int, float]


@cache
def job(name: str) -> Job:
    """Read a sample with nothing but its own words in mind; anything else fails."""
    lines = (FOLDER / f"{name}.gcode").read_text(encoding="ascii").splitlines()
    place, e, feed, relative = (0.0, 0.0, 0.0), 0.0, 0.0, False
    road, width, height, course = "", 0.0, 0.0, 0
    moves: list[Move] = []
    tops: dict[int, float] = {}
    for number, line in enumerate(lines, start=1):
        words = line.split()
        if words[0] == ";":
            if words[1] == "road:":
                road = words[2]
            elif words[1] == "bead":
                width, height = float(words[2]), float(words[4])
            elif words[1] == "course":
                course = int(words[2])
                assert course == len(tops) + 1
                tops[course] = float(words[4])
        elif words[0] in {"G0", "G1", "G2", "G3"}:
            given = {word[0]: float(word[1:]) for word in words[1:]}
            assert len(given) == len(words) - 1, line
            assert set(given) <= set("XYZEFIJ"), line
            end = (given.get("X", place[0]), given.get("Y", place[1]), given.get("Z", place[2]))
            feed = given.get("F", feed)
            filament = (given["E"] if relative else given["E"] - e) if "E" in given else 0.0
            e = given.get("E", e)
            centre = (place[0] + given["I"], place[1] + given["J"]) if "I" in given else None
            assert (centre is not None) == (words[0] in {"G2", "G3"}), line
            length = math.dist(place, end) if centre is None else arc_length(place, end, centre, words[0] == "G2")
            moves.append(Move(number, place, end, centre, length, filament, feed / 60, road, width, height, course))
            place = end
        elif words[0] == "G92":
            assert words == ["G92", "E0"]
            e = 0.0
        elif words[0] in {"M82", "M83"}:
            relative = words[0] == "M83"
        else:
            assert words[0] in ["G21", "G90", "G28", "M84", "M104", "M106", "M107", "M109", "M140", "M190"], line
    return Job(lines, moves, tops)


def arc_length(begin: Place, end: Place, centre: tuple[float, float], clockwise: bool) -> float:
    """Start radius times the angle from start to end the way the arc goes; a whole turn where they are one place."""
    start, stop = (complex(place[0] - centre[0], place[1] - centre[1]) for place in (begin, end))
    # Both roundings, of ends and of centre, may add up to 1.4 thousandths on either side.
    assert abs(abs(start) - abs(stop)) < 0.002
    ratio = (start / stop) if clockwise else (stop / start)
    turn = math.atan2(ratio.imag, ratio.real)
    return abs(start) * (turn if turn > 0.0 else turn + 2.0 * math.pi)


def roads(moves: list[Move]) -> list[list[Move]]:
    """Printing moves that follow each other without a travel and under one label."""
    runs = itertools.groupby(moves, key=lambda move: (move.prints, move.road, move.course))
    return [list(run) for (prints, _, _), run in runs if prints]


def printed(name: str, road: str, course: int | None = None) -> list[Move]:
    """The printing moves with a label, of one layer or of all."""
    return [m for m in job(name).moves if m.prints and m.road == road and course in (None, m.course)]


def total(moves: list[Move]) -> float:
    """Summed length (mm)."""
    return math.fsum(move.length for move in moves)


def run_script(*options: str) -> subprocess.CompletedProcess[str]:
    """Run the script that makes the samples."""
    command = [sys.executable, "-B", str(FOLDER / "make_samples.py"), *options]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_script_makes_the_same_bytes_again_and_tells_when_they_differ(tmp_path: Path) -> None:
    assert run_script("--into", str(tmp_path)).returncode == 0
    assert sorted(path.stem for path in tmp_path.iterdir()) == sorted(NAMES)
    for name in NAMES:
        assert (tmp_path / f"{name}.gcode").read_bytes() == (FOLDER / f"{name}.gcode").read_bytes(), name
    (tmp_path / "bracket.gcode").write_text("G28\n")
    (tmp_path / "tall_pin.gcode").unlink()
    checked = run_script("--into", str(tmp_path), "--check")
    assert checked.returncode == 1
    assert "bracket.gcode" in checked.stderr
    assert "tall_pin.gcode" in checked.stderr
    assert len(checked.stderr.splitlines()) == 2
    assert (tmp_path / "bracket.gcode").read_text() == "G28\n"


def test_sizes_fit_a_repository() -> None:
    sizes = [(FOLDER / f"{name}.gcode").stat().st_size for name in NAMES]
    assert min(sizes) > 50_000
    assert 3_000_000 < max(sizes) < 4_000_000
    assert sum(sizes) < 12_000_000


@pytest.mark.parametrize("name", NAMES)
def test_job_is_headed_heated_and_switched_off(name: str) -> None:
    lines = job(name).lines
    assert all(line.startswith("; ") for line in lines[:5])
    assert any(line.startswith("; Shows ") for line in lines[:3])
    words = [line.split()[0] for line in lines]
    order = [words.index(word) for word in ("M140", "M104", "G28", "M190", "M109", "G92", "G0", "G1", "M106")]
    assert order == sorted(order)
    assert lines[-3:] == ["M104 S0", "M140 S0", "M84"]


def test_both_ways_of_counting_filament_occur() -> None:
    relative = {name for name in NAMES if "M83" in job(name).lines}
    absolute = {name for name in NAMES if "M82" in job(name).lines and job(name).lines.count("G92 E0") > 40}
    assert len(relative) == len(absolute) == 3
    assert "spiral_cup" in absolute
    assert "test_cube" in relative
    assert not relative & absolute


@pytest.mark.parametrize("name", NAMES)
def test_filament_is_the_volume_of_the_road(name: str) -> None:
    moves = [move for move in job(name).moves if move.prints]
    volumes = [move.width * move.height * move.length / FILAMENT_AREA for move in moves]
    for move, filament in zip(moves, volumes, strict=True):
        assert abs(move.filament - filament) <= WRITTEN_STEP + FLOATING, f"line {move.line}"
    assert math.fsum(move.filament for move in moves) == pytest.approx(math.fsum(volumes), abs=WRITTEN_STEP)


@pytest.mark.parametrize("name", NAMES)
def test_every_move_stays_on_the_bed_and_goes_somewhere(name: str) -> None:
    for move in job(name).moves:
        on_bed = 0.0 < move.end[0] < 215.0 and 0.0 < move.end[1] < 225.0
        assert on_bed or move.end[:2] == (0.0, 0.0), f"line {move.line}"
        assert 0.0 < move.end[2] < 100.0
        assert move.length > 0.0 or move.filament != 0.0
        assert move.speed > 0.0


@pytest.mark.parametrize("name", NAMES)
def test_filament_is_drawn_back_on_long_ways_and_pushed_forward_before_printing(name: str) -> None:
    drawn = 0.0
    lengths = set()
    for move in job(name).moves:
        if move.length == 0.0:
            drawn -= move.filament
            lengths.add(round(abs(move.filament), 5))
            assert abs(drawn) < WRITTEN_STEP or move.filament < 0.0
        elif move.prints:
            assert abs(drawn) < WRITTEN_STEP, f"line {move.line}"
        elif move.course > 0:
            assert move.filament == 0.0
            assert drawn > 1.1 or move.length <= 1.5, f"line {move.line}"
    assert lengths == {1.2}


@pytest.mark.parametrize("name", NAMES)
def test_layers_lie_on_each_other_and_print_at_their_height(name: str) -> None:
    found = job(name)
    first = 0.25 if name == "bracket" else 0.2
    for course, top in found.tops.items():
        assert top == pytest.approx(first + 0.2 * (course - 1), abs=FLOATING)
    for move in found.moves:
        if move.prints and move.course > 0 and move.road != "wall":
            assert move.end[2] == move.begin[2] == found.tops[move.course], f"line {move.line}"
            assert move.height == (first if move.course == 1 else 0.2)
            assert move.road in {"outer", "inner", "infill", "solid"}


@pytest.mark.parametrize("name", NAMES)
def test_perimeters_are_closed_loops(name: str) -> None:
    rims = [road for road in roads(job(name).moves) if road[0].road in {"outer", "inner"}]
    assert all(road[0].begin == road[-1].end for road in rims)
    kinds = Counter(road[0].road for road in rims)
    assert kinds["outer"] == kinds["inner"] >= len(job(name).tops)


def odd_crossings(corners: list[list[tuple[float, float]]], x: float, y: float) -> bool:
    """Whether a place is inside loops of corners."""
    inside = False
    for loop in corners:
        for (x0, y0), (x1, y1) in zip(loop, loop[1:] + loop[:1], strict=True):
            if (y0 <= y) != (y1 <= y) and x0 + (y - y0) / (y1 - y0) * (x1 - x0) > x:
                inside = not inside
    return inside


@pytest.mark.parametrize(
    ("name", "course"),
    [("bracket", 1), ("bracket", 10), ("bracket", 30), ("bracket", 70), ("test_cube", 2), ("test_cube", 50),
     ("cable_guide", 2), ("cable_guide", 19), ("cable_guide", 20), ("spiral_cup", 3), ("tall_pin", 1),
     ("tall_pin", 100), ("tall_pin", 300)],
)  # fmt: skip
def test_infill_stays_inside_the_inner_perimeter(name: str, course: int) -> None:
    """Infill ends 0.85 widths (less 0.1 mm where a joint cuts a curve) inside the inner perimeter's centre line."""
    moves = [move for move in job(name).moves if move.course == course and move.prints]
    rims = [road for road in roads(moves) if road[0].road == "inner"]
    loops = [[(move.begin[0], move.begin[1]) for move in road] for road in rims]
    edges = [(complex(*loop[k - 1]), complex(*loop[k])) for loop in loops for k in range(len(loop))]
    fill = [move for move in moves if move.road in {"infill", "solid"}]
    assert fill
    closest = math.inf
    for move in fill:
        for share in (0.0, 0.5):
            x, y = (move.begin[k] + share * (move.end[k] - move.begin[k]) for k in (0, 1))
            assert odd_crossings(loops, x, y), f"line {move.line}"
            for start, stop in edges:
                along = ((complex(x, y) - start) * (stop - start).conjugate()).real / abs(stop - start) ** 2
                closest = min(closest, abs(complex(x, y) - start - min(1.0, max(0.0, along)) * (stop - start)))
    assert 0.85 * 0.45 - 0.1 - 0.01 < closest < 0.85 * 0.45 + 0.01


def test_cube_is_the_cube_that_was_fixed_beforehand() -> None:
    found = job("test_cube")
    assert len(found.tops) == 100
    assert found.tops[100] == 20.0
    assert total(printed("test_cube", "outer")) == pytest.approx(4 * 19.55 * 100, abs=4 * 100 * PLACE_STEP)
    assert total(printed("test_cube", "inner")) == pytest.approx(4 * 18.65 * 100, abs=4 * 100 * PLACE_STEP)
    for road, side in (("outer", 19.55), ("inner", 18.65)):
        for move in printed("test_cube", road):
            assert move.length == pytest.approx(side, abs=PLACE_STEP)
            assert move.begin[0] == move.end[0] or move.begin[1] == move.end[1]
    speeds = {"outer": 30.0, "inner": 45.0, "infill": 60.0, "solid": 60.0}
    for move in found.moves:
        if move.prints:
            assert move.speed == (20.0 if move.course <= 1 else speeds[move.road])
            assert move.width == (0.6 if move.road == "prime" else 0.45)
        elif move.length == 0.0:
            assert move.speed == 28.0
            assert abs(move.filament) == 1.2
        else:
            assert move.speed == (120.0 if move.begin[2] == move.end[2] else 9.0)
    solid = {move.course for move in found.moves if move.prints and move.road == "solid"}
    assert solid == {1, 2, 3, 98, 99, 100}


def test_cube_is_filled_as_told() -> None:
    """Solid layers are full, sparse ones hold a fifth of their inside; lines alternate between +45° and -45°."""
    for course in (1, 2, 3, 98, 99, 100):
        area = sum(m.width * m.length for m in job("test_cube").moves if m.prints and m.course == course)
        assert area == pytest.approx(400.0, rel=0.02)
    inside = 18.2**2
    for course in (50, 51):
        lines = printed("test_cube", "infill", course)
        slopes = [math.atan2(m.end[1] - m.begin[1], m.end[0] - m.begin[0]) % math.pi for m in lines]
        wanted = math.radians(45.0 if course % 2 else 135.0)
        ruled = [move for move, slope in zip(lines, slopes, strict=True) if abs(slope - wanted) < 0.005]
        # Rows stop 0.85 widths short of the inside's edge, and the outermost may fall a spacing from the corner.
        assert 0.45 * total(ruled) == pytest.approx(0.2 * inside, rel=0.1)
        assert total(ruled) > 0.8 * total(lines)


def test_chords_and_arcs_describe_the_same_guide() -> None:
    chords, arcs = job("cable_guide"), job("cable_guide_arcs")
    assert chords.tops == arcs.tops
    for road in ("outer", "inner"):
        assert total(printed("cable_guide", road)) == pytest.approx(total(printed("cable_guide_arcs", road)), rel=1e-3)
    for road in ("infill", "solid"):
        straight = [(m.begin, m.end) for m in printed("cable_guide", road)]
        assert straight == [(m.begin, m.end) for m in printed("cable_guide_arcs", road)]
    assert all(move.centre is None for move in chords.moves)
    # Every chord begins on an arc of its rim (or on its one straight side), and strays from it by 0.0025 mm at most.
    for road in ("outer", "inner"):
        rims = [m for m in printed("cable_guide_arcs", road, 20) if m.centre is not None]
        assert len(rims) == 7 * 2 + 6 * 2 + 5
        for move in printed("cable_guide", road, 20):
            middle = [(a + b) / 2 for a, b in zip(move.begin[:2], move.end[:2], strict=True)]
            if move.length > 1.0:
                assert move.begin[0] == move.end[0]
                continue
            off = []
            for arc in rims:
                radius = math.dist(arc.begin[:2], arc.centre or (0.0, 0.0))
                gaps = [abs(math.dist(p, arc.centre or (0.0, 0.0)) - radius) for p in (move.begin[:2], middle)]
                off.append(max(gaps))
            assert min(off) < 0.0025 + 2.0 * PLACE_STEP, f"line {move.line}"


def test_guide_has_whole_circles_and_both_ways_round() -> None:
    arcs = [move for move in job("cable_guide_arcs").moves if move.centre is not None]
    circles = [move for move in arcs if move.begin == move.end]
    assert len(circles) == 5 * 2 * len(job("cable_guide_arcs").tops)
    words = Counter(line.split()[0] for line in job("cable_guide_arcs").lines)
    assert words["G2"] > 500
    assert words["G3"] > 500


def test_cup_is_one_spiral() -> None:
    wall = printed("spiral_cup", "wall")
    assert [m.line for m in roads(job("spiral_cup").moves)[-1]] == [m.line for m in wall]
    heights = [wall[0].begin[2], *(move.end[2] for move in wall)]
    assert heights == sorted(heights)
    assert heights[0] == 0.8
    assert heights[-1] == pytest.approx(48.8, abs=FLOATING)
    for k in range(0, 160 * 240, 160):
        assert heights[k + 160] - heights[k] == pytest.approx(0.2, abs=FLOATING)
        assert wall[k].begin[0] == 107.0
    assert heights[160 * 240 :] == [48.8] * 161
    # The first turn fills a wedge and the last one its opposite: together one turn's worth.
    ends = math.fsum(move.height for move in wall[:160] + wall[-160:]) / 160
    assert ends == pytest.approx(0.2, abs=FLOATING)
    assert {move.height for move in wall[160:-160]} == {0.2}
    assert {move.width for move in wall} == {0.6}


def test_pin_has_layers_of_a_few_seconds() -> None:
    """At the commanded speeds alone, so before any ramp is counted."""
    seconds: defaultdict[int, float] = defaultdict(float)
    for move in job("tall_pin").moves:
        seconds[move.course] += (move.length or abs(move.filament)) / move.speed
    assert len(job("tall_pin").tops) == 300
    assert all(1.0 < seconds[course] < 5.0 for course in range(11, 301))
