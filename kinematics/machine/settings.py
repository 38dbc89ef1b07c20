"""Settings that change a machine: the dotted keys of candidates and of `--set`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from kinematics.errors import Finding, InputError
from kinematics.machine.keys import (
    SHORT_NAMES,
    all_keys,
    example_key,
    find_key,
    help_for_setting,
    holds_one_table_a_name,
    is_one_value,
    is_section,
    key_named,
    keys_of_section,
    plain_value_of,
)
from kinematics.machine.model import Machine
from kinematics.machine.validation import JUNCTION, SPEED_STEP, build
from kinematics.machine.value_kinds import Range
from kinematics.toml.dotted import quoted, split_key
from kinematics.toml.problems import Problem, shown
from kinematics.toml.schema import dotted_name

JUNCTION_KEY = ".".join(JUNCTION)
SPEED_STEP_KEY = ".".join(SPEED_STEP)


class Settings(Mapping[str, Any]):
    """Dotted keys and their values, never changed: hashable, comparable with any mapping, may be pickled."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self._values = dict(values)

    @classmethod
    def frozen(cls, value: Any) -> Settings:
        """Freeze a mapping and all inside it, sections opened to dotted keys. Raises ValueError for anything else."""
        if not isinstance(value, Mapping) or not all(isinstance(key, str) for key in value):
            raise ValueError("not a table of settings")
        return cls({key: _frozen_value(one) for key, one in _flattened(value)})

    def plain(self) -> dict[str, Any]:
        """The same as plain dicts and lists."""
        return {key: _thawed(value) for key, value in self._values.items()}

    def __getitem__(self, key: str) -> Any:
        return self._values[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __hash__(self) -> int:
        return hash(frozenset(self._values.items()))

    def __repr__(self) -> str:
        return repr(self._values)


def _frozen_value(value: Any) -> Any:
    if isinstance(value, Range):
        return Settings(value.as_dict())
    if isinstance(value, Mapping):
        return Settings.frozen(value)
    return tuple(_frozen_value(one) for one in value) if isinstance(value, (list, tuple)) else value


def _thawed(value: Any) -> Any:
    if isinstance(value, Settings):
        return value.plain()
    return [_thawed(one) for one in value] if isinstance(value, tuple) else value


class Change(NamedTuple):
    """Settings brought down to the keys of the file.

    `values` dotted key -> new value, None to take it out; `replaced` tables given anew as a whole; `asked` dotted
    key -> the setting that asked for it; `problems` (setting, problem) pairs.
    """

    values: dict[str, Any]
    replaced: list[str]
    asked: dict[str, str]
    problems: list[tuple[str, Problem]]


def resolved(settings: Mapping[str, Any], machine: Machine) -> Change:
    """Bring settings down to the keys of the file; short names are read as the machine's corner rule has it."""
    change = Change({}, [], {}, [])
    for setting, value in _flattened(settings):
        _resolve_one(change, setting, setting, _plain(value), machine)
    junction, steps = _corner_rules_given(change.values)
    if junction and steps:
        both = f"both {JUNCTION_KEY} and {SPEED_STEP_KEY} are given"
        rule = "one of them: a machine has one corner rule"
        change.problems.append((change.asked[JUNCTION_KEY], Problem(JUNCTION, both, rule)))
    return change


def _resolve_one(change: Change, setting: str, key: str, value: Any, machine: Machine) -> None:
    def wrong(found: str, allowed: str = "", hint: str = "") -> None:
        change.problems.append((setting, Problem(split_key(key), found, allowed, hint)))

    if key == "corner":
        steps = _speed_steps(machine)
        for step in steps or [JUNCTION_KEY]:
            _resolve_one(change, setting, step, value, machine)
    elif key in SHORT_NAMES:
        _resolve_one(change, setting, SHORT_NAMES[key], value, machine)
    elif is_one_value(key):
        inside = [one.name.removeprefix(key + ".") for one in keys_of_section(key)]
        if value is not None and not (isinstance(value, Mapping) and value):
            wrong(f"{key} = {shown(value)}", f"a table with at least one of {', '.join(inside)}")
            return
        change.replaced.append(key)
        for name, one in (value or {}).items():
            _resolve_one(change, setting, f"{key}.{name}", one, machine)
    elif is_section(key):
        wrong(f"{key} is a section, not a key", f"one of its keys, such as {example_key(key)}")
    elif (known := find_key(key)) is None:
        wrong(f"unknown key {key}", *help_for_setting(key))
    elif known.name in change.values:
        wrong(f"{known.name} is given twice", "once")
    else:
        change.values[known.name] = value
        change.asked[known.name] = setting


def resolved_keys(settings: Mapping[str, Any], machine: Machine) -> frozenset[str]:
    """The dotted keys that settings touch on a machine: short names as they are read there, tables as all their keys.

    A key that is taken out (None) is touched as well. What the machine does not take is left out: it is judged where
    the settings are applied.
    """
    change = resolved(settings, machine)
    whole = (key.name for table in change.replaced for key in keys_of_section(table))
    return frozenset((*change.values, *whole))


def with_later(earlier: Mapping[str, Any], later: Mapping[str, Any], machine: Machine) -> dict[str, Any]:
    """Settings with later ones laid over them: of a key that both name, by whatever name, the later value stands."""
    touched = resolved_keys(later, machine)
    kept = {key: value for key, value in _flattened(earlier) if not resolved_keys({key: value}, machine) & touched}
    return kept | dict(_flattened(later))


def _flattened(settings: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Settings as dotted keys, tables inside them opened: { motion.feed_override = 2 } without quotes is a table."""
    by_name = bool(prefix) and holds_one_table_a_name(prefix[:-1])
    for name, value in settings.items():
        # A table inside has its name as it is, dots and all; any other name is a dotted key.
        key = prefix + (quoted(name) if by_name and isinstance(value, Mapping) else name)
        if isinstance(value, Mapping) and value and is_section(key) and not is_one_value(key):
            yield from _flattened(value, key + ".")
        else:
            yield key, value


def _plain(value: Any) -> Any:
    """A value as plain Python: numbers of array libraries and tuples included."""
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, Range):
        return value.as_dict()
    return value.item() if hasattr(value, "item") and getattr(value, "ndim", 1) == 0 else value


def _speed_steps(machine: Machine) -> list[str]:
    """The dotted keys of the speed steps that are in force; empty where junction deviation is."""
    return [key.name for key in keys_of_section(SPEED_STEP_KEY) if plain_value_of(machine, key) is not None]


def _corner_rules_given(values: Mapping[str, Any]) -> tuple[bool, bool]:
    given = [key for key, value in values.items() if value is not None]
    return JUNCTION_KEY in given, any(key.startswith(SPEED_STEP_KEY + ".") for key in given)


def _apply(change: Change, given: Mapping[str, Any]) -> dict[str, Any]:
    """The given keys after a change: giving one corner rule takes the other out."""
    junction, steps = _corner_rules_given(change.values)
    dropped = set(change.values)
    for key in [SPEED_STEP_KEY] if junction else change.replaced:
        dropped |= {one.name for one in keys_of_section(key)}
    if steps:
        dropped.add(JUNCTION_KEY)
    kept = {key: value for key, value in given.items() if key not in dropped}
    return kept | {key: value for key, value in change.values.items() if value is not None}


def _nested(values: Mapping[str, Any]) -> dict[str, Any]:
    tables: dict[str, Any] = {}
    for key, value in values.items():
        *section, last = key_named(key).path
        table = tables
        for name in section:
            table = table.setdefault(name, {})
        table[last] = value
    return tables


def _changed(machine: Machine, settings: Mapping[str, Any]) -> tuple[Machine | None, Change, list[tuple[str, Problem]]]:
    change = resolved(settings, machine)
    origins = machine._origins
    given = {key.name: plain_value_of(machine, key) for key in all_keys(machine) if key.name in origins}
    given |= {key: one.as_dict() for key, one in machine.ranges.items()}
    laid_over = {"candidate": machine.candidates, "material": machine.materials, "upgrade": machine.upgrades}
    tables = _nested(_apply(change, given)) | laid_over
    built, wrong = build(tables)
    problems = list(change.problems)
    both_rules = any(_corner_rules_given(change.values)) and all(_corner_rules_given(change.values))
    for problem in wrong:
        key = dotted_name(problem.path)
        if key == JUNCTION_KEY and both_rules and problem.found.startswith("both"):
            continue  # said already, with the setting that asked for it
        problems.append((change.asked.get(key, key), problem))
    return built, change, problems


def setting_problems(machine: Machine, settings: Mapping[str, Any]) -> list[tuple[str, Problem]]:
    """Every problem of settings on a machine, each with the setting that has it."""
    return _changed(machine, settings)[2]


def machine_with_settings(machine: Machine, settings: Mapping[str, Any], origin: str) -> Machine:
    """The machine with settings applied. Raises InputError with every finding, in the order of the settings."""
    built, change, problems = _changed(machine, settings)
    if problems or built is None:
        order = {setting: position for position, (setting, _) in enumerate(_flattened(settings))}
        problems.sort(key=lambda pair: order.get(pair[0], len(order)))
        raise InputError(*(Finding(origin, one.found, one.allowed, one.hint) for _, one in problems))
    origins = machine._origins | {key: origin for key, value in change.values.items() if value is not None}
    return built._came_from(origins, machine.source)
