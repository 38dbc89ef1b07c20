"""Seconds by cause, in a maker's words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import FILAMENT, PRINT
from kinematics.limits import columns as by
from kinematics.limits.classes import MoveClass
from kinematics.limits.combine import ADVANCE_KEY, CAP_WORDS, Limits
from kinematics.limits.drive import torque_key

# What follows in every list of causes when its seconds are summed over a job.
DWELL, COOLING, FILAMENT_ONLY, CORNERS = "dwell", "cooling: shortest layer time", "extruder-only moves", "corners"


class Cause(NamedTuple):
    """Time spent under one cause: its name, seconds, and share of the total."""

    cause: str
    seconds: float
    share: float


TORQUE = ".torque_nm"  # a motor runs no faster than its torque curve tells


def summed(seconds: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Seconds by name, in the order in which names come first; those of one name together."""
    totals: dict[str, float] = {}
    for name, spent in seconds:
        totals[name] = totals.get(name, 0.0) + spent
    return totals


def causes_in(seconds: Mapping[str, float], total: float) -> tuple[Cause, ...]:
    """Causes of a `total` (s), most seconds first."""
    ordered = sorted(seconds.items(), key=lambda item: -item[1])
    return tuple(Cause(name, spent, spent / total) for name, spent in ordered)


def cause_name(table: Sequence[MoveClass], limits: Limits, row: int, code: int) -> str:
    """The name of a cause for one class of moves; `table` the classes as in `Classes`."""
    kind = table[row].kind
    if kind == FILAMENT:
        return FILAMENT_ONLY
    ceiling = by.OF_CAUSE[code]
    words = ceiling.words if kind == PRINT else ceiling.travel_words or ceiling.words
    key = "" if ceiling.column is None else limits.origins.get((row, ceiling.column), "")
    if ceiling.hangs_on in (by.MOTORS, by.OWN_SPEED):
        names = limits.motors if ceiling.hangs_on == by.MOTORS else limits.drives.names if limits.drives else ()
        name = dict(enumerate(names)).get(ceiling.motor, str(ceiling.motor + 1))
        fastest = ceiling.feature == "motor" and ceiling.bounds == by.SPEED and key.endswith(TORQUE)
        return f"top speed of motor {name}" if fastest else words.format(motor=name)
    if key.endswith(TORQUE):
        return f"top speed of motor {key.split('.')[1]}"
    if key.startswith("motors."):
        own = by.MOTOR_1_SPEED if ceiling.bounds == by.SPEED else by.MOTOR_1_ACCELERATION
        return by.OF_CAUSE[own].words.format(motor=key.split(".")[1])
    return CAP_WORDS.get((key, ceiling.column or 0), words)


def key_of(limits: Limits, row: int, code: int) -> str:
    """The dotted key that stands behind a cause for one class of moves."""
    if by.DRIVE_1 <= code <= by.DRIVE_4 and limits.drives is not None:
        return torque_key(limits.drives.names[code - by.DRIVE_1])
    if code == by.ADVANCE:
        return ADVANCE_KEY
    column = by.OF_CAUSE[code].column
    return "" if column is None else limits.origins.get((row, column), "")


def motion_causes(table: Sequence[MoveClass], limits: Limits, seconds: NDArray[np.float64]) -> dict[str, float]:
    """Seconds of motion by cause; `table` as in `Classes`, `seconds` float64[classes, CAUSES] as in `Plan`."""
    places = np.argwhere(seconds > 0.0).tolist()
    return summed((cause_name(table, limits, row, code), float(seconds[row, code])) for row, code in places)


def main_cause(seconds: dict[str, float], total: float) -> str:
    """The cause with most seconds, with its share; what is shown beside a candidate."""
    name = max(seconds, key=lambda cause: seconds[cause])
    return f"{name} ({seconds[name] / total:.0%})"
