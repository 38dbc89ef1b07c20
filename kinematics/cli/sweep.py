"""`kinematics sweep`."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kinematics.cli.crew import OUTPUT, crew_options
from kinematics.cli.job_arguments import weights_of
from kinematics.cli.options import (
    PRINTS,
    JobOptions,
    check_picture,
    draw_options,
    is_long,
    job_options,
    jobs_to_time,
    machine_or_stand_in,
    machine_words,
    picture_option,
    planning,
    write_picture,
)

if TYPE_CHECKING:
    from kinematics.jobs.many import WeightedJobs
    from kinematics.machine import Machine
    from kinematics.studies.intervals import Sampling
    from kinematics.studies.knobs import Knob
    from kinematics.studies.sweep import Sweep, SweepRow
    from kinematics.studies.sweep_file import SweepFile

SHOWN_ROWS = 40  # on a screen without --output
MOST_SAMPLED = 1_000_000  # points: as many rows
PLANS_A_KNOB = 50  # or so, to find where it stops paying
LONG_SWEEP = 200  # candidates from which progress is shown


@click.command("sweep")
@job_options(required=False, metavar="JOB…")
@crew_options
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
@PRINTS
@OUTPUT
@click.option("--force", is_flag=True, help="Overwrite the files of --output and --picture.")
@picture_option("the curve of one knob or the map of two")
def command(asked: JobOptions, knob_texts: tuple[str, ...], sample_size: int | None, output: Path | None) -> None:
    """How does time fall as limits rise, where does it stop paying, and which part is within the caps?

    Every combination of the values of all --vary is tried on every JOB. A sweep with --output that was interrupted
    picks up where it stopped when the same command is given again.
    """
    from kinematics.cli import console
    from kinematics.studies.knobs import check_knobs, grid, knob_from, sample

    knobs = [knob_from(text) for text in knob_texts]
    machine = machine_or_stand_in(asked)
    check_knobs(knobs, machine)
    if output is not None:
        from kinematics.rows_file import check_rows_file

        check_rows_file(output, asked.force, asked.read)
    check_picture(asked)
    if asked.picture is not None:
        from kinematics.reports.sweep_pictures import check_knobs_drawn

        check_knobs_drawn(knobs)
    weights = weights_of(asked.jobs, asked.print_texts)
    points = list(grid(knobs)) if sample_size is None else sample(knobs, sample_size, asked.seed)
    prepared = jobs_to_time(asked)
    from kinematics.jobs.many import WeightedJobs
    from kinematics.studies.knees import Knee, knees_of
    from kinematics.studies.sweep import Sweep, held_at_the_end, present_total_of, ranges_left

    weighted = WeightedJobs(prepared, asked.jobs, weights)
    sampling = asked.sampling if ranges_left(machine, knobs) else None
    rows = _rows(asked, weighted, machine, knobs, points, output, sampling)
    knees: list[Knee] = []
    cut_short = False
    with planning(1, is_long(asked.jobs, PLANS_A_KNOB * len(knobs)), console.KEEPS) as tell:
        try:
            tell(step := f"where more {' or '.join(knob.name for knob in knobs)} stops paying")
            knees = knees_of(weighted, machine, knobs, partial(tell, step))
        except KeyboardInterrupt:  # the rows are there
            cut_short = True
    present = present_total_of(weighted, machine)
    held = held_at_the_end(weighted, machine, knobs)
    sweep = Sweep(machine, tuple(knobs), tuple(rows), tuple(knees), sampling, present, held)
    if asked.as_json:
        from kinematics.reports.documents import sweep_document

        console.say_json(sweep_document(sweep))
    else:
        _show(sweep, output, machine_words(asked, machine))
    write_picture(asked, sweep)
    if cut_short:
        console.end_interrupted("every row is done, but not where all knobs stop paying")


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


def _rows(
    asked: JobOptions,
    jobs: WeightedJobs,
    machine: Machine,
    knobs: Sequence[Knob],
    points: Sequence[tuple[float, ...]],
    output: Path | None,
    sampling: Sampling | None,
) -> list[SweepRow]:
    """All rows, written as they are done; interrupted, what is done is kept and told."""
    from kinematics.cli import console
    from kinematics.studies.intervals import USUAL_SAMPLING
    from kinematics.studies.sweep import sweep_rows
    from kinematics.studies.sweep_file import SweepFile, fingerprint, row_names

    file: SweepFile | None = None
    if output is not None:
        timed = list(zip(jobs.names, jobs.weights.tolist(), jobs.prepared, strict=True))
        reading = asked.file_limits, asked.block_delete
        mark = fingerprint(machine, knobs, points, timed, reading, asked.dialect, sampling)
        names = row_names(jobs.names)
        drawn = sampling is not None
        file = SweepFile(output, knobs, points, names, mark, asked.force, drawn, asked.read, console.remark)
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
            for chunk in sweep_rows(
                jobs, machine, knobs, left, lambda count: advance(done + count), sampling or USUAL_SAMPLING
            ):
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
