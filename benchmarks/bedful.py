"""All numbers of copies of one job beside a single estimate of it: whole processes, and the same within one.

The job is a sample's maker asked for three parts in a row, 10 MB; on the bed of the machine there is room for a good
thirty of it. `bedful` plans it once and the ways between copies for every number of them.
Run from anywhere: python benchmarks/bedful.py
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from contest import ROOT, SAMPLES, Verdicts, in_turn, table

sys.path.insert(0, str(SAMPLES))

from jobs import cable_guide

BED = "machine.bed_mm=[520,520,235]"
MACHINE = ("--machine", "middling", "--set", BED)
TIMES_ESTIMATE = 5.0


def run(*arguments: str) -> None:
    """Run the program to its end; a failure ends the benchmark."""
    command = [sys.executable, "-m", "kinematics", *arguments]
    done = subprocess.run(command, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{' '.join(command)}: exit status {done.returncode}\n{done.stderr}")


def main() -> None:
    """Run both ways."""
    from kinematics.business.bedful import bedful_of
    from kinematics.jobs.copies import CopiedJob
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.machine import load_machine
    from kinematics.studies.estimate import estimate_prepared

    verdicts = Verdicts()
    machine = load_machine("middling", [BED])
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job.gcode"
        job.write_text(cable_guide(((0.0, 0.0), (60.0, 0.0), (120.0, 0.0))))
        copies = bedful_of(CopiedJob(PreparedJob(str(job))), machine).most_fit
        contestants = {
            "estimate": lambda: run("estimate", str(job), *MACHINE),
            f"bedful, 1 to {copies} copies": lambda: run("bedful", str(job), *MACHINE),
            "estimate, within a process": lambda: estimate_prepared([PreparedJob(str(job))], machine),
            "bedful, within a process": lambda: bedful_of(CopiedJob(PreparedJob(str(job))), machine),
        }
        size = job.stat().st_size / 1e6
        times = in_turn(contestants, seconds=30.0)
    table(
        [f"{size:.1f} MB", "seconds", "median"],
        [[name, f"{each.least:.3f}", f"{each.median:.3f}"] for name, each in times.items()],
    )
    one, every, within, every_within = (each.least for each in times.values())
    for words, ratio in (("the command", every / one), ("within a process", every_within / within)):
        target = f"bedful takes less than {TIMES_ESTIMATE:g} times as long as an estimate, {words}"
        verdicts.judge(target, f"{ratio:.2f} times", ratio < TIMES_ESTIMATE)
    verdicts.exit()


if __name__ == "__main__":
    main()
