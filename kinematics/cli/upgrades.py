"""`kinematics upgrades`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    FORCE_PICTURE,
    JobOptions,
    check_picture,
    chosen_machine,
    copied_jobs,
    copies_options,
    copies_words,
    draw_options,
    is_long,
    job_options,
    machine_words,
    picture_option,
    planning,
    write_picture,
)

if TYPE_CHECKING:
    from kinematics.business.upgrades import Upgrades

COUNT_ALLOWED = "a number, 0 or more, for every job, or JOB=NUMBER for one"


@click.command("upgrades")
@job_options
@copies_options
@draw_options
@click.option(
    "--per-month",
    "counts",
    multiple=True,
    metavar="[JOB=]NUMBER",
    help="Good prints a month: of one job, or of every job that is not named.",
)
@click.option("--detail", is_flag=True, help="Net present value, rate of return, times by job, best for each budget.")
@picture_option("what each upgrade saves a month")
@FORCE_PICTURE
def command(asked: JobOptions, counts: tuple[str, ...], detail: bool) -> None:
    """Which upgrade pays, and when?

    Each [[upgrade]] of the machine file alone, together with others, and in the best order, on your own mix of jobs.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError

    check_picture(asked)
    machine = chosen_machine(asked)
    if machine is None:
        raise InputError.at("upgrades", "no machine was given", "--machine FILE, a file with [[upgrade]] blocks")
    if not machine.upgrades:
        allowed = "[[upgrade]] blocks with name, price, fitting_hours and set"
        raise InputError.at(machine.source, "the machine has no upgrades", allowed)
    prints = prints_a_month(asked.jobs, counts, machine.economy.prints_per_month)
    prepared = copied_jobs(asked)
    from kinematics.business.upgrades import PRINTS_PER_MONTH, upgrades_prepared

    times = 2 ** len(machine.upgrades)
    each = [PRINTS_PER_MONTH if count is None else count for count in prints]
    with planning(times, is_long(asked.jobs, times), console.KEEPS) as tell:
        found = upgrades_prepared(prepared, machine, each, tell, asked.sampling)
    assumed = None in prints
    write_picture(asked, found)
    if asked.as_json:
        from kinematics.reports.documents import copies_document, upgrades_document

        console.say_json(upgrades_document(found, assumed) | copies_document(asked.copies))
        _end_where_cut_short(found)
        return
    from kinematics.reports.upgrades import upgrade_head, upgrade_heads, upgrade_notes, upgrade_rows

    head = [f"on {machine_words(asked, machine)}{copies_words(asked)}", *upgrade_head(found, assumed)]
    table = console.Table(upgrade_heads(found, detail), upgrade_rows(found, detail))
    console.say_answer(head, table, upgrade_notes(found, detail))
    _end_where_cut_short(found)


def _end_where_cut_short(found: Upgrades) -> None:
    """Say what was timed of an answer that was interrupted, and end."""
    from kinematics.cli import console

    console.end_where_cut_short(found.sampling)
    if found.cut_short_of == found.sets:
        console.end_interrupted("this is without what the machine's ranges leave open")
    if found.cut_short_of is not None:
        timed = f"{found.sets:,} of {found.cut_short_of:,} upgrades and combinations"
        console.end_interrupted(f"this is from the {timed} timed by then")


def prints_a_month(jobs: Sequence[str], texts: Sequence[str], default: float | None) -> list[float | None]:
    """Good prints a month of each job; None where neither an option nor the machine file tells.

    A job may be named by its path or, where that is enough, by its file name. Raises InputError with every finding.
    """
    from kinematics.errors import Finding, InputError, nearest

    findings: list[Finding] = []
    told: dict[str, float] = {}
    for text in texts:
        name, _, count = text.rpartition("=")
        matching = [job for job in dict.fromkeys(jobs) if name in (job, PurePath(job).name)]
        try:
            number = float(count)
        except ValueError:
            number = -1.0
        if not 0.0 <= number < 1e9:
            findings.append(Finding("--per-month", f"{text!r} is not a number of prints", COUNT_ALLOWED))
        elif name and len(matching) != 1:
            found = f"{name!r} is {'not one of the jobs' if not matching else 'more than one job'}"
            findings.append(Finding("--per-month", found, ", ".join(jobs), nearest(name, jobs)))
        elif (key := matching[0] if name else "") in told:
            findings.append(Finding("--per-month", f"{name or 'every other job'} is given twice", "once"))
        else:
            told[key] = number
    if findings:
        raise InputError(*findings)
    return [told.get(job, told.get("", default)) for job in jobs]
