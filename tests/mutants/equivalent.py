"""Mutants of which is proven that no test can notice them, each by file, function, and line before and after."""

from __future__ import annotations

from typing import NamedTuple


class Equivalent(NamedTuple):
    """A change of one line that changes no answer, and why."""

    path: str
    inside: str
    before: str
    after: str
    proof: str


FALLING, COMBINE = "kinematics/planner/falling.py", "kinematics/limits/combine.py"

EQUIVALENT: tuple[Equivalent, ...] = (
    Equivalent(
        FALLING,
        "speed_after",
        "fast = min(math.sqrt(v * v + 2.0 * (alpha - (beta + gamma * half_way) * half_way) * left), end)",
        "fast = min(math.sqrt(v * v + 2.0 * (alpha - (beta - gamma * half_way) * half_way) * left), end)",
        "Only where Newton's method starts; path rises with speed, so that it ends at the one root from anywhere.",
    ),
    Equivalent(
        COMBINE,
        "",
        "MOTORS: Part(_motors, (*range(by.MOTOR_1_MOST, by.MOTOR_1_MOST + 3), "
        "*range(by.MOTOR_1_RAMP, by.MOTOR_1_RAMP + 3))),",
        "MOTORS: Part(_motors, (*range(by.MOTOR_1_MOST, by.MOTOR_1_MOST + 3), "
        "*range(by.MOTOR_1_RAMP, by.MOTOR_1_RAMP ^ 3))),",
        "No key lifts this part alone and no cap lowers its columns: they are fresh, infinite, whenever it is made.",
    ),
)
