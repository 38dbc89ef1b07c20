"""Moves that end off the bed: told by hand, by a walk in plain Python, whole and in blocks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import Notice
from kinematics.gcode.chunks import JobFile
from kinematics.jobs.blockwise import BlockwiseJob
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, time_job
from kinematics.machine import Machine, load_machine
from tests.jobs.conftest import job_of
from tests.naive import gcode_grammar, reader_twin
from tests.naive.reader_twin import Reading

BED = (100.0, 80.0, 60.0)
SIZE = "move that ends off the bed (100 × 80 × 60 mm), by "
FLAT = Machine().with_settings({"machine.bed_mm": list(BED)}, "test")
DELTA = load_machine("sample_gcode/machines/bench_delta.toml").with_settings({"machine.bed_mm": list(BED)}, "test")
OFF = 0.0010015


def told(job: PreparedJob | BlockwiseJob, machine: Machine) -> list[Notice]:
    """What is said of a bed."""
    return [one for one in time_job(job, machine, passing=True).facts.notices if "off the bed" in one.text]


BY_HAND: dict[str, tuple[str, Machine, tuple[int, int, str] | None]] = {
    "on the bed": ("G1 X100 Y80 Z60 F600\nG1 X0 Y0 Z0 E1\n", FLAT, None),
    "a travel beyond its end": ("G1 X9 F600\nG0 X112.5\nG0 X9\n", FLAT, (2, 1, "12.5 mm in X")),
    "a print in front of it": ("G1 X90 Y9 F600\nG1 Y-3 E1\nG1 Y-4 E2\nG1 Y1\n", FLAT, (2, 2, "4 mm in Y")),
    "above and below": ("G1 X9 Z61 F600\nG1 Z-0.2\nG1 X10\n", FLAT, (1, 3, "1 mm in Z")),
    "in two directions": ("G1 X101 Y82 F600\n", FLAT, (1, 1, "1 mm in X and 2 mm in Y")),
    "by less than counts": ("G1 X100.0009 F600\n", FLAT, None),
    "another name for a place": ("G1 X90 F600\nG92 X0\nG1 X20\n", FLAT, (3, 1, "10 mm in X")),
    "home in between": ("G91\nG1 X90 F600\nG28 X\nG1 X90\nG28 Y\nG1 X20\n", FLAT, (6, 1, "10 mm in X")),
    "a far place": ("G1 X12100 F600\n", FLAT, (1, 1, "12,000 mm in X")),
    "the extruder alone": ("G1 X101 F600\nG1 E5\nG1 X9\n", FLAT, (1, 1, "1 mm in X")),
    "from the middle": ("G1 X-50 Y-40 F600\nG1 X50 Y40 Z60 E1\n", FLAT, None),
    "from the middle of a delta": ("G1 X-50 Y-40 F600\nG1 X51 E1\n", DELTA, (2, 1, "1 mm in X")),
    "from the corner of a delta": ("G1 X90 F600\n", DELTA, (1, 1, "40 mm in X")),
    "an arc bulges over the edge": ("G1 X95 Y40 F600\nG2 X95 Y20 I0 J-10 E3\n", FLAT, None),
    "a machine that tells no bed": ("G1 X1000 F600\n", Machine(), None),
}


@pytest.mark.parametrize("name", BY_HAND)
def test_by_hand(name: str) -> None:
    text, machine, expected = BY_HAND[name]
    found = told(PreparedJob(job_of(text)), machine)
    if name == "an arc bulges over the edge":
        (notice,) = found
        assert (notice.line, notice.text) == (2, SIZE + "5 mm in X at most")
        assert notice.count > 10  # chords, not commands
    elif expected is None:
        assert not found
    else:
        line, count, far = expected
        assert [(one.line, one.count, one.text) for one in found] == [(line, count, f"{SIZE}{far} at most")]


def walked(text: bytes, home: tuple[float, float, float]) -> tuple[int, int] | None:
    """Line of the first move that ends off the bed, and how many do: by the reader's twin, place after place."""
    naive = reader_twin.read(text, "extrusion", Reading(), home)
    found: list[list[int]] = [[], []]
    place = [0.0, 0.0, 0.0]
    homings = [(move, int(tool)) for move, kind, _, tool, _ in naive.events if kind == 2]
    for number, move in enumerate(naive.moves):
        for _, axes in (one for one in homings if one[0] == number):
            place = [home[k] if axes & (1 << k) else place[k] for k in range(3)]
        place = [one + step for one, step in zip(place, move[:3], strict=True)]
        for frame, (low, high) in enumerate(((0.0, 1.0), (-0.5, 0.5))):
            x, y, z = place
            ranges = ((x, low * BED[0], high * BED[0]), (y, low * BED[1], high * BED[1]), (z, 0.0, BED[2]))
            if move.kind != 2 and any(at < least - OFF or at > most + OFF for at, least, most in ranges):
                found[frame].append(move.line)
    lines = min(found, key=len)
    return (lines[0], len(lines)) if lines else None


@given(st.integers(0, 1 << 30))
@settings(max_examples=60, deadline=None)
def test_random_jobs_against_a_walk_and_in_blocks(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    random = Random(seed)
    text = gcode_grammar.lines(seed, random.choice((300, 1200)))
    home = random.choice(((0.0, 0.0, 0.0), (-5.0, 3.0, 0.0)))
    machine = FLAT.with_settings({"machine.home_mm": list(home)}, "test")
    path = tmp_path_factory.mktemp("jobs") / "job.gcode"
    path.write_bytes(text)
    whole = told(PreparedJob(str(path)), machine)
    assert [(one.line, one.count) for one in whole] == [one for one in [walked(text, home)] if one]
    assert told(BlockwiseJob(JobFile(str(path)), chunk=random.choice((60, 300, 5000))), machine) == whole


def test_beds_of_several_machines_in_one_pass(job: Callable[[str], Path]) -> None:
    path = job("G1 X9 F600\n" + "G1 X120 E1\nG1 X9 E2\n" * 50)
    blocks = BlockwiseJob(JobFile(str(path)), chunk=200)
    wide = FLAT.with_settings({"machine.bed_mm": [130, 80, 60]}, "test")
    blocks.foresee([Ask(FLAT, passing=True), Ask(wide, passing=True)])
    assert [one.count for one in told(blocks, FLAT)] == [50]
    assert not told(blocks, wide)
