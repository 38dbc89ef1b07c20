"""Random limits of motors for the planner and its twin, on every mechanism, seeded; about half of them not given."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

from .planner_records import NaiveLimits
from .random_paths import log_uniform
from .turns import Vector

MOTORS_OF = {"cartesian": "x y z e", "crossed-belt": "a b z e", "linear-delta": "t1 t2 t3 e"}
MECHANISMS = tuple(MOTORS_OF)


def with_motors(limits: NaiveLimits, seed: int, mechanism: str) -> NaiveLimits:
    """The limits on a mechanism whose motors are limited at random.

    A delta's arms reach most random paths, its towers stand roughly at thirds, and the first move starts anywhere.
    """
    rng = Random(f"motors {mechanism} {seed}")
    names = MOTORS_OF[mechanism].split()

    def some(low: float, high: float) -> dict[str, float]:
        chosen = [name for name in names if rng.random() < 0.5]
        return {name: log_uniform(rng, low, high) / (20.0 if name in "ez" else 1.0) for name in chosen}

    arm = log_uniform(rng, 150.0, 3000.0)
    first = rng.uniform(0.0, 360.0)
    angles: Vector = (first, first + rng.uniform(100.0, 140.0), first - rng.uniform(100.0, 140.0))
    height = rng.uniform(0.0, 100.0)
    angle, away = rng.uniform(0.0, math.tau), rng.uniform(0.0, 0.4) * arm
    return replace(
        limits,
        mechanism=mechanism,
        motor_speed=some(20.0, 400.0),
        motor_acceleration=some(10.0 if mechanism == "linear-delta" else 100.0, 20000.0),
        arm=arm,
        tower_radius=arm * rng.uniform(0.3, 0.7),
        tower_angles=angles,
        start=(away * math.cos(angle), away * math.sin(angle), height),
    )
