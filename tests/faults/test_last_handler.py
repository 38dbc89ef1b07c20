"""Whatever goes wrong is one sentence and its own exit status; streams that are full, closed or gone are told."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from kinematics.reports.guide import guide_lines
from tests.cli.conftest import ROOT, Ran, Run

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
ESTIMATE = ("estimate", "hook.gcode", "--machine", "quick")


def shell(command: str) -> Ran:
    """Run a line of a shell in which `kinematics` is the program."""
    line = f"kinematics() {{ '{sys.executable}' -m kinematics \"$@\"; }}; {command}"
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, env=ENVIRONMENT, check=False)
    return Ran(done.returncode, done.stdout, done.stderr)


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (
            ZeroDivisionError("float division by zero\nsecond line"),
            "kinematics: this should not have happened: ZeroDivisionError: float division by zero; please report it, "
            "with the input, where you have kinematics from (--traceback shows the rest)",
        ),
        (KeyError("x"), "kinematics: this should not have happened: KeyError: 'x'; please report it, "),
        (RecursionError(), "kinematics: this should not have happened: RecursionError; please report it"),
        (EOFError("early"), "kinematics: this should not have happened: EOFError: early; please"),
        (MemoryError(), "kinematics: not enough memory for this; smaller jobs, fewer at a time, or "),
        (OSError(28, "No space left on device", "rows.csv"), "kinematics: rows.csv: no space left on device ("),
        (PermissionError(13, "Permission denied"), "kinematics: permission denied ("),
        (ValueError("y" * 5000), f"kinematics: this should not have happened: ValueError: {'y' * 200}; please"),
        (ValueError("\x1b[31m"), "kinematics: this should not have happened: ValueError: \\x1b[31m; please"),
    ],
    ids=lambda one: type(one).__name__,
)
def test_what_nobody_foresaw_is_a_sentence_with_status_3(
    run: Run, monkeypatch: pytest.MonkeyPatch, fault: Exception, says: str
) -> None:
    def fails(*_: object) -> None:
        raise fault

    monkeypatch.setattr("kinematics.cli.estimate.chosen_machine", fails)
    ran = run(*ESTIMATE)
    assert (ran.status, ran.out) == (3, "")
    assert ran.err.startswith(says)
    assert ran.err.count("\n") == 1
    for words in (("--traceback", *ESTIMATE), (*ESTIMATE, "--traceback")):
        whole = run(*words)
        assert whole.status == 3
        assert "in fails" in whole.err
        assert whole.err.splitlines()[-1].startswith(says.partition(" (")[0][:60])
        assert "\x1b" not in whole.err


def test_traceback_changes_nothing_else(run: Run) -> None:
    assert run(*ESTIMATE, "--traceback") == run(*ESTIMATE)
    assert run("estimate", "absent.gcode", "--traceback") == run("estimate", "absent.gcode")
    assert run("estimate", "--", "--traceback").err.endswith("kinematics: --traceback: no such file\n")


def test_every_status_is_one_of_those_that_the_manual_lists() -> None:
    told = next(line for line in guide_lines("jobs") if line.startswith("Exit status:"))
    for status in (0, 1, 2, 3, 130, 141):
        assert f"{status} " in told


def test_a_reader_that_has_gone_ends_the_program_as_it_ends_any(folder: Path) -> None:
    for words in ("estimate hook.gcode --machine quick --json", "--help", "guide machine", "machine show quick"):
        ran = shell(f"kinematics {words} | true; exit ${{PIPESTATUS[0]}}")
        assert ran.status in (0, 141)  # 0 where all of it was written before the reader went
        assert ran.err == ""
    assert shell("kinematics guide machine | head -c 1 >&2; exit ${PIPESTATUS[0]}").status in (0, 141)


@pytest.mark.parametrize(
    "words",
    ["estimate hook.gcode --machine quick", "estimate hook.gcode --json", "--help", "guide machine",
     "sweep hook.gcode --machine quick --vary acceleration=100:900:300"],
)  # fmt: skip
def test_an_answer_that_a_full_disk_does_not_take_is_told(folder: Path, words: str) -> None:
    ran = shell(f"kinematics {words} >/dev/full")
    assert ran.status == 2
    told = "kinematics: standard output: cannot be written: No space left on device"
    assert ran.err.splitlines()[-1] == told
    assert ran.err.count(told) == 1
    assert shell(f"kinematics {words} >/dev/full 2>/dev/full").status == 2


def test_closed_streams(folder: Path) -> None:
    told = "kinematics: standard output: cannot be written: Bad file descriptor"
    for words in ("estimate hook.gcode --machine quick", "--help"):
        ran = shell(f"kinematics {words} >&-")
        assert (ran.status, ran.err.splitlines()[-1], ran.err.count(told)) == (2, told, 1)
    empty = shell("kinematics estimate - <&-")
    assert (empty.status, empty.out) == (2, "")
    assert "-: an empty file" in empty.err
    assert shell("kinematics estimate absent.gcode 2>&-").status == 2
    kept = shell("kinematics estimate hook.gcode --machine quick --moves moves.csv <&- >&- 2>&-")
    assert kept.status == 2
    assert (folder / "moves.csv").read_text().startswith("line,kind,")  # nothing else got into it
    new = shell("kinematics machine new own.toml <&-")
    assert new.status == 0


def test_interrupted_at_any_moment_of_the_start(folder: Path) -> None:
    for step in range(12):
        with subprocess.Popen(
            [sys.executable, "-c", "import kinematics.__main__ as program; print('in', flush=True); program.run()",
             *ESTIMATE], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=ENVIRONMENT,
        ) as process:  # fmt: skip
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(0.01 * step)
            process.send_signal(signal.SIGINT)
            _, err = process.communicate()
        assert process.returncode in (0, 130)
        assert b"Traceback" not in err
        if process.returncode == 130:
            assert err.endswith(b"kinematics: interrupted\n")


def test_an_interrupt_that_no_exception_can_leave_ends_it(folder: Path) -> None:
    """As the one that falls into the import system's own callbacks."""
    code = (
        "import kinematics.__main__ as m; from kinematics.cli import console\n"
        "class Dying:\n    def __del__(self): raise KeyboardInterrupt\n"
        "console.remark_first_run = lambda: Dying() and None; m.run()"
    )
    done = subprocess.run([sys.executable, "-c", code, *ESTIMATE], capture_output=True, env=ENVIRONMENT, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, b"", b"kinematics: interrupted\n")


def test_no_warning_of_a_library_is_shown(folder: Path) -> None:
    code = "import warnings, kinematics.__main__ as m; from kinematics.cli import console; " + (
        "was = console.remark_first_run; console.remark_first_run = lambda: (warnings.warn('x'), was()); m.run()"
    )
    done = subprocess.run([sys.executable, "-c", code, *ESTIMATE], capture_output=True, env=ENVIRONMENT, check=False)
    assert done.returncode == 0
    assert b"Warning" not in done.stderr
