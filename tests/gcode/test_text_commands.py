"""Text commands: what lines mean that are no G-code words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.gcode.dialect_file import load_dialect
from kinematics.gcode.dialects import EXTRUSION, FILE_LIMITS, LIMIT_UNITS, Dialect, TextCommand
from kinematics.gcode.file_limits import FileLimit
from kinematics.gcode.text_commands import match_texts


class Told(NamedTuple):
    """What text lines tell, by meaning the rows of move, value and line; and which lines are left."""

    rows: list[FileLimit]
    unmatched: NDArray[np.bool_]

    def of(self, means: str) -> list[tuple[int, float, int]]:
        return [(row.move, row.value, row.line) for row in self.rows if row.means == means]

    @property
    def values(self) -> list[float]:
        return [row.value for row in self.rows]


SHOP = load_dialect(Path(__file__).resolve().parents[2] / "sample_gcode" / "shop_dialect.toml")


def matched(dialect: Dialect, *texts: str, end: bytes = b"\n") -> Told:
    """Every line is a text line; the move after line k is k - 1 times ten."""
    rows = [text.encode() for text in texts]
    offsets = np.cumsum([0, *(len(row) + len(end) for row in rows[:-1])])
    lines = np.arange(1, len(rows) + 1, dtype=np.int32)
    moves = 10 * (lines - 1).astype(np.int64)
    return Told(*match_texts(end.join(rows), offsets.astype(np.int64), lines, moves, dialect))


def meant(means: str, unit: str, text: str) -> Told:
    return matched(replace(EXTRUSION, texts=(TextCommand("DO (?P<value>.*)", means, unit),)), text)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_the_commands_of_the_sample_dialect(end: bytes) -> None:
    rows = matched(
        SHOP,
        "EASE ramp 2500",
        "ease rounding 40 ramp 1.5e3 ; softer",
        "PACE 85%",
        "  REST 2.5  ",
        "FETCH SOMEBODY (it is heavy)",
        "LAMP on",
        "FETCH SOMEBODYS",
        "WHATEVER",
        end=end,
    )
    assert rows.of("acceleration") == [(0, 2500.0, 1), (10, 1500.0, 2)]
    assert rows.of("junction deviation") == [(10, 0.04, 2)]
    assert rows.of("override") == [(20, 0.85, 3)]
    assert rows.of("dwell") == [(30, 2.5, 4)]
    assert rows.of("pause") == [(40, 0.0, 5)]
    assert len(rows.rows) == 6
    assert rows.unmatched.tolist() == [False] * 6 + [True] * 2


def test_no_text_lines_at_all() -> None:
    none = np.zeros(0, np.int64)
    rows, unmatched = match_texts(b"G1 X1\n", none, none.astype(np.int32), none, SHOP)
    assert unmatched.size == len(rows) == 0


@pytest.mark.parametrize("means", FILE_LIMITS)
def test_values_are_brought_to_the_unit_of_their_meaning(means: str) -> None:
    for unit, factor in LIMIT_UNITS[FILE_LIMITS[means][1]].items():
        rows = meant(means, unit, "DO 120")
        assert [row.means for row in rows.rows] == [means]
        assert rows.values[0] == pytest.approx(120.0 * factor, rel=1e-15)


def test_by_hand() -> None:
    assert meant("speed cap", "mm/min", "DO 6000").values == pytest.approx([100.0])
    assert meant("pressure advance", "ms", "DO 35").values == pytest.approx([0.035])
    assert meant("override", "1", "DO 1.1").of("override")[0][1] == 1.1
    assert meant("dwell", "ms", "DO 1500").of("dwell")[0][1] == 1.5


@pytest.mark.parametrize("written", ["fast", "nan", "inf", "1e999", "-5", "0", "", "1_000", "0x10", "1,5", "٣", "."])
def test_a_value_that_cannot_be_used_leaves_the_line_unmatched(written: str) -> None:
    for means, unit in (("speed cap", "mm/s"), ("override", "%")):
        rows = meant(means, unit, f"DO {written}")
        assert rows.unmatched.tolist() == [True]
        assert not rows.rows


@pytest.mark.parametrize(("means", "unit"), [("dwell", "s"), ("pressure advance", "s")])
def test_a_dwell_and_a_pressure_advance_may_be_nothing(means: str, unit: str) -> None:
    assert meant(means, unit, "DO 0").unmatched.tolist() == [False]
    assert meant(means, unit, "DO -1").unmatched.tolist() == [True]


def test_one_unusable_value_spoils_its_line() -> None:
    rows = matched(SHOP, "EASE ramp 3000 rounding much")
    assert not rows.rows
    assert rows.unmatched.tolist() == [True]


def test_every_pattern_that_fits_acts_and_ignore_only_where_nothing_else_does() -> None:
    texts = (*SHOP.texts, TextCommand(".*", "ignore"))
    rows = matched(replace(SHOP, texts=texts), "FETCH SOMEBODY", "BELL twice", "any other")
    assert rows.rows == [FileLimit(0, "pause", 0.0, 1)]
    assert not rows.unmatched.any()


def test_comments_fall_off_and_brackets_may_belong_to_the_command() -> None:
    called = replace(EXTRUSION, texts=(TextCommand(r"limit\((?P<value>\d+)\)", "speed cap", "mm/s"),))
    assert matched(called, "limit(80) ; soft").values == [80.0]
    plain = replace(EXTRUSION, texts=(TextCommand("STOP HERE", "pause"),))
    assert matched(plain, "STOP (now) HERE", "STOP  HERE").unmatched.tolist() == [True, True]
    assert matched(plain, "(now) stop here (please").unmatched.tolist() == [False]
    no_semicolon = replace(plain, semicolon_comments=False)
    assert matched(no_semicolon, "STOP HERE ; now").unmatched.tolist() == [True]


def test_other_alphabets_are_text_as_well() -> None:
    dialect = replace(EXTRUSION, texts=(TextCommand("öse", "pause"),))
    rows, _ = match_texts("ÖSE\nöse".encode(), np.array([0, 5]), np.array([1, 2], np.int32), np.array([0, 0]), dialect)
    assert [row.line for row in rows] == [1, 2]
    rows, _ = match_texts("öse".encode("latin-1"), np.array([0]), np.array([7], np.int32), np.array([0]), dialect)
    assert [row.line for row in rows] == [7]
