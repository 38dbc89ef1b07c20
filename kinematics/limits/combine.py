"""Machine to limits: a table, class × limit, every number with the key that it came from.

Of what is told about one limit the most particular holds: the machine's, above it the file's own, a kind of moves, a
label, and above all what a study varies. Caps lower what is so told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL
from kinematics.limits import columns as by
from kinematics.limits.class_limits import AS_CAP, HONOUR, IN_THE_JOB, NOTHING_VARIED, UNSCALED, Terms
from kinematics.limits.classes import MoveClass
from kinematics.limits.drive import Drives, motor_drives, torque_key
from kinematics.limits.flow import FLOW_KEY, filament_speed_by_flow
from kinematics.limits.vibration import RINGING_KEY, ROUNDING_KEY, axis_quality, rounding_of
from kinematics.machine import Machine
from kinematics.machine.keys import ALL, THE_AXES, THE_CORNERS, THE_EXTRUDER, THE_JOB, THE_PATH, THE_RATES
from kinematics.machine.mechanisms import EXTRUDER, mechanism_of
from kinematics.machine.model import Changes

FROM_THE_JOB = "the job"  # origin of a commanded speed
ADVANCE_KEY = "filament.pressure_advance_s"
ENDLESS_STEP = 1e9  # mm/s: of a permitted step that is lifted
MOTOR_PART, DRIVE_PART = "motors", "drives"  # parts that no key lifts by itself
MOST_KEPT = 128  # parts of limits: as many as the values of a few knobs; a part holds its machine


@dataclass(frozen=True)
class Limits:
    """What a machine allows each class of moves.

    `values` float64[classes, LIMITS] (columns of `limits.columns`, infinity for none); `parts` what stands behind them,
    by the name of each part, a row a class;
    `lookahead` moves that the controller sees (None: all); `motors` the names of the motors that have columns of their
    own; `advance` float64[classes, 2] speed of the extruder (mm/s) and pressure advance (s) that tie speed and
    acceleration together, `drives` the motors that do, `torques` their keys.
    """

    values: NDArray[np.float64]
    parts: Mapping[str, tuple[Terms, ...]]
    lookahead: int | None
    motors: tuple[str, ...]
    advance: NDArray[np.float64]
    drives: Drives | None
    torques: frozenset[str]

    @cached_property
    def origins(self) -> Mapping[tuple[int, int], str]:
        """The dotted key that stands behind each number, by (class, column)."""
        rows = ((i, row) for part in self.parts.values() for i, row in enumerate(part))
        return {(i, column): key for i, row in rows for column, key in row.origins.items()}

    @cached_property
    def keys(self) -> frozenset[str]:
        """Every key that had a say."""
        return self.torques.union(*(row.keys for part in self.parts.values() for row in part))

    def in_force(self) -> Iterator[by.Ceiling]:
        """The ceilings that hold any class of moves."""
        given = np.asarray(np.isfinite(self.values).any(axis=0))
        by_speed = {by.ADVANCE: bool(self.advance[:, 1].any())}
        by_speed |= {by.DRIVE_1 + i: True for i in range(len(self.drives.names) if self.drives is not None else 0)}
        for one in by.CEILINGS:
            if given[one.column] if one.column is not None else by_speed.get(one.cause, one.hangs_on == by.ON_MOVES):
                yield one

    @property
    def need_every_move(self) -> bool:
        """Whether a job can only be planned under these limits with all of its moves at hand."""
        return any(one.hangs_on not in by.IN_BLOCKS for one in self.in_force())

    def sight(self, around: by.Surroundings) -> by.Sight:
        """How far the ceilings in force see."""
        return by.furthest(one.sees(around) for one in self.in_force())

    @property
    def ties(self) -> bool:
        """Whether any class's acceleration hangs on its speed, or the controller takes in so many moves a second."""
        rates = self.values[:, by.COMMAND_COLUMNS]
        return bool(self.drives is not None or self.advance[:, 1].any() or np.isfinite(rates).any())


def _commanded(row: Terms) -> None:
    """Commanded speed: the file's or what replaces it, times the override; first layers may keep the file's own."""
    motion = row.machine.motion
    if row.member.first_layers and motion.first_layers.keep_commanded_speed:
        row.put(by.SPEED_SHARE, (FROM_THE_JOB, 1.0))
        return
    share_key, share = row.chosen(("motion.feed_override", motion.feed_override), *row.particular("feed_override"))
    assert share is not None  # it has a default
    key, replaced = row.chosen(("", None), *row.particular("commanded_speed_mm_s"))
    if replaced is None:
        row.put(by.SPEED_SHARE, (FROM_THE_JOB if share == 1.0 else share_key, share))
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


def _axis(row: Terms, name: str, most: int, ramp: int) -> None:
    """Speed and acceleration of a tool axis or of the extruder, and of a motor that moves nothing else."""
    axis, motors = getattr(row.machine.axes, name), row.machine.motors
    row.put(most, row.chosen((f"axes.{name}.max_speed_mm_s", axis.max_speed_mm_s)))
    row.put(ramp, row.chosen((f"axes.{name}.max_acceleration_mm_s2", axis.max_acceleration_mm_s2)))
    if name in motors:  # on other mechanisms there is none of this name
        row.lower(most, (f"motors.{name}.max_speed_mm_s", motors[name].max_speed_mm_s))
        row.lower(ramp, (f"motors.{name}.max_acceleration_mm_s2", motors[name].max_acceleration_mm_s2))


def _axes(row: Terms) -> None:
    """What each tool axis may."""
    for i, name in enumerate("xyz"):
        _axis(row, name, by.X_MOST + i, by.X_RAMP + i)


def _extruder(row: Terms) -> None:
    """What the extruder may, and its speed (mm/s; infinity for none) with the pressure advance (s; 0 where nothing is
    tied) that ties speed and acceleration to each other.
    """
    _axis(row, "e", by.FILAMENT_MOST, by.FILAMENT_RAMP)
    most = float(row.values[by.FILAMENT_MOST])
    key, delay = row.chosen((ADVANCE_KEY, row.machine.filament.pressure_advance_s))
    row.advance = most, 0.0
    if row.member.kind == PRINT and delay and most < math.inf:
        row.keys.add(key)
        # More of it holds back: one per cent "more" of this limit is one per cent less of p, and lifted it is none.
        row.advance = most, delay / row.scaled.get(key, 1.0)


def _motors(row: Terms) -> None:
    """Speed and acceleration of each motor that moves several axes at once, or one of them unevenly."""
    for i, name in enumerate(mechanism_of(row.machine).coupled):
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
    if row.mode != AS_CAP and deviation[1] is not None and any(value is not None for _, value in steps):
        steps_vary = any(key in row.varied for key, _ in steps)
        if deviation[0] in row.varied or (deviation[0].endswith(IN_THE_JOB) and not steps_vary):
            steps = [(key, None) for key, _ in steps]
        else:
            deviation = (deviation[0], None)
    row.put(by.DEVIATION, deviation)
    steps.append(row.chosen(("motion.extruder_step_mm_s", motion.extruder_step_mm_s)))
    for column, told in zip((by.X_STEP, by.Y_STEP, by.Z_STEP, by.FILAMENT_STEP), steps, strict=True):
        row.put(column, told)
        if told[1] is not None and row.values[column] == math.inf:
            # Lifted: a permitted step is also what rest may be left with, so that no step at all is another rule.
            row.values[column] = ENDLESS_STEP


def _fastest(machine: Machine, drives: Drives | None) -> dict[int, tuple[str, float]]:
    """No motor runs faster than its torque curve tells: by column the key of the curve, and that speed (mm/s)."""
    coupled = mechanism_of(machine).coupled
    places = {"x": by.X_MOST, "y": by.Y_MOST, "z": by.Z_MOST, EXTRUDER: by.FILAMENT_MOST}
    places |= {name: by.MOTOR_1_MOST + i for i, name in enumerate(coupled)}
    fastest = {} if drives is None else drives.fastest
    return {places[name]: (torque_key(name), speed) for name, speed in fastest.items()}


def _rates(_: Terms) -> None:
    """The machine tells no command rate but as a cap."""


EVERY_KIND = tuple(MoveClass(kind, False) for kind in (PRINT, TRAVEL, FILAMENT))


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
CAP_WORDS: dict[tuple[str, int], str] = {(cap.key, cap.column): cap.words for cap in CAPS if cap.words}


class Part(NamedTuple):
    """A part of the limits of a class, by the word that its keys lift: how it is told, and its columns.

    Caps of the table lower these columns then.
    """

    make: Callable[[Terms], None]
    columns: tuple[int, ...]


PARTS_OF_LIMITS: Mapping[str, Part] = {
    THE_JOB: Part(_commanded, (by.SPEED_SHARE, by.SPEED_REPLACED)),
    THE_PATH: Part(_path, (by.CAP, by.PATH_RAMP)),
    THE_AXES: Part(_axes, (by.X_MOST, by.Y_MOST, by.Z_MOST, by.X_RAMP, by.Y_RAMP, by.Z_RAMP)),
    THE_EXTRUDER: Part(_extruder, (by.FILAMENT_MOST, by.FILAMENT_RAMP)),
    MOTOR_PART: Part(
        _motors, (*range(by.MOTOR_1_MOST, by.MOTOR_1_MOST + 3), *range(by.MOTOR_1_RAMP, by.MOTOR_1_RAMP + 3))
    ),
    THE_CORNERS: Part(
        _corners,
        (by.DEVIATION, *range(by.X_STEP, by.Y_SWING_ADDED + 1), by.ROUNDING, by.ROUNDING_RAMP),
    ),
    THE_RATES: Part(_rates, (by.MOVE_RATE, by.BYTE_RATE)),
}


CAPS_OF = {part: tuple(cap for cap in CAPS if cap.column in PARTS_OF_LIMITS[part].columns) for part in PARTS_OF_LIMITS}


def _each_once(keys: Sequence[object]) -> tuple[list[int], list[int]]:
    """Where each of some keys stands first, and which of these every one of them is."""
    firsts = {key: k for k, key in reversed([*enumerate(keys)])}
    places = {key: i for i, key in enumerate(firsts)}
    return [*firsts.values()], [places[key] for key in keys]


class _Part(NamedTuple):
    """A part of the limits as it was made: its rows, and float64[classes, columns] the values of its columns."""

    rows: tuple[Terms, ...]
    values: NDArray[np.float64]


class LimitTable:
    """The limits of machines that settings make of one machine, for the same classes of moves.

    A part of the limits is made once for all machines that have the same values of the keys that lift it. `mode` says
    what limits stated in the job do (honour, ignore, cap).
    """

    def __init__(self, table: Sequence[MoveClass], mode: str = HONOUR) -> None:
        self.table = table
        self._mode = mode
        # What was made of a machine for varied keys and factors: threads may put another one in its place at any time.
        self._made: tuple[Machine, frozenset[str], Mapping[str, float], dict[object, _Part]] | None = None
        self._last: tuple[Machine, frozenset[str], Mapping[str, float], Limits] | None = None

    def of(
        self,
        machine: Machine,
        varied: frozenset[str] = NOTHING_VARIED,
        scaled: Mapping[str, float] = UNSCALED,
    ) -> Limits:
        """The limits of a machine; arguments and failures as in `limits_of`."""
        last = self._last
        if last is not None and last[0] is machine and last[1] == varied and last[2] == scaled:
            return last[3]
        coupled, drives = mechanism_of(machine).coupled, motor_drives(machine, scaled)
        made, (*_, changes) = self._made_of(machine, varied, scaled), machine.turned
        parts = {name: self._part(name, made, machine, changes, varied, scaled) for name in PARTS_OF_LIMITS}
        values = np.full((len(self.table), by.LIMITS), math.inf)
        for name, part in parts.items():
            values[:, PARTS_OF_LIMITS[name].columns] = part.values
        rows = {name: part.rows for name, part in parts.items()}
        if drives is not None:
            rows[DRIVE_PART] = tuple(
                replace(row, values=values[i], origins={}, keys=set()) for i, row in enumerate(rows[THE_PATH])
            )
            for column, (key, speed) in _fastest(machine, drives).items():
                for row in rows[DRIVE_PART]:
                    row.lower_to(column, key, speed)  # more torque is no more speed
        found = Limits(
            values,
            rows,
            machine.motion.lookahead_moves,
            coupled,
            np.array([row.advance for row in rows[THE_EXTRUDER]]),
            drives if drives is not None and drives.names else None,
            frozenset(torque_key(name) for name in drives.names) if drives is not None else frozenset(),
        )
        self._last = machine, varied, scaled, found
        return found

    def of_many(
        self, machines: Sequence[Machine], varied: frozenset[str] = NOTHING_VARIED
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """The limits of machines made of one (float64[machines, classes, LIMITS]), and which of these tie speed
        and acceleration of any class together, drives left out.
        """
        made = self._made_of(machines[0], varied, UNSCALED)
        changes = [machine.turned[2] for machine in machines]
        values = np.full((len(machines), len(self.table), by.LIMITS), math.inf)
        ties = np.zeros(len(machines), np.bool_)
        for name, part in PARTS_OF_LIMITS.items():
            firsts, which = _each_once([(one.get(name), one.get(ALL)) for one in changes])
            found = [self._part(name, made, machines[k], changes[k], varied, UNSCALED, True) for k in firsts]
            values[:, :, part.columns] = np.array([one.values for one in found])[which]
            if name == THE_EXTRUDER:
                ties = np.array([any(row.advance[1] for row in one.rows) for one in found])[which]
        firsts, which = _each_once([one.get(ALL) for one in changes])
        for i, k in enumerate(firsts):
            for column, (_, speed) in _fastest(machines[k], motor_drives(machines[k])).items():
                those = np.flatnonzero(np.array(which) == i)
                values[those, :, column] = np.minimum(values[those, :, column], speed)
        rates = values[:, :, by.COMMAND_COLUMNS].reshape(len(machines), -1)
        return values, ties | np.isfinite(rates).any(axis=1)

    def _made_of(self, machine: Machine, varied: frozenset[str], scaled: Mapping[str, float]) -> dict[object, _Part]:
        """What was made so far of the machine that settings were laid over."""
        made, (base, *_) = self._made, machine.turned
        if made is None or made[0] is not base or made[1] != varied or made[2] != scaled:
            made = self._made = base, varied, scaled, {}
        return made[3]

    def _part(
        self,
        name: str,
        made: dict[object, _Part],
        machine: Machine,
        changes: Changes,
        varied: frozenset[str],
        scaled: Mapping[str, float],
        among_many: bool = False,
    ) -> _Part:
        """A part of a machine's limits, drives left out; `made` what was made before of the same machine.

        It is kept for the next where that may well be asked for: of the machine itself, or one `among_many`.
        """
        key = name, changes.get(name), changes.get(ALL)
        if (known := made.get(key)) is not None:
            return known
        make, columns = PARTS_OF_LIMITS[name]
        values = np.full((len(self.table), by.LIMITS), math.inf)
        caps = [(cap, None if cap.by_class else cap.value(machine, EVERY_KIND[0])) for cap in CAPS_OF[name]]
        rows = [
            Terms(machine, member, self._mode, varied, scaled, of_one)
            for member, of_one in zip(self.table, values, strict=True)
        ]
        for row in rows:
            make(row)
            for cap, value in caps:
                row.lower(cap.column, (cap.key, cap.value(machine, row.member) if cap.by_class else value))
        found = _Part(tuple(rows), values[:, columns])
        if among_many or key[1:] == (None, None):
            made[key] = found
            for oldest in list(made)[:-MOST_KEPT]:
                made.pop(oldest, None)
        return found


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
    return LimitTable(table, mode).of(machine, varied, scaled)
