"""What one move may at most, for the slow twin: every ceiling under the name of its cause."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from .planner_caps import command_rates, end_speeds, flow_of, leads_beside, quality_accelerations
from .planner_motors import EXTRUDER, NO_PLACE, motor_ceilings, motor_shares
from .planner_records import NaiveLimits, NaiveMove
from .turns import Vector, over, unit

NO_LENGTH = 1e-9  # mm: less counts as zero


class Ceilings(NamedTuple):
    """What one move may at most, each number under the name of its cause, in the order in which ties are settled."""

    length: float
    speeds: dict[str, float]
    accelerations: dict[str, float]

    @property
    def v(self) -> float:
        return min(self.speeds.values())

    @property
    def a(self) -> float:
        return min(self.accelerations.values())


def length_of(move: NaiveMove) -> float:
    """Path length, or the filament fed by a move of the extruder alone (mm); ValueError where there is none."""
    length = abs(move.de) if move.kind == "filament" else math.hypot(*move.displacement)
    if length < NO_LENGTH:
        raise ValueError(f"a move without length: {move}")
    return length


def commanded_speed(move: NaiveMove, limits: NaiveLimits) -> float:
    """The speed asked for (mm/s): the file's, or what replaces it, times the override; early layers keep the file's."""
    if limits.keep_commanded_speed and move.layer <= limits.first_layers_count:
        return move.speed
    speed = (limits.replaced_speed or {}).get(move.kind, move.speed)
    return speed * limits.feed_override.get(move.kind, 1.0)


def ceilings_of(move: NaiveMove, limits: NaiveLimits, place: Vector = NO_PLACE) -> Ceilings:
    """All ceilings of speed and acceleration of one move that starts at `place`."""
    length = length_of(move)
    if move.kind == "filament":
        speeds = {"commanded speed": commanded_speed(move, limits), "extruder speed": limits.extruder_speed}
        accelerations = {
            "path acceleration": limits.filament_acceleration,
            "extruder acceleration": limits.extruder_acceleration,
        }
        by_motors = motor_ceilings(move.displacement, 1.0, limits, place)
        speeds |= by_motors.speeds | end_speeds(limits, {EXTRUDER: 1.0})
        return Ceilings(length, speeds, accelerations | by_motors.accelerations)
    x, y, z = (abs(component) / length for component in move.displacement)
    ratio = abs(move.de) / length
    printing = move.kind == "print"
    speeds = {
        "commanded speed": commanded_speed(move, limits),
        "speed cap": limits.speed_cap,
        "x speed": over(limits.axis_speed[0], x),
        "y speed": over(limits.axis_speed[1], y),
        "z speed": over(limits.axis_speed[2], z),
        "extruder speed": over(limits.extruder_speed, ratio),
        "flow": over(flow_of(move, limits), limits.filament_area * ratio) if printing else math.inf,
    }
    accelerations = {
        "path acceleration": limits.print_acceleration if printing else limits.travel_acceleration,
        "x acceleration": over(limits.axis_acceleration[0], x),
        "y acceleration": over(limits.axis_acceleration[1], y),
        "z acceleration": over(limits.axis_acceleration[2], z),
        "extruder acceleration": over(limits.extruder_acceleration, ratio),
    }
    by_motors = motor_ceilings(move.displacement, ratio, limits, place)
    end = (place[0] + move.dx, place[1] + move.dy, place[2] + move.dz)
    for where in (place, end) if limits.caps.motors else ():
        shares = motor_shares(unit(move.displacement), limits, where) | {EXTRUDER: ratio}
        for name, speed in end_speeds(limits, shares).items():
            speeds[name] = min(speed, speeds.get(name, math.inf))
    accelerations |= by_motors.accelerations | quality_accelerations((x, y), limits.caps)
    return Ceilings(length, speeds | by_motors.speeds, accelerations)


def rated_ceilings(
    stretch: range, moves: Sequence[NaiveMove], ceilings: Sequence[Ceilings], limits: NaiveLimits
) -> list[Ceilings]:
    """The ceilings of a stretch's moves with what hangs on their neighbours: command rate, and rounding by ramps."""
    caps = limits.caps
    rates = command_rates(stretch, moves, [most.length for most in ceilings], limits)
    ramps: list[dict[str, float]] = [{} for _ in stretch]
    if caps.filters:
        directions = [unit(one) if any(one) else one for one in (moves[i].displacement for i in stretch)]
        leads = leads_beside(directions, [ceilings[i].length for i in stretch], caps)
        allowed = 2.0 * caps.rounding_split * caps.rounding_budget
        ramps = [{"rounding": over(allowed, lead)} for lead in leads]
    return [
        ceilings[i]._replace(speeds=ceilings[i].speeds | rate, accelerations=ceilings[i].accelerations | ramp)
        for i, rate, ramp in zip(stretch, rates, ramps, strict=True)
    ]
