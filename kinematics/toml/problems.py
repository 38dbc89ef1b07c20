"""What is wrong with the tables of a file, in words that a machinist reads."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from kinematics.errors import Finding, InputError, nearest
from kinematics.toml.lines import Path, TomlLines
from kinematics.toml.schema import (
    advice_for,
    allowed_text,
    choices_of,
    dotted_name,
    fields_of,
    is_repeated,
    model_at,
    nearest_here,
    section_of,
)

LONGEST_VALUE_SHOWN = 60
_NUMBER = re.compile(r"\s*[+-]?(\d[\d_]*\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")


class Problem(NamedTuple):
    """What is wrong at one path of the tables: what was found, what is allowed, what to try."""

    path: Path
    found: str
    allowed: str = ""
    hint: str = ""


def failure_at_lines(problems: Sequence[Problem], lines: TomlLines, place: str) -> InputError:
    """The error that tells every problem with its line, in the order of the lines; `place` is the file."""
    located = [(lines.line_of(problem.path), problem) for problem in problems]
    located.sort(key=lambda pair: pair[0] or 0)
    return InputError(
        *(
            Finding(f"{place}:{line}" if line else place, problem.found, problem.allowed, problem.hint)
            for line, problem in located
        )
    )


def problems_in_words(
    errors: Sequence[ErrorDetails],
    tables: Mapping[str, Any],
    root: type[BaseModel],
    hint_for_unknown: Callable[[Path], str] | None = None,
) -> list[Problem]:
    """What the models of `root` did not take of the tables; `hint_for_unknown` helps with an unknown key."""
    problems: dict[Path, Problem] = {}
    missing: list[Path] = []
    for error in errors:
        path = error["loc"]
        if error["type"] == "extra_forbidden":
            hint = hint_for_unknown(path) if hint_for_unknown is not None else nearest_here(root, path)
            problems.setdefault(path, _unknown(root, path, hint))
            continue
        path = _known_part(root, path)
        if error["type"] == "missing" and path == error["loc"]:
            missing.append(path)
        else:
            problems.setdefault(path, _wrong_value(root, path, _value_at(tables, path)))
    for path in missing:
        # A misspelt name is one mistake, not an unknown key and a missing one.
        misspelt = any(found[:-1] == path[:-1] and repr(path[-1]) in problems[found].hint for found in problems)
        if not misspelt:
            problems[path] = Problem(path, f"{dotted_name(path)} is missing", allowed_text(_field_at(root, path)))
    return list(problems.values())


def _known_part(root: type[BaseModel], path: Path) -> Path:
    """The part of an error's path that the file has a name for: the place in a list of numbers falls off."""
    for length in range(1, len(path) + 1):
        if isinstance(path[length - 1], str) and model_at(root, path[:length]) is None:
            return path[:length]
    return path


def _field_at(root: type[BaseModel], path: Path) -> FieldInfo:
    model = model_at(root, path[:-1])
    if model is None:
        raise KeyError(path)
    return fields_of(model)[str(path[-1])]


def _value_at(tables: Any, path: Path) -> Any:
    value = tables
    for part in path:
        value = getattr(value, str(part)) if isinstance(value, BaseModel) else value[part]
    return value


def _unknown(root: type[BaseModel], path: Path, hint: str) -> Problem:
    model = model_at(root, path[:-1])
    allowed = "" if hint or model is None else ", ".join(fields_of(model))
    return Problem(path, f"unknown key {dotted_name(path)}", allowed, hint)


def _wrong_value(root: type[BaseModel], path: Path, value: Any) -> Problem:
    name = dotted_name(path)
    if isinstance(path[-1], int):  # an element of an array of tables that is no table
        return Problem(path, f"{name} has an element {shown(value)}", f"[[{name}]] blocks")
    field = _field_at(root, path)
    found = f"{name} = {shown(value)}"
    inside = section_of(field)
    if inside is None or field.default is None:  # a plain value, or a table that is given or left out as one value
        return Problem(path, found, allowed_text(field), _hint_for_value(field, value))
    if is_repeated(field):
        return Problem(path, found, f"[[{name}]] blocks, each with {listed(list(fields_of(inside)))}")
    return Problem(path, found, f"a table [{name}] with {', '.join(fields_of(inside))}")


def _hint_for_value(field: FieldInfo, value: Any) -> str:
    if isinstance(value, str) and "number" in allowed_text(field) and _NUMBER.fullmatch(value):
        return "write it without quotes"
    return advice_for(field, value) or (nearest(value, choices_of(field)) if isinstance(value, str) else "")


def listed(names: Sequence[str]) -> str:
    """Names as a sentence lists them: a, b and c."""
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)


def shown(value: Any) -> str:
    """A value as a file would write it, shortened where it is long."""
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
