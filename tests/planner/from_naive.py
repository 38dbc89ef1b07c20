"""The bridge from the slow twin's records to the package's own machine, limits and plan."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from kinematics.gcode.moves import Moves, NozzleTargets
from kinematics.limits import columns as by
from kinematics.limits.class_limits import UNSCALED
from kinematics.limits.classes import Classes, classify
from kinematics.limits.combine import Limits, limits_of
from kinematics.limits.drive import jacobians
from kinematics.limits.flow import hangs_on_temperature
from kinematics.machine import Machine
from kinematics.machine.mechanisms import Cartesian, LinearDelta, has_coupled_limits, mechanism_of
from kinematics.planner.features import RULE_OFF, CornerSettings, Drive, Features, make_features
from kinematics.planner.filtered import filtered_by, with_rounding
from kinematics.planner.plan import Plan, plan
from kinematics.planner.ties import NO_TIES, Ties, make_ties
from tests.naive.planner_motors import NO_PLACE, places_of
from tests.naive.planner_records import NaiveCaps, NaiveLimits, NaiveMove
from tests.naive.random_paths import to_moves
from tests.naive.turns import Vector

FILTERS = {1: "none", 2: "ZV", 3: "ZVD", 4: "ZVDD"}  # by number of impulses


def expressible(limits: NaiveLimits) -> NaiveLimits:
    """The same limits without what a machine file cannot say.

    It has no junction deviation of 0, no axis steps without a step, and no commanded speed for the extruder alone.
    """
    replaced = {kind: v for kind, v in (limits.replaced_speed or {}).items() if kind != "filament" and v < math.inf}
    limits = replace(limits, replaced_speed=replaced or None)
    if limits.corner_rule == "axis steps" and min(limits.speed_step) == math.inf:
        limits = replace(limits, corner_rule="junction deviation")
    if limits.junction_deviation == 0.0:
        limits = replace(limits, junction_deviation=0.05)
    return limits


def machine_from(limits: NaiveLimits) -> Machine:
    """The machine whose limits the twin was given; what is infinite there is left out here."""
    settings: dict[str, Any] = {}
    for name, speed, ramp in zip("xyz", limits.axis_speed, limits.axis_acceleration, strict=True):
        settings[f"axes.{name}.max_speed_mm_s"] = speed
        settings[f"axes.{name}.max_acceleration_mm_s2"] = ramp
    settings["axes.e.max_speed_mm_s"] = limits.extruder_speed
    settings["axes.e.max_acceleration_mm_s2"] = limits.extruder_acceleration
    settings["motion.print_acceleration_mm_s2"] = limits.print_acceleration
    settings["motion.travel_acceleration_mm_s2"] = limits.travel_acceleration
    settings["retraction.acceleration_mm_s2"] = limits.filament_acceleration
    settings["hotend.max_flow_mm3_s"] = limits.max_flow
    settings["filament.diameter_mm"] = 2.0 * math.sqrt(limits.filament_area / math.pi)
    settings["motion.speed_cap_mm_s"] = limits.speed_cap
    settings["motion.extruder_step_mm_s"] = limits.extruder_step
    settings = {key: value for key, value in settings.items() if value < math.inf}
    if limits.corner_rule == "axis steps":
        settings["motion.speed_step_mm_s"] = {
            name: step for name, step in zip("xyz", limits.speed_step, strict=True) if step < math.inf
        }
    else:
        settings["motion.junction_deviation_mm"] = limits.junction_deviation
    settings["motion.curve_rule"] = limits.curve_rule
    settings["motion.short_run_mm"] = limits.short_run
    settings["motion.curve_window_mm"] = limits.curve_window
    if limits.lookahead is not None:
        settings["motion.lookahead_moves"] = limits.lookahead
    for kind in ("print", "travel"):
        settings[f"motion.by_kind.{kind}.feed_override"] = limits.feed_override.get(kind, 1.0)
        replaced = (limits.replaced_speed or {}).get(kind, math.inf)
        if replaced < math.inf:
            settings[f"motion.by_kind.{kind}.commanded_speed_mm_s"] = replaced
    settings["motion.feed_override"] = limits.feed_override.get("filament", 1.0)
    settings["motion.first_layers.count"] = limits.first_layers_count
    settings["motion.first_layers.keep_commanded_speed"] = limits.keep_commanded_speed
    settings["machine.mechanism"] = limits.mechanism
    if limits.mechanism == "linear-delta":
        settings["machine.delta"] = {
            "arm_mm": limits.arm,
            "tower_radius_mm": limits.tower_radius,
            "tower_angles_deg": list(limits.tower_angles),
        }
    settings |= caps_in_keys(limits.caps)
    settings |= {f"motors.{name}.max_speed_mm_s": most for name, most in limits.motor_speed.items()}
    settings |= {f"motors.{name}.max_acceleration_mm_s2": most for name, most in limits.motor_acceleration.items()}
    return Machine().with_settings(settings, "twin")


def caps_in_keys(caps: NaiveCaps) -> dict[str, Any]:
    """The keys of a machine file that say what the twin's caps do."""
    settings: dict[str, Any] = {}
    for axis, (impulses, frequency, damping) in caps.filters.items():
        settings[f"vibration.{axis}.filter"] = FILTERS[impulses]
        settings[f"vibration.{axis}.filter_frequency_hz"] = frequency
        settings[f"vibration.{axis}.filter_damping_ratio"] = damping
    for axis, modes in caps.modes.items():
        settings[f"vibration.{axis}.modes"] = [
            {"frequency_hz": frequency, "damping_ratio": damping} for frequency, damping in modes
        ]
    settings["quality.rounding_budget_mm"] = caps.rounding_budget
    settings["quality.ringing_budget_mm"] = caps.ringing_budget
    settings["controller.moves_per_s"] = caps.moves_per_s
    settings["controller.bytes_per_s"] = caps.bytes_per_s
    settings = {key: value for key, value in settings.items() if value != math.inf}
    settings["quality.rounding_split"] = caps.rounding_split
    if caps.flow_table:
        settings["hotend.max_flow_mm3_s"] = [list(row) for row in caps.flow_table]
    if caps.pressure_advance:
        settings["filament.pressure_advance_s"] = caps.pressure_advance
    for name, motor in caps.motors.items():
        settings[f"motors.{name}.torque_nm"] = [list(point) for point in motor.torque]
        settings[f"motors.{name}.mm_per_rev"] = motor.mm_per_rev
        settings[f"motors.{name}.rotor_inertia_kg_m2"] = motor.inertia
        settings[f"motors.{name}.usable_torque_share"] = motor.usable
    if caps.motors:
        for axis, mass, friction in zip("xyze", caps.masses, caps.frictions, strict=True):
            settings[f"axes.{axis}.moving_mass_kg"] = mass
            settings[f"axes.{axis}.friction_n"] = friction
    return settings


def corner_settings(machine: Machine) -> CornerSettings:
    """What the corners of a job depend on under this machine."""
    motion = machine.motion
    return CornerSettings(
        motion.curve_window_mm if motion.curve_rule else RULE_OFF,
        0.0 if motion.speed_step_mm_s is not None else motion.short_run_mm,
    )


def drive_of(moves: Moves, machine: Machine, start: Vector = NO_PLACE) -> Drive | None:
    """The coupled motors of a machine where any is limited, for moves that begin at a place."""
    mechanism = mechanism_of(machine)
    if isinstance(mechanism, Cartesian) or not has_coupled_limits(machine):
        return None
    steps = np.stack([moves.dx, moves.dy, moves.dz])
    return Drive(mechanism, np.cumsum(np.hstack([np.array(start)[:, None], steps[:, :-1]]), axis=1))


def features_of(moves: Moves, machine: Machine, start: Vector = NO_PLACE) -> Features:
    """Features of moves under a machine, none of them cut."""
    classes = classify(moves, machine.motion.first_layers.count)
    plain = make_features(moves, classes.of_move, corner_settings(machine), drive_of(moves, machine, start))
    return with_rounding(plain, moves, filtered_by(machine, limits_of(machine, classes.table).values))


def planned(moves: Moves, machine: Machine, start: Vector = NO_PLACE) -> tuple[Features, Plan]:
    """Features and plan of moves under a machine."""
    classes = classify(moves, machine.motion.first_layers.count)
    limits = limits_of(machine, classes.table)
    features = features_of(moves, machine, start)
    return features, plan(features, limits.values, limits.lookahead)


class Prepared(NamedTuple):
    """The twin's job as the planner takes it."""

    classes: Classes
    limits: Limits
    features: Features
    ties: Ties

    def plan(self) -> Plan:
        """The package's plan."""
        limits = self.limits
        return plan(self.features, limits.values, limits.lookahead, None, limits.advance, self.ties)


def nozzle_of(job: Sequence[NaiveMove]) -> NozzleTargets:
    """The temperatures at which the moves ask for the nozzle."""
    table = tuple(dict.fromkeys(move.nozzle for move in job))
    return NozzleTargets(np.array([table.index(move.nozzle) for move in job], np.int32), table)


def prepared_from_naive(
    job: Sequence[NaiveMove], limits: NaiveLimits, scaled: Mapping[str, float] = UNSCALED
) -> Prepared:
    """The twin's job under the twin's limits; `scaled` factors on limits by key."""
    return prepared_under(job, machine_from(limits), limits, scaled)


def prepared_under(
    job: Sequence[NaiveMove], machine: Machine, limits: NaiveLimits, scaled: Mapping[str, float] = UNSCALED
) -> Prepared:
    """The twin's job under a machine, its first move where the twin's limits say."""
    moves = to_moves(job)
    nozzle = nozzle_of(job) if hangs_on_temperature(machine) else None
    classes = classify(moves, machine.motion.first_layers.count, nozzle=nozzle)
    table = limits_of(machine, classes.table, scaled=scaled)
    plain = make_features(moves, classes.of_move, corner_settings(machine), drive_of(moves, machine, limits.start))
    features = with_rounding(plain, moves, filtered_by(machine, table.values))
    if not table.ties:
        return Prepared(classes, table, features, NO_TIES)
    jacobian: tuple[np.ndarray[Any, np.dtype[np.float64]], ...] = ()
    if table.drives is not None:
        starts = np.array(places_of(job, limits)).T
        ends = starts + np.stack([moves.dx, moves.dy, moves.dz])
        mechanism = mechanism_of(machine)
        places = (starts, ends) if isinstance(mechanism, LinearDelta) else (np.zeros((3, 1)),)
        jacobian = tuple(jacobians(mechanism, place) for place in places)
    size = np.array([move.size for move in job])
    by_moves, by_bytes = (bool(np.isfinite(table.values[:, one]).any()) for one in (by.MOVE_RATE, by.BYTE_RATE))
    ties = make_ties(moves, features, table.drives, jacobian, table.lookahead, by_moves, size if by_bytes else None)
    return Prepared(classes, table, features, ties)


def planned_from_naive(job: Sequence[NaiveMove], limits: NaiveLimits) -> Plan:
    """The package's plan of the twin's job under the twin's limits."""
    return prepared_from_naive(job, limits).plan()
