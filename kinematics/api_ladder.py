"""The ladder, and prints a day, as functions for Python: `kinematics.ladder`, `kinematics.throughput`.

Jobs and machines are given in any form, as to the functions of `api`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from kinematics.api import DEFAULT_DIALECT, JobsLike, MachineLike, _machine, _weighted
from kinematics.business.throughput import Throughput, throughput_of
from kinematics.errors import InputError, nearest
from kinematics.gcode.dialects import Dialect
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine.kinds import KINDS_OF_STEPS
from kinematics.studies.claim import claim_from
from kinematics.studies.intervals import USUAL, Sampling
from kinematics.studies.ladder import Ladder, ladder_of
from kinematics.studies.many import Variant
from kinematics.studies.reach import Wanted
from kinematics.studies.weighted_jobs import WeightedJobs
from kinematics.wording import seconds_from


def _with_moves(jobs: WeightedJobs) -> WeightedJobs:
    return WeightedJobs([job.with_moves() for job in jobs.prepared], jobs.names, jobs.weights.tolist())


def ladder(
    jobs: JobsLike,
    machine: MachineLike,
    until: float | str | None = None,
    claim: str | None = None,
    allow_quality: bool = False,
    only: Sequence[str] = (),
    keep: Sequence[str] = (),
    by_label: bool = False,
    reach: Mapping[str, float] | None = None,
    prints: float | Sequence[float] | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL.draws,
    seed: int = USUAL.seed,
) -> Ladder:
    """What must be raised so that jobs get faster, in which order, how far, and what does each step bring?

    Parameters
    ----------
    jobs, machine, prints, dialect, draws, seed
        As for `sweep`.
    until : seconds, or text such as "7m"
        Stop at the step with which this time is met.
    claim : text such as "30m=7m"
        Times before and after, as somebody tells them, to be held against the ladder.
    allow_quality : bool
        Whether shorter layer times and larger budgets may be a step.
    only : kinds of steps
        "setting", "setting without cap", "shows on the part", "prepared again", "part"; all of them left out.
    keep : labels, "print" or "travel"
        Moves that stay as they are.
    by_label : bool
        Whether the print acceleration and speed of each label are raised by themselves.
    reach : dict of numbers by key
        How far a limit may go, in place of its known cap or so many times what it is.

    Returns
    -------
    Ladder
        `.rungs`, each with `.raised`, `.kind`, `.total_s`, `.saved_s` and `.settings`; `.end_s`, `.left_out`, `.left`,
        `.fixed`. `.to_frame()` has one row a rung.

    Raises InputError where anything given cannot be used.

    Examples
    --------
    >>> import kinematics
    >>> job = "M83\\nG1 X10 E3 F12000\\nG1 X0 E3\\n"
    >>> found = kinematics.ladder(job, {"acceleration": 500, "axes.x.max_acceleration_mm_s2": 500})
    >>> [[one.what for one in rung.raised] for rung in found.rungs]
    [['print acceleration', 'x axis acceleration']]
    """
    for kind in only:
        if kind not in KINDS_OF_STEPS:
            raise InputError.at("only=", repr(kind), ", ".join(KINDS_OF_STEPS), nearest(str(kind), KINDS_OF_STEPS))
    wanted = Wanted(dict(reach or {}), frozenset(only), allow_quality, tuple(keep), by_label)
    return ladder_of(
        _with_moves(_weighted(jobs, prints, dialect)),
        _machine(machine),
        wanted,
        seconds_from(until, "until=") if isinstance(until, str) else until,
        None if claim is None else claim_from(claim),
        Sampling(draws, seed),
    )


def throughput(
    jobs: JobsLike,
    machine: MachineLike,
    prints: float | Sequence[float] | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> Throughput:
    """How many prints a day does one printer make, and how short must a print be for one more?

    Parameters
    ----------
    jobs, machine, prints, dialect
        As for `sweep`; of several jobs the mean print counts. The machine's [economy] says when people are there, what
        lies between two prints, and whether they go on while nobody is there.

    Returns
    -------
    Throughput
        `.prints` a `.period`, `.prints_a_day`, and `.one_more_s`, the longest print with which one more fits.

    Raises InputError where anything given cannot be used.

    Examples
    --------
    >>> import kinematics
    >>> hours = {"economy": {"staffed": ["Mon-Fri 08:00-16:00"], "turnaround_min": 6.0}}
    >>> found = kinematics.throughput("G4 S5400\\nG1 X10 E1 F6000\\n", hours)
    >>> found.prints, found.period, found.one_more_s
    (4, 'shift', 5400.0)
    """
    weighted, known = _weighted(jobs, prints, dialect), _machine(machine)
    total = float(weighted.weighted([Variant(known, NOTHING_VARIED)])[0])
    return throughput_of(known.economy, total / float(weighted.weights.sum()))
