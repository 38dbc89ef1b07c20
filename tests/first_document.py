"""The JSON document of a command that goes on after it has told it, as the live page does."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any


@contextmanager
def told_first(
    arguments: Sequence[str], folder: Path, environment: Mapping[str, str]
) -> Iterator[tuple[Any, subprocess.Popen[str]]]:
    """What the program tells with --json, and its process, which ends with the block."""
    words = [sys.executable, "-m", "kinematics", *arguments, "--json"]
    process = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, cwd=folder
    )
    assert process.stdout is not None
    try:
        told = ""
        for line in process.stdout:
            told += line
            if line == "}\n":
                break
        yield json.loads(told), process
    finally:
        process.terminate()
        process.communicate()
