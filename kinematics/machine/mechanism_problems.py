"""What no single key tells: a delta without its arms, arms that do not reach, motors of another mechanism."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any, TypeGuard

from kinematics.machine.mechanisms import EXTRUDER, KINDS, LinearDelta
from kinematics.toml.problems import Problem, shown
from kinematics.toml.schema import dotted_name

MECHANISM = ("machine", "mechanism")
DELTA = ("machine", "delta")
SAME_ANGLE = 1e-6  # °


def mechanism_problems(tables: Mapping[str, Any]) -> list[Problem]:
    """What is wrong between the mechanism, its measures and its motors in raw tables; values by themselves are not
    judged here, and what hangs on a value that is none is left alone.
    """
    identity = tables.get("machine", {})
    if not isinstance(identity, dict):
        return []
    named = identity.get("mechanism", "cartesian")
    kind = KINDS.get(named) if isinstance(named, str) else None
    if kind is None:
        return []
    problems = []
    delta = identity.get("delta")
    if kind is LinearDelta and delta is None:
        found = f"{dotted_name(MECHANISM)} = {shown(named)} without [{dotted_name(DELTA)}]"
        problems.append(Problem(MECHANISM, found, f"beside [{dotted_name(DELTA)}] with arm_mm and tower_radius_mm"))
    elif kind is not LinearDelta and delta is not None:
        found = f"[{dotted_name(DELTA)}] is given for {kind.words}"
        problems.append(Problem(DELTA, found, f'only beside {dotted_name(MECHANISM)} = "linear-delta"'))
    elif isinstance(delta, dict):
        problems += _measures(delta)
    motors = tables.get("motors", {})
    allowed = (*kind.motors, EXTRUDER)
    for name in motors if isinstance(motors, dict) else ():
        if name not in allowed:
            path = ("motors", name)
            problems.append(Problem(path, f"{dotted_name(path)} is no motor of {kind.words}", ", ".join(allowed)))
    return problems


def _measures(delta: Mapping[str, Any]) -> list[Problem]:
    problems = []
    arm, radius, angles = (delta.get(key) for key in ("arm_mm", "tower_radius_mm", "tower_angles_deg"))
    if _is_number(arm) and _is_number(radius) and 0 < arm <= radius:
        path = (*DELTA, "arm_mm")
        found = f"{dotted_name(path)} = {shown(arm)} does not reach the middle, {shown(radius)} mm from every tower"
        problems.append(Problem(path, found, f"more than {dotted_name((*DELTA, 'tower_radius_mm'))}"))
    if isinstance(angles, (list, tuple)) and all(_is_number(angle) for angle in angles):
        gaps = [abs((one - other + 180.0) % 360.0 - 180.0) for one, other in combinations(angles, 2)]
        if min(gaps, default=360.0) < SAME_ANGLE:
            path = (*DELTA, "tower_angles_deg")
            found = f"{dotted_name(path)} = {shown(angles)} puts two towers at one place"
            problems.append(Problem(path, found, "three different angles"))
    return problems


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
