"""`kinematics compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.crew import OUTPUT, check_rows, crew_options, rows_written
from kinematics.cli.options import (
    JobOptions,
    check_picture,
    copied_jobs,
    copies_options,
    copies_words,
    draw_options,
    is_long,
    job_options,
    machine_or_stand_in,
    machine_words,
    picture_option,
    planning,
    write_picture,
)

if TYPE_CHECKING:
    from kinematics.business.weeks import Throughput
    from kinematics.studies.compare import Comparison


@click.command("compare")
@job_options(required=False, metavar="JOB…")
@crew_options
@copies_options
@draw_options
@click.option(
    "--candidate",
    "candidate_texts",
    multiple=True,
    metavar='"NAME: KEY=VALUE, …"',
    help="Limits to try, beside those of the machine file: its keys, or acceleration, speed, corner, flow.",
)
@click.option(
    "--detail", is_flag=True, help="Motion, heating, homing and cooling apart, and where the raised limits rule."
)
@picture_option("the time under each candidate")
@OUTPUT
@click.option("--force", is_flag=True, help="Overwrite the files of --output and --picture.")
def command(asked: JobOptions, candidate_texts: tuple[str, ...], detail: bool, output: Path | None) -> None:
    """How long does a job take under each candidate, and what is saved?

    The candidates are those of the machine file and of --candidate; each is set against the machine as it is.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError
    from kinematics.machine import candidate_from

    check_picture(asked)
    check_rows(output, asked)
    machine = machine_or_stand_in(asked)
    candidates = [*machine.candidates, *(candidate_from(text) for text in candidate_texts)]
    if not candidates:
        raise InputError.at(
            "compare",
            "no candidate to compare with",
            '--candidate "NAME: KEY=VALUE, …", or [[candidate]] in the machine file',
            'such as --candidate "brisk: acceleration=3000, speed=1.3"',
        )
    prepared = copied_jobs(asked)
    from kinematics.studies.compare import compare_prepared, comparison_row

    steps = len(prepared) * (len(candidates) + 1)
    with (
        rows_written(output, asked) as write_row,
        planning(steps, is_long(asked.jobs, len(candidates)), console.KEEPS) as tell,
    ):
        comparison = compare_prepared(
            prepared, machine, candidates, tell, asked.sampling, lambda row: write_row(comparison_row(row))
        )
    qualities = {}
    if detail:
        from kinematics.filtering.part_quality import qualities_of

        qualities = qualities_of(comparison, prepared)
    write_picture(asked, comparison)
    if asked.as_json:
        from kinematics.reports.documents import comparison_document, copies_document
        from kinematics.reports.held_words import throughput_document

        each = [
            {"candidate": row.candidate} | throughput_document(found)
            for row, found in zip(comparison.totals, _throughputs(comparison), strict=True)
        ]
        from kinematics.filtering.part_quality import quality_row

        along = [{"candidate": name, "job": job} | quality_row(one) for (name, job), one in qualities.items()]
        document = comparison_document(comparison) | copies_document(asked.copies) | {"throughput": each}
        console.say_json(document | ({"along_the_path": along} if detail else {}))
        console.end_where_cut_short(comparison.sampling)
        return
    from kinematics.reports.screens import comparison_heads, comparison_notes, comparison_rows

    rows = comparison.rows if len(prepared) == 1 else (*comparison.rows, *comparison.totals)
    cells = comparison_rows(rows, console.is_terminal(), comparison if detail else None)
    heads = comparison_heads(comparison, detail)
    if qualities:
        from kinematics.reports.vibration_screen import QUALITY_HEADS, quality_cells

        heads = [*heads, *QUALITY_HEADS]
        of_rows = (quality_cells(qualities.get((row.candidate, row.job))) for row in rows)
        cells = [(*one, *more) for one, more in zip(cells, of_rows, strict=True)]
    table = console.Table(heads, cells)
    notes = [*_prints_a_day(comparison, asked.copies), *comparison_notes(comparison)]
    first = f"on {machine_words(asked, machine)}{copies_words(asked)}"
    console.say_answer([first], table, notes)
    console.end_where_cut_short(comparison.sampling)


def _throughputs(comparison: Comparison) -> list[Throughput]:
    """How many prints one printer makes under each candidate, of several jobs on average."""
    from kinematics.business.weeks import throughput_of
    from kinematics.studies.compare import AS_IT_IS

    sets = {candidate.name: candidate.set for candidate in comparison.candidates}
    jobs = len({row.job for row in comparison.rows})
    found = []
    for row in comparison.totals:
        machine = comparison.machine
        if row.candidate != AS_IT_IS:
            machine = machine.with_settings(sets[row.candidate], f"candidate {row.candidate}")
        found.append(throughput_of(machine.economy, row.total_s / jobs))
    return found


def _prints_a_day(comparison: Comparison, copies: int) -> list[str]:
    from kinematics.reports.held_words import throughput_line, throughput_of_each

    found = _throughputs(comparison)
    each = throughput_of_each([row.candidate for row in comparison.totals], found, copies)
    jobs = len({row.job for row in comparison.rows})
    return [each, f"as it is: {throughput_line(found[0], jobs > 1, copies)}"]
