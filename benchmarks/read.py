"""Reading: a job file to moves, beside two fast CSV readers on the same numbers, one thread each, and plain Python.

The job is all samples, one after the other, again and again up to 64 MB, with their comments, arcs and M words. The CSV
files hold the numbers of its X, Y and E moves and nothing else, so every peer has less to decide. The unit is number
fields a second, from a file that the system holds in memory. Peers that are not installed are left out.
Run from anywhere: python benchmarks/read.py
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import re
import tempfile
import time
from collections.abc import Callable
from multiprocessing.managers import BarrierProxy
from pathlib import Path

os.environ["POLARS_MAX_THREADS"] = "1"

from contest import SAMPLES, Verdicts, in_turn, table

from kinematics.gcode.reader import read_gcode

ONE_THREAD, TWO_THREADS = "kinematics, one thread", "kinematics, two threads"
SIZE = 64 << 20  # bytes
COLUMNS = ("x", "y", "e")
LINE = re.compile(rb"^G[0-3](?: [A-Z][-+.0-9]+)+", re.MULTILINE)
XYE = re.compile(rb"^G1 X([-.0-9]+) Y([-.0-9]+) E([-.0-9]+)$", re.MULTILINE)
TIMES_CSV = 1.25
TIMES_PYTHON = 20.0
TIMES_ONE_THREAD = 1.5
TIMES_ALONE = 1.8  # what two processes that have nothing to do with each other must bring, or the machine is busy
ROUNDS_ALONE = 5


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
        peers = {"pyarrow.csv": with_pyarrow(numbers), "polars.read_csv": with_polars(numbers)}
        readers: dict[str, Callable[[], object]] = {
            ONE_THREAD: lambda: read_gcode(job, threads=1),
            TWO_THREADS: lambda: read_gcode(job, threads=2),
        }
        readers |= {name: run for name, run in peers.items() if run is not None}
        csv_readers = list(readers)[2:]
        readers["plain Python split"] = lambda: with_split(job)
        times = in_turn(readers, seconds=30.0)
        alone = two_alone(job)
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
    ratio = rate[ONE_THREAD] / rate["plain Python split"]
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
