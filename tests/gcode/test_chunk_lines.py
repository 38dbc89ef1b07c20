"""Reading in chunks where lines end in any way, are longer than a chunk, or stop reading."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from kinematics.gcode import chunks
from kinematics.gcode.dialects import EXTRUSION, RS274, TextCommand
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from tests.gcode.chunk_reading import FIRST, LAST, PLAIN, SIZE, assert_alike, cut, in_chunks, in_one_go

MANY = [f"G1 X{i % 7} Y{i % 11} E{i / 10}" for i in range(1, 60)]


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
        assert one == other
        assert repr(wrong) in str(other)


@pytest.mark.parametrize("chunk", [1, 20, 1_000])
def test_programs_of_the_standard(chunk: int) -> None:
    """What comes after the end is not read; a percent line that is missing is missed at the end of the file."""
    moves = b"F60\n" + b"G1 X1\nG1 X2\n" * 50
    for text in (moves, moves + b"M2\nfoo\n" * 20, b"%\n" + moves, b"%\n" + moves + b"%\nfoo\n" * 20, moves + b"%\n"):
        assert_alike(text, chunk, dialect=RS274)


def test_volume_and_another_letter() -> None:
    told = replace(EXTRUSION, extruder_letter="A", extruder_is_volume=True)
    text = cut(FIRST, "X5 E3", "Y6 E4", "G20|X1 E5|G21|G92 E0", LAST, "E10").translate(bytes.maketrans(b"E", b"A"))
    options = PLAIN._replace(filament_area=2.405281875)
    assert_alike(text, SIZE, options, told)


def test_text_commands_across_a_cut() -> None:
    """Overrides hold on, and a pause stops the first move of the chunk after it."""
    commands = (TextCommand("foo!", "pause"), TextCommand("slow (?P<value>.*)", "override", "1"))
    told = replace(EXTRUSION, texts=commands)
    text = cut(FIRST, "foo!|X5 E3|slow 0.5", "Y6 Y", "X7 E4|foo!", "bar!", LAST)
    assert_alike(text, SIZE, dialect=told)
    job = in_chunks(text, SIZE, dialect=told)
    assert isinstance(job, Job)
    assert job.moves.stop.tolist() == [0, 0, 1, 0, 1]
    assert job.moves.speed.tolist() == [10.0, 10.0, 10.0, 5.0, 5.0]
    assert [(notice.line, notice.count) for notice in job.notices] == [(8, 1), (13, 1)]


@pytest.mark.parametrize("marks", ["(layer 1)", "(hub)"])
def test_layers_by_marks_across_a_cut(marks: str) -> None:
    """Where no comment is a mark, layers are those of the path all the same."""
    told = replace(EXTRUSION, layers=("layer (?P<layer>.*)",))
    text = cut(
        FIRST, f"{marks}|X5 E3", "Z0.4|X6 E4", f"{marks}|X7 E5", "(layer 2)|X8 E6" * marks.startswith("(l"), LAST
    )
    assert_alike(text, SIZE, dialect=told)
    job = in_chunks(text, SIZE, dialect=told)
    assert isinstance(job, Job)
    assert job.layers == (2 if "layer" in marks else 3)


def test_a_file_of_several_chunks_of_the_usual_size() -> None:
    """Over 4 MB, as users have them: cut where the reader cuts by itself."""
    lines = [f"G1 X{i % 97}.5 Y{i % 89}.25 E{i % 1000 / 8:.3f}\n" for i in range(200_000)]
    text = b"G28\nG1 Z0.2 F1800\n" + "".join(lines).encode()
    assert len(text) > 2 * chunks.CHUNK
    assert_alike(text, chunks.CHUNK)
    assert len(read_gcode(text).chunks) == 3
