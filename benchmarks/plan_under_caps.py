"""Planning under every kind of cap beside planning under none: the part of plan.py on caps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from contest import Verdicts, in_turn, nanoseconds, table

from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.limits.classes import classify
from kinematics.limits.combine import Limits, limits_of
from kinematics.limits.drive import jacobians
from kinematics.machine import Machine
from kinematics.machine.mechanisms import mechanism_of
from kinematics.planner.ceilings import hang_on_turns
from kinematics.planner.features import CornerSettings, Features, make_features
from kinematics.planner.plan import Room, make_room, plan
from kinematics.planner.ties import NO_TIES, Ties, make_ties

# As the co-op's machines are (sample_gcode/machines); small motors and a long tube, so that both hold some moves back.
LOOKAHEAD: dict[str, Any] = {"motion.lookahead_moves": 32}
BUDGETS: dict[str, Any] = {
    "vibration.x.modes": [{"frequency_hz": 48.0, "damping_ratio": 0.07, "frequency_uncertainty_share": 0.1}],
    "vibration.x.filter": "ZVD",
    "vibration.y.modes": [{"frequency_hz": 36.0, "damping_ratio": 0.06, "frequency_uncertainty_share": 0.1}],
    "vibration.y.filter": "ZVD",
    "quality.rounding_budget_mm": 0.1,
    "quality.ringing_budget_mm": 0.02,
}
RATES: dict[str, Any] = {
    "controller.moves_per_s": 1500.0,
    "controller.bytes_per_s": 11500.0,
}
PRESSURE: dict[str, Any] = {"filament.pressure_advance_s": 0.1, "axes.e.max_speed_mm_s": 12.0}
DRIVES: dict[str, Any] = {
    **{f"motors.{name}.torque_nm": [[0, 0.12], [600, 0.08], [1500, 0.03]] for name in "xy"},
    **{f"motors.{name}.mm_per_rev": 40.0 for name in "xy"},
    **{f"motors.{name}.rotor_inertia_kg_m2": 5.4e-6 for name in "xy"},
    **{f"motors.{name}.usable_torque_share": 0.5 for name in "xy"},
    "axes.x.moving_mass_kg": 0.45,
    "axes.x.friction_n": 4.0,
    "axes.y.moving_mass_kg": 1.4,
    "axes.y.friction_n": 4.0,
}
# Half the pull, and an extruder a third slower: nearly every ramp is held by what falls with speed.
SMALL_MOTORS: dict[str, Any] = DRIVES | {
    f"motors.{name}.torque_nm": [[0, 0.06], [300, 0.04], [1500, 0.01]] for name in "xy"
}
SLOW_EXTRUDER: dict[str, Any] = PRESSURE | {"axes.e.max_speed_mm_s": 8.0}
CONSTANT, FALLING, EVERYWHERE = range(3)  # what a machine is held by: its acceleration falls on no ramp, some, all
MOST = {  # of the time of planning without caps
    CONSTANT: ("all constant caps", 1.5),
    FALLING: ("drive curves or pressure advance", 4.0),
    EVERYWHERE: ("nearly every ramp held by them", 8.0),
}


def capped_cases(moves: Moves, plain: Mapping[str, Any]) -> dict[str, tuple[Callable[[], object], int]]:
    """Plans of the same moves without caps, with constant ones, with drives or pressure advance, and with all.

    Each with what it is held by, a key of MOST; `plain` the settings of the machine without caps.
    """
    found: dict[str, tuple[Callable[[], object], int]] = {}
    ways: dict[str, tuple[dict[str, Any], int]] = {
        "no caps": ({}, CONSTANT),
        "rounding and ringing": (BUDGETS, CONSTANT),
        "command rate": (RATES, CONSTANT),
        "all constant caps": (BUDGETS | RATES, CONSTANT),
        "pressure advance": (PRESSURE, FALLING),
        "drive curves": (DRIVES, FALLING),
        "all caps": (BUDGETS | RATES | PRESSURE | DRIVES, FALLING),
        "pressure advance, slow extruder": (SLOW_EXTRUDER, EVERYWHERE),
        "drive curves, small motors": (SMALL_MOTORS, EVERYWHERE),
        "all caps, both": (BUDGETS | RATES | SLOW_EXTRUDER | SMALL_MOTORS, EVERYWHERE),
    }
    classes = classify(moves, 0)
    for name, (settings, held_by) in ways.items():
        machine = Machine().with_settings({**plain, **LOOKAHEAD, **settings}, "benchmark")
        limits = limits_of(machine, classes.table)
        corners = CornerSettings(turns=hang_on_turns(limits.values))
        features = make_features(moves, classes.of_move, corners)
        still = (jacobians(mechanism_of(machine), np.zeros((3, 1))),) if limits.drives is not None else ()
        rated = bool(np.isfinite(limits.values[:, by.MOVE_RATE]).any())
        ties = NO_TIES
        if limits.ties:
            size = np.full(moves.dx.size, 30.0) if rated else None
            ties = make_ties(moves, features, limits.drives, still, limits.lookahead, rated, size)
        room = make_room(moves.dx.size, limits.values.shape[0])

        def run(features: Features = features, limits: Limits = limits, room: Room = room, ties: Ties = ties) -> object:
            return plan(features, limits.values, limits.lookahead, room, limits.advance, ties)

        found[name] = run, held_by
    return found


def under_caps(verdicts: Verdicts, moves: Moves, plain: Mapping[str, Any]) -> None:
    """The same job and machine with caps beside none; both judged with a lookahead."""
    ways = capped_cases(moves, plain)
    n = moves.dx.size
    times = in_turn({name: run for name, (run, _) in ways.items()}, seconds=10.0, rounds=9)
    free = times["no caps"].least
    rows = [[name, f"{n:,}", *nanoseconds(each, n), f"{each.least / free:.2f}"] for name, each in times.items()]
    table(["arrays kept", "moves", "ns a move", "median", "of no caps"], rows)
    for held_by, (words, most) in MOST.items():
        worst = max(times[name].least / free for name, (_, held) in ways.items() if held == held_by)
        verdicts.judge(
            f"with {words} planning takes at most {most:g} of planning without", f"{worst:.2f}", worst <= most
        )
