"""`kinematics sweep`."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    check_picture,
    draw_options,
    is_long,
    job_options,
    jobs_to_time,
    machine_or_stand_in,
    machine_words,
    named_files,
    picture_option,
    write_picture,
)

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.studies.intervals import Sampling
    from kinematics.studies.knobs import Knob
    from kinematics.studies.sweep import Sweep, SweepRow
    from kinematics.studies.sweep_file import SweepFile
    from kinematics.studies.weighted_jobs import WeightedJobs

SHOWN_ROWS = 40  # on a screen without --output
MOST_SAMPLED = 1_000_000  # points: as many rows
PLANS_A_KNOB = 50  # or so, to find where it stops paying
LONG_SWEEP = 200  # candidates from which progress is shown


@click.command("sweep")
@job_options
@draw_options
@click.option(
    "--vary",
    "knob_texts",
    multiple=True,
    required=True,
    metavar="KNOB=LOW:HIGH:COUNT[log]",
    help="A key of the machine file, or acceleration, speed, corner, flow, and the values to try; or KNOB=1,2,5.",
)
@click.option(
    "--sample",
    "sample_size",
    type=click.IntRange(1, MOST_SAMPLED),
    metavar="N",
    help="Try N points instead of the whole grid.",
)
@click.option("--prints", "print_texts", multiple=True, metavar="JOB=N", help="How many times a job is printed.")
@click.option(
    "-o",
    "--output",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the rows to a .csv or .parquet file as they come.",
)
@click.option("--force", is_flag=True, help="Overwrite the files of --output and --picture.")
@picture_option("the curve of one knob or the map of two")
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    draws: int,
    seed: int,
    knob_texts: tuple[str, ...],
    sample_size: int | None,
    print_texts: tuple[str, ...],
    output: Path | None,
    force: bool,
    picture: Path | None,
) -> None:
    """How does time fall as limits rise, where does it stop paying, and which part is within the caps?

    Every combination of the values of all --vary is tried on every JOB. A sweep with --output that was interrupted
    picks up where it stopped when the same command is given again.
    """
    from kinematics.cli import console
    from kinematics.studies.knobs import check_knobs, grid, knob_from, sample

    knobs = [knob_from(text) for text in knob_texts]
    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    check_knobs(knobs, machine)
    inputs = named_files(jobs, machine_name, dialect)
    if output is not None:
        from kinematics.studies.sweep_file import check_sweep_file

        check_sweep_file(output, force, inputs)
    if picture is not None:
        from kinematics.reports.sweep_pictures import check_knobs_drawn

        check_picture(picture, force, inputs)
        check_knobs_drawn(knobs)
    weights = weights_of(jobs, print_texts)
    points = list(grid(knobs)) if sample_size is None else sample(knobs, sample_size, seed)
    prepared = jobs_to_time(jobs, dialect, file_limits, block_delete)
    from kinematics import compiled
    from kinematics.studies.intervals import Sampling
    from kinematics.studies.knees import knee_of
    from kinematics.studies.sweep import Sweep, held_at_the_end, present_total_of, ranges_left
    from kinematics.studies.weighted_jobs import WeightedJobs

    weighted = WeightedJobs(prepared, jobs, weights)
    sampling = Sampling(draws, seed) if ranges_left(machine, knobs) else None
    reading = file_limits, block_delete
    rows = _rows(weighted, machine, knobs, points, output, force, reading, dialect, inputs, sampling)
    knees = []
    with console.progress(len(knobs), is_long(jobs, PLANS_A_KNOB * len(knobs))) as tell:
        for knob in knobs:
            tell(step := f"where more {knob.name} stops paying")
            knees.append(knee_of(weighted, machine, knob, partial(tell, step)))
    present = present_total_of(weighted, machine)
    compiled.mark_warm()
    held = held_at_the_end(weighted, machine, knobs)
    sweep = Sweep(machine, tuple(knobs), tuple(rows), tuple(knees), sampling, present, held)
    if as_json:
        from kinematics.reports.documents import sweep_document

        console.say_json(sweep_document(sweep))
    else:
        _show(sweep, output, machine_words(machine, material, settings))
    if picture is not None:
        from kinematics.reports.pictures import figure_of

        write_picture(picture, lambda: figure_of(sweep), force, inputs)


def _show(sweep: Sweep, output: Path | None, machine: str) -> None:
    """The answer on the screen; rows that stand in a file are not repeated."""
    from kinematics.cli import console
    from kinematics.reports.sweep_screen import knee_lines, sweep_cells, sweep_heads

    tables: list[console.Table] = []
    if output is None:
        shown = sweep.rows if not console.is_terminal() else sweep.rows[:SHOWN_ROWS]
        heads = sweep_heads(sweep.knobs, sweep.sampling is not None)
        tables.append(console.Table(heads, sweep_cells(shown, console.is_terminal())))
        if len(shown) < len(sweep.rows):
            console.remark(f"{len(sweep.rows) - len(shown):,} more rows: --output FILE.csv writes all of them")
    else:
        console.remark(f"{len(sweep.rows):,} rows in {output}")
    console.say_answer([f"on {machine}"], *tables, knee_lines(sweep))


def weights_of(jobs: Sequence[str], texts: Sequence[str]) -> list[float]:
    """How often each job is printed, from `JOB=N`. Raises InputError for what names no job or says no number."""
    from kinematics.errors import InputError, nearest

    weights = dict.fromkeys(jobs, 1.0)
    for text in texts:
        name, _, told = text.rpartition("=")
        try:
            count = float(told)
        except ValueError:
            count = -1.0
        if not 0.0 < count < 1e9:
            found = f"can't read {text!r} as a job and a number of prints"
            raise InputError.at("--prints", found, "JOB=N, N above 0")
        if name not in weights:
            raise InputError.at("--prints", f"{name!r} is not one of the jobs", ", ".join(jobs), nearest(name, jobs))
        weights[name] = count
    return [weights[job] for job in jobs]


def _rows(
    jobs: WeightedJobs,
    machine: Machine,
    knobs: Sequence[Knob],
    points: Sequence[tuple[float, ...]],
    output: Path | None,
    force: bool,
    reading: Sequence[object],
    dialect: str,
    inputs: Sequence[str],
    sampling: Sampling | None,
) -> list[SweepRow]:
    """All rows, written as they are done; interrupted, what is done is kept and told."""
    from kinematics.cli import console
    from kinematics.studies.intervals import USUAL
    from kinematics.studies.sweep import sweep_rows
    from kinematics.studies.sweep_file import SweepFile, fingerprint, row_names

    file: SweepFile | None = None
    if output is not None:
        timed = list(zip(jobs.names, jobs.weights.tolist(), jobs.prepared, strict=True))
        mark = fingerprint(machine, knobs, points, timed, reading, dialect, sampling)
        names = row_names(jobs.names)
        intervals = sampling is not None
        file = SweepFile(output, knobs, points, names, mark, force, intervals, inputs, console.remark)
        if file.done:
            console.remark(f"{file.done:,} of {len(points):,} candidates are done already; carrying on")
    rows: list[SweepRow] = []
    done = 0 if file is None else file.done
    with console.counted_progress(len(points), len(points) >= LONG_SWEEP) as advance:
        try:
            if file is not None and done:
                rows += file.earlier
                advance(done)
            left = points[done:]
            for chunk in sweep_rows(jobs, machine, knobs, left, lambda count: advance(done + count), sampling or USUAL):
                rows += chunk
                if file is not None:
                    file.write(chunk)
            if file is not None:
                file.finish()
        except KeyboardInterrupt:
            if file is not None:
                console.remark(f"kept in {output}.partial; the same command picks up from there")
            else:
                from kinematics.reports.sweep_screen import sweep_cells, sweep_heads

                console.say_table(sweep_heads(knobs, sampling is not None), sweep_cells(rows, console.is_terminal()))
            raise
        finally:
            if file is not None:
                file.close()
    return rows
