"""The dotted keys of the machine file, found in its table, and the nearest name for one that is not there."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from itertools import chain, takewhile
from typing import Any, NamedTuple

from kinematics.errors import InputError, closest, nearest
from kinematics.machine.keys import UNIT_ENDINGS, Keys
from kinematics.toml.files import Names, Path, dotted_name, quoted, split_key
from kinematics.toml.sections import ANY_NAME, REQUIRED, Row, Section, nearest_row, plain

# Shorter names for the knobs that are turned most; "corner" is whichever corner rule is in force.
SHORT_NAMES = {
    "acceleration": "motion.print_acceleration_mm_s2",
    "corner": "motion.junction_deviation_mm",
    "flow": "hotend.max_flow_mm3_s",
    "speed": "motion.by_kind.print.feed_override",
}
MOTORS = ("motors",)
LAID_OVER = ("material", "candidate", "upgrade")
BLOCKS = ("proven", *LAID_OVER)  # tables that may stand in the file any number of times
# Only a close match may point into another section: a wrong hint is worse than none.
CLOSE_ELSEWHERE = 0.75
NOT_MEANT = ("proof.", "checked.")  # sections that no estimate hangs on: their keys are no help elsewhere


_WHOLE = Row(inside=Keys, default=REQUIRED)


class Key(NamedTuple):
    """One settable key: its dotted name, the parts of that, and its row in the table."""

    name: str
    path: Names
    row: Row

    @property
    def unit(self) -> str:
        """The unit as people write it, from the end of the name; empty where it has none."""
        if "speed_step_mm_s" in self.path:
            return UNIT_ENDINGS["_mm_s"]
        return next((unit for ending, unit in UNIT_ENDINGS.items() if self.name.endswith(ending)), "")

    @property
    def meaning(self) -> str:
        """What it is, in a maker's words."""
        return self.row.meaning.format(axis=self.path[-2].upper()) if len(self.path) > 1 else self.row.meaning


@lru_cache(maxsize=4096)
def row_at(path: Names, in_blocks: bool = False) -> Row | None:
    """The row of a key or a table, None where there is none; a name of the user's may be any.

    What stands in blocks is no key of the machine, and only found where it is asked for.
    """
    row: Row | None = _WHOLE
    for name in path:
        if row is None or row.inside is None or (row.repeated and not in_blocks):
            return None
        row = row._replace(by_name=False, default=REQUIRED) if row.by_name else row.inside.ROWS.get(name)
    return row


@lru_cache(maxsize=4096)
def _entries(path: Names) -> tuple[Key | Names, ...]:
    """What a table holds, in the order of the file: keys, and the paths of sections that hold one table a name."""
    entries: list[Key | Names] = []
    row = row_at(path)
    if row is not None and row.by_name:
        return (path,)
    for name, one in row.inside.ROWS.items() if row is not None and row.inside is not None else ():
        here = (*path, name)
        if one.is_key:
            entries.append(Key(dotted_name(here), here, one))
        elif not one.repeated:
            entries += _entries(here)
    return tuple(entries)


def keys_below(path: Names, names_at: Callable[[Names], Iterable[str]]) -> Iterator[Key]:
    """The keys of a table in the order of the file; `names_at` the names in a section that holds one table a name."""
    for entry in _entries(path):
        if isinstance(entry, Key):
            yield entry
        else:
            for name in names_at(entry):
                yield from keys_below((*entry, name), names_at)


def all_keys(machine: Keys | None = None) -> Iterator[Key]:
    """Every settable key in the order of the file; those by label for the labels that a machine names."""
    return keys_below((), lambda path: value_at(machine, path) if machine is not None else ())


def limit_keys(motors: Sequence[str]) -> Iterator[Key]:
    """Every key that is a limit of the printer, in the order of the file; of the motors those that are named."""
    return (key for key in keys_below((), lambda path: motors if path == MOTORS else ()) if key.row.is_limit)


def keys_of_section(name: str, machine: Keys | None = None) -> list[Key]:
    """The keys inside a section, by label for the labels that a machine names; empty where the name is none."""
    return list(keys_below(split_key(name), lambda path: value_at(machine, path) if machine is not None else ()))


@lru_cache(maxsize=4096)
def find_key(name: str) -> Key | None:
    """The key of a dotted name, None where there is none; a label may have any name."""
    path = split_key(name)
    row = row_at(path)
    return Key(dotted_name(path), path, row) if row is not None and row.is_key else None


def key_named(name: str) -> Key:
    """The key of a dotted name. Raises InputError with the nearest name where there is none."""
    key = find_key(name)
    if key is None:
        raise InputError.at("", f"unknown key {name}", *help_for_setting(name))
    return key


@lru_cache(maxsize=4096)
def section_named(name: str) -> Row | None:
    """The row of a table of the file, None where a dotted name is none."""
    row = row_at(split_key(name))
    return row if row is not None and row.inside is not None and not row.repeated else None


def is_one_value(name: str) -> bool:
    """Whether a dotted name is a table that is given or left out as one value."""
    return (row := section_named(name)) is not None and row.is_one_value


def example_key(section: str) -> str:
    """The first key of a section, as an example; the key of that name where the section has the name of one."""
    path = split_key(section)
    inside = list(keys_below(path, lambda path: (ANY_NAME,)))
    forgotten_name = next((one for one in inside if one.path[-1] == path[-1] and len(path) > 1), None)
    return inside[0].name if forgotten_name is None else dotted_name((*path[:-1], ANY_NAME, path[-1]))


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
        elif not row.repeated:
            for one, inside in value.items() if row.by_name else [("", value)]:
                yield from given_keys(inside, (*here, one) if row.by_name else here)


def place_in_file(path: Path) -> tuple[int, ...]:
    """Where a path stands in the order of the file, what is unknown behind the rest of its section."""
    names = tuple(part for part in path if isinstance(part, str))
    rows = (row_at(names[:length], True) for length in range(len(names)))
    inside = [list(row.inside.ROWS) if row is not None and row.inside is not None else [] for row in rows]
    return tuple(one.index(name) if name in one else len(one) for name, one in zip(names, inside, strict=True))


def flattened(settings: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Settings as dotted keys, tables inside them opened: { motion.feed_override = 2 } without quotes is a table."""
    by_name = bool(prefix) and getattr(section_named(prefix[:-1]), "by_name", False)
    for name, value in settings.items():
        # A table inside has its name as it is, dots and all; any other name is a dotted key.
        key = prefix + (quoted(name) if by_name and isinstance(value, Mapping) else name)
        if isinstance(value, Mapping) and value and section_named(key) is not None and not is_one_value(key):
            yield from flattened(value, key + ".")
        else:
            yield key, value


def _rows_at(path: Path) -> Mapping[str, Row]:
    """The rows of the table at a path, list positions skipped; none where no table is known, or one of any names."""
    row = row_at(tuple(part for part in path if isinstance(part, str)), True)
    return row.inside.ROWS if row is not None and row.inside is not None and not row.by_name else {}


@cache
def _known() -> tuple[list[str], list[str]]:
    """The dotted names of all keys, and those of all sections."""
    keys = list(all_keys())
    paths = dict.fromkeys(key.path[:length] for key in keys for length in range(1, len(key.path)))
    sections = [dotted_name(path) for path in paths] + [
        dotted_name(one) for one in _entries(()) if not isinstance(one, Key)
    ]
    return [key.name for key in keys], sections


def nearest_name(path: Path) -> str:
    """The hint for an unknown key of the file: the same name elsewhere, one like it beside it, or one elsewhere.

    What may stand there any number of times has keys of its own, that are no help elsewhere.
    """
    above, name = path[:-1], str(path[-1])
    own = bool(above) and above[0] in BLOCKS
    if not own and (elsewhere := _same_name_elsewhere(above, name)):
        return f"did you mean {elsewhere!r}?"
    here = nearest_row(_rows_at(above), name)
    return here if here or own else _like_it_elsewhere(above, name)


def help_for_setting(name: str) -> tuple[str, str]:
    """What is allowed and the hint for an unknown dotted key in a setting: one of them, the hint where it can be."""
    *above, last = split_key(name)
    elsewhere = _same_name_elsewhere(tuple(above), last)
    if elsewhere:
        return "", f"did you mean {elsewhere!r}?"
    if above and (rows := _rows_at(tuple(above))):
        here = [dotted_name((*above, one)) for one in rows]
        close = closest(last.lower(), rows)
        return ("", f"did you mean {dotted_name((*above, close))!r}?") if close else (", ".join(here), "")
    meant = [one for one in _known()[0] if not one.startswith(NOT_MEANT) or name.lower().startswith(NOT_MEANT)]
    hint = nearest(name.lower(), [*SHORT_NAMES, *meant]) or _like_it_elsewhere(tuple(above), last)
    return ("" if hint else "a dotted key of the machine file, such as motion.feed_override"), hint


def _same_name_elsewhere(section: Path, name: str) -> str:
    """The dotted key or section whose last part is this name, the one nearest in the tree; empty where none is."""
    if len(name) == 1:
        return ""  # an axis: that it has a namesake says nothing
    found = [dotted for dotted in chain(*_known()) if dotted.rsplit(".", 1)[-1] == name]

    def shared(dotted: str) -> int:
        return len(list(takewhile(lambda pair: pair[0] == pair[1], zip(section, dotted.split("."), strict=False))))

    return max(found, key=shared, default="")


def _like_it_elsewhere(section: Path, name: str) -> str:
    meant = (dotted for dotted in chain(*_known()) if not dotted.startswith(NOT_MEANT))
    last_parts = {part for dotted in meant if len(part := dotted.rsplit(".", 1)[-1]) > 1}
    close = closest(name.lower(), sorted(last_parts), CLOSE_ELSEWHERE)
    return f"did you mean {_same_name_elsewhere(section, close)!r}?" if close else ""
