"""Reading: a job file to moves, beside two fast CSV readers on the same numbers, one thread each, and plain Python.

The job is all samples, one after the other, again and again up to 64 MB, with their comments, arcs and M words. The CSV
files hold the numbers of its X, Y and E moves and nothing else, so every peer has less to decide. Portions that are let
go again are held against what the CSV readers give batch by batch, moves that are joined and kept against what they
read at once. The unit is number fields a second, from a file that the system holds in memory; each turn is a process of
its own. Peers that are not installed are left out.
Run from anywhere: python benchmarks/read.py
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import re
import statistics
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ["POLARS_MAX_THREADS"] = "1"

from contest import SAMPLES, Times, Verdicts, table

from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import EXTRUSION
from kinematics.gcode.portions import Portions, Wanted
from kinematics.gcode.reader import read_gcode
from kinematics.gcode.state import ReaderOptions

PORTIONS, JOINED = "kinematics, portions", "kinematics, joined moves"
IN_BATCHES = ("pyarrow.csv.open_csv", "polars.scan_csv, batches")
AT_ONCE = ("pyarrow.csv.read_csv", "polars.read_csv")
SPLIT = "plain Python split"
SIZE = 64 << 20  # bytes
COLUMNS = ("x", "y", "e")
LINE = re.compile(rb"^G[0-3](?: [A-Z][-+.0-9]+)+", re.MULTILINE)
XYE = re.compile(rb"^G1 X([-.0-9]+) Y([-.0-9]+) E([-.0-9]+)$", re.MULTILINE)
TIMES_IN_BATCHES, TIMES_AT_ONCE = 1.25, 1.0
TIMES_PYTHON = 20.0
ROUNDS, RUNS, TURN = 5, 5, 2.0  # turns of each; runs in a turn, fewer once so many seconds are over


def used_up(batches: Iterable[object]) -> None:
    """Take every batch and let it go again."""
    for _ in batches:
        pass


def with_portions(path: Path) -> None:
    """Read the job into portions."""
    used_up(Portions(JobFile(path), EXTRUSION, ReaderOptions(), Wanted()).read())


def with_pyarrow(path: Path, in_batches: bool) -> Callable[[], object]:
    """Read the CSV file with pyarrow on one thread."""
    import pyarrow as arrow
    from pyarrow import csv

    reading = csv.ReadOptions(use_threads=False, column_names=COLUMNS)
    types = csv.ConvertOptions(column_types=dict.fromkeys(COLUMNS, arrow.float64()))
    if in_batches:
        return lambda: used_up(csv.open_csv(path, read_options=reading, convert_options=types))
    return lambda: csv.read_csv(path, read_options=reading, convert_options=types)


def with_polars(path: Path, in_batches: bool) -> Callable[[], object]:
    """Read the CSV file with polars, held to one thread above."""
    import polars

    columns = dict.fromkeys(COLUMNS, polars.Float64)
    if in_batches:
        return lambda: used_up(polars.scan_csv(path, has_header=False, schema=columns).collect_batches())
    return lambda: polars.read_csv(path, has_header=False, schema=columns)


def with_split(path: Path) -> list[list[float]]:
    """Every number of every G0 to G3 line with split and float, nothing more."""
    with path.open() as lines:
        return [
            [float(word[1:]) for word in line.split(";")[0].split()[1:]]
            for line in lines
            if line.startswith(("G1 ", "G0 ", "G2 ", "G3 "))
        ]


def reader(name: str, job: Path, numbers: Path) -> Callable[[], object] | None:
    """What a contestant does; None where it is not installed."""
    if name == SPLIT:
        return lambda: with_split(job)
    if name in (PORTIONS, JOINED):
        return (lambda: with_portions(job)) if name == PORTIONS else (lambda: read_gcode(job))
    package = name.split(".")[0]
    if importlib.util.find_spec(package) is None:
        print(f"{package} is not installed: left out")
        return None
    read = with_pyarrow if package == "pyarrow" else with_polars
    return read(numbers, name in IN_BATCHES)


def seconds_of(name: str, job: Path, numbers: Path) -> list[float]:
    """Durations (s) of some runs of a contestant after one that does not count; none where it is not installed."""
    run = reader(name, job, numbers)
    if run is None:
        return []
    run()
    taken: list[float] = []
    while not taken or (len(taken) < RUNS and sum(taken) < TURN):
        begin = time.perf_counter()
        run()
        taken.append(time.perf_counter() - begin)
    return taken


def in_processes(names: Sequence[str], job: Path, numbers: Path) -> dict[str, Times]:
    """Let the contestants run by turns, each turn a process of its own, so that none finds another's memory in use."""
    taken: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(ROUNDS):
        for name in names:
            with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
                taken[name] += pool.submit(seconds_of, name, job, numbers).result()
    return {name: Times(min(each), statistics.median(each), ROUNDS) for name, each in taken.items() if each}


def main() -> None:
    """Write both files, let the readers run in turn, judge."""
    verdicts = Verdicts()
    content = b"".join(path.read_bytes() for path in sorted(SAMPLES.glob("*.gcode")))
    copies = -(-SIZE // len(content))
    in_job = sum(line.count(b" ") for line in LINE.findall(content)) * copies
    rows = XYE.findall(content)
    in_csv = len(rows) * len(COLUMNS) * copies
    with tempfile.TemporaryDirectory() as folder:
        job, numbers = Path(folder) / "job.gcode", Path(folder) / "numbers.csv"
        job.write_bytes(content * copies)
        numbers.write_bytes(b"".join(b",".join(row) + b"\n" for row in rows) * copies)
        times = in_processes((PORTIONS, *IN_BATCHES, JOINED, *AT_ONCE, SPLIT), job, numbers)
    csv_readers = [name for name in (*IN_BATCHES, *AT_ONCE) if name in times]
    fields = {name: in_csv if name in csv_readers else in_job for name in times}
    rate = {name: fields[name] / each.least for name, each in times.items()}
    table(
        ["file to numbers", "fields", "seconds", "median", "million fields a second"],
        [
            [name, f"{fields[name]:,}", f"{each.least:.3f}", f"{each.median:.3f}", f"{rate[name] / 1e6:.1f}"]
            for name, each in times.items()
        ],
    )
    for ours, peers, least in ((PORTIONS, IN_BATCHES, TIMES_IN_BATCHES), (JOINED, AT_ONCE, TIMES_AT_ONCE)):
        for name in peers:
            if name in times:
                ratio = rate[ours] / rate[name]
                target = f"{ours}: at least {least:g} times the fields of {name}"
                verdicts.judge(target, f"{ratio:.2f} times", ratio >= least)
    ratio = rate[JOINED] / rate[SPLIT]
    target = f"{JOINED}: at least {TIMES_PYTHON:g} times the fields of plain Python"
    verdicts.judge(target, f"{ratio:.1f} times", ratio >= TIMES_PYTHON)
    verdicts.exit()


if __name__ == "__main__":
    main()
