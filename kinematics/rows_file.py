"""Tables of rows that are written as they come: .csv or .parquet, whole or not at all, some of the rows in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from importlib.util import find_spec
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from kinematics.errors import InputError
from kinematics.outputs import disk_told, refuse_to_overwrite, spreadsheet_text, whole_file

if TYPE_CHECKING:
    import pandas

PORTION = 10_000  # rows that are kept in memory until they are written
Inputs = Iterable[str | PathLike[str]]


def check_rows_file(path: Path, force: bool, inputs: Inputs = ()) -> None:
    """Raise InputError for a table that cannot be written, before any work is done."""
    if path.suffix not in (".csv", ".parquet"):
        raise InputError.at("--output", f"can't write a table that ends in {path.suffix!r}", "FILE.csv or FILE.parquet")
    if path.suffix == ".parquet" and find_spec("pyarrow") is None:
        raise InputError.at("--output", "the package pyarrow, which writes Parquet, is not installed", "FILE.csv")
    refuse_to_overwrite(path, force, inputs)


class RowsFile:
    """Rows on their way to a file, a portion at a time; the same rows are the same bytes, however they come."""

    def __init__(self, temporary: Path, path: Path) -> None:
        """`temporary` the file that is filled, `path` what it will be called."""
        self._temporary, self._path = temporary, path
        self._waiting: list[Mapping[str, Any]] = []
        self._text: TextIO | None = None
        self._parquet: Any = None
        self.count = 0

    def add(self, row: Mapping[str, Any]) -> None:
        """One row more. Raises InputError where the disk takes no more."""
        told = {name: plain_text(value) if isinstance(value, str) else value for name, value in row.items()}
        self._waiting.append(told)
        if len(self._waiting) >= PORTION:
            self._write_waiting()

    def _write_waiting(self) -> None:
        import pandas

        waiting, self._waiting = self._waiting, []
        self.write(pandas.DataFrame(waiting))

    def write(self, frame: pandas.DataFrame) -> None:
        """All rows of a frame, with the columns of those before. Raises InputError where the disk takes no more."""
        self.count += len(frame)
        with disk_told(self._path):
            if self._path.suffix == ".csv":
                self._write_csv(frame)
            else:
                self._write_parquet(frame)

    def _write_csv(self, frame: pandas.DataFrame) -> None:
        is_first = self._text is None
        if self._text is None:
            self._text = self._temporary.open("w", encoding="utf-8", newline="")
        texts = {
            name: frame[name].map({one: _cell(one) for one in frame[name].unique()})  # few of them differ
            for name in frame.select_dtypes(exclude="number").columns
        }
        frame.assign(**texts).to_csv(self._text, index=False, header=is_first, lineterminator="\n")

    def _write_parquet(self, frame: pandas.DataFrame) -> None:
        pyarrow, parquet = import_module("pyarrow"), import_module("pyarrow.parquet")  # which tell no types
        known = None if self._parquet is None else self._parquet.schema
        rows = pyarrow.Table.from_pandas(frame, schema=known, preserve_index=False)
        if self._parquet is None:
            self._parquet = parquet.ParquetWriter(self._temporary, rows.schema)
        self._parquet.write_table(rows)

    def end(self) -> None:
        """Write what is left, and a head where there was no row. Raises InputError where the disk takes no more."""
        if self._waiting or not self.count:
            self._write_waiting()
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        text, parquet = self._text, self._parquet
        self._text = self._parquet = None
        with disk_told(self._path):
            if text is not None:
                text.close()
            if parquet is not None:
                parquet.close()


@contextmanager
def rows_file(path: Path, force: bool, inputs: Inputs = ()) -> Iterator[RowsFile]:
    """Rows that stand in `path` once all of them are there; broken off, nothing does. Raises InputError."""
    check_rows_file(path, force, inputs)
    with whole_file(path, force, inputs) as temporary:
        rows = RowsFile(temporary, path)
        try:
            yield rows
            rows.end()
        finally:
            rows.close()


def plain_text(text: str) -> str:
    """A text as a table holds it: what is no text of a file name is spelled out."""
    return text.encode("utf-8", "backslashreplace").decode()


def _cell(value: object) -> object:
    return spreadsheet_text(value) if isinstance(value, str) else value
