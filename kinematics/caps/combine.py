"""Machine to limits: a table, class × limit, every number with the key that it came from.

Of what is told about one limit the most particular holds: the machine's, above it the file's own, a kind of moves, a
label, and above all what a study varies. Caps lower what is so told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.caps.class_limits import CAP, HONOUR, IN_THE_JOB, NOTHING_VARIED, UNSCALED, Terms
from kinematics.caps.classes import MoveClass
from kinematics.caps.drive import Drives
from kinematics.caps.flow import FLOW_KEY, filament_speed_by_flow
from kinematics.caps.motor_drives import motor_drives, torque_key
from kinematics.caps.vibration import AXES, RINGING_KEY, ROUNDING_KEY, axis_quality
from kinematics.gcode.moves import PRINT, TRAVEL
from kinematics.machine import Machine
from kinematics.machine.mechanisms import EXTRUDER, mechanism_of

COMMANDED = "the job"  # origin of a commanded speed
ADVANCE_KEY = "filament.pressure_advance_s"


class Limits(NamedTuple):
    """What a machine allows each class of moves.

    `values` float64[classes, LIMITS] (columns of `caps.columns`, infinity for none); `origins` the dotted key that
    stands behind each number, by (class, column); `lookahead` moves that the controller sees (None: all); `motors` the
    names of the motors that have columns of their own; `advance` float64[classes, 2] speed of the extruder (mm/s) and
    pressure advance (s) that tie speed and acceleration together, `drives` the motors that do; `keys` every key that
    had a say.
    """

    values: NDArray[np.float64]
    origins: Mapping[tuple[int, int], str]
    lookahead: int | None
    motors: tuple[str, ...]
    advance: NDArray[np.float64]
    drives: Drives | None
    keys: frozenset[str]

    @property
    def ties(self) -> bool:
        """Whether any class's acceleration hangs on its speed, or the controller takes in so many moves a second."""
        rates = self.values[:, [by.MOVE_RATE, by.BYTE_RATE]]
        return bool(self.drives is not None or self.advance[:, 1].any() or np.isfinite(rates).any())


def _commanded(row: Terms) -> None:
    """Commanded speed: the file's or what replaces it, times the override; first layers may keep the file's own."""
    motion = row.machine.motion
    if row.member.first_layers and motion.first_layers.keep_commanded_speed:
        row.put(by.SPEED_SHARE, (COMMANDED, 1.0))
        return
    share_key, share = row.chosen(("motion.feed_override", motion.feed_override), *row.particular("feed_override"))
    assert share is not None  # it has a default
    key, replaced = row.chosen(("", None), *row.particular("commanded_speed_mm_s"))
    if replaced is None:
        row.put(by.SPEED_SHARE, (COMMANDED if share == 1.0 else share_key, share))
        return
    row.values[by.SPEED_SHARE], row.origins[by.SPEED_SHARE] = 0.0, key
    row.put(by.SPEED_REPLACED, (key, replaced * row.scaled_value(share_key, share)))
    if share != 1.0:
        row.keys.add(share_key)


def _path(row: Terms) -> None:
    """Speed cap and acceleration along the path."""
    motion, kind = row.machine.motion, row.member.kind
    if kind == PRINT or kind == TRAVEL:
        row.put(by.CAP, row.chosen(("motion.speed_cap_mm_s", motion.speed_cap_mm_s), *row.particular("speed_cap_mm_s")))
        name = "print_acceleration_mm_s2" if kind == PRINT else "travel_acceleration_mm_s2"
        row.put(by.PATH_RAMP, row.chosen((f"motion.{name}", getattr(motion, name)), *row.particular(name)))
    else:
        key = "retraction.acceleration_mm_s2"
        row.put(by.PATH_RAMP, row.chosen((key, row.machine.retraction.acceleration_mm_s2)))


def _axes(row: Terms) -> None:
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
        row.lower(by.FILAMENT_MOST, (FLOW_KEY, filament_speed_by_flow(row.machine, row.member.nozzle)))


def _motors(row: Terms, names: tuple[str, ...]) -> None:
    """Speed and acceleration of each motor that moves several axes at once, or one of them unevenly."""
    for i, name in enumerate(names):
        motor = row.machine.motors.get(name)
        if motor is not None:
            row.put(by.MOTOR_1_MOST + i, (f"motors.{name}.max_speed_mm_s", motor.max_speed_mm_s))
            row.put(by.MOTOR_1_RAMP + i, (f"motors.{name}.max_acceleration_mm_s2", motor.max_acceleration_mm_s2))


def _corners(row: Terms) -> None:
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


def _quality(row: Terms) -> None:
    """What rounding and ringing allow the axes that carry a filter or swing."""
    columns = ((by.X_RAMP, by.X_STEP, by.X_ROUNDING), (by.Y_RAMP, by.Y_STEP, by.Y_ROUNDING))
    for axis, (ramp, step, rounding) in zip(AXES, columns, strict=True):
        found = axis_quality(row.machine, axis)
        row.lower(ramp, (ROUNDING_KEY, found.ramp_rounding))
        row.lower(ramp, (RINGING_KEY, found.ramp_ringing))
        row.lower(step, (RINGING_KEY, found.step_ringing))
        row.lower(rounding, (ROUNDING_KEY, found.corner_rounding))


def _drives(row: Terms, drives: Drives, coupled: tuple[str, ...]) -> None:
    """No motor runs faster than its torque curve tells."""
    places = {"x": by.X_MOST, "y": by.Y_MOST, "z": by.Z_MOST, EXTRUDER: by.FILAMENT_MOST}
    places |= {name: by.MOTOR_1_MOST + i for i, name in enumerate(coupled)}
    for name, fastest in drives.fastest.items():
        row.lower_to(places[name], torque_key(name), fastest)  # more torque is no more speed


def _controller(row: Terms) -> None:
    """Moves and bytes that the controller takes in each second."""
    controller = row.machine.controller
    row.lower(by.MOVE_RATE, ("controller.moves_per_s", controller.moves_per_s))
    row.lower(by.BYTE_RATE, ("controller.bytes_per_s", controller.bytes_per_s))


def _advance(row: Terms) -> tuple[float, float]:
    """Speed of the extruder (mm/s; infinity for none) and pressure advance (s; 0 where nothing is tied)."""
    speeds = [row.chosen(("axes.e.max_speed_mm_s", row.machine.axes.e.max_speed_mm_s))]
    if EXTRUDER in row.machine.motors:
        speeds.append((f"motors.{EXTRUDER}.max_speed_mm_s", row.machine.motors[EXTRUDER].max_speed_mm_s))
    most = min((row.scaled_value(key, value) for key, value in speeds if value is not None), default=math.inf)
    key, delay = row.chosen((ADVANCE_KEY, row.machine.filament.pressure_advance_s))
    if row.member.kind != PRINT or not delay or most == math.inf:
        return most, 0.0
    row.keys.add(key)
    # More of it holds back: one per cent "more" of this limit is one per cent less of p, and lifted it is none.
    return most, delay / row.scaled.get(key, 1.0)


def limits_of(
    machine: Machine,
    table: Sequence[MoveClass],
    mode: str = HONOUR,
    varied: frozenset[str] = NOTHING_VARIED,
    scaled: Mapping[str, float] = UNSCALED,
) -> Limits:
    """The limits of a machine for every class of moves.

    v <= min(F·override, cap, V_k/|u_k|, W_k/|j_k|, V_e/r, Q_max/(A·r) while printing, command rate); a <= min(a_path,
    A_k/|u_k|, B_k/|j_k|, A_e/r), A_k lowered to what rounding and ringing allow. `mode` says what limits stated in the
    job do (honour, ignore, cap), `varied` names the dotted keys that a study varies, `scaled` holds factors on limits
    by key, infinity for one that is lifted. Raises InputError where a filter cannot be made or a motor moves nothing.
    """
    coupled = mechanism_of(machine).coupled
    drives = motor_drives(machine, scaled)
    rows = []
    advance = []
    for member in table:
        row = Terms(machine, member, mode, varied, scaled)
        _commanded(row)
        _path(row)
        _axes(row)
        _motors(row, coupled)
        _corners(row)
        _quality(row)
        _controller(row)
        if drives is not None:
            _drives(row, drives, coupled)
        advance.append(_advance(row))
        rows.append(row)
    origins = {(i, column): key for i, row in enumerate(rows) for column, key in row.origins.items()}
    keys = frozenset().union(*(row.keys for row in rows))
    if drives is not None:
        keys |= {torque_key(name) for name in drives.names}
    return Limits(
        np.stack([row.values for row in rows]),
        origins,
        machine.motion.lookahead_moves,
        coupled,
        np.array(advance),
        drives if drives is not None and drives.names else None,
        keys,
    )
