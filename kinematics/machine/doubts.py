"""Values that are legal and yet doubtful: what `machine check` says about a machine file.

The bounds are common practice, no source: they only have to tell a slip of the pen from a limit.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from kinematics.errors import InputError
from kinematics.machine.keys import all_keys, key_named, plain_value_of
from kinematics.machine.model import Machine


class Bounds(NamedTuple):
    """The span in which a key's value raises no question, and what to ask outside of it."""

    low: float
    high: float
    question: str


_FAST = Bounds(1.0, 1500.0, "is it in mm/s, not mm/min?")
_ACCELERATION = Bounds(20.0, 60000.0, "is it in mm/s²?")
_OVERRIDE = Bounds(0.1, 3.0, "it is a factor: 1.5 is 150 %")

# By the last part of the dotted key.
DOUBTFUL_OUTSIDE = {
    "max_speed_mm_s": _FAST,
    "commanded_speed_mm_s": _FAST,
    "speed_cap_mm_s": _FAST,
    "max_acceleration_mm_s2": _ACCELERATION,
    "print_acceleration_mm_s2": _ACCELERATION,
    "travel_acceleration_mm_s2": _ACCELERATION,
    "acceleration_mm_s2": _ACCELERATION,
    "feed_override": _OVERRIDE,
    "junction_deviation_mm": Bounds(0.001, 0.5, "corners are hardly slowed above, and nearly stopped at below"),
    "x": Bounds(0.0, 50.0, "a step of speed that a motor follows is far smaller"),
    "y": Bounds(0.0, 50.0, "a step of speed that a motor follows is far smaller"),
    "z": Bounds(0.0, 50.0, "a step of speed that a motor follows is far smaller"),
    "short_run_mm": Bounds(0.0, 1.0, "true corners count as pieces of a curve above"),
    "curve_window_mm": Bounds(0.0, 5.0, "true corners count as curves above"),
    "bed_mm": Bounds(60.0, 1500.0, "is it in mm, not cm?"),
    "arm_mm": Bounds(50.0, 1500.0, "is it in mm?"),
    "tower_radius_mm": Bounds(30.0, 1000.0, "is it in mm?"),
    "delta_piece_mm": Bounds(0.2, 25.0, "long moves are seen coarsely above, and cut to very many pieces below"),
    "arc_tolerance_mm": Bounds(0.0005, 0.2, "chords are coarse above, and very many below"),
    "diameter_mm": Bounds(1.0, 3.5, "is it the filament's diameter?"),
    "density_g_cm3": Bounds(0.5, 9.0, "is it in g/cm³?"),
    "length_mm": Bounds(0.0, 20.0, "is it in mm?"),
    "speed_mm_s": Bounds(1.0, 300.0, "is it in mm/s, not mm/min?"),
    "nozzle_mm": Bounds(0.1, 2.0, "is it in mm?"),
    "max_flow_mm3_s": Bounds(0.5, 60.0, "is it in mm³/s?"),
    "shortest_layer_s": Bounds(0.0, 120.0, "every layer is stretched to it"),
    "homing_s": Bounds(0.0, 600.0, "is it in seconds?"),
    "probing_s": Bounds(0.0, 1200.0, "is it in seconds?"),
    "nozzle_heating_c_per_s": Bounds(0.1, 20.0, "is it in °C a second?"),
    "bed_heating_c_per_s": Bounds(0.01, 10.0, "is it in °C a second?"),
    "ambient_c": Bounds(-10.0, 90.0, "is it in °C?"),
}

# Path accelerations and speeds, by the last part as well: held back by the axes that they are shared out to. Z hardly
# moves in a layer.
HELD_BY_ACCELERATION = ("print_acceleration_mm_s2", "travel_acceleration_mm_s2")
HELD_BY_SPEED = ("commanded_speed_mm_s",)
PLANE = ("x", "y")


def doubts_about(machine: Machine) -> list[str]:
    """What is doubtful about a machine and about each of its candidates, a sentence each."""
    doubts = list(_doubts(machine))
    for candidate in machine.candidates:
        try:
            tried = machine.with_settings(candidate.set, f"candidate {candidate.name}")
        except InputError as failure:  # only where the machine was made in code; files are judged when loaded
            doubts += [f"{finding}." for finding in failure.findings]
            continue
        doubts += [f"Candidate {candidate.name}: {doubt}" for doubt in _doubts(tried) if doubt not in doubts]
    return doubts


def _doubts(machine: Machine) -> Iterator[str]:
    for key in all_keys(machine):
        bounds = DOUBTFUL_OUTSIDE.get(key.path[-1])
        value = plain_value_of(machine, key)
        if bounds is None or value is None:
            continue
        for number in _numbers(value):
            if bounds.low <= number <= bounds.high:
                continue
            side = f"below {bounds.low:g}" if number < bounds.low else f"above {bounds.high:g}"
            yield f"{key.name} = {number:g} is {side}: {bounds.question.removesuffix('?')}{_end(bounds.question)}"
    yield from _held_back_by_an_axis(machine)
    yield from _without_effect(machine)


def _numbers(value: Any) -> list[float]:
    """The numbers to be judged: the value itself, each length of a list, the last column of a table."""
    if not isinstance(value, list):
        return [value]
    return list(dict.fromkeys(row[-1] if isinstance(row, list) else row for row in value))


def _end(question: str) -> str:
    return "?" if question.endswith("?") else "."


def _held_back_by_an_axis(machine: Machine) -> Iterator[str]:
    pairs = []
    for names, limit_name in ((HELD_BY_ACCELERATION, "max_acceleration_mm_s2"), (HELD_BY_SPEED, "max_speed_mm_s")):
        held = [key.name for key in all_keys(machine) if key.path[-1] in names]
        pairs += [(key, f"axes.{axis}.{limit_name}") for key in held for axis in PLANE]
    pairs += [("retraction.acceleration_mm_s2", "axes.e.max_acceleration_mm_s2")]
    pairs += [("retraction.speed_mm_s", "axes.e.max_speed_mm_s")]
    for key, axis_key in pairs:
        value, limit = machine.value_of(key), machine.value_of(axis_key)
        if value is not None and limit is not None and value > limit:
            default = " (the default)" if machine.origin_of(key) == "default" else ""
            yield f"{key} = {value:g}{default} is above {axis_key} = {limit:g}: the axis holds it back."


def _without_effect(machine: Machine) -> Iterator[str]:
    motion = machine.motion
    if motion.first_layers.count > 0 and not motion.first_layers.keep_commanded_speed:
        yield "motion.first_layers.count is given without keep_commanded_speed = true: it has no effect."
    if motion.first_layers.keep_commanded_speed and motion.first_layers.count == 0:
        yield "motion.first_layers.keep_commanded_speed is true for 0 layers: it has no effect."
    if not motion.curve_rule:
        yield "motion.curve_rule is off: a finely cut curve is hardly slowed."
    if machine.origin_of("motion.delta_piece_mm") != "default" and machine.machine.mechanism != "linear-delta":
        yield "motion.delta_piece_mm is given for a machine that is no linear delta: it has no effect."
    if motion.lookahead_moves == 1:
        yield "motion.lookahead_moves = 1: every move must be able to stop within itself."
    if motion.speed_step_mm_s is not None:
        left_out = [axis for axis in PLANE if getattr(motion.speed_step_mm_s, axis) is None]
        if left_out:
            yield f"motion.speed_step_mm_s leaves out {' and '.join(left_out)}: corners are not slowed there."
    if machine.retraction.speed_mm_s is not None and not machine.retraction.length_mm:
        yield "retraction.speed_mm_s is given without retraction.length_mm: it has no effect."
    nozzle, filament = machine.hotend.nozzle_mm, key_value(machine, "filament.diameter_mm")
    if nozzle is not None and nozzle >= filament:
        yield f"hotend.nozzle_mm = {nozzle:g} is no smaller than filament.diameter_mm = {filament:g}."


def key_value(machine: Machine, key: str) -> float:
    """The number at a key that always has one."""
    return float(plain_value_of(machine, key_named(key)))
