"""What somebody types first: a job in place of a command, a folder, a pattern, many jobs; and who stops reading."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from tests.cli.conftest import BRACKET, HOOK, ROOT, Run, rows_of, table_of

QUICK = ("--machine", "quick")


@pytest.fixture
def parts(folder: Path) -> Path:
    """A folder of seven jobs among other files."""
    (folder / "parts").mkdir()
    for name in ("clip.gcode", "Arm.GCODE", "bolt.nc", "cup.g", "drum.gco", "eye.ngc", "fork.tap"):
        (folder / "parts" / name).write_text(HOOK)
    (folder / "parts" / "clip.gcode").write_text(BRACKET)
    (folder / "parts" / "notes.txt").write_text("no job\n")
    (folder / "parts" / "old.gcode.d").mkdir()
    return folder


SORTED = ["Arm.GCODE", "bolt.nc", "clip.gcode", "cup.g", "drum.gco", "eye.ngc", "fork.tap"]


@pytest.mark.parametrize("word", ["hook.gcode", "parts", "nowhere/thing.gcode.gz", "./hook.gcode"])
def test_a_job_in_place_of_a_command_is_told_which_takes_it(run: Run, parts: Path, word: str) -> None:
    ran = run(word, "--machine", "my printer.toml")
    assert (ran.status, ran.out) == (2, "")
    assert ran.err == (
        f"kinematics: {word!r} is not a command (did you mean kinematics estimate {word} "
        "--machine 'my printer.toml'?)\n"
    )


def test_a_slip_in_a_command_is_still_a_slip(run: Run, folder: Path) -> None:
    assert "Did you mean 'estimate'?" in run("estimat", "hook.gcode").err
    assert "kinematics estimate" not in run("nonsense").err


def test_without_a_word_there_is_help(run: Run) -> None:
    ran = run()
    assert ran.out.startswith("Usage: kinematics")
    assert ran.err == ""


def files_of(run: Run, *jobs: str) -> list[str]:
    """The files that were read, in their order."""
    ran = run("estimate", *jobs, *QUICK, "--json")
    assert ran.status == 0, ran.err
    return [job["file"] for job in json.loads(ran.out)["jobs"]]


def test_a_folder_stands_for_the_jobs_in_it(run: Run, parts: Path) -> None:
    assert files_of(run, "parts") == [os.path.join("parts", name) for name in SORTED]
    assert files_of(run, "hook.gcode", "parts/") == ["hook.gcode", *(os.path.join("parts", name) for name in SORTED)]


def test_a_pattern_that_the_shell_left_alone_is_expanded(run: Run, parts: Path) -> None:
    assert files_of(run, "parts/c*") == ["parts/clip.gcode", "parts/cup.g"]
    assert files_of(run, "parts/[bd]*.*", "*.gcode") == [
        "parts/bolt.nc", "parts/drum.gco", "bracket.gcode", "hook.gcode",
    ]  # fmt: skip
    (parts / "odd[1].gcode").write_text(HOOK)
    assert files_of(run, "odd[1].gcode") == ["odd[1].gcode"]  # a file of that very name


def test_what_stands_for_no_job_is_refused_at_once(run: Run, parts: Path) -> None:
    (parts / "empty").mkdir()
    ran = run("compare", "empty", "x*.gcode", "hook.gcode", "--candidate", "speed=2")
    assert ran.status == 2
    assert "empty: no G-code files in this folder; allowed: files that end in .gcode, " in ran.err
    assert "x*.gcode: no file fits this pattern" in ran.err


@pytest.mark.parametrize("command", ["compare", "caps", "sweep", "target", "upgrades"])
def test_every_command_takes_folders(run: Run, parts: Path, command: str) -> None:
    (parts / "own.toml").write_text('[[upgrade]]\nname = "brisk"\nset = { speed = 2 }\n')
    more = {
        "compare": ("--candidate", "speed=2"),
        "caps": (),
        "sweep": ("--vary", "speed=1,2"),
        "target": ("--within", "5h"),
        "upgrades": (),
    }[command]
    ran = run(command, "parts", "--machine", "own.toml", *more)
    assert ran.status == 0, ran.err


def test_five_jobs_are_told_in_full_and_six_in_a_table(run: Run, parts: Path) -> None:
    five = run("estimate", *(f"parts/{name}" for name in SORTED[:5]), *QUICK).out
    assert five.count("where the time goes") == 5
    ran = run("estimate", "parts", *QUICK)
    document = json.loads(run("estimate", "parts", *QUICK, "--json").out)
    from kinematics.wording import duration_text

    assert "where the time goes" not in ran.out
    heads, *rows = rows_of(ran.out)
    assert heads == ["job", "time", "filament", "main cause", "warnings"]
    assert [row[:2] for row in rows[:-1]] == [[job["file"], duration_text(job["total_s"])] for job in document["jobs"]]
    assert rows[-1][:2] == ["all 7 jobs", duration_text(document["total_s"])]
    for row, job in zip(rows, document["jobs"], strict=False):
        assert row[3].startswith(job["where_the_time_goes"][0]["cause"])


def test_warnings_of_many_jobs_are_told_once_a_kind(run: Run, parts: Path) -> None:
    for name in SORTED[:3]:
        (parts / "parts" / name).write_text("G123\n" + HOOK)
    ran = run("estimate", "parts", *QUICK)
    assert [row["warnings"] for row in table_of(ran.out)] == ["1", "1", "1", "", "", "", "", ""]
    assert "1 kind of warning:" in ran.out
    assert ran.out.count("(3 jobs, first parts/Arm.GCODE)") == 1


def test_the_next_command_names_two_jobs_at_most(run: Run, parts: Path) -> None:
    def named(*jobs: str) -> int:
        out = run("estimate", *jobs, *QUICK).out
        (line,) = [line for line in out.splitlines() if line.startswith("next: ")]
        return sum(word.startswith("parts/") for word in line.split())

    two = ("parts/clip.gcode", "parts/cup.g")
    assert (named(*two), named(*two, "parts/bolt.nc"), named("parts")) == (2, 1, 1)


def status_of_pipe(command: str) -> tuple[int, int, str]:
    """Exit status of the program and of who reads it, and what the program said on standard error."""
    line = f"{sys.executable} -m kinematics {command}; echo ${{PIPESTATUS[*]}} >&3"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    script = f"exec 3>statuses; {line}"
    done = subprocess.run(["bash", "-c", script], env=environment, capture_output=True, text=True, check=False)
    program, reader = Path("statuses").read_text().split()
    return int(program), int(reader), done.stderr


@pytest.mark.parametrize("reader", ["head -1", "head -c 1", "true"])
def test_a_reader_that_goes_away_ends_it_quietly(folder: Path, reader: str) -> None:
    """As a shell tells of any program whose reader has gone: 128 and the number of the signal."""
    layers = (f"G0 Z{i / 5:.1f}\nG1 X{i % 2 * 50} E{i} F3000\n" for i in range(1, 9000))  # more than a pipe holds
    (folder / "long.gcode").write_text("".join(layers))
    program, read, told = status_of_pipe(f"estimate long.gcode --machine quick --layers | {reader}")
    assert read == 0
    assert program == 128 + signal.SIGPIPE
    assert all("compiling" in line for line in told.splitlines())


def test_the_last_set_wins(run: Run) -> None:
    def total(*settings: str) -> float:
        words = [word for setting in settings for word in ("--set", setting)]
        ran = run("estimate", "bracket.gcode", *QUICK, *words, "--json")
        assert ran.status == 0, ran.err
        return float(json.loads(ran.out)["total_s"])

    slow, fast = "acceleration=200", "motion.print_acceleration_mm_s2=5000"  # two names of one key
    assert total(slow, fast) == total(fast)
    assert total(fast, slow) == total(slow) != total(fast)
    assert total("speed=0.5, corner=0.01", "corner=0.1") == total("speed=0.5, corner=0.1")
    ran = run("compare", "hook.gcode", *QUICK, "--candidate", "speed=2", "--set", slow, "--set", "acceleration=700")
    assert ran.out.splitlines()[0] == "on Quick with acceleration=700"
    # What belongs together may still be told apart, in any order.
    delta = ("machine.delta.arm_mm=250", "machine.mechanism=linear-delta", "machine.delta.tower_radius_mm=125")
    ran = run("machine", "show", "middling", *(word for setting in delta for word in ("--set", setting)))
    assert ran.status == 0, ran.err


def test_a_candidate_needs_no_name(run: Run) -> None:
    ran = run("compare", "bracket.gcode", *QUICK, "--candidate", "acceleration=700, speed=0.5")
    named = run("compare", "bracket.gcode", *QUICK, "--candidate", "slow: acceleration=700, speed=0.5")
    rows, same = table_of(ran.out), table_of(named.out)
    assert [row["candidate"] for row in rows] == ["as it is", "acceleration=700, speed=0.5"]
    assert [row["time"] for row in rows] == [row["time"] for row in same]
    # A colon inside a value is none behind a name.
    staffed = 'economy.staffed=["Mon-Fri 08:00-16:00"]'
    assert table_of(run("compare", "hook.gcode", *QUICK, "--candidate", staffed).out)[1]["candidate"] == staffed


@pytest.mark.parametrize(("columns", "size"), [("70", 0), ("70", 200), ("", 0), ("", 70)])
def test_an_error_is_as_wide_as_its_terminal(folder: Path, columns: str, size: int) -> None:
    """As COLUMNS says, else as the terminal does, and 80 where neither tells: some terminals say 0."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, size, 0, 0))
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": columns}
    command = [sys.executable, "-m", "kinematics", "estimate", "hook.gcode", "--set", "motion.print_acc=3"]
    done = subprocess.run(command, stdout=subprocess.DEVNULL, stderr=theirs, env=environment, check=False)
    os.close(theirs)
    lines = os.read(ours, 65536).decode().splitlines()
    os.close(ours)
    assert done.returncode == 2
    widest = 80 if (columns, size) == ("", 0) else 70
    assert widest - 40 < max(len(line) for line in lines) <= widest
