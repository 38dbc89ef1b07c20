"""Arcs by hand: where their chords end, how many they are, and what cannot be an arc (NISTIR 6556, 3.5.3)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from tests.gcode.reading import doubts, ends, read

TOLERANCE = 0.01  # mm
PLACE = 1e-9  # mm
# Axes of the planes in right-handed order, and the words of the centre.
PLANES = [("G17", "XY", "IJ", "Z"), ("G18", "ZX", "KI", "Y"), ("G19", "YZ", "JK", "X")]


def chords_of(sweep: float, radius: float, tolerance: float = TOLERANCE) -> int:
    """Fewest equal chords that stray from the circle by no more than the tolerance."""
    count = 1
    while radius * (1.0 - math.cos(sweep / count / 2.0)) > tolerance * (1.0 + 1e-12) or sweep / count > 2 * math.pi:
        count += 1
    return count


def path_of(job: Job, axes: str = "XYZ", first: int = 1) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Places after every move from the one before `first`, in the order of some axes (mm)."""
    places = np.cumsum(np.column_stack([job.moves.dx, job.moves.dy, job.moves.dz]), axis=0)
    return np.asarray(places[first - 1 :, ["XYZ".index(axis) for axis in axes]])


def turned(job: Job, axes: str, centre: tuple[float, float]) -> float:
    """Angle about a centre from the first place to the last, counter-clockwise positive (rad)."""
    path = path_of(job, axes) - np.array(centre)
    angle = np.arctan2(path[:, 1], path[:, 0])
    steps = np.diff(angle)
    return float(np.sum((steps + math.pi) % (2 * math.pi) - math.pi))


@pytest.mark.parametrize(("plane", "axes", "offsets", "normal"), PLANES)
@pytest.mark.parametrize(("code", "way"), [("G3", 1), ("G2", -1)])
@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_centre_form(plane: str, axes: str, offsets: str, normal: str, code: str, way: int, quarters: int) -> None:
    p, q = list(axes)
    # From (10, 0) about (0, 0) with radius 10.
    end = [(10, 0), (0, 10), (-10, 0), (0, -10)][quarters * way % 4]
    job = read(f"{plane}\nG1 {p}10 {q}0 F600\n{code} {p}{end[0]} {q}{end[1]} {offsets[0]}-10 {offsets[1]}0 E4")
    sweep = quarters * math.pi / 2
    path = path_of(job, axes)
    assert len(job) == 1 + chords_of(sweep, 10.0)
    assert np.allclose(np.hypot(path[:, 0], path[:, 1]), 10.0, atol=PLACE)
    assert turned(job, axes, (0.0, 0.0)) == pytest.approx(way * sweep)
    assert path[-1] == pytest.approx(end, abs=PLACE)
    assert np.all(path_of(job, normal) == 0.0)
    assert job.moves.de[1:] == pytest.approx(4.0 / (len(job) - 1))
    assert np.ptp(np.hypot(*np.diff(path, axis=0).T)) < PLACE  # equal chords
    assert np.all(job.moves.line[1:] == 3)


@pytest.mark.parametrize(("plane", "axes", "offsets", "normal"), PLANES)
@pytest.mark.parametrize(("code", "way"), [("G3", 1), ("G2", -1)])
def test_full_circle(plane: str, axes: str, offsets: str, normal: str, code: str, way: int) -> None:
    p, q = list(axes)
    job = read(f"{plane}\nG1 {p}10 {q}5 F600\n{code} {offsets[0]}-10 {offsets[1]}0")
    assert len(job) == 1 + chords_of(2 * math.pi, 10.0)
    assert path_of(job, axes)[-1] == pytest.approx((10, 5), abs=PLACE)
    assert turned(job, axes, (0.0, 5.0)) == pytest.approx(way * 2 * math.pi)


def test_a_tiny_full_circle_has_three_chords() -> None:
    assert len(read("G1 X1 F60\nG2 I0.002 J0")) == 4


def test_a_whole_turn_that_ends_further_out_is_no_full_circle() -> None:
    """So tiny a circle is all within the tolerance: one chord will do, as the path does not come back."""
    assert len(read("G1 X5 Y5 F600\nG3 Y-100 J0.003")) == 2
    assert len(read("G1 X5 Y5 F600\nG3 J0.003")) == 4


@pytest.mark.parametrize(
    ("code", "radius", "way", "sweep"),
    [
        ("G3", 10, 1, math.pi / 2),
        ("G2", 10, -1, math.pi / 2),
        ("G3", -10, 1, 1.5 * math.pi),
        ("G2", -10, -1, 1.5 * math.pi),
    ],
)
def test_radius_form(code: str, radius: int, way: int, sweep: float) -> None:
    # From (10, 0) to (0, 10): the centre of a short counter-clockwise arc is (0, 0), that of a clockwise one (10, 10).
    job = read(f"G1 X10 Y0 F600\n{code} X0 Y10 R{radius}")
    centre = (0.0, 0.0) if (way > 0) == (radius > 0) else (10.0, 10.0)
    path = path_of(job, "XY") - np.array(centre)
    assert np.allclose(np.hypot(path[:, 0], path[:, 1]), 10.0, atol=PLACE)
    assert turned(job, "XY", centre) == pytest.approx(way * sweep)
    assert len(job) == 1 + chords_of(sweep, 10.0)


def test_a_helix_climbs_evenly() -> None:
    job = read("G1 X10 Y0 F600\nG3 X-10 Y0 Z6 I-10 E3")
    chords = len(job) - 1
    assert job.moves.dz[1:] == pytest.approx(6.0 / chords)
    assert chords == chords_of(math.pi, 10.0)  # by the circle alone, whatever the climb


def test_the_standards_arc_may_be_given_by_one_axis_of_its_plane() -> None:
    job = read("G1 X10 Y0 F600\nG3 X-10 I-10", "rs274")
    assert path_of(job)[-1] == pytest.approx((-10, 0, 0), abs=PLACE)


def test_an_arc_in_force_goes_on() -> None:
    job = read("G1 X10 Y0 F600\nG3 X0 Y10 I-10\nX-10 Y0 J-10")
    assert turned(job, "XY", (0.0, 0.0)) == pytest.approx(math.pi)


def test_offsets_are_from_the_start_whatever_the_distance_mode_and_the_names() -> None:
    job = read("G1 X10 Y0 F600\nG92 X0 Y0\nG91\nG3 X-10 Y10 I-10")
    assert path_of(job)[-1] == pytest.approx((0, 10, 0), abs=PLACE)


def test_inches() -> None:
    job = read("G20\nG1 X1 F600\nG3 X0 Y1 I-1")
    assert path_of(job)[-1] == pytest.approx((0, 25.4, 0), abs=PLACE)
    assert len(job) == 1 + chords_of(math.pi / 2, 25.4)


@pytest.mark.parametrize("tolerance", [0.001, 0.05, 0.5])
def test_the_tolerance_sets_the_number_of_chords(tolerance: float) -> None:
    job = read_gcode(b"G1 X10 F600\nG3 X0 Y10 I-10", arc_tolerance=tolerance)
    assert len(job) == 1 + chords_of(math.pi / 2, 10.0, tolerance)


def test_an_end_off_the_circle_is_counted_and_reached() -> None:
    job = read("G1 X10 Y0 F600\nG3 X0 Y10.5 I-10\nG1 X5")
    assert doubts(job) == [(2, 1)]
    path = path_of(job, "XY")
    assert np.allclose(np.hypot(path[:-2, 0], path[:-2, 1]), 10.0, atol=PLACE)
    assert path[-2] == pytest.approx((0, 10.5), abs=PLACE)


@pytest.mark.parametrize("second", ["", " J0", " J-0"])
def test_an_end_off_the_circle_in_the_direction_of_the_start_turns_alike_both_ways(second: str) -> None:
    # Seen from the centre both lie at 180 degrees, one a hundred times further away: the sweep is the same for either
    # direction, and no sign of a zero may decide between nothing and a whole turn.
    one_way, other_way = (read(f"G1 X100 Y0 F600\n{code} X0.5 Y0 I0.25{second}") for code in ("G2", "G3"))
    assert len(one_way) == len(other_way)


@pytest.mark.parametrize(
    "text", ["G2 X10 Y10", "G2 X20 Y0 R1", "G3 X1 Y1 R5", "G2 X10 Y5 I0 J0", "G2 X3 R0", "G2 X3 Y4 K5", "G2 R5"]
)
def test_an_arc_that_cannot_be_is_a_straight_move(text: str) -> None:
    job = read(f"G1 X1 Y1 F600\n{text} E2\nG1 X7 Y7")
    words = {word[0]: float(word[1:]) for word in text.split()[1:]}
    assert ends(job)[-2][:2] == (words.get("X", 1.0), words.get("Y", 1.0))
    assert len(job) == 3
    assert doubts(job) == [(2, 1)]


def test_a_radius_too_small_by_a_thousandth_is_a_half_circle() -> None:
    job = read("G1 X10 Y0 F600\nG3 X-10 Y0 R9.991")
    assert job.notices == ()
    assert turned(job, "XY", (0.0, 0.0)) == pytest.approx(math.pi)
    assert doubts(read("G1 X10 Y0 F600\nG3 X-10 Y0 R9.989")) == [(2, 1)]


def test_centre_beside_radius_counts_with_a_warning() -> None:
    job = read("G1 X10 Y0 F600\nG3 X0 Y10 I-10 R77")
    assert doubts(job) == [(2, 1)]
    assert turned(job, "XY", (0.0, 0.0)) == pytest.approx(math.pi / 2)


@pytest.mark.parametrize(("apart", "dialect_takes_it"), [(0.0015, True), (0.0025, False)])
def test_radii_may_differ_by_two_microns(apart: float, dialect_takes_it: bool) -> None:
    job = read(f"G1 X10 Y0 F600\nG3 X0 Y{10 + apart} I-10")
    assert (job.notices == ()) == dialect_takes_it
