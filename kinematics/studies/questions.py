"""The studies as functions for Python: jobs and machines in whatever form they are at hand."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from kinematics.gcode.dialects import EXTRUSION, Dialect, dialect_named
from kinematics.gcode.job import Job
from kinematics.machine import Candidate, Machine, load_machine, parse_settings
from kinematics.studies.blockwise import BlockwiseJob, prepared_job
from kinematics.studies.compare import Comparison, compare_prepared
from kinematics.studies.estimate import Estimate, estimate_prepared
from kinematics.studies.intervals import USUAL, Sampling
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.ringing import Ringing, ringing_of

JobLike = str | os.PathLike[str] | Job
MachineLike = str | os.PathLike[str] | Machine


def _prepared(jobs: JobLike | Iterable[JobLike], dialect: str | Dialect) -> list[PreparedJob | BlockwiseJob]:
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    many = [jobs] if isinstance(jobs, str | os.PathLike | Job) else list(jobs)
    return [
        PreparedJob(job, dialect) if isinstance(job, Job) else prepared_job(os.fspath(job), dialect) for job in many
    ]


def _machine(machine: MachineLike) -> Machine:
    return machine if isinstance(machine, Machine) else load_machine(os.fspath(machine))


def estimate(
    jobs: JobLike | Iterable[JobLike],
    machine: MachineLike | None = None,
    dialect: str | Dialect = EXTRUSION,
    draws: int = USUAL.draws,
    seed: int = USUAL.seed,
) -> Estimate:
    """How long do jobs take on a machine, and where does the time go?

    `jobs` a path, a Job, or several; `machine` a Machine, a path, a built-in name, or None for the span over the
    built-in machines; `draws` and `seed` say how intervals are drawn where the machine has ranges. Raises InputError.
    """
    known = None if machine is None else _machine(machine)
    return estimate_prepared(_prepared(jobs, dialect), known, sampling=Sampling(draws, seed))


def compare(
    jobs: JobLike | Iterable[JobLike],
    machine: MachineLike,
    candidates: Mapping[str, Mapping[str, Any] | str] | Sequence[Candidate] | None = None,
    dialect: str | Dialect = EXTRUSION,
    draws: int = USUAL.draws,
    seed: int = USUAL.seed,
) -> Comparison:
    """How long do jobs take under candidate limits, and what is saved?

    `candidates` maps a name to settings, `{"brisk": {"motion.print_acceleration_mm_s2": 4000}}` or
    `{"brisk": "acceleration=4000, speed=1.5"}`, or is a list of Candidate; None takes those of the machine file;
    `draws` and `seed` say how intervals are drawn where a machine has ranges. Raises InputError.
    """
    known = _machine(machine)
    if candidates is None:
        chosen: Sequence[Candidate] = known.candidates
    elif isinstance(candidates, Mapping):
        chosen = [
            Candidate(name, parse_settings(settings) if isinstance(settings, str) else dict(settings))
            for name, settings in candidates.items()
        ]
    else:
        chosen = candidates
    return compare_prepared(_prepared(jobs, dialect), known, chosen, sampling=Sampling(draws, seed))


def ringing(job: JobLike, machine: MachineLike, dialect: str | Dialect = EXTRUSION) -> Ringing:
    """How far does a job swing the axes of which the machine knows modes, kick by kick at most and as a whole?

    The whole job is held in memory, however large it is. Raises InputError, also where no mode is known.
    """
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    return ringing_of(PreparedJob(job if isinstance(job, Job) else os.fspath(job), dialect), _machine(machine))
