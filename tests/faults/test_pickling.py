"""Results go through a file and another process: what a sweep over night found is there in the morning."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

import kinematics
from tests.cli.conftest import HOOK

STATED = HOOK.replace("G28\n", "M204 P700 T900\nM203 X90\nG28\n")


@pytest.mark.parametrize("text", [HOOK, STATED], ids=["plain", "with limits stated"])
def test_results_can_be_pickled(tmp_path: Path, text: str) -> None:
    (tmp_path / "hook.gcode").write_text(text)
    machine = kinematics.load_machine("quick")
    job = kinematics.read_gcode(tmp_path / "hook.gcode")
    estimate = kinematics.estimate(job, machine)
    again = pickle.loads(pickle.dumps(estimate))
    assert repr(again) == repr(estimate)
    assert again.jobs[0].total_s == estimate.jobs[0].total_s
    kept = pickle.loads(pickle.dumps(job))
    assert repr(kept) == repr(job)
    assert kinematics.estimate(kept, pickle.loads(pickle.dumps(machine))).jobs[0].total_s == estimate.jobs[0].total_s
    comparison = kinematics.compare(job, machine, [kinematics.Candidate("brisk", {"speed": 1.2})])
    assert repr(pickle.loads(pickle.dumps(comparison))) == repr(comparison)
