"""A job is read anew for machines that read it differently, and no more readings are kept than there is room for."""

from __future__ import annotations

from pathlib import Path

import pytest

from kinematics.jobs import prepared
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import load_machine

ARCS = "G28\nM83\nG1 Z0.2 F600\n" + "".join(
    f"G2 X{20 + 10 * i} Y20 I5 J0 E1 F3000\nG1 Y{20 + i} E1\nG1 Y20 E1\n" for i in range(9)
)


@pytest.mark.parametrize("most", [2, 3, 256])
def test_readings_that_are_dropped_are_made_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    (tmp_path / "arcs.gcode").write_text(ARCS)
    monkeypatch.setattr(prepared, "MOST_READINGS", most)
    machine = load_machine("quick")
    others = [
        machine.with_settings({"motion.arc_tolerance_mm": 0.002 * (1 + i % 7), "machine.bed_mm": [100 + i % 5, 90, 90]})
        for i in range(30)
    ]
    job = PreparedJob(str(tmp_path / "arcs.gcode"))
    for other in others:
        alone = time_job(PreparedJob(str(tmp_path / "arcs.gcode")), other)
        found = time_job(job, other)
        assert (found.total, found.facts) == (alone.total, alone.facts)
        assert max(len(job._jobs), len(job._driven), len(job._off)) <= max(most, 2)


def test_long_jobs_are_kept_less_often(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "arcs.gcode").write_text(ARCS)
    monkeypatch.setattr(prepared, "MOST_READ", 1000)
    job = PreparedJob(str(tmp_path / "arcs.gcode"))
    moves = []
    for tolerance in (0.001, 0.0011, 0.0012, 0.0013, 0.0014):
        moves.append(len(job.read(load_machine("quick").with_settings({"motion.arc_tolerance_mm": tolerance}))))
    assert len(job._jobs) == max(2, 1000 // moves[-1]) < 5
