"""Tables of rows that are written as they come: the rows of the result, the same bytes whoever works, whole or not."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pandas
import pytest

from kinematics import rows_file
from kinematics.errors import InputError
from kinematics.rows_file import RowsFile
from tests.cli.conftest import Run
from tests.fleet.sweeping import small_jobs

JOBS = 8
UNSURE = ("--set", "motion.junction_deviation_mm={low=0.02, likely=0.05, high=0.1}", "--draws", "20")
COMMANDS = {
    "estimate": ("estimate", "jobs", "--machine", "quick"),
    "estimate of ranges": ("estimate", "jobs", "--machine", "quick", *UNSURE),
    "compare": ("compare", "jobs", "--machine", "quick", "--candidate", "brisk: acceleration=4000"),
    "compare ranges": ("compare", "jobs", "--machine", "quick", *UNSURE, "--candidate", "brisk: acceleration=4000"),
}


@pytest.fixture(autouse=True)
def jobs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some small jobs, and three rows at a time."""
    small_jobs(folder / "jobs", JOBS)
    monkeypatch.setattr(rows_file, "PORTION", 3)


@pytest.mark.parametrize("name", COMMANDS)
def test_rows_are_those_of_the_document_and_of_one_portion(run: Run, folder: Path, name: str, monkeypatch: Any) -> None:
    words = COMMANDS[name]
    told = json.loads(run(*words, "-o", "portions.csv", "--json").out)
    rows = pandas.read_csv(folder / "portions.csv")
    expected = told["jobs"] if words[0] == "estimate" else told["rows"]
    column = "file" if words[0] == "estimate" else "job"
    assert rows[column].tolist() == [row[column] for row in expected]
    assert rows["total_s"].tolist() == [row["total_s"] for row in expected]
    assert len(rows) == JOBS * (1 if words[0] == "estimate" else 2)
    if "of ranges" in name:
        assert rows["low_s"].tolist() == [row["interval_s"][0] for row in expected]
    assert run(*words, "-o", "portions.parquet").status == 0
    pandas.testing.assert_frame_equal(pandas.read_parquet(folder / "portions.parquet"), rows, check_exact=True)
    monkeypatch.setattr(rows_file, "PORTION", 1000)
    assert run(*words, "-o", "whole.csv").status == 0
    assert (folder / "whole.csv").read_bytes() == (folder / "portions.csv").read_bytes()


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_workers_write_the_same_bytes(run: Run, folder: Path, kind: str) -> None:
    words = COMMANDS["estimate"]
    assert run(*words, "-o", f"alone.{kind}").status == 0
    assert run(*words, "-o", f"shared.{kind}", "--workers", "2").status == 0
    assert (folder / f"alone.{kind}").read_bytes() == (folder / f"shared.{kind}").read_bytes()


@pytest.mark.parametrize("name", ["estimate", "compare"])
def test_rows_come_as_they_are_known_and_few_are_kept(run: Run, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    add, read = RowsFile.add, list[int]()
    from kinematics.fleet import asking

    begun = list[str]()

    def add_and_look(rows: RowsFile, row: Mapping[str, Any]) -> None:
        add(rows, row)
        assert len(rows._waiting) < 3
        read.append(len({*begun}))

    monkeypatch.setattr(RowsFile, "add", add_and_look)
    monkeypatch.setattr(asking._at_hand.__class__, "of", _counted(asking._at_hand.__class__.of, begun))
    monkeypatch.setattr("kinematics.cli.crew.MANY", 1)
    assert run(*COMMANDS[name], "-o", "rows.csv").status == 0
    assert read[:JOBS] == [*range(1, JOBS + 1)]  # each row is there before the next job is read


def _counted(of: Any, begun: list[str]) -> Any:
    def counting(at_hand: Any, key: str, recipe: Any) -> Any:
        begun.append(key)
        return of(at_hand, key, recipe)

    return counting


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_broken_off_there_is_nothing(run: Run, folder: Path, kind: str) -> None:
    (folder / "jobs" / "part0007.gcode").write_text("; nothing\n")
    before = {path.name for path in folder.iterdir()}
    ran = run(*COMMANDS["estimate"], "-o", f"rows.{kind}")
    assert ran.status == 2
    assert {path.name for path in folder.iterdir()} == before


def test_what_came_there_meanwhile_stays(folder: Path) -> None:
    with suppress(InputError), rows_file.rows_file(folder / "rows.csv", False) as rows:
        rows.add({"job": "a"})
        (folder / "rows.csv").write_text("somebody else's")
    assert (folder / "rows.csv").read_text() == "somebody else's"
    assert not [path for path in folder.iterdir() if path.name.startswith(".kinematics")]


def test_a_table_without_rows_is_one(folder: Path) -> None:
    with rows_file.rows_file(folder / "rows.csv", False):
        pass
    assert (folder / "rows.csv").read_text() == "\n"


def test_names_that_are_no_text_and_formulas_are_harmless(folder: Path) -> None:
    row = {"job": "=a\udcff.gcode", "total_s": 1.5}
    for name in ("rows.csv", "rows.parquet"):
        with rows_file.rows_file(folder / name, False) as rows:
            rows.add(row)
    assert (folder / "rows.csv").read_text() == "job,total_s\n'=a\\udcff.gcode,1.5\n"
    assert pandas.read_parquet(folder / "rows.parquet")["job"].tolist() == ["=a\\udcff.gcode"]
