"""Vibration as a function for Python: `kinematics.vibrations`. (`kinematics.vibration` is the room of its numbers.)

Jobs and machines are given in any form, as to the functions of `api`.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import Any

from kinematics.api import DEFAULT_DIALECT, JobsLike, MachineLike, _dialect, _each, _machine, _many, _name
from kinematics.api import _prepared_with_moves as _with_moves
from kinematics.errors import InputError
from kinematics.gcode.dialects import Dialect
from kinematics.studies.filter_choice import JOB, KICK
from kinematics.studies.vibration import Vibration, vibration_of
from kinematics.studies.vibration_modes import ripple_of
from kinematics.vibration.recording import Told, read_recording


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
) -> Vibration:
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
    Vibration
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
    many = [] if jobs is None else _many(jobs)
    prepared = [_with_moves(job, _dialect(dialect)) for job in many]
    names, weights = [_name(job) for job in many], _each(prints, len(many), "prints=")
    known = _machine(machine)
    return vibration_of(known, recordings, rippled, prepared, names, weights, budget, own, uncertainty)
