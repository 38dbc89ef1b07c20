"""Every word of a job file by hand: what it does to the moves, one small file each."""

from __future__ import annotations

import gzip
import io
import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialects import EXTRUSION
from kinematics.gcode.reader import read_gcode
from tests.gcode.reading import doubts, ends, events, kinds, read, steps

INCH = 25.4


# One line of a case: the text, and displacement and filament of every move that comes of it.
MOVES: list[tuple[str, list[tuple[float, float, float, float]]]] = [
    # straight moves, in the order in which they stand
    ("G0 X1 F60", [(1, 0, 0, 0)]),
    ("G1 X1 Y2 Z3 E4 F60", [(1, 2, 3, 4)]),
    ("G1 X1 F60\nY2\nZ3 E1", [(1, 0, 0, 0), (0, 2, 0, 0), (0, 0, 3, 1)]),
    ("G0 X1 F60\nG1\nX3", [(1, 0, 0, 0), (2, 0, 0, 0)]),
    ("F60\nX5", [(5, 0, 0, 0)]),  # G1 is in force from the start
    # what has neither length nor filament vanishes; the place moves all the same
    ("G1 X1 F60\nG1 X1\nG1 X1 E0\nX2", [(1, 0, 0, 0), (1, 0, 0, 0)]),
    ("G1 X1 F60\nX1.0000000005\nX1.0000000010\nX1.1", [(1, 0, 0, 0), (0.099999999, 0, 0, 0)]),
    # units
    ("G20\nG1 X1 Y-2 E1 F60", [(INCH, -2 * INCH, 0, INCH)]),
    ("G20\nG1 X1 F60\nG21\nX30.4", [(INCH, 0, 0, 0), (5, 0, 0, 0)]),
    ("G20 G1 X1 F60 G21", [(INCH, 0, 0, 0)]),
    # distances
    ("G91\nG1 X1 E1 F60\nX1 E1\nG90\nX1 E1.5", [(1, 0, 0, 1), (1, 0, 0, 1), (-1, 0, 0, -0.5)]),
    ("G1 X5 F60\nG91 X1 G90 X2", [(5, 0, 0, 0), (2, 0, 0, 0)]),  # one motion, where its first word stands
    ("M83\nG1 X1 E1 F60\nX2 E1\nM82\nX3 E1", [(1, 0, 0, 1), (1, 0, 0, 1), (1, 0, 0, -1)]),
    ("M83\nG91\nG1 X1 E1 F60\nG90\nX2 E1", [(1, 0, 0, 1), (1, 0, 0, 1)]),  # G90 leaves M83 in force
    ("M83\nG91\nM82\nG1 X1 E1 F60\nX1 E1", [(1, 0, 0, 1), (1, 0, 0, 1)]),  # G91 is relative for E as well
    # renaming moves nothing
    ("G1 X5 Y5 E5 F60\nG92 X0 E0\nX1 E1", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 Z5 E5 F60\nG92\nX1 Y1 Z1 E1", [(5, 5, 5, 5), (1, 1, 1, 1)]),
    ("G1 X5 F60\nG20\nG92 X1\nX2", [(5, 0, 0, 0), (INCH, 0, 0, 0)]),
    ("G1 X5 F60\nG92 X100\nG91\nX1\nG90\nX100", [(5, 0, 0, 0), (1, 0, 0, 0), (-1, 0, 0, 0)]),
    # homing makes no move, drops the shift of what it homes, and of nothing else
    ("G1 X5 Y5 F60\nG28\nX1 Y1", [(5, 5, 0, 0), (1, 1, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 X\nX1 Y6", [(5, 5, 0, 0), (1, 1, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 X0 Y0\nX1 Y1", [(5, 5, 0, 0), (1, 1, 0, 0)]),
    ("G1 X5 Y5 F60\nG92 X0 Y0\nG28 X\nX1 Y1", [(5, 5, 0, 0), (1, 1, 0, 0)]),
    ("G1 X5 E3 F60\nG28\nE4", [(5, 0, 0, 3), (0, 0, 0, 1)]),
    # words of other axes alone touch neither X, Y and Z nor E; a bare W is no axis
    ("G1 X5 Y5 E5 F60\nG92 U0\nX6 Y5 E6", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 E5 F60\nG92 A0 B0\nX6 E6", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 E5 F60\nG92 C V\nX6 E6", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 E5 F60\nG92 W0\nX6 E6", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 E5 F60\nG92 W\nX1 E1", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 E5 F60\nG92 E0\nX6 E1", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 E5 F60\nG92 F9\nX1 E1", [(5, 5, 0, 5), (1, 0, 0, 1)]),
    ("G1 X5 Y5 F60\nG28 U0 F1000\nX6 Y5", [(5, 5, 0, 0), (1, 0, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 E0\nX6 Y5", [(5, 5, 0, 0), (1, 0, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 A\nX6 Y5", [(5, 5, 0, 0), (1, 0, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 W0\nX6 Y5", [(5, 5, 0, 0), (1, 0, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 W\nX1 Y1", [(5, 5, 0, 0), (1, 1, 0, 0)]),
    ("G1 X5 Y5 F60\nG28 U0 Y\nX6 Y1", [(5, 5, 0, 0), (1, 1, 0, 0)]),
    # flow override
    ("M221 S50\nG1 X1 E1 F60\nX2 E2\nM221 S100\nX3 E3", [(1, 0, 0, 0.5), (1, 0, 0, 0.5), (1, 0, 0, 1)]),
    # several commands on a line act in their order, words go to the last one that takes words
    ("G28 G1 X5 F60", [(5, 0, 0, 0)]),
    ("G1 X5 F60 G92 X0 G1 X1", [(5, 0, 0, 0), (1, 0, 0, 0)]),
    ("G1 X1 G1 X3 F60", [(1, 0, 0, 0), (2, 0, 0, 0)]),
    ("F60\nM104 S200 X9\nX1", [(1, 0, 0, 0)]),
    ("F60\nG90 G21 G1 X1", [(1, 0, 0, 0)]),
    ("G1 X1 X2 X3 F60", [(3, 0, 0, 0)]),
]


@pytest.mark.parametrize(("text", "expected"), MOVES)
def test_moves(text: str, expected: list[tuple[float, float, float, float]]) -> None:
    assert steps(read(text)) == [tuple(round(number, 9) for number in row) for row in expected]


# Ways to write "G1 X10 Y-2.5 F1500" (with what is around it), all of which read alike.
SPELLINGS = [
    "G1 X10 Y-2.5 F1500",
    "g1 x10 y-2.5 f1500",
    "G01X10Y-2.5F1500",
    "G1 X+10. Y-02.50 F1500.",
    "G 1 X 10 Y -2.5\tF 1500",
    "  \tG1 X10 Y-2.5 F1500 \t ",
    "N17 G1 X10 Y-2.5 F1500",
    "N17 G1 X10 Y-2.5 F1500*120",
    "/G1 X10 Y-2.5 F1500",
    "G1 X10 Y-2.5 F1500 ; to the hook X99",
    "(there) G1 X10 (and) Y-2.5 (back) F1500",
    "G1 X(here)10 Y-2.5 F1500",
    "G1 X10 Y-2.5 F1500 (left open X99",
    "G1 X10 Y-2.5 F1500 M117 nearly X99 there %!",
    "; first\n\n(a)\n%\nG1 X10 Y-2.5 F1500",
    "\ufeffG1 X10 Y-2.5 F1500",
    "G1.0 X10 Y-2.5 F1500",
    "G1 F1500 Y-2.5 X10",
]


@pytest.mark.parametrize("text", SPELLINGS)
def test_spelling_changes_nothing(text: str) -> None:
    job = read(text)
    assert steps(job) == [(10, -2.5, 0, 0)]
    assert job.moves.speed.tolist() == [25.0]
    assert job.notices == ()


def test_a_wrong_checksum_is_counted_and_the_line_used() -> None:
    job = read("N1 G1 X1 F60*12\nN2 G1 X2*34\nX3")
    assert ends(job) == [(1, 0, 0), (2, 0, 0), (3, 0, 0)]
    assert doubts(job) == [(1, 2)]


def test_the_checksum_is_the_exclusive_or_of_the_bytes_before_it() -> None:
    total = 0
    for byte in b"N3 G1 X5 F60":
        total ^= byte
    assert read(f"N3 G1 X5 F60*{total}").notices == ()
    assert read(f"N3 G1 X5 F60*{total ^ 1}").notices != ()


def test_lines_end_at_line_feed_carriage_return_or_both() -> None:
    job = read(b"G1 X1 F60\nX2\r\nX3\rX4\n\rX5\r\r\nX6")
    assert job.moves.line.tolist() == [1, 2, 3, 4, 6, 8]
    assert job.lines == 8


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_comments_text_and_checksums_end_with_their_line(end: bytes) -> None:
    lines = [b"G1 X1 F60 ; X9", b"X2 (X9", b"hello X9", b"X3*", b"N4 X4*12", b"M117 X9", b"; X9", b"X5"]
    job = read(end.join(lines))
    assert ends(job) == [(1, 0, 0), (2, 0, 0), (4, 0, 0), (5, 0, 0)]
    assert job.lines == len(lines)


NOT_USED = [
    "hang it up!",
    "G1 X1 45",
    "G1 X1.2.3",
    "X--1",
    "G1 X",
    "G1 X. Y2",
    "G1 Xnan",
    "G1 X3.83e-05 Y1",
    "G1 X1 E3.83E-05",
    "G1 X1 E1e+10",
    "START NAME=hook",
    "x y z",
    "12",
    "G1 X1*",
    "G1 X1*5a",
    "G1 X1 *3*4",
    "100%",
    "µ X1",
    "\x00X1",
]


@pytest.mark.parametrize("text", NOT_USED)
def test_what_is_not_wholly_words_is_counted_and_moves_nothing(text: str) -> None:
    job = read(f"G1 X2 F60\n{text}\nG91\nG1 X1\n")
    assert steps(job) == [(2, 0, 0, 0), (1, 0, 0, 0)]
    assert doubts(job) == [(2, 1)]


@pytest.mark.parametrize(
    "text", ["", "   ", ";", "; X1", "(X1)", "N5", "%", "/", "M117 X1 Y2", "M84", "M106 S255", "G64"]
)
def test_what_means_nothing_to_time_is_not_even_counted(text: str) -> None:
    job = read(f"G1 X2 F60\n{text}\nG1 X3\n")
    assert steps(job) == [(2, 0, 0, 0), (1, 0, 0, 0)]
    assert job.notices == ()


@pytest.mark.parametrize("text", ["Y10E-2", "Y10E-2.50", "Y10 E-12"])
def test_an_e_after_a_number_is_the_extruder_unless_it_is_an_exponent(text: str) -> None:
    job = read(f"F60\nG1 E20\nG1 {text}")
    assert job.moves.dy[-1] == 10.0
    assert job.moves.de[-1] < -20.0


def test_unknown_codes_are_counted_by_name() -> None:
    job = read("G1 X1 F60\nG123 X5\nM970 P1\nG123\nM654.3 S1\nG1 X2")
    assert steps(job) == [(1, 0, 0, 0), (1, 0, 0, 0)]
    assert [(n.line, n.count, n.text.split()[0]) for n in job.notices] == [
        (2, 2, "G123"),
        (3, 1, "M970"),
        (5, 1, "M654.3"),
    ]


@pytest.mark.parametrize("code", ["G54", "G59", "G59.1", "G59.2", "G59.3", "G61.1", "G40", "G49", "G98", "G94"])
@pytest.mark.parametrize("dialect", ["extrusion", "rs274"])
def test_codes_of_the_standard_without_effect_on_time_are_known(code: str, dialect: str) -> None:
    assert read(f"{code} G1 X1 F60", dialect).notices == ()


def test_speeds() -> None:
    job = read("G1 X1 F600\nX2 F1200\nM220 S50\nX3\nM220 S200\nX4\nG20\nX1 F60\nG0 X2")
    assert job.moves.speed.tolist() == pytest.approx([10, 20, 10, 40, INCH * 2, INCH * 2])


def test_a_volume_keeps_its_unit_in_inches_whatever_the_area() -> None:
    """Also where a cubic millimetre is a millimetre of filament."""
    for area in (1.0, 2.0, 25.4):
        told = replace(EXTRUSION, extruder_is_volume=True)
        job = read_gcode(b"G20\nG1 X1 E6 F60\nG21\nE8\n", told, filament_area=area)
        assert job.moves.de.tolist() == pytest.approx([6.0 / area, 2.0 / area], rel=1e-15)


def test_before_the_first_f_no_speed_is_commanded() -> None:
    job = read("X1\nX2\nX3 F60")
    assert job.moves.speed.tolist() == [math.inf, math.inf, 1.0]
    assert doubts(job) == [(1, 2)]


@pytest.mark.parametrize("feed", ["F0", "F-5"])
def test_f_of_zero_or_less_is_counted_and_the_last_one_holds(feed: str) -> None:
    job = read(f"X1 F60\nX2 {feed}\nX3 F120")
    assert job.moves.speed.tolist() == [1.0, 1.0, 2.0]
    assert doubts(job) == [(2, 1)]


def test_g0_has_a_commanded_speed_in_extrusion_and_none_in_the_standard() -> None:
    text = "G1 X1 F60\nG0 X2\nG1 X3"
    assert read(text).moves.speed.tolist() == [1.0, 1.0, 1.0]
    assert read(text, "rs274").moves.speed.tolist() == [1.0, math.inf, 1.0]


def test_kinds() -> None:
    job = read("G1 X1 E1 F60\nX2\nE0\nE1\nX3 E0.5\nZ1 E1")
    assert kinds(job) == ["print", "travel", "filament", "filament", "travel", "print"]


EVENTS = [
    ("G4 P250", [("dwell", 0.25, 2)]),
    ("G4 S3", [("dwell", 3.0, 2)]),
    ("G4 P5 S2", [("dwell", 2.0, 2)]),
    ("M0", [("pause", 0.0, 2)]),
    ("M1 P5", [("pause", 0.0, 2)]),
    ("G28", [("homing", 0.0, 2)]),
    ("G28 X Y", [("homing", 0.0, 2)]),
    ("M104 S210", [("nozzle target", 210.0, 2)]),
    ("M140 S60", [("bed target", 60.0, 2)]),
    ("M109 S210", [("nozzle heating", 210.0, 2)]),
    ("M190 S60", [("bed heating", 60.0, 2)]),
    ("M109 R210", [("nozzle heating", 210.0, 2)]),
    ("M190 R60", [("bed heating", 60.0, 2)]),
    ("M109", [("nozzle heating", None, 2)]),
    # a wait for nothing is none: the heater is off
    ("M190 S0", [("bed target", 0.0, 2)]),
    ("M109 S0", [("nozzle target", 0.0, 2)]),
    ("M109 R0", [("nozzle target", 0.0, 2)]),
    # one word of probing in several lines is one probing, until something else happens
    ("G29 Q1\nG29\nG29 D5\nG29 A\nG29 J2\nG29 C0", [("probing", 0.0, 2)]),
    ("G29\nM104 S5\nG29", [("probing", 0.0, 2), ("nozzle target", 5.0, 3)]),
    ("G29\nG30", [("probing", 0.0, 2), ("probing", 0.0, 3)]),
    ("G30\nG1 X2\nG30", [("probing", 0.0, 2), ("probing", 0.0, 4)]),
    ("G29\nG28\nG29", [("probing", 0.0, 2), ("homing", 0.0, 3), ("probing", 0.0, 4)]),
    ("M104", []),
    ("T0", []),  # the first tool named is in use already
    ("T0\nT0", []),
    ("T0\nT1\nT1\nT0", [("tool change", 1.0, 3), ("tool change", 0.0, 5)]),
    ("T0\nM6 T2", [("tool change", 2.0, 3)]),
    ("G1 X5 T0 X6 T1", [("tool change", 1.0, 2)]),
    ("M109 T1 S200", [("nozzle heating", 200.0, 2)]),
    ("G4 P5\nM0 G28", [("dwell", 0.005, 2), ("pause", 0.0, 3), ("homing", 0.0, 3)]),
    ("G92 X0", []),
    ("M106 S255\nM107\nM84", []),
]


@pytest.mark.parametrize(("text", "expected"), EVENTS)
def test_events(text: str, expected: list[tuple[str, float | None, int]]) -> None:
    job = read(f"G1 X1 F60\n{text}\nG1 X9")
    assert events(job) == expected
    stopped = any(not name.endswith("target") for name, _, _ in expected)
    assert job.moves.stop.tolist()[0] == 0
    assert bool(job.moves.stop[1:].any()) == stopped


def test_an_event_stands_before_the_next_move_and_a_stop_on_it() -> None:
    job = read("G4 P1\nG1 X1 F60\nX2\nM104 S5\nM0\nG4 S1\nX3\nM104 S6\nX4\nG28")
    assert job.events.move.tolist() == [0, 2, 2, 2, 3, 4]
    assert job.moves.stop.tolist() == [1, 0, 1, 0]


def test_the_tool_of_a_heater() -> None:
    job = read("G1 X1 F60\nM104 T1 S200\nM104 S190\nM109 S200 T2")
    assert job.events.tool.tolist() == [1, 0, 2]


def test_a_dwell_without_a_length_is_counted_as_none() -> None:
    job = read("G1 X1 F60\nG4\nG4 P-5\nX2")
    assert events(job) == [("dwell", 0.0, 2), ("dwell", 0.0, 3)]
    assert doubts(job) == [(2, 2)]


def test_homing_goes_where_the_machine_says() -> None:
    job = read("G28\nG1 X0 Y0 Z0 F60\nG28 Y\nG1 X0 Y0", home=(110.0, 100.0, 5.0))
    assert steps(job) == [(-110, -100, -5, 0), (0, -100, 0, 0)]


def test_homing_in_the_standard_is_a_traverse_by_way_of_the_place_told() -> None:
    job = read("G1 X10 Y10 F60\nG28 X5 Y20\nG1 X1 Y0", "rs274", home=(1.0, 0.0, 0.0))
    assert ends(job) == [(10, 10, 0), (5, 20, 0), (1, 0, 0)]
    assert job.moves.speed.tolist() == [1.0, math.inf, math.inf]


@pytest.mark.parametrize("end", ["M2", "M30"])
def test_the_end_of_the_program(end: str) -> None:
    text = f"G1 X1 F60\n{end}\nG1 X2\nX3"
    job = read(text)
    assert len(job) == 3
    assert doubts(job) == [(3, 2)]
    assert len(read(text, "rs274")) == 1


def test_the_second_percent_ends_the_program_in_the_standard() -> None:
    text = "%\nG1 X1 F60\n%\nG1 X2"
    assert len(read(text, "rs274")) == 1
    assert len(read(text)) == 2


def test_the_dwell_of_the_standard_counts_seconds() -> None:
    assert events(read("G4 P2\nG1 X1 F60", "rs274")) == [("dwell", 2.0, 1)]


def test_the_standard_acts_in_its_own_order() -> None:
    # NISTIR 6556, Table 8: feed, dwell, units, distance mode, motion, stop.
    job = read("G1 X1 M0 G4 P1 G91 F60\nX1", "rs274")
    assert events(job) == [("dwell", 1.0, 1), ("pause", 0.0, 1)]
    assert ends(job) == [(1, 0, 0), (2, 0, 0)]
    assert job.moves.speed.tolist() == [1.0, 1.0]


def test_blanks_inside_a_number_of_the_standard() -> None:
    # NISTIR 6556, 3.3: "g0x +0. 12 34y 7" is "g0 x+0.1234 y7".
    assert ends(read("g0x +0. 12 34y 7", "rs274")) == [(0.1234, 7, 0)]


STANDARD_REFUSES = [
    "hello",
    "G1 X1 X2",
    "G1 X",
    "F0",
    "F-1",
    "G1 G0 X1",
    "G17 G18 X1",
    "G20 G21 X1",
    "G90 G91 X1",
    "G123 X1",
    "M970",
    "G28 G92 X1",
    "G1 G92 X1",
    "G92",
    "G4",
    "G4 P-1",
    "G1 X1 ; comment",
    "(open",
    "G2 X1 Y1",
    "G2 I1 J1",
    "G2 X1 R1 I1",
    "G2 X10 Y0 R1",
    "G3 X0 Y0 R5",
    "G2 X10 Y0 I3 J0",
    "G2 X10 I0 J0",
    "G1 X1e+05",
]


@pytest.mark.parametrize("text", STANDARD_REFUSES)
def test_the_standard_refuses_with_the_line(text: str) -> None:
    with pytest.raises(InputError) as caught:
        read(f"F60\n{text}\nG1 X5", "rs274")
    (finding,) = caught.value.findings
    assert finding.place == "<bytes>:2"
    assert text[:38] in finding.found
    assert finding.allowed


def test_the_files_extent_and_filament() -> None:
    job = read("G1 X50 Y50 Z5 F60\nX60 E2\nE1\nX55 Z6 E3\nE0\nX0 Y0")
    assert job.extent == ((50.0, 50.0, 5.0), (60.0, 50.0, 6.0))
    assert job.filament == 3.0
    assert read("G1 X1 F60").extent is None


def test_gzip_is_known_by_its_first_bytes(tmp_path: Path) -> None:
    plain, packed = tmp_path / "a.gcode", tmp_path / "b.gcode"
    plain.write_bytes(b"G1 X1 F60\nX2\n")
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    assert steps(read_gcode(packed)) == steps(read_gcode(str(plain)))
    assert steps(read_gcode(packed.read_bytes())) == steps(read_gcode(plain))


def test_a_dash_is_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(gzip.compress(b"G1 X1 F60"))))
    job = read_gcode("-")
    assert (len(job), job.name) == (1, "-")


def test_the_last_line_needs_no_end() -> None:
    for text in ("G1 X1 F60\nG1 X2", "G1 X1 F60\nG1 X2\n", "G1 X1 F60\nG1 X2 (", "G1 X1 F60\nG1 X2;"):
        assert len(read(text)) == 2, text


@pytest.mark.parametrize(
    "text", ["X1234567890", "E2000000000", "G1 X1 F1000000000", "G2 I1000000000", "G92 X1000000000"]
)
def test_numbers_too_large_for_a_machine_are_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"^<bytes>:2: a number too large"):
        read(f"G1 X1 F60\n{text}\nX5")


def test_an_arc_of_too_many_chords_is_refused() -> None:
    with pytest.raises(InputError, match=r"^<bytes>:2: an arc that needs over 60,000 chords"):
        read("G1 X1 F60\nG2 I10000000 J0\nX5")


def test_a_file_without_motion_says_what_it_had_instead() -> None:
    with pytest.raises(InputError, match=r"no motion.*line 1: dear: no G-code command"):
        read("dear diary\nno moves\n")
