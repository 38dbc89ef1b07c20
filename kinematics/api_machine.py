"""The questions about a machine as functions: how it swings and rounds, which filter serves, how right we were."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from typing import Any

from kinematics.accepted import (
    DEFAULT_DIALECT,
    IN_MEMORY,
    JobLike,
    JobsLike,
    MachineLike,
    dialect_from,
    jobs_to_time,
    machine_from,
    many_jobs,
    name_of,
    one_each,
    prepared_with_moves,
)
from kinematics.errors import InputError
from kinematics.filtering.answer import VibrationStudy, ripple_of, vibration_of
from kinematics.filtering.settings_to_type import JOB, KICK
from kinematics.gcode.dialects import Dialect
from kinematics.jobs.blockwise import job_to_time
from kinematics.jobs.timing import TimedJob, time_job
from kinematics.jobs.whole_jobs import Ringing, Rounding, ringing_of_timing, rounding_of_timing
from kinematics.measured.fit import Fit, fit_prints
from kinematics.measured.stopwatch import Measured, measured_rows, read_times
from kinematics.vibration.recording import Told, read_recording
from kinematics.wording import seconds_from


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
    return ringing_of_timing(time_job(prepared_with_moves(job, dialect_from(dialect)), machine_from(machine)))


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
    return rounding_of_timing(time_job(prepared_with_moves(job, dialect_from(dialect)), machine_from(machine)))


def vibrations(
    jobs: JobsLike | None,
    machine: MachineLike,
    x: str | Sequence[str] = (),
    y: str | Sequence[str] = (),
    ripples: str | Sequence[str] = (),
    told: Mapping[str, Any] | None = None,
    prints: float | Sequence[float] | None = None,
    budget: str = "kick",
    own: bool = False,
    uncertainty: float = 0.0,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> VibrationStudy:
    """Which modes does a machine have, and which filters print jobs soonest inside its rounding and ringing budgets?

    Parameters
    ----------
    jobs : as for `estimate`, or None
        Without jobs the filters come first that take the most acceleration.
    machine, prints, dialect
        As for `sweep`.
    x, y : path or paths
        Recordings of an accelerometer while that axis was shaken; several are pooled.
    ripples : text or texts
        `x=2.6@120`: ripples 2.6 mm apart on a wall printed at 120 mm/s.
    told : dict, optional
        What a recording does not say: time_column, columns (by axis), time_unit, acceleration_unit, rate.
    budget : "kick" or "job"
        Whether the ringing budget holds each kick, or the swing of the whole job.
    own : bool
        Look for filters of one's own as well.
    uncertainty : float
        How far off frequencies may be at least, as a share.

    Returns
    -------
    VibrationStudy
        `.findings` the modes, `.choice` the filters, `.typed` what to set; `.to_frame()` has one row a filter and axis:
        axis, filter, frequency_hz, rounding_limit_mm_s2, ringing_limit_mm_s2, acceleration_mm_s2, total_s.

    Raises InputError where anything given cannot be used, and where no mode is known.

    Examples
    --------
    >>> import kinematics
    >>> found = kinematics.vibrations(None, {"axes.x.max_speed_mm_s": 200}, ripples="x=2.5@100")
    >>> round(found.findings[0].modes[0].frequency, 1)
    40.0
    """
    if budget not in (KICK, JOB):
        raise InputError.at("budget=", repr(budget), f"{KICK!r} or {JOB!r}")
    said = Told(**(told or {}))
    recordings = [
        read_recording(path, axis, said)
        for axis, paths in (("x", x), ("y", y))
        for path in ([paths] if isinstance(paths, str | os.PathLike) else paths)
    ]
    rippled = [ripple_of(text) for text in ([ripples] if isinstance(ripples, str) else ripples)]
    many = [] if jobs is None else many_jobs(jobs)
    prepared = [prepared_with_moves(job, dialect_from(dialect)) for job in many]
    names, weights = [name_of(job) for job in many], one_each(prints, len(many), "prints=")
    known = machine_from(machine)
    return vibration_of(known, recordings, rippled, prepared, names, weights, budget, own, uncertainty)


def fit(
    times: str | os.PathLike[str] | Mapping[str, float | str] | Sequence[tuple[JobLike, float | str]],
    machine: MachineLike,
    candidates: JobsLike | None = None,
    from_first_move: bool = False,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> Fit:
    """How far off were the estimates, and which limits does the machine really have?

    Parameters
    ----------
    times : path of a CSV table, dict of times by job, or pairs of job and time
        A time is in seconds, or text such as "1h52m". The table has job, minutes or time, machine, material, notes,
        counted_from, date; rows that cannot be used are in `.left_out`.
    machine, dialect
        As for `estimate`.
    candidates : jobs, optional
        What could be timed next, beside what was.
    from_first_move : bool
        Whether the clock ran from the first move, rather than from the start with heating and homing (a table says so
        row by row).

    Returns
    -------
    Fit
        `.before` and `.after` (bias_share, spread_share), `.parameters`, `.prints`, `.next_print`, `.drift`; of a
        single print `.explanations`. `.fitted_machine(date)` has the fitted values as ranges, drawn together from then
        on. `.to_frame()` has one row a print, `.parameters_frame()` one a parameter.

    Raises InputError where nothing given can be used.

    Examples
    --------
    >>> import kinematics
    >>> job = "G1 X100 E3 F6000\\nG1 Y80 E5\\n"
    >>> found = kinematics.fit([(job, 2.5)], {"acceleration": 1000})
    >>> round(found.before.bias_share, 2)
    0.23
    """
    known, wanted = dialect_from(dialect), machine_from(machine)
    others = [] if candidates is None else many_jobs(candidates)
    prepared_others = jobs_to_time(others, known) if others else []
    more = [(name_of(job), prepared) for job, prepared in zip(others, prepared_others, strict=True)]
    if isinstance(times, str | os.PathLike):
        table = read_times(os.fspath(times))
        names = os.fspath(machine) if isinstance(machine, str | os.PathLike) else wanted.name
        found, wrong, _ = measured_rows(table.rows, wanted, names, lambda path: job_to_time(path, known))
        return fit_prints(found, wanted, more, [*table.findings, *wrong])
    pairs = list(times.items()) if isinstance(times, Mapping) else list(times)
    measured: list[Measured] = []
    files: dict[str, list[TimedJob]] = {}
    for number, (job, told) in enumerate(pairs):
        place = f"times=, number {number + 1}"
        seconds = seconds_from(told, place) if isinstance(told, str) else float(told)
        if not 0.0 < seconds < math.inf:
            raise InputError.at(place, f"{told!r}", "a time above 0")
        name = name_of(job)
        (prepared,) = files[name] if name in files and name != IN_MEMORY else jobs_to_time(job, known)
        files[name] = [prepared]
        measured.append(Measured(name, prepared, wanted, seconds, not from_first_move, place))
    return fit_prints(measured, wanted, more)
