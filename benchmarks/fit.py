"""A fit to twelve prints of a megabyte each, beside one estimate of the same jobs: both read the files.

Run from anywhere: python benchmarks/fit.py
"""

from __future__ import annotations

import numpy as np
from contest import SAMPLES, Verdicts, in_turn, table

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask
from kinematics.machine import load_machine
from kinematics.measured.fit import Fit, fit_prints
from kinematics.measured.stopwatch import Measured
from kinematics.studies.estimate import estimate_prepared

BYTES = 1_000_000
PRINTS = 12
NOISE = 0.02
MOST_ESTIMATES = 20.0
MACHINE = load_machine("middling")
TRUTH = {"motion.print_acceleration_mm_s2": 800.0, "stops.startup_s": 70.0, "stops.each_layer_s": 0.3}
LONG = ("cable_guide", "spiral_cup", "tall_pin")


def contents() -> list[bytes]:
    """Twelve jobs: the starts of samples, each followed by a megabyte from another place of it."""
    found = []
    for number in range(PRINTS):
        text = (SAMPLES / f"{LONG[number % len(LONG)]}.gcode").read_bytes()
        start = text.index(b"\n", number // len(LONG) * (len(text) - BYTES) // 4) + 1 if len(text) > BYTES else 0
        begin = text.index(b"M107")
        body = text[max(start, begin) : max(start, begin) + BYTES]
        found.append(text[:begin] + body[: body.rindex(b"\n") + 1])
    return found


def main() -> None:
    """Let an estimate and a fit run in turn."""
    verdicts = Verdicts()
    texts = contents()
    truth = MACHINE.with_settings(TRUTH)
    chance = np.random.default_rng(1)
    times = [PreparedJob(memoryview(text)).totals([Ask(truth)])[0] for text in texts]
    measured = [float(seconds) * float(np.exp(NOISE * chance.normal())) for seconds in times]

    def jobs() -> list[PreparedJob]:
        return [PreparedJob(memoryview(text), name=f"job {number}") for number, text in enumerate(texts)]

    def fit() -> Fit:
        prints = [
            Measured(f"job {number}", job, MACHINE, seconds, True, f"line {number + 2}")
            for number, (job, seconds) in enumerate(zip(jobs(), measured, strict=True))
        ]
        return fit_prints(prints, MACHINE)

    found = fit()
    chosen = ", ".join(f"{one.name} {one.value:.3g}" for one in found.parameters if one.chosen and one.value)
    print(f"fitted: {chosen}; off by {found.before.off_share:.1%} before, {found.after.off_share:.1%} after\n")
    taken = in_turn({"estimate of the lot": lambda: estimate_prepared(jobs(), MACHINE), "fit": fit}, seconds=20.0)
    least = taken["estimate of the lot"].least
    rows = [[name, f"{one.least:.3f}", f"{one.median:.3f}", f"{one.least / least:.1f}"] for name, one in taken.items()]
    table([f"{PRINTS} jobs of {BYTES / 1e6:g} MB", "seconds", "median", "times the estimate"], rows)
    ratio = taken["fit"].least / least
    target = f"a fit to {PRINTS} prints takes less than {MOST_ESTIMATES:g} times one estimate of the lot"
    verdicts.judge(target, f"{ratio:.1f} times", ratio < MOST_ESTIMATES)
    verdicts.exit()


if __name__ == "__main__":
    main()
