"""`kinematics demo`."""

from __future__ import annotations

import contextlib
import io
import shlex
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import click

from kinematics.cli.options import AS_JSON

FILES = (
    "bracket.gcode.gz",
    "bench.toml",
    "bench_start.gcode.txt",
    "bench_end.gcode.txt",
    "shop_dialect.toml",
    "orders.csv",
    "printers.csv",
)
REPORT = "report.html"
ON = "bracket.gcode.gz --machine bench.toml"
BRISK = '--candidate "brisk: acceleration=4000, speed=1.5"'
SHOP = "--orders orders.csv --printers printers.csv --start 2026-03-02"
# What is asked of the samples: a question in words, and the command that answers it.
STEPS = (
    ("How long does the lamp bracket take, and where does the time go?", f"estimate {ON}"),
    ("And under other limits?", f"compare {ON} {BRISK} --picture candidates.svg"),
    ("What must be raised, in which order?", f"ladder {ON} --picture ladder.svg"),
    ("Which are the gentlest limits for 28 minutes?", f"target {ON} --within 28m --turn acceleration --turn speed"),
    ("Where does more acceleration stop paying?", f"sweep {ON} --vary acceleration=300:9000:8log --picture curve.svg"),
    ("How far may each limit go, and what stops it?", f"caps {ON} --picture caps.svg"),
    ("Which upgrade pays, and when?", f"upgrades {ON} --per-month 60 --picture upgrades.svg"),
    (
        "How many parts a day, and by when?",
        'shop orders.csv --printers printers.csv --start "2026-03-02 08:00" --gantt week.svg',
    ),
    (
        "A small print that proves an acceleration",
        "proof acceleration --machine bench.toml --dialect shop_dialect.toml --to 800 -o proof.gcode --sheet proof.pdf",
    ),
    (
        "All of it on one page",
        f"report {ON} {BRISK} --vary acceleration=300:9000:20log --per-month 60 {SHOP} -o {REPORT}",
    ),
)


@click.command("demo")
@click.argument("folder", default="kinematics-demo", metavar="[DIR]", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Write into a folder that is there already.")
@AS_JSON
def command(folder: Path, force: bool, as_json: bool) -> None:
    """Every study once, on a sample job and an invented machine.

    DIR is made (kinematics-demo where none is named) and takes the samples, the pictures and the report; each command
    is shown as you would type it there.
    """
    from kinematics.cli import console
    from kinematics.errors import InputError

    if folder.exists() and not (force and folder.is_dir()):
        allowed = "a new folder" if folder.is_dir() and force else "a new folder, or --force to write into this one"
        raise InputError.at(str(folder), "is there already", allowed)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in FILES:
            (folder / name).write_bytes(files("kinematics").joinpath("demo", name).read_bytes())
    except OSError as error:
        raise InputError.at(str(folder), f"cannot be written: {error.strerror}") from None
    with contextlib.chdir(folder):
        for question, words in STEPS:
            if not as_json:
                console.say(["", f"── {question}", f"$ kinematics {words}", ""])
            with _unheard() if as_json else contextlib.nullcontext():
                _run(words)
    place = (folder / REPORT).resolve()
    if as_json:
        from kinematics.reports.documents import head

        steps = [{"question": question, "command": f"kinematics {words}"} for question, words in STEPS]
        console.say_json(head() | {"folder": str(folder), "steps": steps, "report": str(place)})
    else:
        console.say(["", f"everything is in {folder}, and the page to look at is", f"  {place}"])


def _run(words: str) -> None:
    """Run a command in this process; what it answers with its exit status is no failure here."""
    from kinematics.cli.console import flush_answer
    from kinematics.cli.program import program
    from kinematics.errors import EXIT_ANSWER_IS_NO

    arguments = shlex.split(words)
    takes_force = ("--picture", "--gantt", "-o")
    arguments += ["--force"] if any(word in takes_force for word in arguments) else []
    try:
        program.main(args=arguments, prog_name="kinematics", standalone_mode=False)
    except SystemExit as left:
        if left.code not in (0, EXIT_ANSWER_IS_NO):
            raise
    flush_answer()


@contextlib.contextmanager
def _unheard() -> Iterator[None]:
    with contextlib.redirect_stdout(io.StringIO()):
        yield
