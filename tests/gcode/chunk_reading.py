"""Reading in chunks and in one go: what comes of a text, and where it differs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.chunks import JobFile
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_job
from kinematics.gcode.state import ReaderOptions

SIZE = 160  # bytes a chunk of the cut files: each part is filled up to it
PLAIN = ReaderOptions()
TOLD = ReaderOptions((5.0, -6.0, 7.0), 0.01, 1.2, 28.0)

FIRST = "G1 X1 Y2 Z0.2 E1 F600|G1 X3 Y4 E2"
LAST = "G1 X9 Y9 Z0.6 E9"
RELATIVE = "M83|G1 X1 Y2 Z0.2 E1 F600|G1 X3 Y4 E0.1"
UNITS = "G20|G1 X1 Y1 Z0.01 E1 F60"


def bits(numbers: NDArray[Any]) -> bytes:
    return np.ascontiguousarray(numbers).tobytes()


def in_chunks(text: bytes, chunk: int, options: ReaderOptions = PLAIN, dialect: Dialect = EXTRUSION) -> Job | str:
    """The job, read some bytes at a time, or what is wrong with it."""
    try:
        return read_job(JobFile(text), dialect, options, chunk)
    except InputError as error:
        return str(error)


def in_one_go(text: bytes, options: ReaderOptions = PLAIN, dialect: Dialect = EXTRUSION) -> Job | str:
    """The job, read as a single chunk, or what is wrong with it."""
    found = in_chunks(text, len(text) + 1, options, dialect)
    assert isinstance(found, str) or len(found.chunks) == 1
    return found


def apart(one: Job | str, other: Job | str) -> Iterator[str]:
    """Where two readings of a file differ, in words."""
    if isinstance(one, str) or isinstance(other, str):
        if one != other:
            yield f"{one} and {other}"
        return
    for name in ("layers", "extent", "filament", "lines", "stated", "notices", "facts"):
        if getattr(one, name) != getattr(other, name):
            yield f"{name}: {getattr(one, name)} and {getattr(other, name)}"
    if one.labels.names != other.labels.names:
        yield f"labels: {one.labels.names} and {other.labels.names}"
    columns = [*one.moves._fields, *one.events._fields, "label"]
    for name, ours, theirs in zip(
        columns,
        [*one.moves, *one.events, one.labels.of_move],
        [*other.moves, *other.events, other.labels.of_move],
        strict=True,
    ):
        if ours.dtype != theirs.dtype or ours.shape != theirs.shape:
            yield f"{name}: {ours.dtype}, {ours.shape} and {theirs.dtype}, {theirs.shape}"
        elif bits(ours) != bits(theirs):
            first = np.flatnonzero(~((ours == theirs) | ((ours != ours) & (theirs != theirs))))
            yield f"{name} at {first[:1]}: {ours[first[:1]]} and {theirs[first[:1]]}"


def assert_alike(text: bytes, chunk: int, options: ReaderOptions = PLAIN, dialect: Dialect = EXTRUSION) -> None:
    differences = list(apart(in_one_go(text, options, dialect), in_chunks(text, chunk, options, dialect)))
    assert not differences, "; ".join(differences)


def cut(*parts: str, end: str = "\n") -> bytes:
    """A file of parts (| is a line end), each filled up with a comment to SIZE bytes."""
    texts = []
    for part in parts:
        text = "".join(line + end for line in part.split("|"))
        fill = SIZE - len(text) - len(end)
        assert fill > 0, part
        texts.append(text + ";" * fill + end)
    return "".join(texts).encode()
