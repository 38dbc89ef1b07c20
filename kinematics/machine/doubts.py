"""Values that are legal and yet doubtful: what `machine check` says about a machine file."""

from __future__ import annotations

from collections.abc import Container, Iterator

from kinematics.machine.keys import Keys
from kinematics.machine.names import all_keys, key_named, plain_value_of

# Path accelerations and speeds, by the last part of the dotted key: held back by the axes that they are shared out to.
# Z hardly moves in a layer.
HELD_BY_ACCELERATION = ("print_acceleration_mm_s2", "travel_acceleration_mm_s2")
HELD_BY_SPEED = ("commanded_speed_mm_s",)
PLANE = ("x", "y")


def doubts_of(machine: Keys, origins: Container[str]) -> Iterator[str]:
    """What is doubtful about a machine, a sentence each; `origins` holds the dotted keys that were given."""
    for key in all_keys(machine):
        doubtful = key.row.doubtful
        value = plain_value_of(machine, key)
        if doubtful is None or value is None:
            continue
        # Of a list each number, of a table the last column, which is the limit.
        listed = value if isinstance(value, list) else [value]
        for number in dict.fromkeys(row[-1] if isinstance(row, list) else row for row in listed):
            if doubtful.below <= number <= doubtful.above:
                continue
            side = f"below {doubtful.below:g}" if number < doubtful.below else f"above {doubtful.above:g}"
            end = "?" if doubtful.question.endswith("?") else "."
            yield f"{key.name} = {number:g} is {side}: {doubtful.question.removesuffix('?')}{end}"
    yield from _held_back_by_an_axis(machine, origins)
    yield from _without_effect(machine, origins)


def _held_back_by_an_axis(machine: Keys, origins: Container[str]) -> Iterator[str]:
    pairs = []
    for names, limit_name in ((HELD_BY_ACCELERATION, "max_acceleration_mm_s2"), (HELD_BY_SPEED, "max_speed_mm_s")):
        held = [key.name for key in all_keys(machine) if key.path[-1] in names]
        pairs += [(key, f"axes.{axis}.{limit_name}") for key in held for axis in PLANE]
    pairs += [("retraction.acceleration_mm_s2", "axes.e.max_acceleration_mm_s2")]
    pairs += [("retraction.speed_mm_s", "axes.e.max_speed_mm_s")]
    for key, axis_key in pairs:
        value, limit = (plain_value_of(machine, key_named(name)) for name in (key, axis_key))
        if value is not None and limit is not None and value > limit:
            default = "" if key in origins else " (the default)"
            yield f"{key} = {value:g}{default} is above {axis_key} = {limit:g}: the axis holds it back."


def _without_effect(machine: Keys, origins: Container[str]) -> Iterator[str]:
    motion, first, retraction = machine.motion, machine.motion.first_layers, machine.retraction
    steps = motion.speed_step_mm_s
    left_out = [] if steps is None else [axis for axis in PLANE if getattr(steps, axis) is None]
    nozzle, filament = machine.hotend.nozzle_mm, machine.filament.diameter_mm
    pieces_elsewhere = "motion.delta_piece_mm" in origins and machine.machine.mechanism != "linear-delta"
    doubts = (
        (
            first.count > 0 and not first.keep_commanded_speed,
            "motion.first_layers.count is given without keep_commanded_speed = true: it has no effect.",
        ),
        (
            first.keep_commanded_speed and first.count == 0,
            "motion.first_layers.keep_commanded_speed is true for 0 layers: it has no effect.",
        ),
        (not motion.curve_rule, "motion.curve_rule is off: a finely cut curve is hardly slowed."),
        (
            pieces_elsewhere,
            "motion.delta_piece_mm is given for a machine that is no linear delta: it has no effect.",
        ),
        (
            motion.lookahead_moves == 1,
            "motion.lookahead_moves = 1: every move must be able to stop within itself.",
        ),
        (left_out, f"motion.speed_step_mm_s leaves out {' and '.join(left_out)}: corners are not slowed there."),
        (
            retraction.speed_mm_s is not None and not retraction.length_mm,
            "retraction.speed_mm_s is given without retraction.length_mm: it has no effect.",
        ),
        (
            nozzle is not None and nozzle >= filament,
            f"hotend.nozzle_mm = {nozzle or 0.0:g} is no smaller than filament.diameter_mm = {filament:g}.",
        ),
    )
    return (words for holds, words in doubts if holds)
