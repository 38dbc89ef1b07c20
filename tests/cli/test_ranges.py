"""Ranges on the command line: intervals on the screens and in the documents, the same bytes for the same seed."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from kinematics.wording import duration_text
from tests.cli.conftest import Ran, Run, rows_of

UNSURE = """\
[machine]
name = "Bench"
[motion]
print_acceleration_mm_s2 = { low = 300, likely = 600, high = 1500 }
travel_acceleration_mm_s2 = { low = 500, likely = 800, high = 1000 }
"""
RANGE = ("--set", "acceleration={ low = 300, likely = 600, high = 1500 }")
BRISK = ("--candidate", "brisk: acceleration=4000")
SPEED = ("--vary", "speed=1,2")


@pytest.fixture
def unsure(folder: Path) -> tuple[str, str]:
    """The option that names a machine with two ranges."""
    (folder / "unsure.toml").write_text(UNSURE)
    return "--machine", "unsure.toml"


def document_of(ran: Ran) -> dict[str, Any]:
    """The one document of a run with --json."""
    assert ran.status == 0, ran.err
    document: dict[str, Any] = json.loads(ran.out)
    return document


def between(ends: list[float]) -> str:
    """An interval as the screens have it."""
    return f"{duration_text(ends[0])} to {duration_text(ends[1])}"


def test_an_estimate_tells_its_interval(run: Run, unsure: tuple[str, str]) -> None:
    document = document_of(run("estimate", "hook.gcode", *unsure, "--json"))
    (job,) = document["jobs"]
    low, high = document["interval_s"]
    assert job["interval_s"] == [low, high]
    assert low < job["total_s"] < high
    assert document["draws"] == {"draws": 200, "seed": 1}
    assert document["machine"]["ranges"]["motion.travel_acceleration_mm_s2"] == {
        "low": 500.0,
        "likely": 800.0,
        "high": 1000.0,
    }
    screen = run("estimate", "hook.gcode", *unsure)
    told = f"hook.gcode  {duration_text(job['total_s'])} ({between([low, high])}, since 2 values are given as ranges)"
    assert told in screen.out.splitlines()
    for change in document["if_you_change_one_thing"][:3]:
        assert f", {between(change['saved_interval_s'])})" in screen.out
    two = run("estimate", "hook.gcode", "bracket.gcode", *unsure).out
    assert "all 2 jobs" in two
    one = run("estimate", "hook.gcode", "--machine", "middling", *RANGE).out
    assert "since 1 value is given as a range)" in one


@pytest.mark.parametrize(
    "words",
    [
        ("estimate", "hook.gcode", "bracket.gcode"),
        ("estimate", "hook.gcode", "--json"),
        ("compare", "hook.gcode", *BRISK, "--json"),
        ("compare", "hook.gcode", *BRISK),
        ("sweep", "hook.gcode", *SPEED, "--json"),
    ],
    ids=" ".join,
)
def test_the_same_seed_gives_the_same_bytes(run: Run, unsure: tuple[str, str], words: tuple[str, ...]) -> None:
    first, again, other, fewer = (
        run(*words, *unsure, *more) for more in (("--seed", "3"), ("--seed", "3"), ("--seed", "4"), ("--draws", "30"))
    )
    assert first.status == 0, first.err
    assert first.out == again.out
    assert other.status == fewer.status == 0
    if "--json" in words:
        assert len({first.out, other.out, fewer.out}) == 3


def test_a_comparison_tells_both_intervals(run: Run, unsure: tuple[str, str]) -> None:
    document = document_of(run("compare", "hook.gcode", *unsure, *BRISK, "--json"))
    before, brisk = document["rows"]
    assert before["saved_interval_s"] == [0.0, 0.0]
    low, high = brisk["saved_interval_s"]
    assert low < brisk["saved_s"] < high
    assert document["totals"][1]["saved_interval_s"] == [low, high]
    table = run("compare", "hook.gcode", *unsure, *BRISK)
    heads, first, second = rows_of(table.out)
    assert heads == ["candidate", "job", "time", "95 % of times", "saved", "95 %", "share", "main cause"]
    assert first[3:6] == [between(before["interval_s"]), "", ""]
    assert second[3] == between(brisk["interval_s"])
    assert second[5] == between([low, high])
    assert "95 % lie between, of 200 draws from the ranges" in table.out


def test_a_sweep_has_two_more_columns(run: Run, unsure: tuple[str, str], folder: Path) -> None:
    document = document_of(run("sweep", "hook.gcode", *unsure, *SPEED, "--json"))
    for row in document["rows"]:
        assert row["low_s"] < row["total_s"] < row["high_s"]
    ran = run("sweep", "hook.gcode", "bracket.gcode", *unsure, *SPEED, "-o", "rows.csv")
    assert ran.status == 0, ran.err
    with open("rows.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["speed", "job", "total_s", "low_s", "high_s", "within_caps", "stopped_by"]
    assert [float(row["low_s"]) for row in rows if row["job"] == "hook.gcode"] == [
        row["low_s"] for row in document["rows"]
    ]
    table = rows_of(run("sweep", "hook.gcode", *unsure, *SPEED).out)
    first = document["rows"][0]
    assert table[0][:4] == ["speed", "job", "time", "95 % of times"]
    assert table[1][3] == between([first["low_s"], first["high_s"]])


def test_a_sweep_with_intervals_goes_on_where_it_was_left(run: Run, unsure: tuple[str, str], folder: Path) -> None:
    words = ("sweep", "hook.gcode", *unsure, "--vary", "speed=1,1.5,2", "-o", "rows.csv", "--json")
    whole = document_of(run(*words))
    content = (folder / "rows.csv").read_bytes()
    lines = content.splitlines(keepends=True)

    class Broken(BaseException):
        """Stands for a process that ends."""

    with pytest.MonkeyPatch.context() as patch:
        from kinematics.studies import sweep_file

        written: list[object] = []

        def once(self: sweep_file.SweepFile, rows: object, write: Any = sweep_file.SweepFile.write) -> None:
            if written:
                raise Broken
            written.append(rows)
            write(self, rows)

        patch.setattr(sweep_file.SweepFile, "write", once)
        with pytest.raises(Broken):
            run(*words, "--force")
    (folder / "rows.csv").unlink()
    assert (folder / "rows.csv.partial").read_bytes() == b"".join(lines[:2])
    ran = run(*words)
    assert "1 of 3 candidates are done already" in ran.err
    assert document_of(ran)["rows"] == whole["rows"]
    assert (folder / "rows.csv").read_bytes() == content


def test_no_range_no_interval(run: Run, folder: Path) -> None:
    for words in (
        ("estimate", "hook.gcode"),
        ("compare", "hook.gcode", *BRISK),
        ("sweep", "hook.gcode", *SPEED),
        ("sweep", "hook.gcode", *RANGE, "--vary", "acceleration=500,900"),
    ):
        document = run(*words, "--machine", "middling", "--json").out
        assert '"total_s"' in document
        assert not any(word in document for word in ("interval", '"draws"', "low_s", "high_s"))
        screen = run(*words, "--machine", "middling")
        assert "95 %" not in screen.out.replace("95% from", "") + screen.err


def test_draws_must_be_enough(run: Run, folder: Path) -> None:
    assert run("estimate", "hook.gcode", "--draws", "5").status == 2
    assert run("estimate", "hook.gcode", "--seed", "-1").status == 2


def test_a_machine_is_shown_with_its_ranges(run: Run, unsure: tuple[str, str]) -> None:
    shown = run("machine", "show", unsure[1]).out.splitlines()
    assert "motion.print_acceleration_mm_s2\t600 (300 to 1500)\tunsure.toml:4" in shown
    rows = {row["key"]: row["value"] for row in document_of(run("machine", "show", unsure[1], "--json"))["rows"]}
    assert rows["motion.print_acceleration_mm_s2"] == {"low": 300.0, "likely": 600.0, "high": 1500.0}
    assert run("machine", "check", unsure[1]).status == 0
