"""The studies as functions for Python: jobs and machines in whatever form they are at hand."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from kinematics.business.plan import Clock
from kinematics.business.runs import Shop, Variant, shop_of
from kinematics.business.tables import MOMENT_ALLOWED, moment_of, read_orders, read_printers
from kinematics.business.upgrades import PRINTS_PER_MONTH, Upgrades, upgrades_prepared
from kinematics.errors import InputError
from kinematics.gcode.dialects import EXTRUSION, Dialect, dialect_named
from kinematics.gcode.job import Job
from kinematics.machine import Candidate, Machine, load_machine, parse_settings
from kinematics.studies.blockwise import job_to_time
from kinematics.studies.compare import Comparison, compare_prepared
from kinematics.studies.estimate import Estimate, estimate_prepared
from kinematics.studies.intervals import USUAL, Sampling
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.ringing import Ringing, ringing_of
from kinematics.studies.rounding import Rounding, rounding_of
from kinematics.studies.timing import TimedJob

JobLike = str | os.PathLike[str] | Job
MachineLike = str | os.PathLike[str] | Machine


def _prepared(jobs: JobLike | Iterable[JobLike], dialect: str | Dialect) -> list[TimedJob]:
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    many = [jobs] if isinstance(jobs, str | os.PathLike | Job) else list(jobs)
    return [PreparedJob(job, dialect) if isinstance(job, Job) else job_to_time(os.fspath(job), dialect) for job in many]


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


def rounding(job: JobLike, machine: MachineLike, dialect: str | Dialect = EXTRUSION) -> Rounding:
    """How far do the vibration filters of a machine take what a job prints off its drawn path?

    The whole job is held in memory, however large it is. Raises InputError, also where no axis has a filter.
    """
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    return rounding_of(PreparedJob(job if isinstance(job, Job) else os.fspath(job), dialect), _machine(machine))


def upgrades(
    jobs: JobLike | Iterable[JobLike],
    machine: MachineLike,
    per_month: float | Sequence[float] | None = None,
    dialect: str | Dialect = EXTRUSION,
) -> Upgrades:
    """Which upgrade of a machine file pays, and when?

    `per_month` good prints a month, of each job or job by job; None takes the machine file's, or one a day. Raises
    InputError.
    """
    prepared, known = _prepared(jobs, dialect), _machine(machine)
    if per_month is None:
        told = known.economy.prints_per_month
        per_month = PRINTS_PER_MONTH if told is None else told
    prints = [float(per_month)] * len(prepared) if isinstance(per_month, (int, float)) else list(per_month)
    if len(prints) != len(prepared):
        raise InputError.at("per_month", f"{len(prints)} numbers for {len(prepared)} jobs", "one a job")
    return upgrades_prepared(prepared, known, prints)


def shop(
    orders: str | os.PathLike[str],
    printers: str | os.PathLike[str],
    start: str,
    candidates: Mapping[str, Mapping[str, Any]] | None = None,
    people: int = 1,
    seed: int = 0,
    runs: int = 20,
    dialect: str | Dialect = EXTRUSION,
) -> Shop:
    """How many parts a day, and by when? The tables are CSV files; `start` a date or date and time of the wall clock.

    `candidates` maps a name to settings of all machines. Rows that cannot be planned are in `.cannot`. Raises
    InputError where nothing can.
    """
    found, wrong, zone = read_printers(os.fspath(printers))
    wanted, more = read_orders(os.fspath(orders), zone)
    paths = list(dict.fromkeys(order.job for order in wanted if order.job is not None))
    clock = Clock(dict(zip(paths, _prepared(paths, dialect), strict=True)))
    variants = [Variant(name, (settings,) * len(found), True) for name, settings in (candidates or {}).items()]
    try:
        begins = moment_of(start, zone)
    except ValueError:
        raise InputError.at("start", f"{start!r} is not a date", MOMENT_ALLOWED) from None
    return shop_of(wanted, found, clock, begins, zone, variants, people, seed, runs, [*wrong, *more])
