"""`kinematics caps`: the table, its formulas, its document, and --check."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import Run, rows_of

MACHINE = """\
[axes.x]
max_acceleration_mm_s2 = 9000
[vibration.x]
modes = [{ frequency_hz = 48.2, damping_ratio = 0.07, frequency_uncertainty_share = 0.1 }]
filter = "ZVD"
[quality]
rounding_budget_mm = 0.1
[cooling]
shortest_layer_s = 8
"""
JOB = str(Path(__file__).resolve().parents[2] / "sample_gcode" / "test_cube.gcode")


def test_the_table_and_its_formulas(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text(MACHINE)
    done = run("caps", JOB, "--machine", str(folder / "bench.toml"), "--formulas")
    assert done.status == 0, done.err
    rows = done.out.splitlines()
    assert rows_of(done.out)[0] == [
        "limit", "set now", "highest allowed", "for this job", "OK?", "limited by", "share of time",
    ]  # fmt: skip
    cells = next(row.split("\t") for row in rows if row.startswith("x axis acceleration\t"))
    assert cells[1:3] == ["9,000 mm/s²", "1,872 mm/s²"]
    assert cells[4:6] == ["no", "rounding, x axis"]
    assert "  rounding, x axis: 2qε/σ² = 2·0.5·0.1 mm / 53.42e-6 s² = 1872 mm/s² (ZVD at 48.2 Hz, damping 0.07)" in rows
    assert any(row.startswith("cooling: no layer takes less than 8 s, which adds ") for row in rows)
    assert any(row.startswith("ringing on x: one kick leaves at most ") for row in rows)
    assert rows[-1].startswith("Before you raise a limit")


def test_check_says_no_with_its_status(run: Run, folder: Path) -> None:
    file = folder / "bench.toml"
    file.write_text(MACHINE)
    assert run("caps", "--machine", str(file), "--check").status == 1
    gentle = run("caps", "--machine", str(file), "--check", "--set", "axes.x.max_acceleration_mm_s2=1800")
    assert gentle.status == 0
    sharp = ("--set", "axes.x.max_acceleration_mm_s2=1800", "--set", "motion.junction_deviation_mm=0.5")
    done = run("caps", "--machine", str(file), "--check", *sharp)
    assert done.status == 1
    assert (
        "junction deviation at 90° is too high at 0.5 mm: rounding takes 0.212 mm at most (motion.junction" in done.out
    )


def test_the_document_holds_what_the_table_shows(run: Run, folder: Path) -> None:
    (folder / "bench.toml").write_text(MACHINE.replace('"ZVD"', '"ZVD"\nfilter_frequency_hz = 44'))
    done = run("caps", JOB, "--machine", str(folder / "bench.toml"), "--json")
    document = json.loads(done.out)
    row = next(row for row in document["rows"] if row["limit"] == "axes.x.max_acceleration_mm_s2")
    assert row["within_caps"] is False
    assert row["stopped_by"] == "rounding, x axis"
    assert row["not_known"] == ["quality.ringing_budget_mm", "motors.x.torque_nm"]
    assert row["formula"]
    assert 0.0 <= row["share_of_time"] <= 1.0
    assert document["cooling"]["shortest_layer_s"] == 8.0
    assert document["total_s"] > 0.0
    (ringing,) = document["ringing"]
    assert [row["axis"] for row in ringing["rows"]] == ["x"]
    assert ringing["rows"][0]["left_mm"] > 0.0


def test_without_a_job_and_without_a_machine(run: Run) -> None:
    done = run("caps")
    assert done.status == 0
    assert "no machine given" in done.err
    assert "motors.x.torque_nm" in done.out


def test_the_rounding_of_a_whole_job_is_told(run: Run, folder: Path) -> None:
    """Its worst place, half of the path and nearly all of it, beside the budget."""
    (folder / "bench.toml").write_text(MACHINE)
    done = run("caps", JOB, "--machine", str(folder / "bench.toml"))
    (line,) = [row for row in done.out.splitlines() if row.startswith("rounding: ")]
    assert "mm at worst (budget 0.1 mm), line " in line
    assert "half of the printed path is within " in line
    document = json.loads(run("caps", JOB, "--machine", str(folder / "bench.toml"), "--json").out)
    (found,) = document["rounding"]
    assert found["within"] is True
    assert 0.0 < found["median_mm"] <= found["most_mm"] <= found["worst_mm"] <= found["budget_mm"] == 0.1
