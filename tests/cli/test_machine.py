"""`kinematics machine new | show | check`."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from kinematics.machine import BUILTIN_NAMES, load_machine
from tests.cli.conftest import Ran, Run

SLIP = "[axes.x]\nmax_speed_mm_s = 18000.0\n"


def document_of(ran: Ran) -> dict[str, Any]:
    """The one document of a run with --json."""
    document: dict[str, Any] = json.loads(ran.out)
    return document


@pytest.mark.parametrize("name", BUILTIN_NAMES)
def test_show(run: Run, name: str) -> None:
    ran = run("machine", "show", name)
    document = document_of(run("machine", "show", name, "--json"))
    shown = list(csv.DictReader(io.StringIO(ran.out), delimiter="\t"))
    assert list(shown[0]) == ["key", "value", "from"]
    assert [(row["key"], row["from"]) for row in shown] == [(row["key"], row["from"]) for row in document["rows"]]
    by_key = {row["key"]: row for row in document["rows"]}
    assert by_key["motion.print_acceleration_mm_s2"]["from"] == f"built-in {name}"
    assert by_key["motion.short_run_mm"] == {"key": "motion.short_run_mm", "value": 0.05, "from": "default"}
    assert by_key["motion.speed_cap_mm_s"]["from"] == "not given"
    machine = load_machine(name)
    assert all(row["value"] == machine.value_of(row["key"]) for row in document["rows"])
    assert document["machine"] == machine.as_dict()
    assert document["limits_not_given"] == machine.limits_not_given()


def test_show_says_where_every_value_comes_from(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text("[motion]\nprint_acceleration_mm_s2 = 900\n[hotend]\nmax_flow_mm3_s = 7\n")
    ran = run("machine", "show", "bench.toml", "--set", "flow=9", "--json")
    rows = {row["key"]: (row["value"], row["from"]) for row in document_of(ran)["rows"]}
    assert rows["motion.print_acceleration_mm_s2"] == (900.0, "bench.toml:2")
    assert rows["hotend.max_flow_mm3_s"] == (9.0, "--set")
    assert rows["motion.travel_acceleration_mm_s2"] == (800.0, "default")
    assert rows["axes.x.max_speed_mm_s"] == (None, "not given")
    shown = run("machine", "show", "bench.toml").out
    assert "axes.x.max_speed_mm_s\tno limit\tnot given" in shown


def test_check_says_yes(run: Run) -> None:
    for name in BUILTIN_NAMES:
        ran = run("machine", "check", name)
        assert ran.status == 0
        assert "doubtful" not in ran.out
        assert document_of(run("machine", "check", name, "--json"))["doubtful"] == []


def test_check_says_no(run: Run, folder: Path) -> None:
    (folder / "slip.toml").write_text(SLIP)
    ran = run("machine", "check", "slip.toml")
    assert ran.status == 1
    assert "doubtful: axes.x.max_speed_mm_s = 18000" in ran.out
    assert "mm/min" in ran.out
    assert "not in the machine file, so taken as no limit: axes.x.max_acceleration_mm_s2" in ran.out
    document = run("machine", "check", "slip.toml", "--json")
    assert document.status == 1
    doubtful = document_of(document)["doubtful"]
    assert all(f"doubtful: {one}" in ran.out for one in doubtful)
    assert run("machine", "check", "slip.toml", "--set", "axes.x.max_speed_mm_s=180").status == 0
    # doubtful is not forbidden
    assert run("estimate", "hook.gcode", "--machine", "slip.toml").status == 0


@pytest.mark.parametrize("like", BUILTIN_NAMES)
def test_new(run: Run, folder: Path, like: str) -> None:
    ran = run("machine", "new", "mine.toml", "--name", 'The "tall" one', "--bed", "200 x 210 x 220", "--like", like)
    assert ran.status == 0
    assert "mine.toml written" in ran.out
    tables = tomllib.loads((folder / "mine.toml").read_text(encoding="utf-8"))
    assert tables["machine"]["name"] == 'The "tall" one'
    assert tables["machine"]["bed_mm"] == [200, 210, 220]
    assert run("machine", "check", "mine.toml").status == 0
    written, original = load_machine("mine.toml"), load_machine(like)
    for key in ("motion.print_acceleration_mm_s2", "axes.y.max_speed_mm_s", "hotend.max_flow_mm3_s"):
        assert written.value_of(key) == original.value_of(key)
    timed = document_of(run("estimate", "bracket.gcode", "--machine", "mine.toml", "--json"))["total_s"]
    assert timed == document_of(run("estimate", "bracket.gcode", "--machine", like, "--json"))["total_s"]
    assert "next: kinematics estimate JOB --machine mine.toml" in ran.out


def test_new_without_a_terminal_takes_the_defaults(run: Run, folder: Path) -> None:
    assert run("machine", "new", "mine.toml").status == 0
    assert load_machine("mine.toml").name == "My printer"
    assert sorted(path.name for path in folder.iterdir()) == ["bracket.gcode", "hook.gcode", "mine.toml"]


def test_new_asks_on_a_terminal(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    typed = io.TextIOWrapper(io.BytesIO(b"Corner bench\n\nquick\n"))
    monkeypatch.setattr(typed, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys, "stdin", typed)
    ran = run("machine", "new", "mine.toml")
    assert ran.status == 0, ran.err
    assert "What do you call the printer?" in ran.err
    assert "What do you call" not in ran.out
    machine = load_machine("mine.toml")
    assert machine.name == "Corner bench"
    assert machine.value_of("machine.bed_mm") == [215.0, 225.0, 235.0]
    assert machine.value_of("hotend.max_flow_mm3_s") == load_machine("quick").value_of("hotend.max_flow_mm3_s")


def test_new_is_interrupted_while_asking(run: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    typed = io.TextIOWrapper(io.BytesIO(b""))
    monkeypatch.setattr(typed, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys, "stdin", typed)
    assert run("machine", "new", "mine.toml").status == 130
    assert not (folder / "mine.toml").exists()


def test_new_overwrites_when_told(run: Run, folder: Path) -> None:
    (folder / "mine.toml").write_text("old")
    assert run("machine", "new", "mine.toml", "--force", "--name", "New").status == 0
    assert load_machine("mine.toml").name == "New"


def test_new_asks_again_after_a_wrong_answer(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    typed = io.TextIOWrapper(io.BytesIO(b"  \nCorner bench\nlarge\n220 by 220\n220 x 210 x 240\nquik\nquick\n"))
    monkeypatch.setattr(typed, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys, "stdin", typed)
    ran = run("machine", "new", "mine.toml")
    assert ran.status == 0, ran.err
    assert ran.err.count("How large may a print be") == 3
    assert ran.err.count("Which is it most like") == 2
    assert "did you mean 'quick'?" in ran.err
    assert load_machine("mine.toml").value_of("machine.bed_mm") == [220.0, 210.0, 240.0]


def test_a_bed_of_22_mm_is_doubted(run: Run, folder: Path) -> None:
    ran = run("machine", "new", "mine.toml", "--bed", "22 22 24", "--name", "Bench")
    assert ran.status == 0
    assert "doubtful: machine.bed_mm = 22 is below 60: is it in mm, not cm?" in ran.out
    checked = run("machine", "check", "mine.toml")
    assert checked.status == 1
    assert checked.out.count("machine.bed_mm = 22 ") == 1  # told once of two sides alike
    assert "machine.bed_mm = 24 is below 60" in checked.out
    assert run("machine", "check", "mine.toml", "--set", "machine.bed_mm=[220, 220, 240]").status == 0


def test_the_quick_machine_has_a_crossed_belt() -> None:
    """Along a diagonal one motor of the two moves the head alone, at √2 times its speed."""
    import math

    import numpy as np

    from kinematics.machine.mechanisms import mechanism_of

    quick = load_machine("quick")
    assert quick.value_of("machine.mechanism") == "crossed-belt"
    diagonal = np.array([[math.sqrt(0.5)], [math.sqrt(0.5)], [0.0]])
    a, b, _ = mechanism_of(quick).motor_speeds(diagonal, np.zeros((3, 1)))[:, 0]
    assert (a, b) == pytest.approx((math.sqrt(2.0), 0.0))
    assert {name: motor.max_speed_mm_s for name, motor in quick.motors.items()} == {"a": 650.0, "b": 650.0}
