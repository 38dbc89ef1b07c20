"""Oddities of files in the wild, one test each, in files made up here: none may move the tool astray or go unsaid.

Common practice, no source, apart from what the tests name.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import load_dialect
from kinematics.gcode.dialects import EXTRUSION
from kinematics.gcode.job import Job
from kinematics.gcode.moves import RETRACTION
from kinematics.gcode.reader import read_gcode
from kinematics.gcode.state import NAMES
from tests.gcode.reading import doubts, ends, events, kinds, read, steps

SHOP = load_dialect(Path(__file__).resolve().parents[2] / "sample_gcode" / "shop_dialect.toml")
Steps = list[tuple[float, float, float, float]]
SHORTEST_LONG_COMMENT = 3_000  # characters


def moved(text: str | bytes) -> Steps:
    return steps(read(text))


def assert_moves_nothing(line: str, counted: int = 1) -> Job:
    """The line stands between two moves, is counted at its own number, and both moves are as without it."""
    job = read(f"G1 X5 Y5 E1 F600\n{line}\nX7 E2\n")
    assert steps(job) == [(5.0, 5.0, 0.0, 1.0), (2.0, 0.0, 0.0, 1.0)]
    assert doubts(job) == ([(2, counted)] if counted else [])
    return job


# ---- bytes ------------------------------------------------------------------------------------------------------


def test_byte_order_mark() -> None:
    job = read(b"\xef\xbb\xbfG1 X5 F600\r\nfoo!\r\nX7\r\n")
    assert steps(job) == [(5.0, 0.0, 0.0, 0.0), (2.0, 0.0, 0.0, 0.0)]
    assert doubts(job) == [(2, 1)]


def test_a_byte_order_mark_and_nothing_else() -> None:
    with pytest.raises(InputError, match="no motion in this file"):
        read(b"\xef\xbb\xbf")


def test_bytes_of_latin_1() -> None:
    """In comments and messages they are nobody's business; a line of them is text, and can be shown."""
    job = read("; Stra\xdfe 5 \xb5m\nG1 X5 F600 (\xfc)\nM117 gr\xfc\xdf G1 X9\nf\xfcr Tom\nX7\n".encode("latin-1"))
    assert steps(job) == [(5.0, 0.0, 0.0, 0.0), (2.0, 0.0, 0.0, 0.0)]
    assert doubts(job) == [(4, 1)]
    assert job.notices[0].text.isprintable()


def test_three_kinds_of_line_ends_in_one_file() -> None:
    job = read(b"G1 X1 F600\nX2\r\nX3\rX4\r\rX5\n\nX6\r\n\r\nX7 ; G1\rX8")
    assert [step[0] for step in steps(job)] == [1.0] * 8
    assert job.moves.line.tolist() == [1, 2, 3, 4, 6, 8, 10, 11]
    assert job.lines == 11


def test_comment_lines_of_thousands_of_characters() -> None:
    long = "G1 X9 " * SHORTEST_LONG_COMMENT
    job = read(f"G1 X5 F600\n; {long}\nX6 ({long})\nM117 {long}\nX7 ;{long}\n")
    assert steps(job) == [(5.0, 0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0)]
    assert not job.notices


# ---- numbers and words ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "value"),
    [
        (".5", 0.5),
        ("-.525", -0.525),
        ("120.", 120.0),
        ("-0.", 0.0),
        ("09.342", 9.342),
        ("+007", 7.0),
        ("1.23456789012345678", 1.23456789012345678),
        ("145.00000000000000001", 145.0),
        ("000000000000000000000012.50", 12.5),
    ],
)
def test_ways_to_write_a_number(written: str, value: float) -> None:
    job = read(f"G1 Y1 X{written} F600\n")
    assert float(job.moves.dx[0]) == value
    assert not job.notices


def test_a_blank_inside_a_word() -> None:
    assert moved("G1 X 145.24 Y\t7 F 600\nG 1 X150\n") == moved("G1 X145.24 Y7 F600\nG1 X150\n")
    assert not read("G1 X 145.24 F600\n").notices


@pytest.mark.parametrize(
    "line",
    ["G1 X12.5.3 Y4 E2", "X1.2.", "G1 X10 Enan", "G0 Yinf", "G1 X10 E3.83e-05", "X3.83E+05 Y1", "G1 X1 45", "G1 X--3"],
)
def test_damaged_numbers(line: str) -> None:
    assert_moves_nothing(line)


def test_damaged_lines_are_counted_with_the_first_one_shown() -> None:
    """Damaged numbers, all of them: none is called a command that nobody knows."""
    job = read("G1 X5 F600\nG1 X1.2.3\nX6\nG1 X10 Enan\nG1 Ynan\nG1 X1 45\n12\nG1 X3e+10\nG1 X-\n")
    (notice,) = job.notices
    assert notice.text.startswith("damaged line")
    assert "G1 X1.2.3" in notice.text
    assert (notice.line, notice.count, notice.counted) == (2, 7, "lines")


def test_commands_glued_together() -> None:
    job = read("M109 S200G1 X1.5 Y30 E6\nN24G1X110.F1.27\nT0M6\nT1M6\nX5\n")
    assert steps(job) == [(1.5, 30.0, 0.0, 6.0), (108.5, 0.0, 0.0, 0.0), (-105.0, 0.0, 0.0, 0.0)]
    assert events(job) == [("nozzle heating", 200.0, 1), ("tool change", 1.0, 4)]
    assert job.moves.speed.tolist() == pytest.approx([math.inf, 1.27 / 60, 1.27 / 60])


def test_lines_without_a_command() -> None:
    assert moved("G1 F600\nX5\nY3 E1\nZ1\nE3\n") == [(5, 0, 0, 0), (0, 3, 0, 1), (0, 0, 1, 0), (0, 0, 0, 2)]


def test_leading_tabs_and_small_letters() -> None:
    job = read("\t\tg1 x5 y3 f600\n \t m104 s200\n\tm83\ng0 e1\n")
    assert steps(job) == [(5.0, 3.0, 0.0, 0.0), (0.0, 0.0, 0.0, 1.0)]
    assert events(job) == [("nozzle target", 200.0, 2)]


# ---- what is no G-code ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        "begin: nozzle=1 heat=210",
        "bell T=1 E=5 X=10",
        "warm := E1 200, E0 190",
        "rack_door T1",
        "brush_tip E5 X10",
        "path := open",
        "%%note 5 X10",
        "!!wait",
        "#1=5.5",
        "#101=[#1+2] G1 X#101",
        "WHEN[#1 OVER 3]SKIP 20",
        "UNTIL[#2 UNDER 10]AGAIN 1",
        "G1 X#1",
        "G1 X[3+4]",
        "<<if x5>>",
        "Spoke key, size 3.45 mm; hang it up!",
        "please check the bed",
        "layer 5 of 10",
        "use M8 bolts and G1 torque",
        "=== G1 X5 ===",
        "// G1 by hand",
        'M923 "G1 X50.txt"',
        'M998 P"/parts/x50.txt"',
        "<?xml version='1.0'?>",
        "100%",
    ],
)
def test_lines_that_are_no_g_code(line: str) -> None:
    assert_moves_nothing(line)


def test_a_line_behind_two_strokes() -> None:
    assert_moves_nothing("//G1 X50 E9")


def test_a_line_behind_a_percent_sign() -> None:
    assert_moves_nothing("% G1 X50 E9")


@pytest.mark.parametrize(
    "line",
    [
        "M117 nearly there: X50 E9 G1 X3",
        "M118 B1 C1 G28",
        'M117 "G1 X5 (half',
        "m117 Shim 5/10 ; 50%",
        "M117",
        "N8 M117 T1 M600*3",
        "M0117 G1 X9",
        "M118 =*#@{}",
    ],
)
def test_messages_with_free_text(line: str) -> None:
    assert not assert_moves_nothing(line, counted=0).events.kind.size


def test_bare_letters() -> None:
    job = read("G1 X5 F600\nG28 W\nM84 E\nM18 X Y\nG28 X\nX7\n")
    assert not job.notices
    assert events(job) == [("homing", 0.0, 2), ("homing", 0.0, 5)]
    assert steps(job)[1] == (7.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("line", ["M950 R U B", "M951 R255 U0 B10", "M952 X800 Y800 Z400 E650", "M953 X80 E93"])
def test_axis_letters_on_codes_that_do_not_move(line: str) -> None:
    job = assert_moves_nothing(line)
    assert job.notices[0].text.startswith(line.split()[0])


@pytest.mark.parametrize("line", ["M104 T1 S200", "M109 S200 T1", "M106 T1 S255", "M140 T1 S60", "M999 T1"])
def test_a_t_of_another_code_is_no_tool_change(line: str) -> None:
    job = read(f"T0\nG1 X5 F600\n{line}\nX6\n")
    assert "tool change" not in [name for name, _, _ in events(job)]


def test_a_t_of_limits_is_a_limit() -> None:
    job = read("T0\nG1 X5 F600\nM204 P500 T1500\nX6\n")
    assert not events(job)
    assert [(row.means, row.value, row.line) for row in job.stated] == [
        ("print acceleration", 500.0, 3),
        ("travel acceleration", 1500.0, 3),
    ]


def test_axes_of_other_machines_are_renamed_alone() -> None:
    """`G92 U0` between two moves: 141.7 mm to the first place (with the way up) and 10 mm on, not all the way again."""
    job = read("G1 X100 Y100 Z10 F6000\nG92 U0\nG1 X110 Y100\n")
    length = np.sqrt(job.moves.dx**2 + job.moves.dy**2 + job.moves.dz**2).sum()
    assert length == pytest.approx(math.sqrt(2 * 100**2 + 10**2) + 10)
    told = replace(EXTRUSION, extruder_letter="U")
    job = read_gcode(b"G1 X100 Y100 U5 F6000\nG92 U0\nG28 U0\nG1 X110 U1\nG92 E0\nG1 X120 U2\n", told)
    assert steps(job) == [(100, 100, 0, 5), (10, 0, 0, 1), (10, 0, 0, 1)]


# ---- what the notices say ---------------------------------------------------------------------------------------


def texts(text: str) -> list[str]:
    """The notices of a text after one move, without their first lines."""
    return [
        f"{one.text.partition(' (first')[0]}, {one.count} {one.counted}" for one in read(f"G1 F60 X1\n{text}").notices
    ]


@pytest.mark.parametrize("letter", ["A", "B", "C", "U", "V", "W"])
def test_the_letter_of_an_unknown_axis_proposes_an_extruder(letter: str) -> None:
    job = read("G1 X5 F600\n" + f"G1 X6 {letter}1\nG0 {letter}3 X5\n{letter}5\n" * 1000)
    (notice,) = job.notices
    assert (notice.line, notice.count) == (2, 3000)
    assert f'[extruder] letter = "{letter}"' in notice.text
    told = replace(EXTRUSION, extruder_letter=letter)
    assert not read_gcode(f"G1 X5 {letter}1 F600\n".encode(), told).notices
    (notice,) = read_gcode(b"G1 X5 E1 F600\nG1 E2\n", told).notices
    assert (notice.line, notice.count) == (1, 2)
    assert '[extruder] letter = "E"' in notice.text


def test_codes_are_named_as_they_stand() -> None:
    assert texts("M6013\nG1000 X5\nM6013 S2\nG-5\nM0999.9\nG12345678 X1") == [
        "G1000 is not understood, not used, 1 lines",
        "G-5 is not understood, not used, 1 lines",
        "G12345678 is not understood, not used, 1 lines",
        "M6013 is not understood, not used, 2 lines",
        "M999.9 is not understood, not used, 1 lines",
    ]


def test_text_is_counted_by_its_first_word_and_numbers_come_first() -> None:
    """Few lines that set something do not hide under many marks of something else."""
    marks = "part: shim_1, copy=hook_2\n" * 2610
    job = read("G1 X1 F60\n" + marks + "ramp := 4500\n" * 1900 + "Ramp up\nramp to 30%\nRAMP=9\nhello you\n")
    found = [(one.text.partition(":")[0], one.line, one.count) for one in job.notices]
    assert found == [("ramp", 2612, 1903), ("part", 2, 2610), ("hello", 4515, 1)]
    assert all("no G-code command, not used" in one.text for one in job.notices)
    assert "(first: 'ramp := 4500')" in job.notices[0].text


def test_more_words_than_anybody_wants_to_read_are_one_notice() -> None:
    words = ["".join(chr(97 + (i // 26**k) % 26) for k in range(3)) for i in range(1000)]
    job = read("G1 X1 F60\n" + "".join(f"{word}!\n" for word in words) + "aaa!\n")
    assert sum(one.count for one in job.notices) == 1001
    (rest,) = [one for one in job.notices if one.text.startswith("no G-code command")]
    assert rest.count == 1000 - NAMES
    assert max(one.count for one in job.notices if one is not rest) == 2


def test_a_word_that_changes_nothing_is_one_notice_of_lines() -> None:
    assert texts("M205 Q5 D0 H3\nM205 X-5\nM205 Q1 M205 Q2\nM204 S0\nM203 X") == [
        "M205 D, H, Q, X state no limits that are known, not used, 3 lines",
        "M204 S states no limit that is known, not used, 1 lines",
    ]


def test_what_may_cost_time_comes_first() -> None:
    found = texts("M970\nfetch somebody!\nG1 X1 X2\nramp := 5\nG1 X1.2.3\nG4\nG31\nG1 U5\nG1 U6\nG29\nG29 Q1\nF.2\n")
    assert [text.split()[0] for text in found] == [
        *("U", "damaged", "dwell", "G31", "probing", "F", "ramp:", "M970", "fetch:", "word"),
    ]


def test_several_doubts_of_a_line_are_one_line_each() -> None:
    assert texts("M970 M970 M970\nG1 X1 X2 X3 Y1 Y2\nG1 F0 G1 F0 G1 F0 X5\nG4 G4 G4") == [
        "dwell without a length: counted as 0 s, 1 lines",
        "M970 is not understood, not used, 1 lines",
        "word given twice in one command: the last one counts, 1 lines",
        "F of 0 or less, or under 0.01 mm a minute: the last F still holds, 1 lines",
    ]


def test_a_feed_for_each_turn_of_a_spindle_is_a_doubt() -> None:
    """Under G95 it is no speed; without G95 it stands as it is, and the notice says what it may be."""
    assert texts("G95\nG1 X5 F0.2\nX9") == [
        "F in a turn of the spindle (G95): not guessed, the machine's limits alone hold, 2 lines"
    ]
    (text,) = texts("G1 X5 F0.2\nX9")
    assert text.startswith("F of under 1 mm a minute")
    assert "G95" in text
    assert not texts("G20\nG1 X1 F0.1")  # 2.54 mm a minute


# ---- the extruder -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("letter", ["A", "U"])
def test_the_extruder_on_another_letter(letter: str) -> None:
    dialect = replace(EXTRUSION, extruder_letter=letter)
    job = read_gcode(f"G1 X5 {letter}1 F600\nG92 {letter}0\nX6 {letter.lower()}.5 E9\n".encode(), dialect)
    assert steps(job) == [(5.0, 0.0, 0.0, 1.0), (1.0, 0.0, 0.0, 0.5)]
    assert kinds(read(f"G1 X5 {letter}1 F600\n")) == ["travel"]  # unless told


@pytest.mark.parametrize("line", ["G10 P1 S205 R160", "G10 P0 X0 Y0", "G10 L2 P1", "G10 S205", "G11 P1", "G10 R3"])
def test_g10_with_words_of_its_own_is_no_retraction(line: str) -> None:
    job = assert_moves_nothing(line)
    assert not job.events.kind.size
    assert "no retraction" in job.notices[0].text


def test_a_word_of_the_users_table_that_heats_a_nozzle_or_retracts() -> None:
    text = b"G885 P1 S205 R160\nG1 X5 F600\nG885 P0 X0 Y0\nG885 S190\nX6\nG885\nG885 S1\nG11\n"
    job = read_gcode(text, SHOP)
    assert events(job) == [
        ("nozzle target", 205.0, 1),
        ("nozzle target", 190.0, 4),
        ("retraction", 0.0, 6),
        ("retraction", 0.0, 8),
    ]
    assert job.events.tool.tolist() == [1, 0, 0, 0]
    assert job.moves.stop.tolist() == [0, 0]
    assert not job.notices


def test_g10_as_a_retraction() -> None:
    """Of no told length it is a stop of unknown length, by the machine's length a move; twice in a row is once."""
    text = b"G1 X5 E1 F600\nG10\nG10\nX6\nG11\nX7 E2\n"
    job = read_gcode(text)
    assert job.events.kind.tolist() == [RETRACTION, RETRACTION]
    assert steps(job) == [(5.0, 0.0, 0.0, 1.0), (1.0, 0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 1.0)]
    told = read_gcode(text, retraction=(0.8, 35.0))
    assert [step[3] for step in steps(told)] == [1.0, -0.8, 0.0, 0.8, 1.0]
    assert told.moves.speed.tolist() == [10.0, 35.0, 10.0, 35.0, 10.0]
    assert not told.events.kind.size


def test_a_small_retraction_under_g91_at_the_end() -> None:
    """G91 makes E relative as well, M82 or not: 2 mm drawn back, not the whole job's filament."""
    job = read("M82\nG1 X5 E500 F600\nX9 E820\nG91\nG1 Z5 E-2\nG90\nX0 Y200\nE820\n")
    assert [step[3] for step in steps(job)] == [500.0, 320.0, -2.0, 0.0, 2.0]
    assert job.filament == 820.0


def test_m83_before_g90() -> None:
    """G90 puts E back to what M82 or M83 said last: it stays relative."""
    job = read("M83\nG90\nG1 X5 E1 F600\nX6 E1\nG91\nX1 E1\nG90\nX9 E1\nM82\nX10 E5\n")
    assert [step[3] for step in steps(job)] == [1.0, 1.0, 1.0, 1.0, 1.0]


# ---- arcs -------------------------------------------------------------------------------------------------------


def turned(job: Job, line: int, x: float, y: float, start: tuple[float, float] = (0.0, 0.0)) -> float:
    """The angle (turns) that the moves of a line make about a place."""
    here = job.moves.line == line
    px = start[0] + np.concatenate([[0.0], np.cumsum(job.moves.dx[here])]) - x
    py = start[1] + np.concatenate([[0.0], np.cumsum(job.moves.dy[here])]) - y
    return float(np.unwrap(np.arctan2(py, px))[[0, -1]] @ [-1.0, 1.0]) / (2.0 * math.pi)


def test_a_full_circle_by_its_centre_alone() -> None:
    job = read("G1 F600\nG2 I10 J0 E5\nG3 J-4\n")
    assert turned(job, 2, 10.0, 0.0) == pytest.approx(-1.0)
    assert turned(job, 3, 0.0, -4.0) == pytest.approx(1.0)
    assert float(job.moves.de.sum()) == pytest.approx(5.0)
    assert ends(job)[-1] == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("turns", "whole"), [("", 0), (" P1", 0), (" P2", 1), (" P5", 4)])
def test_turns_by_p(turns: str, whole: int) -> None:
    """A quarter about (10, 0), and whole turns before its end; P counts the drawn one."""
    job = read(f"G1 F600\nG2 X10 Y10 I10 Z2 E4{turns}\n")
    assert turned(job, 2, 10.0, 0.0) == pytest.approx(-0.25 - whole)
    assert ends(job)[-1] == (10.0, 10.0, 2.0)
    assert float(job.moves.de.sum()) == pytest.approx(4.0)


def test_an_arc_whose_end_lies_off_its_circle() -> None:
    """Cut on the circle of the start; the last chord goes to the place told. Counted from 0.002 mm on."""
    job = read("G1 F600\nG3 X10.3 Y10 I0 J10 E3\nX20.3 Y20 I5 J5\n")
    assert ends(job)[-1] == (20.3, 20.0, 0.0)
    places = np.array(ends(job))[job.moves.line == 2]
    away = np.hypot(places[:, 0], places[:, 1] - 10.0)
    np.testing.assert_allclose(away[:-1], 10.0, atol=1e-6)
    assert away[-1] == pytest.approx(10.3)
    assert doubts(job)[0] == (2, 1)
    assert not read("G1 F600\nG3 X10.0019 Y10 I0 J10\n").notices


def test_offsets_on_a_straight_move() -> None:
    assert moved("G1 X5 Y5 I3 J4 K2 R7 F600\nG0 X6 I1\nG1 I5\n") == [(5, 5, 0, 0), (1, 0, 0, 0)]


# ---- waits, feeds and programs ----------------------------------------------------------------------------------


def test_a_dwell_of_nothing() -> None:
    job = read("G1 X5 F600\nG4\nX6\nG4 X5\nX7\n")
    assert events(job) == [("dwell", 0.0, 2), ("dwell", 0.0, 4)]
    assert doubts(job) == [(2, 2)]
    assert job.moves.stop.tolist() == [0, 1, 1]


def test_feed_by_the_turn_of_a_spindle() -> None:
    job = read("F600\nG95\nG1 X5 F0.2\nX6\nG94\nG1 X7 F600\n")
    assert job.moves.speed.tolist() == [math.inf, math.inf, 10.0]
    assert doubts(job) == [(3, 2)]


@pytest.mark.parametrize("mode", ["G93", "G95"])
def test_feed_after_another_kind_of_feed(mode: str) -> None:
    """After G94 holds what F said last under G94."""
    job = read(f"G1 X1 F600\n{mode}\nG1 X5 F2\nG94\nX7\n")
    assert float(job.moves.speed[-1]) == 10.0


@pytest.mark.parametrize("first", ["X0.3", "G91 X0.1|X0.2|G90"])
def test_inverse_time_of_the_extruder_alone(first: str) -> None:
    """F2 is 30 s for the filament too; what is shorter than 1e-9 mm is no length, such as 0.1 + 0.2 − 0.3."""
    job = read(f"G1 F600|{first}|G93|G1 X0.3 E1 F2".replace("|", "\n"))
    assert kinds(job)[-1] == "filament"
    assert float(job.moves.speed[-1]) == pytest.approx(1.0 / 30.0)


@pytest.mark.parametrize("end", ["M2", "M30", "%"])
def test_two_programs_in_one_file(end: str) -> None:
    """Both are counted; after the end of the first one with a warning, % being no end in this trade."""
    job = read(f"%\nG1 X5 E1 F600\n{end}\n%\nG92 E0\nG1 X9 E1\nX10 E2\n{end}\n")
    assert steps(job) == [(5.0, 0.0, 0.0, 1.0), (4.0, 0.0, 0.0, 1.0), (1.0, 0.0, 0.0, 1.0)]
    assert doubts(job) == ([] if end == "%" else [(6, 2)])


def test_moves_before_homing_units_and_feed() -> None:
    """From 0, 0, 0, in millimetres, with no commanded speed, and a warning with the line."""
    job = read("; no start\nG1 X5 Y5\nE1\nG20\nG1 X1 F60\nG28 X\nX1\n")
    assert steps(job) == [(5, 5, 0, 0), (0, 0, 0, 1), (20.4, 0, 0, 0), (25.4, 0, 0, 0)]
    assert job.moves.speed.tolist() == [math.inf, math.inf, 25.4, 25.4]
    assert doubts(job) == [(2, 2)]


def test_a_file_without_any_feed() -> None:
    job = read("G28\nG1 X5 E1\nX9 E2\n")
    assert job.moves.speed.tolist() == [math.inf, math.inf]
    assert doubts(job) == [(2, 2)]


@pytest.mark.parametrize("text", ["G28\nM104 S200\nF600\n", "; nothing\n", "hello\nworld\n", "G1\nG1 F600\n%\n"])
def test_a_file_without_any_motion(text: str) -> None:
    with pytest.raises(InputError, match="no motion"):
        read(text)
