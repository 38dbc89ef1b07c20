"""`kinematics estimate`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.crew import OUTPUT, check_rows, crew_options, rows_written
from kinematics.cli.options import (
    JobOptions,
    check_picture,
    chosen_machine,
    copied_jobs,
    copies_options,
    draw_options,
    is_long,
    job_options,
    machine_words,
    picture_option,
    planning,
    words_again,
    write_picture,
)
from kinematics.outputs import refuse_to_overwrite

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from kinematics.business.weeks import Throughput
    from kinematics.studies.estimate import Estimate

# Of the options, what the next command goes without.
NOT_AGAIN = frozenset({"machine_name", "as_json", "layers", "limits", "layer", "picture", "moves_file", "force"})
OF_COPIES = frozenset({"spacing", "after_another"})
LAYER_HEADS = (
    ("job", False),
    ("layer", True),
    ("moves", True),
    ("motion s", True),
    ("cooling s", True),
    ("total s", True),
)


@click.command("estimate")
@job_options(required=False, metavar="JOB…")
@crew_options
@copies_options
@draw_options
@click.option("--layers", is_flag=True, help="Time of every layer.")
@click.option("--limits", is_flag=True, help="What each limit is worth: what 1 % more saves, and the time without it.")
@click.option("--layer", type=click.IntRange(0), metavar="N", help="The layer that --picture shows from above.")
@picture_option("where the time goes (with --limits, --layers or --layer N of one job: these)")
@click.option(
    "--moves", "moves_file", metavar="FILE", type=click.Path(path_type=Path), help="Every move to .csv or .parquet."
)
@OUTPUT
@click.option("--force", is_flag=True, help="Overwrite the files of --moves, --output and --picture.")
def command(
    asked: JobOptions, layers: bool, limits: bool, layer: int | None, moves_file: Path | None, output: Path | None
) -> None:
    """How long does a job take, and where does the time go?

    JOB is a G-code file, plain or gzip, or - for standard input. Without --machine three built-in machines are timed.
    """
    from kinematics.cli import console

    if moves_file is not None:
        _check_moves_file(moves_file, asked)
    check_rows(output, asked)
    _check_layer(asked, limits or layers or layer is not None, layer)
    check_picture(asked)
    machine = chosen_machine(asked)
    asked_once = not (limits or asked.as_json or (machine is not None and machine.ranges))
    keep_moves = moves_file is not None or layer is not None
    prepared = copied_jobs(replace(asked, crew=None) if keep_moves else asked, keep_moves, asked_once)
    from kinematics.studies.estimate import STAND_IN, estimate_prepared, job_row

    # Of a job in blocks every number of that kind is another pass over its file: only where it is asked for.
    worth = limits or (asked.as_json and all(job.keeps_moves for job in prepared))
    steps = len(prepared) + (3 if machine is None else 0) + 1 + (len(prepared) if worth else 0)
    steps += 1 if machine is not None and machine.ranges else 0
    with (
        rows_written(output, asked) as write_row,
        planning(steps, is_long(asked.jobs, 2), console.KEEPS) as tell,
    ):
        estimate = estimate_prepared(
            prepared,
            machine,
            changes=not (layers or limits),
            tell=tell,
            worth=worth,
            sampling=asked.sampling,
            each=asked.as_json,
            found=lambda job: write_row(job_row(job)),
        )
    if asked.as_json:
        from kinematics.reports.documents import estimate_document
        from kinematics.reports.held_words import throughput_document

        document = estimate_document(estimate, layers)
        throughput = _throughput(estimate)
        console.say_json(document | {"throughput": None if throughput is None else throughput_document(throughput)})
    elif layers:
        console.say_answer(console.Table(LAYER_HEADS, _layer_cells(estimate)))
    elif limits:
        from kinematics.reports import screens as words

        parts: list[console.Table | list[str]] = []
        for one in estimate.jobs:
            table = console.Table(words.WORTH_HEADS, words.worth_rows(one))
            parts += [words.worth_head(one), table, words.worth_below(one)]
        first = f"on {machine_words(asked, estimate.machine)}"
        console.say_answer(
            [first + (", as no machine is given" if estimate.span else "")], *parts, words.worth_notes(estimate)
        )
    else:
        from kinematics.reports import screens
        from kinematics.reports.screens import MOST_IN_FULL, jobs_heads, jobs_notes, jobs_rows

        options = words_again(NOT_AGAIN if asked.copies > 1 else NOT_AGAIN | OF_COPIES)
        head = screens.machine_lines(estimate, machine_words(asked, estimate.machine))
        closing = screens.closing_lines(estimate, asked.machine_name or STAND_IN, options)
        below = [*_prints_a_day(estimate, asked.copies), *closing]
        if len(estimate.jobs) > MOST_IN_FULL:
            table = console.Table(jobs_heads(estimate), jobs_rows(estimate))
            console.say_answer(head, table, jobs_notes(estimate), below)
        else:
            console.say_answer(head, screens.job_lines(estimate), below)
    if moves_file is not None:
        from kinematics.rows_file import rows_file

        with rows_file(moves_file, asked.force, asked.read) as moves:
            moves.write(estimate.jobs[0].moves_frame())
        console.remark(f"{moves.count:,} moves written to {moves_file}")
    write_picture(asked, estimate, lambda one: _figure(one, limits, layers, layer))
    console.end_where_cut_short(estimate.sampling)


def _throughput(estimate: Estimate) -> Throughput | None:
    """How many prints one printer makes, of several jobs on average; None where no machine was given."""
    from kinematics.business.weeks import throughput_of

    if estimate.span or not estimate.total_s > 0.0:
        return None
    return throughput_of(estimate.machine.economy, estimate.total_s / len(estimate.jobs))


def _prints_a_day(estimate: Estimate, copies: int) -> list[str]:
    from kinematics.reports.held_words import throughput_line

    found = _throughput(estimate)
    return [] if found is None else [throughput_line(found, len(estimate.jobs) > 1, copies)]


def _layer_cells(estimate: Estimate) -> list[tuple[str, ...]]:
    from kinematics.studies.estimate import layer_rows

    return [
        (
            job.file,
            str(row["layer"]),
            str(row["moves"]),
            f"{row['motion_s']:.2f}",
            f"{row['cooling_s']:.2f}",
            f"{row['total_s']:.2f}",
        )
        for job in estimate.jobs
        for row in layer_rows(job)
    ]


def _check_layer(asked: JobOptions, one_job: bool, layer: int | None) -> None:
    """Refuse what cannot be drawn before any work is done."""
    from kinematics.errors import InputError

    if asked.picture is None:
        if layer is not None:
            raise InputError.at("--layer", "no picture to show it", "--layer N together with --picture FILE")
    elif one_job and len(asked.jobs) > 1:
        raise InputError.at("--picture", f"{len(asked.jobs)} jobs", "one job with --limits, --layers or --layer")


def _figure(estimate: Estimate, limits: bool, layers: bool, layer: int | None) -> Figure:
    """The picture that was asked for."""
    from kinematics.reports import pictures

    if layer is not None:
        return pictures.path_figure(estimate.jobs[0], layer)
    if limits:
        return pictures.worth_figure(estimate.jobs[0])
    return pictures.layers_figure(estimate.jobs[0]) if layers else pictures.figure_of(estimate)


def _check_moves_file(path: Path, asked: JobOptions) -> None:
    """Refuse what cannot be written before any work is done."""
    from importlib.util import find_spec

    from kinematics.errors import InputError

    if path.suffix not in (".csv", ".parquet"):
        raise InputError.at("--moves", f"can't write a table that ends in {path.suffix!r}", "FILE.csv or FILE.parquet")
    if len(asked.jobs) > 1:
        raise InputError.at("--moves", f"{len(asked.jobs)} jobs for one table", "one job with --moves")
    if asked.copies > 1:
        raise InputError.at("--moves", f"{asked.copies} copies, of which no moves are kept", "one copy with --moves")
    if path.suffix == ".parquet" and find_spec("pyarrow") is None:
        raise InputError.at("--moves", "the package pyarrow, which writes Parquet, is not installed", "FILE.csv")
    refuse_to_overwrite(path, asked.force, asked.read)
