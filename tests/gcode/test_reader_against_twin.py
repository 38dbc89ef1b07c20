"""The compiled reader against its slow twin, on a million random lines: the same moves, events and doubts."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.errors import Notice
from kinematics.gcode.cutting import start_places
from kinematics.gcode.dialects import EXTRUSION, TextCommand, dialect_named
from kinematics.gcode.job import Job
from kinematics.gcode.moves import DWELL, PAUSE
from kinematics.gcode.reader import read_gcode
from kinematics.gcode.state import (
    NOTE_AFTER_END,
    NOTE_ARC_IMPOSSIBLE,
    NOTE_ARC_OVERDETERMINED,
    NOTE_ARC_RADII,
    NOTE_CHECKSUM,
    NOTE_DAMAGED,
    NOTE_EMPTY_DWELL,
    NOTE_FEED_MISSING,
    NOTE_FEED_NOT_POSITIVE,
    NOTE_FEED_PER_TURN,
    NOTE_FEED_TINY,
    NOTE_FEED_WITH_UNITS,
    NOTE_NO_FEED,
    NOTE_OVERRIDE,
    NOTE_PROBED_ALREADY,
    NOTE_REPEATED_WORD,
    NOTE_RETRACTION_WORDS,
    NOTE_TEXT,
    NOTE_TEXTS,
)
from tests.naive import gcode_grammar, reader_twin
from tests.naive.reader_twin import NaiveJob, Reading

LINES = 100_000
SUMMED = 1e-6  # mm: a hundred thousand displacements added up, and those left out for being too short
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
    "repeated word": NOTE_REPEATED_WORD,
    "feed of zero or less": NOTE_FEED_NOT_POSITIVE,
    "feed beside units": NOTE_FEED_WITH_UNITS,
    "feed per turn": NOTE_FEED_PER_TURN,
    "inverse time without F": NOTE_FEED_MISSING,
    "no feed yet": NOTE_NO_FEED,
    "dwell of no length": NOTE_EMPTY_DWELL,
    "override of nothing": NOTE_OVERRIDE,
    "moves after the end": NOTE_AFTER_END,
    "damaged": NOTE_DAMAGED,
    "checksum": NOTE_CHECKSUM,
    "feed below 1 mm a minute": NOTE_FEED_TINY,
    "probed already": NOTE_PROBED_ALREADY,
    "retraction with words": NOTE_RETRACTION_WORDS,
}
UNKNOWN = re.compile(r"([GM]-?[0-9.]+) is not understood")
UNUSED = re.compile(r"([GM][0-9.]+) ([A-Z](?:, [A-Z])*) states? no limit")
LETTER = re.compile(r"([A-Z]) is no axis here")
TEXT = re.compile(r"(.+?): " + NOTE_TEXTS[NOTE_TEXT])
AS_TOLD = Reading()
FEW_LINES = 20_000


def columns_of(naive: NaiveJob) -> dict[str, NDArray[np.float64]]:
    """The twin's moves by column."""
    table = np.array([move[:-1] for move in naive.moves], dtype=np.float64)
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


def text_lines(job: Job) -> int:
    """How many lines of text were counted, all first words together."""
    return sum(notice.count for notice in job.notices if TEXT.match(notice.text))


def named_in(notices: tuple[Notice, ...], pattern: re.Pattern[str]) -> dict[str, tuple[int, int]]:
    """What notices of one kind name: first line and count."""
    found: dict[str, tuple[int, int]] = {}
    for notice in notices:
        match = pattern.match(notice.text)
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


def assert_same_places(job: Job, naive: NaiveJob) -> None:
    """The places where moves start, which are found from displacements and homings alone."""
    theirs = np.array([move.start for move in naive.moves]).T
    assert np.abs(start_places(job) - theirs).max() <= SUMMED


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
    assert text_lines(job) == naive.counts.get("text", (0, 0))[1]
    letters = {name.removeprefix("letter "): told for name, told in naive.counts.items() if name.startswith("letter ")}
    assert named_in(job.notices, LETTER) == letters
    for name, kind in SAME_DOUBT.items():
        assert count_of(job.notices, kind) == naive.counts.get(name, (0, 0))[1], name
    assert named_in(job.notices, UNKNOWN) == {name: told for name, told in naive.unknown.items() if name[0] in "GM"}


def assert_same_limits(job: Job, naive: NaiveJob) -> None:
    """Same limits stated before the same moves, in file order but for the letters of one line; the same unused ones."""
    ours = sorted((row.line, row.move, row.means, row.value) for row in job.stated)
    assert ours == sorted((row.line, row.move, row.means, row.value) for row in naive.stated)
    assert [row.line for row in job.stated] == sorted(row.line for row in job.stated)
    assert named_in(job.notices, UNUSED) == naive.unused
    found = {match[1]: match[2] for one in job.notices if (match := UNUSED.match(one.text))}
    assert found == {name: ", ".join(letters) for name, letters in naive.loose.items()}


def read_as(text: bytes, dialect: str, reading: Reading) -> Job:
    """The job of a text as the fast reader finds it."""
    told = replace(dialect_named(dialect), extruder_letter=reading.letter, extruder_is_volume=reading.area is not None)
    return read_gcode(
        text,
        told,
        home=reading.home,
        arc_tolerance=reading.arc_tolerance,
        retraction=reading.retraction,
        filament_area=np.nan if reading.area is None else reading.area,
        block_delete=reading.block_delete,
    )


def assert_same(text: bytes, dialect: str, reading: Reading = AS_TOLD) -> Job:
    """Both readers find the same in a text; returns what the fast one found."""
    naive = reader_twin.read(text, dialect, reading)
    job = read_as(text, dialect, reading)
    assert_same_moves(text, job, naive)
    assert_same_places(job, naive)
    assert_same_events(text, job, naive)
    assert_same_doubts(job, naive)
    assert_same_limits(job, naive)
    return job


@pytest.mark.parametrize("seed", EXTRUSION_SEEDS)
def test_extrusion_reads_as_the_twin(seed: int) -> None:
    # Below all that follows, so that layers are told apart from there on.
    job = assert_same(b"G1 X9 Z-90 E1 F900\nG1 Z0 E0\n" + gcode_grammar.lines(seed, LINES, "extrusion"), "extrusion")
    assert job.layers > 1000
    assert len(job.events.move) > 1000
    assert np.isfinite(job.moves.speed).mean() > 0.9
    assert len({row.means for row in job.stated}) == 16
    found = {kind for kind in SAME_DOUBT.values() if count_of(job.notices, kind)}
    # The first is the standard's, not every file has an end, and these begin with a feed.
    assert found >= {*SAME_DOUBT.values()} - {NOTE_FEED_WITH_UNITS, NOTE_AFTER_END, NOTE_NO_FEED}


@pytest.mark.parametrize("seed", STANDARD_SEEDS)
def test_the_standard_reads_as_the_twin(seed: int) -> None:
    job = assert_same(gcode_grammar.lines(seed, LINES, "rs274"), "rs274")
    assert len(job) > 0.8 * LINES
    assert np.isfinite(job.moves.speed).mean() > 0.7


def test_the_lines_are_a_million() -> None:
    assert LINES * (len(EXTRUSION_SEEDS) + len(STANDARD_SEEDS)) >= 1_000_000


# The area is a power of two, so that both ways to divide by it round alike.
READINGS = {
    "retraction told": Reading(retraction=(1.2, 28.0)),
    "retraction of no known speed": Reading(retraction=(1.2, np.inf)),
    "block delete": Reading(block_delete=True),
    "home elsewhere": Reading(home=(-7.5, 3.25, 11.0)),
    "coarse arcs": Reading(arc_tolerance=0.3),
    "volume": Reading(area=0.25),
    "another letter": Reading(letter="A"),
    "all of it": Reading(0.05, (1.0, 2.0, 3.0), (0.5, 25.0), "U", 4.0, True),
}


@pytest.mark.parametrize("dialect", ["extrusion", "rs274"])
@pytest.mark.parametrize("name", READINGS)
def test_what_reading_depends_on(name: str, dialect: str) -> None:
    reading = READINGS[name]
    text = gcode_grammar.lines(sum(map(ord, name)), FEW_LINES, dialect)
    if reading.letter != "E":
        text = text.translate(bytes.maketrans(b"Ee", f"{reading.letter}{reading.letter.lower()}".encode()))
    job = assert_same(text, dialect, reading)
    assert (job.moves.de > 0.0).mean() > 0.3


def test_text_commands_among_all_else() -> None:
    """A dialect that knows some text commands: they stop motion where they stand, and all else reads as before."""
    patterns = (
        TextCommand("FETCH SOMEBODY", "pause"),
        TextCommand(r"rest (?P<value>\d+)", "dwell", "s"),
        TextCommand("part: .*", "ignore"),
    )
    text = gcode_grammar.lines(301, FEW_LINES, "extrusion")
    naive = reader_twin.read(text)
    plain = read_gcode(text)
    job = read_gcode(text, replace(EXTRUSION, texts=patterns))
    stops = [(move, kind, value, tool, line) for move, kind, value, tool, line in naive.events]
    known = 0
    resting = {i for i, move in enumerate(naive.moves) if move.stop}
    lines = lines_of(text)
    for line, move in naive.texts:
        told = lines[line - 1].decode("latin-1").partition(";")[0]
        told = re.sub(r"\([^)]*\)?", "", told).strip().upper()
        if told == "FETCH SOMEBODY":
            stops.append((move, PAUSE, 0.0, 0, line))
        elif re.fullmatch("REST [0-9]+", told):
            stops.append((move, DWELL, float(told[5:]), 0, line))
        elif not told.startswith("PART: "):
            continue
        else:
            known += 1
            continue
        known += 1
        resting.add(move)
    stops.sort(key=lambda row: row[4])
    ours = [tuple(float(column[i]) for column in job.events) for i in range(job.events.move.size)]
    np.testing.assert_array_equal(np.array(ours), np.array(stops, dtype=np.float64))
    assert set(np.flatnonzero(job.moves.stop).tolist()) == resting - {len(job)}
    for name in ("dx", "dy", "dz", "de", "speed", "kind", "line", "layer"):
        np.testing.assert_array_equal(getattr(job.moves, name), getattr(plain.moves, name))
    assert known > 20
    assert text_lines(job) + count_of(job.notices, NOTE_DAMAGED) == len(naive.texts) - known
