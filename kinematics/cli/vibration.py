"""`kinematics vibration`."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli.job_arguments import weights_of
from kinematics.cli.options import (
    PRINTS,
    WRITE_SETTINGS,
    JobOptions,
    is_long,
    job_options,
    jobs_with_moves,
    machine_or_stand_in,
    machine_words,
    planning,
    write_machine,
    write_machine_option,
)
from kinematics.cli.to_type import commands_to_type
from kinematics.errors import InputError

if TYPE_CHECKING:
    from kinematics.vibration.recording import Recording

PLANS_EACH = 200  # times that a job is planned, or so


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
@PRINTS
@WRITE_SETTINGS
@write_machine_option("modes, filters and accelerations")
@click.option(
    "--pictures",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw FILE-spectrum, -filters, -corner, -time: .png, .svg or .pdf.",
)
@click.option("--force", is_flag=True, help="Overwrite the files that are written.")
def command(
    asked: JobOptions,
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
    write_settings: bool,
    machine_file: Path | None,
    pictures: Path | None,
) -> None:
    """Which modes does the machine have, and which filter prints my jobs soonest inside my budgets?

    Modes come from recordings of an accelerometer, from ripples on a printed wall, or from the machine file; with both
    they are compared. With a JOB, filters are chosen by its print time, the axes together.
    """
    from kinematics.cli import console

    machine = machine_or_stand_in(asked)
    read = [*asked.read, *x_files, *y_files]
    _refuse(asked, machine_file, pictures, read, write_settings)
    told = {
        "time_column": time_column,
        "columns": _columns(columns),
        "time_unit": time_unit,
        "acceleration_unit": acceleration_unit,
        "rate": rate_hz,
    }
    recordings = _recordings(x_files, y_files, told)
    from kinematics.filtering.answer import ripple_of

    rippled = [ripple_of(text) for text in ripples]
    weights = weights_of(asked.jobs, asked.print_texts)
    prepared = jobs_with_moves(asked) if asked.jobs else []
    from kinematics.filtering.answer import vibration_of

    with planning(1, own or is_long(asked.jobs, PLANS_EACH)) as tell:
        tell(step := "weighing filters")
        choice = machine, recordings, rippled, prepared, asked.jobs, weights, counted, own, uncertainty
        found = vibration_of(*choice, partial(tell, step))
    commands = commands_to_type(found.typed, asked.dialect) if write_settings else None
    if pictures is not None:
        from kinematics.reports.vibration_pictures import draw_vibration

        for path in draw_vibration(found, prepared, weights, pictures, asked.force, read):
            console.remark(f"picture written to {path}")
    if machine_file is not None and asked.machine_name is not None:
        from kinematics.machine.written import machine_copy

        write_machine(machine_file, machine_copy(asked.machine_name, found.settings), asked.force, read)
    if asked.as_json:
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
        [f"on {machine_words(asked, machine)}"],
        console.Table(mode_heads(), mode_cells(found)),
        head_lines(found),
        console.Table(filter_heads(found.choice), filter_cells(found.choice)),
        answer_lines(found, commands),
    )


def _refuse(asked: JobOptions, copy: Path | None, pictures: Path | None, read: Sequence[str], commands: bool) -> None:
    """Refuse what cannot be written before any work is done."""
    from kinematics.outputs import refuse_to_overwrite

    if copy is not None:
        if asked.machine_name is None:
            raise InputError.at("--write-machine", "no machine file to copy", "--machine FILE|NAME beside it")
        refuse_to_overwrite(copy, asked.force, read)
    if pictures is not None:
        from kinematics.reports.vibration_pictures import check_pictures

        check_pictures(pictures, asked.force, read)
    if commands and not asked.jobs:
        raise InputError.at("--write-settings", "no JOB to find settings for", "a job beside it")


def _columns(texts: Sequence[str]) -> dict[str, str]:
    found = {}
    for text in texts:
        axis, equals, name = text.partition("=")
        if axis.strip() not in ("x", "y", "z") or not equals or not name.strip():
            raise InputError.at("--column", f"can't read {text!r}", "AXIS=NAME or AXIS=NUMBER, such as x=2")
        found[axis.strip()] = name.strip()
    return found


def _recordings(x_files: Sequence[str], y_files: Sequence[str], told: dict[str, Any]) -> list[Recording]:
    if not (x_files or y_files):
        return []
    from kinematics.vibration.recording import Told, read_recording

    said = Told(**told)
    return [read_recording(name, axis, said) for axis, names in (("x", x_files), ("y", y_files)) for name in names]
