"""Corners under a ringing budget, each kick simulated alone: the mode's own equation of motion, step by step."""

from __future__ import annotations

import math
from random import Random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lsim

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.limits.vibration import filters_of
from kinematics.machine import Machine
from kinematics.vibration.filters import Filter

Reals = NDArray[np.float64]

STEP = 2e-5  # s
HELD = 1.02  # of the budget, by each event alone
NO_FILTER = Filter("none", (0.0,), (1.0,))


def swing_left(command_filter: Filter, frequency: float, damping: float, kick: tuple[float, float]) -> float:
    """How far (mm) the tip swings about its new place once the last impulse has acted: the larger of its next peaks.

    `kick` a sudden change of speed (mm/s) and a step of acceleration (mm/s²) of the axis at one instant.
    """
    omega = 2.0 * math.pi * frequency
    change, step = kick
    last = command_filter.times[-1]
    instants = np.arange(0.0, last + 1.2 / frequency, STEP)
    push = np.zeros(instants.size)
    for share, time in zip(command_filter.amplitudes, command_filter.times, strict=True):
        at = round(time / STEP)
        push[at:] += share * step
        push[at] += share * change / STEP  # all of the change within one step, held over it
    mode = ([1.0], [1.0, 2.0 * damping * omega, omega**2])
    _, lag, _ = lsim(mode, push, instants, interp=False)
    left = lag[instants > last + 2.0 * STEP] - step / omega**2
    peaks = np.flatnonzero((np.abs(left[1:-1]) >= np.abs(left[:-2])) & (np.abs(left[1:-1]) >= np.abs(left[2:]))) + 1
    return float(np.abs(left[peaks]).max(initial=0.0))


def draw(rng: Random) -> tuple[Machine, str, float]:
    """A machine with a mode and often a filter on both axes, two long lines with a corner between, and its turn."""
    told: dict[str, Any] = {
        "quality.ringing_budget_mm": 10.0 ** rng.uniform(-2.0, -1.0),
        "motion.print_acceleration_mm_s2": 10.0 ** rng.uniform(2.0, 4.3),
        "motion.junction_deviation_mm": 5.0,
        "motion.curve_rule": False,
    }
    for axis in "xy":
        told[f"vibration.{axis}.modes"] = [
            {
                "frequency_hz": rng.uniform(20.0, 80.0),
                "damping_ratio": rng.choice([0.0, rng.uniform(0.01, 0.2)]),
                "frequency_uncertainty_share": rng.choice([0.0, 0.1, 0.2]),
            }
        ]
        told[f"vibration.{axis}.filter"] = rng.choice(["none", "none", "ZV", "ZVD", "EI"])
    first, turn = rng.uniform(0.0, math.tau), rng.choice([0.05, 0.4, 1.0, math.pi / 2.0, 2.5, math.pi])
    x, y = 300.0 * math.cos(first), 300.0 * math.sin(first)
    after = 300.0 * math.cos(first + turn), 300.0 * math.sin(first + turn)
    text = f"M83\nG1 X{x:.6f} Y{y:.6f} E3 F90000\nG1 X{x + after[0]:.6f} Y{y + after[1]:.6f} E3\n"
    return Machine().with_settings(told, "Bench"), text, turn


@pytest.mark.parametrize("seed", range(60))
def test_each_corner_alone_stays_within_the_budget(seed: int) -> None:
    """Braked towards and left at the accelerations of both lines, or at the smaller of them; over all frequencies."""
    rng = Random(f"kick {seed}")
    machine, text, _ = draw(rng)
    planned = time_job(PreparedJob(memoryview(text.encode())), machine).whole_plan()
    moves, plan = planned.job.moves, planned.plan
    before, after = (np.array([moves.dx[i], moves.dy[i]]) / math.hypot(moves.dx[i], moves.dy[i]) for i in (0, 1))
    speed, smaller = float(plan.speed_in[1]), float(plan.acceleration.min())
    budget = machine.quality.ringing_budget_mm
    assert budget is not None
    worst = 0.0
    for axis, command_filter in enumerate(filters_of(machine)):
        (mode,) = getattr(machine.vibration, "xy"[axis]).modes
        for off in (-1.0, -0.5, 0.0, 0.5, 1.0):
            frequency = mode.frequency_hz * (1.0 + off * mode.frequency_uncertainty_share)
            change = speed * (after - before)[axis]
            both = plan.acceleration[1] * after[axis] + plan.acceleration[0] * before[axis]
            for step in (both, -both, smaller * (after + before)[axis]):
                kick = change, float(step)
                worst = max(worst, swing_left(command_filter or NO_FILTER, frequency, mode.damping_ratio, kick))
    print(f"{worst / budget:.4f} of the budget at {speed:.1f} mm/s")
    assert worst <= HELD * budget
