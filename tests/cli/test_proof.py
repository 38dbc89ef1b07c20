"""`kinematics proof` as a user types it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import kinematics
from kinematics.machine import Machine, load_machine
from tests.cli.conftest import Ran, Run
from tests.proofs.test_proofs import END, MACHINE, START, WORDS

TODAY = "2026-11-30"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(MACHINE)
    Path("words.toml").write_text(WORDS.format(unit="mm"))
    Path("start.g").write_text(START + "\n")
    Path("end.g").write_text(END + "\n")
    return tmp_path


def proof(run: Run, *more: str) -> Ran:
    return run(
        "proof", "acceleration", "--machine", "bench.toml", "--dialect", "words.toml", "-o", "proof.gcode", *more
    )


def test_a_print_is_written_told_and_read(bench: Path, run: Run) -> None:
    ran = proof(run, "--from", "1500", "--to", "4500", "--sheet", "sheet.pdf")
    assert ran.status == 0
    assert ran.out.startswith("proof.gcode  print acceleration 1,500 to 4,500 mm/s² in 7 bands of 5 mm, ")
    assert "Stay by the machine" in ran.out
    assert Path("sheet.pdf").read_bytes().startswith(b"%PDF")
    copy = ("--machine", "bench.toml", "--write-machine", "new.toml", "--date", TODAY)
    ran = run("proof", "read", "proof.gcode", "--height", "23.5", *copy)
    assert ran.out.splitlines() == [
        "motion.print_acceleration_mm_s2: good up to 3,500 mm/s²",
        "to be safe set one step less: 3,000 mm/s²",
    ]
    machine = load_machine("new.toml")
    assert machine.motion.print_acceleration_mm_s2 == 3000.0
    (proven,) = machine.proven
    assert (proven.key, proven.value, proven.low, proven.high, proven.date) == (
        "motion.print_acceleration_mm_s2", 3500.0, 3500.0, 3500.0, TODAY
    )  # fmt: skip
    (row,) = (row for row in kinematics.caps(None, machine).rows if row.limit == proven.key)
    assert (row.no_further_than, row.stopped_by) == (3500.0, f"proven on {TODAY} by a print")
    assert row.within_caps is not False


def test_what_was_proven_ranks_above_what_is_reckoned(bench: Path) -> None:
    """Without a proof the filter stops the acceleration; a print that was good beyond that says more."""
    filtered = (
        MACHINE + '[vibration.x]\nfilter = "ZVD"\nfilter_frequency_hz = 30\n[quality]\nrounding_budget_mm = 0.05\n'
    )
    proven = (
        f'[[proven]]\nkey = "motion.print_acceleration_mm_s2"\nvalue = 5000\nlow = 4500\nhigh = 5500\ndate = {TODAY}\n'
    )
    before, after = (
        next(
            row
            for row in kinematics.caps(None, Machine.from_toml_text(text, "m.toml")).rows
            if row.limit == "motion.print_acceleration_mm_s2"
        )
        for text in (filtered, filtered + proven)
    )
    assert before.no_further_than is not None
    assert before.no_further_than < 5000.0
    assert after.no_further_than == 5000.0
    assert set(before.formulas) < set(after.formulas)


def test_ripples_and_weights_go_into_the_copy(bench: Path, run: Run) -> None:
    ran = run("proof", "read", "--ripple", "3.1", "--speed", "120", "--axis", "y", "--machine", "bench.toml",
              "--write-machine", "new.toml")  # fmt: skip
    assert ran.out == "the y axis swings at 38.7 Hz (37.5 to 40 Hz for 0.1 mm on the caliper)\n"
    (mode,) = load_machine("new.toml").vibration.y.modes
    assert (mode.frequency_hz, mode.frequency_uncertainty_share) == (38.7, 0.033)
    Path("w.csv").write_text("flow_mm3_s,weight_g\n4,1.8\n6,1.8\n8,1.8\n10,1.8\n12,1.74\n14,1.66\n16,1.58\n")
    ran = run("proof", "read", "--weights", "w.csv", "--machine", "bench.toml", "--write-machine", "hot.toml")
    assert ran.status == 0
    machine = load_machine("hot.toml")
    assert machine.proven[0].key == "hotend.max_flow_mm3_s"
    assert machine.hotend.max_flow_mm3_s == pytest.approx(12.7, abs=0.4)


def test_documents_hold_what_is_shown(bench: Path, run: Run) -> None:
    document = json.loads(proof(run, "--json").out)
    assert document["bands"][0] == {"from_mm": 0.4, "to_mm": 5.4, "value": 1200.0}
    found = json.loads(run("proof", "read", "proof.gcode", "--height", "12", "--json").out)
    assert (found["value"], found["recommended"]) == (2400.0, 1800.0)
    assert json.loads(run("proof", "read", "--ripple", "3", "--speed", "90", "--json").out)["frequency_hz"] == 30.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "nothing was measured"),
        (("--height", "3", "--ripple", "3"), "--height and --ripple together"),
        (("--height", "3"), "no print that it was measured on"),
        (("--height", "3", "--per-mm", "0.004"), "no key that it is about"),
        (("--ripple", "3"), "no speed of the wall"),
        (("--height", "3", "--per-mm", "0", "--key", "acceleration"), "unknown key"),
        (("bench.toml", "--height", "3"), "bench.toml: is no proof print"),
        (("none.gcode", "--height", "3"), "cannot be read"),
        (("--ripple", "3", "--speed", "90", "--write-machine", "x.toml"), "no machine file to copy"),
        (("--ripple", "3", "--speed", "90", "--machine", "bench.toml", "--write-machine", "x.toml"), "no axis"),
        (("--weights", "w.csv", "--date", "today", "--height", "1"), "together"),
        (("--ripple", "3", "--speed", "90", "--date", "today"), "'today' is no date"),
    ],
)
def test_what_cannot_be_read_is_told(bench: Path, run: Run, arguments: tuple[str, ...], words: str) -> None:
    ran = run("proof", "read", *arguments)
    assert ran.status == 2
    assert words in ran.err


def test_files_are_not_overwritten(bench: Path, run: Run) -> None:
    Path("proof.gcode").write_text("mine")
    assert "exists already" in proof(run).err
    assert "read by the same command" in run("proof", "flow", "--machine", "bench.toml", "-o", "start.g", "--force").err
    assert Path("start.g").read_text() == START + "\n"
    assert "ends in '.doc'" in proof(run, "--force", "--sheet", "x.doc").err
    assert "can't read 'middle'" in proof(run, "--force", "--at", "middle").err
    assert Path("proof.gcode").read_text() == "mine"
