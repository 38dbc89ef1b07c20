"""The dotted keys of the machine file, found in its table, and the nearest name for one that is not there."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import Any, NamedTuple

from kinematics.errors import InputError, nearest
from kinematics.machine.keys import UNITS, Keys
from kinematics.toml.files import Names, Path, dotted_name, quoted, split_key
from kinematics.toml.sections import ANY_NAME, Row, Section, nearest_row, plain

# Shorter names for the knobs that are turned most; "corner" is whichever corner rule is in force.
SHORT_NAMES = {
    "acceleration": "motion.print_acceleration_mm_s2",
    "corner": "motion.junction_deviation_mm",
    "flow": "hotend.max_flow_mm3_s",
    "speed": "motion.by_kind.print.feed_override",
}
MOTORS = ("motors",)
LAID_OVER = ("material", "candidate", "upgrade")
# Only a close match may point into another section: a wrong hint is worse than none.
CLOSE_ELSEWHERE = 0.75


class Key(NamedTuple):
    """One settable key: its dotted name, the parts of that, and its row in the table."""

    name: str
    path: Names
    row: Row

    @property
    def allowed(self) -> str:
        """What may stand there."""
        return self.row.words

    @property
    def is_limit(self) -> bool:
        """Whether leaving it out means that nothing holds the printer back there."""
        return self.row.is_limit

    @property
    def unit(self) -> str:
        """The unit as people write it, from the end of the name; empty where it has none."""
        if "speed_step_mm_s" in self.path:
            return UNITS["_mm_s"]
        return next((unit for ending, unit in UNITS.items() if self.name.endswith(ending)), "")

    @property
    def meaning(self) -> str:
        """What it is, in a maker's words."""
        return self.row.meaning.format(axis=self.path[-2].upper()) if len(self.path) > 1 else self.row.meaning


class Tree(NamedTuple):
    """The machine file as the table has it.

    `keys` by dotted name, `sections` with whether each is written as one value (an inline table), `named` the sections
    that hold one table a name, with the section of these; `order` keys and `named` sections in the order of the file.
    """

    keys: dict[str, Key]
    sections: dict[str, bool]
    named: dict[Names, type[Section]]
    order: list[Key | Names]


@cache
def _tree() -> Tree:
    tree = Tree({}, {}, {}, [])

    def visit(section: type[Section], path: Names) -> None:
        for name, row in section.ROWS.items():
            here = (*path, name)
            dotted = dotted_name(here)
            if row.is_key:
                tree.keys[dotted] = Key(dotted, here, row)
                tree.order.append(tree.keys[dotted])
            elif row.inside is not None and row.by_name:
                tree.sections[dotted] = False
                tree.named[here] = row.inside
                tree.order.append(here)
            elif row.inside is not None and not row.repeated:
                tree.sections[dotted] = row.is_one_value
                visit(row.inside, here)

    visit(Keys, ())
    return tree


@lru_cache(maxsize=4096)
def _keys_of_name(path: Names) -> tuple[Key, ...]:
    """The keys of one table whose name is the user's; such tables hold plain values alone."""
    rows = _tree().named[path[:-1]].ROWS
    return tuple(Key(dotted_name((*path, name)), (*path, name), row) for name, row in rows.items())


def all_keys(machine: Keys | None = None) -> Iterator[Key]:
    """Every settable key in the order of the file; those by label for the labels that a machine names."""
    for entry in _tree().order:
        if isinstance(entry, Key):
            yield entry
        elif machine is not None:
            for name in value_at(machine, entry):
                yield from _keys_of_name((*entry, name))


def limit_keys(motors: Sequence[str]) -> Iterator[Key]:
    """Every key that is a limit of the printer, in the order of the file; of the motors those that are named."""
    for entry in _tree().order:
        keys = [entry] if isinstance(entry, Key) else []
        if entry == MOTORS:
            keys = [key for name in motors for key in _keys_of_name((*MOTORS, name))]
        yield from (key for key in keys if key.is_limit)


@lru_cache(maxsize=4096)
def find_key(name: str) -> Key | None:
    """The key of a dotted name, None where there is none; a label may have any name."""
    key = _tree().keys.get(name)
    if key is not None:
        return key
    path = split_key(name)
    if path[:-2] in _tree().named:
        return next((one for one in _keys_of_name(path[:-1]) if one.path == path), None)
    return _tree().keys.get(dotted_name(path))


def key_named(name: str) -> Key:
    """The key of a dotted name. Raises InputError with the nearest name where there is none."""
    key = find_key(name)
    if key is None:
        raise InputError.at("", f"unknown key {name}", *help_for_setting(name))
    return key


@lru_cache(maxsize=4096)
def is_section(name: str) -> bool:
    """Whether a dotted name is a table of the file."""
    path = split_key(name)
    return dotted_name(path) in _tree().sections or path[:-1] in _tree().named


@lru_cache(maxsize=4096)
def is_one_value(name: str) -> bool:
    """Whether a dotted name is a table that is given or left out as one value."""
    return _tree().sections.get(dotted_name(split_key(name)), False)


def keys_of_section(name: str, machine: Keys | None = None) -> list[Key]:
    """The keys inside a section, by label for the labels that a machine names; empty where the name is none."""
    path = split_key(name)
    if path[:-1] in _tree().named:
        return list(_keys_of_name(path))
    return [key for key in all_keys(machine) if key.path[: len(path)] == path and key.path != path]


def example_key(section: str) -> str:
    """The first key of a section, as an example; the key of that name where the section has the name of one."""
    path = split_key(section)
    if path in _tree().named:
        return _keys_of_name((*path, ANY_NAME))[0].name
    inside = keys_of_section(section)
    forgotten_name = (dotted_name((*path[:-1], ANY_NAME, one.path[-1])) for one in inside if one.path[-1] == path[-1])
    return next(forgotten_name, inside[0].name)


def value_at(machine: Keys, path: Names) -> Any:
    """What a machine has at a path of attributes and names; None where a table on the way is not given."""
    value: Any = machine
    for part in path:
        value = value.get(part) if isinstance(value, Mapping) else getattr(value, part, None)
    return value


def plain_value_of(machine: Keys, key: Key) -> Any:
    """The value of a key as plain data; None where it, or the table that holds it, is not given."""
    return plain(value_at(machine, key.path), given_only=True)


def given_keys(section: Section, path: Names = ()) -> Iterator[Names]:
    """The paths of the keys that were given, rather than filled in, in the order of the file."""
    for name, value in section.given():
        row, here = section.ROWS[name], (*path, name)
        if row.is_key:
            yield here
        elif row.by_name:
            for one, inside in value.items():
                yield from given_keys(inside, (*here, one))
        elif not row.repeated:
            yield from given_keys(value, here)


def place_in_file(path: Path) -> tuple[int, ...]:
    """Where a path stands in the order of the file, what is unknown behind the rest of its section."""
    section: type[Section] | None = Keys
    places = []
    for name in (part for part in path if isinstance(part, str)):
        rows = list(section.ROWS) if section is not None else []
        places.append(rows.index(name) if name in rows else len(rows))
        section = section.ROWS[name].inside if section is not None and name in rows else section
    return tuple(places)


def flattened(settings: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Settings as dotted keys, tables inside them opened: { motion.feed_override = 2 } without quotes is a table."""
    by_name = bool(prefix) and split_key(prefix[:-1]) in _tree().named
    for name, value in settings.items():
        # A table inside has its name as it is, dots and all; any other name is a dotted key.
        key = prefix + (quoted(name) if by_name and isinstance(value, Mapping) else name)
        if isinstance(value, Mapping) and value and is_section(key) and not is_one_value(key):
            yield from flattened(value, key + ".")
        else:
            yield key, value


def _section_at(path: Path) -> type[Section] | None:
    """The section at a path, list positions skipped; None where no table is known, or one that holds a table a name."""
    section: type[Section] | None = Keys
    named = False  # whether the next name is the user's own
    for name in (part for part in path if isinstance(part, str)):
        if section is None or named:
            named = False
            continue
        row = section.ROWS.get(name)
        section, named = (row.inside, row.by_name) if row is not None else (None, False)
    return None if named else section


def nearest_name(path: Path) -> str:
    """The hint for an unknown key of the file: the same name elsewhere, one like it beside it, or one elsewhere.

    What is laid over a machine has keys of its own, that are no help elsewhere.
    """
    above, name = path[:-1], str(path[-1])
    own = bool(above) and above[0] in LAID_OVER
    if not own and (elsewhere := _same_name_elsewhere(above, name)):
        return f"did you mean {elsewhere!r}?"
    section = _section_at(above)
    here = nearest_row(section, name) if section is not None else ""
    return here if here or own else _like_it_elsewhere(above, name)


def help_for_setting(name: str) -> tuple[str, str]:
    """What is allowed and the hint for an unknown dotted key in a setting: one of them, the hint where it can be."""
    *above, last = split_key(name)
    elsewhere = _same_name_elsewhere(tuple(above), last)
    if elsewhere:
        return "", f"did you mean {elsewhere!r}?"
    section = _section_at(tuple(above))
    if above and section is not None:
        here = [dotted_name((*above, one)) for one in section.ROWS]
        close = difflib.get_close_matches(last.lower(), section.ROWS, n=1)
        return ("", f"did you mean {dotted_name((*above, *close))!r}?") if close else (", ".join(here), "")
    hint = nearest(name.lower(), [*SHORT_NAMES, *_tree().keys]) or _like_it_elsewhere(tuple(above), last)
    return ("" if hint else "a dotted key of the machine file, such as motion.feed_override"), hint


def _same_name_elsewhere(section: Path, name: str) -> str:
    """The dotted key or section whose last part is this name, the one nearest in the tree; empty where none is."""
    if len(name) == 1:
        return ""  # an axis: that it has a namesake says nothing
    found = [dotted for dotted in (*_tree().keys, *_tree().sections) if dotted.rsplit(".", 1)[-1] == name]
    return max(found, key=lambda dotted: _shared(section, tuple(dotted.split("."))), default="")


def _like_it_elsewhere(section: Path, name: str) -> str:
    names = (*_tree().keys, *_tree().sections)
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
