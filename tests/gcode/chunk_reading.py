"""Reading in chunks, side by side from guessed states, and in one go: what comes of a text, and where it differs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.gcode import state as at
from kinematics.gcode import whole
from kinematics.gcode.dialects import EXTRUSION, Dialect
from kinematics.gcode.stretches import PADDING, Columns, Read, ReaderOptions, fresh_state
from kinematics.gcode.whole import read_whole

WORKERS = 2
SIZE = 160  # bytes a chunk of the cut files: each part is filled up to it
PLAIN = ReaderOptions()
TOLD = ReaderOptions((5.0, -6.0, 7.0), 0.01, 1.2, 28.0)
# State that the rest of a file hangs on; what E reads is exact only where E is absolute.
ENDS = (*range(at.MOTION, at.LINE_NUMBER + 1), at.FEED_MODE, at.RETRACTED)
NUMBERS = (*range(at.PLACE_X, at.PLACE_Z + 1), *range(at.SHIFT_X, at.TARGET_X))


FIRST = "G1 X1 Y2 Z0.2 E1 F600|G1 X3 Y4 E2"
LAST = "G1 X9 Y9 Z0.6 E9"
RELATIVE = "M83|G1 X1 Y2 Z0.2 E1 F600|G1 X3 Y4 E0.1"
UNITS = "G20|G1 X1 Y1 Z0.01 E1 F60"


class Outcome(NamedTuple):
    """What became of the chunks after the first one: mended or read again; and whether all was read in one go."""

    mended: list[bool]
    in_one_go: bool


class Watch:
    """Counts what reading in chunks does."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.mended: list[bool] = []
        self.in_one_go = True
        mend, apart = whole.mended, whole._read_side_by_side

        def mend_and_tell(*arguments: Any) -> bool:
            self.mended.append(mend(*arguments))
            return self.mended[-1]

        def read_and_tell(*arguments: Any) -> None:
            apart(*arguments)
            self.in_one_go = False

        monkeypatch.setattr(whole, "mended", mend_and_tell)
        monkeypatch.setattr(whole, "_read_side_by_side", read_and_tell)

    def outcome(self) -> Outcome:
        """What was seen since the last time."""
        seen = Outcome(self.mended[:], self.in_one_go)
        self.mended.clear()
        self.in_one_go = True
        return seen


def bits(numbers: NDArray[Any]) -> bytes:
    return np.ascontiguousarray(numbers).tobytes()


def padded(text: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(text + bytes(PADDING), np.uint8).copy()


def in_one_go(text: bytes, options: ReaderOptions = PLAIN, dialect: Dialect = EXTRUSION) -> Read:
    return Columns(len(text), len(text)).read(padded(text), 0, len(text), *fresh_state(dialect, options), dialect)


def in_chunks(
    text: bytes, chunk: int, options: ReaderOptions = PLAIN, dialect: Dialect = EXTRUSION, workers: int = WORKERS
) -> Read:
    found = read_whole(padded(text), 0, len(text), dialect, options, chunk, workers)
    m = found.moves
    return Read(
        found.real, found.whole, np.stack(m[:5]), np.empty(0), m.kind, m.line, m.stop, found.events, found.notes
    )


def apart(one: Read, other: Read) -> Iterator[str]:
    """Where two readings of a file differ, in words."""
    if one.notes != other.notes:
        yield f"notes: {one.notes} and {other.notes}"
    for name in ("path", "kind", "line", "stop", "events"):
        ours, theirs = getattr(one, name), getattr(other, name)
        if ours.shape != theirs.shape:
            yield f"{name}: {ours.shape} and {theirs.shape}"
        elif bits(ours) != bits(theirs):
            first = np.argwhere(~((ours == theirs) | ((ours != ours) & (theirs != theirs))))
            place = tuple(first[0]) if first.size else ()
            yield f"{name} at {place}: {ours[place] if place else 'signs'} and {theirs[place] if place else ''}"
    for k in NUMBERS:
        if bits(one.real[k]) != bits(other.real[k]):
            yield f"real state {k}: {one.real[k]} and {other.real[k]}"
    for k in ENDS:
        if one.whole[k] != other.whole[k]:
            yield f"state {k}: {one.whole[k]} and {other.whole[k]}"


def assert_alike(text: bytes, chunk: int, options: ReaderOptions = PLAIN) -> None:
    differences = list(apart(in_one_go(text, options), in_chunks(text, chunk, options)))
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
