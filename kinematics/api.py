"""The questions as functions for Python: jobs and machines in whatever form they are at hand, a frozen result out.

They are attached to the package itself: `kinematics.estimate`. Jobs are a path, the bytes or the text of a G-code file,
an open file, or a job that was read before, one or a list of them. A machine is a built-in name, a path, a table of
keys, or a `Machine`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from kinematics.accepted import (
    DEFAULT_DIALECT,
    CandidatesLike,
    JobsLike,
    MachineLike,
    candidates_from,
    copying_from,
    jobs_to_time,
    machine_from,
    weighted_jobs,
)
from kinematics.business.weeks import longest_print
from kinematics.errors import InputError, nearest
from kinematics.gcode.dialects import Dialect
from kinematics.jobs.copies_layout import SPACING
from kinematics.machine.kinds import KINDS_OF_STEPS
from kinematics.studies.caps import Caps, caps_of
from kinematics.studies.claim import claim_from
from kinematics.studies.compare import Comparison, compare_prepared
from kinematics.studies.estimate import Estimate, estimate_prepared
from kinematics.studies.intervals import USUAL_SAMPLING, Sampling
from kinematics.studies.knees import knees_of
from kinematics.studies.knobs import Knob, check_knobs, grid, knob_from, sample
from kinematics.studies.ladder import Ladder, ladder_of
from kinematics.studies.reach import LadderAsk
from kinematics.studies.sweep import Sweep, held_at_the_end, present_total_of, ranges_left, sweep_rows
from kinematics.studies.target import Target, target_of
from kinematics.wording import seconds_from


def estimate(
    jobs: JobsLike,
    machine: MachineLike | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL_SAMPLING.draws,
    seed: int = USUAL_SAMPLING.seed,
    copies: int = 1,
    spacing: float = SPACING,
    one_after_another: bool = False,
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
    copies : int
        How many of each job are on the bed at a time, layer by layer, `spacing` mm apart, or `one_after_another`.

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
    known = None if machine is None else machine_from(machine)
    prepared = jobs_to_time(jobs, dialect, copies, copying_from(spacing, one_after_another))
    return estimate_prepared(prepared, known, sampling=Sampling(draws, seed))


def compare(
    jobs: JobsLike,
    machine: MachineLike,
    candidates: CandidatesLike | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL_SAMPLING.draws,
    seed: int = USUAL_SAMPLING.seed,
    copies: int = 1,
    spacing: float = SPACING,
    one_after_another: bool = False,
) -> Comparison:
    """How long do jobs take under candidate limits, and what is saved?

    Parameters
    ----------
    jobs, machine, dialect, draws, seed, copies, spacing, one_after_another
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
    known = machine_from(machine)
    return compare_prepared(
        jobs_to_time(jobs, dialect, copies, copying_from(spacing, one_after_another)),
        known,
        candidates_from(candidates, known),
        sampling=Sampling(draws, seed),
    )


def sweep(
    jobs: JobsLike,
    machine: MachineLike,
    knobs: Mapping[str, Sequence[float] | str],
    prints: float | Sequence[float] | None = None,
    sample_size: int | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    draws: int = USUAL_SAMPLING.draws,
    seed: int = USUAL_SAMPLING.seed,
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
    known = machine_from(machine)
    check_knobs(turned, known)
    weighted = weighted_jobs(jobs, prints, dialect)
    points = list(grid(turned)) if sample_size is None else sample(turned, sample_size, seed)
    sampling = Sampling(draws, seed) if ranges_left(known, turned) else None
    rows = [
        row
        for chunk in sweep_rows(weighted, known, turned, points, sampling=sampling or USUAL_SAMPLING)
        for row in chunk
    ]
    knees = tuple(knees_of(weighted, known, turned))
    held = held_at_the_end(weighted, known, turned)
    return Sweep(known, tuple(turned), tuple(rows), knees, sampling, present_total_of(weighted, known), held)


def target(
    jobs: JobsLike,
    machine: MachineLike,
    within: float | str | None = None,
    turn: Mapping[str, float] | Sequence[str] = ("acceleration",),
    prints: float | Sequence[float] | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    prints_a_day: float | None = None,
) -> Target:
    """Which are the gentlest limits with which jobs are done in time?

    Parameters
    ----------
    jobs, machine, prints, dialect
        As for `sweep`.
    within : seconds, or text such as "1h30m"
        The deadline of all jobs together.
    prints_a_day : number, in place of `within`
        So many prints of one printer on a day on which people are there, as the machine's [economy] has them.
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
    known, weighted = machine_from(machine), weighted_jobs(jobs, prints, dialect)
    if (within is None) == (prints_a_day is None):
        raise InputError.at("within=", "none" if within is None else "two deadlines", "within= or prints_a_day=")
    if within is None:
        longest = longest_print(known.economy, prints_a_day or 0.0)
        if longest is None:
            raise InputError.at("prints_a_day=", f"{prints_a_day:g}: no print is short enough", "fewer prints a day")
        deadline = longest * float(weighted.weights.sum())
    else:
        deadline = seconds_from(within, "within=") if isinstance(within, str) else float(within)
    return target_of(weighted, known, deadline, weights)


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
    draws: int = USUAL_SAMPLING.draws,
    seed: int = USUAL_SAMPLING.seed,
    copies: int = 1,
    spacing: float = SPACING,
    one_after_another: bool = False,
) -> Ladder:
    """What must be raised so that jobs get faster, in which order, how far, and what does each step bring?

    Parameters
    ----------
    jobs, machine, prints, dialect, draws, seed, copies, spacing, one_after_another
        As for `sweep` and `estimate`.
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
    wanted = LadderAsk(dict(reach or {}), frozenset(only), allow_quality, tuple(keep), by_label)
    return ladder_of(
        weighted_jobs(jobs, prints, dialect, copies, copying_from(spacing, one_after_another)),
        machine_from(machine),
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
    return caps_of(machine_from(machine), [] if jobs is None else jobs_to_time(jobs, dialect))
