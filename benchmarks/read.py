"""Reading: a job file to moves, beside two fast CSV readers on the same numbers, one thread each, and plain Python.

The unit is number fields a second, from a file that the system holds in memory. The CSV files hold the numbers of the
job's X, Y and E moves and nothing else, so every peer has less to decide. Peers that are not installed are left out.
Run from anywhere: python benchmarks/read.py
"""

from __future__ import annotations

import importlib.util
import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path

os.environ["POLARS_MAX_THREADS"] = "1"

from contest import SAMPLES, Verdicts, in_turn, table

from kinematics.gcode.reader import read_gcode

OURS = "kinematics, one thread"
JOB = SAMPLES / "cable_guide.gcode"
COPIES = 10
COLUMNS = ("x", "y", "e")
NUMBERS = re.compile(rb"^G[01](?: [A-Z][-+.0-9]+)+", re.MULTILINE)
XYE = re.compile(rb"^G1 X([-.0-9]+) Y([-.0-9]+) E([-.0-9]+)$", re.MULTILINE)
TIMES_CSV = 1.0
TIMES_PYTHON = 10.0


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
    """Every number of every G0 and G1 line with split and float, nothing more."""
    with path.open() as lines:
        return [
            [float(word[1:]) for word in line.split(";")[0].split()[1:]]
            for line in lines
            if line.startswith(("G1 ", "G0 "))
        ]


def main() -> None:
    """Write both files, let the readers run in turn, judge."""
    verdicts = Verdicts()
    content = JOB.read_bytes()
    in_job = sum(line.count(b" ") for line in NUMBERS.findall(content)) * COPIES
    rows = XYE.findall(content)
    in_csv = len(rows) * len(COLUMNS) * COPIES
    with tempfile.TemporaryDirectory() as folder:
        job, numbers = Path(folder) / "job.gcode", Path(folder) / "numbers.csv"
        job.write_bytes(content * COPIES)
        numbers.write_bytes(b"".join(b",".join(row) + b"\n" for row in rows) * COPIES)
        peers = {"pyarrow.csv": with_pyarrow(numbers), "polars.read_csv": with_polars(numbers)}
        readers: dict[str, Callable[[], object]] = {
            OURS: lambda: read_gcode(job, threads=1),
            "kinematics, two threads": lambda: read_gcode(job, threads=2),
        }
        readers |= {name: run for name, run in peers.items() if run is not None}
        csv_readers = list(readers)[2:]
        readers["plain Python split"] = lambda: with_split(job)
        times = in_turn(readers, seconds=20.0)
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
        ratio = rate[OURS] / rate[name]
        verdicts.judge(f"at least {TIMES_CSV:g} times the fields of {name}", f"{ratio:.2f} times", ratio >= TIMES_CSV)
    ratio = rate[OURS] / rate["plain Python split"]
    target = f"at least {TIMES_PYTHON:g} times the fields of plain Python"
    verdicts.judge(target, f"{ratio:.1f} times", ratio >= TIMES_PYTHON)
    verdicts.exit()


if __name__ == "__main__":
    main()
