"""What is told of a job's commands: against a buffer simulated one command after the other."""

from __future__ import annotations

import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.jobs.whole_jobs import commands_of_timing
from kinematics.machine import Machine
from kinematics.studies.caps import caps_of

PLACES = [0.05 * k + 2.0 * (k // 40) for k in range(1, 121)]
LINES = [f"G1 X{place:.3f} E{0.001 if k % 40 else 0.04} F{6000 + k % 7}" for k, place in enumerate(PLACES, 1)]
TEXT = "M83\n" + "\n".join([*LINES[:60], "G4 P500", *LINES[60:], "G1 X80 F9000"]) + "\n"
PACED = {"motion.lookahead_moves": 24, "motion.print_acceleration_mm_s2": 20000.0}


def waits_by_hand(durations: list[float], costs: list[float], room: int) -> list[float]:
    """The clock of a controller whose buffer holds `room` commands, the one under way counted."""
    taken_in: list[float] = []
    ends: list[float] = []
    waits = []
    for k, (duration, cost) in enumerate(zip(durations, costs, strict=True)):
        begin = taken_in[-1] if taken_in else 0.0
        if k >= room:  # a place is free once that command is done
            begin = max(begin, ends[k - room])
        taken_in.append(begin + cost)
        free = ends[-1] if ends else 0.0
        waits.append(max(0.0, taken_in[-1] - free))
        ends.append(max(free, taken_in[-1]) + duration)
    return [0.0, *waits[1:]]


@pytest.mark.parametrize(("key", "rate"), [("controller.moves_per_s", 400.0), ("controller.bytes_per_s", 11000.0)])
def test_waits_are_those_of_a_simulated_buffer(key: str, rate: float) -> None:
    machine = Machine().with_settings(PACED | {key: rate}, "Bench")
    timing = time_job(PreparedJob(memoryview(TEXT.encode())), machine)
    found = commands_of_timing(timing)
    lines = TEXT.encode().split(b"\n")
    planned = timing.whole_plan()
    size = [len(lines[number - 1]) + 1 for number in planned.job.moves.line.tolist()]
    costs = [1.0 / rate if "moves" in key else one / rate for one in size]
    durations = planned.plan.duration.tolist()
    durations[59] += 0.5  # the dwell
    waits = waits_by_hand(durations, costs, 24)
    assert found.commands == 121
    assert 0 < found.late == sum(wait > 1e-9 for wait in waits)
    assert found.longest_wait_s == pytest.approx(max(waits), rel=1e-9)
    assert found.total_wait_s == pytest.approx(sum(waits), rel=1e-9)
    assert found.line == planned.job.moves.line[waits.index(max(waits))]
    assert found.late_share == found.late / 121


def test_caps_tell_it_where_a_rate_is_known() -> None:
    job = PreparedJob(memoryview(TEXT.encode()))
    assert caps_of(Machine().with_settings(PACED, "Bench"), [job]).commands == ()
    (found,) = caps_of(Machine().with_settings(PACED | {"controller.moves_per_s": 1e6}, "Bench"), [job]).commands
    assert (found.late, found.longest_wait_s, found.line) == (0, 0.0, 0)
