"""Folders and runs as the command line's tests have them, and one page that holds everything under hostile names."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.conftest import ROOT
from tests.cli.conftest import folder as folder
from tests.cli.conftest import run as run
from tests.reports.test_pictures import SAMPLES, SQUARE, machine_named

JOB = """<b>&"'.gcode"""
SCRIPT = "</script><script>alert(1)</script>"


def run_in(where: Path, *arguments: str) -> str:
    """What the program prints when it is run in a folder, as a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    words = [sys.executable, "-m", "kinematics", *arguments]
    done = subprocess.run(words, cwd=where, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with page.html and figures: a hostile job on a hostile machine, with everything that a page can hold."""
    where = tmp_path_factory.mktemp("hostile")
    job = where / JOB
    job.write_text(f"; {SCRIPT}\n" + SQUARE + "M999 Q7\n")
    machine = machine_named(where, "<i>bench</i> & co")
    shutil.copy(SAMPLES / "shop" / "bench.toml", where / "bench.toml")
    (where / "orders.csv").write_text('order,job,hours,quantity,due,class,material\n"<u>stays</u>",,5,2,,,\n')
    (where / "printers.csv").write_text("name,machine\none,bench.toml\n")
    (where / "before.json").write_text(run_in(where, "estimate", str(job), "--machine", str(machine), "--json"))
    (where / "times.csv").write_text('job,minutes\n"' + str(job).replace('"', '""') + '",2\n')
    run_in(
        where,
        *("report", str(job), "--machine", str(machine), "-o", "page.html"),
        *("--candidate", "<em>brisk</em>: acceleration=4000", "--vary", "acceleration=500:4000:5log"),
        *("--before", str(where / "before.json"), "--orders", "orders.csv", "--printers", "printers.csv"),
        *("--times", "times.csv", "--with", "bedful", "--with", "vibration"),
        *("--start", "2026-03-02", "--set", "motion.print_acceleration_mm_s2=1100", "--figures", "figures"),
    )
    return where
