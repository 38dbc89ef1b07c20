"""Memory follows neither the moves nor the bytes of a job."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kinematics.gcode.chunks import GZIP
from kinematics.jobs.blockwise import OVERLAPPED
from tests.cli.conftest import ROOT
from tests.malformed.many_moves import MANY_MOVES

MOST = 300 << 20  # bytes that a run may take: 220 MB the program, its libraries and its compiler, the rest blocks
A_BYTE = 100  # more for each byte of the job, unpacked, as long as it is kept


# A process counts what the one had in use that it was made from: of a long run of tests that is more than of ours. So
# a small one stands between.
BETWEEN = """
import resource, subprocess, sys
run = subprocess.run(sys.argv[1:], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
print(run.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, run.stdout, sep="\\n")
"""


def taken(words: tuple[str, ...], job: str) -> int:
    """Bytes that a run has needed at most."""
    command = [sys.executable, "-c", BETWEEN, sys.executable, "-m", "kinematics", words[0], job, *words[1:]]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    told = subprocess.run(command, capture_output=True, text=True, env=environment, check=True).stdout
    status, kilobytes, said = told.split("\n", 2)
    assert status in ("0", "1"), said
    return int(kilobytes) * 1024


@pytest.mark.parametrize("name", MANY_MOVES)
def test_few_bytes_that_are_many_moves(folder: Path, name: str) -> None:
    content, words = MANY_MOVES[name]
    (folder / "job.gcode").write_bytes(content)
    taken(words, "job.gcode")  # which compiles what is not in the cache yet: compiling takes memory of its own
    size = len(gzip.decompress(content) if content.startswith(GZIP) else content)
    assert taken(words, "job.gcode") < MOST + (A_BYTE * size if size <= OVERLAPPED else 0)
