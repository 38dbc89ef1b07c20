"""Limits stated in jobs, block delete and dialect tables, on the command line."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from kinematics.machine import load_machine
from tests.cli.conftest import Ran, Run

TABLE = Path(__file__).resolve().parents[2] / "sample_gcode" / "shop_dialect.toml"
LINES = "".join(f"G1 X{40 * (i % 2)} Y{5 * i} E{i} F9000\n" for i in range(1, 21))
STATED = "M204 P300 T700\nM203 X120\nM205 E5 B9\n" + LINES
SILENT = LINES
DELETED = LINES + "/G1 X100 F600\n/G4 S30\nG1 X0\n"
# What the invented controller of the table understands beside G-code.
OWN_WORDS = f"""\
EASE on; ramp 9
EASE slow ramp 150 rounding 40
{LINES}
PACE 50%
REST 7.5
FETCH SOMEBODY
M872
LAMP on
M203 X3000
M880 A400 Q35
{LINES}
"""


@pytest.fixture
def jobs(folder: Path) -> Path:
    """The folder of the run with a few jobs more."""
    for name, text in {"stated": STATED, "silent": SILENT, "deleted": DELETED, "own": OWN_WORDS}.items():
        (folder / f"{name}.gcode").write_text(text)
    return folder


def document_of(ran: Ran) -> dict[str, Any]:
    assert ran.status == 0, ran.err
    document: dict[str, Any] = json.loads(ran.out)
    return document


# ---- estimate ---------------------------------------------------------------------------------------------------


def test_without_a_machine_the_limits_of_the_job_hold(jobs: Path, run: Run) -> None:
    """No span of three machines: the job says what the machine may."""
    document = document_of(run("estimate", "stated.gcode", "--json"))
    assert "span" not in document
    assert document["machine"]["machine"]["name"] == "the limits that the jobs state"
    (job,) = document["jobs"]
    assert {row["limit"]: (row["value"], row["line"], row["count"]) for row in job["stated_limits"]} == {
        "motion.print_acceleration_mm_s2": (300.0, 1, 1),
        "motion.travel_acceleration_mm_s2": (700.0, 1, 1),
        "axes.x.max_speed_mm_s": (120.0, 2, 1),
        "motion.extruder_step_mm_s": (5.0, 3, 1),
    }
    never_at_full_speed = math.sqrt(300.0 * math.hypot(40.0, 5.0))
    assert job["peak_speed_mm_s"] == pytest.approx(never_at_full_speed, rel=1e-3)
    assert any("M205 B states no limit" in warning["text"] for warning in job["warnings"])
    screen = run("estimate", "stated.gcode").out
    assert "on the limits that the jobs state" in screen
    assert "limits stated in the job, 4 times" in screen
    assert "no machine was given" not in screen
    not_given = next((line for line in screen.splitlines() if line.startswith("limits not given")), "")
    assert "axes.x.max_speed_mm_s" not in not_given


def test_three_machines_where_a_job_states_nothing_or_is_not_heeded(jobs: Path, run: Run) -> None:
    for arguments in (
        ("silent.gcode",),
        ("stated.gcode", "silent.gcode"),
        ("stated.gcode", "--file-limits", "ignore"),
    ):
        assert [row["machine"] for row in document_of(run("estimate", *arguments, "--json"))["span"]] == [
            "gentle",
            "middling",
            "quick",
        ]


def test_honour_ignore_and_cap(jobs: Path, run: Run) -> None:
    """The machine's own 5000 are higher, and 100 lower, than the 300 that the job states."""

    def total(mode: str, own: int, job: str = "stated.gcode") -> float:
        setting = f"motion.print_acceleration_mm_s2={own}, axes.x.max_speed_mm_s=120, motion.extruder_step_mm_s=5"
        arguments = ("--machine", "middling", "--set", setting, "--file-limits", mode, "--json")
        return float(document_of(run("estimate", job, *arguments))["total_s"])

    for mode, own, same in (
        ("honour", 5000, 300),
        ("honour", 100, 300),
        ("ignore", 5000, 5000),
        ("ignore", 100, 100),
        ("cap", 5000, 300),
        ("cap", 100, 100),
    ):
        assert total(mode, own) == pytest.approx(total("ignore", same, "silent.gcode"), rel=1e-12), (mode, own)


def test_a_mode_that_there_is_not(jobs: Path, run: Run) -> None:
    ran = run("estimate", "stated.gcode", "--file-limits", "obey")
    assert ran.status == 2
    assert "honour" in ran.err


def test_the_one_change_starts_from_what_held(jobs: Path, run: Run) -> None:
    document = document_of(run("estimate", "stated.gcode", "--json"))
    (change,) = [
        row for row in document["if_you_change_one_thing"] if row["limit"].endswith("print_acceleration_mm_s2")
    ]
    assert change["from"] == 300.0


# ---- compare ----------------------------------------------------------------------------------------------------


def test_compare_says_what_it_silences(jobs: Path, run: Run) -> None:
    arguments = ("compare", "stated.gcode", "--machine", "middling", "--candidate", "brisk: acceleration=3000")
    document = document_of(run(*arguments, "--json"))
    assert document["commands_silenced"] == {"brisk": 1}
    before, after = (row["total_s"] for row in document["rows"])
    assert after < 0.9 * before
    ran = run(*arguments)
    line = "brisk: 1 commands in the jobs that state a limit which it varies were silenced"
    assert line in ran.out
    ignoring = run(*arguments, "--file-limits", "ignore")
    assert "silenced" not in ignoring.err
    faster = run("compare", "stated.gcode", "--machine", "middling", "--candidate", "f: speed=1.2")
    assert "silenced" not in faster.err


# ---- machine new --from -----------------------------------------------------------------------------------------


def test_a_machine_file_from_a_job(jobs: Path, run: Run) -> None:
    ran = run("machine", "new", "own.toml", "--from", "stated.gcode", "--name", "Bench A")
    assert ran.status == 0, ran.err
    assert "with the limits that stated.gcode states (4)" in ran.out
    machine = load_machine("own.toml")
    assert machine.name == "Bench A"
    assert machine.motion.print_acceleration_mm_s2 == 300.0
    assert machine.motion.travel_acceleration_mm_s2 == 700.0
    assert machine.axes.x.max_speed_mm_s == 120.0
    assert machine.motion.extruder_step_mm_s == 5.0
    assert "stated in the job, line 2" in (jobs / "own.toml").read_text()
    # The job under its own limits, said by itself or by the file.
    by_file = document_of(run("estimate", "stated.gcode", "--machine", "own.toml", "--file-limits", "ignore", "--json"))
    by_itself = document_of(run("estimate", "stated.gcode", "--json"))
    assert by_file["total_s"] == pytest.approx(by_itself["total_s"], rel=1e-12)
    assert run("machine", "new", "own.toml", "--from", "stated.gcode").status == 2  # there already


def test_a_machine_file_from_a_job_that_states_none(jobs: Path, run: Run) -> None:
    ran = run("machine", "new", "own.toml", "--from", "silent.gcode")
    assert ran.status == 2
    assert "silent.gcode: states no limits" in ran.err
    assert not (jobs / "own.toml").exists()


def test_a_machine_file_from_a_job_in_a_dialect(jobs: Path, run: Run) -> None:
    ran = run("machine", "new", "own.toml", "--from", "own.gcode", "--dialect", str(TABLE))
    assert ran.status == 0, ran.err
    machine = load_machine("own.toml")
    assert machine.motion.print_acceleration_mm_s2 == 400.0  # M880 A, after EASE
    assert machine.motion.travel_acceleration_mm_s2 == 150.0
    assert machine.motion.junction_deviation_mm == pytest.approx(0.04)
    assert machine.axes.x.max_speed_mm_s == pytest.approx(50.0)


# ---- block delete and dialects ----------------------------------------------------------------------------------


def test_block_delete(jobs: Path, run: Run) -> None:
    arguments = ("estimate", "deleted.gcode", "--machine", "middling", "--json")
    whole = document_of(run(*arguments))
    short = document_of(run(*arguments, "--block-delete"))
    assert whole["jobs"][0]["dwell_s"] == 30.0
    assert short["jobs"][0]["dwell_s"] == 0.0
    assert whole["jobs"][0]["moves"] == short["jobs"][0]["moves"] + 2
    assert whole["total_s"] > short["total_s"] + 30.0
    for command in ("compare", "estimate"):
        assert "--block-delete" in run(command, "--help").out
    compared = run(
        *("compare", "deleted.gcode", "--machine", "middling", "--block-delete", "--json"),
        *("--candidate", "same: acceleration=1500"),
    )
    assert document_of(compared)["rows"][0]["total_s"] == pytest.approx(short["total_s"])


def test_a_dialect_table(jobs: Path, run: Run) -> None:
    """The co-op's own table: text commands, words of its own, axis speeds in mm a minute."""
    arguments = ("estimate", "own.gcode", "--machine", "middling", "--json")
    plain = document_of(run(*arguments))["jobs"][0]
    told = document_of(run(*arguments, "--dialect", str(TABLE)))["jobs"][0]
    assert told["dwell_s"] == 7.5
    assert plain["dwell_s"] == 0.0
    assert {row["limit"]: row["value"] for row in told["stated_limits"]} == {
        "motion.print_acceleration_mm_s2": 400.0,
        "motion.travel_acceleration_mm_s2": 150.0,
        "motion.junction_deviation_mm": pytest.approx(0.04),
        "axes.x.max_speed_mm_s": pytest.approx(50.0),
        "filament.pressure_advance_s": pytest.approx(0.035),
    }
    whats = " ".join(stop["what"] for stop in told["unknown_stops"]) + " ".join(told["stops_by_kind_s"])
    assert "pause" in whats
    assert "probing" in whats
    texts = {warning["line"]: warning["count"] for warning in told["warnings"] if "no G-code" in warning["text"]}
    assert texts == {1: 1}  # EASE on, its ramp behind a comment mark
    lost = [row["count"] for row in plain["warnings"] if "no G-code" in row["text"] or "damaged" in row["text"]]
    assert sum(lost) == 6
    assert told["total_s"] > plain["total_s"] + 7.5


def test_a_dialect_that_there_is_not(jobs: Path, run: Run) -> None:
    ran = run("estimate", "own.gcode", "--dialect", "extrusoin")
    assert ran.status == 2
    assert "did you mean 'extrusion'?" in ran.err
    ran = run("estimate", "own.gcode", "--dialect", "no_such.toml")
    assert ran.status == 2
    assert "no_such.toml" in ran.err
    (jobs / "wrong.toml").write_text('[words]\n"M900" = "no efect on time"\n')
    ran = run("estimate", "own.gcode", "--dialect", "wrong.toml")
    assert ran.status == 2
    assert "wrong.toml:2" in ran.err
    assert "did you mean 'no effect on time'?" in ran.err
