"""`kinematics bedful`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    FORCE_PICTURE,
    JobOptions,
    check_picture,
    copying_options,
    is_long,
    job_options,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
    planning,
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
@FORCE_PICTURE
def command(asked: JobOptions) -> None:
    """How many on the bed at a time, and what lasts the night?

    For every number of copies that fits: the time, parts a day on one printer that always has more of them to do, what
    a print that fails loses, and what a part costs. [economy] of the machine file says when people are there.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError

    if asked.picture is not None and len(asked.jobs) > 1:
        raise InputError.at("--picture", f"{len(asked.jobs)} jobs", "one job")
    check_picture(asked)
    machine = machine_or_stand_in(asked)
    prepared = jobs_with_moves(asked)
    from kinematics.business.bedful import bedfuls_of
    from kinematics.jobs.copies import CopiedJob

    with planning(len(prepared), is_long(asked.jobs, 2), console.KEEPS) as tell:
        found = bedfuls_of([CopiedJob(job, 1, asked.copying) for job in prepared], machine, tell)
    if asked.picture is not None:
        from kinematics.reports.shop_pictures import bedful_figure

        write_picture(asked, found.jobs[0], bedful_figure)
    if asked.as_json:
        from kinematics.reports.documents import bedful_document

        console.say_json(bedful_document(found))
        _end_where_cut_short(found, len(prepared))
        return
    from kinematics.reports import bedful_screen as words

    parts: list[console.Table | list[str]] = [[f"on {machine_words(asked, machine)}"]]
    for one in found.jobs:
        parts += [words.bedful_head(one), console.Table(words.bedful_heads(one), words.bedful_rows(one))]
        parts.append(words.bedful_notes(one))
    console.say_answer(*parts)
    _end_where_cut_short(found, len(prepared))


def _end_where_cut_short(found: Bedfuls, asked: int) -> None:
    """Say how many jobs an answer is of that was interrupted, and end."""
    from kinematics.cli import console

    if found.cut_short:
        console.end_interrupted(f"these are the {len(found.jobs)} of {asked} jobs done by then")
