"""`kinematics caps`."""

from __future__ import annotations

import sys
from functools import partial
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import is_long, job_options, jobs_to_time, machine_or_stand_in, machine_words

if TYPE_CHECKING:
    from kinematics.studies.timing import TimedJob

PLANS_EACH = 20  # times that a job is planned, or so


@click.command("caps")
@job_options(required=False)
@click.option("--check", is_flag=True, help="Exit status 1 where more is asked for than the known caps take.")
@click.option("--formulas", is_flag=True, help="Every cap with its formula and this machine's numbers in it.")
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    check: bool,
    formulas: bool,
) -> None:
    """How far may each limit go, and what stops it?

    Each limit of the machine file against the caps that are known: rounding and ringing, motors, hotend. With a JOB
    also in its own directions, the share of its time that each cap holds, and when cooling rules.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO

    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    prepared: list[TimedJob] = []
    if jobs:
        prepared = jobs_to_time(jobs, dialect, file_limits, block_delete)
    from kinematics.studies.caps import caps_of, follows_every_move

    if follows_every_move(machine):
        for job, timed in zip(jobs, prepared, strict=True):
            if not timed.keeps_moves:
                console.remark(
                    f"{job}: every move is kept in memory, as what quality, command rate and pressure advance do to a "
                    "job hangs on all of them"
                )
    with console.progress(1, is_long(jobs, PLANS_EACH)) as tell:
        tell("planning")
        caps = caps_of(machine, prepared, partial(tell, "planning"))
    if as_json:
        from kinematics.reports.documents import caps_document

        console.say_json(caps_document(caps))
    else:
        from kinematics.reports.caps_screen import cap_cells, cap_heads, cap_notes, formula_lines

        notes = [*(formula_lines(caps) if formulas else []), *cap_notes(caps, formulas)]
        table = console.Table(cap_heads(caps), cap_cells(caps))
        console.say_answer([f"on {machine_words(machine, material, settings)}"], table, notes)
    if check and caps.asks_too_much:
        sys.exit(EXIT_ANSWER_IS_NO)
