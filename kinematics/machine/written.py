"""A copy of a machine file with something put in: comments, order and spelling of the rest stay as they are."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence, Set
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from kinematics.errors import InputError
from kinematics.machine.file import MACHINE_FILE, builtin_text, machine_from_text
from kinematics.machine.keys import Candidate
from kinematics.machine.kinds import Range
from kinematics.machine.model import Machine
from kinematics.machine.names import is_one_value
from kinematics.machine.settings import applied
from kinematics.toml.files import dotted_name, is_builtin, split_key, text_of_file, toml_lines
from kinematics.toml.sections import plain

BY_HAND = "the lines put in by hand"
# Text that needs no quotes in a setting.
_PLAIN_WORDS = re.compile(r"(?!(?:true|false|inf|nan)$)[A-Za-z][A-Za-z0-9_-]*(?: [A-Za-z0-9_-]+)*")


def machine_copy(
    source: str | Path,
    settings: Mapping[str, Any] | None = None,
    candidates: Sequence[Candidate] = (),
    sections: Mapping[str, Mapping[str, Any]] | None = None,
    appended: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> str:
    """The text of a machine file, or of a built-in machine, with settings, candidates and tables put in.

    `settings` by dotted key or short name: a value or a Range takes the place of what stands there, None takes the key
    out, and giving one corner rule takes the other out. `candidates` come behind those of the file, each name once.
    `sections` are tables that are written anew, `appended` blocks (`[[name]]`) behind those that the file has.
    Raises InputError where the file or what is put in cannot be used, or where the copy would not read as it must.
    """
    builtin = is_builtin(source, MACHINE_FILE)
    text = builtin_text(str(source)) if builtin else text_of_file(source, MACHINE_FILE)
    place = f"built-in {source}" if builtin else str(source)
    machine = machine_from_text(text, place)
    wanted = machine.with_settings(settings or {}, "settings")
    change = applied(machine, settings or {}, machine.ranges)
    gone = change.dropped - change.given.keys()
    document = tomlkit.parse(_without_tables(text, gone))
    for key in sorted(gone):
        _take_out(document, split_key(key))
    for key, value in change.given.items():
        _put_in(document, split_key(key), value)
    for one in candidates:
        _append(document, "candidate", {"name": one.name, "set": dict(one.set)})
    for name, values in (sections or {}).items():
        _take_out(document, split_key(name))
        _put_in(document, split_key(name), _item(values))
    for name, tables in (appended or {}).items():
        for table in tables:
            _append(document, name, table)
    written = tomlkit.dumps(document)
    read = machine_from_text(written, place)
    if not _same(read, wanted, {*(sections or ()), *(appended or ())}) or read.candidates != (
        *machine.candidates,
        *candidates,
    ):
        raise InputError.at(place, "is written in a way that cannot be copied with changes", BY_HAND)
    return written


def _same(read: Machine, wanted: Machine, written_anew: Set[str]) -> bool:
    """Whether two machines have the same values and ranges, candidates and tables that are written anew aside."""
    aside = {split_key(name)[0] for name in written_anew}
    one, other = read.as_dict(), wanted.as_dict()
    return all(one.get(name) == other.get(name) for name in (one.keys() | other.keys()) - aside)


def _item(value: Any, inline: bool = False) -> Any:
    """A value as the TOML library takes it: ranges as tables, tuples as lists, tables of settings within one line."""
    if isinstance(value, Table):
        return value
    value = value.as_dict() if isinstance(value, Range) else value
    if isinstance(value, Mapping):
        table = tomlkit.inline_table() if inline else tomlkit.table()
        for name, one in value.items():
            table.append(str(name), _item(one, inline=True))
        return table
    if isinstance(value, (list, tuple)):
        # Of a list of tables the library would make headed tables, which have no place in a line.
        array = tomlkit.array()
        for one in value:
            array.append(_item(one, inline=True))
        return array
    return tomlkit.item(plain(value))


def setting_text(value: Any) -> str:
    """A value as it stands behind the `=` of a setting, from which the same value is read: 4000, ZVD, {low = 1, …}."""
    if isinstance(value, str) and _PLAIN_WORDS.fullmatch(value):
        return value
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return str(_item(value, inline=True).as_string())


def _put_in(document: Any, path: tuple[str, ...], value: Any) -> None:
    """Set one key; tables on the way are made where there are none."""
    table = document
    for name in path[:-1]:
        if name not in table:
            table[name] = tomlkit.inline_table() if isinstance(table, InlineTable) else tomlkit.table()
        table = table[name]
    table[path[-1]] = _item(value, inline=True)


def _take_out(document: Any, path: tuple[str, ...]) -> None:
    """Take one key out; a key that is not there is none."""
    table = document
    for name in path[:-1]:
        if name not in table:
            return
        table = table[name]
    if path[-1] in table:
        table.remove(path[-1])


def _without_tables(text: str, gone: Set[str]) -> str:
    """The text with the header and the keys commented out of every table that may not stand there empty.

    A line of its own is commented out rather than removed: what follows a table up to the next one belongs to it for
    the TOML library, remarks on the next one included.
    """
    found = toml_lines(text).lines
    lines = text.split("\n")
    for table in {dotted_name(split_key(key)[:-1]) for key in gone}:
        path = split_key(table)
        inside = [one for one in found if one[: len(path)] == path]
        headed = is_one_value(table) and path in found and lines[found[path] - 1].lstrip().startswith("[")
        if headed and all(dotted_name(one) in gone for one in inside if one != path):
            for line in {found[one] for one in inside}:
                lines[line - 1] = f"# {lines[line - 1]}"
    return "\n".join(lines)


def _append(document: Any, name: str, values: Mapping[str, Any]) -> None:
    """A block behind those of its name, which may stand on one line: [{ … }, { … }]."""
    if name not in document:
        document[name] = tomlkit.aot()
    document[name].append(_item(values, inline=not isinstance(document[name], AoT)))
