"""Ten million random lines: the reader, its twin on array indices and the slow twin find the same, byte for byte.

Every batch of lines is read in one go and in chunks of random size. Takes some minutes, so it
is no part of the test run: python -m tests.gcode.ten_million_lines [lines]
"""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from pathlib import Path
from typing import NamedTuple

from kinematics.gcode.dialects import dialect_named
from kinematics.gcode.job import Job
from tests.gcode.chunk_reading import assert_alike
from tests.gcode.test_reader_against_twin import assert_same
from tests.naive import gcode_grammar

ROOT = Path(__file__).resolve().parents[2]
LINES = 10_000_000
BATCH = 100_000  # lines
CHUNKS = (97, 65_536, 2 << 20)  # bytes: the smallest, the largest, and now and then in between
SEED = 5_000
# The twin on array indices: this program again, bounds-checked, which turns raw addresses into indices.
TWIN = "from tests.gcode.ten_million_lines import answer; answer()"


class Batch(NamedTuple):
    """What one batch of lines came to: lines and moves."""

    lines: int
    moves: int


def digest(job: Job) -> str:
    """Everything that reading found, as one number."""
    found = hashlib.sha256()
    for column in (*job.moves, *job.events):
        found.update(column.tobytes())
    found.update(repr((job.layers, job.extent, job.filament, job.stated, job.notices)).encode())
    return found.hexdigest()


def answer() -> None:
    """Read the jobs that standard input names, one `dialect path` a line, and write their digests."""
    from kinematics.compiled import CHECKED
    from kinematics.gcode.reader import read_gcode

    if not CHECKED:
        raise RuntimeError("the twin must not load from raw addresses")
    for request in sys.stdin:
        dialect, path = request.rstrip("\n").split(" ", 1)
        print(digest(read_gcode(path, dialect, name="batch")), flush=True)


@cache
def array_twin() -> subprocess.Popen[str]:
    """The twin on array indices, one a process; its machine code is kept apart from the unchecked one."""
    kept = Path(tempfile.gettempdir()) / f"kinematics-checked-{os.getuid()}"
    environment = {**os.environ, "NUMBA_BOUNDSCHECK": "1", "KINEMATICS_CACHE_DIR": str(kept)}
    command = [sys.executable, "-c", TWIN]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=environment, cwd=ROOT, stdin=pipe, stdout=pipe, text=True)


def digest_of_the_array_twin(text: bytes, dialect: str) -> str:
    """What the twin on array indices finds in a text."""
    twin = array_twin()
    with tempfile.NamedTemporaryFile(suffix=".gcode") as file:
        file.write(text)
        file.flush()
        if twin.stdin is None or twin.stdout is None:
            raise RuntimeError("the twin has no pipes")
        twin.stdin.write(f"{dialect} {file.name}\n")
        twin.stdin.flush()
        return twin.stdout.readline().strip()


def check(number: int) -> Batch:
    """Check one batch; three in ten are of the standard's dialect."""
    dialect = "rs274" if number % 10 in (2, 5, 8) else "extrusion"
    text = gcode_grammar.lines(SEED + number, BATCH, dialect)
    try:
        job = assert_same(text, dialect)
    except AssertionError as error:
        raise AssertionError(f"batch {number}: {error}") from error
    if digest(job)[:16] != digest_of_the_array_twin(text, dialect)[:16]:
        raise AssertionError(f"batch {number}: the twin on array indices finds something else")
    for chunk in (CHUNKS[1], CHUNKS[2], random.Random(number).randint(CHUNKS[0], CHUNKS[1])):
        assert_alike(text, chunk, dialect=dialect_named(dialect))
    return Batch(job.lines, len(job))


def main() -> None:
    """Check them all on both cores, and tell how far it is."""
    lines = int(sys.argv[1]) if len(sys.argv) > 1 else LINES
    done = Batch(0, 0)
    with ProcessPoolExecutor(2) as pool:
        for batch in pool.map(check, range(-(-lines // BATCH))):
            done = Batch(done.lines + batch.lines, done.moves + batch.moves)
    print(f"alike: {done.lines:,} lines, {done.moves:,} moves")


if __name__ == "__main__":
    main()
