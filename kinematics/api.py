"""The questions as functions for Python: jobs and machines in whatever form they are at hand, a frozen result out.

`estimate`, `compare`, `ladder`, `sweep`, `target`, `caps`, `ringing`, `upgrades` and `shop` are attached to the package
itself: `kinematics.estimate`. Jobs are a path, the bytes or the text of a G-code file, an open file, or a job that was
read before, one or a list of them. A machine is a built-in name, a path, a table of keys, or a `Machine`.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Mapping, Sequence
from typing import IO, Any

from kinematics.business.plan import Clock
from kinematics.business.runs import Shop, ShopVariant, shop_of
from kinematics.business.tables import MOMENT_ALLOWED, moment_of, read_orders, read_printers
from kinematics.business.upgrades import PRINTS_PER_MONTH, Upgrades, upgrades_prepared
from kinematics.errors import InputError, nearest
from kinematics.gcode.dialects import Dialect, dialect_named
from kinematics.gcode.job import Job
from kinematics.machine import Candidate, Machine, candidate_from, load_machine, parse_settings
from kinematics.machine.kinds import KINDS_OF_STEPS
from kinematics.studies.blockwise import job_to_time
from kinematics.studies.caps import Caps, caps_of
from kinematics.studies.claim import claim_from
from kinematics.studies.compare import Comparison, compare_prepared
from kinematics.studies.estimate import Estimate, estimate_prepared
from kinematics.studies.intervals import USUAL, Sampling
from kinematics.studies.knees import knee_of
from kinematics.studies.knobs import Knob, check_knobs, grid, knob_from, sample
from kinematics.studies.ladder import Ladder, ladder_of
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.reach import Wanted
from kinematics.studies.ringing import Ringing, ringing_of
from kinematics.studies.rounding import Rounding, rounding_of
from kinematics.studies.sweep import Sweep, present_total_of, ranges_left, sweep_rows
from kinematics.studies.target import Target, target_of
from kinematics.studies.timing import TimedJob
from kinematics.studies.weighted_jobs import WeightedJobs
from kinematics.wording import seconds_from

JobLike = str | os.PathLike[str] | bytes | IO[str] | IO[bytes] | Job
JobsLike = JobLike | Iterable[JobLike]
MachineLike = str | os.PathLike[str] | Mapping[str, Any] | Machine
Settings = str | Mapping[str, Any]
CandidatesLike = Settings | Mapping[str, Settings] | Sequence[Candidate | str]

DEFAULT_DIALECT = "extrusion"
JOB_ALLOWED = "a path, the bytes or the text of a G-code file, an open file, or a job from read_gcode"
MACHINE_ALLOWED = "a built-in name, the path of a machine file, a dict of keys, or a Machine"
IN_MEMORY = "<G-code>"


def _told(value: object) -> str:
    return f"a {type(value).__name__}"


def _dialect(dialect: str | Dialect) -> Dialect:
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


def _prepared_with_moves(job: JobLike, dialect: Dialect) -> PreparedJob:
    if isinstance(job, Job):
        return PreparedJob(job, dialect)
    content = _text_of(job)
    if content is not None:
        return PreparedJob(memoryview(content), dialect, str(getattr(job, "name", IN_MEMORY)))
    if not isinstance(job, str | os.PathLike):
        raise InputError.at("jobs=", _told(job), JOB_ALLOWED)
    return PreparedJob(os.fspath(job), dialect)


def _many(jobs: JobsLike) -> list[JobLike]:
    if isinstance(jobs, str | os.PathLike | bytes | bytearray | memoryview | Job) or hasattr(jobs, "read"):
        return [jobs]  # type: ignore[list-item]
    if not isinstance(jobs, Iterable) or isinstance(jobs, Mapping):
        raise InputError.at("jobs=", _told(jobs), f"{JOB_ALLOWED}; or a list of these")
    found = list(jobs)
    if not found:
        raise InputError.at("jobs=", "an empty list", "one job or more")
    return found


def _to_time(jobs: JobsLike, dialect: str | Dialect) -> list[TimedJob]:
    """Jobs that need only be timed: those of many bytes or moves among them are planned block by block."""
    known = _dialect(dialect)
    return [_prepared(job, known) for job in _many(jobs)]


def _prepared(job: JobLike, dialect: Dialect) -> TimedJob:
    if isinstance(job, Job):
        return PreparedJob(job, dialect)
    content = _text_of(job)
    if content is not None:
        return job_to_time(memoryview(content), dialect, name=str(getattr(job, "name", IN_MEMORY)))
    if not isinstance(job, str | os.PathLike):
        raise InputError.at("jobs=", _told(job), JOB_ALLOWED)
    return job_to_time(os.fspath(job), dialect)


def _name(job: JobLike) -> str:
    if isinstance(job, Job):
        return job.name
    return os.fspath(job) if isinstance(job, str | os.PathLike) and _text_of(job) is None else IN_MEMORY


def _weighted(jobs: JobsLike, prints: float | Sequence[float] | None, dialect: str | Dialect) -> WeightedJobs:
    many = _many(jobs)
    return WeightedJobs(_to_time(many, dialect), [_name(job) for job in many], _each(prints, len(many), "prints="))


def _each(numbers: float | Sequence[float] | None, count: int, place: str) -> list[float]:
    """One number a job."""
    if numbers is None:
        return [1.0] * count
    found = [float(numbers)] * count if isinstance(numbers, (int, float)) else [float(number) for number in numbers]
    if len(found) != count:
        raise InputError.at(place, f"{len(found)} numbers for {count} jobs", "one a job")
    return found


def _machine(machine: MachineLike) -> Machine:
    if isinstance(machine, Machine):
        return machine
    if isinstance(machine, str | os.PathLike):
        return load_machine(os.fspath(machine))
    if isinstance(machine, Mapping):
        if all(isinstance(value, Mapping | list | tuple) for value in machine.values()):
            return Machine(**machine)  # tables, as a machine file has them
        return Machine().with_settings(dict(machine), "machine=")
    raise InputError.at("machine=", _told(machine), MACHINE_ALLOWED)


def _settings(settings: Settings, place: str) -> dict[str, Any]:
    if isinstance(settings, str):
        return parse_settings(settings, place)
    if isinstance(settings, Mapping):
        return dict(settings)
    raise InputError.at(
        place, _told(settings), 'settings, such as {"acceleration": 4000} or "acceleration=4000, speed=2"'
    )


def _candidates(candidates: CandidatesLike | None, machine: Machine) -> Sequence[Candidate]:
    if candidates is None:
        return machine.candidates
    if isinstance(candidates, str):
        return [candidate_from(candidates, "candidates=")]
    if isinstance(candidates, Mapping):
        if all(isinstance(value, str | Mapping) for value in candidates.values()):
            return [Candidate(name, _settings(one, f"candidate {name}")) for name, one in candidates.items()]
        words = ", ".join(f"{key}={value}" for key, value in candidates.items())
        return [Candidate(words, dict(candidates))]
    return [one if isinstance(one, Candidate) else candidate_from(one, "candidates=") for one in candidates]


def estimate(
    jobs: JobsLike,
    machine: MachineLike | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL.draws,
    seed: int = USUAL.seed,
) -> Estimate:
    """How long do jobs take on a machine, and where does the time go?

    Parameters
    ----------
    jobs : path, bytes, text, open file or job from `read_gcode`, or a list of these
        Text is told from a path by its line breaks. Files from 10 MB on are read and planned block by block.
    machine : name, path, dict of keys or Machine, optional
        Left out, the three built-in machines are timed, and the result has their span.
    dialect : name, path of a dialect table, or Dialect
        What the words of the file mean.
    draws, seed : int
        How many machines are drawn from the ranges in the machine file, and which.

    Returns
    -------
    Estimate
        `.total_s` and `.jobs`, each with total_s, motion_s, stops_by_kind_s, cooling_s, causes and notices.
        `.to_frame()` has one row a job and machine: total_s, motion_s, dwell_s, stops_s, cooling_s, moves, layers,
        path_mm, filament_mm.

    Raises InputError where a job, the machine or the dialect cannot be used: place, what was found, what is allowed.

    Notes
    -----
    The time optimum under these ceilings, with trapezoid ramps (J. Bobrow, S. Dubowsky, J. Gibson, Int. J. Robotics
    Research 4(3), 1985; on straight moves); corners by junction deviation (T. Kunz, M. Stilman, RSS VIII, 2012).

    Examples
    --------
    >>> import kinematics
    >>> found = kinematics.estimate("G1 X100 E3 F6000\\nG1 Y80 E5\\n", {"acceleration": 1000})
    >>> round(found.total_s, 3)
    1.979
    """
    known = None if machine is None else _machine(machine)
    return estimate_prepared(_to_time(jobs, dialect), known, sampling=Sampling(draws, seed))


def compare(
    jobs: JobsLike,
    machine: MachineLike,
    candidates: CandidatesLike | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL.draws,
    seed: int = USUAL.seed,
) -> Comparison:
    """How long do jobs take under candidate limits, and what is saved?

    Parameters
    ----------
    jobs, machine, dialect, draws, seed
        As for `estimate`; a machine must be given.
    candidates : dict, text, list of Candidate or text, optional
        `{"brisk": {"acceleration": 4000, "speed": 1.5}}`, `{"brisk": "acceleration=4000, speed=1.5"}`, one candidate as
        `{"acceleration": 4000}` or `"brisk: acceleration=4000"`. Keys are those of the machine file, or the short names
        acceleration, speed, corner, flow. Left out: those of the machine file.

    Returns
    -------
    Comparison
        `.rows`, the machine as it is first. `.to_frame()` has one row a candidate and job: candidate, job, total_s,
        saved_s, saved_share, cause.

    Raises InputError where anything given cannot be used.

    Examples
    --------
    >>> import kinematics
    >>> job = "G1 X100 E3 F6000\\nG1 Y80 E5\\n"
    >>> found = kinematics.compare(job, {"acceleration": 1000}, {"brisk": {"acceleration": 4000}})
    >>> [round(row.total_s, 3) for row in found.rows]
    [1.979, 1.84]
    """
    known = _machine(machine)
    return compare_prepared(
        _to_time(jobs, dialect), known, _candidates(candidates, known), sampling=Sampling(draws, seed)
    )


def sweep(
    jobs: JobsLike,
    machine: MachineLike,
    knobs: Mapping[str, Sequence[float] | str],
    prints: float | Sequence[float] | None = None,
    sample_size: int | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL.draws,
    seed: int = USUAL.seed,
) -> Sweep:
    """How does time fall as limits rise, where does more stop paying, and which part is within the caps?

    Parameters
    ----------
    jobs, machine, dialect, draws, seed
        As for `compare`.
    knobs : dict of values by key
        `{"acceleration": [500, 1000, 2000]}` or `{"acceleration": "500:8000:20log"}`: any numeric key, or a short name.
        Every combination of all knobs' values is tried.
    prints : number or one a job, optional
        How often each job is printed (1).
    sample_size : int, optional
        So many points spread over the ranges in place of the grid.

    Returns
    -------
    Sweep
        `.rows`, and `.knees`, one a knob. `.to_frame()` has one row a candidate and job: a column a knob, job, total_s,
        within_caps, stopped_by.

    Raises InputError where anything given cannot be used.

    Examples
    --------
    >>> import kinematics
    >>> job = "G1 X100 E3 F6000\\nG1 Y80 E5\\n"
    >>> found = kinematics.sweep(job, {"acceleration": 1000}, {"acceleration": [1000, 4000]})
    >>> [round(row.total_s, 3) for row in found.rows]
    [1.979, 1.84]
    """
    turned = [
        knob_from(f"{name}={told}") if isinstance(told, str) else Knob(name, tuple(float(value) for value in told))
        for name, told in knobs.items()
    ]
    if not turned:
        raise InputError.at("knobs=", "none", '{"acceleration": [500, 1000, 2000]} or the like')
    known = _machine(machine)
    check_knobs(turned, known)
    weighted = _weighted(jobs, prints, dialect)
    points = list(grid(turned)) if sample_size is None else sample(turned, sample_size, seed)
    sampling = Sampling(draws, seed) if ranges_left(known, turned) else None
    rows = [row for chunk in sweep_rows(weighted, known, turned, points, sampling=sampling or USUAL) for row in chunk]
    knees = tuple(knee_of(weighted, known, knob) for knob in turned)
    return Sweep(known, tuple(turned), tuple(rows), knees, sampling, present_total_of(weighted, known))


def target(
    jobs: JobsLike,
    machine: MachineLike,
    within: float | str,
    turn: Mapping[str, float] | Sequence[str] = ("acceleration",),
    prints: float | Sequence[float] | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> Target:
    """Which are the gentlest limits with which jobs are done in time?

    Parameters
    ----------
    jobs, machine, prints, dialect
        As for `sweep`.
    within : seconds, or text such as "1h30m"
        The deadline of all jobs together.
    turn : names of knobs, or their weights
        All are turned together, each by factor^weight.

    Returns
    -------
    Target
        `.met`, `.total_s`, `.settings` by key, and what stops it.

    Raises InputError where anything given cannot be used.

    Examples
    --------
    >>> import kinematics
    >>> job = "G1 X100 E3 F6000\\nG1 Y80 E5\\n"
    >>> kinematics.target(job, {"acceleration": 500}, within=2.1).met
    True
    """
    weights = dict(turn) if isinstance(turn, Mapping) else dict.fromkeys([turn] if isinstance(turn, str) else turn, 1.0)
    deadline = seconds_from(within, "within=") if isinstance(within, str) else float(within)
    return target_of(_weighted(jobs, prints, dialect), _machine(machine), deadline, weights)


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
        _weighted(jobs, prints, dialect),
        _machine(machine),
        wanted,
        seconds_from(until, "until=") if isinstance(until, str) else until,
        None if claim is None else claim_from(claim),
        Sampling(draws, seed),
    )


def caps(jobs: JobsLike | None, machine: MachineLike, dialect: str | Dialect = DEFAULT_DIALECT) -> Caps:
    """How far may each limit go, and what stops it?

    Parameters
    ----------
    jobs : as for `estimate`, or None
        With jobs also in their own directions, the share of time that each cap holds, and when cooling rules. Moves of
        all jobs are kept in memory where the machine has modes or filters.
    machine, dialect
        As for `estimate`.

    Returns
    -------
    Caps
        `.rows`; `.to_frame()` has one row a limit: limit, asked, no_further_than, within_caps, stopped_by, not_known.

    Raises InputError where anything given cannot be used.

    Examples
    --------
    >>> import kinematics
    >>> found = kinematics.caps("G1 X100 E9 F6000\\nG1 Y80 E16\\n", {"hotend.max_flow_mm3_s": 10})
    >>> [(row.what, row.no_further_than) for row in found.asks_too_much]
    [('flow the file asks for', 10.0)]
    """
    return caps_of(_machine(machine), [] if jobs is None else _to_time(jobs, dialect))


def ringing(job: JobLike, machine: MachineLike, dialect: str | Dialect = DEFAULT_DIALECT) -> Ringing:
    """How far does a job swing the axes of which the machine knows modes, kick by kick at most and as a whole?

    Parameters
    ----------
    job, machine, dialect
        As for `estimate`, one job; its moves are kept in memory.

    Returns
    -------
    Ringing
        `.to_frame()` has one row a mode: axis, frequency_hz, what one kick leaves and what the whole job does (mm).

    Raises InputError, also where no mode is known.

    Examples
    --------
    >>> import kinematics
    >>> shaken = {"vibration": {"x": {"modes": [{"frequency_hz": 46.0, "damping_ratio": 0.05}], "filter": "ZV"}}}
    >>> len(kinematics.ringing("G1 X100 E3 F6000\\nG1 X0 E5\\n", shaken).to_frame())
    1
    """
    return ringing_of(_prepared_with_moves(job, _dialect(dialect)), _machine(machine))


def rounding(job: JobLike, machine: MachineLike, dialect: str | Dialect = DEFAULT_DIALECT) -> Rounding:
    """How far do the vibration filters of a machine take what a job prints off its drawn path?

    Parameters
    ----------
    job, machine, dialect
        As for `estimate`, one job; its moves are kept in memory.

    Returns
    -------
    Rounding
        `.worst_mm`, `.line`, `.median_mm`, `.most_mm` (95 % of the printed length stay below it), `.budget_mm`;
        `.to_frame()` has one row.

    Raises InputError, also where no axis has a filter.

    Examples
    --------
    >>> import kinematics
    >>> filtered = {"vibration": {"x": {"filter": "ZV", "filter_frequency_hz": 40.0}}}
    >>> round(kinematics.rounding("G1 X100 E3 F6000\\nG1 X0 E5\\n", filtered).worst_mm, 3) > 0.0
    True
    """
    return rounding_of(_prepared_with_moves(job, _dialect(dialect)), _machine(machine))


def upgrades(
    jobs: JobsLike,
    machine: MachineLike,
    per_month: float | Sequence[float] | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> Upgrades:
    """Which upgrade of a machine file pays, and when?

    Parameters
    ----------
    jobs, machine, dialect
        As for `estimate`; the machine has `[[upgrade]]` and `[economy]`.
    per_month : number or one a job, optional
        Good prints a month; None takes the machine file's, or one a day.

    Returns
    -------
    Upgrades
        `.options`, `.order`; `.to_frame()` has one row an upgrade or combination: saved_s, saved_share, price,
        saving_per_month, payback_months, npv, irr.

    Raises InputError where anything given cannot be used.
    """
    prepared, known = _to_time(jobs, dialect), _machine(machine)
    if per_month is None:
        told = known.economy.prints_per_month
        per_month = PRINTS_PER_MONTH if told is None else told
    return upgrades_prepared(prepared, known, _each(per_month, len(prepared), "per_month="))


def shop(
    orders: str | os.PathLike[str],
    printers: str | os.PathLike[str],
    start: str,
    candidates: Mapping[str, Settings] | None = None,
    people: int = 1,
    seed: int = 0,
    runs: int = 20,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> Shop:
    """How many parts a day, and by when?

    Parameters
    ----------
    orders, printers : paths of CSV tables
    start : a date, or date and time, of the wall clock
    candidates : dict of settings by name, optional
        Settings of all machines, each set against the shop as it is.
    people : int
        Hands that take prints off and change spools.
    seed, runs : int
        The chance of failures, and how often the shop is simulated.

    Returns
    -------
    Shop
        Parts a day, orders and when they are done, use of each printer, costs, bottleneck. `.to_frame()` has one row an
        order. Rows that cannot be planned are in `.cannot`.

    Raises InputError where nothing can be planned.
    """
    found, wrong, zone = read_printers(os.fspath(printers))
    wanted, more = read_orders(os.fspath(orders), zone)
    paths = list(dict.fromkeys(order.job for order in wanted if order.job is not None))
    known = _dialect(dialect)
    clock = Clock({path: job_to_time(path, known) for path in paths})
    variants = [
        ShopVariant(name, (_settings(settings, f"candidate {name}"),) * len(found), True)
        for name, settings in (candidates or {}).items()
    ]
    try:
        begins = moment_of(start, zone)
    except ValueError:
        raise InputError.at("start=", f"{start!r} is not a date", MOMENT_ALLOWED) from None
    return shop_of(wanted, found, clock, begins, zone, variants, people, seed, runs, [*wrong, *more])
