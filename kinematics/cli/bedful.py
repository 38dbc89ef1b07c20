"""`kinematics bedful`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    check_picture,
    copying_options,
    copying_told,
    is_long,
    job_options,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
    named_files,
    write_picture,
)

if TYPE_CHECKING:
    from kinematics.business.bedful import Bedfuls


@click.command("bedful")
@job_options
@copying_options
@click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Parts a day against copies, of one job, to .png, .svg or .pdf.",
)
@click.option("--force", is_flag=True, help="Overwrite the file of --picture.")
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    spacing: float,
    after_another: bool,
    picture: Path | None,
    force: bool,
) -> None:
    """How many on the bed at a time, and what lasts the night?

    For every number of copies that fits: the time, parts a day on one printer that always has more of them to do, what
    a print that fails loses, and what a part costs. [economy] of the machine file says when people are there.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError

    inputs = named_files(jobs, machine_name, dialect)
    if picture is not None:
        if len(jobs) > 1:
            raise InputError.at("--picture", f"{len(jobs)} jobs", "one job")
        check_picture(picture, force, inputs)
    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    prepared = jobs_with_moves(jobs, dialect, file_limits, block_delete)
    from kinematics import compiled
    from kinematics.business.bedful import bedfuls_of
    from kinematics.studies.copies import CopiedJob

    copying = copying_told(spacing, after_another)
    with console.progress(len(jobs), is_long(jobs, 2), console.KEEPS) as tell:
        found = bedfuls_of([CopiedJob(job, 1, copying) for job in prepared], machine, tell)
    compiled.mark_warm()
    if picture is not None:
        from kinematics.reports.bedful_picture import bedful_figure
        from kinematics.reports.style import LIGHT

        write_picture(picture, lambda: bedful_figure(found.jobs[0], LIGHT), force, inputs)
    if as_json:
        from kinematics.reports.business_documents import bedful_document

        console.say_json(bedful_document(found))
        _end_where_cut_short(found, len(jobs))
        return
    from kinematics.reports import bedful_screen as words

    parts: list[console.Table | list[str]] = [[f"on {machine_words(machine, material, settings)}"]]
    for one in found.jobs:
        parts += [words.bedful_head(one), console.Table(words.bedful_heads(one), words.bedful_rows(one))]
        parts.append(words.bedful_notes(one))
    console.say_answer(*parts)
    _end_where_cut_short(found, len(jobs))


def _end_where_cut_short(found: Bedfuls, asked: int) -> None:
    """Say how many jobs an answer is of that was interrupted, and end."""
    from kinematics.cli import console
    from kinematics.errors import EXIT_INTERRUPTED

    if found.cut_short:
        console.remark(f"kinematics: interrupted: these are the {len(found.jobs)} of {asked} jobs done by then")
        raise click.exceptions.Exit(EXIT_INTERRUPTED)
