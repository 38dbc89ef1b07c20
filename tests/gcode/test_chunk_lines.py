"""Reading in chunks where lines end in any way, are longer than a chunk, or stop reading."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from kinematics.gcode import chunks
from kinematics.gcode import state as at
from kinematics.gcode.dialects import EXTRUSION, RS274, TextCommand
from kinematics.gcode.reader import read_gcode
from tests.gcode.chunk_reading import (
    FIRST,
    LAST,
    PLAIN,
    SIZE,
    Outcome,
    Watch,
    apart,
    assert_alike,
    bits,
    cut,
    in_chunks,
    in_one_go,
)

MANY = [f"G1 X{i % 7} Y{i % 11} E{i / 10}" for i in range(1, 60)]


@pytest.fixture
def watch(monkeypatch: pytest.MonkeyPatch) -> Watch:
    return Watch(monkeypatch)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_line_ends(end: str, last: bool) -> None:
    """A carriage return alone ends a line but no chunk; a file may end without an end of line."""
    text = ("G1 F600 X1 Y1 Z1" + end + end.join(MANY) + end * last).encode()
    for chunk in (30, 100, 333):
        assert_alike(text, chunk)


def test_mixed_line_ends() -> None:
    ends = Random(5).choices(("\n", "\r\n", "\r", "\n\n", "\r\r"), k=len(MANY))
    text = "".join(line + end for line, end in zip(MANY, ends, strict=True)).encode()
    for chunk in range(20, 300, 7):
        assert_alike(text, chunk)


def test_lines_longer_than_a_chunk() -> None:
    """Of comment, of words, of a message; and a file that is one line."""
    for line in (";" + "-" * 5_000, "G1" + " " * 3_000 + "X9", "M117 " + "long " * 900, "G1 (" + "x" * 4_000 + ") Y3"):
        text = "\n".join([MANY[0], *MANY[:9], line, *MANY[9:20], line, *MANY[20:]]).encode()
        for chunk in (50, 100, 1_000):
            assert_alike(text, chunk)
    assert_alike(b"G1 X1 Y1 F600 " + b"G1 X2 " * 20, 20)


def test_what_stops_reading_late_in_a_file() -> None:
    """The line, the place and the kind of an error are those of reading in one go."""
    for wrong in ("G1 X99999999999", "G92 Y1e9 X9999999999", "G2 I900000000"):
        text = cut(FIRST, "X5 E3", "Y6|hello|Y7 E4", f"X8|{wrong}|X9", LAST)
        one, other = in_one_go(text), in_chunks(text, SIZE)
        assert one.whole[at.STATUS] == other.whole[at.STATUS] == at.STATUS_ERROR
        for k in (at.ERROR, at.ERROR_LINE, at.ERROR_OFFSET):
            assert one.whole[k] == other.whole[k]


def test_what_is_never_cut(watch: Watch) -> None:
    """A strict dialect, one worker, a file of less than two chunks."""
    text = cut(FIRST, LAST, LAST)
    in_chunks(text, SIZE, workers=1)
    assert watch.outcome() == Outcome([], True)
    in_chunks(text, SIZE * 3 // 2)
    assert watch.outcome() == Outcome([], True)
    strict = b"F60\n" + b"G1 X1\nG1 X2\n" * 50
    in_chunks(strict, 20, dialect=RS274)
    assert watch.outcome() == Outcome([], True)


def test_volume_and_another_letter() -> None:
    told = replace(EXTRUSION, extruder_letter="A", extruder_is_volume=True)
    text = cut(FIRST, "X5 E3", "Y6 E4", "G20|X1 E5|G21|G92 E0", LAST, "E10").translate(bytes.maketrans(b"E", b"A"))
    options = PLAIN._replace(filament_area=2.405281875)
    assert not list(apart(in_one_go(text, options, told), in_chunks(text, SIZE, options, told)))


def test_text_events_hold_places_in_the_file() -> None:
    """Lines that are no G-code are kept as events with their byte offset where the dialect has patterns for them."""
    told = replace(EXTRUSION, texts=(TextCommand("foo!", "pause"),))
    text = cut(FIRST, "foo!|X5 E3", "Y6 Y", "foo!|X7 E4", LAST)
    one, other = in_one_go(text, dialect=told), in_chunks(text, SIZE, dialect=told)
    assert not list(apart(one, other))
    offsets = other.events[:, at.EVENT_VALUE].astype(int)
    assert [text[offset : offset + 4] for offset in offsets] == [b"foo!", b"Y6 Y", b"foo!"]


def test_a_file_of_several_chunks_of_the_usual_size() -> None:
    """Over 4 MB, as users have them: cut where the reader cuts by itself."""
    lines = [f"G1 X{i % 97}.5 Y{i % 89}.25 E{i % 1000 / 8:.3f}\n" for i in range(200_000)]
    text = b"G28\nG1 Z0.2 F1800\n" + "".join(lines).encode()
    assert len(text) > 2 * chunks.CHUNK
    assert_alike(text, chunks.CHUNK)
    job = read_gcode(text)
    one = in_one_go(text)
    assert bits(job.moves.dx) == bits(one.path[at.DX])
    assert bits(job.moves.de) == bits(one.path[at.DE])
