"""Raw tables -> machine, or every problem in words that a machinist reads."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from kinematics.errors import nearest
from kinematics.machine.keys import (
    Path,
    allowed_text,
    dotted_name,
    fields_of,
    is_one_value,
    model_at,
    nearest_in_section,
    section_of,
)
from kinematics.machine.model import Candidate, Machine
from kinematics.machine.value_kinds import PrinterLimit

JUNCTION = ("motion", "junction_deviation_mm")
SPEED_STEP = ("motion", "speed_step_mm_s")
LONGEST_VALUE_SHOWN = 60
_NUMBER = re.compile(r"\s*[+-]?(\d[\d_]*\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")


class Problem(NamedTuple):
    """What is wrong at one path of the tables: what was found, what is allowed, what to try."""

    path: Path
    found: str
    allowed: str = ""
    hint: str = ""


def build(tables: Mapping[str, Any]) -> tuple[Machine | None, list[Problem]]:
    """The machine of raw tables and no problems, or None and every problem; nothing is raised."""
    tables, problems = _with_one_corner_rule(tables)
    machine = None
    try:
        machine = Machine.model_validate(tables)
    except ValidationError as failure:
        problems += _in_words(failure.errors(include_url=False), tables)
    return (None if problems else machine), problems


def _with_one_corner_rule(tables: Mapping[str, Any]) -> tuple[Mapping[str, Any], list[Problem]]:
    # Judged before the models are, so that it is reported beside whatever else is wrong.
    motion = tables.get("motion")
    if not isinstance(motion, dict) or not {JUNCTION[1], SPEED_STEP[1]} <= motion.keys():
        return tables, []
    both = f"both {dotted_name(JUNCTION)} and {dotted_name(SPEED_STEP)} are given"
    rest = {key: value for key, value in motion.items() if key != JUNCTION[1]}
    return {**tables, "motion": rest}, [Problem(JUNCTION, both, "one of them: a machine has one corner rule")]


def _in_words(errors: Sequence[ErrorDetails], tables: Mapping[str, Any]) -> list[Problem]:
    problems: dict[Path, Problem] = {}
    missing: list[Path] = []
    for error in errors:
        path = error["loc"]
        if error["type"] == "extra_forbidden":
            problems.setdefault(path, _unknown(path))
            continue
        path = _known_part(path)
        if error["type"] == "missing" and path == error["loc"]:
            missing.append(path)
        else:
            problems.setdefault(path, _wrong_value(path, _value_at(tables, path)))
    for path in missing:
        # A misspelt name is one mistake, not an unknown key and a missing one.
        misspelt = any(found[:-1] == path[:-1] and repr(path[-1]) in problems[found].hint for found in problems)
        if not misspelt:
            problems[path] = Problem(path, f"{dotted_name(path)} is missing", allowed_text(_field_at(path)))
    return list(problems.values())


def _known_part(path: Path) -> Path:
    """The part of an error's path that the file has a name for: the place in a list of numbers falls off."""
    for length in range(1, len(path) + 1):
        if isinstance(path[length - 1], str) and model_at(path[:length]) is None:
            return path[:length]
    return path


def _field_at(path: Path) -> Any:
    model = model_at(path[:-1])
    return fields_of(model)[str(path[-1])] if model is not None else None


def _value_at(tables: Any, path: Path) -> Any:
    value = tables
    for part in path:
        value = getattr(value, str(part)) if isinstance(value, BaseModel) else value[part]
    return value


def _unknown(path: Path) -> Problem:
    section, name = path[:-1], str(path[-1])
    hint = nearest_in_section(section, name)
    model = model_at(section)
    allowed = "" if hint or model is None else ", ".join(fields_of(model))
    return Problem(path, f"unknown key {dotted_name(path)}", allowed, hint)


def _wrong_value(path: Path, value: Any) -> Problem:
    if isinstance(path[-1], int):  # an element of an array of tables that is no table
        return Problem(path, f"{dotted_name(path)} has an element {shown(value)}", "[[candidate]] blocks")
    field = _field_at(path)
    found = f"{dotted_name(path)} = {shown(value)}"
    inside = section_of(field)
    if inside is None or is_one_value(dotted_name(path)):
        return Problem(path, found, allowed_text(field), _hint_for_value(field, value))
    if inside is Candidate:
        return Problem(path, found, "[[candidate]] blocks, each with name and set")
    return Problem(path, found, f"a table [{dotted_name(path)}] with {', '.join(fields_of(inside))}")


def _hint_for_value(field: Any, value: Any) -> str:
    if isinstance(value, str) and "number" in allowed_text(field) and _NUMBER.fullmatch(value):
        return "write it without quotes"
    limit = any(isinstance(note, PrinterLimit) for note in field.metadata)
    if limit and not isinstance(value, bool) and value in (0, float("inf")):
        return "leave the key out for no limit"
    return nearest(value, ["cartesian"]) if isinstance(value, str) and '"cartesian"' in allowed_text(field) else ""


def shown(value: Any) -> str:
    """A value as a machine file would write it, shortened where it is long."""
    text = _as_toml(value)
    return text if len(text) <= LONGEST_VALUE_SHOWN else text[: LONGEST_VALUE_SHOWN - 1] + "…"


def _as_toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(letter if letter.isprintable() else " " for letter in value) + '"'
    if isinstance(value, int) and abs(value) > 10**LONGEST_VALUE_SHOWN:
        return "a huge whole number"  # writing it out may be refused
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_as_toml(one)}" for key, one in value.items()) + " }" if value else "{}"
    if isinstance(value, (list, tuple)):
        if value and all(isinstance(one, Mapping) for one in value):
            return "an array of tables"
        return "[" + ", ".join(_as_toml(one) for one in value) + "]"
    return "nothing" if value is None else str(value)
