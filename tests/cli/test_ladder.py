"""`kinematics ladder`: its screen, its document, its files, and when it says no."""

from __future__ import annotations

import json
import shlex
import tomllib
from pathlib import Path

import pytest

import kinematics
from kinematics.machine import load_machine
from tests.cli.conftest import Run, table_of

SHUTTLE = "M83\n" + "".join(f"G1 X{10 * ((i + 1) % 2)} E0.4 F300000\n" for i in range(40))
MACHINE = """\
# of the co-op
[machine]
name = "Bench"

[motion]
print_acceleration_mm_s2 = 1000.0   # gentle
travel_acceleration_mm_s2 = 1000.0

[axes.x]
max_acceleration_mm_s2 = 1000.0
"""


@pytest.fixture
def bench(folder: Path) -> str:
    (folder / "bench.toml").write_text(MACHINE)
    (folder / "shuttle.gcode").write_text(SHUTTLE)
    return "bench.toml"


def test_the_screen(run: Run, bench: str) -> None:
    ran = run("ladder", "shuttle.gcode", "--machine", bench)
    assert ran.status == 0
    assert ran.out.startswith("shuttle.gcode on Bench: ")
    rows = table_of(ran.out)
    assert [row[""] for row in rows] == ["1", "1"]
    assert [row["kind"] for row in rows] == ["setting", "setting*"]
    assert rows[0]["raise"].startswith("print acceleration 1,000 to ")
    assert "print acceleration alone, on the machine as it is, saves nothing" in ran.out
    assert "ask the manufacturer" in ran.out
    assert "left out, you end at: " in ran.out


def test_the_document_sums_up(run: Run, bench: str) -> None:
    ran = run("ladder", "shuttle.gcode", "--machine", bench, "--claim", "30m=7m", "--json")
    document = json.loads(ran.out)
    rows = document["rows"]
    assert sum(row["saved_s"] for row in rows) == pytest.approx(document["total_s"] - rows[-1]["total_s"])
    (row,) = rows
    assert row["raised"].keys() == row["from"].keys() == row["set"].keys()
    assert row["from"] == dict.fromkeys(row["from"], 1000.0)
    assert row["kind"] == "setting without cap"
    assert row["left_out_total_s"] == pytest.approx(document["total_s"])
    assert document["floor_s"] == document["fixed_s"] == 0.0
    assert document["claim"]["before_in_reach"] is False
    assert document["claim"]["reached_at_rung"] == 0
    settings = [word for key, value in row["set"].items() for word in ("--set", f"{key}={value}")]
    planned = json.loads(run("estimate", "shuttle.gcode", "--machine", bench, *settings, "--json").out)
    assert planned["total_s"] == pytest.approx(row["total_s"], rel=1e-9)


def test_a_time_that_is_not_reached_is_a_no(run: Run, bench: str) -> None:
    assert run("ladder", "shuttle.gcode", "--machine", bench, "--until", "6s").status == 0
    ran = run("ladder", "shuttle.gcode", "--machine", bench, "--until", "0.1s")
    assert ran.status == 1
    assert "0.1 s is not reached" in ran.out


def test_steps_become_candidates_of_a_copy(run: Run, bench: str, folder: Path) -> None:
    ran = run("ladder", "shuttle.gcode", "--machine", bench, "--write-machine", "copy.toml")
    assert ran.status == 0
    text = (folder / "copy.toml").read_text()
    assert text.startswith(MACHINE.rstrip())
    (candidate,) = tomllib.loads(text)["candidate"]
    assert candidate["name"] == "step 1: print acceleration"
    assert load_machine(str(folder / "copy.toml")).candidates[0].name == candidate["name"]
    assert (folder / bench).read_text() == MACHINE
    assert run("ladder", "shuttle.gcode", "--machine", bench, "--write-machine", "copy.toml").status == 2
    assert run("ladder", "shuttle.gcode", "--machine", bench, "--write-machine", bench, "--force").status == 2


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_staircase_is_drawn_the_same_twice(run: Run, bench: str, folder: Path, kind: str) -> None:
    for name in ("one", "two"):
        assert run("ladder", "shuttle.gcode", "--machine", bench, "--picture", f"{name}.{kind}").status == 0
    assert (folder / f"one.{kind}").read_bytes() == (folder / f"two.{kind}").read_bytes()
    if kind == "svg":
        assert "x axis acceleration" in (folder / "one.svg").read_text()


@pytest.mark.parametrize(
    "arguments",
    [
        ("--reach", "acceleration"),
        ("--reach", "acceleration=-5"),
        ("--reach", "flow=20"),
        ("--claim", "30m"),
        ("--until", "soon"),
        ("--keep", "nothing of the kind"),
        ("--prints", "other.gcode=2"),
        ("--picture", "stairs.gif"),
    ],
    ids=" ".join,
)
def test_what_cannot_be_is_said(run: Run, bench: str, arguments: tuple[str, ...]) -> None:
    ran = run("ladder", "shuttle.gcode", "--machine", bench, *arguments)
    assert ran.status == 2
    assert "kinematics: " in ran.err
    assert not ran.out


def test_layers_that_wait(run: Run, bench: str, folder: Path) -> None:
    layers = "".join(f"G1 Z{0.2 * i:.1f} F600\nG1 X{10 * (i % 2)} E0.4 F6000\n" for i in range(1, 30))
    (folder / "pin.gcode").write_text("M83\n" + layers)
    ran = run("ladder", "pin.gcode", "--machine", bench, "--set", "cooling.shortest_layer_s=20")
    assert ran.status == 0
    assert "no step is worth it" in ran.out
    assert "held by cooling: shortest layer time" in ran.out
    assert "--allow quality" in ran.out


def test_the_next_command_is_this_one_again(run: Run, bench: str, folder: Path) -> None:
    options = ["--reach", "acceleration=4000", "--only", "setting", "--set", "axes.y.max_speed_mm_s=90"]
    ran = run("ladder", "shuttle.gcode", "--machine", bench, *options)
    (line,) = (line for line in ran.out.splitlines() if line.startswith("next: "))
    words = shlex.split(line.removeprefix("next: kinematics "))
    assert words[:4] == ["ladder", "shuttle.gcode", "--machine", bench]
    assert set(options) <= set(words)
    again = run(*words)
    assert again.status == 0
    assert again.out.splitlines()[:4] == ran.out.splitlines()[:4]
    assert (folder / "ladder.toml").exists()


def test_prints_a_day_of_copies(run: Run, bench: str) -> None:
    ran = run("ladder", "shuttle.gcode", "--machine", bench, "--set", "machine.bed_mm=[200,200,200]", "--copies", "2")
    assert ran.status == 0
    assert "prints of 2 copies a day around the clock, 10 min 00 s between two: now " in ran.out
    assert "now: " in ran.out


BUDGETS = """
[quality]
rounding_budget_mm = 0.05
ringing_budget_mm = 0.02

[vibration.x]
modes = [{ frequency_hz = 40.0, damping_ratio = 0.05 }]
filter = "ZVD"
"""
WORDS = """\
[[write]]
means = "print acceleration"
text = "RAMP {value}"
unit = "mm/s2"
"""


def test_what_to_type_after_all_steps(run: Run, bench: str, folder: Path) -> None:
    """Set by hand on the machine of the last step, budgets off, it gives the same time and stays inside both."""
    (folder / bench).write_text(MACHINE + BUDGETS)
    (folder / "turns.gcode").write_text("M83\n" + "G1 X20 E1 F9000\nG1 Y20 E1\nG1 X0 E1\nG1 Y0 E1\n" * 20)
    (folder / "words.toml").write_text(WORDS)
    arguments = ("ladder", "turns.gcode", "--machine", bench, "--dialect", "words.toml", "--write-settings")
    found = json.loads(run(*arguments, "--json").out)
    typed = found["to_type"]
    settings = {key: value for row in found["rows"] for key, value in row["set"].items()}
    if found["small_steps"] is not None:
        settings |= found["small_steps"]["set"]
    assert settings
    end = load_machine(folder / bench).with_settings(settings | typed["set"], "by hand")
    free = end.with_settings({"quality.rounding_budget_mm": None, "quality.ringing_budget_mm": None}, "by hand")
    job = folder / "turns.gcode"
    assert kinematics.estimate(job, free).total_s == pytest.approx(typed["total_s"], rel=1e-9)
    assert kinematics.rounding(job, free).worst_mm == pytest.approx(typed["rounding_mm"], rel=1e-9)
    assert kinematics.rounding(job, free).worst_mm <= 0.05
    assert max(axis.by_one_kick_mm for axis in kinematics.ringing(job, free).axes) <= 0.02
    value = typed["set"]["motion.print_acceleration_mm_s2"]
    assert found["commands"] == [f"RAMP {value:g}"]
    screen = run(*arguments).out
    assert f"with all steps, to type into your controller: print acceleration {value:,.0f} mm/s²" in screen
    assert f"  RAMP {value:g}\n" in screen


def test_without_a_budget_there_is_nothing_to_type(run: Run, bench: str) -> None:
    assert json.loads(run("ladder", "shuttle.gcode", "--machine", bench, "--json").out)["to_type"] is None
    ran = run("ladder", "shuttle.gcode", "--machine", bench, "--write-settings")
    assert ran.status == 2
    assert "no budget that a job could use up" in ran.err
