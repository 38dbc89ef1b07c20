"""Caps on the command line: materials, what limits are worth, and one clear sentence for each that cannot be."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Run, rows_of
from tests.cli.test_bad_input import assert_findings, files_of

BENCH = """\
[machine]
name = "Bench A"
[axes.x]
max_acceleration_mm_s2 = 2500.0
moving_mass_kg = 0.5
friction_n = 1.0
[axes.e]
max_speed_mm_s = 40.0
[motors.x]
torque_nm = [[0, 0.40], [600, 0.34], [1500, 0.18]]
mm_per_rev = 40.0
rotor_inertia_kg_m2 = 5.4e-6
usable_torque_share = 0.5
[vibration.x]
modes = [{ frequency_hz = 48.2, damping_ratio = 0.07, frequency_uncertainty_share = 0.1 }]
filter = "ZVD"
[quality]
rounding_budget_mm = 0.1
ringing_budget_mm = 0.02
[controller]
moves_per_s = 1500.0
[filament]
pressure_advance_s = 0.035
[hotend]
max_flow_mm3_s = [[200, 9.0], [220, 12.0]]
[[material]]
name = "soft"
set = { "hotend.max_flow_mm3_s" = 0.5 }
"""


@pytest.fixture
def bench(folder: Path) -> str:
    (folder / "bench.toml").write_text(BENCH)
    return "bench.toml"


def document(run: Run, *arguments: str) -> dict[str, Any]:
    """The document of a run with --json."""
    ran = run(*arguments, "--json")
    assert ran.status == 0, ran.err
    found: dict[str, Any] = json.loads(ran.out)
    return found


def test_a_material_holds_for_one_run(run: Run, bench: str) -> None:
    asked = ("estimate", "hook.gcode", "--machine", bench)
    plain, soft = document(run, *asked), document(run, *asked, "--material", "soft")
    assert soft["machine"]["hotend"]["max_flow_mm3_s"] == 0.5
    assert soft["total_s"] > plain["total_s"]
    by_key = document(run, *asked, "--set", "hotend.max_flow_mm3_s=0.5")
    assert by_key["total_s"] == soft["total_s"]
    screen = run(*asked, "--material", "soft").out
    assert "on Bench A with soft" in screen
    assert "--material soft" in screen
    compared = run("compare", "hook.gcode", "--machine", bench, "--material", "soft", "--candidate", "b: speed=2")
    assert compared.status == 0
    assert_findings(run(*asked, "--material", "sofd"), "--material: no material 'sofd'", "did you mean 'soft'?")
    words = ("--material: no machine to change", "allowed: --material together with --machine")
    assert_findings(run("estimate", "hook.gcode", "--material", "soft"), *words)


def test_what_each_limit_is_worth(run: Run, bench: str) -> None:
    """The table and the document tell the same; a limit without which nothing holds a move is told in words."""
    asked = ("estimate", "hook.gcode", "--machine", bench)
    (job,) = document(run, *asked)["jobs"]
    buys = {row["limit"]: row["seconds"] for row in job["what_one_percent_buys"]}
    lifted = {row["limit"]: row for row in job["if_lifted"]}
    assert list(buys) == list(lifted)
    assert list(buys.values()) == sorted(buys.values(), reverse=True)
    assert max(buys.values()) > 0.0
    expected = {
        "the job", "motion.print_acceleration_mm_s2", "motion.junction_deviation_mm", "motors.x.torque_nm",
        "quality.rounding_budget_mm", "quality.ringing_budget_mm", "controller.moves_per_s",
        "filament.pressure_advance_s", "hotend.max_flow_mm3_s", "axes.x.max_acceleration_mm_s2",
    }  # fmt: skip
    assert expected <= buys.keys()
    for row in lifted.values():
        assert row["unbounded"] == (row["total_s"] is None)
        assert row["unbounded"] or row["total_s"] <= job["total_s"] * (1.0 + 1e-9), row
    assert lifted["retraction.acceleration_mm_s2"]["unbounded"]
    assert not lifted["the job"]["unbounded"]  # the controller still takes in so many moves a second
    screen = run(*asked, "--limits").out
    heads, *rows = rows_of(screen)
    assert heads == ["limit", "key", "1 % more saves", "time without it"]
    told = {row[1]: row[3] for row in rows}
    assert list(told) == [key for key in buys if key in told]  # in the same order
    assert [key for key, words in told.items() if words == "no other limit"] == [
        key for key, row in lifted.items() if row["unbounded"]
    ]
    (below,) = [line for line in screen.splitlines() if line.startswith("more of these, or none of them, changes")]
    idle = below.partition(": ")[2].split(", ")
    assert idle == [key for key in buys if key not in told]
    assert all(abs(buys[key]) < 0.05 and abs(lifted[key]["total_s"] - job["total_s"]) < 0.05 for key in idle)


# What is written in place of a line of the bench, and what must be said of it.
BROKEN: list[tuple[str, str, tuple[str, ...]]] = [
    ("frequency_hz = 48.2", "frequency_hz = 0", ("bad.toml:15: ", "frequency_hz = 0", "allowed: a number above 0")),
    ("damping_ratio = 0.07", "damping_ratio = 1", ("bad.toml:15: ", "damping_ratio = 1", "from 0 on, below 1")),
    ("damping_ratio = 0.07", "damping_ratio = -0.1", ("bad.toml:15: ", "damping_ratio = -0.1", "from 0 on, below 1")),
    ("rounding_budget_mm = 0.1", "rounding_budget_mm = 0", ("bad.toml:18: quality.rounding_budget_mm = 0", "above 0")),
    ("ringing_budget_mm = 0.02", "ringing_budget_mm = 0", ("bad.toml:19: quality.ringing_budget_mm = 0", "above 0")),
    ("moves_per_s = 1500.0", "moves_per_s = 0", ("bad.toml:21: controller.moves_per_s = 0", "above 0")),
    ("pressure_advance_s = 0.035", "pressure_advance_s = -1", ("bad.toml:23: filament.pressure_advance_s = -1",)),
    ('filter = "ZVD"', 'filter = "ZVX"', ("bad.toml:16: ", '"ZVX"', "ZVDD")),
    ("usable_torque_share = 0.5", "usable_torque_share = 1.5", ("bad.toml:13: ", "1.5", "above 0, 1 at most")),
    ("[600, 0.34], [1500", "[600, 0.34], [300", ("bad.toml:10: ", "rev/min must rise", "300 stands after 600")),
    ("[200, 9.0], [220, 12.0]", "[220, 9.0], [200, 12.0]", ("bad.toml:25: ", "rising", "200")),
    (
        "max_acceleration_mm_s2 = 2500.0",
        "max_acceleration_mm_s2 = 0",
        ("bad.toml:4: axes.x.max_acceleration_mm_s2 = 0", "leave the key out for no limit"),
    ),
    (
        '[machine]\nname = "Bench A"',
        '[machine]\nname = "Bench A"\nmechanism = "linear-delta"\ndelta = { arm_mm = 90, tower_radius_mm = 125 }',
        ("machine.delta.arm_mm = 90 does not reach the middle, 125 mm from every tower", "motors.x is no motor of"),
    ),
    (
        "[quality]",
        "[motion]\njunction_deviation_mm = 0.05\nspeed_step_mm_s = { x = 8 }\n[quality]",
        ("both motion.junction_deviation_mm and motion.speed_step_mm_s are given", "a machine has one corner rule"),
    ),
]
# The same, of what shows only when the numbers are put to use.
USELESS: list[tuple[str, str, tuple[str, ...]]] = [
    (
        "[[0, 0.40], [600, 0.34], [1500, 0.18]]",
        "[[0, 0.004], [1500, 0.001]]",
        (
            "motors.x.torque_nm: at rest motor x may be asked for 0.3142 N, and 1 N of friction hold it",
            "allowed: torque",
        ),
    ),
    (
        "moving_mass_kg = 0.5",
        "moving_mass_kg = 0",
        (),
    ),
    (
        'modes = [{ frequency_hz = 48.2, damping_ratio = 0.07, frequency_uncertainty_share = 0.1 }]\nfilter = "ZVD"',
        'filter = "ZVD"',
        ('vibration.x.filter: "ZVD" is named without a frequency', "allowed: vibration.x.filter_frequency_hz"),
    ),
]


@pytest.mark.parametrize(("line", "instead", "words"), BROKEN, ids=[case[1].split("\n")[-1] for case in BROKEN])
def test_numbers_that_cannot_be(run: Run, folder: Path, line: str, instead: str, words: tuple[str, ...]) -> None:
    """Refused when the file is read, each with its line, by every command alike."""
    assert BENCH.count(line) == 1
    (folder / "bad.toml").write_text(BENCH.replace(line, instead))
    before = files_of(folder)
    assert_findings(run("estimate", "hook.gcode", "--machine", "bad.toml"), *words)
    assert_findings(run("machine", "check", "bad.toml"), *words)
    assert_findings(run("estimate", "hook.gcode", "--machine", "bad.toml", "--json"), *words)
    assert files_of(folder) == before


@pytest.mark.parametrize(("line", "instead", "words"), USELESS, ids=[case[1] for case in USELESS])
def test_numbers_that_move_nothing(run: Run, folder: Path, line: str, instead: str, words: tuple[str, ...]) -> None:
    """Told once they are put to use; without an inertia either, a motor that moves no mass is told too."""
    assert BENCH.count(line) == 1
    text = BENCH.replace(line, instead)
    if not words:
        text = text.replace("rotor_inertia_kg_m2 = 5.4e-6", "rotor_inertia_kg_m2 = 0")
        words = ("motors.x.torque_nm: motor x moves no mass, and its rotor has no inertia", "above 0")
    (folder / "bad.toml").write_text(text)
    assert_findings(run("estimate", "hook.gcode", "--machine", "bad.toml"), *words)
    assert_findings(run("compare", "hook.gcode", "--machine", "bad.toml", "--candidate", "b: speed=2"), *words)
