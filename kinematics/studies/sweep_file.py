"""A sweep's rows in a file that grows as they come, and goes on where it was left.

While a sweep runs its rows stand in FILE.partial, whole candidates only, and beside it in FILE.partial.json what the
sweep is. When it is done FILE takes its place. A sweep that was broken off finds both and does the rest.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from kinematics import __version__
from kinematics.errors import InputError
from kinematics.machine import Machine
from kinematics.studies.intervals import Interval, Sampling
from kinematics.studies.knobs import Knob
from kinematics.studies.sweep import SweepRow


def fingerprint(
    machine: Machine,
    knobs: Sequence[Knob],
    points: Sequence[tuple[float, ...]],
    jobs: Sequence[tuple[str, float]],
    reading: Sequence[object],
    sampling: Sampling | None = None,
) -> str:
    """What makes two sweeps the same: version, machine, knobs, points, jobs with contents and weights.

    `reading` what else the reading of jobs hangs on, as it was told; `sampling` how intervals are drawn, where there
    are any.
    """
    found = hashlib.sha256()
    told = (__version__, machine.as_dict(), [knob.name for knob in knobs], list(points), list(reading))
    found.update(json.dumps(told, sort_keys=True).encode())
    if sampling is not None:
        found.update(repr(sampling).encode())
    for path, weight in jobs:
        found.update(f"{path}|{weight!r}|".encode())
        try:
            with open(path, "rb") as file:
                found.update(hashlib.file_digest(file, "sha256").digest())
        except OSError:
            pass  # reading the job will tell
    return found.hexdigest()


class SweepFile:
    """Rows on their way to FILE.csv or FILE.parquet. Raises InputError where something is in the way."""

    def __init__(
        self, path: Path, knobs: Sequence[Knob], jobs: int, mark: str, force: bool, intervals: bool = False
    ) -> None:
        """`jobs` rows a candidate; `mark` the sweep's fingerprint; `force` overwrites what is there; `intervals` says
        whether rows have them.
        """
        if path.suffix not in (".csv", ".parquet"):
            raise InputError.at(
                "--output", f"can't write a table that ends in {path.suffix!r}", "FILE.csv or FILE.parquet"
            )
        if path.exists() and not force:
            raise InputError.at(str(path), "the file exists already", "a new name, or --force to overwrite it")
        if not path.parent.is_dir():
            raise InputError.at(str(path), f"the folder {str(path.parent)!r} does not exist", "a folder that does")
        self._path = path
        self._partial = path.with_name(path.name + ".partial")
        self._told = path.with_name(path.name + ".partial.json")
        between = ["low_s", "high_s"] if intervals else []
        self._head = [*(knob.name for knob in knobs), "job", "total_s", *between, "within_caps", "stopped_by"]
        self._rows_each = jobs
        self.done = 0  # candidates that an earlier run has done
        known = self._read_mark()
        if known is not None and known != mark and not force:
            found = "rows of another sweep, or of other jobs or limits, are there"
            raise InputError.at(str(self._partial), found, "another name, or --force to begin anew")
        if known == mark:
            self.done = self._cut_to_whole_candidates()
        else:
            self._partial.write_text(self._line(self._head), encoding="utf-8")
            self._told.write_text(json.dumps({"sweep": mark}), encoding="utf-8")
        self._file = self._partial.open("a", encoding="utf-8", newline="")

    def _read_mark(self) -> str | None:
        try:
            told: Any = json.loads(self._told.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return str(told.get("sweep")) if self._partial.exists() and isinstance(told, dict) else None

    @staticmethod
    def _line(cells: Sequence[str]) -> str:
        line = io.StringIO()
        csv.writer(line, lineterminator="\n").writerow(cells)
        return line.getvalue()

    def _cut_to_whole_candidates(self) -> int:
        """Leave out a last line or candidate that was not finished; return how many candidates are there."""
        content = self._partial.read_bytes()
        ends = [i for i, letter in enumerate(content) if letter == 10]
        candidates = max(0, len(ends) - 1) // self._rows_each
        lines = 1 + candidates * self._rows_each
        kept = content[: ends[lines - 1] + 1] if ends else self._line(self._head).encode()
        self._partial.write_bytes(kept)
        return candidates

    def earlier_rows(self, knobs: Sequence[Knob]) -> list[SweepRow]:
        """The rows that an earlier run has left."""
        with self._partial.open(encoding="utf-8", newline="") as file:
            table = list(csv.reader(file))[1:]
        within: dict[str, bool | None] = {"": None, "yes": True, "no": False}
        count = len(knobs)
        return [
            SweepRow(
                tuple(float(cell) for cell in row[:count]),
                row[count],
                float(row[count + 1]),
                within[row[-2]],
                tuple(row[-1].split("; ")) if row[-1] else (),
                Interval(float(row[count + 2]), float(row[count + 3])) if "low_s" in self._head else None,
            )
            for row in table
        ]

    def write(self, rows: Sequence[SweepRow]) -> None:
        """Append the rows of finished candidates; they are on the disk when this returns."""
        for row in rows:
            within = "" if row.within_caps is None else ("yes" if row.within_caps else "no")
            between = () if row.interval is None else row.interval
            cells = [*(repr(value) for value in row.point), row.job, repr(row.total), *map(repr, between), within]
            self._file.write(self._line([*cells, "; ".join(row.stopped_by)]))
        self._file.flush()
        os.fsync(self._file.fileno())

    def finish(self) -> None:
        """Put the finished file in its place."""
        self._file.close()
        if self._path.suffix == ".parquet":
            import pandas

            pandas.read_csv(self._partial, keep_default_na=False).to_parquet(self._path, index=False)
            self._partial.unlink()
        else:
            os.replace(self._partial, self._path)
        self._told.unlink()

    def close(self) -> None:
        """Keep what is done for another time."""
        self._file.close()
