"""The compiled reader against its slow twin, on a million random lines: the same moves, events and doubts."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.errors import Notice
from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from kinematics.gcode.state import (
    NOTE_ARC_IMPOSSIBLE,
    NOTE_ARC_OVERDETERMINED,
    NOTE_ARC_RADII,
    NOTE_CHECKSUM,
    NOTE_DAMAGED,
    NOTE_TEXT,
    NOTE_TEXTS,
)
from tests.naive import gcode_grammar, reader_twin
from tests.naive.reader_twin import NaiveJob

LINES = 100_000
CHORD = 1e-9  # mm: sines and cosines may round differently in the last digits of a chord's end
EXTRUSION_SEEDS = range(101, 107)
STANDARD_SEEDS = range(201, 205)
NUMBERS = ("dx", "dy", "dz", "de", "speed")
TAGS = ("kind", "line", "layer", "stop")
ARC = re.compile(rb"G[ \t]*0*[23](?![0-9])|[IJKR]", re.IGNORECASE)  # what an arc's line holds, in force or not
# What the two call the same doubts.
SAME_DOUBT = {
    "arc radii differ": NOTE_ARC_RADII,
    "arc impossible": NOTE_ARC_IMPOSSIBLE,
    "arc over-determined": NOTE_ARC_OVERDETERMINED,
}
UNKNOWN = re.compile(r"([GM][0-9.]+) is not understood")


def columns_of(naive: NaiveJob) -> dict[str, NDArray[np.float64]]:
    """The twin's moves by column."""
    table = np.array(naive.moves, dtype=np.float64)
    return {name: table[:, i] for i, name in enumerate((*NUMBERS, *TAGS))}


def lines_of(text: bytes) -> list[bytes]:
    """The lines of a file as both readers count them."""
    return text.splitlines()


def lines_with_chords(text: bytes, line: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Which moves may be chords: those of lines with an arc's words, or after one while G2 or G3 is in force."""
    lines = lines_of(text)
    may_curve = np.zeros(len(lines) + 1, dtype=bool)
    in_force = False
    for number, content in enumerate(lines, 1):
        if re.search(rb"[Gg][ \t]*0*[23](?![0-9])", content):
            in_force = True
        may_curve[number] = in_force or ARC.search(content) is not None
        if re.match(rb"[ \t]*[Gg][ \t]*0*[01](?![0-9.])", content):
            in_force = False
    return may_curve[line]


def count_of(notices: tuple[Notice, ...], *kinds: int) -> int:
    """How often the notices of some kinds were counted."""
    texts = tuple(NOTE_TEXTS[kind] for kind in kinds)
    return sum(notice.count for notice in notices if notice.text.startswith(texts))


def unknown_codes(notices: tuple[Notice, ...]) -> dict[str, tuple[int, int]]:
    """Codes that were not understood: first line and count."""
    found: dict[str, tuple[int, int]] = {}
    for notice in notices:
        match = UNKNOWN.match(notice.text)
        if match:
            found[match[1]] = (notice.line or 0, notice.count)
    return found


def where(text: bytes, job: Job, i: int) -> str:
    """The lines about a move, for the message of a failure."""
    number = int(job.moves.line[min(i, len(job) - 1)])
    return f"move {i}, line {number}: {lines_of(text)[max(0, number - 4) : number]}"


def assert_same_moves(text: bytes, job: Job, naive: NaiveJob) -> None:
    """Same moves: tags exactly, straight moves bit for bit, chords to CHORD."""
    theirs = columns_of(naive)
    shared = min(len(job), len(naive.moves))
    for name in ("line", *TAGS):
        ours = getattr(job.moves, name)
        apart = np.flatnonzero(ours[:shared] != theirs[name][:shared])
        assert not apart.size, f"{name}: {apart.size} differ; {where(text, job, int(apart[0]))}"
    assert len(job) == len(naive.moves)
    chord = lines_with_chords(text, job.moves.line)
    # The move after an arc starts where its last chord ends, which is told exactly: no allowance for it.
    for name in NUMBERS:
        ours = getattr(job.moves, name)
        same = ours == theirs[name]
        apart = np.flatnonzero(~same & ~chord)
        assert not apart.size, f"{name}: {apart.size} straight moves differ; {where(text, job, int(apart[0]))}"
        difference = np.abs(ours[~same] - theirs[name][~same])
        assert float(difference.max(initial=0.0)) <= CHORD, f"{name}: chords differ by {difference.max()}"


def assert_same_events(text: bytes, job: Job, naive: NaiveJob) -> None:
    """Same events: place, kind, value (NaN where none was told), tool and line."""
    theirs = np.array(naive.events, dtype=np.float64).reshape(-1, 5)
    events = job.events
    ours = np.stack([events.move, events.kind, events.value, events.tool, events.line], axis=1)
    assert ours.shape == theirs.shape
    apart = np.flatnonzero(~((ours == theirs) | (np.isnan(ours) & np.isnan(theirs))).all(axis=1))
    assert not apart.size, f"{ours[apart[0]]} is not {theirs[apart[0]]}"


def assert_same_doubts(job: Job, naive: NaiveJob) -> None:
    """Same counts of what corresponds, and the same unknown codes at the same first lines."""
    texts = naive.counts.get("text", (0, 0))[1] + naive.counts.get("damaged", (0, 0))[1]
    assert count_of(job.notices, NOTE_TEXT, NOTE_DAMAGED) == texts
    for name, kind in SAME_DOUBT.items():
        assert count_of(job.notices, kind) == naive.counts.get(name, (0, 0))[1], name
    # The twin counts the wrong checksum of a damaged line as well; it may stand after the damage.
    checksums = naive.counts.get("checksum", (0, 0))[1]
    assert 0.9 * checksums <= count_of(job.notices, NOTE_CHECKSUM) <= checksums
    assert unknown_codes(job.notices) == {name: told for name, told in naive.unknown.items() if name[0] in "GM"}


def assert_same(text: bytes, dialect: str) -> Job:
    """Both readers find the same in a text; returns what the fast one found."""
    naive = reader_twin.read(text, dialect)
    job = read_gcode(text, dialect)
    assert_same_moves(text, job, naive)
    assert_same_events(text, job, naive)
    assert_same_doubts(job, naive)
    return job


@pytest.mark.parametrize("seed", EXTRUSION_SEEDS)
def test_extrusion_reads_as_the_twin(seed: int) -> None:
    job = assert_same(gcode_grammar.lines(seed, LINES, "extrusion"), "extrusion")
    assert job.layers > 1000
    assert len(job.events.move) > 1000
    assert np.isfinite(job.moves.speed).mean() > 0.9


@pytest.mark.parametrize("seed", STANDARD_SEEDS)
def test_the_standard_reads_as_the_twin(seed: int) -> None:
    job = assert_same(gcode_grammar.lines(seed, LINES, "rs274"), "rs274")
    assert len(job) > 0.8 * LINES
    assert np.isfinite(job.moves.speed).mean() > 0.7


def test_the_lines_are_a_million() -> None:
    assert LINES * (len(EXTRUSION_SEEDS) + len(STANDARD_SEEDS)) >= 1_000_000
