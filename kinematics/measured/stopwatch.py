"""Measured times: read row by row from tables and logs, as CSV, and held against estimates: bias, spread, prints that
stand apart, units that were mixed up, drift.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import os
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np

from kinematics.errors import Finding, InputError, nearest
from kinematics.gcode.chunks import JobFile
from kinematics.jobs.timing import Ask, Reals, TimedJob
from kinematics.machine import Machine
from kinematics.machine.file import is_named_alike, laid_with
from kinematics.outputs import spreadsheet_text
from kinematics.tables import Cells, TableKind, file_beside, read_table
from kinematics.wording import LONGEST_S, duration_text, seconds_from

FURTHEST = 8.0  # times the estimate, or so much less: no limit that a machine may have explains that
NEARLY = 2.0  # a time in another unit that comes so near to the estimate was probably meant in that unit
APART = 5.0  # spreads from the others at which a print stands apart
LEAST_APART = 0.08  # share of the time below which none does
LATEST = 10  # prints that are held against all before them
EARLIER = 3  # prints that there must be before them
SURE = 2.6  # standard errors from which on a difference is no chance (one in a hundred)
WORTH_TELLING = 0.01  # share of the time below which a drift is of no use to anybody
SPREADS_OF_95 = 1.96  # standard deviations to either side that hold 95 %


class Measured(NamedTuple):
    """A print and its time: the job as it was named and to be timed, the machine with the print's material, seconds,
    whether the clock ran from the start (heating and homing included) rather than from the first move, where the time
    stands (`file:line`, or the argument), and the day (ISO, empty where nobody said).
    """

    name: str
    job: TimedJob
    machine: Machine
    seconds: float
    from_start: bool
    place: str
    day: str = ""


class Errors(NamedTuple):
    """How far off estimates are: by how much prints take longer on average (`bias_share`), and how far single ones
    scatter about that (`spread_share`, one standard deviation); both are logarithms, which are shares where small.
    """

    bias_share: float
    spread_share: float

    @property
    def off_share(self) -> float:
        """How far off a print is, usually: the root of the mean square."""
        return math.hypot(self.bias_share, self.spread_share)

    @property
    def within_share(self) -> float:
        """How far off 95 % of prints are at most."""
        return abs(self.bias_share) + SPREADS_OF_95 * self.spread_share


class Drift(NamedTuple):
    """By how much the last prints take longer than all before them did, against the same estimates, as a share; how
    many there are of each; and the standard error of that.
    """

    change_share: float
    latest: int
    earlier: int
    error_share: float


def errors_of(logs: Reals) -> Errors:
    """The errors of prints, ln measured − ln estimated."""
    spread = float(np.std(logs, ddof=1)) if logs.size > 1 else 0.0
    return Errors(float(np.mean(logs)), spread)


def stand_apart(logs: Reals, spread: float) -> list[bool]:
    """Which prints are too far from what the others foretell to be chance; `logs` their differences in logarithms."""
    return [bool(abs(one) > max(APART * spread, LEAST_APART)) for one in logs]


def unusable(print_: Measured, estimate: float) -> Finding | None:
    """What is wrong with a time that cannot be that of the job; None where it can. A unit is asked for, not guessed."""
    ratio = print_.seconds / estimate
    if 1.0 / FURTHEST <= ratio <= FURTHEST:
        return None
    found = f"{duration_text(print_.seconds)} for {print_.name}, of which the estimate is {duration_text(estimate)}"
    units = ((60.0, "were these hours, not minutes?"), (1.0 / 60.0, "were these seconds, not minutes?"))
    meant = next((asks for factor, asks in units if 1.0 / NEARLY <= ratio * factor <= NEARLY), "")
    return Finding(print_.place, found, "the time of this job", meant or "was another file printed, or did it stop?")


def drift_of(logs: Sequence[float]) -> Drift | None:
    """Whether the last ten prints take longer, or less, than all before them; None where that may be chance.

    `logs` ln measured − ln fitted, in the order of the days, prints that stand apart left out. The difference of two
    means is held against its standard error (Welch, Biometrika 34(1/2), 1947, from memory).
    """
    latest, earlier = np.array(logs[-LATEST:]), np.array(logs[:-LATEST])
    if earlier.size < EARLIER:
        return None
    change = float(latest.mean() - earlier.mean())
    error = math.sqrt(float(latest.var(ddof=1)) / latest.size + float(earlier.var(ddof=1)) / earlier.size)
    if abs(change) < max(SURE * error, WORTH_TELLING):
        return None
    return Drift(change, latest.size, earlier.size, error)


FROM_START, FROM_FIRST_MOVE = "start of heating", "first move"
TIMES = TableKind(
    "times",
    ("job", "minutes", "time", "machine", "material", "notes", "counted_from", "date", "fingerprint"),
    ("job",),
    {
        "file": "job", "gcode": "job", "g-code": "job", "print": "job", "min": "minutes", "duration": "time",
        "measured": "time", "took": "time", "stopwatch": "time", "hours": "time", "printer": "machine",
        "filament": "material", "day": "date", "when": "date", "remarks": "notes", "remark": "notes", "note": "notes",
        "comment": "notes", "from": "counted_from", "counted from": "counted_from", "hash": "fingerprint",
    },
)  # fmt: skip
LOG_COLUMNS = ("job", "minutes", "machine", "material", "notes", "counted_from", "date", "fingerprint")
FINGERPRINT = 16  # letters of a hash that tells whether a file is still the one that was printed
MINUTES_ALLOWED = "minutes as a number above 0, or a time such as 1h52m"
ORIGIN_WORDS = {
    "": True, FROM_START: True, "start": True, "heating": True, "start-up": True, FROM_FIRST_MOVE: False,
    "first_move": False, "first-move": False, "move": False,
}  # fmt: skip


class TimesRow(NamedTuple):
    """A row: the job's path and the name that stands there, its time (s), the machine and the material that it names
    (empty: none), notes, whether the clock ran from the start, the day (ISO, empty: none), and where it stands.
    """

    path: str
    name: str
    seconds: float
    machine: str
    material: str
    notes: str
    from_start: bool
    day: str
    place: str


class Times(NamedTuple):
    """The rows of a table, what is wrong with others, and what is doubtful about some that count all the same."""

    rows: list[TimesRow]
    findings: list[Finding]
    doubts: list[Finding]


def read_times(path: str) -> Times:
    """The measured times of a table. Raises InputError where it cannot be read."""
    table = read_table(path, TIMES)
    times = Times([], list(table.findings), [])
    newer: list[TimesRow] = []
    for line, row in table.rows:
        cells = Cells(row, f"{path}:{line}", table.separator)
        found = _row_of(cells, path, table.separator)
        if found is not None and not cells.findings:
            times.rows.append(found)
            if found.day and not cells.text("fingerprint") and _changed_on(found.path) > found.day:
                newer.append(found)
        times.findings.extend(cells.findings)
    if newer:
        lines = ", ".join(row.place.rpartition(":")[2] for row in newer)
        told = f"the file of the job is newer than the print: line{'s' if len(newer) > 1 else ''} {lines}"
        hint = "is it still what was printed? The column fingerprint, which --log writes, would tell"
        times.doubts.append(Finding(path, told, hint=hint))
    return times


def _row_of(cells: Cells, table: str, separator: str) -> TimesRow | None:
    seconds = _seconds(cells, separator)
    name = cells.text("job")
    if not name:
        cells.wrong("a time without a job", "the G-code file that was printed, in column job")
        return None
    path = file_beside(name, table)
    if not os.path.isfile(path):
        folder = Path(table).parent / Path(name).parent
        near = [one.name for one in folder.iterdir()] if folder.is_dir() else []
        cells.wrong(f"there is no file {name!r}", "a G-code file beside the table", nearest(Path(name).name, near))
        return None
    origin = cells.text("counted_from").casefold()
    if origin not in ORIGIN_WORDS:
        cells.wrong(f"counted_from is {origin!r}", f"{FROM_START}, or {FROM_FIRST_MOVE}", nearest(origin, ORIGIN_WORDS))
    day = _day(cells)
    told = cells.text("fingerprint")
    if told and told != fingerprint_of(path)[: len(told)]:
        cells.wrong(
            f"{name} has changed since it was printed", "the file that was printed", "export it under its old name"
        )
    machine, material, notes = (cells.text(column) for column in ("machine", "material", "notes"))
    from_start = ORIGIN_WORDS.get(origin, True)
    return TimesRow(path, name, seconds or 0.0, machine, material, notes, from_start, day, cells.place)


def _seconds(cells: Cells, separator: str) -> float | None:
    """The time of a row: a bare number is minutes in that column, and a question in the other."""
    minutes, time = cells.text("minutes"), cells.text("time")
    if bool(minutes) == bool(time):
        found = "both minutes and time" if time else "no time"
        cells.wrong(found, "minutes, or a time such as 1h52m")
        return None
    try:
        number = 60.0 * float(minutes.replace(",", ".") if separator == ";" else minutes)
    except ValueError:  # a time with its units, in either column
        return _spelled_time(cells, time or minutes, f"minutes is {minutes!r}" if minutes else "")
    if not 0.0 < number <= LONGEST_S:
        cells.wrong(f"minutes is {minutes}", MINUTES_ALLOWED)
        return None
    return number


def _spelled_time(cells: Cells, text: str, found: str) -> float | None:
    """A time with units; `found` is said of one that is none in the column of minutes."""
    try:
        return seconds_from(text, cells.place)
    except InputError as failure:
        for one in failure.findings:
            cells.wrong(found or one.found, MINUTES_ALLOWED if found else one.allowed, one.hint)
        return None


def _day(cells: Cells) -> str:
    text = cells.text("date")
    if not text:
        return ""
    try:
        return (date.fromisoformat(text) if len(text) <= 10 else datetime.fromisoformat(text).date()).isoformat()
    except ValueError:
        cells.wrong(f"date is {text!r}", "a date such as 2026-03-06")
        return ""


def _changed_on(path: str) -> str:
    """The day on which a file was last written."""
    return datetime.fromtimestamp(os.path.getmtime(path)).date().isoformat()


def fingerprint_of(path: str) -> str:
    """What tells whether a job's file is still the one that was printed."""
    digest = JobFile(path).digest() or hashlib.sha256(b"").hexdigest()
    return digest[:FINGERPRINT]


def measured_argument(text: str) -> tuple[str, str] | None:
    """The job and the time of `JOB=1h52m`; None for an argument that names a file, or has no time in it."""
    job, equals, time = text.rpartition("=")
    return (job, time) if equals and job and not os.path.exists(text) else None


def with_rows(text: str, rows: Sequence[TimesRow], log: str) -> str:
    """The text of a log with rows behind those that it has; a log that is not there yet begins with a head."""
    separator, columns = ",", list(LOG_COLUMNS)
    if text.strip():
        head = text.removeprefix("\ufeff").lstrip("\r\n").splitlines()[0]
        separator = max(",;\t", key=head.count)
        columns = [cell.strip().lower() for cell in next(csv.reader([head], delimiter=separator))]
        text += "" if text.endswith(("\n", "\r")) else "\n"
    ending = "\r\n" if "\r\n" in text else "\n"
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=separator, lineterminator=ending)
    if not text.strip():
        writer.writerow(columns)
    for row in rows:
        cells = _cells_of(row, log, separator)
        writer.writerow([spreadsheet_text(cells.get(column, "")) for column in columns])
    return text + stream.getvalue()


def _cells_of(row: TimesRow, log: str, separator: str) -> dict[str, str]:
    minutes = f"{row.seconds / 60.0:.2f}".rstrip("0").rstrip(".")
    hours, rest = divmod(round(row.seconds), 3600)
    return {
        "job": named_from(row.path, log),
        "minutes": minutes.replace(".", ",") if separator == ";" else minutes,
        "time": f"{hours}h{rest // 60:02d}m{rest % 60:02d}s",
        "machine": row.machine,
        "material": row.material,
        "notes": row.notes,
        "counted_from": FROM_START if row.from_start else FROM_FIRST_MOVE,
        "date": row.day,
        "fingerprint": fingerprint_of(row.path),
    }


def named_from(path: str, table: str) -> str:
    """A file as a table names it: by the way from where the table lies."""
    try:
        return os.path.relpath(os.path.abspath(path), os.path.dirname(os.path.abspath(table)))
    except ValueError:  # on another drive
        return os.path.abspath(path)


def machine_of_rows(rows: Sequence[TimesRow]) -> str | None:
    """The machine that all rows name, None where none does. Raises InputError where they name several."""
    named = [row for row in rows if row.machine]
    if not named:
        return None
    first = named[0]
    others = {row.machine: row for row in reversed(named) if not is_named_alike(row.machine, first.machine)}
    if others:
        allowed = "one machine at a time: --machine FILE|NAME says which"
        found = f"printed on {first.machine!r}"
        told = [
            Finding(row.place, f"printed on {name!r}, and {first.place} on {first.machine!r}")
            for name, row in others.items()
        ]
        raise InputError(*told, Finding(first.place, found, allowed))
    beside = Path(first.place.rpartition(":")[0]).parent / first.machine
    return str(beside) if beside.is_file() else first.machine


def _total_of(job: TimedJob, ask: Ask) -> float:
    return job.timed(ask).total


def measured_rows(
    rows: Sequence[TimesRow], machine: Machine, machine_name: str, prepare: Callable[[str], TimedJob]
) -> tuple[list[Measured], list[Finding], list[Finding]]:
    """The prints of a machine among rows, what is wrong with others, and what is doubtful; a file is prepared once."""
    jobs: dict[str, TimedJob] = {}
    begun: list[tuple[TimesRow, TimedJob, Machine, Callable[[], float]]] = []
    found: list[Measured] = []
    findings: list[Finding] = []
    doubts: list[Finding] = []
    called = [machine_name, Path(machine_name).name, Path(machine_name).stem, machine.name]
    for row in rows:
        if row.machine and not any(is_named_alike(Path(row.machine).name, name) for name in called):
            findings.append(Finding(row.place, f"printed on {row.machine!r}, and this is about {machine.name}"))
            continue
        own = laid_with(machine, row.material) if row.material else machine
        known = [one.name for one in machine.materials]
        if row.material and known and not any(is_named_alike(name, row.material) for name in known):
            text = f"the machine file has no material {row.material!r}: timed without"
            doubts.append(Finding(row.place, text, ", ".join(known), nearest(row.material, known)))
        job = jobs.setdefault(row.path, prepare(row.path))
        begun.append((row, job, own, job.later(_total_of, Ask(own, passing=True, total_only=True))))
    for row, job, own, answer in begun:
        try:
            seconds = answer()
        except InputError as failure:
            findings += [Finding(row.place, str(one)) for one in failure.findings]
            continue
        if not seconds > 0.0:
            findings.append(Finding(row.place, f"{row.name} takes no time", "a job that prints something"))
            continue
        found.append(Measured(row.name, job, own, row.seconds, row.from_start, row.place, row.day))
    return found, findings, doubts
