"""Whole processes: an estimate beside the mere import of numpy and numba, `--help`, and the first run ever.

Run from anywhere: python benchmarks/process.py
"""

from __future__ import annotations

import compileall
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from contest import ROOT, SAMPLES, Verdicts, in_turn, table

JOB_BYTES = 10_000_000
MACHINE = "middling"
TIMES_IMPORTS = 1.0
MOST_FOR_HELP = 0.15  # s
MOST_FOR_FIRST_RUN = 15.0  # s
IMPORTS = [sys.executable, "-c", "import numpy, numba"]
HELP = [sys.executable, "-m", "kinematics", "--help"]
# --help as the console script runs it; says afterwards whether numpy came along
WHAT_HELP_IMPORTS = [
    sys.executable,
    "-c",
    "import sys\n"
    "from kinematics.cli.program import main\n"
    "try:\n"
    "    main(['--help'])\n"
    "except SystemExit:\n"
    "    pass\n"
    "print('with numpy' if 'numpy' in sys.modules else 'without numpy')",
]


def run(command: Sequence[str], cache: str | None = None) -> str:
    """Run a command to its end and return what it printed; a failure ends the benchmark."""
    variables: Mapping[str, str] = os.environ if cache is None else os.environ | {"KINEMATICS_CACHE_DIR": cache}
    done = subprocess.run(command, cwd=ROOT, env=variables, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{' '.join(command)}: exit status {done.returncode}\n{done.stderr}")
    return done.stdout


def write_job(path: Path) -> None:
    """All sample jobs, one after the other, again and again until the size is reached."""
    samples = [sample.read_bytes() for sample in sorted(SAMPLES.glob("*.gcode"))]
    content = b"".join(samples)
    while len(content) < JOB_BYTES:
        content += samples[len(content) % len(samples)]
    path.write_bytes(content[: content.rindex(b"\n", 0, JOB_BYTES + 1) + 1])


def main() -> None:
    """Run all parts."""
    verdicts = Verdicts()
    # As an installed program has it, numpy and numba among them; without, each run would compile its own sources.
    compileall.compile_dir(ROOT / "kinematics", quiet=1)
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job.gcode"
        write_job(job)
        estimate = [sys.executable, "-m", "kinematics", "estimate", str(job), "--machine", MACHINE]
        begin = time.perf_counter()
        run(estimate, cache=str(Path(folder) / "cache"))
        first = time.perf_counter() - begin
        cache = str(Path(folder) / "cache")  # filled by the first run
        commands = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "import numpy, numba": IMPORTS,
            "--help": HELP,
            f"estimate, {job.stat().st_size / 1e6:.1f} MB": estimate,
            "estimate, a small cube": [*estimate[:4], str(SAMPLES / "test_cube.gcode"), *estimate[5:]],
        }
        contestants = {name: lambda command=command: run(command, cache) for name, command in commands.items()}
        times = in_turn(contestants, seconds=20.0, rounds=7)
    (_, imports, help_, warm, cube) = times.values()
    table(
        ["process", "seconds", "median"],
        [
            *([name, f"{each.least:.3f}", f"{each.median:.3f}"] for name, each in times.items()),
            ["estimate, first run ever", f"{first:.1f}", ""],
        ],
    )
    ratio = warm.least / imports.least
    target = f"a warm estimate takes at most {TIMES_IMPORTS:g} times as long as the imports"
    found = f"{ratio:.2f} times, of a small cube {cube.least / imports.least:.2f} times"
    verdicts.judge(target, found, ratio <= TIMES_IMPORTS)
    verdicts.judge(f"--help takes less than {MOST_FOR_HELP:g} s", f"{help_.least:.3f} s", help_.least < MOST_FOR_HELP)
    found = run(WHAT_HELP_IMPORTS).strip().splitlines()[-1]
    verdicts.judge("--help leaves numpy alone", found, found == "without numpy")
    target = f"the first run ever takes at most {MOST_FOR_FIRST_RUN:g} s"
    verdicts.judge(target, f"{first:.1f} s", first <= MOST_FOR_FIRST_RUN)
    verdicts.exit()


if __name__ == "__main__":
    main()
