"""Motors for the slow twin: where they stand, differentiated numerically; nothing of a Jacobian is written out.

The derivative is that of the complex step, f'(s) = Im f(s + iε)/ε, which loses no digits (W. Squire, G. Trapp, Using
Complex Variables to Estimate Derivatives of Real Functions, SIAM Review 40(1):110-112, 1998, from memory).
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from .planner_records import NaiveLimits, NaiveMove
from .turns import Vector, over, unit

STEP = 1e-40
STEADY, RAMPING = 0.2, 0.8  # how a delta's carriage shares its acceleration
NO_PLACE: Vector = (0.0, 0.0, 0.0)
EXTRUDER = "e"

ComplexPlace = tuple[complex, complex, complex]


def places_of(moves: Sequence[NaiveMove], limits: NaiveLimits) -> list[Vector]:
    """Where each move starts (mm)."""
    x, y, z = limits.start
    places = []
    for move in moves:
        places.append((x, y, z))
        x, y, z = x + move.dx, y + move.dy, z + move.dz
    return places


def tower_place(limits: NaiveLimits, tower: int) -> tuple[float, float]:
    """Where a tower of a delta stands (X, Y in mm)."""
    angle = math.radians(limits.tower_angles[tower])
    return limits.tower_radius * math.cos(angle), limits.tower_radius * math.sin(angle)


def arm_height(limits: NaiveLimits, tower: int, place: ComplexPlace) -> complex:
    """How far a carriage stands above the tool (mm); NaN where its arm is too short."""
    tower_x, tower_y = tower_place(limits, tower)
    square = limits.arm**2 - (place[0] - tower_x) ** 2 - (place[1] - tower_y) ** 2
    return cmath.sqrt(square) if square.real > 0.0 else complex(math.nan, math.nan)


def motor_positions(limits: NaiveLimits, place: ComplexPlace) -> dict[str, complex]:
    """Where each motor stands (mm) with the tool at a place."""
    x, y, z = place
    if limits.mechanism == "crossed-belt":
        return {"a": x + y, "b": x - y, "z": z}
    if limits.mechanism == "linear-delta":
        return {f"t{tower + 1}": z + arm_height(limits, tower, place) for tower in range(3)}
    return {"x": x, "y": y, "z": z}


def stepped(place: Vector, direction: Vector) -> ComplexPlace:
    """A place, and the complex step along a direction from it."""
    x, y, z = (complex(p, STEP * u) for p, u in zip(place, direction, strict=True))
    return x, y, z


def motor_shares(direction: Vector, limits: NaiveLimits, place: Vector) -> dict[str, float]:
    """Speed of each motor at unit tool speed in a direction, signed; a motor that cannot reach is left out."""
    shares = {name: p.imag / STEP for name, p in motor_positions(limits, stepped(place, direction)).items()}
    return {name: share for name, share in shares.items() if not math.isnan(share)}


class MotorCeilings(NamedTuple):
    """What the motors admit of one move, under the names of their causes."""

    speeds: dict[str, float]
    accelerations: dict[str, float]


def bend_of(limits: NaiveLimits, tower: int, direction: Vector, ends: Sequence[Vector]) -> float:
    """Acceleration of a carriage at unit tool speed (1/mm), the worse end of each factor: (|u_xy|² + (dh/ds)²)/h."""
    heights = [arm_height(limits, tower, stepped(place, direction)) for place in ends]
    steepest = max(abs(height.imag / STEP) for height in heights)
    return (direction[0] ** 2 + direction[1] ** 2 + steepest**2) / min(height.real for height in heights)


def motor_ceilings(displacement: Vector, ratio: float, limits: NaiveLimits, place: Vector) -> MotorCeilings:
    """Ceilings of a move by every motor that is limited, the extruder's among them; `ratio` filament a path length."""
    speeds, accelerations = {}, {}
    told_speed: Mapping[str, float] = limits.motor_speed
    told_acceleration: Mapping[str, float] = limits.motor_acceleration
    if EXTRUDER in told_speed:
        speeds["motor e speed"] = over(told_speed[EXTRUDER], ratio)
    if EXTRUDER in told_acceleration:
        accelerations["motor e acceleration"] = over(told_acceleration[EXTRUDER], ratio)
    if math.hypot(*displacement) == 0.0:
        return MotorCeilings(speeds, accelerations)
    direction = unit(displacement)
    end = (place[0] + displacement[0], place[1] + displacement[1], place[2] + displacement[2])
    at_start, at_end = motor_shares(direction, limits, place), motor_shares(direction, limits, end)
    is_delta = limits.mechanism == "linear-delta"
    for name in at_start.keys() & at_end.keys():
        share = max(abs(at_start[name]), abs(at_end[name]))
        if name in told_speed:
            speeds[f"motor {name} speed"] = over(told_speed[name], share)
        if name in told_acceleration:
            most = told_acceleration[name]
            accelerations[f"motor {name} acceleration"] = over(most * (RAMPING if is_delta else 1.0), share)
            if is_delta:
                bend = bend_of(limits, int(name[1]) - 1, direction, (place, end))
                speeds[f"motor {name} steady"] = math.sqrt(over(STEADY * most, bend))
    return MotorCeilings(speeds, accelerations)
