"""A sweep goes on only from rows that are its own and as it left them; nothing of anybody else is overwritten."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from kinematics.studies import sweep, sweep_file
from tests.cli.conftest import BRACKET, ROOT, Ran, Run, run_apart

QUICK = ("--machine", "quick", "--set", "cooling.shortest_layer_s=0")
MANY = ("--vary", "acceleration=100:9000:150")
WORDS = ("sweep", "bracket.gcode", *QUICK, *MANY, "-o", "rows.csv")
TABLE = 'name = "bench"\nbased_on = "extrusion"\n'


def interrupted(run: Run, *words: str, chunks: int = 1) -> Ran:
    """A run that Ctrl-C ends after some chunks of rows."""
    rows_of = sweep.sweep_rows

    def rows(*arguments: Any) -> Any:
        for k, found in enumerate(rows_of(*arguments)):
            if k == chunks:
                raise KeyboardInterrupt
            yield found

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sweep, "sweep_rows", rows)
        ran = run(*words)
    assert ran.status == 130
    return ran


def whole_of(run: Run, folder: Path, *words: str) -> bytes:
    """The bytes of the same sweep done at one go."""
    (folder / "apart").mkdir()
    assert run(*words[:-1], "apart/rows.csv").status == 0
    content = (folder / "apart" / "rows.csv").read_bytes()
    shutil.rmtree(folder / "apart")
    return content


def changed_digit(text: str) -> str:
    """Rows with another digit somewhere in the time of the last one."""
    head, _, last = text.rstrip("\n").rpartition("\n")
    cells = last.split(",")
    cells[2] = cells[2][:-1] + ("1" if cells[2][-1] != "1" else "2")
    return f"{head}\n{','.join(cells)}\n"


# What may have become of FILE.partial, or of what stands beside it: each is told, and the sweep begun anew.
DAMAGES: dict[str, tuple[str, Callable[[str], str]]] = {
    "empty rows": ("rows.csv.partial", lambda text: ""),
    "empty mark": ("rows.csv.partial.json", lambda text: ""),
    "mark cut short": ("rows.csv.partial.json", lambda text: text[:40]),
    "mark without numbers": ("rows.csv.partial.json", lambda text: '{"sweep": "x"}'),
    "mark of nested lists": ("rows.csv.partial.json", lambda text: "[" * 100_000),
    "rows cut short": ("rows.csv.partial", lambda text: text[:900]),
    "a digit changed": ("rows.csv.partial", changed_digit),
    "two rows swapped": (
        "rows.csv.partial",
        lambda text: "".join(text.splitlines(True)[i] for i in (0, 2, 1, *range(3, 65))),
    ),
    "a row doubled": ("rows.csv.partial", lambda text: "".join(text.splitlines(True)[:2]) + text.partition("\n")[2]),
    "head alone": ("rows.csv.partial", lambda text: text.partition("\n")[0] + "\n"),
    "zero bytes inside": ("rows.csv.partial", lambda text: text[:500] + "\0" * 100 + text[600:]),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_damaged_rows_are_told_and_never_taken(run: Run, folder: Path, damage: str) -> None:
    interrupted(run, *WORDS)
    name, change = DAMAGES[damage]
    (folder / name).write_text(change((folder / name).read_text()))
    ran = run(*WORDS)
    assert ran.status == 0
    assert "rows.csv.partial: its rows are damaged, or not as they were left; beginning anew" in ran.err
    assert "carrying on" not in ran.err
    assert (folder / "rows.csv").read_bytes() == whole_of(run, folder, *WORDS)
    assert not list(folder.glob("rows.csv.*"))


def test_rows_of_points_that_are_not_asked_for_are_never_taken(run: Run, folder: Path) -> None:
    """Whoever changes the rows and the hash beside them does not get past their points."""
    interrupted(run, *WORDS)
    rows = (folder / "rows.csv.partial").read_text().replace("100.0,bracket", "101.0,bracket", 1).encode()
    (folder / "rows.csv.partial").write_bytes(rows)
    told = json.loads((folder / "rows.csv.partial.json").read_text())
    told["rows"] = sweep_file.hashlib.sha256(rows).hexdigest()
    (folder / "rows.csv.partial.json").write_text(json.dumps(told))
    assert "its rows are damaged" in run(*WORDS).err


def test_whole_rows_are_gone_on_from_and_force_begins_anew(run: Run, folder: Path) -> None:
    interrupted(run, *WORDS)
    assert "64 of 150 candidates are done already" in interrupted(run, *WORDS).err
    anew = run(*WORDS, "--force")
    assert (anew.status, "carrying on" in anew.err, "damaged" in anew.err) == (0, False, False)
    assert (folder / "rows.csv").read_bytes() == whole_of(run, folder, *WORDS)


def other_job(folder: Path) -> None:
    """Other bytes under the same name."""
    (folder / "bracket.gcode").write_text(BRACKET.replace("X60", "X61"))


def other_table(folder: Path) -> None:
    """Another dialect under the same name."""
    (folder / "own.toml").write_text(TABLE + "\n# changed\n")


@pytest.mark.parametrize("change", [other_job, other_table])
def test_bytes_count_and_not_names(run: Run, folder: Path, change: Callable[[Path], None]) -> None:
    (folder / "own.toml").write_text(TABLE)
    words = (*WORDS[:-2], "--dialect", "own.toml", *WORDS[-2:])
    first = interrupted(run, *words)
    assert "kept in rows.csv.partial" in first.err
    change(folder)
    refused = run(*words)
    assert refused.status == 2
    assert "rows of another sweep, or of other jobs or limits, are there" in refused.err


def test_standard_input_counts_by_its_bytes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ("sweep", "-", *QUICK, *MANY, "-o", "rows.csv")
    broken = "import sys; from kinematics.studies import sweep; was = sweep.sweep_rows\n" + (
        "def once(*given):\n    yield next(was(*given))\n    raise KeyboardInterrupt\n"
        "sweep.sweep_rows = once\nfrom kinematics.__main__ import run; run()"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    begun = subprocess.run(
        [sys.executable, "-c", broken, *words],
        input=BRACKET.encode(),
        capture_output=True,
        env=environment,
        check=False,
    )
    assert begun.returncode == 130, begun.stderr
    other = run_apart(*words, stdin=BRACKET.replace("X60", "X61").encode())
    assert (other.status, "rows of another sweep" in other.err) == (2, True)
    same = run_apart(*words, stdin=BRACKET.encode())
    assert (same.status, "64 of 150 candidates are done already" in same.err) == (0, True)


def test_another_state_of_the_program_does_not_go_on(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    interrupted(run, *WORDS)
    monkeypatch.setattr(sweep_file, "program_hash", lambda: "one comment more")
    assert "rows of another sweep" in run(*WORDS).err


def test_of_two_runs_the_second_says_who_writes(run: Run, folder: Path) -> None:
    rows_of = sweep.sweep_rows
    seen: list[Ran] = []

    def rows(*arguments: Any) -> Any:
        for found in rows_of(*arguments):
            if not seen:
                for more in ((), ("--force",)):
                    seen.append(run_apart(*WORDS, *more))
            yield found

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(sweep, "sweep_rows", rows)
        assert run(*WORDS).status == 0
    for ran in seen:
        assert ran.status == 2
        assert f"rows.csv.partial: another run writes its rows there now (process {os.getpid()})" in ran.err
    assert (folder / "rows.csv").read_bytes() == whole_of(run, folder, *WORDS)


@pytest.mark.parametrize("force", [(), ("--force",)], ids=["", "--force"])
@pytest.mark.parametrize("name", ["rows.csv.partial", "rows.csv.partial.json"])
@pytest.mark.parametrize("kind", ["file", "link", "dangling link", "folder"])
def test_what_is_not_ours_is_never_overwritten(
    run: Run, folder: Path, name: str, kind: str, force: tuple[str, ...]
) -> None:
    diary = folder / "diary.txt"
    diary.write_text("dear diary\n")
    if kind == "file":
        (folder / name).write_text('{"dear": "diary"}\n')
    elif kind == "folder":
        (folder / name).mkdir()
    else:
        (folder / name).symlink_to("diary.txt" if kind == "link" else "absent.txt")
    before = sorted(path.name for path in folder.iterdir())
    ran = run(*WORDS, *force)
    assert ran.status == 2
    assert f"kinematics: {name}: " in ran.err
    assert diary.read_text() == "dear diary\n"
    assert sorted(path.name for path in folder.iterdir()) == before
    if kind == "file":
        assert (folder / name).read_text() == '{"dear": "diary"}\n'


def test_parquet_keeps_texts_as_texts(run: Run, folder: Path) -> None:
    import pandas

    os.rename(folder / "bracket.gcode", folder / "007")
    assert run("sweep", "007", *QUICK, "--vary", "acceleration=100,200", "-o", "rows.parquet").status == 0
    assert pandas.read_parquet(folder / "rows.parquet")["job"].tolist() == ["007", "007"]


def test_a_name_that_is_no_text(folder: Path) -> None:
    with open(b"caf\xe9.gcode", "w") as file:
        file.write(BRACKET)
    name = os.fsdecode(b"caf\xe9.gcode")
    for output in ("rows.csv", "rows.parquet"):
        ran = run_apart("sweep", name, *QUICK, "--vary", "acceleration=100,200", "-o", output)
        assert ran.status == 0, ran.err
    assert "caf\\udce9.gcode" in (folder / "rows.csv").read_text(encoding="utf-8")
