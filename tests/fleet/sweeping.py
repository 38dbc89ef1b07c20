"""A sweep over a folder of small jobs by a cluster, as a process that can be killed.

`python -m tests.fleet.sweeping ADDRESS FOLDER ROWS` writes the rows to ROWS when all are there.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from random import Random

from kinematics.fleet.asking import Recipe
from kinematics.fleet.crews import Crew, CrewElsewhere, kept_answers
from kinematics.fleet.dask_cluster import cluster
from kinematics.fleet.sent_jobs import SentJob
from kinematics.gcode.dialects import EXTRUSION
from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.timing import TimedJob
from kinematics.machine import load_machine
from kinematics.studies.knobs import grid, knob_from
from kinematics.studies.sweep import SweepRow, sweep_rows

RUN = "sweeping"  # the name under which answers are kept
KNOBS = [knob_from("acceleration=300:9000:24log")]


def small_jobs(folder: Path, count: int, moves: int = 40) -> list[Path]:
    """So many small jobs of random moves, seeded."""
    folder.mkdir()
    paths = []
    for number in range(count):
        chance = Random(number)
        lines = [f"G1 X{chance.uniform(5, 150):.2f} Y{chance.uniform(5, 150):.2f} E0.3 F4800" for _ in range(moves)]
        paths.append(folder / f"part{number:04d}.gcode")
        paths[-1].write_text("\n".join(["M83", "G1 Z0.2 F600", *lines, ""]))
    return paths


def sent(folder: Path, crew: Crew) -> list[TimedJob]:
    """The jobs of a folder as a crew times them."""
    paths = sorted(folder.glob("*.gcode"))
    return [SentJob(Recipe(str(path), path.name, EXTRUSION, "honour", False), crew) for path in paths]


def swept(jobs: Sequence[TimedJob]) -> list[SweepRow]:
    """The rows of a sweep over jobs."""
    names = [f"job {number}" for number in range(len(jobs))]
    weighted = WeightedJobs(jobs, names, [1.0] * len(jobs))
    return [row for rows in sweep_rows(weighted, load_machine("quick"), KNOBS, list(grid(KNOBS))) for row in rows]


def crew_of(address: str) -> tuple[CrewElsewhere, object]:
    """The workers of a cluster, and what ends with them."""
    kept = kept_answers(RUN)
    assert kept is not None
    crew = cluster(address, kept, print)
    return crew.__enter__(), crew


def main() -> None:
    """Sweep, and write the rows."""
    address, folder, rows = sys.argv[1:]
    crew, _ = crew_of(address)
    Path(rows).write_text(repr(swept(sent(Path(folder), crew))))


if __name__ == "__main__":
    main()
