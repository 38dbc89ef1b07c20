"""Job files to jobs: finds the bytes, runs the compiled reader over them, words its findings."""

from __future__ import annotations

import gzip
import math
import os
import sys
import zlib
from concurrent.futures import ThreadPoolExecutor
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, nearest
from kinematics.gcode import state as at
from kinematics.gcode.assembly import job_from
from kinematics.gcode.chunks import NOT_GIVEN, WORKERS
from kinematics.gcode.dialects import EXTRUSION, Dialect, dialect_named
from kinematics.gcode.findings import (
    SEEN_AS_TEXT,
    cannot_be_unpacked,
    error_of,
    no_second_percent,
    nothing_moves,
    notices_of,
    refuse_what_is_no_text,
)
from kinematics.gcode.job import Job
from kinematics.gcode.stretches import PADDING, ReaderOptions
from kinematics.gcode.whole import read_whole

SHARE = 4 << 20  # bytes of a file that a thread of its own may read


def read_gcode(
    source: str | os.PathLike[str] | bytes,
    dialect: str | Dialect = EXTRUSION,
    *,
    name: str | None = None,
    home: tuple[float, float, float] = (0.0, 0.0, 0.0),
    arc_tolerance: float = 0.01,
    retraction: tuple[float, float] = NOT_GIVEN,
    filament_area: float = math.nan,
    block_delete: bool = False,
    threads: int = WORKERS,
) -> Job:
    """Read a job file into a flat tool path.

    `source` a path, `-` for standard input, or the bytes themselves; gzip is recognised by its first bytes. `dialect` a
    built-in name or a Dialect; `home` where homing puts the axes (mm); `arc_tolerance` how far chords may stray from
    their arc (mm); `retraction` length and speed of the controller's own retraction (mm, mm/s; NaN where not given);
    `filament_area` (mm²) where the dialect's E is a volume; `block_delete` skips lines that begin with `/`; `threads`
    that may read side by side (the result is the same). Raises InputError (file:line, found, allowed) where the file
    cannot be used.
    """
    if isinstance(dialect, str):
        dialect = dialect_named(dialect)
    if isinstance(source, bytes):
        shown, content = name or "<bytes>", memoryview(source)
    else:
        shown, content = name or os.fspath(source), content_of(source, threads)
    if bytes(content[:2]) == b"\x1f\x8b":
        content = memoryview(_unpacked(content, shown))
    head = bytes(content[:SEEN_AS_TEXT])
    refuse_what_is_no_text(head, head.isspace() and bytes(content).isspace(), shown)
    options = ReaderOptions(home, arc_tolerance, *retraction, filament_area, block_delete)
    return _read(content, shown, dialect, options, threads)


def content_of(source: str | os.PathLike[str], threads: int = 1) -> memoryview:
    """The bytes of a file, or of standard input for `-`. Raises InputError where it cannot be read.

    Room for the reader's look ahead is left behind them, so that they need not be copied. A large file is read by some
    `threads` side by side.
    """
    if os.fspath(source) == "-":
        return memoryview(sys.stdin.buffer.read())
    path = Path(source)
    try:
        with path.open("rb", buffering=0) as file:
            room = np.empty(os.fstat(file.fileno()).st_size + PADDING, np.uint8)
            used = _fill(file, path, room.data[: room.size - PADDING], threads)
            if used:
                file.seek(used)
            rest = file.read()  # of what has grown meanwhile, or says no size
    except FileNotFoundError:
        siblings = [entry.name for entry in path.parent.iterdir()] if path.parent.is_dir() else []
        raise InputError.at(str(path), "no such file", hint=nearest(path.name, siblings)) from None
    except IsADirectoryError:
        raise InputError.at(str(path), "this is a directory", "a G-code file, or - for standard input") from None
    except OSError as error:
        raise InputError.at(str(path), f"cannot be read: {error.strerror}") from None
    content = room.data[:used]
    return memoryview(bytes(content) + rest) if rest else content


def _fill(file: FileIO, path: Path, room: memoryview, threads: int) -> int:
    """Read the start of an open file into all of the room, as far as it goes; return how many bytes that is.

    Of a large file each thread but the first opens it again, and reads its share.
    """
    threads = max(1, min(threads, len(room) // SHARE))
    cuts = [len(room) * k // threads for k in range(threads + 1)]

    def fill(share: FileIO, used: int, end: int) -> int:
        while used < end and (more := share.readinto(room[used:end])):
            used += more
        return used

    def fill_further(begin: int, end: int) -> int:
        with path.open("rb", buffering=0) as share:
            share.seek(begin)
            return fill(share, begin, end)

    with ThreadPoolExecutor(threads) as pool:
        others = pool.map(fill_further, cuts[1:-1], cuts[2:])
        ends = [fill(file, 0, cuts[1]), *others]
    return next((found for found, end in zip(ends, cuts[1:], strict=True) if found < end), len(room))


def _unpacked(content: memoryview, name: str) -> bytes:
    try:
        return gzip.decompress(content)
    except (OSError, EOFError, zlib.error) as error:
        raise cannot_be_unpacked(name, error) from None


def _padded(content: memoryview) -> NDArray[np.uint8]:
    """The bytes as an array with PADDING zero bytes after them; no copy is made of what `content_of` has read."""
    size = len(content)
    held = content.obj
    if isinstance(held, np.ndarray) and held.size == size + PADDING:
        held[size:] = 0
        return held
    room = np.empty(size + PADDING, np.uint8)
    room[:size] = np.frombuffer(content, np.uint8)
    room[size:] = 0
    return room


def _read(content: memoryview, name: str, dialect: Dialect, options: ReaderOptions, threads: int) -> Job:
    begin = 3 if bytes(content[:3]) == b"\xef\xbb\xbf" else 0  # byte order mark
    read = read_whole(_padded(content), begin, len(content), dialect, options, workers=threads)
    if read.whole[at.STATUS] == at.STATUS_ERROR:
        raise error_of(content, name, read.whole)
    if dialect.strict and read.whole[at.PERCENTS] == 1 and not read.whole[at.ENDED]:
        raise no_second_percent(name)
    if read.moves.kind.size == 0:
        raise nothing_moves(name, notices_of(read.notes, content))
    return job_from(read, content, name, dialect)
