"""What NIST's standard allows and forbids on a line, in a program and of an arc; each test names its section.

T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter - Version 3, NISTIR 6556, 2000. Lines that mean
the same, modes and the order on a line stand in `test_words`, lengths of arcs in `test_arcs`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.job import Job
from kinematics.gcode.moves import DWELL, EVENT_NAMES
from kinematics.gcode.reader import read_gcode

LONGEST = 256  # characters, 3.3


def read(text: str, block_delete: bool = False) -> Job:
    return read_gcode(text.encode("latin-1"), "rs274", block_delete=block_delete)


def steps(text: str, block_delete: bool = False) -> list[tuple[float, float, float]]:
    """Displacements (mm)."""
    moves = read(text, block_delete).moves
    return [tuple(row) for row in np.round(np.stack([moves.dx, moves.dy, moves.dz], axis=1), 9).tolist()]


def refuses(line: str, before: str = "F60\nG1 X1\n") -> str:
    """What is said of a line that the standard forbids; the place is the line's own."""
    with pytest.raises(InputError) as caught:
        read(f"{before}{line}\nG1 X2\n")
    (finding,) = caught.value.findings
    assert finding.place == f"<bytes>:{before.count(chr(10)) + 1}"
    assert finding.allowed
    return str(finding)


def allows(line: str, before: str = "F60\nG1 X1\n") -> None:
    read(f"{before}{line}\nG1 X2 F9\n")


# ---- 3.3: the line ----------------------------------------------------------------------------------------------


def test_3_3_length_of_a_line() -> None:
    """256 characters at most, blanks and comments counted, the end of the line not."""
    for end in ("\n", "\r\n"):
        fitting = "G1 X5" + " " * (LONGEST - 5) + end
        assert steps("F60\n" + fitting) == [(5.0, 0.0, 0.0)]
    assert "256" in refuses("G1 X5" + " " * (LONGEST - 4))
    assert "256" in refuses("(" + "-" * (LONGEST - 1) + ")")
    assert "256" in refuses(" " * (LONGEST + 1))
    assert "256" in refuses("/" + "G1" + " " * LONGEST)


def test_3_3_order_of_a_line() -> None:
    """Optional block delete, optional line number, then words and comments."""
    allows("/N5 (to the edge) G1 X2 (there) Y3")
    for line in ("N5 /G1 X2", "G1 / X2", "G1 X2 N5", "N5 N6 G1 X2", "G1 N5"):
        refuses(line)


@pytest.mark.parametrize("line", ["(first) N5 G1 X2", "//G1 X2", "/ /N5"])
def test_3_3_order_of_a_line_to_the_letter(line: str) -> None:
    refuses(line)


def test_3_3_characters() -> None:
    """What is not expressly allowed is an error; `;` is not in the character set (App. E.3)."""
    for line in ("G1 X2 ; edge", "G1 X2*55", "G1 X2!", "G1 X2, Y3", "@", "hello", "µ", "$H", "G1 X2=3"):
        refuses(line)


def test_3_3_blank_lines() -> None:
    assert steps("\n\nF60\n\n   \n\t\nG1 X1\n \n") == [(1.0, 0.0, 0.0)]


# ---- 3.3.1: line numbers ----------------------------------------------------------------------------------------


def test_3_3_1_line_numbers() -> None:
    """0 to 99999, five digits at most, no sign, no point; any order and repeats are legal."""
    for line in ("N0 X2", "N99999 X2", "N00010 X2", "N5", "n5x2", "N 1 2 3 X2"):
        allows(line)
    for line in ("N000009 X2", "N100000 X2", "N-1 X2", "N+1 X2", "N5. X2", "N5.0 X2", "N X2", "N"):
        refuses(line)
    assert steps("N10 F60\nN5 G1 X1\nN5 X2\n") == [(1.0, 0.0, 0.0), (1.0, 0.0, 0.0)]


# ---- 3.3.2: words and numbers -----------------------------------------------------------------------------------


@pytest.mark.parametrize("letter", "OUVW")
def test_table_3_letters_that_are_none(letter: str) -> None:
    """Letters that are no words (Table 3, App. E.3); E is an extension: the extruder."""
    refuses(f"{letter}5")
    refuses(f"G21 G1 X2 {letter}5")
    allows("G1 X2 E5")


@pytest.mark.parametrize("letter", "ABC")
def test_table_3_rotary_axes(letter: str) -> None:
    """Rotary axes are words of the standard; a printer has none, so they are refused rather than left out."""
    refuses(f"{letter}5")
    refuses(f"G21 G1 X2 {letter}5")


@pytest.mark.parametrize("letter", "OUVWABC")
def test_table_3_letters_on_a_plain_move(letter: str) -> None:
    refuses(f"G1 X2 {letter}5")


def test_3_3_2_1_numbers() -> None:
    """A sign or none, digits, a point or none, digits, one digit at least; no exponent (App. E.2)."""
    for number in ("+.5", "5.", "-0.8807", "007", "-.5", "+0."):
        allows(f"G1 X{number}")
    for number in (".", "-", "+", "", "--1", "+-1", "1.2.3", "3e-05", "1.5E+07", "#1", "[1]"):
        refuses(f"G1 X{number}")


def test_3_3_2_1_codes_near_a_whole_number() -> None:
    """Within 0.0001 of a whole number is taken for it, further away is not."""
    for code in ("G1.0001", "G0.9999", "G1.00005", "G001", "G+1", "G61.10005"):
        allows(f"{code} X2")
    for code in ("G1.0002", "G0.9998", "G1.5", "G1.1", "G61.2", "M3.5", "G-1", "M-3"):
        refuses(f"{code} X2")


def test_3_3_2_1_tool_numbers() -> None:
    job = read("T1 M6\nF60\nG1 X1\nT2 M6\nX2\nT2\nX3\n")
    assert [(EVENT_NAMES[kind], line) for kind, line in zip(job.events.kind, job.events.line, strict=True)] == [
        ("tool change", 4)
    ]


def test_3_3_2_1_tool_numbers_near_a_whole_number() -> None:
    assert not read("T1 M6\nF60\nG1 X1\nT0.99999 M6\nX2\n").events.kind.size


# ---- 3.3.4: comments --------------------------------------------------------------------------------------------


def test_3_3_4_comments() -> None:
    """Not nested, closed on their line; anything may stand inside."""
    for line in ("(G1 X9)", "G1 (a) X2 (b) Y3", "()", "(;*%/!)", "( M2 )", "G1 X2(close)"):
        allows(line)
    for line in ("(a(b)", "(a(b))", "(a", "G1 X2 (", "G1 X2 (a", "a)", "G1 X2)"):
        refuses(line)


@pytest.mark.parametrize("line", ["G1 X(a)2", "G(a)1 X2", "G1 X(a(b)2"])
def test_3_3_4_no_comment_inside_a_word(line: str) -> None:
    """A line is made of words and comments (3.3): a comment cannot part a letter from its number."""
    refuses(line)


# ---- 3.3.5: how many words a line may hold ----------------------------------------------------------------------

GROUPS = {
    "motion": ("G0", "G1", "G2", "G3", "G80"),
    "plane": ("G17", "G18", "G19"),
    "distance": ("G90", "G91"),
    "feed": ("G93", "G94"),
    "units": ("G20", "G21"),
    "return": ("G98", "G99"),
    "coordinates": ("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"),
    "path": ("G61", "G61.1", "G64"),
    "non-modal": ("G4 P1", "G28", "G92"),
    "stopping": ("M0", "M1", "M2", "M30"),
    "spindle": ("M3", "M4", "M5"),
    "overrides": ("M48", "M49"),
}


@pytest.mark.parametrize("group", GROUPS)
def test_3_3_5_two_words_of_a_group(group: str) -> None:
    """Table 4: no two of one group, and no word twice."""
    members = GROUPS[group]
    for i, one in enumerate(members):
        for other in members[i:]:
            refuses(f"{one} {other} X2 Y2 F60")


def test_3_3_5_words_of_several_groups() -> None:
    allows("G17 G21 G40 G49 G54 G61 G90 G94 G98 G1 X3")
    allows("M3 M8 M48 G1 X3")


def test_3_3_5_coolant() -> None:
    """Table 4, group 8: mist and flood (M7, M8) may be on together; M9, neither, stands alone."""
    allows("M7 M8")
    refuses("M8 M9")


def test_3_3_5_coolant_off_beside_mist() -> None:
    refuses("M7 M9")


def test_3_3_5_m_words() -> None:
    """Four at most."""
    allows("M3 M7 M8 M48")
    refuses("M3 M7 M8 M48 M6 T1")
    refuses("M3 M6 M7 M8 M48")


def test_3_3_5_other_letters_once() -> None:
    for line in ("G1 X2 X2", "G1 X2 Y1 F5 F6", "G4 P1 P2", "T1 T2", "G1 E1 E2"):
        refuses(line)


# ---- 3.1, 3.6.1, 2.2.2: programs --------------------------------------------------------------------------------


def test_3_1_percent_lines() -> None:
    """% alone on the first line that is not blank opens a program, a second one closes it."""
    assert steps("%\nF60\nG1 X1\n%\nG1 X9\nhello\n") == [(1.0, 0.0, 0.0)]
    assert steps("\n\n % \nF60\nG1 X1\n\t%\t\nG1 X9\n") == [(1.0, 0.0, 0.0)]
    assert steps("%\nF60\nG1 X1\nM2\n") == [(1.0, 0.0, 0.0)]  # needed only where no M2 or M30 ends the program
    assert steps("F60\nG1 X1\n") == [(1.0, 0.0, 0.0)]
    for text in (
        *("%\nF60\nG1 X1\n", "F60\n%\nG1 X1\n%\n", "(note)\n%\nG1 X1 F60\n%\n", "% G1 X1 F60\n%\n"),
        *("% (note)\nF60\nG1 X1\n%\n", "%\nF60\nG1 X1\n(note) %\n"),
    ):
        with pytest.raises(InputError, match="percent"):
            read(text)


def test_3_1_blanks_before_the_first_percent_line() -> None:
    """A line of blanks alone is a blank line."""
    assert steps("  \n%\nF60\nG1 X1\n%\n") == [(1.0, 0.0, 0.0)]


@pytest.mark.parametrize("end", ["M2", "M30", "N5 M2 (the end)"])
def test_3_6_1_end_of_the_program(end: str) -> None:
    """Later lines are not even read; the words of its own line act before it (Table 8)."""
    assert steps(f"F60\nG1 X1\n{end}\nG1 X9\nhello (\n") == [(1.0, 0.0, 0.0)]
    assert steps(f"F60\nG1 X1\n{end.replace('M', 'X3 M', 1)}\nG1 X9\n") == [(1.0, 0.0, 0.0), (2.0, 0.0, 0.0)]


def test_2_2_2_block_delete() -> None:
    """With the switch on lines that start with / are left out, whatever they hold; off, they are executed."""
    text = "F60\n/G1 X5\nG1 Y1\n / N7 X9 (a)\n"
    assert steps(text) == [(5.0, 0.0, 0.0), (0.0, 1.0, 0.0), (4.0, 0.0, 0.0)]
    assert steps(text, block_delete=True) == [(0.0, 1.0, 0.0)]
    assert steps("F60\n/hello, (unclosed\nG1 Y1\n", block_delete=True) == [(0.0, 1.0, 0.0)]
    assert steps("F60\nG1 Y1\n/M2\nX1\n", block_delete=True) == [(0.0, 1.0, 0.0), (1.0, 0.0, 0.0)]


# ---- 3.5: modes and their errors --------------------------------------------------------------------------------


def test_3_4_axis_words_claimed_twice() -> None:
    """A code of the non-modal group that uses axis words, beside a motion."""
    for line in ("G28 G1 X2", "G92 X5 G0", "G0 G28 X2", "G1 G92 X0"):
        refuses(line)


def test_3_5_14_no_motion() -> None:
    """G80: axis words are an error as long as it holds, but for codes of their own. (Section number from memory.)"""
    for text in ("G80 X2", "G80\nX2", "G80\nG4 P1\nE1", "G80\nG92 X0\nY1"):
        with pytest.raises(InputError, match="no motion"):
            read("F60\nG1 X1\n" + text + "\n")
    moves = steps("F60\nG1 X1\nG80\nG92 X5\nF30\nG1 X7\nG80 G92 X0\nG28 Y3\nG0 X1\nX2\n")
    assert moves[:2] == [(1.0, 0.0, 0.0), (2.0, 0.0, 0.0)]
    assert moves[-1] == (1.0, 0.0, 0.0)


def test_3_5_4_dwell() -> None:
    """P in seconds; negative or missing: an error."""
    job = read("F60\nG1 X1\nG4 P2.5\nX2\nG4 P0\n")
    assert job.events.kind.tolist() == [DWELL, DWELL]
    assert job.events.value.tolist() == [2.5, 0.0]
    for line in ("G4 P-1", "G4", "G4 S1"):
        refuses(line)


def test_3_5_8_home() -> None:
    """By way of the place told, every axis home, as rapids; without axis words the second part alone."""
    job = read("F60\nG1 X10 Y20 Z5\nG28 Z30\nG1 X1\nG28\n")
    moves = job.moves
    assert np.stack([moves.dx, moves.dy, moves.dz], axis=1).tolist() == [
        [10.0, 20.0, 5.0],
        [0.0, 0.0, 25.0],
        [-10.0, -20.0, -30.0],
        [1.0, 0.0, 0.0],
        [-1.0, 0.0, 0.0],
    ]
    assert np.isinf(moves.speed).tolist() == [False, True, True, False, True]
    assert not job.events.kind.size
    refuses("G28 X")


def test_3_5_18_renaming() -> None:
    refuses("G92")
    assert steps("F60\nG1 X4\nG92 X7\nG92 X9\nG1 X10\n") == [(4.0, 0.0, 0.0), (1.0, 0.0, 0.0)]


def test_3_5_19_inverse_time() -> None:
    """F2.0 under G93 is 30 s whatever the length; F on every G1 to G3 line; rapids have nothing to do with it."""
    job = read("G93\nG1 X10 F2\nX30 F2\nG3 X30 Y20 R10 F2\nG0 X0\nG94 G1 Y0 F60\n")
    moves = job.moves
    length = np.sqrt(moves.dx**2 + moves.dy**2 + moves.dz**2)
    for number in (2, 3, 4):
        here = moves.line == number
        assert float((length[here] / moves.speed[here]).sum()) == pytest.approx(30.0, rel=1e-12)
    assert moves.speed[-2:].tolist() == [math.inf, 1.0]
    for line in ("G1 X2", "X2", "G2 X3 R4", "G0 X5\nG1 X2"):
        with pytest.raises(InputError, match="inverse time"):
            read(f"F60\nG1 X1\nG93\n{line}\n")
    allows("G0 X5", "F60\nG1 X1\nG93\n")
    allows("G1", "F60\nG1 X1\nG93\n")


def test_3_5_19_inverse_time_in_inches() -> None:
    """F is no length there: units do not touch it."""
    (speed,) = read("G20 G93 G1 X1 F2\n").moves.speed
    assert float(speed) == pytest.approx(25.4 / 30.0, rel=1e-12)


def test_table_8_feed_before_units() -> None:
    """F stands before G20 in the order of execution: read in the units before it, and said so."""
    job = read("F60 G20 G1 X1\n")
    assert float(job.moves.speed[0]) == 1.0
    assert any("Table 8" in notice.text for notice in job.notices)


def test_codes_that_a_printer_has_not() -> None:
    """Words of other trades, and of none, are refused, not left out."""
    for line in ("M104 S200", "M82", "G29", "G95", "M117", "G123", "G38.2 Z1", "G81 X1 Z-1 R2", "G10 L2 P1 X0"):
        refuses(line)


# ---- 3.5.3: arcs ------------------------------------------------------------------------------------------------

BAD_ARCS = {
    "radii apart by over 0.002 mm": "G3 X10.0021 Y10 I0 J10",
    "neither X nor Y": "G2 I5",
    "neither I nor J": "G2 X5 Y5",
    "K in the XY plane": "G2 X5 K3",
    "radius form that ends where it starts": "G3 X0 Y0 R5",
    "radius form without a place in the plane": "G3 Z5 R5",
    "radius too small to reach": "G3 X11 Y0 R5",  # geometrically impossible
    "both forms": "G3 X10 Y10 J10 R10",
    "no radius": "G2 X5 I0 J0",
}


@pytest.mark.parametrize("case", BAD_ARCS)
def test_3_5_3_errors(case: str) -> None:
    refuses(BAD_ARCS[case], before="F60\n")


def test_3_5_3_other_planes() -> None:
    """G18 goes by Z and X, K and I; G19 by Y and Z, J and K (4.3.6.1)."""
    allows("G18 G3 X0 Z-10 I-10 K0", "F60\nG1 X10\n")
    allows("G19 G2 Y5 Z5 J5", "F60\n")
    refuses("G18 G3 Y5 I-10", "F60\nG1 X10\n")
    refuses("G19 G2 X5 J5", "F60\n")


def test_3_5_3_2_radii_that_agree() -> None:
    """0.002 mm, 0.0002 in."""
    allows("G3 X10.0019 Y10 I0 J10", "F60\n")
    allows("G20 G3 X1.00019 Y1 I0 J1", "F60\n")
    refuses("G20 G3 X1.00021 Y1 I0 J1", "F60\n")


def test_3_5_3_an_arc_is_modal() -> None:
    """3.3.7: axis words alone repeat it; each line then needs its own centre or radius."""
    allows("X20 R10", "F60\nG2 X10 R10\n")
    refuses("X20", "F60\nG2 X10 R10\n")
