"""A name or a path to the text of a TOML file, and the text to its tables; every failure is told with its place."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

from kinematics.errors import InputError, nearest
from kinematics.toml.lines import toml_lines
from kinematics.toml.schema import dotted_name

LARGEST_FILE = 4_000_000  # bytes; anything larger is some other file, and is not read to the end

_PLACE_IN_TOML = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


class FileKind(NamedTuple):
    """A kind of file: what it describes ("machine"), the option that names one, the names of the built-in ones."""

    noun: str
    option: str
    builtin: tuple[str, ...]

    @property
    def words(self) -> str:
        """The file as a sentence calls it."""
        return f"a {self.noun} file (TOML)"


def is_builtin(source: str | Path, kind: FileKind) -> bool:
    """Whether a source is a built-in name (True) or the path of a file (False). Raises InputError where it is neither.

    Text with a separator or ending in .toml is a path; other text is a built-in name first and a file second.
    """
    if isinstance(source, Path) or "/" in source or "\\" in source or source.endswith(".toml"):
        return False
    if source in kind.builtin:
        return True
    if source and Path(source).exists():
        return False
    names = ", ".join(kind.builtin)
    hint = nearest(source.lower(), kind.builtin)
    raise InputError.at(kind.option, f"no {kind.noun} {source!r}", f"{names}, or the path of {kind.words}", hint)


def text_of_file(path: str | Path, kind: FileKind) -> str:
    """The text of a file. Raises InputError where it cannot be read or is no text in UTF-8."""
    place = str(path)
    path = Path(path)
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


def _files_beside(path: Path) -> list[str]:
    try:
        return [one.name for one in path.parent.glob("*.toml")]
    except (OSError, ValueError):
        return []


def tables_of(text: str, place: str, kind: FileKind) -> dict[str, Any]:
    """The tables of TOML text. Raises InputError with the line where it is none."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError.at(place, "brackets are nested too deeply", kind.words) from None
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
