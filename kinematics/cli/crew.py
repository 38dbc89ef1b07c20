"""Lists of jobs, who times them, and tables of what was found: options of commands that take thousands of jobs."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from kinematics.cli.options import Command, JobOptions, with_options

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    import pandas

    from kinematics.fleet.crews import Crew
    from kinematics.fleet.kept_answers import KeptAnswers

MOST_WORKERS = 1024
MANY = 20  # jobs, from which on this process too has only so many of them in memory as there is room for
NOT_THE_COMMAND = frozenset({"workers", "cluster", "force", "picture", "output", "as_json"})  # who works, what is shown

OUTPUT = click.option(
    "-o",
    "--output",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the rows to a .csv or .parquet file as they come.",
)


def crew_options(command: Command) -> Command:
    """The options --jobs, --workers and --cluster, right below those of jobs: what they ask for is ready in time."""

    @functools.wraps(command)
    def with_crew(
        asked: JobOptions, jobs_list: str | None, workers: int | None, cluster: str | None, **own: Any
    ) -> Any:
        asked = _with_listed(asked, jobs_list)
        context = click.get_current_context()
        if not asked.jobs and context.command.name != "fit":
            raise click.MissingParameter(ctx=context, param=context.command.params[0])
        with _crew_of(asked.jobs, workers, cluster) as crew:
            return command(replace(asked, crew=crew), **own)

    return with_options(
        with_crew,
        click.option("--jobs", "jobs_list", metavar="LIST.csv", help="More jobs: a table with a column job."),
        click.option(
            "--workers",
            type=click.IntRange(1, MOST_WORKERS),
            metavar="N",
            help="Share the jobs among N processes of this machine.",
        ),
        click.option("--cluster", metavar="ADDRESS", help="Share the jobs among the workers of a Dask cluster."),
    )


class _Listed(NamedTuple):
    """Jobs of a list, and how often each is printed, as --prints says it."""

    jobs: list[str]
    prints: list[str]


def _with_listed(asked: JobOptions, table: str | None) -> JobOptions:
    """What was asked for with the jobs of a list behind those that are named. Raises InputError with every finding."""
    if table is None:
        return asked
    counts = any(one.name == "print_texts" for one in click.get_current_context().command.params)
    listed = _listed_in(table, counts)
    return replace(
        asked, jobs=(*asked.jobs, *listed.jobs), print_texts=(*listed.prints, *asked.print_texts), listed=table
    )


def _listed_in(table: str, counts: bool) -> _Listed:
    from kinematics.errors import InputError, nearest
    from kinematics.tables import Cells, TableKind, file_beside, read_table

    columns = ("job", "prints") if counts else ("job",)
    names = {"file": "job", "gcode": "job", "g-code": "job", "path": "job", "quantity": "prints", "number": "prints"}
    read = read_table(table, TableKind("jobs", columns, ("job",), names))
    findings, found, lines = [*read.findings], _Listed([], []), dict[str, int]()
    for line, row in read.rows:
        cells = Cells(row, f"{table}:{line}", read.separator)
        name = cells.text("job")
        path = file_beside(name, table)
        if not name:
            cells.wrong("no job", "a G-code file, in column job")
        elif not os.path.isfile(path):
            folder = Path(table).parent / Path(name).parent
            near = [one.name for one in folder.iterdir()] if folder.is_dir() else []
            cells.wrong(f"there is no file {name!r}", "a G-code file beside the list", nearest(Path(name).name, near))
        elif path in lines:
            cells.wrong(f"{name!r} stands in line {lines[path]} already", "each job once")
        prints = cells.number("prints", "a number above 0", lambda number: 0.0 < number < 1e9)
        lines.setdefault(path, line)
        found.jobs.append(path)
        found.prints.extend([] if prints is None else [f"{path}={prints!r}"])
        findings += cells.findings
    if findings:
        raise InputError(*findings)
    if not found.jobs:
        raise InputError.at(table, "no jobs in this list", "a row for each job")
    return found


@contextlib.contextmanager
def _crew_of(jobs: Sequence[str], workers: int | None, cluster: str | None) -> Iterator[Crew | None]:
    """Who times the jobs: None for this process as it is. Raises InputError for what cannot be shared."""
    from kinematics.errors import InputError

    if workers is not None and cluster is not None:
        raise InputError.at("--cluster", "--workers is given as well", "one of them")
    if workers is None and cluster is None:
        if len(jobs) <= MANY:
            yield None
            return
        from kinematics.fleet.crews import CrewHere

        yield CrewHere()
        return
    from kinematics.fleet import crews
    from kinematics.gcode.chunks import is_stream

    for job in jobs:
        if is_stream(job):
            found = "what can be read but once, as a pipe, cannot be shared among workers"
            raise InputError.at(job, found, "files, together with --workers and --cluster")
    kept = crews.kept_answers(_name_of_run())
    if kept is None:
        _remark("there is no folder to keep finished work in that is yours alone, so a run that is broken off is lost")
    is_done = False
    try:
        if kept is not None and len(kept):
            _remark(f"{len(kept):,} answers of a run that was broken off are taken up")
        with _elsewhere(workers, cluster, kept) as crew:
            try:
                yield crew
                is_done = True
            except (SystemExit, click.exceptions.Exit):  # which is an answer too
                is_done = True
                raise
            except KeyboardInterrupt:
                if kept is not None:
                    _remark("what is done is kept; the same command picks up from there")
                raise
    finally:
        if kept is not None:
            kept.close(is_done)


def _elsewhere(workers: int | None, cluster: str | None, kept: KeptAnswers | None) -> AbstractContextManager[Crew]:
    from kinematics.fleet import crews

    if cluster is None:
        return crews.processes(workers or 1, kept)
    from kinematics.fleet import dask_cluster

    return dask_cluster.cluster(cluster, kept, _remark)


def _remark(text: str) -> None:
    from kinematics.cli.console import remark

    remark(text)


def _name_of_run() -> str:
    """A name for what was asked for, the same when it is asked again here."""
    context = click.get_current_context()
    asked = {name: str(value) for name, value in context.params.items() if name not in NOT_THE_COMMAND}
    import json

    told = json.dumps([os.getcwd(), context.command.name, asked], sort_keys=True)
    return hashlib.sha256(told.encode("utf-8", "surrogateescape")).hexdigest()[:20]


def check_rows(output: Path | None, asked: JobOptions) -> None:
    """Refuse a table that cannot be written, before any work is done."""
    if output is not None:
        from kinematics.rows_file import check_rows_file

        check_rows_file(output, asked.force, asked.read)


@contextlib.contextmanager
def rows_written(output: Path | None, asked: JobOptions) -> Iterator[Callable[[Mapping[str, Any]], None]]:
    """Where a table of rows is asked for, what takes them as they come; whole at the end, and told."""
    if output is None:
        yield lambda _: None
        return
    from kinematics.rows_file import rows_file

    with rows_file(output, asked.force, asked.read) as rows:
        yield rows.add
    _remark(f"{rows.count:,} rows in {output}")


def write_rows(output: Path | None, asked: JobOptions, frame: Callable[[], pandas.DataFrame]) -> None:
    """Write the rows of a table where it is asked for, whole; and say so."""
    if output is None:
        return
    from kinematics.rows_file import rows_file

    with rows_file(output, asked.force, asked.read) as rows:
        rows.write(frame())
    _remark(f"{rows.count:,} rows in {output}")
