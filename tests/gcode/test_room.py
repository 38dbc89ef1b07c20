"""Files that need more room than was guessed, and lines longer than any."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode import portions
from kinematics.gcode.chunks import CHUNK, JobFile
from kinematics.gcode.dialects import EXTRUSION
from kinematics.gcode.moves import Moves
from kinematics.gcode.portions import Portions, Wanted
from kinematics.gcode.reader import read_gcode
from kinematics.gcode.state import ReaderOptions
from tests.gcode.broke_memory import CASES
from tests.gcode.reading import doubts, ends, outcome, read


def test_a_line_of_more_words_than_any_command_has_is_not_used() -> None:
    job = read("G1 X1 F60\nG1" + " X1" * 200 + "\nG1 X2")
    assert ends(job) == [(1, 0, 0), (2, 0, 0)]
    assert doubts(job) == [(2, 1)]
    assert len(read("G1 F60 " + " ".join(f"G1 X{i}" for i in range(1, 60)))) == 59


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("dialect", ["extrusion", "rs274"])
def test_what_once_broke_memory_is_read_or_refused_with_a_sentence(name: str, dialect: str) -> None:
    assert re.match(r"\d+ moves, |refused: <bytes>(:\d+)?: ", outcome(CASES[name], dialect))


@pytest.mark.parametrize("arcs", [1, 2, 3, 7])
def test_as_many_long_arcs_as_a_line_has(arcs: int) -> None:
    """Each of 800 turns of 10 mm radius, the chords 2·acos(1 − 0.01/10) apart: more than the room that a line gets."""
    job = read("G1 X0 Y0 F1000\n" + "G2 I10 P800 E1 " * arcs + "G92 X7\nG1 X9\n")
    chords = math.ceil(800 * 2 * math.pi / (2 * math.acos(1 - 0.01 / 10)))
    assert len(job) == arcs * chords + 1
    assert np.all(job.moves.line[:-1] == 2)
    assert job.moves.line[-1] == job.lines == 3
    length = np.hypot(job.moves.dx, job.moves.dy)[:-1].sum()
    assert length == pytest.approx(arcs * chords * 20 * math.sin(800 * math.pi / chords), rel=1e-9)
    assert ends(job)[-1] == (2, 0, 0)
    assert job.filament == pytest.approx(1.0)
    assert not doubts(job)


def test_the_turns_of_one_arc_end_at_a_thousand() -> None:
    assert len(read("F60\nG2 I0.1 P1000")) == math.ceil(1000 * 2 * math.pi / (2 * math.acos(1 - 0.01 / 0.1)))
    with pytest.raises(InputError, match=r"^<bytes>:2: an arc of over 1,000 turns.*P of 1,000 at most"):
        read("F60\nG2 I0.1 P1001")


def test_many_short_lines_outgrow_the_first_guess_of_room() -> None:
    # Six bytes a move, where sixteen were guessed; more than the room that any file gets.
    count = 200_000
    job = read(b"G91\nF60\n" + b"X1\nY1\n" * count)
    assert len(job) == 2 * count
    assert np.all(job.moves.dx[::2] == 1.0)
    assert np.all(job.moves.dy[1::2] == 1.0)
    assert job.moves.line.tolist() == list(range(3, 2 * count + 3))


def test_chunks_with_many_short_lines_outgrow_the_first_guess_of_room() -> None:
    """Three bytes a move, and a file of several chunks."""
    count = 2 * CHUNK // 6 + 1_000
    job = read_gcode(b"F60\n" + b"X1\nX2\n" * count)
    assert len(job) == 2 * count
    assert np.array_equal(job.moves.dx, [1.0, *[1.0, -1.0] * (count - 1), 1.0])
    assert job.moves.line.tolist() == list(range(2, 2 * count + 2))


def test_many_arcs_and_events_outgrow_the_first_guess_of_room() -> None:
    # Each arc of 50 mm radius makes over two hundred chords of twenty bytes.
    arcs = 1_500
    job = read(b"G1 X100 Y100 F600\n" + b"G2 I50 J0\nG4 P1\n" * arcs)
    chords = math.ceil(2 * math.pi / (2 * math.acos(1 - 0.01 / 50)))
    assert len(job) == 1 + arcs * chords
    assert len(job.events.move) == arcs
    assert job.events.move.tolist() == [1 + chords * (i + 1) for i in range(arcs)]
    assert abs(float(job.moves.dx.sum()) - 100.0) < 1e-6
    many = read(b"G1 X1 F60\n" + b"G4P1\n" * 100_000)
    assert len(many.events.move) == 100_000


@pytest.mark.parametrize("lead", [0, 2, 50])
def test_moves_before_a_portion_are_written_before_it_or_both_anew(lead: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Moves of one portion from each place on, before those of the next; beside plain lists."""
    monkeypatch.setattr(portions, "LEAD", lead)
    text = "".join(f"G1 X{i} Y{i % 3} Z{i // 9} E{i / 7:.3f} F{600 + i}\n" for i in range(1, 60)).encode()
    options = ReaderOptions()
    first, second = list(Portions(JobFile(text), EXTRUSION, options, Wanted(), len(text) // 2 + 20).read())
    expected = [column.tolist() for column in second.moves]
    for begin in range(first.moves.kind.size + 1):
        before = Moves._make(column[begin:] for column in first.moves)
        led = second.led_by(before)
        for column, earlier, later in zip(led, before, expected, strict=True):
            assert column.tolist() == [*earlier.tolist(), *later]
        assert np.shares_memory(led.dx, second.moves.dx) == (before.kind.size <= lead)
    assert [column.tolist() for column in second.moves] == expected
