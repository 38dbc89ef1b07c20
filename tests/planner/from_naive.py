"""The bridge from the slow twin's records to the package's own machine, limits and plan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from kinematics.caps.classes import classify
from kinematics.caps.combine import limits_of
from kinematics.gcode.moves import Moves
from kinematics.machine import Machine
from kinematics.machine.mechanisms import Cartesian, has_coupled_limits, mechanism_of
from kinematics.planner.features import RULE_OFF, CornerSettings, Features, make_features
from kinematics.planner.motors import Drive
from kinematics.planner.plan import Plan, plan
from tests.naive.planner_motors import NO_PLACE
from tests.naive.planner_records import NaiveLimits, NaiveMove
from tests.naive.random_paths import to_moves
from tests.naive.turns import Vector


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
    settings |= {f"motors.{name}.max_speed_mm_s": most for name, most in limits.motor_speed.items()}
    settings |= {f"motors.{name}.max_acceleration_mm_s2": most for name, most in limits.motor_acceleration.items()}
    return Machine().with_settings(settings, "twin")


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
    return make_features(moves, classes.of_move, corner_settings(machine), drive_of(moves, machine, start))


def planned(moves: Moves, machine: Machine, start: Vector = NO_PLACE) -> tuple[Features, Plan]:
    """Features and plan of moves under a machine."""
    classes = classify(moves, machine.motion.first_layers.count)
    limits = limits_of(machine, classes.table)
    features = features_of(moves, machine, start)
    return features, plan(features, limits.values, limits.lookahead)


def planned_from_naive(job: Sequence[NaiveMove], limits: NaiveLimits) -> Plan:
    """The package's plan of the twin's job under the twin's limits."""
    return planned(to_moves(job), machine_from(limits), limits.start)[1]
