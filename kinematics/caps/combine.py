"""Machine to limits: a table, class × limit, every number with the key that it came from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps.classes import MoveClass, is_path
from kinematics.caps.flow import filament_speed_by_flow
from kinematics.gcode.moves import PRINT, TRAVEL
from kinematics.machine import Machine
from kinematics.planner import causes as by

COMMANDED = "the job"  # origin of a commanded speed


class Limits(NamedTuple):
    """`values` float64[classes, LIMITS] (columns of `planner.causes`, infinity for none); `origins` the dotted key that
    stands behind each number, by (class, column); `lookahead` moves that the controller sees (None: all).
    """

    values: NDArray[np.float64]
    origins: Mapping[tuple[int, int], str]
    lookahead: int | None


def _given(value: float | None) -> float:
    return math.inf if value is None else float(value)


class _Row:
    """One class's limits under construction."""

    def __init__(self) -> None:
        self.values = np.full(by.LIMITS, math.inf)
        self.origins: dict[int, str] = {}

    def put(self, column: int, value: float | None, key: str) -> None:
        self.values[column] = _given(value)
        self.origins[column] = key


def _commanded(row: _Row, machine: Machine, member: MoveClass) -> None:
    """Commanded speed: the file's or what replaces it, times the override; first layers may keep the file's own."""
    motion = machine.motion
    row.put(by.SPEED_SHARE, 1.0, COMMANDED)
    if member.first_layers and motion.first_layers.keep_commanded_speed:
        return
    share, share_key = motion.feed_override, "motion.feed_override"
    own = motion.by_kind.print if member.kind == PRINT else motion.by_kind.travel
    name = "print" if member.kind == PRINT else "travel"
    if is_path(member) and own.feed_override is not None:
        share, share_key = own.feed_override, f"motion.by_kind.{name}.feed_override"
    row.put(by.SPEED_SHARE, share, COMMANDED if share == 1.0 else share_key)
    if is_path(member) and own.commanded_speed_mm_s is not None:
        key = f"motion.by_kind.{name}.commanded_speed_mm_s"
        row.put(by.SPEED_SHARE, 0.0, key)
        row.put(by.SPEED_REPLACED, own.commanded_speed_mm_s * share, key)


def _path(row: _Row, machine: Machine, member: MoveClass) -> None:
    """Speed cap and acceleration along the path."""
    motion = machine.motion
    row.put(by.CAP, motion.speed_cap_mm_s, "motion.speed_cap_mm_s")
    if member.kind == PRINT:
        printing = motion.by_kind.print
        row.put(by.PATH_RAMP, motion.print_acceleration_mm_s2, "motion.print_acceleration_mm_s2")
        if printing.print_acceleration_mm_s2 is not None:
            key = "motion.by_kind.print.print_acceleration_mm_s2"
            row.put(by.PATH_RAMP, printing.print_acceleration_mm_s2, key)
        if printing.speed_cap_mm_s is not None:
            row.put(by.CAP, printing.speed_cap_mm_s, "motion.by_kind.print.speed_cap_mm_s")
    elif member.kind == TRAVEL:
        travelling = motion.by_kind.travel
        row.put(by.PATH_RAMP, motion.travel_acceleration_mm_s2, "motion.travel_acceleration_mm_s2")
        if travelling.travel_acceleration_mm_s2 is not None:
            key = "motion.by_kind.travel.travel_acceleration_mm_s2"
            row.put(by.PATH_RAMP, travelling.travel_acceleration_mm_s2, key)
        if travelling.speed_cap_mm_s is not None:
            row.put(by.CAP, travelling.speed_cap_mm_s, "motion.by_kind.travel.speed_cap_mm_s")
    else:
        row.put(by.CAP, None, "motion.speed_cap_mm_s")
        row.put(by.PATH_RAMP, machine.retraction.acceleration_mm_s2, "retraction.acceleration_mm_s2")


def _axes(row: _Row, machine: Machine, member: MoveClass) -> None:
    """Speed and acceleration of each tool axis and of the extruder; the hotend's flow while printing."""
    axes = machine.axes
    named = (
        ("x", axes.x, by.X_MOST, by.X_RAMP),
        ("y", axes.y, by.Y_MOST, by.Y_RAMP),
        ("z", axes.z, by.Z_MOST, by.Z_RAMP),
        ("e", axes.e, by.FILAMENT_MOST, by.FILAMENT_RAMP),
    )
    for name, axis, most, ramp in named:
        row.put(most, axis.max_speed_mm_s, f"axes.{name}.max_speed_mm_s")
        row.put(ramp, axis.max_acceleration_mm_s2, f"axes.{name}.max_acceleration_mm_s2")
    by_flow = filament_speed_by_flow(machine)
    if member.kind == PRINT and by_flow < row.values[by.FILAMENT_MOST]:
        row.put(by.FILAMENT_MOST, by_flow, "hotend.max_flow_mm3_s")


def _corners(row: _Row, machine: Machine) -> None:
    """Junction deviation, or steps of axes; the step of the extruder."""
    motion = machine.motion
    row.put(by.DEVIATION, motion.junction_deviation_mm, "motion.junction_deviation_mm")
    step = motion.speed_step_mm_s
    if step is not None:
        for name, column in (("x", by.X_STEP), ("y", by.Y_STEP), ("z", by.Z_STEP)):
            row.put(column, getattr(step, name), f"motion.speed_step_mm_s.{name}")
    row.put(by.FILAMENT_STEP, motion.extruder_step_mm_s, "motion.extruder_step_mm_s")


def limits_of(machine: Machine, table: Sequence[MoveClass]) -> Limits:
    """The limits of a machine for every class of moves.

    v <= min(F·override, cap, V_k/|u_k|, V_e/r, Q_max/(A·r) while printing); a <= min(a_path, A_k/|u_k|, A_e/r).
    """
    rows = []
    for member in table:
        row = _Row()
        _commanded(row, machine, member)
        _path(row, machine, member)
        _axes(row, machine, member)
        _corners(row, machine)
        rows.append(row)
    origins = {(i, column): key for i, row in enumerate(rows) for column, key in row.origins.items()}
    return Limits(np.stack([row.values for row in rows]), origins, machine.motion.lookahead_moves)
