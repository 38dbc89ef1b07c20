"""What would never end is refused early, with a sentence, in two gigabytes of addresses."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from kinematics.errors import InputError
from kinematics.gcode import portions
from kinematics.gcode.chunks import JobFile
from kinematics.jobs import prepared
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.machine import load_machine
from tests.cli.conftest import HOOK, ROOT
from tests.malformed.endless import ENDLESS

ADDRESSES = 3 << 30  # bytes: half of them are those of libraries
LONGEST = 60  # s of processor time; each takes two or so
LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[1]), int(sys.argv[1])))
resource.setrlimit(resource.RLIMIT_CPU, (int(sys.argv[2]), int(sys.argv[2])))
from kinematics.cli.program import main
main(sys.argv[3:])
"""


@pytest.mark.parametrize("name", ENDLESS)
def test_what_never_ends_is_refused(folder: Path, name: str) -> None:
    files, words, says = ENDLESS[name]
    for file, text in files.items():
        (folder / file).write_text(text)
    command = [sys.executable, "-c", LIMITED, str(ADDRESSES), str(LONGEST), *words]
    if words[0] != "machine":
        command += ["--machine", "middling"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    ran = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert ran.returncode == 2, ran.stderr
    assert says in ran.stderr
    assert "Traceback" not in ran.stderr
    assert not (folder / "page.html").exists()


@pytest.mark.parametrize("name", ["MOST_MOVES", "MOST_EVENTS", "MOST_LINES"])
def test_a_job_without_an_end(folder: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In blocks and whole: two thousand million moves would take a quarter of an hour to come to."""
    path = folder / "job.gcode"
    path.write_text(HOOK + "M104 S20\nG1 X1 F60\nG1 X2\n" * 100)
    machine = load_machine("middling")
    for job in (BlockwiseJob(JobFile(str(path)), chunk=300), PreparedJob(str(path))):
        assert time_job(job, machine).total > 0.0
    monkeypatch.setattr(portions, name, 90)
    for job in (BlockwiseJob(JobFile(str(path)), chunk=300), PreparedJob(str(path))):
        with pytest.raises(InputError, match=r"job\.gcode:\d+: more than 90 .*; allowed: a job"):
            time_job(job, machine)


def test_how_many_moves_are_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a few more than that memory holds; what asks for no more than times takes them in blocks."""
    path = folder / "job.gcode"
    path.write_text("F600\n" + "G1 X1\nG1 X2\n" * 40_000)
    monkeypatch.setattr(prepared, "FEWEST_KEPT", 1000)
    monkeypatch.setattr(prepared, "memory", lambda: 10_000 * prepared.BYTES_A_MOVE)
    assert prepared.most_moves_kept() == 5000
    with pytest.raises(InputError, match="more than 5,000 moves, and this question takes all of them"):
        PreparedJob(str(path)).read(load_machine("middling"))
    assert time_job(BlockwiseJob(JobFile(str(path))), load_machine("middling")).facts.moves == 80_000
