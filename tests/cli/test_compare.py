"""`kinematics compare`: candidates against the machine as it is."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from kinematics.reports.screens import CAUTION
from kinematics.wording import duration_text
from tests.cli.conftest import ROOT, Ran, Run, rows_of, run_apart, table_of

ROW_KEYS = {"candidate", "job", "total_s", "saved_s", "saved_share", "cause"}
BRISK = ("--candidate", "brisk: acceleration=4000, speed=1.5")
NO_COOLING = ("--set", "cooling.shortest_layer_s=0")  # which would take back what is saved in short layers
SLOW = ("--candidate", "slow: motion.feed_override=0.5")
OWN = """\
[machine]
name = "Bench"
[axes.x]
max_speed_mm_s = 200.0
[[candidate]]
name = "cautious"
set = { "motion.print_acceleration_mm_s2" = 300, speed = 0.8 }
[[candidate]]
name = "sharp corners"
set = { corner = 0.2 }
"""


def document_of(ran: Ran) -> dict[str, Any]:
    """The one document of a run with --json."""
    assert ran.status == 0, ran.err
    document: dict[str, Any] = json.loads(ran.out)
    return document


def test_rows(run: Run) -> None:
    document = document_of(
        run("compare", "bracket.gcode", "hook.gcode", "--machine", "middling", *NO_COOLING, *BRISK, *SLOW, "--json")
    )
    rows = document["rows"]
    assert document["schema_version"] == 1
    assert [(row["candidate"], row["job"]) for row in rows] == [
        (candidate, job) for candidate in ("as it is", "brisk", "slow") for job in ("bracket.gcode", "hook.gcode")
    ]
    before = {row["job"]: row["total_s"] for row in rows[:2]}
    for row in rows:
        assert row.keys() >= ROW_KEYS
        assert row["saved_s"] == pytest.approx(before[row["job"]] - row["total_s"], abs=1e-9)
        assert row["saved_share"] == pytest.approx(row["saved_s"] / before[row["job"]], abs=1e-12)
        assert row["cause"].endswith("%)")
    assert all(row["saved_s"] == 0.0 for row in rows[:2])
    assert all(row["saved_s"] > 0.0 for row in rows[2:4])
    assert all(row["saved_s"] < 0.0 for row in rows[4:])
    totals = {row["candidate"]: row for row in document["totals"]}
    for name in ("as it is", "brisk", "slow"):
        mine = [row for row in rows if row["candidate"] == name]
        assert totals[name]["total_s"] == pytest.approx(sum(row["total_s"] for row in mine))
        assert totals[name]["saved_s"] == pytest.approx(sum(row["saved_s"] for row in mine), abs=1e-9)


def test_every_row_is_the_estimate_of_that_machine(run: Run) -> None:
    rows = document_of(run("compare", "bracket.gcode", "--machine", "gentle", *BRISK, "--json"))["rows"]
    asked = ("estimate", "bracket.gcode", "--machine", "gentle", "--json")
    assert rows[0]["total_s"] == document_of(run(*asked))["total_s"]
    changed = document_of(run(*asked, "--set", "acceleration=4000, speed=1.5"))
    assert rows[1]["total_s"] == changed["total_s"]
    first = changed["jobs"][0]["where_the_time_goes"][0]
    assert rows[1]["cause"] == f"{first['cause']} ({first['share']:.0%})"


def test_in_a_pipe_the_rows_are_separated_by_tabs(run: Run) -> None:
    ran = run("compare", "bracket.gcode", "--machine", "gentle", *BRISK, *SLOW)
    document = document_of(run("compare", "bracket.gcode", "--machine", "gentle", *BRISK, *SLOW, "--json"))
    rows = table_of(ran.out)
    assert list(rows[0]) == ["candidate", "job", "time", "saved", "share", "main cause"]
    assert len(rows) == 3
    for shown, row in zip(rows, document["rows"], strict=True):
        assert (shown["candidate"], shown["job"]) == (row["candidate"], row["job"])
        assert shown["time"] == duration_text(row["total_s"])
        assert shown["saved"] == ("" if row["saved_s"] == 0 else duration_text(row["saved_s"]))
        assert shown["main cause"] == row["cause"]
    assert ran.out.splitlines()[-1] == CAUTION


def test_several_jobs_get_rows_of_totals(run: Run) -> None:
    ran = run("compare", "bracket.gcode", "hook.gcode", "--machine", "gentle", *BRISK)
    rows = table_of(ran.out)
    document = document_of(run("compare", "bracket.gcode", "hook.gcode", "--machine", "gentle", *BRISK, "--json"))
    assert [row["time"] for row in rows if row["job"] == "all jobs"] == [
        duration_text(row["total_s"]) for row in document["totals"]
    ]


def test_candidates_of_the_machine_file_come_first(run: Run, folder: Path) -> None:
    (folder / "own.toml").write_text(OWN)
    document = document_of(run("compare", "bracket.gcode", "--machine", "own.toml", *BRISK, "--json"))
    assert [one["name"] for one in document["candidates"]] == ["cautious", "sharp corners", "brisk"]
    assert document["candidates"][0]["set"] == {"motion.print_acceleration_mm_s2": 300, "speed": 0.8}
    assert [row["candidate"] for row in document["rows"]] == ["as it is", "cautious", "sharp corners", "brisk"]
    saved = [row["saved_s"] for row in document["rows"]]
    assert saved[1] < 0.0 < saved[2] < saved[3]
    assert len(document_of(run("compare", "bracket.gcode", "--machine", "own.toml", "--json"))["rows"]) == 3


def test_settings_hold_for_every_candidate(run: Run) -> None:
    base = ("compare", "bracket.gcode", "--machine", "quick", *BRISK, "--json")
    plain = document_of(run(*base))["rows"]
    capped = document_of(run(*base, "--set", "motion.speed_cap_mm_s=20"))["rows"]
    assert all(after["total_s"] > before["total_s"] for before, after in zip(plain, capped, strict=True))


def test_without_a_machine_a_built_in_one_stands_in_and_it_says_so(run: Run) -> None:
    ran = run("compare", "bracket.gcode", *BRISK)
    assert ran.status == 0
    assert "no machine given" in ran.err
    assert "middling" in ran.err
    quiet = run("compare", "bracket.gcode", *BRISK, "--json")
    assert quiet.err == "" or quiet.err.startswith("first run")
    assert document_of(quiet)["machine"]["machine"]["name"] == "Middling"


def test_warnings_of_jobs_are_told(run: Run, folder: Path) -> None:
    (folder / "odd.gcode").write_text("hello\nG1 X50 E1 F3000\n")
    ran = run("compare", "odd.gcode", "bracket.gcode", "--machine", "quick", *BRISK)
    assert "odd.gcode: 1 warning:" in ran.out
    document = document_of(run("compare", "odd.gcode", "bracket.gcode", "--machine", "quick", *BRISK, "--json"))
    assert [one["line"] for one in document["warnings"]["odd.gcode"]] == [1]
    assert document["warnings"]["bracket.gcode"] == []


def test_the_same_job_twice_counts_twice(run: Run) -> None:
    rows = document_of(run("compare", "hook.gcode", "hook.gcode", "--machine", "quick", *BRISK, "--json"))
    assert rows["totals"][0]["total_s"] == pytest.approx(2 * rows["rows"][0]["total_s"])


def test_whoever_reads_may_go_away(folder: Path) -> None:
    import subprocess
    import sys

    command = f"{sys.executable} -m kinematics compare bracket.gcode --machine quick --candidate 'b: speed=2' --json"
    done = subprocess.run(
        ["bash", "-c", f"{command} | head -c 1"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.stdout == "{"
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


def test_as_a_process_of_its_own(folder: Path) -> None:
    ran = run_apart("compare", "-", "--machine", "quick", *BRISK, stdin=b"G1 X50 E1 F3000\n")
    assert ran.status == 0
    assert rows_of(ran.out)[1][:2] == ["as it is", "-"]


def test_a_limit_that_is_never_reached_is_said(run: Run, folder: Path) -> None:
    (folder / "shuttle.gcode").write_text(
        "M83\n" + "".join(f"G1 X{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(40))
    )
    words = ["shuttle.gcode", "--machine", "gentle", "--set", "hotend.max_flow_mm3_s=1e6", "--candidate"]
    ran = run("compare", *words, "fast: acceleration=7000")
    assert (
        "fast: print acceleration 7,000 mm/s² is never reached; what holds:\n  x axis acceleration at 1,000" in ran.out
    )
    (held,) = json.loads(run("compare", *words, "fast: acceleration=7000", "--json").out)["limits_raised"]
    assert held["candidate"] == "fast"
    assert held["never_reached"] is True
    assert held["held_by"][0]["limit"] == "axes.x.max_acceleration_mm_s2"
    assert held["with_those_lifted_total_s"] > 0.0
    swept = run("sweep", *words[:-1], "--vary", "acceleration=500:7000:3")
    assert "print acceleration 7,000 mm/s² is never reached; what holds:" in swept.out


def test_detail_tells_the_parts_of_the_time(run: Run) -> None:
    words = ["hook.gcode", "--machine", "gentle", "--candidate", "fast: acceleration=7000"]
    (first, _) = table_of(run("compare", *words, "--detail").out)
    assert {"motion", "heating", "homing", "cooling", "rules"} <= first.keys()
    assert "motion" not in table_of(run("compare", *words).out)[0]
    document = json.loads(run("compare", *words, "--json").out)
    for row in document["rows"]:
        parts = row["motion_s"] + row["dwell_s"] + sum(row["stops_by_kind_s"].values()) + row["cooling_s"]
        assert parts == pytest.approx(row["total_s"])
    assert [one["prints"] for one in document["throughput"]] == sorted(one["prints"] for one in document["throughput"])
