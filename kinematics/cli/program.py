"""The command line's frame: a table of commands, each imported only when it is called, and the exit status."""

from __future__ import annotations

import contextlib
import gc
import os
import shlex
import sys
from collections.abc import Iterator, Mapping, Sequence
from importlib import import_module
from types import MappingProxyType
from typing import Any

import click

from kinematics import __version__
from kinematics.cli.encodings import encodable, let_no_encoding_fail
from kinematics.errors import (
    EXIT_BAD_INPUT,
    EXIT_INTERRUPTED,
    EXIT_READER_GONE,
    EXIT_UNFORESEEN,
    InputError,
    LostWorkersError,
)

# command -> (module, one line for the list)
COMMANDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "estimate": ("kinematics.cli.estimate", "How long, and where does the time go?"),
        "compare": ("kinematics.cli.compare", "How long under each candidate, and what is saved?"),
        "ladder": (
            "kinematics.cli.ladder",
            "What must be raised, in which order, and what does it bring?",
        ),
        "target": ("kinematics.cli.target", "Which are the gentlest limits that meet a deadline?"),
        "sweep": ("kinematics.cli.sweep", "How does time fall as limits rise, and where does it stop paying?"),
        "caps": ("kinematics.cli.caps", "How far may each limit go, and what stops it?"),
        "vibration": ("kinematics.cli.vibration", "Which modes does it have, and which filter suits my jobs?"),
        "fit": ("kinematics.cli.fit", "How far off were the estimates, and what are the real limits?"),
        "upgrades": ("kinematics.cli.upgrades", "Which upgrade pays, and when?"),
        "bedful": ("kinematics.cli.bedful", "How many on the bed at a time, and what lasts the night?"),
        "shop": ("kinematics.cli.shop", "How many parts a day, and by when?"),
        "report": ("kinematics.cli.report", "All of it on one page to pass on."),
        "explore": ("kinematics.cli.explore", "The same, live: turn a knob and see the time."),
        "demo": ("kinematics.cli.demo", "Every study once, on a sample."),
        "proof": ("kinematics.cli.proof", "A small print that proves a limit, and what was measured on it."),
        "machine": ("kinematics.cli.machine", "Make, read and check a machine file."),
        "guide": ("kinematics.cli.guide", "What does each key, word and number mean?"),
    }
)
LONGEST_REASON = 200  # letters of what an unforeseen failure says of itself
VERSION, VERBOSE = "--version", "--verbose"
TRACEBACK = "--traceback"  # understood anywhere among the words, so that it can be put behind a command that failed


class _Stand(click.Command):
    """A command that is not imported yet: enough for the list of commands and for "did you mean"."""

    def __init__(self, name: str) -> None:
        super().__init__(name, short_help=COMMANDS[name][1], help=COMMANDS[name][1])


class _FaultError(Exception):
    """A failure that click itself would take for another one: a reader that has gone for status 1, an early end of a
    file for an interruption.
    """

    def __init__(self, fault: Exception) -> None:
        super().__init__(str(fault))
        self.fault = fault


@contextlib.contextmanager
def _told_apart() -> Iterator[None]:
    try:
        yield
    except (OSError, EOFError) as fault:
        raise _FaultError(fault) from fault


class _PlainHelp(click.HelpFormatter):
    """Help in characters that standard output can hold."""

    def getvalue(self) -> str:
        """The help so far."""
        return encodable(super().getvalue(), getattr(sys.stdout, "encoding", None) or "utf-8")


class LazyGroup(click.Group):
    """Imports a command when it is called, so that `--help` stays quick."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that the first word names; a job in its place is told which command takes it."""
        if args and args[0] not in COMMANDS and _is_job(args[0]):
            raise InputError.at(
                "", f"{args[0]!r} is not a command", hint=f"did you mean kinematics estimate {shlex.join(args)}?"
            )
        return super().resolve_command(ctx, args)

    def make_context(self, *arguments: Any, **more: Any) -> click.Context:
        """Read the words of the command line; help is an answer."""
        from kinematics.cli.console import answering

        with _told_apart(), answering():
            if {VERSION, VERBOSE} <= {*(arguments[1] if len(arguments) > 1 else ())}:
                from kinematics.cli.about import about_lines

                click.echo("\n".join(about_lines()))
                raise click.exceptions.Exit(0)
            return super().make_context(*arguments, **more)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        with _told_apart():
            return super().invoke(ctx)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command itself where it runs, a stand-in where it is only listed."""
        if cmd_name not in COMMANDS:
            return super().get_command(ctx, cmd_name)
        command: click.Command = import_module(COMMANDS[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def _is_job(word: str) -> bool:
    """Whether a word is a file, a folder, or what a job's file is called."""
    from kinematics.cli.job_arguments import is_job_name

    return is_job_name(word) or os.path.exists(word)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, VERSION, prog_name="kinematics")
@click.option(VERBOSE, is_flag=True, expose_value=False, help="With --version: all that a report of a fault needs.")
@click.option(TRACEBACK, is_flag=True, expose_value=False, help="Where something unforeseen happens, show all of it.")
def program() -> None:
    """Print time of a job on your printer: now, and under other motion limits.

    kinematics estimate JOB… tells how long a job takes and what holds it back.
    """


for _name in COMMANDS:
    program.add_command(_Stand(_name))


def main(arguments: list[str] | None = None) -> None:
    """Run the program; exits with 0 done, 1 the answer is no, 2 bad input, 3 unforeseen, 130 interrupted, 141 nobody
    reads on.

    Nothing that goes wrong on the way is more than a sentence, unless --traceback asks for it.
    """
    let_no_encoding_fail()
    click.Context.formatter_class = _PlainHelp
    gc.disable()  # a short life: looking for garbage while importing takes a tenth of it and finds next to nothing
    from kinematics.cli import console

    words, shows_all = _without_traceback(sys.argv[1:] if arguments is None else arguments)
    try:
        status: Any = program.main(args=words, prog_name="kinematics", standalone_mode=False)
        console.flush_answer()
    except click.exceptions.Exit as error:
        status = error.exit_code
    except SystemExit as error:
        status = error.code
    except (Exception, KeyboardInterrupt) as error:
        status = told(error, shows_all)
    sys.exit(status if isinstance(status, int) else 0)


def told(error: BaseException, shows_all: bool = False) -> int:
    """Say in a sentence what went wrong, in full where it is unforeseen and all is to be shown; return the status."""
    from kinematics.cli.console import remark

    if isinstance(error, _FaultError):
        error = error.fault
    if isinstance(error, BrokenPipeError):
        sys.stdout = None  # nothing more to say, and nothing to complain of at exit
        return EXIT_READER_GONE
    if isinstance(error, click.Abort | KeyboardInterrupt):
        remark("kinematics: interrupted")
        return EXIT_INTERRUPTED
    if isinstance(error, InputError):
        for finding in error.findings:
            remark(f"kinematics: {finding}")
        return EXIT_BAD_INPUT
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        print(error.format_message())
        return EXIT_BAD_INPUT
    if isinstance(error, click.ClickException):
        where = getattr(error, "ctx", None)
        asks = f" ({where.command_path} --help)" if where is not None else ""
        remark(f"kinematics: {error.format_message()}{asks}")
        return EXIT_BAD_INPUT
    if shows_all:
        import traceback

        for part in traceback.format_exception(error):
            for line in part.splitlines():
                remark(line)
    is_all = shows_all or isinstance(error, LostWorkersError)
    remark(f"kinematics: {unforeseen(error)}" + ("" if is_all else f" ({TRACEBACK} shows the rest)"))
    return EXIT_UNFORESEEN


def unforeseen(error: BaseException) -> str:
    """What nobody has thought of, in one sentence; what the machine lacks is told in its own words."""
    if isinstance(error, MemoryError):
        return "not enough memory for this; smaller jobs, fewer at a time, or fewer values to try need less"
    if isinstance(error, LostWorkersError):
        return str(error)
    if isinstance(error, OSError) and error.strerror:
        named = f"{error.filename}: " if error.filename else ""
        return f"{named}{error.strerror[0].lower()}{error.strerror[1:]}"
    first = (str(error).splitlines() or [""])[0][:LONGEST_REASON]
    what = type(error).__name__ + (f": {first}" if first else "")
    return f"this should not have happened: {what}; please report it, with the input, where you have kinematics from"


def _without_traceback(words: Sequence[str]) -> tuple[list[str], bool]:
    """The words of the command line without --traceback, and whether it was among them."""
    end = words.index("--") if "--" in words else len(words)
    kept = [word for word in words[:end] if word != TRACEBACK]
    return [*kept, *words[end:]], len(kept) < end
