"""`kinematics fit`."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from kinematics.cli.crew import OUTPUT, check_rows, crew_options, write_rows
from kinematics.cli.options import (
    JobOptions,
    check_picture,
    job_options,
    jobs_by_path,
    machine_or_stand_in,
    machine_words,
    picture_option,
    planning,
    write_machine,
    write_machine_option,
    write_picture,
)
from kinematics.errors import EXIT_ANSWER_IS_NO
from kinematics.outputs import refuse_to_overwrite, write_text_whole, write_whole

if TYPE_CHECKING:
    from kinematics.errors import Finding
    from kinematics.measured.fit import Fit
    from kinematics.measured.stopwatch import TimesRow

TABLE_ENDING = ".csv"
BEFORE = ".before"  # ends the name of what a machine file was before it was written over


class _Words(NamedTuple):
    """What the words of the command line ask for: tables, `JOB=TIME` as rows, and jobs that could be timed next."""

    tables: list[str]
    rows: list[TimesRow]
    candidates: list[str]


@click.command("fit")
@job_options(required=False, metavar="TIMES.csv|JOB=1h52m|JOB…")
@crew_options
@OUTPUT
@click.option(
    "--from-first-move", is_flag=True, help="JOB=TIME: the clock ran from the first move, not from the start."
)
@click.option("--note", "notes", default="", metavar="TEXT", help="JOB=TIME: a remark for the log.")
@click.option("--log", metavar="FILE.csv", help="Add JOB=TIME to this table, and fit all of it.")
@picture_option("the prints")
@write_machine_option("the fitted values and [checked]")
@click.option("--force", is_flag=True, help="Overwrite files; of the machine file itself a copy is kept beside it.")
def command(
    asked: JobOptions,
    from_first_move: bool,
    notes: str,
    log: str | None,
    output: Path | None,
    machine_file: Path | None,
) -> None:
    """How far off were the estimates, and which limits does the machine really have?

    TIMES.csv holds job, minutes or time, machine, material, notes, counted_from (start of heating, first move), date;
    JOB=1h52m is one print. A JOB without a time is one that could be timed next. Status 1 where some rows could not be
    used.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError
    from kinematics.measured.stopwatch import Times, machine_of_rows, measured_rows, read_times
    from kinematics.studies.estimate import STAND_IN

    words = _words_of(asked, notes, from_first_move)
    tables = [*words.tables, *([log] if log is not None and log not in words.tables and os.path.exists(log) else [])]
    if log is not None and not words.rows and log not in tables:
        raise InputError.at("--log", f"nothing to add to {log!r}, which is not there yet", "JOB=1h52m")
    read = [read_times(table) for table in tables]
    rows = [row for times in read for row in times.rows]
    told = Times(
        rows, [one for times in read for one in times.findings], [one for times in read for one in times.doubts]
    )
    if not rows and not words.rows:
        raise (
            InputError(*told.findings)
            if told.findings
            else InputError.at(
                "fit",
                "no measured print",
                "JOB=1h52m, or a table: TIMES.csv",
                "such as kinematics fit part.gcode=1h52m",
            )
        )
    inputs = [*tables, *replace(asked, jobs=()).read]
    asked = replace(asked, machine_name=asked.machine_name or machine_of_rows(rows))
    machine = machine_or_stand_in(asked)
    named = asked.machine_name or STAND_IN
    new = [row._replace(machine=_machine_cell(named, log)) for row in words.rows]
    paths = [*(row.path for row in (*rows, *new)), *words.candidates]
    inputs = [*paths, *inputs]
    _check_outputs(asked, machine_file, machine.source, inputs)
    check_rows(output, replace(asked, jobs=tuple(inputs)))
    prepared = jobs_by_path(asked, paths)
    measured, findings, doubts = measured_rows([*rows, *new], machine, named, prepared.__getitem__)
    findings, doubts = [*told.findings, *findings], [*told.doubts, *doubts]
    from kinematics.measured.fit import fit_prints

    if log is not None:
        _refuse_what_is_wrong(new, findings)
    with planning(2 + 2 * len(prepared), len(prepared) > 20, console.KEEPS) as tell:
        candidates = [(name, prepared[name]) for name in words.candidates]
        fit = fit_prints(measured, machine, candidates, findings, tell)
    if log is not None and new:
        _refuse_what_is_wrong(new, fit.left_out)
        _add_to_log(log, new)
    if asked.picture is not None:
        from kinematics.reports.fit_pictures import fit_figure

        write_picture(asked, fit, fit_figure, inputs)
    write_rows(output, replace(asked, jobs=tuple(inputs)), fit.to_frame)
    if machine_file is not None and not fit.cut_short:
        _write_machine(asked, machine_file, fit, named, inputs)
    if asked.as_json:
        from kinematics.reports.fit_documents import fit_document

        console.say_json(fit_document(fit, doubts))
    else:
        _show(fit, machine_words(asked, machine), _next(asked, fit, log, machine_file))
        from kinematics.reports.fit_screen import left_out_lines

        for line in left_out_lines(fit.left_out, doubts):
            console.remark(line)
    if fit.cut_short:
        unwritten = "" if machine_file is None else f"; {machine_file} is not written"
        console.end_interrupted(f"this fit is rougher than it would have been{unwritten}")
    if fit.left_out:
        raise click.exceptions.Exit(EXIT_ANSWER_IS_NO)


def _words_of(asked: JobOptions, notes: str, from_first_move: bool) -> _Words:
    """What the words of the command line ask for. Raises InputError with every finding."""
    from datetime import date

    from kinematics.errors import Finding, InputError
    from kinematics.measured.stopwatch import TimesRow, measured_argument
    from kinematics.wording import seconds_from

    words = _Words([], [], [])
    findings: list[Finding] = []
    for word in asked.jobs:
        pair = measured_argument(word)
        if pair is None:
            (words.tables if word.lower().endswith(TABLE_ENDING) else words.candidates).append(word)
            continue
        job, time = pair
        try:
            seconds = seconds_from(time, word)
        except InputError as failure:
            findings += failure.findings
            continue
        if not os.path.isfile(job):
            findings.append(Finding(word, f"there is no file {job!r}", "JOB=1h52m, JOB a G-code file"))
            continue
        today = date.today().isoformat()
        words.rows.append(
            TimesRow(job, job, seconds, "", asked.material or "", notes, not from_first_move, today, word)
        )
    if findings:
        raise InputError(*findings)
    return words


def _machine_cell(named: str, log: str | None) -> str:
    """A machine as a row of the log names it."""
    from kinematics.measured.stopwatch import named_from

    return named_from(named, log) if log is not None and os.path.isfile(named) else named


def _refuse_what_is_wrong(rows: Sequence[TimesRow], findings: Sequence[Finding]) -> None:
    """Raise InputError where a print that is to be added to a log could not be used."""
    from kinematics.errors import InputError

    wrong = [one for one in findings if any(one.place == row.place for row in rows)]
    if wrong:
        raise InputError(*wrong)


def _add_to_log(log: str, rows: Sequence[TimesRow]) -> None:
    """Add rows to a log: the one output that grows."""
    from kinematics.cli import console
    from kinematics.measured.stopwatch import with_rows

    path = Path(log)
    before = path.read_bytes().decode("utf-8") if path.exists() else ""
    text = with_rows(before, rows, log)
    write_text_whole(path, text, True)
    console.remark(f"{len(rows)} print{'s' if len(rows) != 1 else ''} added to {log}")


def _check_outputs(asked: JobOptions, machine_file: Path | None, source: str, inputs: Sequence[str]) -> None:
    """Refuse what cannot be written before any work is done."""
    check_picture(asked, inputs)
    if machine_file is not None:
        itself = _is_itself(machine_file, source)
        refuse_to_overwrite(machine_file, asked.force, () if itself else inputs)
        if itself:
            refuse_to_overwrite(_copy_beside(machine_file), True, inputs)


def _is_itself(path: Path, source: str) -> bool:
    """Whether a file that is to be written is the machine file that was read."""
    return path.exists() and os.path.isfile(source) and os.path.samefile(path, source)


def _copy_beside(path: Path) -> Path:
    return path.with_name(path.name + BEFORE)


def _write_machine(asked: JobOptions, path: Path, fit: Fit, named: str, inputs: Sequence[str]) -> None:
    """A copy of the machine file with the fitted ranges and [checked]; what --set and --material changed stays out."""
    from datetime import date

    from kinematics.cli import console
    from kinematics.errors import InputError
    from kinematics.machine.written import machine_copy

    if asked.settings or asked.material:
        option = "--set" if asked.settings else "--material"
        raise InputError.at(
            "--write-machine", f"a fit with {option}, which the machine file does not have", f"no {option}"
        )
    checked = fit.checked(date.today().isoformat()) | {"date": date.today()}
    text = machine_copy(named, fit.settings, sections={"checked": checked})
    if _is_itself(path, named):
        beside = _copy_beside(path)
        before = path.read_bytes()
        write_whole(beside, lambda temporary: temporary.write_bytes(before), True)
        write_machine(path, text, True, ())
        console.remark(f"the file as it was is kept as {beside}")
    else:
        write_machine(path, text, asked.force, inputs)


def _show(fit: Fit, words: str, following: str) -> None:
    from kinematics.cli import console
    from kinematics.reports import fit_screen as screen

    if fit.explanations is not None:
        rows = screen.explanation_rows(fit)
        table = [console.Table(screen.explanation_heads(), rows)] if rows else []
        console.say_answer(screen.fit_head(fit, words), *table, screen.explanation_notes(fit, following))
        return
    tables = [console.Table(screen.print_heads(fit), screen.print_rows(fit))]
    if rows := screen.parameter_rows(fit):
        tables.append(console.Table(screen.PARAMETER_HEADS, rows))
    console.say_answer(screen.fit_head(fit, words), *tables, screen.fit_notes(fit, following))


def _next(asked: JobOptions, fit: Fit, log: str | None, written: Path | None) -> str:
    """The words of the next command to try: a log for a single print, the machine file for several."""
    from kinematics.reports.fit_screen import next_command

    named = ["--machine", asked.machine_name] if asked.machine_name is not None else []
    if fit.explanations is not None:
        options = [*named, *(word for one in asked.settings for word in ("--set", one))]
        options += ["--material", asked.material] if asked.material else []
        return "" if log is not None else next_command([*asked.jobs, "--log", "times.csv"], options)
    if written is not None or asked.settings or asked.material:
        return ""
    table = ["--log", log] if log is not None and not asked.jobs else []
    return next_command([*asked.jobs, *table], [*named, "--write-machine", "fitted.toml"])
