"""Tables of the user, as CSV: rows with their lines, cells read one by one, and what is wrong with the rest."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from kinematics.errors import Finding, InputError, nearest

LARGEST_TABLE = 4_000_000  # bytes
MOST_FINDINGS = 10  # about the head of a table
A_ZIP_FILE = b"PK\x03\x04"  # which spreadsheets are
LINES_LOOKED_AT = 30
A_GCODE_LINE = re.compile(r"\s*(?:[;(%]|[GMTN]\d)", re.IGNORECASE)
A_TABLE_OF_TOML = re.compile(r"\s*\[+[\w. ]+\]+\s*(?:#.*)?$")


class TableKind(NamedTuple):
    """A kind of table: what its rows are, its columns, those that it cannot do without, and other names that people
    give the columns, beside those that are nearly spelt like ours.
    """

    what: str
    columns: tuple[str, ...]
    needed: tuple[str, ...]
    other_names: Mapping[str, str]


class CsvTable(NamedTuple):
    """Rows by column with their lines, what separates columns, and findings."""

    rows: list[tuple[int, dict[str, str]]]
    separator: str
    findings: list[Finding]


class Cells:
    """One row, read cell by cell; what is wrong is kept."""

    def __init__(self, row: dict[str, str], place: str, separator: str) -> None:
        self._row = row
        self.place = place
        self._separator = separator
        self.findings: list[Finding] = []

    def wrong(self, found: str, allowed: str = "", hint: str = "") -> None:
        """Keep something that is wrong with the row."""
        self.findings.append(Finding(self.place, found, allowed, hint))

    def text(self, column: str) -> str:
        """The text of a cell; empty where there is none."""
        return self._row.get(column, "").strip()

    def number(self, column: str, allowed: str, fits: Callable[[float], bool]) -> float | None:
        """The number of a cell; None where there is none."""
        text = self.text(column)
        if not text:
            return None
        try:
            value = float(text.replace(",", ".") if self._separator == ";" else text)
        except ValueError:
            value = float("nan")
        if not fits(value):
            self.wrong(f"{column} is {text!r}", allowed)
            return None
        return value


def read_table(path: str, kind: TableKind, beside: Sequence[TableKind] = ()) -> CsvTable:
    """The rows of a table with a head; columns are separated by commas, semicolons or tabs.

    `beside` the kinds of other tables that the same command reads, which are easily swapped with it. Raises InputError.
    """
    text = _text_of(path)
    head = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    findings: list[Finding] = []
    rows: list[tuple[int, dict[str, str]]] = []
    names: list[str] = []
    try:
        for cells in reader:
            line = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if not names:
                names = [cell.strip().lower() for cell in cells]  # spreadsheets write empty columns at the end
                _check_head(names, kind, beside, f"{path}:{line}", text)
            elif len(cells) > len(names):
                findings.append(Finding(f"{path}:{line}", f"{len(cells)} cells under {len(names)} columns"))
            else:
                rows.append((line, dict(zip(names, cells, strict=False))))
    except csv.Error as error:
        raise InputError.at(f"{path}:{reader.line_num}", f"this cannot be read as a table: {error}") from None
    if not names:
        allowed = f"a first line with {', '.join(kind.columns)}, then a row for each"
        raise InputError.at(path, "the table is empty", allowed)
    return CsvTable(rows, separator, findings)


def _check_head(names: Sequence[str], kind: TableKind, beside: Sequence[TableKind], place: str, text: str) -> None:
    """Raise InputError where a head is not one of this kind of table: a column that is not understood may hold what
    the answer hangs on, such as how many.
    """
    file = place.rpartition(":")[0]
    columns = kind.columns
    for other in beside:
        if {*names} - {*columns} and {*names} <= {*other.columns, ""}:
            found = f"these are the columns of {other.what}, not of {kind.what}"
            raise InputError.at(place, found, ", ".join(columns), "were the two tables swapped?")
    if not set(names) & {*columns, *kind.other_names}:
        found = f"no column of the first line is known: {_looks_like(text, names)}"
        raise InputError.at(place, found, f"a first line with {', '.join(columns)}", f"is {file} the right file?")
    known = [name for name in columns if name not in names]
    findings = [
        Finding(place, f"no column is called {name!r}", ", ".join(columns), _hint(name, known, kind))
        for name in dict.fromkeys(names)
        if name and name not in columns
    ]
    findings += [
        Finding(place, f"the column {name!r} is missing", ", ".join(columns))
        for name in kind.needed
        if name not in names
    ]
    findings += [
        Finding(place, f"two columns {name!r}", "one")
        for name in dict.fromkeys(names)
        if name and names.count(name) > 1
    ]
    if findings:
        raise InputError(*findings[:MOST_FINDINGS])


def _hint(name: str, columns: Sequence[str], kind: TableKind) -> str:
    other = kind.other_names.get(name)
    return f"did you mean {other!r}?" if other in columns else nearest(name, columns)


def _looks_like(text: str, names: Sequence[str]) -> str:
    """What a file that is no table of ours seems to be."""
    lines = [line for line in text.splitlines()[:LINES_LOOKED_AT] if line.strip()]
    if sum(bool(A_GCODE_LINE.match(line)) for line in lines) > len(lines) / 2:
        return "this looks like G-code"
    if any(A_TABLE_OF_TOML.match(line) for line in lines):
        return "this looks like a TOML file"
    if text.lstrip()[:1] in ("{", "["):
        return "this looks like JSON"
    return ", ".join(names[:MOST_FINDINGS])


def _text_of(path: str) -> str:
    try:
        with open(path, "rb") as stream:
            content = stream.read(LARGEST_TABLE + 1)
    except OSError as error:
        raise InputError.at(
            path, f"cannot be read: {(error.strerror or 'no such file').lower()}", "a CSV file"
        ) from None
    if len(content) > LARGEST_TABLE:
        raise InputError.at(path, "larger than 4 MB", "a table of rows written by people")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if content.startswith(A_ZIP_FILE):
            raise InputError.at(
                path, "this looks like a spreadsheet", "a CSV file", "save it as CSV in UTF-8"
            ) from None
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError.at(f"{path}:{line}", "this is not UTF-8 text", "a CSV file in UTF-8") from None


def file_beside(name: str, table: str) -> str:
    """A file named in a table: beside the table, or else as it is named."""
    beside = Path(table).parent / name
    return str(beside) if beside.exists() else name
