"""A ladder beside one estimate, each a process of its own: a job of 10 MB, on a machine of plain limits and on one
whose motors tie speed to acceleration; and how often it plans the job.

The job is samples, one after the other. Run from anywhere: python benchmarks/ladder.py
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from contest import ROOT, SAMPLES, Verdicts, in_turn, table

JOB_BYTES = 10_000_000
PLAIN, TIED = "gentle", str(SAMPLES / "machines" / "bench_cartesian.toml")
TIMES_ESTIMATE = 10.0
MOST_PLANS = 250
COUNT_PLANS = """
import sys
import kinematics
print(kinematics.ladder(sys.argv[1], sys.argv[2]).plans)
"""


def write_job(path: Path) -> None:
    """Samples without lines that end the program, until the size is reached."""
    lines = [line for sample in sorted(SAMPLES.glob("*.gcode")) for line in sample.read_bytes().splitlines(True)]
    content = b"".join(line for line in lines if line.split(b";")[0].strip() not in (b"M2", b"M30"))
    path.write_bytes((content * (JOB_BYTES // len(content) + 1))[:JOB_BYTES].rsplit(b"\n", 1)[0] + b"\n")


def running(*words: str) -> Callable[[], object]:
    """Run the program in a process of its own."""

    def run() -> None:
        subprocess.run([sys.executable, "-m", "kinematics", *words], cwd=ROOT, stdout=subprocess.DEVNULL, check=True)

    return run


def plans_of(path: Path, machine: str) -> int:
    """How often a ladder plans the job."""
    words = [sys.executable, "-c", COUNT_PLANS, str(path), machine]
    return int(subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True).stdout)


def main() -> None:
    """Let estimates and ladders run in turn, on both machines, and judge."""
    verdicts = Verdicts()
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job.gcode"
        write_job(job)
        for name, machine in (("plain limits", PLAIN), ("torque curves", TIED)):
            times = in_turn(
                {
                    "estimate": running("estimate", str(job), "--machine", machine),
                    "ladder": running("ladder", str(job), "--machine", machine),
                },
                seconds=10.0,
            )
            ratio = times["ladder"].least / times["estimate"].least
            plans = plans_of(job, machine)
            rows = [[one, f"{each.least:.2f}", f"{each.median:.2f}"] for one, each in times.items()]
            table([name, "seconds", "median"], rows)
            target = f"with {name} a ladder takes less than {TIMES_ESTIMATE:g} times one estimate"
            verdicts.judge(target, f"{ratio:.1f} times", ratio < TIMES_ESTIMATE)
            verdicts.judge(f"with {name} it plans {MOST_PLANS} times at most", f"{plans} plans", plans <= MOST_PLANS)
    verdicts.exit()


if __name__ == "__main__":
    main()
