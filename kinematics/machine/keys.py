"""The dotted keys of the machine file, found by walking the models, and the nearest name for one that is not there."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kinematics.errors import InputError, nearest
from kinematics.machine.laid_over import NamedSettings
from kinematics.machine.model import Machine
from kinematics.machine.value_kinds import PrinterLimit
from kinematics.toml.dotted import Names, split_key
from kinematics.toml.lines import Path
from kinematics.toml.named_sections import ANY_NAME, NamedSections
from kinematics.toml.schema import (
    allowed_text,
    dotted_name,
    fields_of,
    is_repeated,
    model_at,
    named_section_of,
    nearest_here,
    notes_of,
    section_of,
    takes_any_number,
)

# Shorter names for the knobs that are turned most; "corner" is whichever corner rule is in force.
SHORT_NAMES = {
    "acceleration": "motion.print_acceleration_mm_s2",
    "corner": "motion.junction_deviation_mm",
    "flow": "hotend.max_flow_mm3_s",
    "speed": "motion.by_kind.print.feed_override",
}
# How a key ends and the unit that this means; longer endings first.
UNITS = {
    "_c_per_s": "°C/s",
    "_per_s": "a second",
    "_kg_m2": "kg·m²",
    "_g_cm3": "g/cm³",
    "_mm3_s": "mm³/s",
    "_mm_s2": "mm/s²",
    "_mm_s": "mm/s",
    "_mm": "mm",
    "_nm": "Nm",
    "_hz": "Hz",
    "_kg": "kg",
    "_n": "N",
    "_s": "s",
    "_c": "°C",
}
MOTORS = ("motors",)
# Only a close match may point into another section: a wrong hint is worse than none.
CLOSE_ELSEWHERE = 0.75


@dataclass(frozen=True)
class Key:
    """One settable key: dotted name, its parts, what may stand there, whether it is a limit of the printer, and whether
    any number may stand there, and so a range.
    """

    name: str
    path: Names
    allowed: str
    is_limit: bool
    takes_range: bool


class Tree(NamedTuple):
    """The machine file as the models have it.

    `keys` by dotted name, `sections` with whether each is written as one value (an inline table), `named` the sections
    that hold one table a name, with the model of these; `order` keys and `named` sections in the order of the file.
    """

    keys: dict[str, Key]
    sections: dict[str, bool]
    named: dict[Names, type[BaseModel]]
    order: list[Key | Names]


def _key_of(field: FieldInfo, path: Names) -> Key:
    limit = any(isinstance(note, PrinterLimit) for note in notes_of(field))
    return Key(dotted_name(path), path, allowed_text(field), limit, takes_any_number(field))


@cache
def _walk() -> Tree:
    tree = Tree({}, {}, {}, [])

    def visit(model: type[BaseModel], path: Names) -> None:
        for name, field in fields_of(model).items():
            here = (*path, name)
            dotted = dotted_name(here)
            inside, member = section_of(field), named_section_of(field)
            if inside is not None and issubclass(inside, NamedSettings):
                continue
            if member is not None:
                tree.sections[dotted] = False
                tree.named[here] = member
                tree.order.append(here)
            elif inside is not None and not is_repeated(field):
                tree.sections[dotted] = field.default is None
                visit(inside, here)
            else:
                key = _key_of(field, here)
                tree.keys[dotted] = key
                tree.order.append(key)

    visit(Machine, ())
    return tree


@lru_cache(maxsize=4096)
def _keys_of_name(path: Names) -> tuple[Key, ...]:
    """The keys of one table whose name is the user's; such tables hold plain values alone."""
    model = _walk().named[path[:-1]]
    return tuple(_key_of(field, (*path, name)) for name, field in fields_of(model).items())


def all_keys(machine: Machine | None = None) -> Iterator[Key]:
    """Every settable key in the order of the file; those by label for the labels that a machine names."""
    for entry in _walk().order:
        if isinstance(entry, Key):
            yield entry
        elif machine is not None:
            for name in _at(machine, entry) or ():
                yield from _keys_of_name((*entry, name))


def limit_keys(motors: Sequence[str]) -> Iterator[Key]:
    """Every key that is a limit of the printer, in the order of the file; of the motors those that are named."""
    for entry in _walk().order:
        keys = [entry] if isinstance(entry, Key) else []
        if entry == MOTORS:
            keys = [key for name in motors for key in _keys_of_name((*MOTORS, name))]
        yield from (key for key in keys if key.is_limit)


def find_key(name: str) -> Key | None:
    """The key of a dotted name, None where there is none; a label may have any name."""
    key = _walk().keys.get(name)
    if key is not None:
        return key
    path = split_key(name)
    if path[:-2] in _walk().named:
        return next((one for one in _keys_of_name(path[:-1]) if one.path == path), None)
    return _walk().keys.get(dotted_name(path))


def key_named(name: str) -> Key:
    """The key of a dotted name. Raises InputError with the nearest name where there is none."""
    key = find_key(name)
    if key is None:
        raise InputError.at("", f"unknown key {name}", *help_for_setting(name))
    return key


def unit_of(key: Key) -> str:
    """The unit of a key as people write it, from the end of its name; empty where it has none."""
    return next((unit for ending, unit in UNITS.items() if key.name.endswith(ending)), "")


def is_section(name: str) -> bool:
    """Whether a dotted name is a table of the file."""
    path = split_key(name)
    return dotted_name(path) in _walk().sections or path[:-1] in _walk().named


def holds_one_table_a_name(name: str) -> bool:
    """Whether a dotted name is a section of tables that the user names."""
    return split_key(name) in _walk().named


def is_one_value(name: str) -> bool:
    """Whether a dotted name is a table that is given or left out as one value."""
    return _walk().sections.get(dotted_name(split_key(name)), False)


def keys_of_section(name: str, machine: Machine | None = None) -> list[Key]:
    """The keys inside a section, by label for the labels that a machine names; empty where the name is none."""
    path = split_key(name)
    if path[:-1] in _walk().named:
        return list(_keys_of_name(path))
    return [key for key in all_keys(machine) if key.path[: len(path)] == path and key.path != path]


def example_key(section: str) -> str:
    """The first key of a section, as an example; the key of that name where the section has the name of one."""
    path = split_key(section)
    if path in _walk().named:
        return _keys_of_name((*path, ANY_NAME))[0].name
    inside = keys_of_section(section)
    forgotten_name = (dotted_name((*path[:-1], ANY_NAME, one.path[-1])) for one in inside if one.path[-1] == path[-1])
    return next(forgotten_name, inside[0].name)


def _at(machine: Machine, path: Names) -> Any:
    value: Any = machine
    for part in path:
        value = value.get(part) if isinstance(value, NamedSections) else getattr(value, part, None)
    return value


def plain_value_of(machine: Machine, key: Key) -> Any:
    """The value of a key as plain data; None where it, or the table that holds it, is not given."""
    return _plain(_at(machine, key.path))


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value.model_dump(exclude_unset=True)
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def given_keys(machine: Machine) -> Iterator[str]:
    """The dotted keys that were given when the models were made, rather than filled in."""
    for key in all_keys(machine):
        value: Any = machine
        for part in key.path:
            if isinstance(value, NamedSections):
                value = value[part]
            elif value is None or part not in value.model_fields_set:
                break
            else:
                value = getattr(value, part)
        else:
            if value is not None:
                yield key.name


def nearest_name(path: Path) -> str:
    """The hint for an unknown key of the file: the same name elsewhere, one like it beside it, or one elsewhere."""
    section, name = path[:-1], str(path[-1])
    if section[:1] in (("candidate",), ("material",), ("upgrade",)):
        return nearest_here(Machine, path)
    elsewhere = _same_name_elsewhere(section, name)
    if elsewhere:
        return f"did you mean {elsewhere!r}?"
    return nearest_here(Machine, path) or _like_it_elsewhere(section, name)


def help_for_setting(name: str) -> tuple[str, str]:
    """What is allowed and the hint for an unknown dotted key in a setting: one of them, the hint where it can be."""
    *section, last = split_key(name)
    elsewhere = _same_name_elsewhere(tuple(section), last)
    if elsewhere:
        return "", f"did you mean {elsewhere!r}?"
    model = model_at(Machine, tuple(section))
    if section and model is not None:
        here = [dotted_name((*section, one)) for one in fields_of(model)]
        close = difflib.get_close_matches(last.lower(), list(fields_of(model)), n=1)
        return ("", f"did you mean {dotted_name((*section, *close))!r}?") if close else (", ".join(here), "")
    hint = nearest(name.lower(), [*SHORT_NAMES, *_walk().keys]) or _like_it_elsewhere(tuple(section), last)
    return ("" if hint else "a dotted key of the machine file, such as motion.feed_override"), hint


def _same_name_elsewhere(section: Path, name: str) -> str:
    """The dotted key or section whose last part is this name, the one nearest in the tree; empty where none is."""
    if len(name) == 1:
        return ""  # an axis: that it has a namesake says nothing
    found = [dotted for dotted in (*_walk().keys, *_walk().sections) if dotted.rsplit(".", 1)[-1] == name]
    return max(found, key=lambda dotted: _shared(section, tuple(dotted.split("."))), default="")


def _like_it_elsewhere(section: Path, name: str) -> str:
    names = (*_walk().keys, *_walk().sections)
    last_parts = {part for dotted in names if len(part := dotted.rsplit(".", 1)[-1]) > 1}
    close = difflib.get_close_matches(name.lower(), sorted(last_parts), n=1, cutoff=CLOSE_ELSEWHERE)
    return f"did you mean {_same_name_elsewhere(section, close[0])!r}?" if close else ""


def _shared(left: Path, right: Path) -> int:
    count = 0
    for one, other in zip(left, right, strict=False):
        if one != other:
            break
        count += 1
    return count
