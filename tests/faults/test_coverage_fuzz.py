"""What a search guided by coverage begins with, and what it has found, breaks nothing: read as plain Python."""

from __future__ import annotations

import subprocess
import sys

from tests.cli.conftest import ROOT


def test_what_a_search_begins_with() -> None:
    """In a process of its own, since this one has its kernels compiled."""
    command = [sys.executable, "-m", "tests.faults.coverage_fuzz", "all", "0"]
    ran = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout == ""
