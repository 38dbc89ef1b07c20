"""Limits written in the user's own words, as the dialect table says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import command_that_sets, dialect_from_text, load_dialect
from kinematics.gcode.dialects import EXTRUSION
from kinematics.gcode.reader import read_gcode

SHOP = load_dialect(Path(__file__).resolve().parents[2] / "sample_gcode" / "shop_dialect.toml")


def test_what_the_table_says_is_written_with_the_number_in_its_unit() -> None:
    assert command_that_sets(SHOP, "print acceleration", 2500.0) == "EASE ramp 2500"
    assert command_that_sets(SHOP, "pressure advance", 0.0355) == "M880 Q35.5"
    assert command_that_sets(SHOP, "pressure advance", 0.0) == "M880 Q0"
    own = dialect_from_text('[[write]]\nmeans = "speed cap"\ntext = "PACE_MOST={value} ;"\nunit = "mm/min"', "own.toml")
    assert command_that_sets(own, "speed cap", 150.0) == "PACE_MOST=9000 ;"


@pytest.mark.parametrize("value", [1e-9, 3.3333333e-5, 0.07, 12.0, 123456.7, 1e9])
def test_numbers_have_no_exponent_and_six_digits(value: float) -> None:
    text = command_that_sets(SHOP, "print acceleration", value).removeprefix("EASE ramp ")
    assert re.fullmatch(r"[0-9]+(\.[0-9]+)?", text)
    assert float(text) == pytest.approx(value, rel=5e-6)


def test_what_is_written_is_read_again() -> None:
    line = command_that_sets(SHOP, "print acceleration", 1750.0)
    job = read_gcode(f"{line}\nG1 X1 E1 F60\n".encode(), SHOP)
    assert {(row.means, row.value) for row in job.stated} == {("acceleration", 1750.0)}


def test_what_the_table_does_not_say_is_asked_for() -> None:
    with pytest.raises(InputError, match=r"extrusion: it does not say how to set speed cap; allowed: a \[\[write\]\]"):
        command_that_sets(EXTRUSION, "speed cap", 100.0)
    with pytest.raises(InputError, match="print acceleration: nan; allowed: a number from 0 on"):
        command_that_sets(SHOP, "print acceleration", float("nan"))
