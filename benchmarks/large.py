"""A job of a gigabyte: memory and time of an estimate, beside the mere reading of the file's bytes.

The job is all samples, one after the other, again and again. Reading its bytes is to copy them into a buffer of our
own, larger than the processor's caches, again and again the same. First both read it from the disk, the system's file
cache emptied of it before every run, as a job that has just been brought is read; then from the cache, which is a copy
from memory to memory: that ratio is told, and not judged.
Run from anywhere, with 1.1 GB free in the temporary folder: python benchmarks/large.py
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from contest import SAMPLES, Times, Verdicts, in_turn, table, watched

JOB_BYTES = 1_000_000_000
BUFFER = 64 << 20
ROUNDS = 3
MACHINE = "middling"
READING, ESTIMATE = "reading its bytes", "estimate"
MOST_MEMORY = 3.0  # GB
TIMES_READING = 15.0
LIMIT = 1_100_000_000  # bytes that must be free


def write_job(path: Path) -> None:
    """Samples without lines that end the program, until the size is reached."""
    lines = [line for sample in sorted(SAMPLES.glob("*.gcode")) for line in sample.read_bytes().splitlines(True)]
    content = b"".join(line for line in lines if line.split(b";")[0].strip() not in (b"M2", b"M30"))
    with path.open("wb") as file:
        while file.tell() < JOB_BYTES:
            file.write(content)


def forget(path: Path) -> None:
    """Have the system drop a file from its cache."""
    os.sync()
    with path.open("rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def reader(path: Path) -> Callable[[], object]:
    """Read every byte of a file into one buffer."""
    room = bytearray(BUFFER)

    def read() -> None:
        with path.open("rb", buffering=0) as file:
            while file.readinto(room):  # type: ignore[attr-defined]
                pass

    return read


def main() -> None:
    """Write the job, let all run in turn, judge."""
    verdicts = Verdicts()
    with tempfile.TemporaryDirectory() as folder:
        free = shutil.disk_usage(folder).free
        if free < LIMIT:
            sys.exit(f"{folder}: {free / 1e9:.1f} GB free, {LIMIT / 1e9:.1f} GB needed")
        job = Path(folder) / "job.gcode"
        write_job(job)
        peaks: list[float] = []
        ratios = {}
        for place, before in (("disk", lambda: forget(job)), ("file cache", lambda: None)):
            print(f"{job.stat().st_size / 1e9:.2f} GB from the {place}\n")
            processor: dict[str, list[float]] = {}
            contestants: dict[str, Callable[[], object]] = {READING: reader(job)}
            for name, options in (("estimate --layers, which tries no change", ["--layers"]), (ESTIMATE, [])):
                words = ["estimate", str(job), "--machine", MACHINE, *options]
                contestants[name] = watched(words, peaks, processor.setdefault(name, []))
            times = in_turn(contestants, seconds=0.0, rounds=ROUNDS, before=before)
            ratios[place] = times[ESTIMATE].least / times[READING].least
            tell(times, processor)
    verdicts.judge(
        f"at most {MOST_MEMORY:g} GB of memory at any time", f"{max(peaks):.2f} GB", max(peaks) <= MOST_MEMORY
    )
    ratio = ratios["disk"]
    target = f"an estimate from the disk takes at most {TIMES_READING:g} times as long as reading the bytes"
    verdicts.judge(target, f"{ratio:.1f} times", ratio <= TIMES_READING)
    print(f"told: from the file cache {ratios['file cache']:.1f} times")
    verdicts.exit()


def tell(times: Mapping[str, Times], processor: Mapping[str, Sequence[float]]) -> None:
    """Print a table of one place."""
    reading = times[READING]
    rows = []
    for name, each in times.items():
        on_processors = f"{min(processor[name]):.1f}" if name in processor else ""
        ratio = each.least / reading.least
        rows.append([name, f"{each.least:.3f}", f"{each.median:.3f}", on_processors, f"{ratio:.1f}"])
    table(["process", "seconds", "median", "processor time", "times reading"], rows)


if __name__ == "__main__":
    main()
