"""Machine to limits: a table, class × limit, every number with the key that it came from.

Of what is told about one limit the most particular holds: the machine's, above it the file's own, a kind of moves, a
label, and above all what a study varies.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.caps.classes import MoveClass, is_path
from kinematics.caps.flow import filament_speed_by_flow
from kinematics.gcode.moves import PRINT, TRAVEL
from kinematics.machine import Machine
from kinematics.machine.mechanisms import mechanism_of

COMMANDED = "the job"  # origin of a commanded speed
IN_THE_JOB = " (stated in the job)"  # after a key whose value the job states
HONOUR, IGNORE, CAP = "honour", "ignore", "cap"
FILE_LIMIT_MODES = (HONOUR, IGNORE, CAP)
NOTHING_VARIED: frozenset[str] = frozenset()

Told = tuple[str, float | None]  # dotted key, value


class Limits(NamedTuple):
    """What a machine allows each class of moves.

    `values` float64[classes, LIMITS] (columns of `caps.columns`, infinity for none); `origins` the dotted key that
    stands behind each number, by (class, column); `lookahead` moves that the controller sees (None: all); `motors` the
    names of the motors that have columns of their own.
    """

    values: NDArray[np.float64]
    origins: Mapping[tuple[int, int], str]
    lookahead: int | None
    motors: tuple[str, ...] = ()


class _Row:
    """One class's limits under construction."""

    def __init__(self, machine: Machine, member: MoveClass, mode: str, varied: frozenset[str]) -> None:
        self.machine = machine
        self.member = member
        self.stated = member.stated if mode != IGNORE else {}
        self.mode = mode
        self.varied = varied
        self.values = np.full(by.LIMITS, math.inf)
        self.origins: dict[int, str] = {}

    def chosen(self, general: Told, *particular: Told) -> Told:
        """What holds of one limit: told in general, by the file, and ever more particularly."""
        key, value = general
        for other, told in particular:
            if other in self.varied and told is not None:
                key, value = other, told
        if key in self.varied:
            return key, value
        stated = self.stated.get(general[0])
        if stated is not None and self.mode == HONOUR:
            key, value = general[0] + IN_THE_JOB, stated
        for other, told in particular:
            if told is not None:
                key, value = other, told
        if stated is not None and self.mode == CAP and (value is None or stated < value):
            key, value = general[0] + IN_THE_JOB, stated
        return key, value

    def put(self, column: int, told: Told) -> None:
        """Write a limit; None is no limit."""
        key, value = told
        self.values[column] = math.inf if value is None else float(value)
        self.origins[column] = key

    def lower(self, column: int, told: Told) -> None:
        """Write a limit where it is lower than what stands there."""
        if told[1] is not None and told[1] < self.values[column]:
            self.put(column, told)

    def particular(self, name: str) -> list[Told]:
        """What is told about one key by kind and by label, in the order of increasing particularity."""
        told: list[Told] = []
        motion, kind = self.machine.motion, self.member.kind
        if is_path(self.member):
            section = "print" if kind == PRINT else "travel"
            value = getattr(getattr(motion.by_kind, section), name, None)
            told.append((f"motion.by_kind.{section}.{name}", value))
            if self.member.label in motion.by_label:
                value = getattr(motion.by_label[self.member.label], name)
                told.append((label_key(self.member.label, name), value))
        return told


def label_key(label: str, name: str) -> str:
    """The dotted key of one limit of a label."""
    from kinematics.toml.dotted import quoted

    return f"motion.by_label.{quoted(label)}.{name}"


def _commanded(row: _Row) -> None:
    """Commanded speed: the file's or what replaces it, times the override; first layers may keep the file's own."""
    motion = row.machine.motion
    row.put(by.SPEED_SHARE, (COMMANDED, 1.0))
    if row.member.first_layers and motion.first_layers.keep_commanded_speed:
        return
    share_key, share = row.chosen(("motion.feed_override", motion.feed_override), *row.particular("feed_override"))
    assert share is not None  # it has a default
    row.put(by.SPEED_SHARE, (COMMANDED if share == 1.0 else share_key, share))
    key, replaced = row.chosen(("", None), *row.particular("commanded_speed_mm_s"))
    if replaced is not None:
        row.put(by.SPEED_SHARE, (key, 0.0))
        row.put(by.SPEED_REPLACED, (key, replaced * share))


def _path(row: _Row) -> None:
    """Speed cap and acceleration along the path."""
    motion, kind = row.machine.motion, row.member.kind
    if kind == PRINT or kind == TRAVEL:
        row.put(by.CAP, row.chosen(("motion.speed_cap_mm_s", motion.speed_cap_mm_s), *row.particular("speed_cap_mm_s")))
        name = "print_acceleration_mm_s2" if kind == PRINT else "travel_acceleration_mm_s2"
        row.put(by.PATH_RAMP, row.chosen((f"motion.{name}", getattr(motion, name)), *row.particular(name)))
    else:
        key = "retraction.acceleration_mm_s2"
        row.put(by.PATH_RAMP, row.chosen((key, row.machine.retraction.acceleration_mm_s2)))


def _axes(row: _Row) -> None:
    """Speed and acceleration of each tool axis and of the extruder, and of a motor that moves nothing else.

    The hotend's flow counts while printing.
    """
    axes, motors = row.machine.axes, row.machine.motors
    named = (
        ("x", axes.x, by.X_MOST, by.X_RAMP),
        ("y", axes.y, by.Y_MOST, by.Y_RAMP),
        ("z", axes.z, by.Z_MOST, by.Z_RAMP),
        ("e", axes.e, by.FILAMENT_MOST, by.FILAMENT_RAMP),
    )
    for name, axis, most, ramp in named:
        row.put(most, row.chosen((f"axes.{name}.max_speed_mm_s", axis.max_speed_mm_s)))
        row.put(ramp, row.chosen((f"axes.{name}.max_acceleration_mm_s2", axis.max_acceleration_mm_s2)))
        if name in motors:  # on other mechanisms there is none of this name
            row.lower(most, (f"motors.{name}.max_speed_mm_s", motors[name].max_speed_mm_s))
            row.lower(ramp, (f"motors.{name}.max_acceleration_mm_s2", motors[name].max_acceleration_mm_s2))
    if row.member.kind == PRINT:
        row.lower(by.FILAMENT_MOST, ("hotend.max_flow_mm3_s", filament_speed_by_flow(row.machine)))


def _motors(row: _Row, names: tuple[str, ...]) -> None:
    """Speed and acceleration of each motor that moves several axes at once, or one of them unevenly."""
    for i, name in enumerate(names):
        motor = row.machine.motors.get(name)
        if motor is not None:
            row.put(by.MOTOR_1_MOST + i, (f"motors.{name}.max_speed_mm_s", motor.max_speed_mm_s))
            row.put(by.MOTOR_1_RAMP + i, (f"motors.{name}.max_acceleration_mm_s2", motor.max_acceleration_mm_s2))


def _corners(row: _Row) -> None:
    """Junction deviation, or steps of axes; the step of the extruder.

    A file that states the other corner rule than the machine's switches the rule, unless a study varies the machine's.
    """
    motion = row.machine.motion
    deviation = row.chosen(("motion.junction_deviation_mm", motion.junction_deviation_mm))
    step = motion.speed_step_mm_s
    steps = [row.chosen((f"motion.speed_step_mm_s.{name}", getattr(step, name) if step else None)) for name in "xyz"]
    if row.mode != CAP and deviation[1] is not None and any(value is not None for _, value in steps):
        steps_vary = any(key in row.varied for key, _ in steps)
        if deviation[0] in row.varied or (deviation[0].endswith(IN_THE_JOB) and not steps_vary):
            steps = [(key, None) for key, _ in steps]
        else:
            deviation = (deviation[0], None)
    row.put(by.DEVIATION, deviation)
    for column, told in zip((by.X_STEP, by.Y_STEP, by.Z_STEP), steps, strict=True):
        row.put(column, told)
    row.put(by.FILAMENT_STEP, row.chosen(("motion.extruder_step_mm_s", motion.extruder_step_mm_s)))


def limits_of(
    machine: Machine, table: Sequence[MoveClass], mode: str = HONOUR, varied: frozenset[str] = NOTHING_VARIED
) -> Limits:
    """The limits of a machine for every class of moves.

    v <= min(F·override, cap, V_k/|u_k|, W_k/|j_k|, V_e/r, Q_max/(A·r) while printing); a <= min(a_path, A_k/|u_k|,
    B_k/|j_k|, A_e/r). `mode` says what limits stated in the job do (honour, ignore, cap), `varied` names the dotted
    keys that a study varies.
    """
    coupled = mechanism_of(machine).coupled
    rows = []
    for member in table:
        row = _Row(machine, member, mode, varied)
        _commanded(row)
        _path(row)
        _axes(row)
        _motors(row, coupled)
        _corners(row)
        rows.append(row)
    origins = {(i, column): key for i, row in enumerate(rows) for column, key in row.origins.items()}
    return Limits(np.stack([row.values for row in rows]), origins, machine.motion.lookahead_moves, coupled)
