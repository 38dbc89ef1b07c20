"""Words, modes and the order on a line against NIST's rules.

T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter - Version 3, NISTIR 6556, 2000; sections below.
Where the dialect `extrusion` differs, that is trade usage without a source.
"""

from __future__ import annotations

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.job import Job
from kinematics.gcode.moves import DWELL, EVENT_NAMES
from kinematics.gcode.reader import read_gcode

SHIFT = 1e-12  # mm
each_dialect = pytest.mark.parametrize("dialect", ["rs274", "extrusion"])


def read(text: str, dialect: str = "rs274") -> Job:
    return read_gcode(text.encode(), dialect)


def steps(job: Job) -> list[tuple[float, float, float]]:
    """Displacements (mm), to the femtometre."""
    return [tuple(row) for row in np.round(np.stack([job.moves.dx, job.moves.dy, job.moves.dz], axis=1), 12).tolist()]


def same_moves(one: Job, other: Job) -> bool:
    """Whether two jobs move alike at the same speeds, lines apart."""
    fields = ("dx", "dy", "dz", "de", "speed", "kind", "stop")
    return all(np.array_equal(getattr(one.moves, field), getattr(other.moves, field)) for field in fields)


# ---- the line ---------------------------------------------------------------------------------------------------


def test_blanks_mean_nothing_outside_comments() -> None:
    """`g0x +0. 12 34y 7` is `g0 x+0.1234 y7` (NISTIR 6556, 3.3, the report's own example)."""
    assert same_moves(read("g0x +0. 12 34y 7\n"), read("g0 x+0.1234 y7\n"))
    assert steps(read("g0x +0. 12 34y 7\n")) == [(0.1234, 7.0, 0.0)]
    assert same_moves(read("F60\n\tG1\tX 1 0\t\n"), read("F60\nG1 X10\n"))


@each_dialect
def test_case_and_blank_lines_mean_nothing(dialect: str) -> None:
    """`G1 X1` and `g1x1`; empty lines are ignored (NISTIR 6556, 3.3)."""
    assert same_moves(read("F60\nG1 X1 Y2\n", dialect), read("\n\nf60\n\n   \ng1x1y2\n\n", dialect))


@each_dialect
def test_line_numbers_mean_nothing(dialect: str) -> None:
    """Any order and repeats are legal, up to five digits (NISTIR 6556, 3.3.1)."""
    plain = read("F60\nG1 X1\nG1 X2\nG1 X3\n", dialect)
    assert same_moves(plain, read("N10 F60\nN5 G1 X1\nN5 G1 X2\nN99999 G1 X3\n", dialect))


@each_dialect
@pytest.mark.parametrize(
    ("text", "value"), [("+.5", 0.5), ("5.", 5.0), ("-0.8807", -0.8807), ("007", 7.0), ("+2", 2.0)]
)
def test_numbers(text: str, value: float, dialect: str) -> None:
    """Optional sign, digits, optional point, digits, one digit at least (NISTIR 6556, 3.3.2.1)."""
    assert steps(read(f"F60\nG1 X{text}\n", dialect)) == [(value, 0.0, 0.0)]


@pytest.mark.parametrize("line", ["G1 X.", "G1 X", "G1 X-", "G1 X1.2.3", "G1 X--1", "hello"])
def test_what_is_no_number_or_word_is_refused(line: str) -> None:
    """One digit at least; whatever is not allowed is an error (NISTIR 6556, 3.3, 3.3.2.1), with its line."""
    with pytest.raises(InputError) as caught:
        read(f"F60\n{line}\nG1 X5\n")
    assert caught.value.findings[0].place.endswith(":2")


@each_dialect
def test_codes_close_to_a_whole_number(dialect: str) -> None:
    """`G1.00005` is `G1`: within 0.0001 of a whole number is accepted (NISTIR 6556, 3.3.2.1)."""
    assert same_moves(read("F60\nG1.00005 X1\nG0.99995 X2\n", dialect), read("F60\nG1 X1\nG1 X2\n", dialect))


@each_dialect
def test_comments(dialect: str) -> None:
    """In parentheses anywhere on the line (NISTIR 6556, 3.3.4)."""
    commented = read("(start X99)\nF60 (slow)\nG1 (to the edge Y5) X1\nX2 (G0 X50)\n", dialect)
    assert same_moves(commented, read("F60\nG1 X1\nX2\n", dialect))


def test_comments_that_are_not_closed_are_refused() -> None:
    """A comment closes on its line (NISTIR 6556, 3.3.4); `;` is not in the character set (App. E.3)."""
    for line in ("G1 X1 (edge", "G1 X1 ; edge"):
        with pytest.raises(InputError):
            read(f"F60\n{line}\n")
    assert steps(read("F60\nG1 X1 ; edge\n", "extrusion")) == [(1.0, 0.0, 0.0)]  # trade usage, no source


@each_dialect
def test_words_in_any_order(dialect: str) -> None:
    """`x1 g1 f5` is `g1 f5 x1` (NISTIR 6556, 3.3.6)."""
    if dialect == "rs274":
        assert same_moves(read("x1 g1 f5\n"), read("g1 f5 x1\n"))
    assert same_moves(read("g1 x1 y2 f5\n", dialect), read("g1 f5 y2 x1\n", dialect))


def test_one_word_of_a_letter_and_one_of_a_group() -> None:
    """`G1 X1 X2` and `G0 G1 X1` are errors (NISTIR 6556, 3.3.5); several G words of different groups are not."""
    for line in ("G1 X1 X2", "G0 G1 X1", "G90 G91 G1 X1", "G20 G21 G1 X1", "G17 G18 G1 X1"):
        with pytest.raises(InputError):
            read(f"F60\n{line}\n")
    assert steps(read("F60\nG17 G21 G91 G1 X1\n")) == [(1.0, 0.0, 0.0)]


@each_dialect
def test_lines_for_the_block_delete_switch_are_executed(dialect: str) -> None:
    """With the switch off, as it is unless told, lines that start with / are executed (NISTIR 6556, 2.2.2)."""
    assert same_moves(read("F60\nG1 X1\n/G1 Y5\n/ N30 G1 X2\n", dialect), read("F60\nG1 X1\nG1 Y5\nG1 X2\n", dialect))


def test_text_after_the_program_counts_for_nothing() -> None:
    """After M2, M30 or the second % nothing is executed (NISTIR 6556, 3.1, 3.6.1)."""
    plain = read("F60\nG1 X1\n")
    for ended in ("F60\nG1 X1\nM2\nG1 X9\n", "F60\nG1 X1\nM30\nhello\n", "%\nF60\nG1 X1\n%\nhello\nG1 X9\n"):
        assert same_moves(plain, read(ended))
    assert same_moves(plain, read("F60\nG1 X1 M2\n"))  # the stop comes last on its line (Table 8)


# ---- modes ------------------------------------------------------------------------------------------------------


@each_dialect
def test_motion_stays_in_force(dialect: str) -> None:
    """A line with axis words and no motion repeats the last one (NISTIR 6556, 3.3.7)."""
    job = read("F600\nG1 X5\nY5\nG0 Z1\nX0\nG3 X10 Y5 R5\nX0 R5\n", dialect)
    assert steps(job)[:4] == [(5.0, 0.0, 0.0), (0.0, 5.0, 0.0), (0.0, 0.0, 1.0), (-5.0, 0.0, 0.0)]
    chords = np.bincount(job.moves.line)
    assert chords[6] == chords[7] > 10
    assert job.moves.dx[job.moves.line == 7].sum() == pytest.approx(-10.0, abs=1e-9)


@each_dialect
def test_units(dialect: str) -> None:
    """G20 inch, G21 millimetre; the place stays (NISTIR 6556, 2.1.2.10, 3.5.7); 1 in = 25.4 mm exactly."""
    job = read("G20\nF60\nG1 X1\nG21\nG1 X0\nF60\nG1 X10\n", dialect)
    assert steps(job) == [(25.4, 0.0, 0.0), (-25.4, 0.0, 0.0), (10.0, 0.0, 0.0)]
    np.testing.assert_allclose(job.moves.speed, [25.4, 25.4, 1.0], rtol=1e-15)


@each_dialect
def test_renaming_the_place(dialect: str) -> None:
    """At X = 4 `G92 X7` shifts by −3, X reads 7; then `G92 X9` by −5; nothing moves (NISTIR 6556, 3.5.18)."""
    job = read("F60\nG1 X4\nG92 X7\nG1 X7\nG1 X8\nG92 X9\nG1 X9\nG1 X5\n", dialect)
    assert [(step[0], line) for step, line in zip(steps(job), job.moves.line, strict=True)] == [
        (4.0, 2),
        (1.0, 5),
        (-4.0, 8),
    ]
    again = read("F60\nG1 X4\nG92 X7\nG92 X9\nG1 X5\n", dialect)  # reads 5 where the machine is at 0
    assert abs(again.moves.dx.sum()) <= SHIFT
    assert not job.events.kind.size
    assert not job.moves.stop.any()


def test_renaming_nothing() -> None:
    """G92 without an axis word is an error (NISTIR 6556, 3.5.18); in trade usage every axis reads 0 (no source)."""
    with pytest.raises(InputError):
        read("F60\nG1 X4\nG92\nG1 X1\n")
    assert steps(read("F60\nG1 X4\nG92\nG1 X1\n", "extrusion")) == [(4.0, 0.0, 0.0), (1.0, 0.0, 0.0)]


def test_codes_that_use_the_axis_words_of_a_motion() -> None:
    """G92 suspends the motion in force on its line, and beside a motion of its own is an error (NISTIR 6556, 3.4)."""
    assert steps(read("F60\nG1 X1\nG92 X5\nX6\n")) == [(1.0, 0.0, 0.0), (1.0, 0.0, 0.0)]
    with pytest.raises(InputError):
        read("F60\nG1 G92 X5\n")


def test_home_by_way_of_a_place() -> None:
    """G28 goes through the programmed place, then home; without axis words straight home (NISTIR 6556, 3.5.8)."""
    assert steps(read("F60\nG1 X4\nG28 Z5\n")) == [(4.0, 0.0, 0.0), (0.0, 0.0, 5.0), (-4.0, 0.0, -5.0)]
    assert steps(read("F60\nG1 X4 Z3\nG28\n")) == [(4.0, 0.0, 3.0), (-4.0, 0.0, -3.0)]


def test_feed_is_length_units_a_minute_and_not_for_rapids() -> None:
    """F along the path, for G1 to G3 (NISTIR 6556, 2.1.2.5 A); a rapid has no feed (3.5.1)."""
    job = read("G1 X3 Y4 F300\nG0 X0\n")
    assert job.moves.speed.tolist() == [5.0, np.inf]
    assert read("G1 X3 Y4 F300\nG0 X0\n", "extrusion").moves.speed.tolist() == [5.0, 5.0]  # trade usage, no source


# ---- dwell ------------------------------------------------------------------------------------------------------


def dwells(job: Job) -> list[tuple[float, int]]:
    """Seconds of each dwell and the move that it stands before."""
    assert set(job.events.kind.tolist()) <= {DWELL}
    return list(zip(job.events.value.tolist(), job.events.move.tolist(), strict=True))


def test_dwell_in_seconds_and_in_milliseconds() -> None:
    """P counts seconds by NISTIR 6556, 3.5.4; milliseconds, and S seconds, in trade usage (no source)."""
    assert EVENT_NAMES[DWELL] == "dwell"
    assert dwells(read("F60\nG1 X1\nG4 P2.5\nG1 X2\n")) == [(2.5, 1)]
    assert dwells(read("F60\nG1 X1\nG4 P2500\nG1 X2\n", "extrusion")) == [(2.5, 1)]
    assert dwells(read("F60\nG1 X1\nG4 S2.5\nG1 X2\n", "extrusion")) == [(2.5, 1)]
    assert dwells(read("F60\nG1 X1\nG4 P100 S2.5\nG1 X2\n", "extrusion")) == [(2.5, 1)]
    assert read("F60\nG1 X1\nG4 P2.5\nG1 X2\n").moves.stop.tolist() == [0, 1]


@pytest.mark.parametrize("line", ["G4 P-1", "G4"])
def test_dwell_that_is_negative_or_missing(line: str) -> None:
    """An error (NISTIR 6556, 3.5.4); in trade usage a warning (no source)."""
    with pytest.raises(InputError):
        read(f"F60\nG1 X1\n{line}\n")
    job = read(f"F60\nG1 X1\n{line}\n", "extrusion")
    assert [notice.line for notice in job.notices] == [3]
    assert dwells(job) == [(0.0, 1)]


# ---- the order on one line (NISTIR 6556, Table 8) ---------------------------------------------------------------


def test_dwell_comes_before_motion() -> None:
    """`G4 P1 G1 X10` dwells first, and so does `G1 X10 G4 P1` (NISTIR 6556, Table 8)."""
    for line in ("G4 P1 G1 X10", "G1 X10 G4 P1"):
        job = read(f"F60\n{line}\n")
        assert dwells(job) == [(1.0, 0)]
        assert steps(job) == [(10.0, 0.0, 0.0)]


def test_distance_mode_comes_before_motion() -> None:
    """`G1 X10 G91` is incremental (NISTIR 6556, Table 8)."""
    assert steps(read("F60\nG1 X3\nG1 X10 G91\n")) == [(3.0, 0.0, 0.0), (10.0, 0.0, 0.0)]
    in_order = read("F60\nG1 X3\nG1 X10 G91\nG1 X1\n", "extrusion")  # as they stand: trade usage, no source
    assert steps(in_order) == [(3.0, 0.0, 0.0), (7.0, 0.0, 0.0), (1.0, 0.0, 0.0)]


def test_feed_comes_before_units() -> None:
    """`F60 G20 G1 X1` sets 60 mm/min and goes an inch: 25.4 s, with a warning (NISTIR 6556, Table 8; a trap)."""
    for line in ("F60 G20 G1 X1", "G20 G1 X1 F60"):
        job = read(f"{line}\n")
        assert steps(job) == [(25.4, 0.0, 0.0)]
        assert float(job.moves.dx[0] / job.moves.speed[0]) == pytest.approx(25.4, rel=1e-15)
        assert [notice.line for notice in job.notices] == [1]
    apart = read("G20\nF60 G1 X1\n")
    assert not apart.notices
    assert float(apart.moves.dx[0] / apart.moves.speed[0]) == pytest.approx(1.0, rel=1e-15)
    in_order = read("G20 G1 X1 F60\n", "extrusion")  # as they stand: trade usage, no source
    assert float(in_order.moves.dx[0] / in_order.moves.speed[0]) == pytest.approx(1.0, rel=1e-15)


def test_units_and_renaming_come_before_motion() -> None:
    """Units, distance mode, renaming, motion, in this order (NISTIR 6556, Table 8)."""
    assert steps(read("F60\nG1 X1 G20\n")) == [(25.4, 0.0, 0.0)]
    assert steps(read("F60\nG1 X1\nG92 X1 G20\nG21\nX25.4\n")) == [(1.0, 0.0, 0.0)]
