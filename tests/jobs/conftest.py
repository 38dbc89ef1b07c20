"""Small jobs and machines for questions that can be answered by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Timing, time_job
from kinematics.machine import Machine
from tests.jobs.in_blocks import Counts

ACCELERATION = 1000.0  # mm/s2, of prints and travels
BENCH = {
    "machine.name": "Bench",
    "motion.print_acceleration_mm_s2": ACCELERATION,
    "motion.travel_acceleration_mm_s2": ACCELERATION,
}


def bench(**settings: object) -> Machine:
    """A machine with little given; two underscores stand for the dot of a key."""
    return Machine().with_settings({**BENCH, **{key.replace("__", "."): value for key, value in settings.items()}})


def job_of(text: str, dialect: Dialect = EXTRUSION) -> Job:
    """The job of a text."""
    return read_gcode(text.encode(), dialect, name="job")


def time_of(text: str, machine: Machine) -> Timing:
    """The timing of a text under a machine."""
    return time_job(PreparedJob(job_of(text)), machine)


def straight(length: float, speed: float, acceleration: float = ACCELERATION) -> float:
    """Time of a straight move from rest to rest (s): the trapezoid, or the triangle where it is too short."""
    ramp = speed * speed / acceleration
    if ramp >= length:
        return 2.0 * math.sqrt(length / acceleration)
    return length / speed + speed / acceleration


@pytest.fixture
def job(tmp_path: Path) -> Callable[[str | bytes], Path]:
    """Write a job file."""

    def write(text: str | bytes) -> Path:
        path = tmp_path / "job.gcode"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


@pytest.fixture
def counts(monkeypatch: pytest.MonkeyPatch) -> Counts:
    return Counts(monkeypatch)
