"""The table of caps: one row each, what lowers which limit; the numbers come from the files beside this one."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from kinematics.gcode.moves import PRINT
from kinematics.limits import columns as by
from kinematics.limits.classes import MoveClass
from kinematics.limits.flow import FLOW_KEY, filament_speed_by_flow
from kinematics.limits.vibration import RINGING_KEY, ROUNDING_KEY, axis_quality, rounding_of
from kinematics.machine import Machine


class Cap(NamedTuple):
    """One row: the dotted key that the cap comes from, and the column that it lowers.

    `words` what a maker calls the seconds that it holds ("": what the ceiling of that column calls them); `value` the
    number that the column is lowered to (None, infinity: not at all); `by_class` whether that hangs on the class of the
    moves, beside the machine.
    """

    key: str
    column: int
    words: str
    value: Callable[[Machine, MoveClass], float | None]
    by_class: bool = False


def _by_flow(machine: Machine, member: MoveClass) -> float | None:
    return filament_speed_by_flow(machine, member.nozzle) if member.kind == PRINT else None


# fmt: off
CAPS: tuple[Cap, ...] = (
    Cap(FLOW_KEY, by.FILAMENT_MOST, "hotend flow", _by_flow, by_class=True),
    Cap(ROUNDING_KEY, by.ROUNDING_RAMP, "", lambda one, _: rounding_of(one).ramps),
    Cap(ROUNDING_KEY, by.ROUNDING, "", lambda one, _: rounding_of(one).corners),
    Cap(RINGING_KEY, by.X_RAMP, "short lines: ringing, x axis", lambda one, _: axis_quality(one, "x").ramp_ringing),
    Cap(RINGING_KEY, by.Y_RAMP, "short lines: ringing, y axis", lambda one, _: axis_quality(one, "y").ramp_ringing),
    Cap(RINGING_KEY, by.X_KICK, "", lambda one, _: axis_quality(one, "x").step_ringing),
    Cap(RINGING_KEY, by.Y_KICK, "", lambda one, _: axis_quality(one, "y").step_ringing),
    Cap(RINGING_KEY, by.X_SWING, "", lambda one, _: axis_quality(one, "x").swing),
    Cap(RINGING_KEY, by.Y_SWING, "", lambda one, _: axis_quality(one, "y").swing),
    Cap(RINGING_KEY, by.X_SWING_ADDED, "", lambda one, _: axis_quality(one, "x").swing_added),
    Cap(RINGING_KEY, by.Y_SWING_ADDED, "", lambda one, _: axis_quality(one, "y").swing_added),
    Cap("controller.moves_per_s", by.MOVE_RATE, "", lambda one, _: one.controller.moves_per_s),
    Cap("controller.bytes_per_s", by.BYTE_RATE, "", lambda one, _: one.controller.bytes_per_s),
)
# fmt: on
WORDS: dict[tuple[str, int], str] = {(cap.key, cap.column): cap.words for cap in CAPS if cap.words}
