"""On a person's terminal: colour, NO_COLOR, aligned tables; and the help of every command."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest

import kinematics
from kinematics.cli.program import COMMANDS, program
from kinematics.reports.screens import CAUTION
from tests.cli.conftest import ROOT, Run, run_apart

ESCAPE = "\x1b"
COLOUR = re.compile(r"\x1b\[(?:[0-9]+;)*(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])[;m]")


def on_a_terminal(*arguments: str, **environment: str) -> str:
    """Standard output of a process whose output is a terminal."""
    ours, theirs = pty.openpty()
    kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM", "COLUMNS")}
    process = subprocess.Popen(
        [sys.executable, "-m", "kinematics", *arguments],
        stdout=theirs,
        stderr=subprocess.PIPE,
        env={**kept, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color", "COLUMNS": "110", **environment},
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        shown += piece
    os.close(ours)
    assert process.wait() == 0, process.communicate()
    assert process.stderr is not None
    process.stderr.close()
    return shown.decode(environment.get("PYTHONIOENCODING", "utf-8")).replace("\r\n", "\n")


def test_a_terminal_gets_colour_unless_it_is_declined(folder: Path) -> None:
    coloured = on_a_terminal("estimate", "bracket.gcode", "--machine", "quick")
    plain = on_a_terminal("estimate", "bracket.gcode", "--machine", "quick", NO_COLOR="1")
    assert COLOUR.search(coloured)
    assert ESCAPE not in plain
    piped = run_apart("estimate", "bracket.gcode", "--machine", "quick").out
    assert plain.split() == piped.split()
    assert max(len(line) for line in plain.splitlines()) <= 110


def test_a_table_on_a_terminal_is_aligned(folder: Path) -> None:
    shown = on_a_terminal(
        "compare", "bracket.gcode", "--machine", "quick", "--candidate", "[b]ü: speed=2", NO_COLOR="1"
    )
    assert not COLOUR.search(shown)  # NO_COLOR leaves bold heads alone
    assert "\t" not in shown
    assert "[b]ü" in shown
    assert " ".join(shown.split()).endswith(CAUTION)


def test_json_is_the_same_on_a_terminal(folder: Path) -> None:
    arguments = ("estimate", "bracket.gcode", "--machine", "quick", "--json")
    assert on_a_terminal(*arguments) == run_apart(*arguments).out


def commands() -> list[tuple[str, ...]]:
    """Every command and every command inside one."""
    found: list[tuple[str, ...]] = []
    context = click.Context(program)
    for name in COMMANDS:
        command = program.get_command(context, name)
        assert command is not None
        found.append((name,))
        if isinstance(command, click.Group):
            found += [(name, inside) for inside in command.commands]
    return found


def command_of(names: tuple[str, ...]) -> click.Command:
    """The command of some names."""
    command: click.Command | None = program
    for name in names:
        assert isinstance(command, click.Group)
        command = command.get_command(click.Context(command), name)
    assert command is not None
    return command


@pytest.mark.parametrize("names", commands(), ids=" ".join)
@pytest.mark.parametrize("help_option", ["--help", "-h"])
def test_help_documents_every_option(run: Run, names: tuple[str, ...], help_option: str) -> None:
    ran = run(*names, help_option)
    assert ran.status == 0
    assert ran.err == ""
    command = command_of(names)
    assert command.help
    assert " ".join(command.help.split())[:40] in " ".join(ran.out.split())
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name
            assert all(option in ran.out for option in parameter.opts)
            assert parameter.help.split()[0] in ran.out
        else:
            assert parameter.make_metavar(click.Context(command)) in ran.out


def test_help_lists_every_command(run: Run) -> None:
    ran = run("--help")
    for name, (_, words) in COMMANDS.items():
        assert name in ran.out
        assert words in ran.out
        assert words[-1] in ".?"


def test_a_version_for_reports_names_what_matters(run: Run) -> None:
    out = run("--version", "--verbose").out
    assert out.startswith(f"kinematics {kinematics.__version__}\nPython ")
    assert all(name in out for name in ("numba ", "numpy ", "processors", "machine code: "))


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("est", "estimate"),
        ("estimate --machine mid", "middling"),
        ("compare --set motion.print_acc", "motion.print_acceleration_mm_s2="),
        ("compare --set acc", "acceleration="),
        ("guide fil", "filters"),
        ("estimate --dialect rs", "rs274"),
    ],
)
def test_a_shell_can_complete_what_is_typed(folder: Path, typed: str, offered: str) -> None:
    words = f"kinematics {typed}"
    asked = {"_KINEMATICS_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(len(words.split()) - 1)}
    assert f"plain,{offered}" in run_apart(**asked).out.splitlines()


def test_version(run: Run) -> None:
    ran = run("--version")
    assert (ran.status, ran.err) == (0, "")
    assert kinematics.__version__ in ran.out
