"""Options that commands share, and what they make."""

from __future__ import annotations

import contextlib
import functools
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kinematics.cli import completing
from kinematics.cli.job_arguments import job_files

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from kinematics.cli.console import Tell
    from kinematics.fleet.crews import Crew
    from kinematics.gcode.dialects import Dialect
    from kinematics.jobs.copies import Copying
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.jobs.timing import TimedJob
    from kinematics.machine import Machine
    from kinematics.studies.intervals import Sampling

HELP = {"help_option_names": ["-h", "--help"]}
DRAWS = (20, 100_000)  # fewer have no outermost twentieth
LONG_JOB = 20_000_000  # bytes from which progress is worth showing

Command = Callable[..., Any]
Decorator = Callable[[Command], Command]


@dataclass(frozen=True)
class JobOptions:
    """What commands on jobs are told alike; what a command has no option for stands as nobody said it."""

    jobs: tuple[str, ...] = ()
    machine_name: str | None = None
    material: str | None = None
    settings: tuple[str, ...] = ()
    dialect: str = "extrusion"
    file_limits: str = "honour"
    block_delete: bool = False
    as_json: bool = False
    copies: int = 1
    spacing: float = 8.0  # mm
    after_another: bool = False
    draws: int = 200
    seed: int = 1
    print_texts: tuple[str, ...] = ()
    picture: Path | None = None
    force: bool = False
    listed: str = ""  # the table that --jobs names
    crew: Crew | None = None  # who times the jobs, where that is not this process as it is

    @property
    def read(self) -> tuple[str, ...]:
        """What a command reads: no output may take its place."""
        return (*self.jobs, *(name for name in (self.machine_name, self.dialect, self.listed) if name))

    @property
    def copying(self) -> Copying:
        """How copies are made."""
        from kinematics.jobs.copies import Copying
        from kinematics.jobs.copies_layout import INTERLEAVED, ONE_AFTER_ANOTHER

        return Copying(self.spacing, ONE_AFTER_ANOTHER if self.after_another else INTERLEAVED)

    @property
    def sampling(self) -> Sampling:
        """How intervals are drawn."""
        from kinematics.studies.intervals import Sampling

        return Sampling(self.draws, self.seed)


SHARED = frozenset(field.name for field in fields(JobOptions))


def gathered(command: Command) -> Command:
    """A command that takes the options it shares with others as one `JobOptions`, before those of its own."""

    @functools.wraps(command)
    def gathering(**given: Any) -> Any:
        shared = {name: given.pop(name) for name in SHARED & given.keys()}
        return command(JobOptions(**shared), **given)

    return gathering


def with_options(command: Command, *options: Decorator) -> Command:
    """A command with options, in this order before those that it has."""
    for option in reversed(options):
        command = option(command)
    return command


SETTINGS = click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="KEY=VALUE",
    shell_complete=completing.settings,
    help="Change one key of the machine.",
)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else.")
PRINTS = click.option(
    "--prints", "print_texts", multiple=True, metavar="JOB=N", help="How many times a job is printed."
)
WRITE_SETTINGS = click.option(
    "--write-settings", is_flag=True, help="What to set, in the words of your dialect's [[write]] table."
)
FORCE_PICTURE = click.option("--force", is_flag=True, help="Overwrite the file of --picture.")


def job_options(command: Command | None = None, *, required: bool = True, metavar: str = "") -> Command:
    """JOB… (or what `metavar` says), --machine, --material, --set, --dialect, --file-limits, --block-delete, --json.

    The outermost of a command's options: these and the others that commands share reach it as one `JobOptions`.
    """
    if command is None:  # with arguments of its own
        return functools.partial(job_options, required=required, metavar=metavar)
    return with_options(
        gathered(command),
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
        SETTINGS,
        click.option(
            "--dialect",
            default=JobOptions.dialect,
            shell_complete=completing.dialects,
            metavar="NAME|FILE",
            help="extrusion (default), rs274, or a dialect table.",
        ),
        click.option(
            "--file-limits",
            type=click.Choice(["honour", "ignore", "cap"]),
            default=JobOptions.file_limits,
            help="Whether limits stated in the job hold (default: honour).",
        ),
        click.option("--block-delete", is_flag=True, help="Leave out lines that begin with /."),
        AS_JSON,
    )


def copying_options(command: Command) -> Command:
    """How several copies are made: --spacing, --one-after-another."""
    return with_options(
        command,
        click.option(
            "--spacing",
            type=click.FloatRange(0.0, 1000.0),
            default=JobOptions.spacing,
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


def copies_options(command: Command) -> Command:
    """The options --copies, --spacing and --one-after-another."""
    number = click.option(
        "--copies",
        type=click.IntRange(1, 1000),
        default=JobOptions.copies,
        metavar="N",
        help="Copies of each job on the bed at a time (default: 1).",
    )
    return with_options(copying_options(command), number)


def draw_options(command: Command) -> Command:
    """How intervals are drawn where the machine has ranges: --draws, --seed."""
    return with_options(
        command,
        click.option(
            "--draws",
            type=click.IntRange(*DRAWS),
            default=JobOptions.draws,
            metavar="N",
            help="How many machines are drawn from ranges (default: 200).",
        ),
        click.option(
            "--seed",
            type=click.IntRange(0),
            default=JobOptions.seed,
            metavar="N",
            help="Seed of the draws (default: 1).",
        ),
    )


def picture_option(what: str, option: str = "--picture") -> Decorator:
    """The option --picture FILE, with what it draws; the command has a --force of its own."""
    return click.option(
        option, "picture", metavar="FILE", type=click.Path(path_type=Path), help=f"Draw {what}: .png, .svg or .pdf."
    )


def check_picture(asked: JobOptions, read: Sequence[str] | None = None, option: str = "--picture") -> None:
    """Refuse a picture that cannot be drawn or written, before any work is done: over nothing that is `read`."""
    if asked.picture is None:
        return
    from kinematics.outputs import refuse_to_overwrite
    from kinematics.reports.style import check_kind

    check_kind(asked.picture, option)
    refuse_to_overwrite(asked.picture, asked.force, asked.read if read is None else read)


def write_picture(
    asked: JobOptions,
    result: object,
    draw: Callable[[Any], Figure] | None = None,
    read: Sequence[str] | None = None,
) -> None:
    """Draw the picture of a result where one is asked for, whole and over nothing that is `read`; and say so."""
    if asked.picture is None:
        return
    from kinematics.cli.console import remark
    from kinematics.outputs import write_whole
    from kinematics.reports.pictures import figure_of
    from kinematics.reports.style import save

    figure = (draw or figure_of)(result)
    write_whole(asked.picture, lambda path: save(figure, path), asked.force, asked.read if read is None else read)
    remark(f"picture written to {asked.picture}")


def write_machine_option(what: str) -> Decorator:
    """The option --write-machine FILE, with what is put into the copy; the command has a --force of its own."""
    return click.option(
        "--write-machine",
        "machine_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help=f"Write a copy of the machine file with {what} put in; the file itself stays as it is.",
    )


def write_machine(path: Path, text: str, force: bool, read: Sequence[str]) -> None:
    """Write a copy of the machine file (`machine_copy` makes its text), whole and over nothing that is `read`."""
    from kinematics.cli.console import remark
    from kinematics.outputs import write_text_whole

    write_text_whole(path, text, force, read)
    remark(f"{path} written: a copy of the machine file")


def chosen_machine(asked: JobOptions) -> Machine | None:
    """The machine that the options name; None where they name none and change nothing."""
    from kinematics.errors import InputError
    from kinematics.machine import load_machine

    if asked.machine_name is not None:
        return load_machine(asked.machine_name, asked.settings, asked.material)
    if not asked.settings and asked.material is None:
        return None
    option = "--set" if asked.settings else "--material"
    raise InputError.at(option, "no machine to change", f"{option} together with --machine FILE|NAME")


def machine_or_stand_in(asked: JobOptions) -> Machine:
    """The machine that the options name; a built-in one where they name none, with a remark beside a screen."""
    from kinematics.cli.console import remark
    from kinematics.machine import load_machine
    from kinematics.studies.estimate import STAND_IN

    if asked.machine_name is None and not asked.as_json:
        remark(f"no machine given: this is for the built-in machine {STAND_IN!r}; name yours with --machine FILE")
    return load_machine(asked.machine_name or STAND_IN, asked.settings, asked.material)


def machine_words(asked: JobOptions, machine: Machine) -> str:
    """Which machine, as the head of every screen says it: its name, the material, and what --set changed.

    A setting that a later one takes back is left out.
    """
    from kinematics.machine import parse_settings

    keys = [parse_settings(text).keys() for text in asked.settings]
    standing = [text for i, text in enumerate(asked.settings) if not any(keys[i] <= later for later in keys[i + 1 :])]
    changes = [*([] if asked.material is None else [asked.material]), *standing]
    return machine.name + (f" with {', '.join(changes)}" if changes else "")


def copies_words(asked: JobOptions) -> str:
    """What the head of a screen says of several copies; nothing of one."""
    return f", {asked.copies} copies at a time" if asked.copies > 1 else ""


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
    from kinematics.jobs.first_run import compile_kernels

    compile_kernels()
    return dialect


def jobs_to_time(asked: JobOptions, asked_once: bool = False, large: int | None = None) -> list[TimedJob]:
    """The jobs; files are read with the first machine, large ones in blocks: the rest as in `job_to_time`."""
    dialect = _dialect_ready(asked.dialect)
    if asked.crew is not None:
        return _sent(asked, asked.crew, dialect, asked_once=asked_once)
    from kinematics.jobs.blockwise import job_to_time

    how = asked.file_limits, asked.block_delete, asked_once
    return [job_to_time(job, dialect, *how, large=large) for job in asked.jobs]


def _sent(
    asked: JobOptions, crew: Crew, dialect: Dialect, keeps_moves: bool = False, asked_once: bool = False
) -> list[TimedJob]:
    """The jobs as a crew times them; what is read but once, as standard input, this process reads."""
    from kinematics.fleet.asking import Recipe
    from kinematics.fleet.sent_jobs import SentJob
    from kinematics.gcode.chunks import is_stream

    how = dialect, asked.file_limits, asked.block_delete, keeps_moves, asked_once, asked.copies, asked.copying
    recipes = [Recipe(os.path.abspath(job), job, *how) for job in asked.jobs]
    return [
        recipe._replace(path=recipe.name).made() if is_stream(recipe.name) else SentJob(recipe, crew)
        for recipe in recipes
    ]


def jobs_by_path(asked: JobOptions, paths: Sequence[str]) -> dict[str, TimedJob]:
    """Jobs that a table names, to be timed, by their paths; read as the options say."""
    each = tuple(dict.fromkeys(paths))
    return dict(zip(each, jobs_to_time(replace(asked, jobs=each)), strict=True)) if each else {}


def jobs_with_moves(asked: JobOptions) -> list[PreparedJob]:
    """The jobs, each kept with all its moves; files are read with the first machine."""
    dialect = _dialect_ready(asked.dialect)
    from kinematics.jobs.prepared import PreparedJob

    return [PreparedJob(job, dialect, None, asked.file_limits, asked.block_delete) for job in asked.jobs]


def copied_jobs(
    asked: JobOptions, keep_moves: bool = False, asked_once: bool = False, large: int | None = None
) -> Sequence[TimedJob]:
    """The jobs, so many copies of each at a time; one copy is kept with its moves where that is asked for."""
    if asked.crew is not None:
        return _sent(asked, asked.crew, _dialect_ready(asked.dialect), keep_moves, asked_once)
    if asked.copies > 1:
        from kinematics.jobs.copies import CopiedJob

        return [CopiedJob(job, asked.copies, asked.copying) for job in jobs_with_moves(asked)]
    return jobs_with_moves(asked) if keep_moves else jobs_to_time(asked, asked_once, large)


def is_long(jobs: Sequence[str], times: int, most: int = LONG_JOB) -> bool:
    """Whether planning these jobs so many times takes long enough to show progress: more bytes than `most` in all."""
    sizes = (os.path.getsize(job) if os.path.isfile(job) else 0 for job in jobs)
    return sum(sizes) * times > most


@contextlib.contextmanager
def planning(steps: int, long: bool, ends: str = "ends it") -> Iterator[Tell]:
    """Progress over work that plans jobs (`console.progress`); once it has gone through, every kernel is compiled."""
    from kinematics import compiled
    from kinematics.cli.console import progress

    with progress(steps, long, ends) as tell:
        yield tell
    compiled.mark_warm()


OF_CREWS = frozenset({"jobs_list", "workers", "cluster", "output"})  # which the next command, on one job, goes without


def words_again(left_out: frozenset[str]) -> list[str]:
    """The options that were given and change something, for the next command; but for those `left_out`."""
    context = click.get_current_context()
    words: list[str] = []
    for one in context.command.params:
        value: Any = context.params.get(one.name or "")
        if not isinstance(one, click.Option) or one.name in left_out | OF_CREWS or value is None:
            continue
        if value in ((), one.get_default(context)):
            continue
        if one.is_flag:
            words.append(one.opts[0])
            continue
        for told in value if one.multiple else [value]:
            words += [one.opts[0], f"{told:g}" if isinstance(told, float) else str(told)]
    return words
