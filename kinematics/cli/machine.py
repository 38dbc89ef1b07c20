"""`kinematics machine new | show | check`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from kinematics.errors import EXIT_ANSWER_IS_NO

MACHINE = click.argument("machine_name", metavar="FILE|NAME")
SETTINGS = click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change one key of the machine.")
AS_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else.")
HEADS = (("key", False), ("value", True), ("from", False))


@click.group("machine")
def command() -> None:
    """Make, read and check a machine file."""


def _shown(value: Any) -> str:
    if value is None:
        return "no limit"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


@command.command("show")
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
    console.say_table(HEADS, rows)


@command.command("check")
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
        lines = [f"{machine.name}: {len(machine.candidates)} candidates, every key is known and every value allowed"]
        lines += [f"doubtful: {doubt}" for doubt in doubts]
        if missing:
            lines.append(f"limits not given, so none assumed: {', '.join(missing)}")
        console.say(lines)
    if doubts:
        sys.exit(EXIT_ANSWER_IS_NO)


@command.command("new")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--name", help="What you call the printer.")
@click.option("--bed", "bed_mm", metavar='"W D H"', help="Largest print: width, depth, height in mm.")
@click.option("--like", metavar="gentle|middling|quick", help="The built-in machine that it is most like.")
@click.option("--force", is_flag=True, help="Overwrite FILE.")
def new(file: Path, name: str | None, bed_mm: str | None, like: str | None, force: bool) -> None:
    """Write a commented machine file to FILE from three questions (asked on a terminal) or options."""
    from kinematics.cli import console
    from kinematics.machine import NEW_MACHINE_QUESTIONS, new_machine_text

    console.refuse_to_overwrite(file, force)
    answers = {"name": name, "bed_mm": bed_mm, "like": like}
    for question in NEW_MACHINE_QUESTIONS:
        if answers[question.key] is None:
            answers[question.key] = (
                click.prompt(question.question, default=question.default, err=True)
                if sys.stdin.isatty()
                else question.default
            )
    text = new_machine_text(str(answers["name"]), str(answers["bed_mm"]), str(answers["like"]))
    console.write_whole(file, lambda path: _write(path, text), force)
    console.say(
        [
            f"{file} written, with the limits of the built-in machine {answers['like']!r}: a start, not yours yet",
            f"next: kinematics estimate JOB --machine {file}",
        ]
    )


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
