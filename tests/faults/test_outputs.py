"""Every file that is written is there whole or not at all, and never takes the place of one that is read."""

from __future__ import annotations

import csv
import errno
import os
import subprocess
import sys
from collections.abc import Callable
from itertools import count
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.outputs import refuse_to_overwrite, spreadsheet_text, write_whole
from tests.cli.conftest import ROOT, Run

QUICK = ("--machine", "quick")
ORDERS = "order,job\nhooks,hook.gcode\n"
PRINTERS = "name,machine\nLeft,own.toml\n"


@pytest.fixture
def inputs(run: Run, folder: Path) -> Path:
    """The folder with inputs whose names end as outputs do, each under a second name as well: links of both kinds."""
    hook = (folder / "hook.gcode").read_bytes()
    assert run("machine", "new", "own.toml", "--name", "Bench", "--bed", "200 200 200", "--like", "gentle").status == 0
    for name, content in (
        ("job.csv", hook),
        ("job.png", hook),
        ("orders.png", ORDERS.encode()),
        ("printers.png", PRINTERS.encode()),
        ("own.csv", (folder / "own.toml").read_bytes()),
    ):
        (folder / name).write_bytes(content)
        stem, _, ending = name.partition(".")
        (folder / f"{stem}-soft.{ending}").symlink_to(name)
        os.link(folder / name, folder / f"{stem}-hard.{ending}")
    return folder


@pytest.mark.parametrize("through", ["", "-soft", "-hard"])
@pytest.mark.parametrize(
    "words",
    [
        ("estimate", "job.csv", *QUICK, "--moves", "job{}.csv"),
        ("estimate", "hook.gcode", "--machine", "./own.csv", "--moves", "own{}.csv"),
        ("estimate", "job.png", *QUICK, "--limits", "--picture", "job{}.png"),
        ("sweep", "job.csv", *QUICK, "--vary", "acceleration=100,200", "-o", "job{}.csv"),
        ("sweep", "job.png", *QUICK, "--vary", "acceleration=100,200", "--picture", "job{}.png"),
        ("shop", "orders.png", "--printers", "printers.png", "--gantt", "orders{}.png"),
        ("shop", "orders.png", "--printers", "printers.png", "--gantt", "printers{}.png"),
        ("machine", "new", "job{}.csv", "--from", "job.csv", "--name", "B", "--bed", "1 1 1"),
    ],
    ids=lambda words: " ".join(words[:1] + words[-2:]),
)
def test_no_output_takes_the_place_of_an_input(run: Run, inputs: Path, words: tuple[str, ...], through: str) -> None:
    before = {path.name: path.read_bytes() for path in inputs.iterdir()}
    ran = run(*(word.format(through) for word in words), "--force")
    assert ran.status == 2
    assert "this file is read by the same command; allowed: another name" in ran.err
    assert {path.name: path.read_bytes() for path in inputs.iterdir()} == before


def test_a_picture_of_a_shop_leaves_jobs_and_machine_files_alone(run: Run, inputs: Path) -> None:
    (inputs / "orders.csv").write_text("order,job\nhooks,job.png\n")
    (inputs / "printers.csv").write_text("name,machine\nLeft,own.png\n")
    (inputs / "own.png").write_bytes((inputs / "own.toml").read_bytes())
    for name in ("job.png", "own.png"):
        ran = run("shop", "orders.csv", "--printers", "printers.csv", "--gantt", name, "--force")
        assert (ran.status, "this file is read by the same command" in ran.err) == (2, True)


def writes(text: str) -> Callable[[Path], None]:
    """What writes a text."""

    def write(path: Path) -> None:
        path.write_text(text)

    return write


def fails_midway(path: Path) -> None:
    """Write half, and fail as a full disk does."""
    path.write_text("half")
    raise OSError(28, "No space left on device")


def test_what_cannot_be_written_whole_leaves_what_was_there(tmp_path: Path) -> None:
    target = tmp_path / "rows.csv"
    target.write_text("earlier")
    target.chmod(0o640)
    with pytest.raises(InputError, match=r"rows.csv: cannot be written: No space left on device"):
        write_whole(target, fails_midway, force=True)
    assert target.read_text() == "earlier"
    write_whole(target, writes("later"), force=True)
    assert (target.read_text(), target.stat().st_mode & 0o777) == ("later", 0o640)
    assert [path.name for path in tmp_path.iterdir()] == ["rows.csv"]
    with pytest.raises(InputError, match="the file exists already"):
        write_whole(target, fails_midway, force=False)


def test_all_of_it_is_on_the_disk_before_it_has_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    fsync, replace = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda number: (done.append("flush"), fsync(number)))
    monkeypatch.setattr(os, "replace", lambda old, new: (done.append("rename"), replace(old, new)))
    write_whole(tmp_path / "rows.csv", writes("rows"), force=False)
    assert done == ["flush", "rename", "flush"]  # the file, its name, the folder


def test_through_a_link_the_file_itself_is_written(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "rows.csv").symlink_to(tmp_path / "elsewhere" / "real.csv")
    write_whole(tmp_path / "rows.csv", writes("rows"), force=False)
    assert (tmp_path / "rows.csv").is_symlink()
    assert (tmp_path / "elsewhere" / "real.csv").read_text() == "rows"


def test_what_can_never_be_written_is_refused_before_any_work(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    for path, says in (
        (tmp_path / ("n" * 5000 + ".csv"), "…n+.csv: cannot be written: File name too long"),
        (tmp_path / "pipe.csv", "this is no ordinary file"),
        (Path("/dev/null"), "this is no ordinary file"),
        (tmp_path, "this is a directory"),
        (tmp_path / "absent" / "rows.csv", "the folder '.*absent' does not exist"),
        (tmp_path / "a\0b.csv", "cannot be written: embedded null byte"),
    ):
        with pytest.raises(InputError, match=says) as refused:
            refuse_to_overwrite(path, force=True)
        assert len(str(refused.value)) < 400


def test_a_name_as_long_as_the_disk_takes_is_written(run: Run, folder: Path) -> None:
    name = "n" * 251 + ".csv"
    assert run("estimate", "hook.gcode", *QUICK, "--moves", name).status == 0
    assert (folder / name).stat().st_size > 1000


def test_a_folder_that_cannot_be_written(folder: Path, monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    (folder / "locked").mkdir()
    may = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode: Path(path).name != "locked" and may(path, mode)
    )  # root may all
    for words in (("estimate", "--moves"), ("sweep", "--vary", "acceleration=1,2", "-o")):
        ran = run(words[0], "hook.gcode", *QUICK, *words[1:], "locked/rows.csv")
        assert ran.status == 2
        assert "locked/rows.csv: nothing can be written in the folder 'locked'; allowed: another folder" in ran.err


def test_a_full_disk_loses_nothing_and_says_so(folder: Path) -> None:
    """A limit on the size of files stands for the disk: writing fails midway, as it does on a full one."""
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096)); from kinematics.__main__ import run; run()"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    before = sorted(path.name for path in folder.iterdir())
    many = ("--vary", "acceleration=100:9000:1000")

    def limited(*words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-c", code, *words]
        return subprocess.run(command, capture_output=True, text=True, env=environment, check=False)

    ran = limited("sweep", "bracket.gcode", *QUICK, "--vary", "acceleration=9:99:2", "--picture", "map.png")
    assert (ran.returncode, "map.png: cannot be written: File too large" in ran.stderr) == (2, True)
    assert sorted(path.name for path in folder.iterdir()) == before
    ran = limited("sweep", "bracket.gcode", *QUICK, *many, "-o", "rows.csv")
    assert ran.returncode == 2
    assert "rows.csv.partial: cannot be written: File too large (what is done is kept in rows.csv.partial" in ran.stderr
    words = [sys.executable, "-m", "kinematics", "sweep", "bracket.gcode", *QUICK, *many, "-o"]
    again = subprocess.run([*words, "rows.csv"], capture_output=True, text=True, env=environment, check=False)
    assert again.returncode == 0
    assert "64 of 1,000 candidates are done already; carrying on" in again.stderr
    assert subprocess.run([*words, "whole.csv"], capture_output=True, env=environment, check=False).returncode == 0
    assert (folder / "rows.csv").read_bytes() == (folder / "whole.csv").read_bytes()


ANSWERS = {
    "sweep": (("sweep", "hook.gcode", *QUICK, "--vary", "speed=1,2,3", "--picture", "to.png"), "speed\tjob"),
    "shop": (("shop", "orders.csv", "--printers", "printers.csv", "--gantt", "to.png"), "4 parts done by"),
    "moves": (("estimate", "hook.gcode", *QUICK, "--moves", "to.csv"), "on Quick"),
    "limits": (("estimate", "hook.gcode", *QUICK, "--limits", "--picture", "to.png"), "on Quick"),
}


def no_room(number: int) -> None:
    """A disk that takes no more."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("name", ANSWERS)
def test_where_a_file_cannot_be_written_the_answer_is_told_all_the_same(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    (folder / "orders.csv").write_text("order,hours,quantity\nhooks,2,4\n")
    (folder / "printers.csv").write_text("name,machine\nLeft,quick\n")
    monkeypatch.setattr(os, "fsync", no_room)
    words, answer = ANSWERS[name]
    ran = run(*words)
    assert ran.status == 2
    assert f"{words[-1]}: cannot be written: No space left on device" in ran.err
    assert answer in ran.out
    assert not list(folder.glob("to.*"))


@pytest.mark.parametrize("room_for", [2, 3, 4])
def test_a_sweep_that_runs_out_of_room_says_that_its_rows_are_kept(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, room_for: int
) -> None:
    words = ("sweep", "bracket.gcode", *QUICK, "--vary", "acceleration=100:9000:150", "-o", "rows.csv")
    sync, times = os.fsync, count()
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", lambda number: sync(number) if next(times) < room_for else no_room(number))
        ran = run(*words)
    assert ran.status == 2
    assert "cannot be written: No space left on device (what is done is kept in rows.csv.partial, and the" in ran.err
    assert run(*words).status == 0
    assert run(*words[:-1], "whole.csv").status == 0
    assert (folder / "rows.csv").read_bytes() == (folder / "whole.csv").read_bytes()


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_cells_that_a_spreadsheet_would_compute_are_quoted(text: str) -> None:
    assert spreadsheet_text(text) == f"'{text}"
    assert spreadsheet_text(f"a{text}") == f"a{text}"


def test_tables_quote_texts_and_never_numbers(run: Run, folder: Path) -> None:
    name = "=cmd|' A1.gcode"
    os.rename(folder / "hook.gcode", folder / name)
    assert run("sweep", name, *QUICK, "--vary", "acceleration=100,200", "-o", "rows.csv").status == 0
    with (folder / "rows.csv").open(newline="") as file:
        assert {row["job"] for row in csv.DictReader(file)} == {f"'{name}"}
    roads = "".join(f"; road: {name}\nG1 X{k} E{k}\n" for k, name in enumerate(["=1+1", "wall"] * 3, 1))
    (folder / "labelled.gcode").write_text(f"G1 X-9 F600\n{roads}")
    (folder / "own.toml").write_text("based_on = 'extrusion'\n[[label]]\npattern = 'road: (?P<label>.+)'\n")
    ran = run("estimate", "labelled.gcode", *QUICK, "--dialect", "own.toml", "--moves", "moves.csv")
    assert ran.status == 0, ran.err
    with (folder / "moves.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["label"] for row in rows] == ["", *["'=1+1", "wall"] * 3]
    assert all(float(row["length_mm"]) > 0 for row in rows)
