"""Seconds by cause, in a maker's words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.caps.classes import MoveClass
from kinematics.caps.combine import ADVANCE_KEY, Limits
from kinematics.caps.flow import FLOW_KEY
from kinematics.caps.motor_drives import torque_key
from kinematics.caps.vibration import RINGING_KEY, ROUNDING_KEY
from kinematics.gcode.moves import FILAMENT, PRINT

# What follows in every list of causes when its seconds are summed over a job.
DWELL, COOLING, FILAMENT_ONLY, CORNERS = "dwell", "cooling: shortest layer time", "extruder-only moves", "corners"


class Cause(NamedTuple):
    """Time spent under one cause: its name, seconds, and share of the total."""

    cause: str
    seconds: float
    share: float


# Where the number stands that a cause comes from, and whose it is.
_COLUMNS = {
    by.X_SPEED: by.X_MOST,
    by.Y_SPEED: by.Y_MOST,
    by.Z_SPEED: by.Z_MOST,
    by.FILAMENT_SPEED: by.FILAMENT_MOST,
    by.X_ACCELERATION: by.X_RAMP,
    by.Y_ACCELERATION: by.Y_RAMP,
    by.Z_ACCELERATION: by.Z_RAMP,
    by.FILAMENT_ACCELERATION: by.FILAMENT_RAMP,
}
_NAMES = {
    by.SPEED_CAP: "speed cap",
    by.X_SPEED: "x axis speed",
    by.Y_SPEED: "y axis speed",
    by.Z_SPEED: "z axis speed",
    by.FILAMENT_SPEED: "extruder speed",
    by.MOVE_RATE_SPEED: "command rate: moves",
    by.BYTE_RATE_SPEED: "command rate: bytes",
    by.ADVANCE: "pressure advance",
    by.CORNER: CORNERS,
    by.X_ACCELERATION: "short lines: x axis acceleration",
    by.Y_ACCELERATION: "short lines: y axis acceleration",
    by.Z_ACCELERATION: "short lines: z axis acceleration",
    by.FILAMENT_ACCELERATION: "short lines: extruder acceleration",
}
_AXES = {by.X_ACCELERATION: "x", by.Y_ACCELERATION: "y"}
# Caps that lower a limit of an axis go by names of their own.
_OF_KEYS = {
    FLOW_KEY: "hotend flow",
    ROUNDING_KEY: "short lines: rounding, {} axis",
    RINGING_KEY: "short lines: ringing, {} axis",
}
TORQUE = ".torque_nm"  # a motor runs no faster than its torque curve tells
# What a motor's name stands in; the codes of three motors in a row begin at each.
_OF_MOTORS = {
    by.MOTOR_1_SPEED: "motor {} speed",
    by.MOTOR_1_STEADY: "motor {} acceleration at steady speed",
    by.MOTOR_1_ACCELERATION: "short lines: motor {} acceleration",
}


def cause_name(table: Sequence[MoveClass], limits: Limits, row: int, code: int) -> str:
    """The name of a cause for one class of moves; `table` the classes as in `Classes`."""
    kind = table[row].kind
    if kind == FILAMENT:
        return FILAMENT_ONLY
    if code == by.COMMANDED_SPEED:
        return "print speeds in the file" if kind == PRINT else "travel speeds in the file"
    if code == by.PATH_ACCELERATION:
        return "short lines: acceleration" if kind == PRINT else "short travels: acceleration"
    coupled = code - by.MOTOR_1_SPEED
    if 0 <= coupled < 3 and limits.origins.get((row, by.MOTOR_1_MOST + coupled), "").endswith(TORQUE):
        return f"top speed of motor {limits.motors[coupled]}"
    for first, words in _OF_MOTORS.items():
        if first <= code < first + 3:
            motor = code - first
            return words.format(limits.motors[motor] if motor < len(limits.motors) else motor + 1)
    if by.DRIVE_1 <= code <= by.DRIVE_4:
        names = limits.drives.names if limits.drives is not None else ()
        return f"drive of motor {dict(enumerate(names)).get(code - by.DRIVE_1, code - by.DRIVE_1 + 1)}"
    key = limits.origins.get((row, _COLUMNS[code]), "") if code in _COLUMNS else ""
    if key in _OF_KEYS:
        return _OF_KEYS[key].format(_AXES.get(code, ""))
    if key.endswith(TORQUE):
        return f"top speed of motor {key.split('.')[1]}"
    if key.startswith("motors."):
        kind_of_cause = by.MOTOR_1_SPEED if code < by.CORNER else by.MOTOR_1_ACCELERATION
        return _OF_MOTORS[kind_of_cause].format(key.split(".")[1])
    return _NAMES[code]


_CRUISE_COLUMNS = {
    by.COMMANDED_SPEED: by.SPEED_SHARE,
    by.SPEED_CAP: by.CAP,
    by.MOVE_RATE_SPEED: by.MOVE_RATE,
    by.BYTE_RATE_SPEED: by.BYTE_RATE,
    by.CORNER: by.DEVIATION,
    by.PATH_ACCELERATION: by.PATH_RAMP,
    **{by.MOTOR_1_SPEED + i: by.MOTOR_1_MOST + i for i in range(3)},
    **{by.MOTOR_1_STEADY + i: by.MOTOR_1_RAMP + i for i in range(3)},
    **{by.MOTOR_1_ACCELERATION + i: by.MOTOR_1_RAMP + i for i in range(3)},
}


def key_of(limits: Limits, row: int, code: int) -> str:
    """The dotted key that stands behind a cause for one class of moves."""
    if by.DRIVE_1 <= code <= by.DRIVE_4 and limits.drives is not None:
        return torque_key(limits.drives.names[code - by.DRIVE_1])
    if code == by.ADVANCE:
        return ADVANCE_KEY
    column = _COLUMNS.get(code, _CRUISE_COLUMNS.get(code))
    return "" if column is None else limits.origins.get((row, column), "")


def motion_causes(table: Sequence[MoveClass], limits: Limits, seconds: NDArray[np.float64]) -> dict[str, float]:
    """Seconds of motion by cause; `table` as in `Classes`, `seconds` float64[classes, CAUSES] as in `Plan`."""
    found: dict[str, float] = {}
    for row, code in np.argwhere(seconds > 0.0):
        name = cause_name(table, limits, int(row), int(code))
        found[name] = found.get(name, 0.0) + float(seconds[row, code])
    return found


def main_cause(seconds: dict[str, float], total: float) -> str:
    """The cause with most seconds, with its share; what is shown beside a candidate."""
    name = max(seconds, key=lambda cause: seconds[cause])
    return f"{name} ({seconds[name] / total:.0%})"
