"""Lists of jobs: what stands in a table is added to what is named, and what is wrong has its line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run


def test_a_list_names_jobs_beside_itself_and_how_often_each_is_printed(run: Run, folder: Path) -> None:
    (folder / "list").mkdir()
    (folder / "hook.gcode").rename(folder / "list" / "hook.gcode")
    (folder / "list" / "jobs.csv").write_text("job;prints\nhook.gcode;2,5\nbracket.gcode;\n")
    listed = run("ladder", "--jobs", "list/jobs.csv", "--machine", "gentle", "--json")
    named = ("list/hook.gcode", "bracket.gcode", "--machine", "gentle", "--json", "--prints", "list/hook.gcode=2.5")
    assert listed.status == 0, listed.err
    assert json.loads(listed.out) == json.loads(run("ladder", *named).out)


def test_a_list_comes_behind_what_is_named(run: Run, folder: Path) -> None:
    (folder / "jobs.csv").write_text("job\nhook.gcode\n")
    told = json.loads(run("estimate", "bracket.gcode", "--jobs", "jobs.csv", "--machine", "quick", "--json").out)
    assert [job["file"] for job in told["jobs"]] == ["bracket.gcode", "hook.gcode"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "job\nhok.gcode\n",
            "jobs.csv:2: there is no file 'hok.gcode'; allowed: a G-code file beside the list (did you",
        ),
        ("job\nhook.gcode\nhook.gcode\n", "jobs.csv:3: 'hook.gcode' stands in line 2 already; allowed: each job once"),
        ("job,prints\nhook.gcode,-1\n", "jobs.csv:2: prints is '-1'; allowed: a number above 0"),
        ("job,copies\nhook.gcode,2\n", "jobs.csv:1: no column is called 'copies'; allowed: job, prints"),
        ("job,prints\n,3\n", "jobs.csv:2: no job; allowed: a G-code file, in column job"),
        ("job\n", "jobs.csv: no jobs in this list"),
    ],
)
def test_what_is_wrong_in_a_list_has_its_line(run: Run, folder: Path, text: str, told: str) -> None:
    (folder / "jobs.csv").write_text(text)
    ran = run("ladder", "--jobs", "jobs.csv", "--machine", "gentle")
    assert (ran.status, told in ran.err) == (2, True), ran.err


def test_prints_are_no_column_where_each_job_counts_once(run: Run, folder: Path) -> None:
    (folder / "jobs.csv").write_text("job,prints\nhook.gcode,2\n")
    ran = run("estimate", "--jobs", "jobs.csv")
    assert (ran.status, "no column is called 'prints'; allowed: job" in ran.err) == (2, True)


def test_a_list_is_never_overwritten(run: Run, folder: Path) -> None:
    (folder / "jobs.csv").write_text("job\nhook.gcode\n")
    ran = run("estimate", "--jobs", "jobs.csv", "--output", "jobs.csv", "--force")
    assert (ran.status, "this file is read by the same command" in ran.err) == (2, True)


def test_without_any_job_the_command_says_so(run: Run) -> None:
    for command in (("estimate",), ("sweep", "--vary", "acceleration=1,2"), ("ladder",), ("compare",)):
        ran = run(*command)
        assert (ran.status, "Missing argument 'JOB…'" in ran.err) == (2, True), ran.err


def test_workers_and_a_cluster_are_one_too_many_and_pipes_are_not_shared(run: Run) -> None:
    both = run("estimate", "hook.gcode", "--workers", "2", "--cluster", "tcp://127.0.0.1:9")
    assert (both.status, "--workers is given as well; allowed: one of them" in both.err) == (2, True)
    piped = run("estimate", "-", "--workers", "2")
    assert (piped.status, "-: what can be read but once, as a pipe, cannot be shared" in piped.err) == (2, True)


@pytest.mark.parametrize("name", ["rows.csv", "rows.parquet"])
def test_rows_are_written_for_every_job(run: Run, folder: Path, name: str) -> None:
    import pandas

    ran = run("estimate", "hook.gcode", "bracket.gcode", "--machine", "quick", "--output", name, "--json")
    told = json.loads(ran.out)
    read = pandas.read_csv if name.endswith("csv") else pandas.read_parquet
    rows = read(folder / name)
    assert rows["file"].tolist() == ["hook.gcode", "bracket.gcode"]
    assert rows["total_s"].tolist() == [job["total_s"] for job in told["jobs"]]
    assert "2 rows in rows" in ran.err
    assert run("estimate", "hook.gcode", "--output", name).status == 2
