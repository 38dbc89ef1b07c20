"""Ctrl-C in long work keeps what is done: fewer draws, fewer runs, changes that were tried by then."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from kinematics.business import bedful, runs, sums
from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.prepared import PreparedJob
from kinematics.studies import intervals, knees, ladder
from kinematics.studies.intervals import DRAWN_TOGETHER, Sampling, shares_of
from tests.cli.conftest import BRACKET, HOOK, INTERRUPTED, Run, interrupting

RANGES = (
    "--machine",
    "quick",
    "--set",
    "motion.print_acceleration_mm_s2={low=2000, likely=3000, high=5000}",
    "--set",
    "motion.feed_override={low=0.5, likely=1, high=2}",
)


@pytest.mark.parametrize("words", [("estimate",), ("compare", "--candidate", "a: speed=1.1"), ("ladder",)])
def test_draws_that_are_done_are_told(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, words: Any) -> None:
    (folder / "job.gcode").write_text(BRACKET)
    monkeypatch.setattr(PreparedJob, "totals_later", interrupting(3, PreparedJob.totals_later))
    ran = run(words[0], "job.gcode", *words[1:], *RANGES, "--draws", "2000", "--json")
    assert ran.status == INTERRUPTED
    told = re.search(r"interrupted: this answer is from the (\d+) of 2,000 draws made by then", ran.err)
    assert told
    assert int(told[1]) in (2 * DRAWN_TOGETHER, 3 * DRAWN_TOGETHER)  # a ladder asks for something else first
    assert json.loads(ran.out)["draws"]["draws"] == int(told[1])


def test_fewer_draws_in_the_midst_of_a_candidate(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They are the first of those that were asked for, of the machine as it is and of all candidates."""
    (folder / "job.gcode").write_text(BRACKET)
    words = ("compare", "job.gcode", "--candidate", "a: speed=1.1", "--candidate", "b: speed=1.2", *RANGES)
    monkeypatch.setattr(PreparedJob, "totals_later", interrupting(8 + 1, PreparedJob.totals_later))
    ran = run(*words, "--draws", "2000", "--json")
    assert ran.status == INTERRUPTED
    assert json.loads(ran.out)["draws"]["draws"] == DRAWN_TOGETHER
    assert (shares_of("a", Sampling(2000))[:40] == shares_of("a", Sampling(40, 1, 2000))[:40]).all()


def test_too_few_draws_tell_nothing(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "job.gcode").write_text(BRACKET)
    monkeypatch.setattr(intervals, "DRAWN_TOGETHER", 50)
    monkeypatch.setattr(PreparedJob, "totals_later", interrupting(1, PreparedJob.totals_later))
    ran = run("estimate", "job.gcode", *RANGES)
    assert (ran.status, ran.out) == (INTERRUPTED, "")


@pytest.mark.parametrize(
    ("after", "says", "effects"),
    [(5, "with 5 runs of each rule", 0), (27, "with 20 runs of each rule", 0), (80 + 4, "20 runs", 0), (160, "20", 1)],
    ids=["among the first runs", "in the second rule", "in the first change", "after it"],
)
def test_a_shop_that_is_interrupted(
    run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch, after: int, says: str, effects: int
) -> None:
    (folder / "hook.gcode").write_text(HOOK)
    (folder / "orders.csv").write_text("order,job,quantity\nhooks,hook.gcode,6\nmore,hook.gcode,3\n")
    (folder / "printers.csv").write_text("name,machine\nLeft,quick\nRight,gentle\n")
    words = ("shop", "orders.csv", "--printers", "printers.csv", "--start", "2026-03-02", "--candidate", "a: speed=1.1")
    risky = ("--set", "economy.failed_share=0.2")
    monkeypatch.setattr(sums, "simulate", interrupting(after, sums.simulate))
    ran = run(*words, *risky, "--json")
    assert ran.status == INTERRUPTED, ran.err
    assert says in ran.err
    document = json.loads(ran.out)
    assert len(document["effects"]) == effects
    assert document["bottleneck"]["what"] == runs.NOT_LOOKED_FOR
    monkeypatch.setattr(sums, "simulate", interrupting(after, interrupting(10**6, sums.simulate)))
    shown = run(*words, *risky)
    assert "bottleneck: not looked for" in shown.out


def test_a_ladder_before_steps_are_known(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It tells what raising everything would bring, and nothing of what was asked beside."""
    (folder / "job.gcode").write_text(BRACKET)
    words = ("ladder", "job.gcode", "--machine", "gentle", "--allow", "quality", "--until", "1 s", "--claim", "9m=3m")
    whole = json.loads(run(*words, "--json").out)
    monkeypatch.setattr(WeightedJobs, "weighted", interrupting(3, WeightedJobs.weighted))
    ran = run(*words, "--json")
    assert (ran.status, ran.err.splitlines()[-1]) == (
        INTERRUPTED,
        "kinematics: interrupted: no step was known by then; this is now, and all limits as far as they go",
    )
    document = json.loads(ran.out)
    same = ("total_s", "everything_at_its_reach_total_s", "floor_s")
    assert [document[key] for key in same] == [whole[key] for key in same]
    assert (document["rows"], document["reached"], document["claim"]) == ([], None, None)
    monkeypatch.setattr(WeightedJobs, "weighted", interrupting(3, interrupting(10**6, WeightedJobs.weighted)))
    assert "no step was looked at: all limits as far as they go save" in run(*words).out


def test_a_ladder_among_its_steps(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The steps that were looked at are those of the whole ladder."""
    (folder / "job.gcode").write_text(BRACKET)
    words = ("ladder", "job.gcode", "--machine", "gentle", "--allow", "quality", "--json")
    whole = json.loads(run(*words).out)
    steps = len(whole["rows"])
    assert steps > 1
    monkeypatch.setattr(ladder, "changed_shares", interrupting(0, ladder.changed_shares))
    assert json.loads(run(*words).out)["rows"] == []
    monkeypatch.setattr(ladder, "_raised", interrupting(1, ladder._raised))
    ran = run(*words)
    assert ran.status == INTERRUPTED
    assert f"interrupted: these are the 1 of {steps} steps looked at by then" in ran.err
    document = json.loads(ran.out)
    (row,) = document["rows"]
    assert row == whole["rows"][0] | {"left_out_total_s": whole["total_s"]}
    assert document["end_total_s"] == row["total_s"]


def test_rows_of_a_sweep_are_told_without_knees(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "job.gcode").write_text(BRACKET)
    words = ("sweep", "job.gcode", "--vary", "speed=1,2", "--vary", "acceleration=500,900", "--json")
    whole = json.loads(run(*words).out)
    monkeypatch.setattr(knees, "knees_of", interrupting(0, knees.knees_of))
    ran = run(*words)
    assert ran.status == INTERRUPTED
    assert ran.err.endswith("interrupted: every row is done, but not where all knobs stop paying\n")
    document = json.loads(ran.out)
    assert document["rows"] == whole["rows"]
    assert (document["knee"], sorted(whole["knee"])) == ({}, ["acceleration", "speed"])


def test_bedfuls_that_are_done_are_told(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("one", "two"):
        (folder / f"{name}.gcode").write_text(BRACKET)
    monkeypatch.setattr(bedful, "bedful_of", interrupting(1, bedful.bedful_of))
    ran = run("bedful", "one.gcode", "two.gcode", "--machine", "quick")
    assert ran.status == INTERRUPTED
    assert "interrupted: these are the 1 of 2 jobs done by then" in ran.err
    assert "one.gcode" in ran.out
    assert "two.gcode" not in ran.out
