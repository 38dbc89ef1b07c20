"""Reading in chunks against reading in one go: the same, bit for bit."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from kinematics.gcode.dialects import RS274
from kinematics.gcode.state import ReaderOptions
from tests.gcode.chunk_reading import (
    FIRST,
    LAST,
    PLAIN,
    RELATIVE,
    SIZE,
    TOLD,
    UNITS,
    assert_alike,
    cut,
)
from tests.naive import gcode_grammar
from tests.naive.restless_lines import restless_lines

SAMPLES = sorted((Path(__file__).resolve().parents[2] / "sample_gcode").glob("*.gcode"))
SLICE = 120_000  # bytes of a sample
SIZES = (100, 331, 2_000, 30_000)  # bytes a chunk
RESTLESS = 600


# ---- whole files ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chunk", SIZES)
@pytest.mark.parametrize("seed", range(402, 408))
def test_random_lines(seed: int, chunk: int) -> None:
    text = gcode_grammar.lines(seed, 100 + chunk, "extrusion")
    assert_alike(text, chunk, TOLD if seed % 2 else PLAIN)


@pytest.mark.parametrize("chunk", SIZES)
@pytest.mark.parametrize("seed", range(402, 405))
def test_random_lines_by_the_standard(seed: int, chunk: int) -> None:
    assert_alike(gcode_grammar.lines(seed, 100 + chunk, "rs274"), chunk, dialect=RS274)


@pytest.mark.parametrize("chunk", SIZES)
@pytest.mark.parametrize("name", SAMPLES, ids=lambda path: path.stem)
def test_samples(name: Path, chunk: int) -> None:
    """The start of a sample and a piece of its middle."""
    content = name.read_bytes()
    size = min(SLICE, 300 * chunk)
    assert_alike(content[:size], chunk)
    middle = len(content) // 3
    assert_alike(content[middle : middle + size], chunk)


@pytest.mark.parametrize("part", range(4))
def test_modes_that_change_at_any_time(part: int) -> None:
    for seed in range(part * RESTLESS // 4, (part + 1) * RESTLESS // 4):
        random = Random(seed)
        text = restless_lines(random)
        chunk = random.choice((20, 40, 100, 200))
        options = random.choice((PLAIN, TOLD._replace(home=(0.0, 0.0, 0.0)), PLAIN._replace(home=(5.0, 6.0, 7.0))))
        assert_alike(text, chunk, options)


# ---- cuts at told places ----------------------------------------------------------------------------------------

BETWEEN = {  # what stands between two moves, in a chunk of its own
    "each axis first met by itself": "X5|G1 Y6 E3|Z0.4|X7 E4",
    "all axes at once": "G1 X5 Y6 Z7 E8",
    "no Z": "G1 X5 Y5 E3|X9 E4",
    "no X": "G1 Y7 E3|Z1|Y8 E4",
    "Z alone": "Z5",
    "no motion": "M106 S5|hello",
    "nothing": "",
    "two commands on a line": "G1 X5 G1 Y7 E4 G0 Z3",
    "the extruder alone": "E3|X5 E4",
    "the extruder alone, drawn back": "E1|X5 E4",
    "a feed before the first move": "F900|X5|Y6",
    "a feed after some moves": "X5|Y6 E3|F900|X7",
    "no feed": "X5|Y6 E4",
    "an override after the feed": "F900|X5|M220 S50|X7",
    "a flow after the first E": "X5 E4|M221 S50|X6 E5",
    "an arc that starts at a known place": "X5 Y5|G2 X7 Y5 R4|G1 X3 E5",
    "an arc across a height that is not known": "X5 Y5 E3|G3 X7 Y5 R4 E4|G1 E5 Z1",
    "an arc of the other plane": "X5 Z5|G18 G3 X7 Z4 R4|G17 G1 Y5",
    "homing first": "G28|X5 Y5 Z0.2 E3",
    "homing one axis": "G28 X|X7 E3|Y9",
    "homing after moves": "X5 E3|G28|E4 X6",
    "relative moves from known places": "X5 Y5 Z1 E4|G91|X1 E1|Z0.5|G90|X5 E7",
    "relative filament from a known reading": "X5 Y5 E4|M83|X6 E0.1|M82|X7 E5",
    "a new name for what E reads": "X5|G92 E0|X6 E1",
    "the name E has, kept": "X5 E2.5|G92 E0|G92 E0",
    "a stop": "X5|G4 P100|Y6 E4",
    "a stop at the end": "X5 Y6 E4|M0",
    "a stop at the start": "M0|X5 Y6 E4",
    "damaged lines and unknown codes": "X5 Y|M999|hello|Y6|M999",
    "limits": "M204 S500|X5 E3|M205 B3|M204 P400",
    "heaters and waits": "M104 S200|X5|M109 S200|Y6 E4",
    "retraction from known places": "F600|X5 Y5 Z1|G10|Y6|G11|E4 X4",
    "a plane put back": "G18|G17|X5",
    "units put back": "G20|G21|X5 E3",
    "arc that cannot be": "X5 Y5|G2 X7|G1 E5",
    "the end of the program and moves": "M2|G1 X5 E4",
    "a first move that goes nowhere": "X3|Y9 E3",
    "first filament drawn back on the way": "X5 Y5 Z0.2 E1.5",
    "first filament of nothing": "X5 Y5 E2",
    "the extruder alone, but nothing fed": "E2|X5 E3",
    "a first move shorter than the shortest": "X3.0000000001|X5",
    "an override before the feed": "X5|M220 S50|X7 F900",
    "a flow before the first E": "X5|M221 S50|X6 E5",
    "relative moves from unknown places": "G91|X1 Y1|G90|X5 E3",
    "filament by relative moves from an unknown reading, read after": "X5 Y5 Z1|G91|E1|G90|X5 E7",
    "relative filament from an unknown reading, read after": "X5|M83|X6 E0.1|M82|X7 E5",
    "an arc first": "G2 X7 Y5 I2 J0.5",
    "an arc with the first height": "X5 Y5|G2 X7 Y5 R4 Z3",
    "an arc with the first E": "X5 Y5 Z0.2|G2 X7 Y5 R4 E4",
    "a whole circle first": "G2 I2",
    "a new name for a place that is not known": "G92 X0|X5",
    "new names for all": "G92|X5",
    "inverse time": "X5|G93|G1 X6 F2|G94 F900",
    "feed by the turn": "G95|X5 F0.2|G94 F900",
}


@pytest.mark.parametrize("options", [PLAIN, TOLD], ids=["plain", "told"])
@pytest.mark.parametrize("name", BETWEEN)
def test_a_chunk_between_two_moves(name: str, options: ReaderOptions) -> None:
    assert_alike(cut(FIRST, BETWEEN[name], LAST), SIZE, options)


CUTS = {  # name: the parts of the file
    "a stop before a chunk without motion": (FIRST, "X5 E3|G4 P5", "M106 S1", "X6 E4", LAST),
    "a stop that nothing follows": (FIRST, "X5 E3", "M0", ""),
    "a tool change that later chunks do not know of": (FIRST, "T0|X5|T1", "X6|T1|E4", "T0|X7", LAST),
    "the end of the program": (FIRST, "X5|M30", "X6 E4", "Y7", LAST),
    "an override": (FIRST, "F900|X5|M220 S50", "X6 E4", "F900|X7", "M220 S100|X8", LAST),
    "a flow": (FIRST, "X5 E4|M221 S50", "X6 E5", "M221 S100|X8 E6", LAST),
    "a plane": (FIRST, "G18", "X5 Y5 Z5|G2 X7 Z5 R4 E5", "G17", LAST),
    "a motion": (FIRST, "X5|G0 Y6", "X6 E4", "G2 X7 R5|X9 R6", "G1", LAST),
    "relative moves across a cut": (FIRST, "X5 Y5 Z1 E4|G91", "X1 E1|Y1", "Z1|G90", "X3 E9|Y5", LAST),
    "inches across a cut": (FIRST, "G20|X1 F60", "Y1 E0.3", "G21|X5 E9", LAST),
    "inches throughout": (UNITS, "X2 E2", "Y1 F30", "X3 Z0.02 E3", LAST),
    "a new name for a place": (FIRST, "X5 Y5 Z1|G92 X0 Z0", "X5 E4", "G28", LAST),
    "a new name for what E reads": (FIRST, "X5|G92 E0", "X5 E1", "G92 E0", "X6 E1", LAST),
    "relative filament throughout": (RELATIVE, "X5 E0.1", "Y6 E0.3|E-1", "X7|E1", "X8 E0.7"),
    "relative filament, then absolute from a new name": (RELATIVE, "X5 E0.1", "Y6 E0.3|M82|G92 E0|X5 E1", LAST),
    "relative filament, then absolute from the sum": (RELATIVE, "X5 E0.1", "Y6 E0.3", "X4|M82|X5 E9", LAST),
    "absolute filament, then relative": (FIRST, "X5 E3|M83|E0.1", "Y6 E0.3", "X4 E-1", "M82|G92 E0|E4", LAST),
    "relative moves throughout": ("G91|G1 X1 Y1 Z0.2 E1 F600", "X1 E0.1", "Y1|X-1 E0.3", "Z0.2", "X1"),
    "no feed at first": ("X1 Y1 Z1 E1", "X2 E2", "Y3|F600|X4", "X5 E3", LAST),
    "no feed at all": ("X1 Y1 Z1 E1", "X2 E2", "Y3|X4", "X5 E3", "G1 X9 Y9 Z0.6 E9"),
    "inverse time across a cut": (FIRST, "G93", "X5 Y5 F2", "X6|G94 F600", LAST),
    "retracted across a cut": (FIRST, "X5 Y5 Z1 E3|G10", "X9", "G11|X5 E4", "G10|G11", LAST),
    "notes in two chunks": (FIRST, "foo!|M999|X5 E3", "foo!|M999|M998|X", "bar!|M204 S0", LAST),
    "the height of an earlier chunk": (FIRST, "X5 E3", "Y6 E4", "X9", "Y9 E5"),
    "printed at a place told long before": ("G0 X90 Y90 Z5 F600|E1", "G92 E0", "Y3 E1", "Y2 E2", "Z1 E3"),
    "travel, then print": (FIRST, "X50 Y50", "X60", "X70 E3", "G0 X0 Y0"),
    "M82 as the last word on E of a chunk": (RELATIVE, "X5 E0.1", "Y6 E0.3|M82", "X5 E3", "X6 E4", LAST),
    "M82 in a chunk without E": (RELATIVE, "X5 E0.1", "Y6 E0.3", "M82", "X5 E3", "X6 E4", LAST),
    "relative filament within a chunk that knows no reading": (FIRST, "M83|X5 E1|M82", "X5 E3", "X6 E4", LAST),
    "an E on a retraction of the controller's own": (FIRST, "F600|X5 Y5 Z1|G10 E5", "G11", "X5 E3", "X6 E4", LAST),
}


@pytest.mark.parametrize("options", [PLAIN, TOLD], ids=["plain", "told"])
@pytest.mark.parametrize("name", CUTS)
def test_states_across_a_cut(name: str, options: ReaderOptions) -> None:
    assert_alike(cut(*CUTS[name]), SIZE, options)
