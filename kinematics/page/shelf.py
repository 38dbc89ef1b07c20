"""The jobs of a live page: each read once and kept prepared; files that were dropped onto it lie in a temporary folder
until they make room for others or the page's server stops.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path, PurePath, PureWindowsPath
from typing import NamedTuple

from kinematics.errors import InputError
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.portions import TooManyMovesError
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine

LARGEST_DROP = 256_000_000  # bytes of a file that is dropped
MOST_DROPPED = 4  # files that are kept beside those of the command line
MOST_MOVES = 8_000_000  # of a dropped file: some 2 GB of memory
LONGEST_NAME = 120  # letters
NAMELESS = "dropped.gcode"


class ShelfJob(NamedTuple):
    """One job on the shelf: its number in addresses, the name that is shown, the job, and its file where it was
    dropped.
    """

    number: int
    name: str
    prepared: PreparedJob
    file: Path | None


class JobReading(NamedTuple):
    """How dropped files are read: as those of the command line are."""

    dialect: Dialect
    file_limits: str
    block_delete: bool


def shown_name(told: str) -> str:
    """The name of a file that a browser tells, without folders, no longer than can be read."""
    name = PureWindowsPath(PurePath(told).name).name.replace("\0", "").strip()
    if len(name) > LONGEST_NAME:
        name = name[: LONGEST_NAME // 2] + "…" + name[-LONGEST_NAME // 2 :]
    return name or NAMELESS


class Shelf:
    """Jobs by number, those of the command line first. Several threads may use it at a time."""

    def __init__(self, given: Sequence[tuple[str, PreparedJob]], reading: JobReading) -> None:
        self._reading = reading
        self._lock = threading.Lock()
        self._jobs = {number: ShelfJob(number, name, job, None) for number, (name, job) in enumerate(given, 1)}
        self._next = len(given) + 1
        self.folder = Path(tempfile.mkdtemp(prefix="kinematics-"))

    def __len__(self) -> int:
        return len(self._jobs)

    def jobs(self) -> list[ShelfJob]:
        """All of them, in the order in which they came."""
        with self._lock:
            return list(self._jobs.values())

    def chosen(self, numbers: Sequence[str]) -> list[ShelfJob]:
        """The jobs of some numbers, as an address tells them; those of the command line, or the last one that was
        dropped, where it tells none. Raises InputError for a job that is not there.
        """
        jobs = self.jobs()
        if not numbers:
            return [one for one in jobs if one.file is None] or jobs[-1:]
        known = {str(one.number): one for one in jobs}
        if any(number not in known for number in numbers):
            raise InputError.at("", "this job is no longer here", "drop its file once more")
        return [known[number] for number in dict.fromkeys(numbers)]

    def put(self, file: Path, told: str, machine: Machine) -> ShelfJob:
        """Read a file that was dropped and keep it; the oldest one goes where there are too many.

        Raises InputError where it cannot be used; the file is then gone.
        """
        name = shown_name(told)
        reading = self._reading
        try:
            source = JobFile(file, name)
            prepared = PreparedJob(
                source, reading.dialect, name, reading.file_limits, reading.block_delete, most_moves=MOST_MOVES
            )
            if len(prepared.read(machine)) > MOST_MOVES:  # while it is read, that is looked at now and then
                raise TooManyMovesError
        except TooManyMovesError:
            file.unlink(missing_ok=True)
            raise InputError.at(name, f"more than {MOST_MOVES:,} moves", "a shorter job on this page") from None
        except BaseException:
            file.unlink(missing_ok=True)
            raise
        with self._lock:
            job = ShelfJob(self._next, name, prepared, file)
            self._jobs[job.number] = job
            self._next += 1
            dropped = [one for one in self._jobs.values() if one.file is not None]
            gone = [self._jobs.pop(one.number) for one in dropped[:-MOST_DROPPED]]
        for one in gone:
            if one.file is not None:
                with suppress(OSError):
                    one.file.unlink(missing_ok=True)
        return job

    def clear(self) -> None:
        """Remove the temporary folder with all that is in it."""
        shutil.rmtree(self.folder, ignore_errors=True)
