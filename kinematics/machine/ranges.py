"""Ranges in raw tables: `{ low = 0.02, likely = 0.05, high = 0.10 }` at a numeric key, taken out and judged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from kinematics.errors import nearest
from kinematics.machine.keys import Key, find_key
from kinematics.machine.value_kinds import is_number
from kinematics.toml.lines import Path
from kinematics.toml.problems import Problem, listed, shown
from kinematics.toml.schema import dotted_name

LOW, LIKELY, HIGH = PARTS = ("low", "likely", "high")
ALLOWED = "{ low = …, likely = …, high = … }, three numbers"
RISING = "low no more than likely, and likely no more than high"


class WithoutRanges(NamedTuple):
    """Raw tables with the likely value of each range in its place.

    `ranges` the three raw numbers by path of the key; `problems` what is wrong with those that are none, which still
    stand in `tables` where they stood.
    """

    tables: dict[str, Any]
    ranges: dict[Path, dict[str, float]]
    problems: list[Problem]

    def at(self, part: str) -> dict[str, Any]:
        """The tables with one end of all ranges in their places."""
        return _replaced(self.tables, {path: numbers[part] for path, numbers in self.ranges.items()}, ())


def without_ranges(tables: Mapping[str, Any]) -> WithoutRanges:
    """Take the ranges out of raw tables, and the problems of those that are wrong; nothing is changed or raised.

    A range needs all three: a likely value that nobody gave would be one that nobody can look up.
    """
    found: dict[Path, dict[str, float]] = {}
    problems: list[Problem] = []
    _find(tables, (), found, problems)
    likely = {path: numbers[LIKELY] for path, numbers in found.items()}
    return WithoutRanges(_replaced(tables, likely, ()), found, problems)


def _replaced(table: Mapping[str, Any], values: Mapping[Path, float], path: Path) -> dict[str, Any]:
    return {
        name: values[here]
        if (here := (*path, name)) in values
        else (_replaced(value, values, here) if isinstance(value, dict) else value)
        for name, value in table.items()
    }


def _find(table: Mapping[str, Any], path: Path, found: dict[Path, dict[str, float]], problems: list[Problem]) -> None:
    for name, value in table.items():
        if not isinstance(value, Mapping):
            continue
        here = (*path, name)
        # A label may be called "low": what holds it is no key.
        key = find_key(dotted_name(here)) if not value.keys().isdisjoint(PARTS) else None
        if key is None:
            _find(value, here, found, problems)
        elif (problem := _problem_of(key, value)) is not None:
            problems.append(problem)
        else:
            found[here] = dict(value)


def _problem_of(key: Key, table: Mapping[str, Any]) -> Problem | None:
    """What is wrong with a range; whether the key takes its numbers is for the models to say."""
    if not key.takes_range:
        hint = "only where any number may stand can a range stand as well"
        return Problem(key.path, f"{key.name} = {shown(table)}", key.allowed, hint)
    unknown = [name for name in table if name not in PARTS]
    if unknown:
        hint = nearest(unknown[0], PARTS)
        return Problem(key.path, f"{key.name} is a range with {listed(unknown)}", ALLOWED, hint)
    missing = [name for name in PARTS if name not in table]
    if missing:
        return Problem(key.path, f"{key.name} is a range without {listed(missing)}", ALLOWED)
    for part in PARTS:
        if not is_number(table[part]):
            hint = "write it without quotes" if isinstance(table[part], str) else ""
            return Problem(key.path, f"{key.name}.{part} = {shown(table[part])}", "a number", hint)
    for lower, upper in ((LOW, LIKELY), (LIKELY, HIGH)):
        if not table[lower] <= table[upper]:
            told = f"{key.name} has {lower} = {shown(table[lower])} above {upper} = {shown(table[upper])}"
            return Problem(key.path, told, RISING)
    return None
