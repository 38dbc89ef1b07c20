"""Raw tables -> sections and ranges, or every problem: what keys say by themselves, and what they say together."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any, NamedTuple

from kinematics.errors import nearest
from kinematics.machine.keys import Motion
from kinematics.machine.kinds import Range
from kinematics.machine.mechanisms import EXTRUDER, KINDS, LinearDelta
from kinematics.machine.names import Key, find_key, nearest_name
from kinematics.toml.files import Path, Problem, dotted_name
from kinematics.toml.sections import Reading, Section, is_number, listed, shown

LOW, LIKELY, HIGH = PARTS = Range._fields
RANGE_ALLOWED = "{ low = …, likely = …, high = … }, three numbers"
RISING = "low no more than likely, and likely no more than high"
JUNCTION = ("motion", "junction_deviation_mm")
SPEED_STEP = ("motion", "speed_step_mm_s")
JUNCTION_KEY, SPEED_STEP_KEY = dotted_name(JUNCTION), dotted_name(SPEED_STEP)
CORNER_KEYS = (JUNCTION_KEY, *(f"{SPEED_STEP_KEY}.{axis}" for axis in "xyz"))
ONE_CORNER_RULE = "one of them: a machine has one corner rule"
BOTH_CORNER_RULES = f"both {JUNCTION_KEY} and {SPEED_STEP_KEY} are given"
MECHANISM = ("machine", "mechanism")
DELTA = ("machine", "delta")
SAME_ANGLE = 1e-6  # °


class Judged(NamedTuple):
    """The sections of raw tables by attribute, with likely values in place of ranges; the ranges by dotted key; and
    every problem, with which the others are of no use.
    """

    values: dict[str, Any]
    ranges: dict[str, Range]
    problems: list[Problem]


def judged(section: type[Section], tables: Mapping[str, Any]) -> Judged:
    """The sections of raw tables, or of some of them; nothing is changed or raised.

    Judged are the likely values, and those at both ends of all ranges as well.
    """
    tables, problems = _without_second_corner_rule(tables)
    ranges: dict[Path, dict[str, float]] = {}
    problems += (of_ranges := _ranges_in(tables, (), ranges))
    told = {problem.path for problem in of_ranges}
    values: dict[str, Any] = {}
    for part in (LIKELY, LOW, HIGH) if ranges else (LIKELY,):
        at_part = _replaced(tables, {path: numbers[part] for path, numbers in ranges.items()}, ())
        reading = Reading(nearest_name)
        read = reading.table(section, at_part)
        values = read if part == LIKELY else values
        for problem in mechanism_problems(at_part) + reading.problems():
            if problem.path in told or (part != LIKELY and problem.path not in ranges):
                continue
            if part != LIKELY:
                told.add(problem.path)
            problems.append(of_part(problem, part) if problem.path in ranges else problem)
        told |= {problem.path for problem in problems}
    known = {
        dotted_name(path): Range(*(float(one[part]) for part in PARTS)) for path, one in ranges.items() if not problems
    }
    if "motion" in values:
        values["motion"] = with_one_corner_rule(values["motion"])
    return Judged(values, known, problems)


def of_part(problem: Problem, part: str) -> Problem:
    """A problem of one part of a range, told as such."""
    name = dotted_name(problem.path)
    return problem._replace(found=problem.found.replace(name, f"{name}.{part}", 1))


def with_one_corner_rule(motion: Motion) -> Motion:
    """Motion of which the corner rule that is not in force is None."""
    values = {name: value for name, value in motion.__dict__.items() if value is not None}
    return motion.made(values if motion.speed_step_mm_s is None else {**values, JUNCTION[1]: None})


def _without_second_corner_rule(tables: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Problem]]:
    # Judged before the rest, so that it is reported beside whatever else is wrong.
    motion = tables.get("motion")
    if not isinstance(motion, dict) or not {JUNCTION[1], SPEED_STEP[1]} <= motion.keys():
        return tables, []
    if motion[JUNCTION[1]] is None or motion[SPEED_STEP[1]] is None:
        return tables, []
    rest = {key: value for key, value in motion.items() if key != JUNCTION[1]}
    return {**tables, "motion": rest}, [Problem(JUNCTION, BOTH_CORNER_RULES, ONE_CORNER_RULE)]


def _replaced(table: Mapping[str, Any], values: Mapping[Path, float], path: Path) -> Mapping[str, Any]:
    if not values:
        return table
    return {
        name: values[here]
        if (here := (*path, name)) in values
        else (_replaced(value, values, here) if isinstance(value, dict) else value)
        for name, value in table.items()
    }


def _ranges_in(table: Mapping[str, Any], path: Path, found: dict[Path, dict[str, float]]) -> list[Problem]:
    """Note the ranges of raw tables, and give the problems of those that are none."""
    problems = []
    for name, value in table.items():
        if not isinstance(value, Mapping):
            continue
        here = (*path, name)
        # A label may be called "low": what holds it is no key.
        key = find_key(dotted_name(here)) if looks_like_range(value) else None
        if key is None:
            problems += _ranges_in(value, here, found)
        elif (problem := range_problem(key, value)) is not None:
            problems.append(problem)
        else:
            found[here] = dict(value)
    return problems


def looks_like_range(value: Any) -> bool:
    """Whether a raw value has any of a range's parts."""
    return isinstance(value, Mapping) and not value.keys().isdisjoint(PARTS)


def range_problem(key: Key, table: Mapping[str, Any]) -> Problem | None:
    """What is wrong with a range at a key; whether the key takes its numbers is another matter.

    A range needs all three: a likely value that nobody gave would be one that nobody can look up.
    """
    if key.row.kind is None or not key.row.kind.any_number:
        hint = "only where any number may stand can a range stand as well"
        return Problem(key.path, f"{key.name} = {shown(table)}", key.allowed, hint)
    unknown = [name for name in table if name not in PARTS]
    if unknown:
        hint = nearest(unknown[0], PARTS)
        return Problem(key.path, f"{key.name} is a range with {listed(unknown)}", RANGE_ALLOWED, hint)
    missing = [name for name in PARTS if name not in table]
    if missing:
        return Problem(key.path, f"{key.name} is a range without {listed(missing)}", RANGE_ALLOWED)
    for part in PARTS:
        if not is_number(table[part]):
            hint = "write it without quotes" if isinstance(table[part], str) else ""
            return Problem(key.path, f"{key.name}.{part} = {shown(table[part])}", "a number", hint)
    for lower, upper in ((LOW, LIKELY), (LIKELY, HIGH)):
        if not table[lower] <= table[upper]:
            told = f"{key.name} has {lower} = {shown(table[lower])} above {upper} = {shown(table[upper])}"
            return Problem(key.path, told, RISING)
    return None


def mechanism_problems(tables: Mapping[str, Any]) -> list[Problem]:
    """What is wrong between the mechanism, its measures and its motors in raw tables; values by themselves are not
    judged here, and what hangs on a value that is none is left alone.
    """
    identity = tables.get("machine", {})
    named = identity.get("mechanism", "cartesian") if isinstance(identity, dict) else None
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
    if is_number(arm) and is_number(radius) and 0 < arm <= radius:
        path = (*DELTA, "arm_mm")
        found = f"{dotted_name(path)} = {shown(arm)} does not reach the middle, {shown(radius)} mm from every tower"
        problems.append(Problem(path, found, f"more than {dotted_name((*DELTA, 'tower_radius_mm'))}"))
    if isinstance(angles, (list, tuple)) and all(is_number(angle) for angle in angles):
        gaps = [abs((one - other + 180.0) % 360.0 - 180.0) for one, other in combinations(angles, 2)]
        if min(gaps, default=360.0) < SAME_ANGLE:
            path = (*DELTA, "tower_angles_deg")
            found = f"{dotted_name(path)} = {shown(angles)} puts two towers at one place"
            problems.append(Problem(path, found, "three different angles"))
    return problems
