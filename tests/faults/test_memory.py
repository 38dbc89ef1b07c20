"""Memory follows neither the moves nor the bytes of a job."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kinematics.gcode.chunks import GZIP
from tests.cli.conftest import HOOK, ROOT
from tests.malformed.many_moves import MANY_MOVES

MOST = 300 << 20  # bytes that a run may take, of which 180 MB are the program and its libraries
A_BYTE = 100  # more for each byte of the job, unpacked


def taken(words: tuple[str, ...], job: str) -> int:
    """Bytes that a run has needed at most."""
    command = [sys.executable, "-m", "kinematics", words[0], job, *words[1:]]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=environment) as run:
        assert run.stdout is not None
        told = run.stdout.read()
        _, status, usage = os.wait4(run.pid, 0)
        run.returncode = os.waitstatus_to_exitcode(status)
    assert run.returncode in (0, 1), told
    return usage.ru_maxrss * 1024


@pytest.mark.parametrize("name", MANY_MOVES)
def test_few_bytes_that_are_many_moves(folder: Path, name: str) -> None:
    content, words = MANY_MOVES[name]
    (folder / "small.gcode").write_text(HOOK)
    taken(words, "small.gcode")  # which compiles what is not in the cache yet
    (folder / "job.gcode").write_bytes(content)
    size = len(gzip.decompress(content) if content.startswith(GZIP) else content)
    assert taken(words, "job.gcode") < MOST + A_BYTE * size
