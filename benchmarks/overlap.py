"""Reading and planning a large job on two threads beside the same work one after the other, in turn.

Run from anywhere: python benchmarks/overlap.py [MEGABYTES …]

One after the other is the same code with an executor that does its work at once and no portions made ahead. Targets: at
most 0.75 of the time, and no more than 1.1 times the processor time; on a busy machine two threads gain less.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Generator
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any
from unittest import mock

from contest import SAMPLES, Verdicts, in_turn, table

from kinematics.jobs import blockwise
from kinematics.machine import load_machine
from kinematics.studies.estimate import estimate_prepared

MEGABYTES = (60, 1000)
MOST_TIME, MOST_WORK = 0.75, 1.1
MACHINE = load_machine("middling")
BUSY = 0.8  # processes that wait for a processor, on the average of the last minute, beside this one


class AtOnce(Executor):
    """Does what it is given before it goes on."""

    def __init__(self, _workers: int) -> None:
        pass

    def submit(self, work: Callable[..., Any], /, *arguments: Any, **named: Any) -> Future[Any]:
        """The result of work that is done."""
        done: Future[Any] = Future()
        done.set_result(work(*arguments, **named))
        return done


def as_they_come(items: Generator[Any]) -> Generator[Any]:
    """The items of a generator, made when they are asked for."""
    yield from items


def write_job(path: Path, megabytes: int) -> None:
    """The samples, one after the other, again and again."""
    content = b"".join(one.read_bytes() for one in sorted(SAMPLES.glob("*.gcode")))
    with path.open("wb") as file:
        while file.tell() < megabytes * 1e6:
            file.write(content)


def estimator(path: Path, work: list[float]) -> Callable[[], object]:
    """Estimate a job in blocks; the processor time (s) is added to the list."""

    def estimate() -> object:
        begun = time.process_time()
        answer = estimate_prepared([blockwise.job_to_time(str(path), asked_once=True)], MACHINE)
        work.append(time.process_time() - begun)
        return answer

    return estimate


def one_after_the_other(work: Callable[[], object]) -> Callable[[], object]:
    """The same on one thread."""

    def alone() -> object:
        with (
            mock.patch.object(blockwise, "ThreadPoolExecutor", AtOnce),
            mock.patch.object(blockwise, "made_ahead", as_they_come),
        ):
            return work()

    return alone


def main() -> None:
    """Let both run in turn at each size, and judge."""
    verdicts = Verdicts()
    busy = os.getloadavg()[0] > BUSY
    for megabytes in [int(one) for one in sys.argv[1:]] or MEGABYTES:
        with tempfile.TemporaryDirectory() as folder:
            job = Path(folder) / "job.gcode"
            write_job(job, megabytes)
            work: dict[str, list[float]] = {"one after the other": [], "two threads": []}
            alone, both = (estimator(job, spent) for spent in work.values())
            times = in_turn(dict(zip(work, (one_after_the_other(alone), both), strict=True)), 0.0, rounds=5)
        rows = [[name, f"{times[name].least:.3f}", f"{min(spent):.3f}"] for name, spent in work.items()]
        table([f"estimate, {megabytes} MB", "seconds", "processor time"], rows)
        share = times["two threads"].least / times["one after the other"].least
        more = min(work["two threads"]) / min(work["one after the other"])
        note = ", machine busy" if busy else ""
        verdicts.judge(f"{megabytes} MB: at most {MOST_TIME:g} of the time", f"{share:.2f}{note}", share <= MOST_TIME)
        words = f"{megabytes} MB: at most {MOST_WORK:g} times the processor time"
        verdicts.judge(words, f"{more:.2f}", more <= MOST_WORK)
    verdicts.exit()


if __name__ == "__main__":
    main()
