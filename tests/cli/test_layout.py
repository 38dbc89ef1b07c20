"""Lines and tables laid out for a width, by hand-made cases."""

from __future__ import annotations

import pytest

from kinematics.cli.encodings import SPELLINGS, encodable
from kinematics.reports.layout import pieces_of, table_lines, wrapped


@pytest.mark.parametrize(
    ("text", "pieces"),
    [
        ("adds 1 min 10 s in 46 of 70 layers", ["adds", "1 min 10 s", "in", "46", "of", "70 layers"]),
        ("takes 1,000 mm/s² at most", ["takes", "1,000 mm/s²", "at", "most"]),
        ("(budget 0.03 mm); so", ["(budget", "0.03 mm);", "so"]),
        ("at line 1390 of job", ["at", "line 1390", "of", "job"]),
        ("motor y and x axis", ["motor y", "and", "x axis"]),
        ("done Tue 10 Mar 08:12", ["done", "Tue 10 Mar", "08:12"]),
        ("1 d 3 h, 2 h 04 min", ["1 d 3 h,", "2 h 04 min"]),
        ("24.00 EUR or 3 parts", ["24.00 EUR", "or", "3 parts"]),
        ("try caps JOB --set speed=2", ["try", "caps", "JOB", "--set speed=2"]),
        ("see kinematics machine new", ["see", "kinematics machine new"]),
        ("in 4 s 5 ways", ["in", "4 s", "5", "ways"]),  # no time goes on in ways
    ],
)
def test_where_a_line_may_be_broken(text: str, pieces: list[str]) -> None:
    assert pieces_of(text) == pieces


def test_a_line_is_broken_at_the_last_piece_that_fits() -> None:
    assert wrapped("adds 1 min 10 s in all", 30) == ["adds 1 min 10 s in all"]
    assert wrapped("  this adds 10 min 10 s in all of it", 21) == ["  this adds", "    10 min 10 s in", "    all of it"]
    assert wrapped("This sentence of seven words is whole.", 20) == ["This sentence of", "seven words is", "whole."]
    key = "motion.by_label.outer.print_acceleration_mm_s2"
    assert wrapped(f"lower {key} a little", 30) == ["lower", f"  {key}", "  a little"]


def test_a_command_stays_one() -> None:
    line = "next: kinematics compare 'a part.gcode' --machine middling --candidate \"faster: speed=1.5\""
    assert wrapped(line, 60) == [
        "next: kinematics compare 'a part.gcode' --machine middling \\",
        '    --candidate "faster: speed=1.5"',
    ]


HEADS = (("limit", False), ("set now", True), ("limited by", False))
ROWS = (("print acceleration", "1,200 mm/s²", "motor y"), ("speed", "9 mm/s", "rounding, x axis"))


def shown(width: int, rows: tuple[tuple[str, ...], ...] = ROWS) -> list[str]:
    """The lines of the table."""
    return [line.text for line in table_lines(HEADS, rows, width)]


def test_a_table_with_room_stands_as_it_is() -> None:
    assert shown(60) == [
        "limit                   set now  limited by",
        "─────────────────────────────────────────────────",
        "print acceleration  1,200 mm/s²  motor y",
        "speed                    9 mm/s  rounding, x axis",
    ]


def test_a_narrow_table_has_its_words_broken_and_its_numbers_whole() -> None:
    assert shown(40) == [
        "limit               set now  limited by",
        "───────────────────────────────────────",
        "print           1,200 mm/s²  motor y",
        "  acceleration",
        "speed                9 mm/s  rounding,",
        "                             x axis",
    ]


def test_a_table_without_room_is_a_record_a_row() -> None:
    assert shown(30) == [
        "print acceleration",
        "  set now     1,200 mm/s²",
        "  limited by  motor y",
        "speed",
        "  set now     9 mm/s",
        "  limited by  rounding, x axis",
    ]
    # A name that is not repeated is that of the row before.
    assert shown(30, (*ROWS, ("", "3 mm/s", "")))[-2:] == ["speed", "  set now     3 mm/s"]


def test_a_column_without_an_entry_is_left_out() -> None:
    assert shown(60, (("speed", "9 mm/s", ""),))[0] == "limit  set now"


def test_intervals_are_broken_before_their_bracket_and_their_end() -> None:
    rows = (("A", "18.7 months (8.6 months to 23.3 months)", ""),)
    assert [line.split() for line in shown(22, rows)[2:]] == [
        ["A", "18.7", "months"],
        ["(8.6", "months"],
        ["to", "23.3", "months)"],
    ]


def test_the_plain_spelling_of_what_an_encoding_lacks() -> None:
    assert encodable("1,200 mm/s² · 5 °C … ü █▌▏", "ascii") == "1,200 mm/s^2 - 5 C ... u ## "
    assert encodable("1,200 mm/s² · 5 °C … ü", "cp1252") == "1,200 mm/s² · 5 °C … ü"
    assert encodable("größe\udcff.gcode", "utf-8") == "größe\\xff.gcode"
    assert encodable("汉", "ascii") == "?"
    assert all(spelling.isascii() for spelling in SPELLINGS.values())
