"""Sweeps that are killed again and again: what they leave is gone on from, with the bytes of one left alone in the end.

`python -m tests.faults.kills 20` kills each kind of sweep so often, at a moment that is drawn, and has two runs at once
on one file. Exit status 1 where anything differs.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random

from tests.cli.conftest import ROOT

JOB = "M83\n" + "".join(f"G1 X{i % 2 * 8} Y{i % 190} E0.4 F{900 + i % 70 * 100}\n" for i in range(4000))
QUICK = ("--machine", "quick", "--set", "cooling.shortest_layer_s=0")
UNSURE = ("--set", "motion.junction_deviation_mm={low=0.02, likely=0.05, high=0.1}", "--draws", "40")
SWEEPS: dict[str, tuple[str, ...]] = {
    "rows.csv": (*QUICK, "--vary", "acceleration=100:9000:640"),
    "rows.parquet": (*QUICK, "--vary", "acceleration=100:9000:32", "--vary", "speed=0.5:2:20"),
    "ranges.csv": (*QUICK, *UNSURE, "--vary", "acceleration=100:9000:60"),
}
LONGEST = 120.0  # s that a run may take before it has written anything


def begun(folder: Path, name: str) -> subprocess.Popen[bytes]:
    """A run that writes a sweep's rows."""
    words = ("sweep", "job.gcode", *SWEEPS[Path(name).name], "--output", name)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-m", "kinematics", *words],
        cwd=folder,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )


def killed(run: subprocess.Popen[bytes], rows: Path, chance: Random) -> bool:
    """Kill a run a while after it has added rows; False where it has ended before."""
    size, until = rows.stat().st_size if rows.exists() else 0, time.monotonic() + LONGEST
    while run.poll() is None and time.monotonic() < until:
        if rows.exists() and rows.stat().st_size > size:
            time.sleep(chance.choice((0.0, 0.001, 0.01, 0.05)) * chance.random())
            break
        time.sleep(0.0005)
    run.send_signal(signal.SIGKILL)
    run.communicate()
    return run.returncode == -signal.SIGKILL


def two_at_once(folder: Path, name: str) -> Iterator[str]:
    """What goes wrong where a second run is begun while the first one writes."""
    first, told_of, until = begun(folder, name), folder / f"{name}.partial.json", time.monotonic() + LONGEST
    while first.poll() is None and not told_of.exists() and time.monotonic() < until:
        time.sleep(0.0005)
    first.send_signal(signal.SIGSTOP)  # so that it is still at it, however long the second takes to begin
    second = begun(folder, name)
    _, said = second.communicate()
    first.send_signal(signal.SIGCONT)
    told = first.communicate()[1]
    if (first.returncode, second.returncode) != (0, 2):
        yield f"{name}: two at once ended with {first.returncode} and {second.returncode}: {told!r}, {said!r}"
    elif f"another run writes its rows there now (process {first.pid})".encode() not in said:
        yield f"{name}: the second of two runs said {said!r}"


def problems(kills: int, seed: int = 0, names: tuple[str, ...] = tuple(SWEEPS)) -> Iterator[str]:
    """What goes wrong in so many kills of each sweep, in the current folder."""
    chance, folder = Random(seed), Path.cwd()
    (folder / "job.gcode").write_text(JOB)
    (folder / "alone").mkdir()
    (folder / "alone" / "job.gcode").write_text(JOB)
    for name in names:
        yield from two_at_once(folder / "alone", name)
        expected = (folder / "alone" / name).read_bytes()
        done = sweeps = resumed = 0
        while done < kills or (folder / f"{name}.partial").exists():
            run = begun(folder, name)
            if done < kills and killed(run, folder / f"{name}.partial", chance):
                done += 1
                if (folder / name).exists():  # it was done, but for tidying up
                    if (folder / name).read_bytes() != expected:
                        yield f"{name}: other bytes, killed at the very end"
                        return
                    (folder / name).unlink()
                continue
            said = run.stderr.read() if run.stderr is not None and not run.stderr.closed else b""
            run.wait()
            resumed += b"carrying on" in said
            sweeps += 1
            if run.returncode != 0 or (folder / name).read_bytes() != expected:
                yield f"{name}: after {done} kills status {run.returncode}, other bytes, or {said!r}"
                return
            left = [path.name for path in folder.glob(f"{name}.*")]
            if left:
                yield f"{name}: left behind {left}"
            (folder / name).unlink()
        print(f"{name}: {done} kills, {sweeps} sweeps ended with the same {len(expected):,} bytes", flush=True)


def run() -> None:
    """Kill as often as the first word says."""
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        os.chdir(folder)
        found = list(problems(int(sys.argv[1])))
        os.chdir("/")
    print("\n".join(found))
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    run()
