"""Paths drawn from places, planned under a few limits: what the checks against published values have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import TRAVEL, Moves
from kinematics.machine import Machine
from kinematics.planner.plan import Plan
from tests.planner.from_naive import planned

Place = tuple[float, ...]


def travels(
    steps: NDArray[np.float64], speed: float | NDArray[np.float64], stop: NDArray[np.uint8] | None = None
) -> Moves:
    """Travel moves by displacements float64[n, 3] (mm), at one commanded speed or one a move (mm/s)."""
    n = len(steps)
    dx, dy, dz = (np.ascontiguousarray(column) for column in steps.T)
    return Moves(
        dx,
        dy,
        dz,
        np.zeros(n),
        np.full(n, speed, dtype=np.float64),
        np.full(n, TRAVEL, np.int8),
        np.arange(1, n + 1, dtype=np.int32),
        np.zeros(n, np.int32),
        np.zeros(n, np.uint8) if stop is None else stop,
    )


def along(places: Sequence[Place] | NDArray[np.float64], speed: float | NDArray[np.float64]) -> Moves:
    """Travel moves from place to place (mm; two or three coordinates) at a commanded speed (mm/s)."""
    full = np.zeros((len(places), 3))
    full[:, : len(places[0])] = places
    return travels(np.diff(full, axis=0), speed)


def plan_of(moves: Moves, acceleration: float, deviation: float = 0.05, **motion: object) -> Plan:
    """The plan of travel moves under one acceleration (mm/s²) and a junction deviation (mm); more keys of [motion]."""
    settings: dict[str, object] = {
        "motion.travel_acceleration_mm_s2": acceleration,
        "motion.junction_deviation_mm": deviation,
    }
    settings |= {f"motion.{key}": value for key, value in motion.items()}
    return planned(moves, Machine().with_settings(settings))[1]


def arc_places(radius: float, chord: float, sweep: float) -> NDArray[np.float64]:
    """Places float64[n, 2] (mm) on a circle round the origin, `chord` (mm) apart, over about `sweep` (rad)."""
    step = 2.0 * math.asin(chord / (2.0 * radius))
    angles = step * np.arange(math.ceil(sweep / step) + 1)
    return radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
