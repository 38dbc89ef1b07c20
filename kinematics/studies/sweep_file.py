"""A sweep's rows in a file that grows as they come, and goes on where it was left.

While a sweep runs its rows stand in FILE.partial, whole candidates only, and beside it in FILE.partial.json what the
sweep is, and how far the rows go with a hash of them. When it is done FILE takes its place. A sweep that was broken off
finds both and does the rest; rows that are not as it left them are never taken.
"""

from __future__ import annotations

import csv
import errno
import functools
import hashlib
import io
import json
import os
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from kinematics.errors import InputError
from kinematics.jobs.timing import ALL_JOBS, TimedJob
from kinematics.machine import Machine
from kinematics.outputs import put_in_place, refuse_to_overwrite, spreadsheet_text, write_text_whole
from kinematics.rows_file import PORTION, check_rows_file, plain_text, rows_file
from kinematics.studies.intervals import Interval, Sampling
from kinematics.studies.knobs import Knob
from kinematics.studies.sweep import SweepRow

PACKAGE = Path(__file__).parents[1]
NOTED_EVERY = 0.25  # s of work, at least, between two times that the disk is waited for
TEXTS = frozenset({"job", "within_caps", "stopped_by"})  # columns; all others are numbers


def fingerprint(
    machine: Machine,
    knobs: Sequence[Knob],
    points: Sequence[tuple[float, ...]],
    jobs: Sequence[tuple[str, float, TimedJob]],
    reading: Sequence[object],
    dialect: str,
    sampling: Sampling | None = None,
) -> str:
    """What makes two sweeps the same: sources of the program, machine, knobs, points, bytes and weights of the jobs.

    `reading` what else the reading of jobs hangs on, as it was told; `dialect` a name, or a table of which the bytes
    count; `sampling` how intervals are drawn, where there are any.
    """
    found = hashlib.sha256(program_hash().encode())
    told = (machine.as_dict(), [knob.name for knob in knobs], list(points), list(reading), dialect)
    found.update(json.dumps(told, sort_keys=True).encode())
    if sampling is not None:
        found.update(repr(sampling).encode())
    if os.path.isfile(dialect):
        found.update(Path(dialect).read_bytes())
    for name, weight, job in jobs:
        found.update(json.dumps((name, repr(weight), job.digest())).encode())
    return found.hexdigest()


@functools.cache
def program_hash() -> str:
    """Hash of all that the program consists of: two states of one version may count differently."""
    found = hashlib.sha256()
    paths = (os.path.join(folder, name) for folder, _, names in os.walk(PACKAGE) for name in names)
    for path in sorted(path for path in paths if path.endswith((".py", ".toml"))):
        found.update(path.removeprefix(str(PACKAGE)).encode())
        with open(path, "rb", buffering=0) as file:
            found.update(file.read())
    return found.hexdigest()


class _Mark(NamedTuple):
    """What FILE.partial.json tells: which sweep it is, candidates that are done, bytes and hash of their rows."""

    sweep: str
    candidates: int
    size: int
    rows: str


class SweepFile:
    """Rows on their way to FILE.csv or FILE.parquet. Raises InputError where something is in the way."""

    def __init__(
        self,
        path: Path,
        knobs: Sequence[Knob],
        points: Sequence[tuple[float, ...]],
        jobs: Sequence[str],
        mark: str,
        force: bool,
        intervals: bool = False,
        inputs: Sequence[str] = (),
        remark: Callable[[str], None] = lambda _: None,
    ) -> None:
        """`jobs` names of the rows of a candidate, in order; `mark` the sweep's fingerprint; `force` begins anew and
        overwrites what is there; `intervals` says whether rows have them; `inputs` files that are read; `remark` hears
        of rows that cannot be taken.
        """
        check_rows_file(path, force, inputs)
        self._path = path
        self._inputs = (*inputs,)
        self._force = force
        self._partial = path.with_name(path.name + ".partial")
        self._told = path.with_name(path.name + ".partial.json")
        self._mark = mark
        self._points = points
        self._jobs = (*jobs,)
        self._knobs = len(knobs)
        between = ["low_s", "high_s"] if intervals else []
        self._head = [*(knob.name for knob in knobs), "job", "total_s", *between, "within_caps", "stopped_by"]
        self.earlier: list[SweepRow] = []  # the rows that an earlier run has left
        begun = os.path.lexists(self._partial)
        self._file = self._opened()
        try:
            content = self._file.read()
            self._refuse_what_is_not_ours(content)
            if begun and not force:
                self._take_up(content, remark)
            self._begin_after(content)
        except BaseException:
            self._file.close()
            raise

    @property
    def done(self) -> int:
        """Candidates that an earlier run has done."""
        return len(self.earlier) // len(self._jobs)

    def _opened(self) -> io.FileIO:
        """FILE.partial, locked: nobody else writes rows of this name meanwhile. Raises InputError."""
        try:
            number = os.open(self._partial, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
        except OSError as error:
            found = "this is a link" if error.errno == errno.ELOOP else f"cannot be written: {error.strerror}"
            raise InputError.at(str(self._partial), found, "another name for --output") from None
        file = io.FileIO(number, "r+")
        if _locked(number) and self._is_at(number):
            return file
        file.close()
        told = self._read_json().get("process")
        who = f" (process {told})" if isinstance(told, int) else ""
        found = f"another run writes its rows there now{who}"
        raise InputError.at(str(self._partial), found, "another name for --output, or wait until it is done")

    def _is_at(self, number: int) -> bool:
        """Whether an open file still is FILE.partial, not one that was given its final name meanwhile."""
        try:
            return os.path.samestat(os.fstat(number), os.lstat(self._partial))
        except FileNotFoundError:
            return False

    def _read_json(self) -> dict[str, Any]:
        try:
            told: Any = json.loads(self._told.read_bytes())
        except (OSError, ValueError, RecursionError):
            return {}
        return told if isinstance(told, dict) else {}

    def _read_mark(self) -> _Mark | None:
        told = self._read_json()
        candidates, size = told.get("candidates"), told.get("bytes")
        if not isinstance(candidates, int) or not isinstance(size, int) or min(candidates, size) < 0:
            return None
        return _Mark(str(told.get("sweep")), candidates, size, str(told.get("rows")))

    def _refuse_what_is_not_ours(self, content: bytes) -> None:
        """Raise InputError where a file of another kind has one of the two names, or a link."""
        ours = not content or content.startswith(self._lines([self._head]).encode()) or self._read_mark() is not None
        if self._told.is_symlink() or (not ours) or (not content and self._is_foreign_json()):
            place = self._partial if not ours else self._told
            self._file.close()
            if not content:
                self._drop_if_empty()
            found = "this is a link" if place.is_symlink() else "something else than the rows of a sweep is there"
            raise InputError.at(str(place), found, "another name for --output")

    def _is_foreign_json(self) -> bool:
        try:
            return self._told.stat().st_size > 0 and "sweep" not in self._read_json()
        except OSError:
            return False

    def _drop_if_empty(self) -> None:
        if self._partial.stat().st_size == 0:
            self._partial.unlink()

    def _take_up(self, content: bytes, remark: Callable[[str], None]) -> None:
        """Take the rows that an earlier run has left, or say why they cannot be taken. Raises InputError."""
        known = self._read_mark()
        if known is not None and known.sweep != self._mark:
            found = "rows of another sweep, or of other jobs or limits, are there"
            raise InputError.at(str(self._partial), found, "another name, or --force to begin anew")
        if known is not None and hashlib.sha256(content[: known.size]).hexdigest() == known.rows:
            rows = self._rows_of(content[: known.size], known.candidates) if known.size <= len(content) else None
            if rows is not None:
                self.earlier = rows
                return
        remark(f"{self._partial}: its rows are damaged, or not as they were left; beginning anew")

    def _rows_of(self, content: bytes, candidates: int) -> list[SweepRow] | None:
        """The rows in a file, where each stands at the point and job that it should; None otherwise."""
        within: dict[str, bool | None] = {"": None, "yes": True, "no": False}
        rows = []
        try:
            head, *table = csv.reader(io.StringIO(content.decode("utf-8"), newline=""))
            if head != self._head or len(table) != candidates * len(self._jobs):
                return None
            for k, row in enumerate(table):
                point, job = self._points[k // len(self._jobs)], self._jobs[k % len(self._jobs)]
                if row[: self._knobs] != [repr(value) for value in point] or row[self._knobs] != self._text(job):
                    return None
                total, *between = (float(cell) for cell in row[self._knobs + 1 : -2])
                interval = Interval(*between) if between else None
                stopped = tuple(row[-1].removeprefix("'").split("; ")) if row[-1] else ()
                rows.append(SweepRow(point, job, total, within[row[-2]], stopped, interval))
        except (ValueError, IndexError, KeyError, TypeError, csv.Error):
            return None
        return rows

    def _begin_after(self, content: bytes) -> None:
        """Leave in the file what was taken of it, or its head alone."""
        known = self._read_mark() if self.earlier else None
        kept = content[: known.size] if known is not None else self._lines([self._head]).encode()
        if not content.startswith(kept):
            self._file.seek(0)
            self._file.write(kept)
        self._file.truncate(len(kept))
        self._file.seek(len(kept))
        self._size, self._hash, self._candidates = len(kept), hashlib.sha256(kept), self.done
        self._note()

    def _text(self, text: str) -> str:
        """A cell of text; a file name that is no text is spelled out."""
        text = plain_text(text)
        return spreadsheet_text(text) if self._path.suffix == ".csv" else text

    @staticmethod
    def _lines(rows: Iterable[Sequence[str]]) -> str:
        lines = io.StringIO()
        csv.writer(lines, lineterminator="\n").writerows(rows)
        return lines.getvalue()

    def write(self, rows: Sequence[SweepRow]) -> None:
        """Append the rows of finished candidates; they are on the disk within NOTED_EVERY of work, and when this is
        closed. Raises InputError.
        """
        lines = []
        for row in rows:
            within = "" if row.within_caps is None else ("yes" if row.within_caps else "no")
            between = () if row.interval_s is None else row.interval_s
            cells = [*map(repr, row.point), self._text(row.job), repr(row.total_s), *map(repr, between)]
            lines.append([*cells, within, self._text("; ".join(row.stopped_by))])
        added = self._lines(lines).encode()
        try:
            left = memoryview(added)
            while left:
                left = left[self._file.write(left) :]
        except OSError as error:
            raise self._no_room(str(self._partial), f"cannot be written: {error.strerror}") from None
        self._size += len(added)
        self._hash.update(added)
        self._candidates += len(rows) // len(self._jobs)
        if time.monotonic() - self._noted > NOTED_EVERY:
            self._note()

    def _no_room(self, place: str, found: str) -> InputError:
        """The error of rows that cannot be written: those before them are not lost."""
        kept = f"what is done is kept in {self._partial}, and the same command goes on from there"
        return InputError.at(place, found, hint=kept)

    def _note(self) -> None:
        """Tell in FILE.partial.json how far the rows go, once they are on the disk. Raises InputError."""
        told = {
            "sweep": self._mark,
            "candidates": self._candidates,
            "bytes": self._size,
            "rows": self._hash.hexdigest(),
            "process": os.getpid(),
        }
        try:
            os.fsync(self._file.fileno())
            write_text_whole(self._told, json.dumps(told), force=True)
        except OSError as error:
            raise self._no_room(str(self._partial), f"cannot be written: {error.strerror}") from None
        except InputError as error:
            raise self._no_room(error.findings[0].place, error.findings[0].found) from None
        self._noted, self._noted_candidates = time.monotonic(), self._candidates

    def finish(self) -> None:
        """Put the finished file in its place. Raises InputError where it cannot be written; the rows are then kept."""
        self._note()
        refuse_to_overwrite(self._path, self._force, self._inputs)
        if self._path.suffix == ".parquet":
            self._write_parquet()
            self._partial.unlink()
        else:
            put_in_place(self._partial, Path(os.path.realpath(self._path)))
        self._told.unlink()

    def _write_parquet(self) -> None:
        import pandas

        numbers = dict.fromkeys((name for name in self._head if name not in TEXTS), float)
        with rows_file(self._path, self._force, self._inputs) as rows:
            for portion in pandas.read_csv(self._partial, keep_default_na=False, dtype=str, chunksize=PORTION):
                rows.write(portion.astype(numbers))

    def close(self) -> None:
        """Let others write here; what is done is kept for another time."""
        try:
            if self._candidates > self._noted_candidates:
                self._note()
        finally:
            self._file.close()


def row_names(jobs: Sequence[str]) -> list[str]:
    """The jobs of a candidate's rows: each, and all of them together where there are several."""
    return [*jobs, *([ALL_JOBS] if len(jobs) > 1 else [])]


def _locked(number: int) -> bool:
    """Whether an open file is ours alone from now on; where a system knows no such locks nothing hinders us."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # folders that other machines lend
    return True
