"""Bytes of the lines of moves: against a walk through the file byte by byte, and by hand."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.gcode.cutting import bytes_of_moves
from kinematics.gcode.reader import read_gcode

LINES = st.lists(
    st.tuples(st.sampled_from([b"G1 X1", b"; remark", b"", b"G1 Y-2.5 E0.1", b"M104 S200"]), st.integers(0, 3)),
    min_size=1,
    max_size=30,
)


def naive_lines(content: bytes) -> list[int]:
    """Length of every line with its end; a last line without one counts as if it had one byte of it."""
    found, length = [], 0
    for i, byte in enumerate(content):
        length += 1
        if byte == 10 or (byte == 13 and content[i + 1 : i + 2] != b"\n"):
            found.append(length)
            length = 0
    return [*found, length + 1]


@settings(max_examples=300, deadline=None)
@given(LINES, st.lists(st.sampled_from([b"\n", b"\r\n", b"\r"]), min_size=31, max_size=31), st.booleans())
def test_every_line_is_as_long_as_it_is(lines: list[tuple[bytes, int]], ends: list[bytes], open_end: bool) -> None:
    """Some lines make several moves, as arcs do, most of them none; ends of all kinds, mixed."""
    content = b"".join(text + end for (text, _), end in zip(lines, ends, strict=False))
    content = content.rstrip(b"\r\n") if open_end else content
    sizes = naive_lines(content)
    moves = [(number, count) for number, (_, count) in enumerate(lines, 1) if number <= len(sizes) and count]
    of_moves = np.array([number for number, count in moves for _ in range(count)], np.int32)
    expected = [float(Fraction(sizes[number - 1], count)) for number, count in moves for _ in range(count)]
    if content:
        assert bytes_of_moves(memoryview(content), of_moves).tolist() == expected


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_by_hand(end: str) -> None:
    """A line of five letters, a remark, an arc whose chords share their line."""
    text = end.join(["G1 X5", "; a remark that nobody sends", "G2 X9 I2 F60", "G1 X1", ""]).encode()
    job = read_gcode(text)
    found = bytes_of_moves(job.content, job.moves.line)
    chords = int((job.moves.line == 3).sum())
    assert chords > 3
    assert found[0] == found[-1] == 5 + len(end)
    assert found[1:-1] == pytest.approx(np.full(chords, (12 + len(end)) / chords))
    assert found.sum() == pytest.approx(5 + 12 + 5 + 3 * len(end))
