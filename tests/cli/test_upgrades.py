"""`kinematics upgrades`: which upgrade pays, and when."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kinematics.business import upgrades
from kinematics.jobs.prepared import PreparedJob
from kinematics.studies.intervals import DRAWN_TOGETHER
from tests.cli.conftest import INTERRUPTED, Run, interrupting, rows_of

OWN = """\
[hotend]
max_flow_mm3_s = 60.0
[economy]
machine_cost_per_hour = 0.60
labour_cost_per_hour = 18.0
discount_rate = 0.05
currency = "EUR"
[[upgrade]]
name = "melt zone"
price = 68.0
fitting_hours = 1.5
set = { flow = 90 }
[[upgrade]]
name = "brisk"
fitting_hours = 0.1
set = { acceleration = 4000, speed = 1.5 }
"""
ROW_KEYS = {"upgrade", "saved_s", "saved_share", "price", "saving_per_month", "payback_months", "npv", "irr"}
BASE = ("upgrades", "bracket.gcode", "hook.gcode", "--machine", "own.toml")


@pytest.fixture
def own(folder: Path) -> Path:
    (folder / "own.toml").write_text(OWN)
    return folder


def test_rows_are_differences_of_estimates(run: Run, own: Path) -> None:
    ran = run(*BASE, "--per-month", "40", "--json")
    assert ran.status == 0, ran.err
    document = json.loads(ran.out)
    rows = {row["upgrade"]: row for row in document["rows"]}
    assert all(row.keys() >= ROW_KEYS for row in rows.values())
    ask = ("estimate", "bracket.gcode", "hook.gcode", "--machine", "own.toml", "--json")
    before = json.loads(run(*ask).out)["total_s"]
    after = json.loads(run(*ask, "--set", "acceleration=4000, speed=1.5").out)["total_s"]
    assert rows["brisk"]["saved_s"] == pytest.approx(before - after, abs=1e-9)
    assert rows["brisk"]["saved_share"] == pytest.approx((before - after) / before)
    assert rows["brisk"]["saving_per_month"] == pytest.approx(40 * (before - after) / 3600 * 0.6)
    assert rows["melt zone"]["payback_months"] is None
    assert rows["melt zone"]["npv"] == pytest.approx(-95.0)
    assert rows["melt zone"]["irr"] is None
    assert document["prints_assumed"] is False


def test_how_often_each_job_is_printed(run: Run, own: Path) -> None:
    def prints(*more: str) -> list[float]:
        return [one["per_month"] for one in json.loads(run(*BASE, "--json", *more).out)["prints"]]

    assert prints() == [30.0, 30.0]
    assert json.loads(run(*BASE, "--json").out)["prints_assumed"] is True
    assert prints("--per-month", "4", "--per-month", "hook.gcode=100") == [4.0, 100.0]
    assert prints("--set", "economy.prints_per_month=7", "--per-month", "hook.gcode=1") == [7.0, 1.0]


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (("often",), "'often' is not a number of prints; allowed: a number, 0 or more"),
        (("-3",), "'-3' is not a number"),
        (("nan",), "'nan' is not a number"),
        (("hok.gcode=3",), "'hok.gcode' is not one of the jobs; allowed: bracket.gcode, hook.gcode (did you mean"),
        (("3", "4"), "every other job is given twice"),
    ],
)
def test_what_is_no_number_of_prints_is_told(run: Run, own: Path, texts: tuple[str, ...], words: str) -> None:
    ran = run(*BASE, *(part for text in texts for part in ("--per-month", text)))
    assert ran.status == 2
    assert words in ran.err


def test_in_a_pipe_there_are_tabs_and_all_of_it_is_the_answer(run: Run, own: Path) -> None:
    ran = run(*BASE, "--detail")
    heads, *rows = rows_of(ran.out)
    assert heads == [
        "upgrade", "price, EUR", "hours to fit", "time saved a month", "share", "saves a month, EUR", "pays in",
        "npv, EUR", "irr",
    ]  # fmt: skip
    assert [row[0] for row in rows] == ["A brisk", "B melt zone"]
    assert "one of each a day is assumed; --per-month tells" in ran.out
    assert "melt zone does nothing for these jobs: they are held back by" in ran.out
    assert "npv" not in run(*BASE).out


def test_without_upgrades_or_a_machine_it_says_what_to_do(run: Run, own: Path) -> None:
    assert "--machine FILE, a file with [[upgrade]] blocks" in run("upgrades", "hook.gcode").err
    ran = run("upgrades", "hook.gcode", "--machine", "quick")
    assert ran.status == 2
    assert "built-in quick: the machine has no upgrades; allowed: [[upgrade]] blocks" in ran.err


RANGED = ("--set", "hotend.max_flow_mm3_s={low=40, likely=60, high=70}", "--draws", "2000")


def test_combinations_that_are_timed_are_told(run: Run, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupted before the two together, each alone is told as ever; before that nothing is."""
    whole = {row["upgrade"]: row for row in json.loads(run(*BASE, "--json").out)["rows"]}
    timed = upgrades.time_job
    monkeypatch.setattr(upgrades, "time_job", interrupting(3 * 2, timed))
    ran = run(*BASE, "--json")
    assert ran.status == INTERRUPTED
    assert "interrupted: this is from the 2 of 3 upgrades and combinations timed by then" in ran.err
    rows = {row["upgrade"]: row for row in json.loads(ran.out)["rows"]}
    assert rows == {name: whole[name] for name in ("melt zone", "brisk")}
    monkeypatch.setattr(upgrades, "time_job", interrupting(2 * 2, timed))
    ran = run(*BASE)
    assert (ran.status, ran.out, ran.err.splitlines()[-1]) == (INTERRUPTED, "", "kinematics: interrupted")


def test_draws_that_are_made_are_told(run: Run, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = PreparedJob.totals_later
    monkeypatch.setattr(PreparedJob, "totals_later", interrupting(2 * 3, drawn))
    ran = run(*BASE, *RANGED, "--json")
    assert ran.status == INTERRUPTED
    made = json.loads(ran.out)["draws"]["draws"]
    assert f"this answer is from the {made:,} of 2,000 draws made by then" in ran.err
    assert made == 3 * DRAWN_TOGETHER
    monkeypatch.setattr(PreparedJob, "totals_later", interrupting(0, drawn))
    ran = run(*BASE, *RANGED, "--json")
    assert (ran.status, json.loads(ran.out).get("draws")) == (INTERRUPTED, None)
    assert ran.err.endswith("interrupted: this is without what the machine's ranges leave open\n")
