"""`kinematics machine new | show | check`."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.completing import machines
from kinematics.cli.options import AS_JSON, HELP, SETTINGS
from kinematics.errors import EXIT_ANSWER_IS_NO
from kinematics.outputs import refuse_to_overwrite, write_text_whole

if TYPE_CHECKING:
    from kinematics.machine import Question

MACHINE = click.argument("machine_name", metavar="FILE|NAME", shell_complete=machines)
HEADS = (("key", False), ("value", True), ("from", False))


@click.group("machine", context_settings=HELP)
def command() -> None:
    """Make, read and check a machine file."""


def _shown(value: Any) -> str:
    from kinematics.wording import value_text

    return "no limit" if value is None else value_text(value)


@command.command("show", context_settings=HELP, short_help="Every value, and where it comes from.")
@MACHINE
@SETTINGS
@AS_JSON
def show(machine_name: str, settings: tuple[str, ...], as_json: bool) -> None:
    """Every value that holds, and where it comes from."""
    from kinematics.cli import console
    from kinematics.machine import load_machine

    machine = load_machine(machine_name, settings)
    limits = set(machine.limits_not_given())
    values = machine.effective()
    if as_json:
        from kinematics.reports.documents import machine_document

        console.say_json(machine_document(machine))
        return
    rows = [
        (row.key, _shown(row.value) if row.value is not None or row.key in limits else "", row.origin) for row in values
    ]
    console.say_answer(console.Table(HEADS, rows))


@command.command("check", context_settings=HELP, short_help="Does any value look like a slip?")
@MACHINE
@SETTINGS
@AS_JSON
def check(machine_name: str, settings: tuple[str, ...], as_json: bool) -> None:
    """Whether the file can be read, and which of its values look like a slip; status 1 where one does."""
    from kinematics.cli import console
    from kinematics.machine import load_machine

    machine = load_machine(machine_name, settings)
    doubts = machine.check()
    missing = machine.limits_not_given()
    if as_json:
        from kinematics.reports.documents import check_document

        console.say_json(check_document(machine))
    else:
        lines = [f"{machine.name}: every key is known, every value allowed"]
        lines += [f"doubtful: {doubt}" for doubt in doubts]
        if missing:
            from kinematics.reports.screens import NO_LIMIT

            lines.append(f"{NO_LIMIT}: {', '.join(missing)}")
        console.say(lines)
    if doubts:
        sys.exit(EXIT_ANSWER_IS_NO)


@command.command("new", context_settings=HELP, short_help="Write a machine file, from three questions.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--name", help="What you call the printer.")
@click.option("--bed", "bed_mm", metavar='"W D H"', help="Largest print: width, depth, height in mm.")
@click.option("--like", metavar="gentle|middling|quick", help="The built-in machine that it is most like.")
@click.option("--from", "job", metavar="JOB", help="Take the limits that this job file states, instead of --like.")
@click.option("--dialect", metavar="NAME|FILE", help="Dialect of JOB: extrusion (default), rs274, or a file.")
@click.option("--full", is_flag=True, help="With every key there is, commented out and explained.")
@click.option("--force", is_flag=True, help="Overwrite FILE.")
def new(
    file: Path,
    name: str | None,
    bed_mm: str | None,
    like: str | None,
    job: str | None,
    dialect: str | None,
    full: bool,
    force: bool,
) -> None:
    """Write a commented machine file to FILE from three questions (asked on a terminal) or options.

    With --from JOB, from the limits that a job file states.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError

    if job is not None and like is not None:
        raise InputError.at("--like", "given together with --from", "one of them")
    if job is not None and full:
        raise InputError.at("--full", "given together with --from", "one of them")
    if dialect is not None and job is None:
        raise InputError.at("--dialect", "no job to read", "--dialect together with --from JOB")
    inputs = [name for name in (job, dialect) if name is not None]
    refuse_to_overwrite(file, force, inputs)
    if job is not None:
        text, source = _from_job(job, dialect or "extrusion", name, bed_mm)
    else:
        text, source = _from_questions(name, bed_mm, like, full)
    write_text_whole(file, text, force, inputs)
    example = "JOB" if job is None or job == "-" else job
    from kinematics.machine import Machine

    doubts = [f"doubtful: {doubt}" for doubt in Machine.from_toml_text(text, str(file)).check()]
    following = f"next: kinematics estimate {shlex.quote(example)} --machine {shlex.quote(str(file))}"
    console.say([f"{file} written, {source}", *doubts, following])


def _from_questions(name: str | None, bed_mm: str | None, like: str | None, full: bool) -> tuple[str, str]:
    """The text of the file, and in words where its limits are from."""
    from kinematics.machine import NEW_MACHINE_QUESTIONS, new_machine_text
    from kinematics.machine.explained import full_machine_text

    answers = {"name": name, "bed_mm": bed_mm, "like": like}
    for question in NEW_MACHINE_QUESTIONS:
        if answers[question.key] is None:
            answers[question.key] = _asked(question)
    make = full_machine_text if full else new_machine_text
    text = make(str(answers["name"]), str(answers["bed_mm"]), str(answers["like"]))
    return text, f"with the limits of the built-in machine {answers['like']!r}: a start, not yours yet"


def _from_job(job: str, dialect: str, name: str | None, bed_mm: str | None) -> tuple[str, str]:
    """The same for the limits that a job states. Raises InputError where it states none."""
    from kinematics.cli import console
    from kinematics.errors import InputError
    from kinematics.machine import NEW_MACHINE_QUESTIONS, Machine, machine_text_from_limits

    console.remark_first_run()
    from kinematics.gcode.dialect_file import load_dialect
    from kinematics.gcode.reader import read_gcode
    from kinematics.limits.flow import filament_area

    read = read_gcode(job, load_dialect(dialect), filament_area=filament_area(Machine()))
    from kinematics.reports.screens import assumed_text, held_text
    from kinematics.studies.estimate import ASSUMED

    stated = read.facts.stated
    limits = {one.key: (one.value, one.line) for one in stated}
    if not limits:
        raise InputError.at(job, "states no limits", "a job that does, or --like gentle|middling|quick")
    beside = {one.key: words for one in stated if (words := held_text(one))}
    text = machine_text_from_limits(_asked(NEW_MACHINE_QUESTIONS[0]) if name is None else name, limits, bed_mm, beside)
    machine = Machine.from_toml_text(text, job)
    given = {row.key for row in machine.effective() if row.origin.startswith(f"{job}:")}
    if assumed := assumed_text((key, machine.value_of(key)) for key in ASSUMED if key not in given):
        console.remark(assumed)
    used = len(given & limits.keys())
    unused = f", and {len(limits) - used} that cannot be used, see its remarks" if used < len(limits) else ""
    return text, f"with the limits that {job} states ({used}{unused}); what it does not state is commented out"


def _asked(question: Question) -> str:
    """The answer of a person at a terminal, asked again until it can be used; elsewhere the default."""
    if not sys.stdin.isatty():
        return question.default
    from kinematics.machine import answer_problem

    def answered(answer: str) -> str:
        problem = answer_problem(question, answer)
        if problem:
            raise click.UsageError(problem)  # makes click ask again
        return answer

    return str(click.prompt(question.question, default=question.default, value_proc=answered, err=True))
