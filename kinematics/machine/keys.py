"""The dotted keys of the machine file, found by walking the models, and the nearest name for one that is not there."""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kinematics.errors import InputError, nearest
from kinematics.machine.model import Candidate, Machine
from kinematics.machine.value_kinds import Allowed, PrinterLimit

Path = tuple[str | int, ...]
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
    "_g_cm3": "g/cm³",
    "_mm3_s": "mm³/s",
    "_mm_s2": "mm/s²",
    "_mm_s": "mm/s",
    "_mm": "mm",
    "_s": "s",
    "_c": "°C",
}
# Only a close match may point into another section: a wrong hint is worse than none.
CLOSE_ELSEWHERE = 0.75


@dataclass(frozen=True)
class Key:
    """One settable key: dotted name, its parts, what may stand there, and whether it is a limit of the printer."""

    name: str
    path: tuple[str, ...]
    allowed: str
    is_limit: bool


def _alternatives(annotation: Any) -> Iterator[Any]:
    """The types inside Annotated and Optional, outermost first."""
    yield annotation
    if get_origin(annotation) in (Annotated, Union, types.UnionType):
        for inside in get_args(annotation):
            yield from _alternatives(inside)


def section_of(field: FieldInfo) -> type[BaseModel] | None:
    """The model of a field that is a table or an array of tables; None for a plain value."""
    for annotation in _alternatives(field.annotation):
        kind = get_args(annotation)[0] if get_origin(annotation) is tuple else annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


def _notes(field: FieldInfo) -> Iterator[Any]:
    yield from field.metadata
    for annotation in _alternatives(field.annotation):
        yield from getattr(annotation, "__metadata__", ())


def allowed_text(field: FieldInfo) -> str:
    """What may stand at a field, in words; empty where its type does not say."""
    return next((note.text for note in _notes(field) if isinstance(note, Allowed)), "")


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The fields of a model under the names that they have in the file."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def model_at(path: Path) -> type[BaseModel] | None:
    """The model of the table at a path (list positions skipped); None where no table is known."""
    model: type[BaseModel] = Machine
    for part in path:
        if isinstance(part, int):
            continue
        field = fields_of(model).get(part)
        inside = section_of(field) if field is not None else None
        if inside is None:
            return None
        model = inside
    return model


@cache
def _walk() -> tuple[dict[str, Key], dict[str, bool]]:
    """Every key by its dotted name, and every section with whether it is written as one value (an inline table)."""
    keys: dict[str, Key] = {}
    sections: dict[str, bool] = {}

    def visit(model: type[BaseModel], path: tuple[str, ...]) -> None:
        for name, field in fields_of(model).items():
            here = (*path, name)
            inside = section_of(field)
            if inside is Candidate:
                continue
            dotted = ".".join(here)
            if inside is None:
                limit = any(isinstance(note, PrinterLimit) for note in _notes(field))
                keys[dotted] = Key(dotted, here, allowed_text(field), limit)
            else:
                sections[dotted] = field.default is None
                visit(inside, here)

    visit(Machine, ())
    return keys, sections


def all_keys() -> Iterable[Key]:
    """Every settable key in the order of the file."""
    return _walk()[0].values()


def find_key(name: str) -> Key | None:
    """The key of a dotted name, None where there is none."""
    return _walk()[0].get(name)


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
    return name in _walk()[1]


def is_one_value(name: str) -> bool:
    """Whether a dotted name is a table that is given or left out as one value."""
    return _walk()[1].get(name, False)


def keys_of_section(name: str) -> list[Key]:
    """The keys inside a section; empty where the name is none."""
    return [key for key in all_keys() if key.name.startswith(name + ".")]


def plain_value_of(machine: Machine, key: Key) -> Any:
    """The value of a key as plain data; None where it, or the table that holds it, is not given."""
    value: Any = machine
    for part in key.path:
        value = getattr(value, part, None)
    return list(value) if isinstance(value, tuple) else value


def given_keys(machine: Machine) -> Iterator[str]:
    """The dotted keys that were given when the models were made, rather than filled in."""
    for key in all_keys():
        value: Any = machine
        for part in key.path:
            if value is None or part not in value.model_fields_set:
                break
            value = getattr(value, part)
        else:
            if value is not None:
                yield key.name


def dotted_name(path: Path) -> str:
    """A path as it is written in a file, list positions left out, odd names quoted."""
    return ".".join(_quoted(part) for part in path if isinstance(part, str))


def _quoted(name: str) -> str:
    bare = name.isascii() and name.replace("-", "_").replace("_", "a").isalnum()
    return name if bare else '"' + name.encode("unicode_escape").decode("ascii").replace('"', '\\"') + '"'


def nearest_in_section(section: Path, name: str) -> str:
    """The hint for an unknown key of a section: the same name elsewhere, one like it here, or one like it elsewhere."""
    model = model_at(section)
    here = list(fields_of(model)) if model is not None else []
    if len(section) == 0 or section[0] != "candidate":
        elsewhere = _same_name_elsewhere(section, name)
        if elsewhere:
            return f"did you mean {elsewhere!r}?"
        hint = nearest(name, here) or nearest(name.lower(), here)
        return hint or _like_it_elsewhere(section, name)
    return nearest(name, here) or nearest(name.lower(), here)


def help_for_setting(name: str) -> tuple[str, str]:
    """What is allowed and the hint for an unknown dotted key in a setting: one of them, the hint where it can be."""
    *section, last = name.split(".")
    elsewhere = _same_name_elsewhere(tuple(section), last)
    if elsewhere:
        return "", f"did you mean {elsewhere!r}?"
    model = model_at(tuple(section))
    if section and model is not None:
        here = [".".join([*section, one]) for one in fields_of(model)]
        close = difflib.get_close_matches(last.lower(), list(fields_of(model)), n=1)
        return ("", f"did you mean {'.'.join([*section, *close])!r}?") if close else (", ".join(here), "")
    hint = nearest(name.lower(), [*SHORT_NAMES, *_walk()[0]]) or _like_it_elsewhere(tuple(section), last)
    return ("" if hint else "a dotted key of the machine file, such as motion.feed_override"), hint


def _same_name_elsewhere(section: Path, name: str) -> str:
    """The dotted key or section whose last part is this name, the one nearest in the tree; empty where none is."""
    keys, sections = _walk()
    if len(name) == 1:
        return ""  # an axis: that it has a namesake says nothing
    found = [dotted for dotted in (*keys, *sections) if dotted.rsplit(".", 1)[-1] == name]
    return max(found, key=lambda dotted: _shared(section, tuple(dotted.split("."))), default="")


def _like_it_elsewhere(section: Path, name: str) -> str:
    keys, sections = _walk()
    last_parts = {part for dotted in (*keys, *sections) if len(part := dotted.rsplit(".", 1)[-1]) > 1}
    close = difflib.get_close_matches(name.lower(), sorted(last_parts), n=1, cutoff=CLOSE_ELSEWHERE)
    return f"did you mean {_same_name_elsewhere(section, close[0])!r}?" if close else ""


def _shared(left: Path, right: Path) -> int:
    count = 0
    for one, other in zip(left, right, strict=False):
        if one != other:
            break
        count += 1
    return count
