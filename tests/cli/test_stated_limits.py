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
STATED = "G28\nM204 P300 T700\nM203 X120\nM205 E5 B9\n" + LINES
SILENT = "G28\n" + LINES
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


BUILT_IN = ["gentle", "middling", "quick"]


def test_without_a_machine_the_limits_of_the_job_hold_on_all_three(jobs: Path, run: Run) -> None:
    """A job that states a limit or two says nothing of homing and heating: these stay, and so does the span."""
    document = document_of(run("estimate", "stated.gcode", "--json"))
    for job, name in zip(document["jobs"], BUILT_IN, strict=True):
        assert {row["limit"]: (row["value"], row["line"], row["count"]) for row in job["stated_limits"]} == {
            "motion.print_acceleration_mm_s2": (300.0, 2, 1),
            "motion.travel_acceleration_mm_s2": (700.0, 2, 1),
            "axes.x.max_speed_mm_s": (120.0, 3, 1),
            "motion.extruder_step_mm_s": (5.0, 4, 1),
        }
        assert job["machine"] == name
        alone = document_of(run("estimate", "stated.gcode", "--machine", name, "--json"))
        assert {"machine": name} | alone["jobs"][0] == job
        assert job["stops_by_kind_s"]["homing"] == load_machine(name).stops.homing_s
        never_at_full_speed = math.sqrt(300.0 * math.hypot(40.0, 5.0))
        assert job["peak_speed_mm_s"] <= never_at_full_speed * 1.001
        assert any("M205 B states no limit" in warning["text"] for warning in job["warnings"])
    totals = [job["total_s"] for job in document["jobs"]]
    assert document["total_s"] is None
    assert document["span_s"] == [min(totals), max(totals)]
    screen = run("estimate", "stated.gcode").out
    assert "no machine was given, so three were timed" in screen
    assert "limits stated in the job hold on all three" in screen
    assert "limits stated in the job, 4 times" in screen
    ignored = run("estimate", "stated.gcode", "--file-limits", "ignore").out
    assert "hold on all three" not in ignored
    assert "hold on all three" not in run("estimate", "silent.gcode").out


def test_one_entry_a_job_and_machine(jobs: Path, run: Run) -> None:
    document = document_of(run("estimate", "stated.gcode", "silent.gcode", "--json"))
    rows = [(row["machine"], row["file"]) for row in document["jobs"]]
    assert rows == [(name, file) for name in BUILT_IN for file in ("stated.gcode", "silent.gcode")]
    sums = [sum(row["total_s"] for row in document["jobs"] if row["machine"] == name) for name in BUILT_IN]
    assert document["span_s"] == [pytest.approx(min(sums)), pytest.approx(max(sums))]
    assert [row["total_s"] for row in document["span"]] == [pytest.approx(one) for one in sums]
    assert all(row["what_one_percent_buys"] for row in document["jobs"])


def test_an_acceleration_is_never_assumed_without_a_word(jobs: Path, run: Run) -> None:
    """What the job states for every move need not be assumed, nor what no move asks for."""
    (jobs / "bare.toml").write_text('[machine]\nname = "Bare"\n')

    def assumed(*arguments: str) -> dict[str, float]:
        (job,) = document_of(run("estimate", *arguments, "--json"))["jobs"]
        return {row["limit"]: row["value"] for row in job["assumed_limits"]}

    print_key = "motion.print_acceleration_mm_s2"
    assert assumed("silent.gcode", "--machine", "bare.toml") == {print_key: 600.0}
    assert assumed("stated.gcode", "--machine", "bare.toml") == {}
    assert assumed("stated.gcode", "--machine", "bare.toml", "--file-limits", "ignore") == {print_key: 600.0}
    assert assumed("silent.gcode", "--machine", "bare.toml", "--set", "acceleration=700") == {}
    assert assumed("silent.gcode", "--machine", "middling") == {}
    screen = run("estimate", "hook.gcode", "--machine", "bare.toml").out
    assert "acceleration assumed, none given: prints 600, travels 800, extruder 800 mm/s²" in screen
    assert "assumed, none given" not in run("estimate", "hook.gcode", "--machine", "middling").out
    told = run("machine", "new", "own.toml", "--from", "stated.gcode", "--name", "Bench A").err
    assert "acceleration assumed, none given: extruder 800 mm/s²" in told


CHANGING = f"""\
M204 P300
{"".join(f"G1 X{40 * (i % 2)} Y{5 * i} E{i} F9000{chr(10)}" for i in range(1, 21))}
M204 P900
{"".join(f"G1 X{40 * (i % 2)} Y{5 * i} E{20 + i} F9000{chr(10)}" for i in range(1, 9))}
M204 P5000
"""


def test_the_value_that_held_for_most_of_the_print_counts(jobs: Path, run: Run) -> None:
    (jobs / "changing.gcode").write_text(CHANGING)
    (job,) = document_of(run("estimate", "changing.gcode", "--machine", "middling", "--json"))["jobs"]
    (row,) = job["stated_limits"]
    assert (row["value"], row["line"], row["count"]) == (300.0, 1, 3)
    assert [(other["value"], other["line"]) for other in row["others"]] == [(900.0, 23), (5000.0, 33)]
    shares = [row["share_of_printed_path"], *(other["share_of_printed_path"] for other in row["others"])]
    assert sum(shares) == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)
    assert shares[2] == 0.0
    held = "300 for 68% of the print, also 900, 5,000"
    assert held in run("estimate", "changing.gcode", "--machine", "middling").out
    assert run("machine", "new", "own.toml", "--from", "changing.gcode", "--name", "Bench A").status == 0
    assert load_machine("own.toml").motion.print_acceleration_mm_s2 == 300.0
    assert held.removeprefix("300 ") in (jobs / "own.toml").read_text()


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
    document = document_of(run("estimate", "stated.gcode", "--machine", "middling", "--json"))
    (change,) = [
        row for row in document["if_you_change_one_thing"] if row["limit"].endswith("print_acceleration_mm_s2")
    ]
    assert change["from"] == 300.0
    # One value held all along: to silence it, and say the same oneself, brings nothing.
    assert change["commands_silenced"] == 1
    assert change["saved_by_silencing_s"] == pytest.approx(0.0, abs=1e-9)
    assert "silencing" not in run("estimate", "stated.gcode", "--machine", "middling").out


def test_one_change_says_apart_what_silencing_and_raising_bring(jobs: Path, run: Run) -> None:
    """300 all along in place of 300 and 900: that alone costs time."""
    (jobs / "changing.gcode").write_text(CHANGING)
    arguments = ("estimate", "changing.gcode", "--machine", "middling")
    document = document_of(run(*arguments, "--json"))
    (change,) = [row for row in document["if_you_change_one_thing"] if row["from"] == 300.0]
    total, key = document["total_s"], "motion.print_acceleration_mm_s2"

    def at(value: float) -> float:
        told = run(*arguments, "--file-limits", "ignore", "--set", f"{key}={value}", "--json")
        return float(document_of(told)["total_s"])

    assert change["commands_silenced"] == 3
    assert change["saved_by_silencing_s"] == pytest.approx(total - at(300.0))
    assert change["saved_by_silencing_s"] < -1.0
    assert change["saved_s"] == pytest.approx(total - at(450.0))
    costs = f"{-change['saved_by_silencing_s']:.1f} s"
    raised = f"{change['saved_s'] - change['saved_by_silencing_s']:.1f} s"
    line = f"silencing 3 commands in the job costs {costs}, the raise itself saves {raised}"
    assert line in run(*arguments).out
    assert "silencing" not in run(*arguments, "--file-limits", "ignore").out


# ---- compare ----------------------------------------------------------------------------------------------------


def test_compare_says_what_it_silences(jobs: Path, run: Run) -> None:
    arguments = ("compare", "stated.gcode", "--machine", "middling", "--candidate", "brisk: acceleration=3000")
    document = document_of(run(*arguments, "--json"))
    assert document["commands_silenced"] == {"brisk": 1}
    before, after = (row["total_s"] for row in document["rows"])
    assert after < 0.9 * before
    ran = run(*arguments)
    # By silencing alone the machine's own 1500 hold in place of the job's 300.
    middling = ("--machine", "middling", "--set", "axes.x.max_speed_mm_s=120, motion.extruder_step_mm_s=5")
    quiet = document_of(run("estimate", "silent.gcode", *middling, "--json"))["total_s"]
    (row,) = document["rows"][1:]
    assert row["saved_by_silencing_s"] == pytest.approx(before - quiet)
    assert document["totals"][1]["saved_by_silencing_s"] == row["saved_by_silencing_s"]
    assert document["rows"][0]["saved_by_silencing_s"] == 0.0
    alone, rest = f"{before - quiet:.1f} s", f"{quiet - after:.1f} s"
    line = f"brisk: silencing 1 command in the jobs saves {alone}, what it sets saves {rest}"
    assert line in ran.out
    ignoring = run(*arguments, "--file-limits", "ignore")
    assert "silencing" not in ignoring.out
    faster = run("compare", "stated.gcode", "--machine", "middling", "--candidate", "f: speed=1.2")
    assert "silencing" not in faster.out


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
    assert "stated in the job, line 3" in (jobs / "own.toml").read_text()
    # The job under its own limits, said by itself or by the file.
    by_file = document_of(run("estimate", "stated.gcode", "--machine", "own.toml", "--file-limits", "ignore", "--json"))
    (jobs / "bare.toml").write_text('[machine]\nname = "Bare"\n')
    by_itself = document_of(run("estimate", "stated.gcode", "--machine", "bare.toml", "--json"))
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
    # EASE, which holds for a line more than M880 A after it: there E begins anew, and the first line takes it back.
    assert machine.motion.print_acceleration_mm_s2 == 150.0
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
        "motion.print_acceleration_mm_s2": 150.0,
        "motion.travel_acceleration_mm_s2": 150.0,
        "motion.junction_deviation_mm": pytest.approx(0.04),
        "axes.x.max_speed_mm_s": pytest.approx(50.0),
        "filament.pressure_advance_s": pytest.approx(0.035),
    }
    assert [[one["value"] for one in row["others"]] for row in told["stated_limits"]] == [[400.0], [], [], [], []]
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
    (jobs / "wrong.toml").write_text('[words]\n"M870" = "no efect on time"\n')
    ran = run("estimate", "own.gcode", "--dialect", "wrong.toml")
    assert ran.status == 2
    assert "wrong.toml:2" in ran.err
    assert "did you mean 'no effect on time'?" in ran.err
