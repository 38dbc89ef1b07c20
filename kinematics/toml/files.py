"""A TOML file of the user: its text, its tables, the line of every key, and what is wrong with it told at that line."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path as FilePath
from typing import Any, NamedTuple

from kinematics.errors import Finding, InputError, nearest

Names = tuple[str, ...]
Path = tuple[str | int, ...]  # of a key in the tables of a file, list positions as numbers

LARGEST_FILE = 4_000_000  # bytes; anything larger is some other file, and is not read to the end
DEEPEST = 50  # tables in one another; a file of this program has five
_PLACE_IN_TOML = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")

# A part in double or single quotes; any other part is bare, and taken as it comes up to the next dot.
_QUOTED = re.compile(r"""\s*(?P<part>"(?:[^"\\]|\\.)*"|'[^']*')\s*(?=\.|$)""", re.DOTALL)
_BARE = re.compile(r"[A-Za-z0-9_-]+")

_CLOSING = re.compile(r"\]*")
_BETWEEN_STATEMENTS = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")
_TEXT_ON_A_LINE = r""""(?:[^"\\\n]|\\.)*+"?|'[^'\n]*+'?"""
_PART_OF_KEY = re.compile(rf"""[ \t]*({_TEXT_ON_A_LINE}|[^ \t\r\n"'.=\[\]#]*)[ \t]*(\.?)""", re.DOTALL)
# What a value is made of; quotes before the closing three belong to the text: three to five stand at its end.
_PIECE_OF_VALUE = re.compile(
    r'''"""(?:[^"\\]|\\.|"(?!""))*+(?:"{3,5}|\\?\Z)|\'\'\'(?:[^']|'(?!\'\'))*+(?:'{3,5}|\Z)'''
    rf"|{_TEXT_ON_A_LINE}|#[^\n]*+|[^\"'#\[\]{{}}\n]++|.",
    re.DOTALL,
)


def text_in_toml(text: str) -> str:
    """Text as a quoted TOML string on one line."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(letter if letter.isprintable() else _escape(ord(letter)) for letter in escaped) + '"'


def _escape(code: int) -> str:
    return f"\\u{code:04X}" if code < 1 << 16 else f"\\U{code:08X}"


def quoted(name: str) -> str:
    """A part of a dotted key as it is written: in quotes only where it must be."""
    return name if _BARE.fullmatch(name) else text_in_toml(name)


def unquoted(text: str) -> str:
    """Text without the quotes around it, as TOML reads it; as it stands where TOML cannot."""
    try:
        return next(iter(tomllib.loads(f"{text} = 0")))
    except (ValueError, StopIteration):
        return text[1:-1]


def dotted_name(path: Path) -> str:
    """A path as it is written in a file, list positions left out, odd names quoted."""
    return ".".join(quoted(part) for part in path if isinstance(part, str))


def split_key(text: str) -> Names:
    """The parts of a dotted key; in quotes, as TOML has them, a part may hold dots and quotes. Bare parts may hold
    anything but a dot: "motion.by_label.outer wall" has three parts.
    """
    parts: list[str] = []
    place = 0
    while True:
        found = _QUOTED.match(text, place)
        if found:
            end = found.end()
            parts.append(unquoted(found["part"]))
        else:
            end = text.find(".", place)
            end = len(text) if end < 0 else end
            parts.append(text[place:end].strip())
        if end >= len(text):
            return tuple(parts)
        place = end + 1


class Repeat(NamedTuple):
    """A key or table that stands twice: its path, its first line and the second."""

    path: Path
    first: int
    second: int


class TomlLines(NamedTuple):
    """`lines` line (from 1) of every key and table by its path, list positions as numbers; `repeats` in file order.

    A key inside an inline table or an array has no line of its own: `line_of` falls back to the key around it.
    """

    lines: dict[Path, int]
    repeats: list[Repeat]

    def line_of(self, path: Path) -> int | None:
        """The line of a path or of what is around it; None where nothing of it is in the file."""
        around = (self.lines.get(path[:length]) for length in range(len(path), 0, -1))
        return next((line for line in around if line is not None), None)


def toml_lines(text: str) -> TomlLines:
    """Find the line of every key; for text that is not valid TOML it goes as far as it understands.

    It walks over headers and `key = value`, and skips values by their brackets and quotes: they are tomllib's business.
    """
    text = text.replace("\r\n", "\n")
    found = TomlLines({}, [])
    arrays: dict[Path, int] = {}  # array of tables -> position of its last table
    named: dict[Path, int] = {}  # keys, and tables that have a header of their own -> line
    table: Path = ()
    place, line, counted = 0, 1, 0
    while True:
        start = _end(_BETWEEN_STATEMENTS, text, place)
        line, counted = line + text.count("\n", counted, start), start
        is_header, is_array = text.startswith("[", start), text.startswith("[[", start)
        key, place = _dotted_key(text, start + is_header + is_array)
        if is_header:
            place = _end(_CLOSING, text, place)
            table = (*_inside_arrays(key[:-1], arrays), key[-1])
            path = table if is_array else _inside_arrays(key, arrays)
        else:
            path = (*table, *key)
            place = _end_of_value(text, place)
        if place == start:  # the end of the text, or not TOML: the parser has said so
            return found
        for length in range(1, min(len(path), DEEPEST)):
            found.lines.setdefault(path[:length], line)
        if is_array:
            arrays[path] = arrays.get(path, -1) + 1
            found.lines.setdefault(path, line)
            found.lines[(*path, arrays[path])] = line
        elif path in named:
            found.repeats.append(Repeat(path, named[path], line))
        else:
            named[path] = found.lines[path] = line
        if is_header:
            table = _inside_arrays(key, arrays)


def _end(pattern: re.Pattern[str], text: str, place: int) -> int:
    match = pattern.match(text, place)
    return match.end() if match else place


def _inside_arrays(key: Path, arrays: dict[Path, int]) -> Path:
    """The path of a header's key, each array of tables on the way followed by the position of its last table."""
    path: Path = ()
    for part in key:
        path = (*path, part)
        if path in arrays:
            path = (*path, arrays[path])
    return path


def _dotted_key(text: str, place: int) -> tuple[Names, int]:
    """A dotted key, and where it ends."""
    parts: list[str] = []
    while part := _PART_OF_KEY.match(text, place):
        name, place = part[1], part.end()
        if name[:1] in ('"', "'"):
            name = unquoted(name)
        parts.append(name)
        if not part[2]:
            break
    return tuple(parts), place


def _end_of_value(text: str, place: int) -> int:
    """Where a value ends: at the end of its line once all its brackets are closed."""
    depth = 0
    while piece := _PIECE_OF_VALUE.match(text, place):
        if piece[0] == "\n" and depth <= 0:
            break
        depth += (piece[0] in "[{") - (piece[0] in "]}")
        place = piece.end()
    return place


class Problem(NamedTuple):
    """What is wrong at one path of the tables: what was found, what is allowed, what to try."""

    path: Path
    found: str
    allowed: str = ""
    hint: str = ""

    def at(self, place: str) -> Finding:
        """The problem as it is told of a place."""
        return Finding(place, self.found, self.allowed, self.hint)


def failure_at_lines(problems: Sequence[Problem], lines: TomlLines, place: str) -> InputError:
    """The error that tells every problem with its line, in the order of the lines; `place` is the file."""
    located = [(lines.line_of(problem.path), problem) for problem in problems]
    located.sort(key=lambda pair: pair[0] or 0)
    return InputError(*(problem.at(f"{place}:{line}" if line else place) for line, problem in located))


class FileKind(NamedTuple):
    """A kind of file: what it describes ("machine"), the option that names one, the names of the built-in ones."""

    noun: str
    option: str
    builtin: tuple[str, ...]

    @property
    def words(self) -> str:
        """The file as a sentence calls it."""
        return f"a {self.noun} file (TOML)"


def is_builtin(source: str | FilePath, kind: FileKind) -> bool:
    """Whether a source is a built-in name (True) or the path of a file (False). Raises InputError where it is neither.

    Text with a separator or ending in .toml is a path; other text is a built-in name first and a file second.
    """
    if isinstance(source, FilePath) or "/" in source or "\\" in source or source.endswith(".toml"):
        return False
    if source in kind.builtin:
        return True
    if source and os.path.exists(source):
        return False
    names = ", ".join(kind.builtin)
    hint = nearest(source.lower(), kind.builtin)
    raise InputError.at(kind.option, f"no {kind.noun} {source!r}", f"{names}, or the path of {kind.words}", hint)


def text_of_file(path: str | FilePath, kind: FileKind) -> str:
    """The text of a file. Raises InputError where it cannot be read or is no text in UTF-8."""
    place = str(path)
    path = FilePath(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        hint = nearest(path.name, _files_beside(path))
        if path.stem in kind.builtin:
            hint = f"the built-in {kind.noun} is called {path.stem!r}"
        raise InputError.at(place, "no such file", kind.words, hint) from None
    except IsADirectoryError:
        raise InputError.at(place, "is a folder", kind.words) from None
    except (OSError, ValueError) as failure:
        reason = getattr(failure, "strerror", None) or str(failure)
        raise InputError.at(place, f"cannot be read: {reason}", kind.words) from None
    if len(content) > LARGEST_FILE:
        raise InputError.at(place, f"is larger than {LARGEST_FILE // 1_000_000} MB", kind.words)
    try:
        return content.decode("utf-8-sig")  # some editors put a mark in front
    except UnicodeDecodeError as failure:
        line = content.count(b"\n", 0, failure.start) + 1
        raise InputError.at(f"{place}:{line}", "is not text in UTF-8", kind.words) from None


def _files_beside(path: FilePath) -> list[str]:
    try:
        return [one.name for one in path.parent.glob("*.toml")]
    except (OSError, ValueError):
        return []


def _is_deep(tables: dict[str, Any]) -> bool:
    """Whether tables or arrays stand in one another more than DEEPEST times."""
    level: list[Any] = [tables]
    for _ in range(DEEPEST):
        inner = [one.values() if isinstance(one, dict) else one for one in level]
        level = [value for values in inner for value in values if isinstance(value, dict | list)]
    return bool(level)


def tables_of(text: str, place: str, kind: FileKind) -> dict[str, Any]:
    """The tables of TOML text. Raises InputError with the line where it is none."""
    too_deep = InputError.at(place, f"tables or arrays are nested more than {DEEPEST} deep", kind.words)
    try:
        tables = tomllib.loads(text)
        if _is_deep(tables):
            raise too_deep
        return tables
    except RecursionError:
        raise too_deep from None
    except ValueError as failure:
        message = str(failure)
    where = _PLACE_IN_TOML.search(message)
    reason = message[: where.start()] if where else message
    last = text.rstrip().count("\n") + 1
    line = int(where[1]) if where and where[1] else last
    column = f", column {where[2]}" if where and where[2] else ""
    for repeat in toml_lines(text).repeats:
        if repeat.second == line:
            found = f"{dotted_name(repeat.path)} is given twice"
            raise InputError.at(f"{place}:{line}", found, "once", f"first in line {repeat.first}")
    hint = "in 'single quotes' a backslash stands for itself" if "\\" in reason else ""
    raise InputError.at(f"{place}:{line}", f"not valid TOML: {reason}{column}", kind.words, hint)
