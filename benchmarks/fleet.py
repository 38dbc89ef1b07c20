"""A folder of 2,000 jobs: two workers beside one, and the memory that it takes; a job of a gigabyte by a worker.

What shares the work is judged by a ratio, and only on a machine that does nothing else: beside other work it is told.
The folder is estimated with rows written, as it is done when it matters.
Run from anywhere, with 1.2 GB free in the temporary folder: python benchmarks/fleet.py, with a number for fewer jobs.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from random import Random

from contest import Verdicts, in_turn, table, watched
from large import write_job

MOVES = 1000  # each, some 40 kB
MACHINE = "middling"
LEAST_GAIN = 1.6  # times as fast with two workers as with one
MOST_MEMORY = 3.5  # GB, of the largest process: with 24 GB and two cores jobs are kept in some 3
MOST_MEMORY_LARGE = 3.0  # GB, of a job of a gigabyte
BUSY = 0.7  # of a processor that others take
FREE = 1_200_000_000  # bytes


def write_jobs(folder: Path, count: int) -> None:
    """Small jobs of random moves, seeded."""
    for number in range(count):
        chance = Random(number)
        lines = ["M83", "G28", "M104 S210"]
        for move in range(MOVES):
            if move % 100 == 0:
                lines.append(f"G1 Z{0.2 + move / 500:.2f} F600")
            place = f"X{chance.uniform(5, 150):.3f} Y{chance.uniform(5, 150):.3f}"
            lines.append(f"G1 {place} E{chance.uniform(0.1, 0.9):.4f} F{chance.randrange(1200, 7200)}")
        (folder / f"part{number:04d}.gcode").write_text("\n".join([*lines, ""]))


def estimator(jobs: Path, rows: Path, peaks: list[float], seconds: list[float], *options: str) -> Callable[[], object]:
    """Estimate jobs in processes of their own; the peak memory of the largest (GB) and the processor time of all (s)
    are added to the lists.
    """
    words = ["estimate", str(jobs), "--machine", MACHINE, "--output", str(rows), "--force", *options]
    return watched(words, peaks, seconds)


def folder_of_jobs(folder: Path, count: int, verdicts: Verdicts) -> None:
    """The folder by this process, by one worker and by two."""
    jobs = folder / "jobs"
    jobs.mkdir()
    write_jobs(jobs, count)
    busy = os.getloadavg()[0]
    size = sum(path.stat().st_size for path in jobs.iterdir())
    print(f"{count:,} jobs, {size / 1e6:.0f} MB\n")
    peaks: Mapping[str, list[float]] = {name: [] for name in ("one process", "one worker", "two workers")}
    seconds: Mapping[str, list[float]] = {name: [] for name in peaks}
    options = ((), ("--workers", "1"), ("--workers", "2"))
    rows = [folder / f"rows{number}.csv" for number in range(3)]
    contestants = {
        name: estimator(jobs, path, peaks[name], seconds[name], *words)
        for name, path, words in zip(peaks, rows, options, strict=True)
    }
    times = in_turn(contestants, seconds=0.0, rounds=1)
    table(
        ["estimate of the folder", "seconds", "median", "processor time", "GB, the largest process"],
        [
            [name, f"{one.least:.1f}", f"{one.median:.1f}", f"{min(seconds[name]):.1f}", f"{max(peaks[name]):.2f}"]
            for name, one in times.items()
        ],
    )
    same = rows[0].read_bytes() == rows[1].read_bytes() == rows[2].read_bytes()
    verdicts.judge("the rows are the same, byte for byte", "compared", same)
    most = max(max(each) for each in peaks.values())
    verdicts.judge(f"no process takes more than {MOST_MEMORY:g} GB", f"{most:.2f} GB", most <= MOST_MEMORY)
    gain = times["one worker"].least / times["two workers"].least
    target = f"two workers are at least {LEAST_GAIN:g} times as fast as one"
    if busy > BUSY or (os.cpu_count() or 1) < 2:
        print(f"machine busy (load {busy:.1f}), told and not judged: {target} ({gain:.2f} times)", flush=True)
    else:
        verdicts.judge(target, f"{gain:.2f} times", gain >= LEAST_GAIN)


def large_job(folder: Path, verdicts: Verdicts) -> None:
    """A job of a gigabyte by a worker, which reads it in blocks."""
    job = folder / "job.gcode"
    write_job(job)
    peaks: list[float] = []
    estimator(job, folder / "large.csv", peaks, [], "--workers", "1")()
    target = f"a job of {job.stat().st_size / 1e9:.2f} GB takes a worker at most {MOST_MEMORY_LARGE:g} GB"
    verdicts.judge(target, f"{peaks[0]:.2f} GB", peaks[0] <= MOST_MEMORY_LARGE)


def main() -> None:
    """Both parts."""
    verdicts = Verdicts()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        free = shutil.disk_usage(folder).free
        if free < FREE:
            sys.exit(f"{folder}: {free / 1e9:.1f} GB free, {FREE / 1e9:.1f} GB needed")
        folder_of_jobs(folder, int(sys.argv[1]) if len(sys.argv) > 1 else 2000, verdicts)
        large_job(folder, verdicts)
    verdicts.exit()


if __name__ == "__main__":
    main()
