"""Labels on the first screen: who told them, and which of the machine's a job does not have."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import Run

JOB = "G1 F600\n; road: outer\nG1 X10 E1\n; road: inner\nG1 X20 E2\n; road: outer\nG1 X30 E3\n"
MACHINE = "[motion.by_label.outer]\nspeed_cap_mm_s = 5\n[motion.by_label.brim]\nspeed_cap_mm_s = 5\n"


def test_labels_found_by_counting_are_said_to_be_found(run: Run, folder: Path) -> None:
    (folder / "part.gcode").write_text(JOB)
    (folder / "bench.toml").write_text(MACHINE)
    done = run("estimate", "part.gcode", "--machine", "bench.toml")
    assert 'labels (found by counting, in comments "road: …"): outer, inner' in done.out.splitlines()
    assert "labels in the machine file that this job does not have: brim" in done.out.splitlines()
    document = json.loads(run("estimate", "part.gcode", "--machine", "bench.toml", "--json").out)
    told = {"names": ["outer", "inner"], "told": False, "key": "road", "unknown": ["brim"]}
    assert document["jobs"][0]["labels"] == told


def test_labels_that_a_table_tells_are_said_to_be_told(run: Run, folder: Path) -> None:
    (folder / "part.gcode").write_text(JOB)
    (folder / "bench.toml").write_text(MACHINE)
    (folder / "shop.toml").write_text("[[label]]\npattern = 'road: (?P<label>.*)'\n")
    done = run("estimate", "part.gcode", "--machine", "bench.toml", "--dialect", "shop.toml")
    assert "labels (from the dialect table): outer, inner" in done.out.splitlines()


def test_nobody_asks_for_labels_where_no_limit_hangs_on_them(run: Run, folder: Path) -> None:
    (folder / "part.gcode").write_text(JOB)
    done = run("estimate", "part.gcode", "--machine", "quick", "--json")
    assert json.loads(done.out)["jobs"][0]["labels"] is None
