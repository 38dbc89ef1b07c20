"""Options that every command on jobs shares, and what they make."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli import completing
from kinematics.cli.job_arguments import job_files

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from kinematics.gcode.dialects import Dialect
    from kinematics.machine import Machine
    from kinematics.studies.copies import Copying
    from kinematics.studies.prepared import PreparedJob
    from kinematics.studies.timing import TimedJob

DRAWS = (20, 100_000)  # fewer have no outermost twentieth
LONG_JOB = 20_000_000  # bytes from which progress is worth showing

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def job_options(
    command: Callable[..., Any] | None = None, *, required: bool = True, metavar: str = ""
) -> Callable[..., Any]:
    """JOB… (or what `metavar` says), --machine, --material, --set, --dialect, --file-limits, --block-delete, --json."""
    if command is None:  # with arguments of its own
        return lambda decorated: job_options(decorated, required=required, metavar=metavar)
    decorators: Sequence[Decorator] = (
        click.argument(
            "jobs",
            nargs=-1,
            required=required,
            metavar=metavar or ("JOB…" if required else "[JOB…]"),
            callback=lambda _context, _argument, names: job_files(names),
        ),
        click.option(
            "--machine",
            "machine_name",
            metavar="FILE|NAME",
            shell_complete=completing.machines,
            help="Machine file, or a built-in machine: gentle, middling, quick.",
        ),
        click.option(
            "--material", metavar="NAME", help="A [[material]] of the machine file: what changes with a spool."
        ),
        click.option(
            "--set",
            "settings",
            multiple=True,
            metavar="KEY=VALUE",
            shell_complete=completing.settings,
            help="Change one key of the machine.",
        ),
        click.option(
            "--dialect",
            default="extrusion",
            shell_complete=completing.dialects,
            metavar="NAME|FILE",
            help="extrusion (default), rs274, or a dialect table.",
        ),
        click.option(
            "--file-limits",
            type=click.Choice(["honour", "ignore", "cap"]),
            default="honour",
            help="Whether limits stated in the job hold (default: honour).",
        ),
        click.option("--block-delete", is_flag=True, help="Leave out lines that begin with /."),
        click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else."),
    )
    for decorator in reversed(decorators):
        command = decorator(command)
    return command


def copying_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """How several copies are made: --spacing, --one-after-another."""
    decorators: Sequence[Decorator] = (
        click.option(
            "--spacing",
            type=click.FloatRange(0.0, 1000.0),
            default=8.0,
            metavar="MM",
            help="Room between two copies (default: 8 mm).",
        ),
        click.option(
            "--one-after-another",
            "after_another",
            is_flag=True,
            help="Each copy whole before the next, where the head clears finished parts; else layer by layer.",
        ),
    )
    for decorator in reversed(decorators):
        command = decorator(command)
    return command


def copies_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options --copies, --spacing and --one-after-another."""
    number = click.option(
        "--copies",
        type=click.IntRange(1, 1000),
        default=1,
        metavar="N",
        help="Copies of each job on the bed at a time (default: 1).",
    )
    decorated: Callable[..., Any] = number(copying_options(command))
    return decorated


def copying_told(spacing: float, after_another: bool) -> Copying:
    """How copies are made, as the options tell."""
    from kinematics.studies.copies import Copying
    from kinematics.studies.copies_layout import INTERLEAVED, ONE_AFTER_ANOTHER

    return Copying(spacing, ONE_AFTER_ANOTHER if after_another else INTERLEAVED)


def copies_words(copies: int) -> str:
    """What the head of a screen says of several copies; nothing of one."""
    return f", {copies} copies at a time" if copies > 1 else ""


def copied_jobs(jobs: Sequence[TimedJob], copies: int, spacing: float, after_another: bool) -> list[TimedJob]:
    """Jobs of which so many copies are printed at a time."""
    from kinematics.studies.copies import CopiedJob

    return [CopiedJob(job, copies, copying_told(spacing, after_another)) for job in jobs]


def draw_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """How intervals are drawn where the machine has ranges: --draws, --seed."""
    decorators: Sequence[Decorator] = (
        click.option(
            "--draws",
            type=click.IntRange(*DRAWS),
            default=200,
            metavar="N",
            help="How many machines are drawn from ranges (default: 200).",
        ),
        click.option("--seed", type=click.IntRange(0), default=1, metavar="N", help="Seed of the draws (default: 1)."),
    )
    for decorator in reversed(decorators):
        command = decorator(command)
    return command


def picture_option(what: str) -> Decorator:
    """The option --picture FILE, with what it draws, and the --force that lets it overwrite."""
    option: Decorator = click.option(
        "--picture", metavar="FILE", type=click.Path(path_type=Path), help=f"Draw {what}: .png, .svg or .pdf."
    )
    return option


FORCE_PICTURE: Decorator = click.option("--force", is_flag=True, help="Overwrite the file of --picture.")


def check_picture(path: Path | None, force: bool, read: Sequence[str], option: str = "--picture") -> None:
    """Refuse a picture that cannot be drawn or written before any work is done."""
    if path is None:
        return
    from kinematics.outputs import refuse_to_overwrite
    from kinematics.reports.style import check_kind

    check_kind(path, option)
    refuse_to_overwrite(path, force, read)


def write_picture(path: Path | None, draw: Callable[[], Figure], force: bool, read: Sequence[str]) -> None:
    """Draw a picture where one is asked for, whole and over nothing that is `read`; and say so."""
    if path is None:
        return
    from kinematics.cli.console import remark
    from kinematics.outputs import write_whole
    from kinematics.reports.style import save

    figure = draw()
    write_whole(path, lambda temporary: save(figure, temporary), force, read)
    remark(f"picture written to {path}")


def write_machine_option(what: str) -> Decorator:
    """The option --write-machine FILE, with what is put into the copy; the command has a --force of its own."""
    return click.option(
        "--write-machine",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help=f"Write a copy of the machine file with {what} put in; the file itself stays as it is.",
    )


def write_machine(path: Path, text: str, force: bool, read: Sequence[str]) -> None:
    """Write a copy of the machine file (`machine_copy` makes its text), whole and over nothing that is `read`."""
    from kinematics.cli.console import remark
    from kinematics.outputs import write_whole

    write_whole(path, lambda temporary: _written(temporary, text), force, read)
    remark(f"{path} written: a copy of the machine file")


def _written(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="")


def named_files(jobs: Sequence[str], machine: str | None, dialect: str | None) -> tuple[str, ...]:
    """What a command reads: no output may take its place."""
    return (*jobs, *(name for name in (machine, dialect) if name is not None))


def chosen_machine(name: str | None, settings: Sequence[str], material: str | None = None) -> Machine | None:
    """The machine that the options name; None where they name none and change nothing."""
    from kinematics.machine import load_machine

    if name is None and not settings and material is None:
        return None
    if name is not None:
        return load_machine(name, settings, material)
    from kinematics.errors import InputError

    option = "--set" if settings else "--material"
    raise InputError.at(option, "no machine to change", f"{option} together with --machine FILE|NAME")


def machine_words(machine: Machine, material: str | None, settings: Sequence[str]) -> str:
    """Which machine, as the head of every screen says it: its name, the material, and what --set changed.

    A setting that a later one takes back is left out.
    """
    from kinematics.machine import parse_settings

    keys = [parse_settings(text).keys() for text in settings]
    standing = [text for i, text in enumerate(settings) if not any(keys[i] <= later for later in keys[i + 1 :])]
    changes = [*([] if material is None else [material]), *standing]
    return machine.name + (f" with {', '.join(changes)}" if changes else "")


def machine_or_stand_in(name: str | None, settings: Sequence[str], material: str | None, quiet: bool) -> Machine:
    """The machine that the options name; a built-in one where they name none, and a remark unless `quiet`."""
    from kinematics.cli.console import remark
    from kinematics.machine import load_machine
    from kinematics.studies.estimate import STAND_IN

    if name is None and not quiet:
        remark(f"no machine given: this is for the built-in machine {STAND_IN!r}; name yours with --machine FILE")
    return load_machine(name or STAND_IN, settings, material)


def _dialect_ready(dialect_name: str) -> Dialect:
    """The dialect of some jobs, and the kernels compiled: files are read with the first machine."""
    from kinematics.cli.console import remark_first_run
    from kinematics.compiled import leave_linear_algebra_out
    from kinematics.gcode.dialects import DIALECTS

    if dialect_name in DIALECTS:
        dialect = DIALECTS[dialect_name]
    else:
        from kinematics.gcode.dialect_file import load_dialect

        dialect = load_dialect(dialect_name)
    leave_linear_algebra_out()
    remark_first_run()
    from kinematics.studies.first_run import compile_kernels

    compile_kernels()
    return dialect


def jobs_to_time(
    jobs: Sequence[str],
    dialect_name: str,
    file_limits: str,
    block_delete: bool,
    asked_once: bool = False,
    large: int | None = None,
) -> list[TimedJob]:
    """The jobs; files are read with the first machine, large ones in blocks: the rest as in `job_to_time`."""
    dialect = _dialect_ready(dialect_name)
    from kinematics.studies.blockwise import job_to_time

    return [job_to_time(job, dialect, file_limits, block_delete, asked_once, large=large) for job in jobs]


def jobs_with_moves(jobs: Sequence[str], dialect_name: str, file_limits: str, block_delete: bool) -> list[PreparedJob]:
    """The jobs, each kept with all its moves; files are read with the first machine."""
    dialect = _dialect_ready(dialect_name)
    from kinematics.studies.prepared import PreparedJob

    return [PreparedJob(job, dialect, None, file_limits, block_delete) for job in jobs]


def is_long(jobs: Sequence[str], times: int, most: int = LONG_JOB) -> bool:
    """Whether planning these jobs so many times takes long enough to show progress: more bytes than `most` in all."""
    sizes = (os.path.getsize(job) if os.path.isfile(job) else 0 for job in jobs)
    return sum(sizes) * times > most
