"""Raw tables -> machine, or every problem in words that a machinist reads."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Any

from pydantic import ValidationError

from kinematics.machine.keys import nearest_name
from kinematics.machine.mechanism_problems import mechanism_problems
from kinematics.machine.model import Machine
from kinematics.machine.ranges import HIGH, LIKELY, LOW, without_ranges
from kinematics.machine.value_kinds import Range
from kinematics.toml.lines import Path
from kinematics.toml.problems import Problem, problems_in_words
from kinematics.toml.schema import dotted_name

JUNCTION = ("motion", "junction_deviation_mm")
SPEED_STEP = ("motion", "speed_step_mm_s")


def build(tables: Mapping[str, Any]) -> tuple[Machine | None, list[Problem]]:
    """The machine of raw tables and no problems, or None and every problem; nothing is raised.

    The machine has the likely value where the tables have a range, and is judged at both ends of all ranges as well.
    """
    tables, problems = _with_one_corner_rule(tables)
    found = without_ranges(tables)
    machine, wrong = _judged(found.tables)
    told = {problem.path for problem in found.problems}
    problems += found.problems
    problems += [_at(problem, LIKELY, found.ranges) for problem in wrong if problem.path not in told]
    told |= {problem.path for problem in wrong}
    for part in (LOW, HIGH) if found.ranges else ():
        for problem in _judged(found.at(part))[1]:
            if problem.path in found.ranges and problem.path not in told:
                told.add(problem.path)
                problems.append(_at(problem, part, found.ranges))
    if problems or machine is None:
        return None, problems
    ranges = {
        dotted_name(path): Range(**{part: float(number) for part, number in numbers.items()})
        for path, numbers in found.ranges.items()
    }
    return machine._with_ranges(ranges), []


def _judged(tables: Mapping[str, Any]) -> tuple[Machine | None, list[Problem]]:
    problems = mechanism_problems(tables)
    try:
        return Machine.model_validate(tables), problems
    except ValidationError as failure:
        problems += problems_in_words(failure.errors(include_url=False), tables, Machine, nearest_name)
        return None, problems


def _at(problem: Problem, part: str, ranges: Container[Path]) -> Problem:
    """A problem of one part of a range, told as such; any other problem as it is."""
    name = dotted_name(problem.path)
    return (
        problem._replace(found=problem.found.replace(name, f"{name}.{part}", 1)) if problem.path in ranges else problem
    )


def _with_one_corner_rule(tables: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Problem]]:
    # Judged before the models are, so that it is reported beside whatever else is wrong.
    motion = tables.get("motion")
    if not isinstance(motion, dict) or not {JUNCTION[1], SPEED_STEP[1]} <= motion.keys():
        return tables, []
    both = f"both {dotted_name(JUNCTION)} and {dotted_name(SPEED_STEP)} are given"
    rest = {key: value for key, value in motion.items() if key != JUNCTION[1]}
    return {**tables, "motion": rest}, [Problem(JUNCTION, both, "one of them: a machine has one corner rule")]
