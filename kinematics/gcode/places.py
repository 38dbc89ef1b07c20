"""Printed places."""

from __future__ import annotations

from kinematics.compiled import compiled_part
from kinematics.gcode import state as at


@compiled_part
def extend(state: at.State, x: float, y: float, z: float) -> None:
    """Take a printed place into the extent."""
    state.low[0], state.high[0] = min(state.low[0], x), max(state.high[0], x)
    state.low[1], state.high[1] = min(state.low[1], y), max(state.high[1], y)
    state.low[2], state.high[2] = min(state.low[2], z), max(state.high[2], z)
