"""A file chunk by chunk, each read from the state in which the one before it ended."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import state as at
from kinematics.gcode.dialects import Dialect
from kinematics.gcode.stretches import Columns, Read

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

CHUNK = 2 << 20  # bytes: large enough to hide what a chunk costs, small enough to stay near the caches
AHEAD = 2  # chunks that are read before they are asked for
WORKERS = 2
NOT_GIVEN = (math.nan, math.nan)


def chunk_ends(buffer: NDArray[np.uint8], begin: int, end: int, chunk: int) -> Iterator[tuple[int, int]]:
    """Cut a file into stretches of whole lines of about `chunk` bytes."""
    while begin < end:
        stop = min(begin + chunk, end)
        while stop < end and buffer[stop - 1] != 10:
            stop += 1
        yield begin, stop
        begin = stop


class Chunk(NamedTuple):
    """Whole lines of a file: `buffer` holds them from `begin` to `end`, and PADDING bytes after that can be read."""

    buffer: NDArray[np.uint8]
    begin: int
    end: int

    @property
    def content(self) -> memoryview:
        """The bytes of the buffer up to the last line's end: offsets of what was read count in them."""
        return self.buffer.data[: self.end]


def read_in_order(chunks: Iterator[Chunk], dialect: Dialect, start: tuple[Real, Whole]) -> Iterator[tuple[Chunk, Read]]:
    """Read a file that comes in chunks one after the other, in a thread beside the caller's, which takes them too.

    Yields what each chunk adds: lines are numbered from the start of the file, moves of events from the chunk's start,
    byte offsets from that of its buffer. Ends after a chunk with STATUS_ERROR, and with the program of a strict
    dialect.
    """
    real, whole = start[0].copy(), start[1].copy()

    def read_on() -> tuple[Chunk, Read] | None:
        if whole[at.STATUS] == at.STATUS_ERROR or (dialect.strict and whole[at.ENDED]):
            return None
        if (chunk := next(chunks, None)) is None:
            return None
        size = chunk.end - chunk.begin
        read = Columns(size, size).read(*chunk, real, whole, dialect)
        return chunk, read._replace(real=real.copy(), whole=whole.copy())

    with ThreadPoolExecutor(1) as pool:
        waiting = deque(pool.submit(read_on) for _ in range(AHEAD))
        while (found := waiting.popleft().result()) is not None:
            waiting.append(pool.submit(read_on))
            yield found
