"""Reading: a job file to moves, beside two fast CSV readers on the same numbers, one thread each, and plain Python.

The job is all samples, one after the other, again and again up to 64 MB, with their comments, arcs and M words. The CSV
files hold the numbers of its X, Y and E moves and nothing else, so every peer has less to decide. The unit is number
fields a second, from a file that the system holds in memory; each turn is a process of its own. Peers that are not
installed are left out.
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
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing.managers import BarrierProxy
from pathlib import Path

os.environ["POLARS_MAX_THREADS"] = "1"

from contest import SAMPLES, Times, Verdicts, table

from kinematics.gcode.reader import read_gcode

ONE_THREAD, TWO_THREADS = "kinematics, one thread", "kinematics, two threads"
CSV_READERS, SPLIT = ("pyarrow.csv", "polars.read_csv"), "plain Python split"
SIZE = 64 << 20  # bytes
COLUMNS = ("x", "y", "e")
LINE = re.compile(rb"^G[0-3](?: [A-Z][-+.0-9]+)+", re.MULTILINE)
XYE = re.compile(rb"^G1 X([-.0-9]+) Y([-.0-9]+) E([-.0-9]+)$", re.MULTILINE)
TIMES_CSV = 1.25
TIMES_PYTHON = 20.0
TIMES_ONE_THREAD = 1.5
TIMES_ALONE = 1.8  # what two processes that have nothing to do with each other must bring, or the machine is busy
ROUNDS_ALONE = 5
ROUNDS, RUNS, TURN = 5, 5, 2.0  # turns of each; runs in a turn, fewer once so many seconds are over


def with_pyarrow(path: Path) -> Callable[[], object] | None:
    """Read the CSV file with pyarrow on one thread; None where it is missing."""
    if importlib.util.find_spec("pyarrow") is None:
        print("pyarrow is not installed: left out")
        return None
    import pyarrow as arrow
    from pyarrow import csv

    reading = csv.ReadOptions(use_threads=False, column_names=COLUMNS)
    types = csv.ConvertOptions(column_types=dict.fromkeys(COLUMNS, arrow.float64()))
    return lambda: csv.read_csv(path, read_options=reading, convert_options=types)


def with_polars(path: Path) -> Callable[[], object] | None:
    """Read the CSV file with polars, held to one thread above; None where it is missing."""
    if importlib.util.find_spec("polars") is None:
        print("polars is not installed: left out")
        return None
    import polars

    columns = dict.fromkeys(COLUMNS, polars.Float64)
    return lambda: polars.read_csv(path, has_header=False, schema=columns)


def with_split(path: Path) -> list[list[float]]:
    """Every number of every G0 to G3 line with split and float, nothing more."""
    with path.open() as lines:
        return [
            [float(word[1:]) for word in line.split(";")[0].split()[1:]]
            for line in lines
            if line.startswith(("G1 ", "G0 ", "G2 ", "G3 "))
        ]


def read_alone(path: Path, gate: BarrierProxy) -> float:
    """Seconds of some readings on one thread, begun when everybody has come to the gate."""
    read_gcode(path, threads=1)
    gate.wait()
    begin = time.perf_counter()
    for _ in range(ROUNDS_ALONE):
        read_gcode(path, threads=1)
    return time.perf_counter() - begin


def two_alone(path: Path) -> float:
    """How much two processes that have nothing to do with each other read in the time in which one reads alone."""
    seconds = []
    with multiprocessing.Manager() as manager:
        for processes in (1, 2):
            with multiprocessing.Pool(processes) as pool:
                gate = manager.Barrier(processes)
                seconds.append(max(pool.starmap(read_alone, [(path, gate)] * processes)))
    return 2.0 * seconds[0] / seconds[1]


def reader(name: str, job: Path, numbers: Path) -> Callable[[], object] | None:
    """What a contestant does; None where it is not installed."""
    if name == "pyarrow.csv":
        return with_pyarrow(numbers)
    if name == "polars.read_csv":
        return with_polars(numbers)
    if name == SPLIT:
        return lambda: with_split(job)
    threads = 1 if name == ONE_THREAD else 2
    return lambda: read_gcode(job, threads=threads)


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
        times = in_processes((ONE_THREAD, TWO_THREADS, *CSV_READERS, SPLIT), job, numbers)
        alone = two_alone(job)
    readers = list(times)
    csv_readers = [name for name in CSV_READERS if name in times]
    fields = {name: in_csv if name in csv_readers else in_job for name in readers}
    rate = {name: fields[name] / each.least for name, each in times.items()}
    table(
        ["file to numbers", "fields", "seconds", "median", "million fields a second"],
        [
            [name, f"{fields[name]:,}", f"{each.least:.3f}", f"{each.median:.3f}", f"{rate[name] / 1e6:.1f}"]
            for name, each in times.items()
        ],
    )
    for name in csv_readers:
        ratio = rate[ONE_THREAD] / rate[name]
        verdicts.judge(f"at least {TIMES_CSV:g} times the fields of {name}", f"{ratio:.2f} times", ratio >= TIMES_CSV)
    ratio = rate[ONE_THREAD] / rate[SPLIT]
    target = f"at least {TIMES_PYTHON:g} times the fields of plain Python"
    verdicts.judge(target, f"{ratio:.1f} times", ratio >= TIMES_PYTHON)
    ratio = rate[TWO_THREADS] / rate[ONE_THREAD]
    if ratio < TIMES_ONE_THREAD and alone < TIMES_ALONE:
        print(
            f"machine busy: two processes alone bring {alone:.2f} times one; two threads {ratio:.2f} times, not judged"
        )
    else:
        target = f"two threads at least {TIMES_ONE_THREAD:g} times one"
        found = f"{ratio:.2f} times; two processes alone {alone:.2f} times"
        verdicts.judge(target, found, ratio >= TIMES_ONE_THREAD)
    verdicts.exit()


if __name__ == "__main__":
    main()
