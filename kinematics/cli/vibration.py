"""`kinematics vibration`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.options import (
    is_long,
    job_options,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
    named_files,
    write_machine,
    write_machine_option,
)
from kinematics.errors import InputError

if TYPE_CHECKING:
    from kinematics.studies.prepared import PreparedJob
    from kinematics.studies.vibration import VibrationStudy
    from kinematics.vibration.recording import Recording

PLANS_EACH = 200  # times that a job is planned, or so
AXES = ("x", "y", "z")


@click.command("vibration")
@job_options(required=False)
@click.option("--x", "x_files", multiple=True, metavar="FILE", help="Recording while x was shaken; several are pooled.")
@click.option("--y", "y_files", multiple=True, metavar="FILE", help="Recording while y was shaken.")
@click.option(
    "--ripple",
    "ripples",
    multiple=True,
    metavar="x=MM@SPEED",
    help="Ripples on a wall printed along the axis: how far apart, and how fast; x=13/5@120 for 13 mm over five.",
)
@click.option(
    "--column", "columns", multiple=True, metavar="AXIS=NAME", help="Column of an acceleration: name or number."
)
@click.option("--time-column", metavar="NAME", help="Column of the times, or its number.")
@click.option("--time-unit", type=click.Choice(["s", "ms", "us", "index"]), help="Unit of the times.")
@click.option("--acceleration-unit", type=click.Choice(["g", "m/s2", "mm/s2"]), help="Unit of the accelerations.")
@click.option("--rate-hz", type=click.FloatRange(1.0, 1e6), metavar="HZ", help="Samples a second.")
@click.option(
    "--budget",
    "counted",
    type=click.Choice(["kick", "job"]),
    default="kick",
    help="Whether the ringing budget holds each kick (default), or the swing of a whole job.",
)
@click.option(
    "--uncertainty",
    type=click.FloatRange(0.0, 0.5),
    default=0.0,
    metavar="SHARE",
    help="How far off frequencies are at least, such as 0.05: they shift with load and place.",
)
@click.option("--own-filter", "own", is_flag=True, help="Look for a filter of your own too; takes a minute or so.")
@click.option("--prints", "print_texts", multiple=True, metavar="JOB=N", help="How many times a job is printed.")
@click.option("--write-settings", is_flag=True, help="What to set, in the words of your dialect's [[write]] table.")
@write_machine_option("modes, filters and accelerations")
@click.option(
    "--pictures",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw FILE-spectrum, -filters, -corner, -time: .png, .svg or .pdf.",
)
@click.option("--force", is_flag=True, help="Overwrite the files that are written.")
def command(
    jobs: tuple[str, ...],
    machine_name: str | None,
    material: str | None,
    settings: tuple[str, ...],
    dialect: str,
    file_limits: str,
    block_delete: bool,
    as_json: bool,
    x_files: tuple[str, ...],
    y_files: tuple[str, ...],
    ripples: tuple[str, ...],
    columns: tuple[str, ...],
    time_column: str | None,
    time_unit: str | None,
    acceleration_unit: str | None,
    rate_hz: float | None,
    counted: str,
    uncertainty: float,
    own: bool,
    print_texts: tuple[str, ...],
    write_settings: bool,
    write_machine: Path | None,
    pictures: Path | None,
    force: bool,
) -> None:
    """Which modes does the machine have, and which filter prints my jobs soonest inside my budgets?

    Modes come from recordings of an accelerometer, from ripples on a printed wall, or from the machine file; with both
    they are compared. With a JOB, filters are chosen by its print time, the axes together.
    """
    from kinematics.cli import console
    from kinematics.cli.sweep import weights_of

    machine = machine_or_stand_in(machine_name, settings, material, as_json)
    read = [*named_files(jobs, machine_name, dialect), *x_files, *y_files]
    _refuse(write_machine, machine_name, pictures, force, read, write_settings, bool(jobs))
    told = {
        "time_column": time_column,
        "columns": _columns(columns),
        "time_unit": time_unit,
        "acceleration_unit": acceleration_unit,
        "rate": rate_hz,
    }
    recordings = _recordings(x_files, y_files, told)
    from kinematics.studies.vibration_modes import ripple_of

    rippled = [ripple_of(text) for text in ripples]
    weights = weights_of(jobs, print_texts)
    prepared: list[PreparedJob] = []
    if jobs:
        prepared = jobs_with_moves(jobs, dialect, file_limits, block_delete)
    from kinematics.studies.vibration import vibration_of

    with console.progress(1, own or is_long(jobs, PLANS_EACH)) as tell:
        tell("weighing filters")
        found = vibration_of(machine, recordings, rippled, prepared, jobs, weights, counted, own, uncertainty)
    from kinematics import compiled

    compiled.mark_warm()
    commands = _commands(found, dialect) if write_settings else None
    if pictures is not None:
        from kinematics.reports.vibration_pictures import draw_vibration

        for path in draw_vibration(found, prepared, weights, pictures, force, read):
            console.remark(f"picture written to {path}")
    if write_machine is not None and machine_name is not None:
        _write_copy(found, machine_name, write_machine, force, read)
    if as_json:
        from kinematics.reports.vibration_documents import vibration_document

        console.say_json(vibration_document(found, commands))
        return
    from kinematics.reports.vibration_screen import (
        answer_lines,
        filter_cells,
        filter_heads,
        head_lines,
        mode_cells,
        mode_heads,
    )

    console.say_answer(
        [f"on {machine_words(machine, material, settings)}"],
        console.Table(mode_heads(), mode_cells(found)),
        head_lines(found),
        console.Table(filter_heads(found.choice), filter_cells(found.choice)),
        answer_lines(found, commands),
    )


def _refuse(
    copy: Path | None,
    machine_name: str | None,
    pictures: Path | None,
    force: bool,
    read: Sequence[str],
    commands: bool,
    jobs: bool,
) -> None:
    """Refuse what cannot be written before any work is done."""
    from kinematics.outputs import refuse_to_overwrite

    if copy is not None:
        if machine_name is None:
            raise InputError.at("--write-machine", "no machine file to copy", "--machine FILE|NAME beside it")
        refuse_to_overwrite(copy, force, read)
    if pictures is not None:
        from kinematics.reports.vibration_pictures import check_pictures

        check_pictures(pictures, force, read)
    if commands and not jobs:
        raise InputError.at("--write-settings", "no JOB to find settings for", "a job beside it")


def _columns(texts: Sequence[str]) -> dict[str, str]:
    found = {}
    for text in texts:
        axis, equals, name = text.partition("=")
        if axis.strip() not in AXES or not equals or not name.strip():
            raise InputError.at("--column", f"can't read {text!r}", "AXIS=NAME or AXIS=NUMBER, such as x=2")
        found[axis.strip()] = name.strip()
    return found


def _recordings(x_files: Sequence[str], y_files: Sequence[str], told: dict[str, Any]) -> list[Recording]:
    if not (x_files or y_files):
        return []
    from kinematics.vibration.recording import Told, read_recording

    said = Told(**told)
    return [read_recording(name, axis, said) for axis, names in (("x", x_files), ("y", y_files)) for name in names]


def _commands(found: VibrationStudy, dialect: str) -> list[str]:
    from kinematics.gcode.dialect_file import load_dialect
    from kinematics.studies.settings_to_type import commands_for

    if found.typed is None or not found.typed.inside:
        raise InputError.at("--write-settings", "no one setting keeps the job inside both budgets", "larger budgets")
    return commands_for(found.typed.settings, load_dialect(dialect))


def _write_copy(found: VibrationStudy, source: str, path: Path, force: bool, read: Sequence[str]) -> None:
    from kinematics.machine.written import machine_copy

    write_machine(path, machine_copy(source, found.settings), force, read)
