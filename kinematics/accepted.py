"""What the questions accept: jobs, machines, candidates and dialects in whatever form they are at hand."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import IO, Any, TypeVar

from kinematics.errors import InputError
from kinematics.gcode.dialects import Dialect, dialect_named
from kinematics.gcode.job import Job
from kinematics.jobs.blockwise import job_to_time
from kinematics.jobs.copies import USUAL_COPYING as USUAL_COPYING
from kinematics.jobs.copies import CopiedJob, Copying
from kinematics.jobs.copies_layout import INTERLEAVED, ONE_AFTER_ANOTHER
from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import TimedJob
from kinematics.machine import Candidate, Machine, candidate_from, load_machine, parse_settings

JobLike = str | os.PathLike[str] | bytes | IO[str] | IO[bytes] | Job
JobsLike = JobLike | Iterable[JobLike]
MachineLike = str | os.PathLike[str] | Mapping[str, Any] | Machine
Settings = str | Mapping[str, Any]
Prepared = TypeVar("Prepared")
CandidatesLike = Settings | Mapping[str, Settings] | Sequence[Candidate | str]

DEFAULT_DIALECT = "extrusion"
JOB_ALLOWED = "a path, the bytes or the text of a G-code file, an open file, or a job from read_gcode"
MACHINE_ALLOWED = "a built-in name, the path of a machine file, a dict of keys, or a Machine"
IN_MEMORY = "<G-code>"


def _told(value: object) -> str:
    return f"a {type(value).__name__}"


def dialect_from(dialect: str | Dialect) -> Dialect:
    """The dialect of a name, of the path of a table, or one that was made. Raises InputError."""
    if isinstance(dialect, Dialect):
        return dialect
    if not isinstance(dialect, str):
        raise InputError.at("dialect=", _told(dialect), "a dialect's name, the path of a dialect table, or a Dialect")
    return dialect_named(dialect)


def _text_of(job: JobLike) -> bytes | None:
    """The bytes of a job that is at hand; None for a path."""
    if isinstance(job, bytes | bytearray | memoryview):
        return bytes(job)
    if isinstance(job, str) and ("\n" in job or "\r" in job):
        return job.encode()
    if isinstance(job, io.IOBase) or hasattr(job, "read"):
        read = job.read()
        return read.encode() if isinstance(read, str) else bytes(read)
    return None


def _made_of(job: JobLike, dialect: Dialect, make: Callable[[Any, Dialect, str | None], Prepared]) -> Prepared:
    """What `make` makes of the path or the bytes of a job. Raises InputError for what is none."""
    content = _text_of(job)
    if content is not None:
        return make(memoryview(content), dialect, str(getattr(job, "name", IN_MEMORY)))
    if not isinstance(job, str | os.PathLike):
        raise InputError.at("jobs=", _told(job), JOB_ALLOWED)
    return make(os.fspath(job), dialect, None)


def prepared_with_moves(job: JobLike, dialect: Dialect) -> PreparedJob:
    """A job of any form with all its moves at hand. Raises InputError for what is none."""
    return PreparedJob(job, dialect) if isinstance(job, Job) else _made_of(job, dialect, PreparedJob)


def many_jobs(jobs: JobsLike) -> list[JobLike]:
    """One job or several as a list. Raises InputError for an empty list, and for what is no job."""
    if isinstance(jobs, str | os.PathLike | bytes | bytearray | memoryview | Job) or hasattr(jobs, "read"):
        return [jobs]  # type: ignore[list-item]
    if not isinstance(jobs, Iterable) or isinstance(jobs, Mapping):
        raise InputError.at("jobs=", _told(jobs), f"{JOB_ALLOWED}; or a list of these")
    found = list(jobs)
    if not found:
        raise InputError.at("jobs=", "an empty list", "one job or more")
    return found


def jobs_to_time(
    jobs: JobsLike, dialect: str | Dialect, copies: int = 1, copying: Copying = USUAL_COPYING
) -> list[TimedJob]:
    """Jobs that need only be timed: those of many bytes or moves among them are planned block by block, unless in
    several copies.
    """
    known = dialect_from(dialect)
    if copies == 1:
        return [prepared_job(job, known) for job in many_jobs(jobs)]
    if not isinstance(copies, int) or copies < 1:
        raise InputError.at("copies=", f"{copies!r}", "a whole number from 1 on")
    return [CopiedJob(prepared_job(job, known), copies, copying) for job in many_jobs(jobs)]


def copying_from(spacing: float, one_after_another: bool) -> Copying:
    """How copies are made."""
    return Copying(float(spacing), ONE_AFTER_ANOTHER if one_after_another else INTERLEAVED)


def prepared_job(job: JobLike, dialect: Dialect) -> TimedJob:
    """A job of any form to be timed, in blocks where it is large. Raises InputError for what is none."""
    if isinstance(job, Job):
        return PreparedJob(job, dialect)
    return _made_of(job, dialect, lambda source, known, name: job_to_time(source, known, name=name))


def name_of(job: JobLike) -> str:
    """What a job is called: its path, or that it is at hand."""
    if isinstance(job, Job):
        return job.name
    return os.fspath(job) if isinstance(job, str | os.PathLike) and _text_of(job) is None else IN_MEMORY


def weighted_jobs(
    jobs: JobsLike,
    prints: float | Sequence[float] | None,
    dialect: str | Dialect,
    copies: int = 1,
    copying: Copying = USUAL_COPYING,
) -> WeightedJobs:
    """Jobs of any form, each as often as it is printed. Raises InputError."""
    many = many_jobs(jobs)
    prepared = jobs_to_time(many, dialect, copies, copying)
    return WeightedJobs(prepared, [name_of(job) for job in many], one_each(prints, len(many), "prints="))


def one_each(numbers: float | Sequence[float] | None, count: int, place: str) -> list[float]:
    """One number a job."""
    if numbers is None:
        return [1.0] * count
    found = [float(numbers)] * count if isinstance(numbers, (int, float)) else [float(number) for number in numbers]
    if len(found) != count:
        raise InputError.at(place, f"{len(found)} numbers for {count} jobs", "one a job")
    return found


def machine_from(machine: MachineLike) -> Machine:
    """The machine of a name, a path, a dict of keys or of tables. Raises InputError for what is none."""
    if isinstance(machine, Machine):
        return machine
    if isinstance(machine, str | os.PathLike):
        return load_machine(os.fspath(machine))
    if isinstance(machine, Mapping):
        if all(isinstance(value, Mapping | list | tuple) for value in machine.values()):
            return Machine(**machine)  # tables, as a machine file has them
        return Machine().with_settings(dict(machine), "machine=")
    raise InputError.at("machine=", _told(machine), MACHINE_ALLOWED)


def settings_from(settings: Settings, place: str) -> dict[str, Any]:
    """Settings as text or dict. Raises InputError at `place` for what is neither."""
    if isinstance(settings, str):
        return parse_settings(settings, place)
    if isinstance(settings, Mapping):
        return dict(settings)
    raise InputError.at(
        place, _told(settings), 'settings, such as {"acceleration": 4000} or "acceleration=4000, speed=2"'
    )


def candidates_from(candidates: CandidatesLike | None, machine: Machine) -> Sequence[Candidate]:
    """Candidates of any form; those of the machine where none are given. Raises InputError."""
    if candidates is None:
        return machine.candidates
    if isinstance(candidates, str):
        return [candidate_from(candidates, "candidates=")]
    if isinstance(candidates, Mapping):
        if all(isinstance(value, str | Mapping) for value in candidates.values()):
            return [Candidate(name, settings_from(one, f"candidate {name}")) for name, one in candidates.items()]
        words = ", ".join(f"{key}={value}" for key, value in candidates.items())
        return [Candidate(words, dict(candidates))]
    return [one if isinstance(one, Candidate) else candidate_from(one, "candidates=") for one in candidates]
