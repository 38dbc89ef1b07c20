"""How every benchmark runs: contestants in turn, warmed up, the least of many rounds; one verdict line a target."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_gcode"
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))


class Times(NamedTuple):
    """Least and median duration of one contestant (s) and the number of rounds."""

    least: float
    median: float
    rounds: int


TURN = 0.01  # s: a quick contestant runs again within its turn, so that it finds its own data in the caches


def in_turn(
    contestants: Mapping[str, Callable[[], object]],
    seconds: float,
    rounds: int = 5,
    before: Callable[[], object] = lambda: None,
) -> dict[str, Times]:
    """Let the contestants run one after the other, round by round, so that a busy neighbour meets all of them alike.

    One round goes before and is not counted; then at least `rounds`, and as many as `seconds` (s) have room for. What
    is done `before` each run is not timed.
    """
    for run in contestants.values():
        run()
    taken: dict[str, list[float]] = {name: [] for name in contestants}
    end = time.perf_counter() + seconds
    done = 0
    while done < rounds or time.perf_counter() < end:
        for name, run in contestants.items():
            turn_ends = time.perf_counter() + TURN
            begin = 0.0
            while begin < turn_ends:
                before()
                begin = time.perf_counter()
                run()
                taken[name].append(time.perf_counter() - begin)
        done += 1
    return {name: Times(min(each), statistics.median(each), done) for name, each in taken.items()}


def nanoseconds(times: Times, n: int) -> list[str]:
    """Least and median nanoseconds a move."""
    return [f"{times.least / n * 1e9:.2f}", f"{times.median / n * 1e9:.2f}"]


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table: the first column to the left, the others to the right."""
    widths = [max(len(row[column]) for row in [head, *rows]) for column in range(len(head))]
    for row in [head, *rows]:
        cells = [
            cell.ljust(width) if column == 0 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        print("  " + "  ".join(cells).rstrip(), flush=True)
    print(flush=True)


class Verdicts:
    """The targets of one benchmark, each judged and printed; the exit status is 1 if one does not hold."""

    def __init__(self) -> None:
        self._failed = False

    def judge(self, target: str, found: str, holds: bool) -> None:
        """Print one verdict line."""
        self._failed |= not holds
        print(f"{'holds' if holds else 'does not hold'}: {target} ({found})", flush=True)

    def exit(self) -> None:
        """End the process."""
        sys.exit(1 if self._failed else 0)


def watched(words: Sequence[str], peaks: list[float], seconds: list[float]) -> Callable[[], object]:
    """Run the program in a process of its own; its peak memory (GB) and processor time (s) are added to the lists."""

    def run() -> None:
        process = subprocess.Popen(
            [sys.executable, "-m", "kinematics", *words],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            sys.exit(f"{' '.join(words)}: exit status {process.returncode}")
        peaks.append(usage.ru_maxrss * 1024 / 1e9)
        seconds.append(usage.ru_utime + usage.ru_stime)

    return run
