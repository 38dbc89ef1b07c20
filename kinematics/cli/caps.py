"""`kinematics caps`."""

from __future__ import annotations

import sys
from functools import partial

import click

from kinematics.cli.options import (
    FORCE_PICTURE,
    WRITE_SETTINGS,
    JobOptions,
    check_picture,
    is_long,
    job_options,
    jobs_to_time,
    machine_or_stand_in,
    machine_words,
    picture_option,
    write_picture,
)
from kinematics.cli.to_type import settings_and_commands

PLANS_EACH = 20  # times that a job is planned, or so


@click.command("caps")
@job_options(required=False)
@click.option("--check", is_flag=True, help="Exit status 1 where more is asked for than the known caps take.")
@WRITE_SETTINGS
@click.option("--formulas", is_flag=True, help="Every cap with its formula and this machine's numbers in it.")
@picture_option("each limit against the highest that its caps allow")
@FORCE_PICTURE
def command(asked: JobOptions, check: bool, write_settings: bool, formulas: bool) -> None:
    """How far may each limit go, and what stops it?

    Each limit of the machine file against the caps that are known: rounding and ringing, motors, hotend. With a JOB
    also in its own directions, the share of its time that each cap holds, and when cooling rules.
    """
    from kinematics.cli import console
    from kinematics.errors import EXIT_ANSWER_IS_NO

    check_picture(asked)
    machine = machine_or_stand_in(asked)
    prepared = jobs_to_time(asked) if asked.jobs else []
    from kinematics.studies.caps import caps_of, follows_every_move

    if follows_every_move(machine):
        for job, timed in zip(asked.jobs, prepared, strict=True):
            if not timed.keeps_moves:
                console.remark(
                    f"{job}: every move is kept in memory, as what quality, command rate and pressure advance do to a "
                    "job hangs on all of them"
                )
    with console.progress(1, is_long(asked.jobs, PLANS_EACH)) as tell:
        tell("planning")
        caps = caps_of(machine, prepared, partial(tell, "planning"))
    typed, commands = settings_and_commands(machine, prepared, asked.dialect, write_settings)
    write_picture(asked, caps)
    if asked.as_json:
        from kinematics.reports.documents import caps_document
        from kinematics.reports.vibration_documents import typed_row

        to_type = {"to_type": None if typed is None else typed_row(typed)}
        console.say_json(caps_document(caps) | to_type | ({"commands": commands} if write_settings else {}))
    else:
        from kinematics.reports.caps_screen import cap_cells, cap_heads, cap_notes, formula_lines
        from kinematics.reports.vibration_screen import typed_notes

        *before, caution = cap_notes(caps, formulas)
        notes = [*(formula_lines(caps) if formulas else []), *before, *typed_notes(typed, commands), caution]
        table = console.Table(cap_heads(caps), cap_cells(caps))
        console.say_answer([f"on {machine_words(asked, machine)}"], table, notes)
    if check and caps.asks_too_much:
        sys.exit(EXIT_ANSWER_IS_NO)
