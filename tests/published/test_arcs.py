"""Arcs against the rules and programs of NIST: sweep, length, end place, and what is refused.

T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter - Version 3, NISTIR 6556, 2000 (sections given
below). The lengths of the table are computed here from the arcs' geometry; the examples of the report are marked.

Arcs are cut into n equal chords. Exactly, an arc of sweep θ = n·φ is (φ/2)/sin(φ/2) times as long as its chords; and
with tolerance t on radius R the chords fall short of it by a share of about t/3R at most (1 − sin x/x <= x²/6,
1 − cos x = t/R). No arc may take more than 60,000 chords, which sets how fine t can be: 1e-6 mm is far from that here.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode

EXACT = 1e-9  # relative
PLACE = 1e-9  # mm
DIALECTS = ("rs274", "extrusion")


class Arc(NamedTuple):
    """A worked example: where it starts (mm), its command, sweep (degrees, positive counter-clockwise), length (mm)."""

    name: str
    start: tuple[float, float, float]
    command: str
    end: tuple[float, float, float]
    radius: float
    sweep: float
    length: float
    plane: tuple[int, int] = (0, 1)


FIVE_PI, TEN_PI = 5 * math.pi, 10 * math.pi
SHORT_WAY = math.degrees(2 * math.asin(math.sqrt(73) / 40))  # chord √73 on a circle of 20 mm
ARCS = [
    Arc("quarter", (0, 0, 0), "G3 X10 Y10 I0 J10", (10, 10, 0), 10, 90, FIVE_PI),
    Arc("half", (0, 0, 0), "G2 X20 Y0 I10 J0", (20, 0, 0), 10, -180, TEN_PI),
    Arc("NIST C.1 n0190, over 180°", (16, 2.5, 0), "G3 X13.5 Y0 I-2.5", (13.5, 0, 0), 2.5, 270, 3.75 * math.pi),
    Arc("NIST C.1 n0320, full circle", (32.5, 0, 0), "G2 X32.5 J2.5", (32.5, 0, 0), 2.5, -360, FIVE_PI),
    Arc("helix", (0, 0, 0), "G3 X0 Y0 Z2 I10 J0", (0, 0, 2), 10, 360, math.hypot(20 * math.pi, 2)),
    Arc(
        "NIST 3.5.3.2",
        (7, 7, 9),
        "G17 G2 X10 Y16 I3 J4 Z9",
        (10, 16, 9),
        5,
        -143.130102,
        5 * (math.pi - math.asin(0.6)),
    ),
    Arc("NIST 3.5.3.2 from Z5", (7, 7, 5), "G17 G2 X10 Y16 I3 J4 Z9", (10, 16, 9), 5, -143.130102, 13.115317),
    Arc("ZX plane", (10, 0, 0), "G18 G3 X0 Z-10 I-10 K0", (0, 0, -10), 10, 90, 15.707963, (2, 0)),
    Arc("ZX plane, the other way", (10, 0, 0), "G18 G2 X0 Z-10 I-10 K0", (0, 0, -10), 10, -270, 47.123890, (2, 0)),
    Arc("NIST 3.5.3.1", (0, 0, 5), "G17 G2 X10 Y15 R20 Z5", (10, 15, 5), 20, -53.576426, 18.701701),
    Arc("NIST 3.5.3.1, long way", (0, 0, 5), "G17 G2 X10 Y15 R-20 Z5", (10, 15, 5), 20, -306.423574, 106.962005),
    Arc("radius, short way", (0, 0, 0), "G2 X10 Y0 R10", (10, 0, 0), 10, -60, 10.471976),
    Arc("radius, long way", (0, 0, 0), "G2 X10 Y0 R-10", (10, 0, 0), 10, -300, 52.359878),
    Arc("radius, half circle", (0, 0, 0), "G3 X10 Y0 R5", (10, 0, 0), 5, 180, 15.707963),
    Arc("NIST C.1 n0490", (64, 4, 0), "G2 X69 R4", (69, 4, 0), 4, -77.364375, 8 * math.asin(5 / 8)),
]
each_arc = pytest.mark.parametrize("arc", ARCS, ids=[arc.name for arc in ARCS])
each_dialect = pytest.mark.parametrize("dialect", DIALECTS)


def read_arc(arc: Arc, dialect: str, tolerance: float = 0.01) -> tuple[Job, np.ndarray]:
    """The job that goes to the start (from its side, so that a move leads there) and along the arc; its chords (mm)."""
    x, y, z = arc.start
    text = f"F600\nG0 X{x - 1} Y{y} Z{z}\nG0 X{x}\n{arc.command}\n"
    job = read_gcode(text.encode(), dialect, arc_tolerance=tolerance)
    moves = job.moves
    chords = np.stack([moves.dx, moves.dy, moves.dz], axis=1)[moves.line == 4]
    return job, chords


def turns_between(chords: np.ndarray, plane: tuple[int, int]) -> np.ndarray:
    """Signed turn (rad) from each chord to the next, in the plane."""
    p, q = chords[:, plane[0]], chords[:, plane[1]]
    return np.arctan2(p[:-1] * q[1:] - q[:-1] * p[1:], p[:-1] * p[1:] + q[:-1] * q[1:])


@each_dialect
@each_arc
def test_sweep_length_and_end_of_arcs(arc: Arc, dialect: str) -> None:
    """Chords at 0.01 mm, put back to their arc exactly (NISTIR 6556, 3.5.3 and C.1; lengths computed here)."""
    job, chords = read_arc(arc, dialect)
    assert not job.notices
    everything = np.stack([job.moves.dx, job.moves.dy, job.moves.dz], axis=1)
    np.testing.assert_allclose(everything.sum(axis=0), arc.end, rtol=0, atol=PLACE)
    p, q = arc.plane
    count = len(chords)
    turns = turns_between(chords, arc.plane)
    np.testing.assert_allclose(turns, turns.mean(), rtol=0, atol=1e-9)
    step = float(turns.mean())
    assert math.degrees(count * step) == pytest.approx(arc.sweep, abs=5.1e-7)
    flat = np.hypot(chords[:, p], chords[:, q])
    np.testing.assert_allclose(flat, 2 * arc.radius * math.sin(abs(step) / 2), rtol=EXACT)
    on_the_arc = float(flat.sum()) * (abs(step) / 2) / math.sin(abs(step) / 2)
    climb = float(chords[:, 3 - p - q].sum())
    assert math.hypot(on_the_arc, climb) == pytest.approx(arc.length, abs=5.1e-7)
    exact = math.hypot(arc.radius * abs(count * step), climb)
    assert math.hypot(on_the_arc, climb) == pytest.approx(exact, rel=EXACT)


@each_arc
def test_chords_fall_short_by_what_their_tolerance_implies(arc: Arc) -> None:
    """Number of chords by the tolerance, and ΣL within t/3R below the arc, at 1e-6 mm (computed here)."""
    tolerance = 1e-6
    _, chords = read_arc(arc, "rs274", tolerance)
    length = float(np.linalg.norm(chords, axis=1).sum())
    assert arc.length * (1 - 1.001 * tolerance / (3 * arc.radius)) - 5.1e-7 <= length <= arc.length + 5.1e-7
    sweep = math.radians(abs(arc.sweep))
    count = sweep / (2 * math.acos(1 - tolerance / arc.radius))
    assert abs(len(chords) - count) <= 1.0
    assert len(chords) >= count - 1e-4  # the sweeps above are printed to 1e-6 degrees


@pytest.mark.parametrize("tolerance", [0.1, 0.01, 0.001])
def test_chords_stray_by_the_tolerance_at_most(tolerance: float) -> None:
    """The middle of a chord lies R·(1 − cos(φ/2)) inside a circle of 10 mm (plane geometry)."""
    _, chords = read_arc(ARCS[4], "extrusion", tolerance)
    half = math.pi / len(chords)
    assert 10 * (1 - math.cos(half)) <= tolerance
    assert 10 * (1 - math.cos(math.pi / (len(chords) - 1))) > tolerance


@each_dialect
def test_speed_of_a_helix_is_along_the_helix(dialect: str) -> None:
    """F counts along the path, not along its projection (NISTIR 6556, 2.1.2.5 A, 2.1.2.6, 4.3.6.1)."""
    arc = next(arc for arc in ARCS if arc.name == "helix")
    job, chords = read_arc(arc, dialect, 1e-6)
    speeds = job.moves.speed[job.moves.line == 4]
    np.testing.assert_allclose(speeds, 10.0, rtol=1e-12)
    assert float((np.linalg.norm(chords, axis=1) / speeds).sum()) == pytest.approx(62.863676 / 10.0, abs=1e-6)


@each_dialect
def test_offsets_are_increments_whatever_the_distance_mode(dialect: str) -> None:
    """I and J count from the current point under G90 and G91 alike (NISTIR 6556, 3.5.17)."""
    absolute = read_gcode(b"F600\nG0 X10 Y20\nG90 G3 X20 Y30 I0 J10\n", dialect).moves
    relative = read_gcode(b"F600\nG0 X10 Y20\nG91 G3 X10 Y10 I0 J10\n", dialect).moves
    np.testing.assert_allclose(absolute.dx, relative.dx, rtol=0, atol=PLACE)
    np.testing.assert_allclose(absolute.dy, relative.dy, rtol=0, atol=PLACE)


BAD = {
    "radius form that ends where it starts (NISTIR 6556, 3.5.3.1)": ("G3 X0 Y0 R5", 0.0),
    "end further away than twice the radius (listed message, from memory)": ("G3 X11 Y0 R5", 11.0),
    "radii that differ by over 0.002 mm (NISTIR 6556, 3.5.3.2)": ("G3 X10.0021 Y10 I0 J10", None),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_arcs_are_errors_by_the_standard(case: str) -> None:
    """Each stops reading at its line."""
    with pytest.raises(InputError) as caught:
        read_gcode(f"F600\n{BAD[case][0]}\nG1 X50\n".encode(), "rs274")
    assert caught.value.findings[0].place.endswith(":2")


@pytest.mark.parametrize("case", BAD)
def test_bad_arcs_are_warnings_by_trade_usage(case: str) -> None:
    """A warning with the line, a straight move where no arc can be, and the end as told (trade usage, no source)."""
    command, straight = BAD[case]
    job = read_gcode(f"F600\n{command}\nG1 X50\n".encode(), "extrusion")
    assert [(notice.line, notice.count) for notice in job.notices] == [(2, 1)]
    here = job.moves.line == 2
    assert job.moves.dx.sum() == pytest.approx(50.0, abs=PLACE)
    if straight is None:
        assert job.moves.dx[here].sum() == pytest.approx(10.0021, abs=PLACE)
        assert np.count_nonzero(here) > 1
    else:
        assert job.moves.dx[here].tolist() == ([straight] if straight else [])


@each_dialect
@pytest.mark.parametrize("command", ["G3 X10 Y10.0019 I0 J10", "G3 X10.0019 Y10 I0 J10"])
def test_radii_may_differ_by_two_thousandths(command: str, dialect: str) -> None:
    """0.0019 mm between the radii is legal (NISTIR 6556, 3.5.3.2)."""
    assert not read_gcode(f"F600\n{command}\n".encode(), dialect).notices


def test_radii_in_inches() -> None:
    """0.0002 in is what inches allow (NISTIR 6556, 3.5.3.2); 0.0001 in is already more than 0.002 mm."""
    assert not read_gcode(b"G20\nF20\nG3 X1.00019 Y1 I0 J1\n", "rs274").notices
    with pytest.raises(InputError):
        read_gcode(b"G20\nF20\nG3 X1.00021 Y1 I0 J1\n", "rs274")


def test_what_an_arc_must_name() -> None:
    """An axis word and an offset of the plane (NISTIR 6556, 3.5.3); not R beside an offset (from memory)."""
    for command in ("G2 I5", "G2 X10", "G2 X10 K5", "G2 R5", "G2 X10 Y0 R5 I5 J0"):
        with pytest.raises(InputError):
            read_gcode(f"F600\n{command}\n".encode(), "rs274")


def test_full_circle_without_end_point_in_trade_usage() -> None:
    """`G2 I5` alone, an error by NISTIR 6556, 3.5.3, is a full circle in many real files (trade usage, no source)."""
    job = read_gcode(b"F600\nG2 I5\n", "extrusion", arc_tolerance=1e-6)
    assert float(np.hypot(job.moves.dx, job.moves.dy).sum()) == pytest.approx(TEN_PI, abs=1e-5)
    assert job.moves.dx.sum() == pytest.approx(0.0, abs=PLACE)
