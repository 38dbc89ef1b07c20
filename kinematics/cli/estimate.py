"""`kinematics estimate`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    check_picture,
    chosen_machine,
    copied_jobs,
    copies_options,
    draw_options,
    is_long,
    job_options,
    jobs_to_time,
    jobs_with_moves,
    machine_words,
    named_files,
    picture_option,
    write_picture,
)
from kinematics.outputs import refuse_to_overwrite, spreadsheet_text, write_whole

if TYPE_CHECKING:
    import pandas
    from matplotlib.figure import Figure

    from kinematics.business.throughput import Throughput
    from kinematics.studies.estimate import Estimate
    from kinematics.studies.timing import TimedJob

LAYER_HEADS = (
    ("job", False),
    ("layer", True),
    ("moves", True),
    ("motion s", True),
    ("cooling s", True),
    ("total s", True),
)


@click.command("estimate")
@job_options
@copies_options
@draw_options
@click.option("--layers", is_flag=True, help="Time of every layer.")
@click.option("--limits", is_flag=True, help="What each limit is worth: what 1 % more saves, and the time without it.")
@click.option("--layer", type=click.IntRange(0), metavar="N", help="The layer that --picture shows from above.")
@picture_option("where the time goes (with --limits, --layers or --layer N of one job: these)")
@click.option(
    "--moves", "moves_file", metavar="FILE", type=click.Path(path_type=Path), help="Every move to .csv or .parquet."
)
@click.option("--force", is_flag=True, help="Overwrite the file of --moves or --picture.")
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
    layers: bool,
    limits: bool,
    layer: int | None,
    picture: Path | None,
    moves_file: Path | None,
    force: bool,
) -> None:
    """How long does a job take, and where does the time go?

    JOB is a G-code file, plain or gzip, or - for standard input. Without --machine three built-in machines are timed.
    """
    from kinematics.cli import console

    inputs = named_files(jobs, machine_name, dialect)
    if moves_file is not None:
        _check_moves_file(moves_file, len(jobs), copies, force, inputs)
    _check_picture(picture, limits or layers or layer is not None, layer, len(jobs))
    check_picture(picture, force, inputs)
    machine = chosen_machine(machine_name, settings, material)
    given = jobs, dialect, file_limits, block_delete
    asked_once = not (limits or as_json or (machine is not None and machine.ranges))
    prepared: Sequence[TimedJob]
    if copies > 1:
        prepared = copied_jobs(jobs_with_moves(*given), copies, spacing, after_another)
    elif moves_file is None and layer is None:
        prepared = jobs_to_time(*given, asked_once)
    else:
        prepared = jobs_with_moves(*given)
    from kinematics import compiled
    from kinematics.studies.estimate import STAND_IN, estimate_prepared
    from kinematics.studies.intervals import USUAL, Sampling
    from kinematics.studies.standing import SPACING

    # Of a job in blocks every number of that kind is another pass over its file: only where it is asked for.
    worth = limits or (as_json and all(job.keeps_moves for job in prepared))
    steps = len(jobs) + (3 if machine is None else 0) + 1 + (len(jobs) if worth else 0)
    steps += 1 if machine is not None and machine.ranges else 0
    with console.progress(steps, is_long(jobs, 2), console.KEEPS) as tell:
        estimate = estimate_prepared(
            prepared,
            machine,
            changes=not (layers or limits),
            tell=tell,
            worth=worth,
            sampling=Sampling(draws, seed),
            each=as_json,
        )
    compiled.mark_warm()
    if as_json:
        from kinematics.reports.documents import estimate_document
        from kinematics.reports.throughput_words import throughput_document

        document = estimate_document(estimate, layers)
        throughput = _throughput(estimate)
        console.say_json(document | {"throughput": None if throughput is None else throughput_document(throughput)})
    elif layers:
        console.say_answer(console.Table(LAYER_HEADS, _layer_cells(estimate)))
    elif limits:
        from kinematics.reports import worth_screen as words

        parts: list[console.Table | list[str]] = []
        for one in estimate.jobs:
            table = console.Table(words.HEADS, words.worth_rows(one))
            parts += [words.worth_head(one), table, words.worth_below(one)]
        first = f"on {machine_words(estimate.machine, material, settings)}"
        console.say_answer(
            [first + (", as no machine is given" if estimate.span else "")], *parts, words.worth_notes(estimate)
        )
    else:
        from kinematics.reports import screens
        from kinematics.reports.jobs_table import MOST_IN_FULL, jobs_heads, jobs_notes, jobs_rows

        options = ["--material", material] if material is not None else []
        options += [word for setting in settings for word in ("--set", setting)]
        if dialect != "extrusion":
            options += ["--dialect", dialect]
        if file_limits != "honour":
            options += ["--file-limits", file_limits]
        if block_delete:
            options.append("--block-delete")
        if copies > 1:
            options += ["--copies", str(copies)]
            options += ["--spacing", f"{spacing:g}"] if spacing != SPACING else []
            options += ["--one-after-another"] if after_another else []
        for option, chosen, usual in (("--draws", draws, USUAL.draws), ("--seed", seed, USUAL.seed)):
            options += [option, str(chosen)] if chosen != usual else []
        head = screens.machine_lines(estimate, machine_words(estimate.machine, material, settings))
        below = [*_prints_a_day(estimate, copies), *screens.closing_lines(estimate, machine_name or STAND_IN, options)]
        if len(estimate.jobs) > MOST_IN_FULL:
            table = console.Table(jobs_heads(estimate), jobs_rows(estimate))
            console.say_answer(head, table, jobs_notes(estimate), below)
        else:
            console.say_answer(head, screens.job_lines(estimate), below)
    if moves_file is not None:
        frame = estimate.jobs[0].moves_frame()
        write_whole(moves_file, lambda path: _write_moves(frame, path), force, inputs)
        console.remark(f"{len(frame):,} moves written to {moves_file}")
    if picture is not None:
        write_picture(picture, lambda: _figure(estimate, limits, layers, layer), force, inputs)
    console.end_where_cut_short(estimate.sampling)


def _throughput(estimate: Estimate) -> Throughput | None:
    """How many prints one printer makes, of several jobs on average; None where no machine was given."""
    from kinematics.business.throughput import throughput_of

    if estimate.span or not estimate.total_s > 0.0:
        return None
    return throughput_of(estimate.machine.economy, estimate.total_s / len(estimate.jobs))


def _prints_a_day(estimate: Estimate, copies: int) -> list[str]:
    from kinematics.reports.throughput_words import throughput_line

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


def _check_picture(picture: Path | None, one_job: bool, layer: int | None, jobs: int) -> None:
    """Refuse what cannot be drawn before any work is done."""
    from kinematics.errors import InputError

    if picture is None:
        if layer is not None:
            raise InputError.at("--layer", "no picture to show it", "--layer N together with --picture FILE")
    elif one_job and jobs > 1:
        raise InputError.at("--picture", f"{jobs} jobs", "one job with --limits, --layers or --layer")


def _figure(estimate: Estimate, limits: bool, layers: bool, layer: int | None) -> Figure:
    """The picture that was asked for."""
    from kinematics.reports import pictures

    if layer is not None:
        return pictures.path_figure(estimate.jobs[0], layer)
    if limits:
        return pictures.worth_figure(estimate.jobs[0])
    return pictures.layers_figure(estimate.jobs[0]) if layers else pictures.figure_of(estimate)


def _check_moves_file(path: Path, jobs: int, copies: int, force: bool, inputs: Sequence[str]) -> None:
    """Refuse what cannot be written before any work is done."""
    from importlib.util import find_spec

    from kinematics.errors import InputError

    if path.suffix not in (".csv", ".parquet"):
        raise InputError.at("--moves", f"can't write a table that ends in {path.suffix!r}", "FILE.csv or FILE.parquet")
    if jobs > 1:
        raise InputError.at("--moves", f"{jobs} jobs for one table", "one job with --moves")
    if copies > 1:
        raise InputError.at("--moves", f"{copies} copies, of which no moves are kept", "one copy with --moves")
    if path.suffix == ".parquet" and find_spec("pyarrow") is None:
        raise InputError.at("--moves", "the package pyarrow, which writes Parquet, is not installed", "FILE.csv")
    refuse_to_overwrite(path, force, inputs)


def _write_moves(frame: pandas.DataFrame, path: Path) -> None:
    if path.suffix == ".csv":
        texts = frame.select_dtypes(exclude="number").columns
        frame.assign(**{name: _spreadsheet_texts(frame[name]) for name in texts}).to_csv(path, index=False)
    else:
        frame.to_parquet(path, index=False)


def _spreadsheet_texts(column: pandas.Series) -> pandas.Series:
    """A column of texts as a CSV file has it; few of them differ."""
    return column.map({text: spreadsheet_text(text) if isinstance(text, str) else text for text in column.unique()})
