"""Modes of ten million samples beside scipy's Welch alone, and filters chosen for two jobs of 1 MB beside an estimate.

Run from anywhere: python benchmarks/vibration.py
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
from contest import Verdicts, in_turn, table
from scipy.signal import lfilter, welch

from kinematics.filtering.choice import choose_filters
from kinematics.filtering.options import known_modes
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import load_machine
from kinematics.vibration.recorded_modes import modes_of_record
from kinematics.vibration.spectrum import even_pieces, sampling_of, spectrum_of

SAMPLES = Path(__file__).parents[1] / "sample_gcode"
COUNT, RATE = 10_000_000, 3200.0
JOBS = ("tall_pin.gcode", "spiral_cup.gcode")
MACHINE = "machines/bench_cartesian.toml"
MOST = 10.0  # times the peer, for both


def shaken() -> tuple[np.ndarray, np.ndarray]:
    """Uneven times and the acceleration of an oscillator of 48 Hz and 0.06 that noise drives."""
    dice = np.random.default_rng(1)
    omega, damping = 2.0 * np.pi * 48.0 / RATE, 0.06
    pole = np.exp(omega * complex(-damping, np.sqrt(1.0 - damping**2)))
    values = lfilter([1.0, -2.0, 1.0], [1.0, -2.0 * pole.real, abs(pole) ** 2], dice.standard_normal(COUNT))
    times = (np.arange(COUNT) + dice.normal(0.0, 0.05, COUNT)) / RATE
    return times, np.asarray(values)


def main() -> None:
    """Let Welch and all of ours run in turn, then an estimate as a process and the choice among all pairs."""
    verdicts = Verdicts()
    times, values = shaken()

    def found() -> object:
        pieces = even_pieces(times, values, sampling_of(times))
        return modes_of_record(pieces), spectrum_of(pieces)

    taken = in_turn({"scipy.signal.welch": lambda: welch(values, RATE, nperseg=12_800), "modes": found}, seconds=40.0)
    least = taken["scipy.signal.welch"].least
    rows = [[name, f"{one.least:.2f}", f"{one.median:.2f}", f"{one.least / least:.1f}"] for name, one in taken.items()]
    table([f"{COUNT:,} samples, read", "seconds", "median", "times welch"], rows)
    ratio = taken["modes"].least / least
    verdicts.judge(f"resampling, spectrum and modes take less than {MOST:g} welch", f"{ratio:.1f}", ratio < MOST)

    machine = load_machine(str(SAMPLES / MACHINE))
    jobs = [PreparedJob(str(SAMPLES / job)) for job in JOBS]
    for job in jobs:
        time_job(job, machine)
    command = [sys.executable, "-m", "kinematics", "estimate", *JOBS, "--machine", MACHINE]
    taken = in_turn(
        {
            "estimate, a process": lambda: subprocess.run(command, cwd=SAMPLES, check=True, capture_output=True),
            "all pairs of types": lambda: choose_filters(machine, known_modes(machine), jobs),
        },
        seconds=60.0,
    )
    least = taken["estimate, a process"].least
    rows = [[name, f"{one.least:.2f}", f"{one.median:.2f}", f"{one.least / least:.1f}"] for name, one in taken.items()]
    table(["two jobs of 1 MB", "seconds", "median", "times estimate"], rows)
    ratio = taken["all pairs of types"].least / least
    verdicts.judge(f"the choice among all pairs takes less than {MOST:g} estimates", f"{ratio:.1f}", ratio < MOST)
    verdicts.exit()


if __name__ == "__main__":
    main()
