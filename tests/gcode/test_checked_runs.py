"""Reading with bounds checks, and without the compiler: the same bytes, the same moves."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from tests.gcode.broke_memory import CASES
from tests.gcode.reading import outcome
from tests.naive import gcode_grammar

ROOT = Path(__file__).resolve().parents[2]
DIALECTS = ("extrusion", "rs274")
SAVE = """
import sys
import numpy as np
from kinematics.compiled import CHECKED
from kinematics.gcode.reader import read_gcode
assert CHECKED
for dialect in sys.argv[2:]:
    job = read_gcode(f"{sys.argv[1]}/{dialect}.gcode", dialect)
    np.savez(f"{sys.argv[1]}/{dialect}.npz", *job.moves, *job.events, notices=[str(notice) for notice in job.notices])
"""
OUTCOMES = """
import json, sys
from kinematics.compiled import CHECKED
from tests.gcode.broke_memory import CASES
from tests.gcode.reading import outcome
assert CHECKED
for name, text in CASES.items():
    for dialect in sys.argv[1:]:
        print(json.dumps([name, dialect, outcome(text, dialect)]), flush=True)
"""
LINES = {"NUMBA_DISABLE_JIT": 600, "NUMBA_BOUNDSCHECK": 20_000}
# Ends of a file at which a look ahead would leave it.
ENDINGS = [b"G1 X9", b"X1.", b"G1 X3 (", b"X-", b"G1 X5*", b"X1E+", b"N7", b"X3E+12", b"M117", b"/", b"%", b";", b"\r"]


@pytest.mark.parametrize("mode", LINES)
def test_checked_runs_read_the_same(mode: str, tmp_path: Path) -> None:
    for dialect in DIALECTS:
        text = gcode_grammar.lines(31, LINES[mode], dialect)
        if dialect == "extrusion":
            text += b"\n".join(ENDINGS[::-1])
        (tmp_path / f"{dialect}.gcode").write_bytes(text)
    # A fresh cache: a warm one would bring back unchecked machine code.
    environment = {**os.environ, mode: "1", "KINEMATICS_CACHE_DIR": str(tmp_path / "cache")}
    arguments = [sys.executable, "-c", SAVE, str(tmp_path), *DIALECTS]
    done = subprocess.run(arguments, env=environment, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for dialect in DIALECTS:
        assert_same(read_gcode(tmp_path / f"{dialect}.gcode", dialect), tmp_path / f"{dialect}.npz")


def test_no_number_of_a_file_leads_out_of_the_tables(tmp_path: Path) -> None:
    """With every index checked the files that once left them end as they do without."""
    environment = {**os.environ, "NUMBA_BOUNDSCHECK": "1", "KINEMATICS_CACHE_DIR": str(tmp_path / "cache")}
    arguments = [sys.executable, "-c", OUTCOMES, *DIALECTS]
    done = subprocess.run(arguments, env=environment, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert found == [[name, dialect, outcome(text, dialect)] for name, text in CASES.items() for dialect in DIALECTS]


def assert_same(job: Job, saved: Path) -> None:
    """What a checked run saved is what this run reads."""
    theirs = np.load(saved)
    columns: list[NDArray[Any]] = [*job.moves, *job.events]
    for i, ours in enumerate(columns):
        column = theirs[f"arr_{i}"]
        assert ours.dtype == column.dtype
        if ours.dtype == np.float64:
            # Compiled sines may differ in the last digit from those of the interpreter's library.
            assert np.allclose(ours, column, rtol=0, atol=1e-9, equal_nan=True)
        else:
            assert np.array_equal(ours, column)
    assert theirs["notices"].tolist() == [str(notice) for notice in job.notices]


@pytest.mark.parametrize("ending", ENDINGS)
def test_nothing_depends_on_what_stands_behind_the_file(ending: bytes) -> None:
    alone = read_gcode(b"G1 X1 F60\n" + ending)
    closed = read_gcode(b"G1 X1 F60\n" + ending + b"\n")
    assert [tuple(row) for row in alone.moves] == [tuple(row) for row in closed.moves]
    assert alone.notices == closed.notices
