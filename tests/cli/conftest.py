"""A folder to stand in with a few small jobs, and the program run inside this process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from kinematics.cli.program import main

ROOT = Path(__file__).resolve().parents[2]
# A hook in two layers: heating, homing, a dwell, a travel, printing moves, a retraction.
HOOK = """\
M140 S60
M104 S210
M190 S60
M109 S210
G28
G1 Z0.2 F600
G4 S2
G1 X40 E2 F1800
G1 Y30 E3
G1 E2 F2400
G0 X5 Y5 F6000
G1 E3 F2400
G1 X25 E4 F1800
G1 Z0.4 F600
G1 X45 Y25 E5 F3000
G1 X5 Y5 E6
"""
BRACKET = "".join(
    f"G1 X{x} Y{y} E{0.4 * i:.2f} F3000\n"
    for i, (x, y) in enumerate([(60, 10), (60, 50), (10, 50), (10, 10), (40, 30), (41, 31), (42, 31.5), (44, 30)], 1)
)


class Ran(NamedTuple):
    """What a run came to: exit status, standard output, standard error."""

    status: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A fresh current folder with hook.gcode and bracket.gcode."""
    (tmp_path / "hook.gcode").write_text(HOOK)
    (tmp_path / "bracket.gcode").write_text(BRACKET)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the program with some arguments in this process, inside `folder`."""

    def run_program(*arguments: str) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main(list(arguments))
        told = capsys.readouterr()
        status = left.value.code
        assert isinstance(status, int)
        return Ran(status, told.out, told.err)

    return run_program


def rows_of(out: str) -> list[list[str]]:
    """The cells of the table in an answer to a pipe, the heads first."""
    return [line.split("\t") for line in out.splitlines() if "\t" in line]


def table_of(out: str) -> list[dict[str, str]]:
    """The rows of the table in an answer to a pipe, by their heads."""
    heads, *rows = rows_of(out)
    return [dict(zip(heads, row, strict=True)) for row in rows]


def run_apart(*arguments: str, stdin: bytes = b"", **environment: str) -> Ran:
    """Run the program as a process of its own in the current folder."""
    done = subprocess.run(
        [sys.executable, "-m", "kinematics", *arguments],
        input=stdin,
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )
    encoding = environment.get("PYTHONIOENCODING", "utf-8")
    return Ran(done.returncode, done.stdout.decode(encoding), done.stderr.decode(encoding))


INTERRUPTED = 130


def interrupting(after: int, work: Callable[..., Any]) -> Callable[..., Any]:
    """Some work that Ctrl-C ends in the call after so many, and only there."""
    calls = 0

    def once(*given: Any, **named: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == after + 1:
            raise KeyboardInterrupt
        return work(*given, **named)

    return once
