"""The questions about parts, people and money as functions; what they accept is as in `api`."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence

from kinematics.accepted import (
    DEFAULT_DIALECT,
    JobsLike,
    MachineLike,
    Settings,
    copying_from,
    dialect_from,
    jobs_to_time,
    machine_from,
    many_jobs,
    one_each,
    prepared_job,
    settings_from,
    weighted_jobs,
)
from kinematics.business.bedful import Bedfuls, bedfuls_of
from kinematics.business.plan import Clock
from kinematics.business.runs import Shop, ShopVariant, shop_of
from kinematics.business.tables import MOMENT_ALLOWED, moment_of, read_orders, read_printers
from kinematics.business.upgrades import PRINTS_PER_MONTH, Upgrades, upgrades_prepared
from kinematics.business.weeks import Throughput, throughput_of
from kinematics.errors import InputError
from kinematics.gcode.dialects import Dialect
from kinematics.jobs.blockwise import job_to_time
from kinematics.jobs.copies import CopiedJob
from kinematics.jobs.copies_layout import SPACING
from kinematics.jobs.many import Variant
from kinematics.limits.class_limits import NOTHING_VARIED


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
    weighted, known = weighted_jobs(jobs, prints, dialect), machine_from(machine)
    total = float(weighted.weighted([Variant(known, NOTHING_VARIED)])[0])
    return throughput_of(known.economy, total / float(weighted.weights.sum()))


def upgrades(
    jobs: JobsLike,
    machine: MachineLike,
    per_month: float | Sequence[float] | None = None,
    dialect: str | Dialect = DEFAULT_DIALECT,
    copies: int = 1,
    spacing: float = SPACING,
    one_after_another: bool = False,
) -> Upgrades:
    """Which upgrade of a machine file pays, and when?

    Parameters
    ----------
    jobs, machine, dialect
        As for `estimate`; the machine has `[[upgrade]]` and `[economy]`.
    per_month : number or one a job, optional
        Good prints a month; None takes the machine file's, or one a day.
    copies, spacing, one_after_another
        As for `estimate`; a print is then one of so many copies.

    Returns
    -------
    Upgrades
        `.options`, `.order`; `.to_frame()` has one row an upgrade or combination: saved_s, saved_share, price,
        saving_per_month, payback_months, npv, irr.

    Raises InputError where anything given cannot be used.
    """
    prepared = jobs_to_time(jobs, dialect, copies, copying_from(spacing, one_after_another))
    known = machine_from(machine)
    if per_month is None:
        told = known.economy.prints_per_month
        per_month = PRINTS_PER_MONTH if told is None else told
    return upgrades_prepared(prepared, known, one_each(per_month, len(prepared), "per_month="))


def bedful(
    jobs: JobsLike,
    machine: MachineLike,
    spacing: float = SPACING,
    one_after_another: bool = False,
    dialect: str | Dialect = DEFAULT_DIALECT,
) -> Bedfuls:
    """How many copies of a job on the bed at a time?

    Parameters
    ----------
    jobs, machine, dialect
        As for `estimate`; a machine with `machine.bed_mm` and, for parts a day, `[economy]`.
    spacing : mm
        Room between two copies.
    one_after_another : bool
        Each copy whole before the next, where the head clears finished parts; else layer by layer.

    Returns
    -------
    Bedfuls
        `.jobs`, each with `.rows` for every number of copies, `.by_parts` and `.by_cost`, the best of them.
        `.to_frame()` has one row a job and number: copies, total_s, part_s, parts_per_day, failed_share, lost_cost,
        cost_per_part.

    Raises InputError where anything given cannot be used, or copies cannot be made.
    """
    copying = copying_from(spacing, one_after_another)
    known = dialect_from(dialect)
    return bedfuls_of(
        [CopiedJob(prepared_job(job, known), 1, copying) for job in many_jobs(jobs)], machine_from(machine)
    )


def shop(
    orders: str | os.PathLike[str],
    printers: str | os.PathLike[str],
    start: str,
    candidates: Mapping[str, Settings] | None = None,
    people: int = 1,
    seed: int = 0,
    runs: int = 20,
    dialect: str | Dialect = DEFAULT_DIALECT,
    spacing: float = SPACING,
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
    spacing : mm
        Room between two copies on a bed, where orders print several at a time.

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
    known = dialect_from(dialect)
    clock = Clock({path: job_to_time(path, known) for path in paths}, copying_from(spacing, False))
    variants = [
        ShopVariant(name, (settings_from(settings, f"candidate {name}"),) * len(found), True)
        for name, settings in (candidates or {}).items()
    ]
    try:
        begins = moment_of(start, zone)
    except ValueError:
        raise InputError.at("start=", f"{start!r} is not a date", MOMENT_ALLOWED) from None
    return shop_of(wanted, found, clock, begins, zone, variants, people, seed, runs, [*wrong, *more])
