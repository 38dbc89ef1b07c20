"""Raw tables -> machine, or every problem in words that a machinist reads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from kinematics.machine.keys import nearest_name
from kinematics.machine.mechanism_problems import mechanism_problems
from kinematics.machine.model import Machine
from kinematics.toml.problems import Problem, problems_in_words
from kinematics.toml.schema import dotted_name

JUNCTION = ("motion", "junction_deviation_mm")
SPEED_STEP = ("motion", "speed_step_mm_s")


def build(tables: Mapping[str, Any]) -> tuple[Machine | None, list[Problem]]:
    """The machine of raw tables and no problems, or None and every problem; nothing is raised."""
    tables, problems = _with_one_corner_rule(tables)
    problems += mechanism_problems(tables)
    machine = None
    try:
        machine = Machine.model_validate(tables)
    except ValidationError as failure:
        problems += problems_in_words(failure.errors(include_url=False), tables, Machine, nearest_name)
    return (None if problems else machine), problems


def _with_one_corner_rule(tables: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Problem]]:
    # Judged before the models are, so that it is reported beside whatever else is wrong.
    motion = tables.get("motion")
    if not isinstance(motion, dict) or not {JUNCTION[1], SPEED_STEP[1]} <= motion.keys():
        return tables, []
    both = f"both {dotted_name(JUNCTION)} and {dotted_name(SPEED_STEP)} are given"
    rest = {key: value for key, value in motion.items() if key != JUNCTION[1]}
    return {**tables, "motion": rest}, [Problem(JUNCTION, both, "one of them: a machine has one corner rule")]
