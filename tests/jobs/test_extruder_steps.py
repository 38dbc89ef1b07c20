"""Steps of the extruder under pressure advance: against its speed sampled just before and after every instant."""

from __future__ import annotations

import numpy as np
import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.jobs.whole_jobs import extruder_step_of_timing
from kinematics.machine import Machine
from kinematics.studies.caps import caps_of

P = 0.04
TEXT = "M83\nG1 X40 E2 F6000\nG1 X42 Y1 E0.1\nG1 X80 Y1 E1\nG1 X10\nG1 E-2 F2400\nG1 E2\nG1 X12 E0.3 F6000\n"
SETTINGS = {"filament.pressure_advance_s": P, "axes.e.max_speed_mm_s": 60.0, "motion.print_acceleration_mm_s2": 1500.0}


def test_the_largest_step_is_that_of_the_sampled_extruder() -> None:
    """By hand where nothing falls with speed: r·(v + p·a) of every part of every move; jumps at a constant speed."""
    timing = time_job(PreparedJob(memoryview(TEXT.encode())), Machine().with_settings(SETTINGS, "Bench"))
    planned = timing.whole_plan()
    plan, moves = planned.plan, planned.job.moves
    pushes = [0.0]  # r·p·a before each instant at which it may change
    for i in range(plan.duration.size):
        ratio = moves.de[i] / np.hypot(moves.dx[i], moves.dy[i]) if moves.dx[i] or moves.dy[i] else 0.0
        for seconds, sign in ((plan.rising[i], 1.0), (plan.cruising[i], 0.0), (plan.falling[i], -1.0)):
            if seconds > 1e-12:
                pushes.append(max(ratio, 0.0) * P * sign * plan.acceleration[i])
    pushes.append(0.0)
    found = extruder_step_of_timing(timing)
    assert found.step_mm_s == pytest.approx(np.abs(np.diff(pushes)).max(), rel=1e-9)
    assert found.step_mm_s == pytest.approx(2.0 * P * 1500.0 * 0.15, rel=1e-9)  # the top of the last move
    assert found.line == 8


def test_what_the_extruders_speed_leaves_is_all_that_steps() -> None:
    """v + p·a <= V_e/r: from rest the whole of V_e at most, where the constant ceiling asks for more."""
    told = SETTINGS | {"axes.e.max_speed_mm_s": 5.0, "motion.print_acceleration_mm_s2": 20000.0}
    timing = time_job(PreparedJob(memoryview(b"M83\nG1 X40 E2 F3000\n")), Machine().with_settings(told, "Bench"))
    assert extruder_step_of_timing(timing).step_mm_s == pytest.approx(5.0, rel=1e-9)


def test_caps_tell_it_where_pressure_is_advanced() -> None:
    job = PreparedJob(memoryview(TEXT.encode()))
    assert caps_of(Machine(), [job]).extruder_steps == ()
    assert len(caps_of(Machine().with_settings(SETTINGS, "Bench"), [job]).extruder_steps) == 1
