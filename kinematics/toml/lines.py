"""On which line each key of a TOML text stands; the values are tomllib's business."""

from __future__ import annotations

import tomllib
from typing import NamedTuple

Path = tuple[str | int, ...]

_BLANK = " \t"
_SPACE = " \t\r\n"
_QUOTES = "\"'"


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
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                return line
        return None


def toml_lines(text: str) -> TomlLines:
    """Find the line of every key; for text that is not valid TOML it goes as far as it understands."""
    return _Scanner(text).scan()


class _Scanner:
    """Walks over statements (headers and key = value), skipping values by their brackets and quotes."""

    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.place = 0
        self.counted_to = 0
        self.line = 1
        self.lines: dict[Path, int] = {}
        self.repeats: list[Repeat] = []
        self.arrays: dict[Path, int] = {}  # array of tables -> position of its last table
        self.named: dict[Path, int] = {}  # tables named by a header of their own, and keys

    def scan(self) -> TomlLines:
        table: Path = ()
        while True:
            self._skip_between_statements()
            if self.place >= len(self.text):
                break
            line = self._line_here()
            before = self.place
            if self.text[self.place] == "[":
                table = self._header(line)
            else:
                key = self._dotted_key()
                self._note(table, key, line)
                self._skip_value()
            if self.place == before:  # not TOML: the parser has said so
                break
        return TomlLines(self.lines, self.repeats)

    def _line_here(self) -> int:
        self.line += self.text.count("\n", self.counted_to, self.place)
        self.counted_to = self.place
        return self.line

    def _peek(self) -> str:
        return self.text[self.place : self.place + 1]

    def _skip(self, characters: str) -> None:
        while self.place < len(self.text) and self.text[self.place] in characters:
            self.place += 1

    def _skip_comment(self) -> None:
        end = self.text.find("\n", self.place)
        self.place = len(self.text) if end < 0 else end

    def _skip_between_statements(self) -> None:
        self._skip(_SPACE)
        while self._peek() == "#":
            self._skip_comment()
            self._skip(_SPACE)

    def _header(self, line: int) -> Path:
        array = self.text.startswith("[[", self.place)
        self.place += 2 if array else 1
        key = self._dotted_key()
        self._skip("]")
        parent = self._inside_arrays(key[:-1])
        path = (*parent, *key[-1:])
        self._note_parents(path, line)
        if array:
            position = self.arrays.get(path, -1) + 1
            self.arrays[path] = position
            self.lines.setdefault(path, line)
            path = (*path, position)
            self.lines[path] = line
        else:
            path = self._inside_arrays(key)
            self._note_once(path, line)
        return path

    def _inside_arrays(self, key: Path) -> Path:
        """The path of a header's key, each array of tables on the way followed by the position of its last table."""
        path: Path = ()
        for part in key:
            path = (*path, part)
            if path in self.arrays:
                path = (*path, self.arrays[path])
        return path

    def _note(self, table: Path, key: Path, line: int) -> None:
        path = (*table, *key)
        self._note_parents(path, line)
        self._note_once(path, line)

    def _note_parents(self, path: Path, line: int) -> None:
        for length in range(1, len(path)):
            self.lines.setdefault(path[:length], line)

    def _note_once(self, path: Path, line: int) -> None:
        if path in self.named:
            self.repeats.append(Repeat(path, self.named[path], line))
        else:
            self.named[path] = line
            self.lines[path] = line

    def _dotted_key(self) -> Path:
        parts: list[str] = []
        while True:
            self._skip(_BLANK)
            parts.append(self._key_part())
            self._skip(_BLANK)
            if self._peek() != ".":
                return tuple(parts)
            self.place += 1

    def _key_part(self) -> str:
        start = self.place
        if self._peek() in _QUOTES and self._peek():
            self._skip_text()
            quoted = self.text[start : self.place]
            try:
                return next(iter(tomllib.loads(f"{quoted} = 0")))
            except (ValueError, StopIteration):
                return quoted
        while self.place < len(self.text) and self.text[self.place] not in _SPACE + _QUOTES + ".=[]#":
            self.place += 1
        return self.text[start : self.place]

    def _skip_value(self) -> None:
        """Go behind a value: to the end of its line once all its brackets are closed."""
        depth = 0
        while self.place < len(self.text):
            character = self.text[self.place]
            if character == "\n" and depth <= 0:
                return
            if character in _QUOTES:
                self._skip_text()
            elif character == "#":
                self._skip_comment()
            else:
                depth += (character in "[{") - (character in "]}")
                self.place += 1

    def _skip_text(self) -> None:
        """Go behind a quoted text of one line or of several; "…" knows escapes, '…' does not."""
        quote = self.text[self.place]
        closing = quote * 3 if self.text.startswith(quote * 3, self.place) else quote
        self.place += len(closing)
        while self.place < len(self.text):
            if quote == '"' and self.text[self.place] == "\\":
                self.place += 2
            elif self.text.startswith(closing, self.place):
                self.place += len(closing)
                if len(closing) == 3:
                    self._skip_quotes_before_the_end(quote)
                return
            elif len(closing) == 1 and self.text[self.place] == "\n":
                return  # not TOML: the parser has said so
            else:
                self.place += 1

    def _skip_quotes_before_the_end(self, quote: str) -> None:
        # """two "quotes""""" may stand right before the closing three
        for _ in range(2):
            if self._peek() == quote:
                self.place += 1
