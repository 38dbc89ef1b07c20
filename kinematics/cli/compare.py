"""`kinematics compare`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    copied_jobs,
    copies_options,
    copies_words,
    draw_options,
    is_long,
    job_options,
    jobs_to_time,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
)

if TYPE_CHECKING:
    from kinematics.studies.timing import TimedJob


@click.command("compare")
@job_options
@copies_options
@draw_options
@click.option(
    "--candidate",
    "candidate_texts",
    multiple=True,
    metavar='"NAME: KEY=VALUE, …"',
    help="Limits to try, beside those of the machine file: its keys, or acceleration, speed, corner, flow.",
)
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    copies: int,
    spacing: float,
    after_another: bool,
    draws: int,
    seed: int,
    candidate_texts: tuple[str, ...],
) -> None:
    """How long does a job take under each candidate, and what is saved?

    The candidates are those of the machine file and of --candidate; each is set against the machine as it is.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError
    from kinematics.machine import candidate_from

    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    candidates = [*machine.candidates, *(candidate_from(text) for text in candidate_texts)]
    if not candidates:
        raise InputError.at(
            "compare",
            "no candidate to compare with",
            '--candidate "NAME: KEY=VALUE, …", or [[candidate]] in the machine file',
            'such as --candidate "brisk: acceleration=3000, speed=1.3"',
        )
    given = jobs, dialect, file_limits, block_delete
    prepared: Sequence[TimedJob]
    if copies > 1:
        prepared = copied_jobs(jobs_with_moves(*given), copies, spacing, after_another)
    else:
        prepared = jobs_to_time(*given)
    from kinematics import compiled
    from kinematics.studies.compare import compare_prepared
    from kinematics.studies.intervals import Sampling

    steps = len(jobs) * (len(candidates) + 1)
    with console.progress(steps, is_long(jobs, len(candidates))) as tell:
        comparison = compare_prepared(prepared, machine, candidates, tell, Sampling(draws, seed))
    compiled.mark_warm()
    if as_json:
        from kinematics.reports.documents import comparison_document, copies_document

        console.say_json(comparison_document(comparison) | copies_document(copies))
        return
    from kinematics.reports.screens import comparison_heads, comparison_notes, comparison_rows

    rows = comparison.rows if len(jobs) == 1 else (*comparison.rows, *comparison.totals)
    table = console.Table(comparison_heads(comparison), comparison_rows(rows, console.is_terminal()))
    first = f"on {machine_words(machine, material, settings)}{copies_words(copies)}"
    console.say_answer([first], table, comparison_notes(comparison))
