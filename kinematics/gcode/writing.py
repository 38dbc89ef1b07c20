"""Texts for the user's own controller: the dialect table says how a limit is set, nothing here knows it."""

from __future__ import annotations

import math

from kinematics.errors import InputError
from kinematics.gcode.dialect_checks import VALUE
from kinematics.gcode.dialects import FILE_LIMITS, UNITS, Dialect


def command_that_sets(dialect: Dialect, means: str, value: float) -> str:
    """The line that sets a limit on the user's controller.

    `means` is one of WRITTEN_LIMITS, `value` in the unit of FILE_LIMITS (mm/s², s, mm/s); the line holds it in the unit
    of the table, to six digits and without an exponent. Raises InputError where the table has no such row, or the value
    is no number from 0 on.
    """
    row = next((row for row in dialect.writes if row.means == means), None)
    if row is None:
        allowed = f'a [[write]] block with means = "{means}", its text with {VALUE}, and its unit'
        raise InputError.at(f"dialect {dialect.name}", f"it does not say how to set {means}", allowed)
    if not 0.0 <= value < math.inf:
        raise InputError.at(means, f"{value:g}", "a number from 0 on")
    number = value / UNITS[FILE_LIMITS[means][1]][row.unit]
    decimals = max(0, 5 - math.floor(math.log10(number))) if number > 0.0 else 0
    text = f"{number:.{decimals}f}"
    return row.text.replace(VALUE, text.rstrip("0").rstrip(".") if "." in text else text)
