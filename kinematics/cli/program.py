"""The command line's frame: a table of commands, each imported only when it is called, and the exit status."""

from __future__ import annotations

import gc
import os
import shlex
import sys
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType
from typing import Any

import click

from kinematics import __version__
from kinematics.cli.encodings import encodable, let_no_encoding_fail
from kinematics.errors import EXIT_BAD_INPUT, EXIT_INTERRUPTED, EXIT_READER_GONE, InputError

# command -> (module, one line for the list)
COMMANDS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "estimate": ("kinematics.cli.estimate", "How long, and where does the time go?"),
        "compare": ("kinematics.cli.compare", "How long under each candidate, and what is saved?"),
        "target": ("kinematics.cli.target", "Which are the gentlest limits that meet a deadline?"),
        "sweep": ("kinematics.cli.sweep", "How does time fall as limits rise, and where does it stop paying?"),
        "caps": ("kinematics.cli.caps", "How far may each limit go, and what stops it?"),
        "upgrades": ("kinematics.cli.upgrades", "Which upgrade pays, and when?"),
        "shop": ("kinematics.cli.shop", "How many parts a day, and by when?"),
        "machine": ("kinematics.cli.machine", "Make, read and check a machine file."),
        "guide": ("kinematics.cli.guide", "What does each key of a machine file mean?"),
    }
)


class _Stand(click.Command):
    """A command that is not imported yet: enough for the list of commands and for "did you mean"."""

    def __init__(self, name: str) -> None:
        super().__init__(name, short_help=COMMANDS[name][1], help=COMMANDS[name][1])


class _ReaderGoneError(Exception):
    """Whoever read the output has gone; click itself would make it status 1."""


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

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; a reader that has gone is told apart from every other failure."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise _ReaderGoneError from None

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
@click.version_option(__version__, prog_name="kinematics")
def program() -> None:
    """Print time of a job on your printer: now, and under other motion limits.

    kinematics estimate JOB… tells how long a job takes and what holds it back.
    """


for _name in COMMANDS:
    program.add_command(_Stand(_name))


def main(arguments: list[str] | None = None) -> None:
    """Run the program; exits with 0 done, 1 the answer is no, 2 bad input, 130 interrupted."""
    let_no_encoding_fail()
    click.Context.formatter_class = _PlainHelp
    gc.disable()  # a short life: looking for garbage while importing takes a tenth of it and finds next to nothing
    from kinematics.cli.console import remark

    try:
        status: Any = program.main(args=arguments, prog_name="kinematics", standalone_mode=False)
    except InputError as error:
        for finding in error.findings:
            remark(f"kinematics: {finding}")
        status = EXIT_BAD_INPUT
    except click.exceptions.Exit as error:
        status = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        remark("kinematics: interrupted")
        status = EXIT_INTERRUPTED
    except click.exceptions.NoArgsIsHelpError as error:
        print(error.format_message())
        status = EXIT_BAD_INPUT
    except click.ClickException as error:
        where = getattr(error, "ctx", None)
        asks = f" ({where.command_path} --help)" if where is not None else ""
        remark(f"kinematics: {error.format_message()}{asks}")
        status = EXIT_BAD_INPUT
    except _ReaderGoneError:
        # Nothing more to say, and nothing to complain of at exit.
        sys.stdout = None
        status = EXIT_READER_GONE
    sys.exit(status if isinstance(status, int) else 0)
