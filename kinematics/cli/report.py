"""`kinematics report`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    JobOptions,
    draw_options,
    is_long,
    job_options,
    jobs_by_path,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
    planning,
)
from kinematics.outputs import refuse_to_overwrite, write_text_whole, write_whole

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.measured.fit import Fit
    from kinematics.reports.page import ReportPage

PATHS = ("jobs", "machine_name", "dialect", "output", "before", "times", "figures", "pdf", "orders", "printers")


@click.command("report")
@job_options
@draw_options
@click.option(
    "-o", "--output", required=True, metavar="FILE.html", type=click.Path(path_type=Path), help="The page to write."
)
@click.option(
    "--candidate",
    "candidate_texts",
    multiple=True,
    metavar='"NAME: KEY=VALUE, …"',
    help="Limits to try, beside those of the machine file.",
)
@click.option(
    "--vary",
    "knob_texts",
    multiple=True,
    metavar="KNOB=LOW:HIGH:COUNT[log]",
    help="A curve of a knob or, given twice, a map of two as well; as for sweep.",
)
@click.option("--layer", type=click.IntRange(0), metavar="N", help="The layer that is drawn from above.")
@click.option(
    "--before", metavar="FILE.json", help="What estimate --json saved earlier, to be set beside what holds now."
)
@click.option("--per-month", "counts", multiple=True, metavar="[JOB=]NUMBER", help="Good prints a month, for upgrades.")
@click.option("--times", metavar="TIMES.csv", help="Measured prints, as for fit: what was promised against them.")
@click.option(
    "--with",
    "more",
    multiple=True,
    type=click.Choice(["vibration", "bedful"]),
    help="Which filter serves best; how many on the bed at a time.",
)
@click.option("--orders", metavar="ORDERS.csv", help="Orders, for parts a day; together with --printers and --start.")
@click.option("--printers", metavar="PRINTERS.csv", help="The printers of the orders.")
@click.option("--start", metavar="WHEN", help="When the shop starts: 2026-03-02.")
@click.option(
    "--figures", metavar="DIR", type=click.Path(path_type=Path), help="Every figure as a file of its own too."
)
@click.option("--pdf", metavar="FILE.pdf", type=click.Path(path_type=Path), help="The page as PDF too, by a browser.")
@click.option("--force", is_flag=True, help="Overwrite what is written.")
@click.pass_context
def command(
    context: click.Context,
    asked: JobOptions,
    output: Path,
    candidate_texts: tuple[str, ...],
    knob_texts: tuple[str, ...],
    layer: int | None,
    before: str | None,
    counts: tuple[str, ...],
    times: str | None,
    more: tuple[str, ...],
    orders: str | None,
    printers: str | None,
    start: str | None,
    figures: Path | None,
    pdf: Path | None,
) -> None:
    """All of it on one page to pass on.

    One HTML file that needs nothing else: what was asked and with which machine, the time now and under each candidate,
    where the time goes, layers, the path, caps with their formulas, upgrades and orders where they are given, warnings.
    """
    from kinematics.cli import console
    from kinematics.machine import candidate_from
    from kinematics.reports.before import read_before
    from kinematics.reports.printing import check_browser
    from kinematics.reports.whole_report import whole_report
    from kinematics.studies.knobs import check_knobs, knob_from

    machine = machine_or_stand_in(asked)
    inputs = [*asked.read, *(one for one in (before, times, orders, printers) if one)]
    _check_outputs(output, figures, pdf, asked.force, inputs)
    if pdf is not None:
        check_browser()
    knobs = [knob_from(text) for text in knob_texts]
    check_knobs(knobs, machine)
    candidates = [*machine.candidates, *(candidate_from(text) for text in candidate_texts)]
    earlier = None if before is None else read_before(before)
    check_shop(orders, printers, start)
    from kinematics.cli.shop import order_book
    from kinematics.cli.upgrades import prints_a_month

    prints = prints_a_month(asked.jobs, counts, machine.economy.prints_per_month)
    prepared = jobs_with_moves(asked)
    book = None if orders is None else order_book(asked, orders, printers or "", start or "")
    steps = 6 + len(prepared) * (len(candidates) + 3) + len(knobs)
    with planning(steps, is_long(asked.jobs, 10)) as tell:
        page, read = whole_report(
            prepared,
            machine,
            machine_words(asked, machine),
            candidates,
            knobs,
            layer,
            earlier,
            prints,
            None if book is None else book.shop(),
            asked.sampling,
            tell,
            command_text(context),
            inputs,
            more,
            None if times is None else _fit(asked, times, machine),
        )
    from kinematics.reports.page import Names, page_html

    text = page_html(page, Names([*inputs, *read]))
    write_text_whole(output, text, asked.force, inputs)
    console.remark(f"{output} written: {len(text.encode()) / 1e6:.1f} MB, one file to pass on")
    written = _write_figures(page, figures, asked.force, inputs) if figures is not None else []
    if pdf is not None:
        from kinematics.reports.printing import write_pdf

        write_whole(pdf, lambda path: write_pdf(text, path), asked.force, inputs)
        console.remark(f"{pdf} written")
    if asked.as_json:
        from kinematics.reports.documents import head

        parts = [{"title": one.title, "figures": [figure.name for figure in one.figures]} for one in page.sections]
        document = {"title": page.title, "answer": list(page.answer), "sections": parts, "output": str(output)}
        console.say_json(head() | document | {"figures": [str(path) for path in written]})
    else:
        console.say(list(page.answer))


def _check_outputs(output: Path, figures: Path | None, pdf: Path | None, force: bool, inputs: Sequence[str]) -> None:
    """Refuse what cannot be written before any work is done."""
    from kinematics.errors import InputError

    for path, ending, option in ((output, ".html", "--output"), (pdf, ".pdf", "--pdf")):
        if path is not None:
            if path.suffix.lower() != ending:
                raise InputError.at(option, f"can't write a page that ends in {path.suffix!r}", f"FILE{ending}")
            refuse_to_overwrite(path, force, inputs)
    if figures is not None and figures.exists() and not figures.is_dir():
        raise InputError.at("--figures", f"{str(figures)!r} is a file", "a folder, which is made where there is none")


def check_shop(orders: str | None, printers: str | None, start: str | None) -> None:
    """Raises InputError where only some of the options for orders are given."""
    from kinematics.errors import InputError

    told = {"--orders": orders, "--printers": printers, "--start": start}
    missing = [name for name, value in told.items() if value is None]
    if 0 < len(missing) < len(told):
        raise InputError.at(missing[0], "not given", "--orders, --printers and --start together")


def command_text(context: click.Context) -> str:
    """The command as it was given, every file by its bare name; without --force, which changes nothing on the page."""
    import shlex

    words = ["kinematics", context.info_name or ""]
    for parameter in context.command.params:
        name = parameter.name or ""
        value = context.params.get(name)
        unsaid = context.get_parameter_source(name) in (None, click.core.ParameterSource.DEFAULT)
        if unsaid or name == "force":
            continue
        many = value if isinstance(value, tuple) else (value,)
        told = [PurePath(str(one)).name if name in PATHS else str(one) for one in many]
        if isinstance(parameter, click.Argument):
            words += told
        elif isinstance(value, bool):
            words += [parameter.opts[-1]] if value else []
        else:
            words += [word for one in told for word in (parameter.opts[-1], one)]
    return shlex.join(words)


def _fit(asked: JobOptions, times: str, machine: Machine) -> Fit:
    """Measured prints of a table held against the machine. Raises InputError where none can be used."""
    from kinematics.errors import InputError
    from kinematics.measured.fit import fit_prints
    from kinematics.measured.stopwatch import measured_rows, read_times
    from kinematics.studies.estimate import STAND_IN

    told = read_times(times)
    if not told.rows:
        raise InputError(*told.findings) if told.findings else InputError.at(times, "no measured print", "a row each")
    timed = jobs_by_path(asked, [row.path for row in told.rows])
    measured, findings, _ = measured_rows(told.rows, machine, asked.machine_name or STAND_IN, timed.__getitem__)
    return fit_prints(measured, machine, [], [*told.findings, *findings])


def _write_figures(page: ReportPage, folder: Path, force: bool, inputs: Sequence[str]) -> list[Path]:
    """Every figure of a page as a file in a folder: drawn lines as .svg, images as .png."""
    from kinematics.cli.console import remark
    from kinematics.errors import InputError
    from kinematics.reports.style import save

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError.at("--figures", f"{str(folder)!r} cannot be made: {error.strerror}") from None
    written = []
    for one in (figure for section in page.sections for figure in section.figures):
        path = folder / f"{one.name}{'.png' if one.is_image else '.svg'}"
        figure = one.figure()
        write_whole(path, lambda temporary, figure=figure: save(figure, temporary), force, inputs)  # type: ignore[misc]
        written.append(path)
    remark(f"{len(written)} figures written to {folder}")
    return written
