"""The slow twin of the G-code reader against hand cases and published arcs, before anything is held against it."""

from __future__ import annotations

import math

import pytest

from kinematics.gcode import moves as codes

from . import reader_twin_state as state
from . import reader_twin_words as words
from .gcode_grammar import lines
from .reader_twin import NaiveError, NaiveJob, Reading, read

NANOMETRE = 1e-6  # mm

# Kramer, Proctor and Messina 2000 (NISTIR 6556), 3.5.3 and Appendix C.1 where named; the rest closed forms by hand.
# Start, command, radius (mm), sweep (degrees), rise (mm), length (mm).
ARCS = {
    "A1 quarter": ("X0 Y0", "G3 X10 Y10 I0 J10", 10, 90, 0, 5 * math.pi),
    "A2 semicircle": ("X0 Y0", "G2 X20 Y0 I10 J0", 10, 180, 0, 10 * math.pi),
    "A3 C.1 n0190": ("X16 Y2.5", "G3 X13.5 Y0 I-2.5", 2.5, 270, 0, 3.75 * math.pi),
    "A4 C.1 n0320": ("X32.5 Y0", "G2 X32.5 J2.5", 2.5, 360, 0, 5 * math.pi),
    "A5 helix": ("X0 Y0 Z0", "G3 X0 Y0 Z2 I10 J0", 10, 360, 2, math.hypot(20 * math.pi, 2)),
    "A6 3.5.3.2 level": ("X7 Y7 Z9", "G17 G2 X10 Y16 I3 J4 Z9", 5, 143.13010235415598, 0, 12.490457723982544),
    "A6 3.5.3.2 helix": ("X7 Y7 Z5", "G17 G2 X10 Y16 I3 J4 Z9", 5, 143.13010235415598, 4, 13.115317),
    "A7 G18 G3": ("X10 Z0", "G18 G3 X0 Z-10 I-10 K0", 10, 90, 0, 15.707963),
    "A7 G18 G2": ("X10 Z0", "G18 G2 X0 Z-10 I-10 K0", 10, 270, 0, 47.123890),
    "A8 3.5.3.1": ("X0 Y0 Z5", "G17 G2 X10 Y15 R20 Z5", 20, 53.576426, 0, 18.701701),
    "A8 3.5.3.1 long": ("X0 Y0 Z5", "G17 G2 X10 Y15 R-20 Z5", 20, 306.423574, 0, 106.962005),
    "A9": ("X0 Y0", "G2 X10 Y0 R10", 10, 60, 0, 10.471976),
    "A9 long": ("X0 Y0", "G2 X10 Y0 R-10", 10, 300, 0, 52.359878),
    "A10": ("X0 Y0", "G3 X10 Y0 R5", 5, 180, 0, 5 * math.pi),
    "A11 C.1 n0490": ("X64 Y4", "G2 X69 R4", 4, math.degrees(2 * math.asin(0.625)), 0, 8 * math.asin(0.625)),
}
IMPOSSIBLE = ("G3 X0 Y0 R5", "G3 X11 Y0 R5", "G3 X10.0021 Y10 I0 J10", "G2 X5", "G2 I5", "G2 X5 Y0 I2.5 R2.5")

# Appendix C.1 "Hello world" of NISTIR 6556, its lines joined by strokes.
HELLO = """g0 x0 y0 z2|g1 z-0.5|y10|g0 z2|y5|g1 z-0.5|x 7|g0 z2|y0|g1 z-0.5|y10|g0 z2|x11 y2.5|g1 z-0.5 (start e)|x16
g3 x13.5 y0 i-2.5|g1 x16|g0 z2|x20 y0|g1 z-0.5|y9|g0 z2|x26|g1 z-0.5|y0|g0 z2|x32.5|g1 z-0.5|g2 x32.5 j2.5|g0 z2
x45 y5|g1 z-0.5|x47 y0|x48.5 y3|x50 y0|x52 y5|g0 z2|x57.5 y0|g1 z-0.5|g2 x57.5 j2.5|g0 z2|x64|g1 z-0.5|y5|y4
g2 x69 r4|g0 z2|x73 y0|g1 z-0.5|y9|g0 z2|x81|g1 z-0.5|y0|x79.5|g2 j2.5 y5|g1 x81|g0 z50|m2"""


def job(text: str, dialect: str = "extrusion", home: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> NaiveJob:
    return read(text.replace("|", "\n").encode("latin-1"), dialect, home=home)


def steps(text: str, dialect: str = "extrusion") -> list[tuple[float, float, float, float]]:
    return [move[:4] for move in job(text, dialect).moves]


def arc_length(job: NaiveJob, line: int, radius: float, plane: tuple[int, int]) -> float:
    """Length of the true arc behind equal chords (mm), each 2·r·sin(sweep/2n) in the plane."""
    chords = [move for move in job.moves if move.line == line]
    flat = [math.hypot(chord[plane[0]], chord[plane[1]]) for chord in chords]
    assert max(flat) - min(flat) < NANOMETRE
    rise = sum(chord[3 - sum(plane)] for chord in chords)
    return math.hypot(sum(2 * radius * math.asin(length / (2 * radius)) for length in flat), rise)


@pytest.mark.parametrize("dialect", ["extrusion", "rs274"])
@pytest.mark.parametrize("name", ARCS)
def test_published_arcs(name: str, dialect: str) -> None:
    start, command, radius, sweep, rise, length = ARCS[name]
    found = job(f"G0 {start}|F60 {command}", dialect)
    plane = (2, 0) if "G18" in command else (0, 1)
    closed_form = math.hypot(math.radians(sweep) * radius, rise)
    assert arc_length(found, 2, radius, plane) == pytest.approx(closed_form, rel=1e-7)
    assert closed_form == pytest.approx(length, rel=1e-7)
    chords = sum(move.line == 2 for move in found.moves)
    assert chords == math.ceil(math.radians(sweep) / (2 * math.acos(1 - 0.01 / radius)))
    assert not found.counts or dialect == "extrusion"


@pytest.mark.parametrize("command", IMPOSSIBLE)
def test_arcs_that_the_standard_forbids(command: str) -> None:
    with pytest.raises(NaiveError, match="line 2"):
        job(f"F60|{command}", "rs274")
    assert not job("F60|G3 X10 Y10.0019 I0 J10", "rs274").counts


def test_arcs_that_extrusion_makes_the_best_of() -> None:
    found = job("G1 F60|G3 X0 Y0 R5 E1|G2 X11 R5|G1 X0|G3 X10.0021 Y10 I0 J10|G2 X20|G90 X0 Y0|G2 X5 I2.5 R9")
    assert found.counts["arc impossible"] == (2, 4)  # and line 7, G2 being in force
    assert found.counts["arc radii differ"] == (5, 1)
    assert found.counts["arc over-determined"] == (8, 1)
    assert found.moves[0][:6] == (0, 0, 0, 1, 1, state.FILAMENT)
    assert found.moves[1][:3] == (11, 0, 0)
    half = job("G1 F60|G2 X10.005 R5")  # within 0.1 %: the half circle over the chord
    assert not half.counts
    assert arc_length(half, 2, 5.0025, (0, 1)) == pytest.approx(5.0025 * math.pi, rel=1e-9)


def test_hello_world_of_the_standard() -> None:
    """NISTIR 6556, Appendix C.1; sums by hand, stroke by stroke."""
    found = job("G0 Z50|F20|" + HELLO.replace("\n", "|"), "rs274")
    rapid = cut = arcs = 0.0
    for move in found.moves[1:]:
        length = math.hypot(*move[:3])
        on_arc = sum(other.line == move.line for other in found.moves) > 1
        if on_arc:
            radius = 4 if move.line == 48 else 2.5
            arcs += 2 * radius * math.asin(length / (2 * radius))
        elif move.speed == math.inf:
            rapid += length
        else:
            cut += length
    assert (rapid, cut, arcs) == pytest.approx((202.052801, 126.978534, 56.451933), abs=1e-6)
    assert (cut + arcs) / 20 * 60 == pytest.approx(550.291399, abs=1e-5)
    assert len({move.line for move in found.moves[1:]}) == 58
    # 5.3: 2000 lines of 0.1 mm at 1000 mm/min take 12 s.
    found = job("G91 F1000|" + "|".join(["G1 X0.1"] * 2000), "rs274")
    assert sum(move.dx / move.speed for move in found.moves) == pytest.approx(12, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("g0x +0. 12 34y 7", "g0 x+0.1234 y7"),  # NISTIR 6556, 3.3
        ("x1 g1 f5", "g1 f5 x1"),  # 3.3.6
        ("G1.00005 X4", "G1 X4"),  # 3.3.2.1
        ("N5 G1 X1 (a) Y2", "G1 X1 Y2"),
        ("/G1 X1", "G1 X1"),
        ("G1 X10 G91|X10", "G91|G1 X10|X10"),  # Table 8: distance mode before motion
        ("G4 P1 G1 X10", "G1 X10"),
        ("G1 X4|G92 X7|G1 X9", "G1 X4|X6"),  # 3.5.18
        ("G1 X4|G92 X7|G92 X9|X10", "G1 X4|X5"),
        ("G0 X30|G28 X50", "G0 X30|X50|X0"),  # 3.5.8
        ("G1 X1|M2|X5", "G1 X1"),
        ("%|G1 X1|%|X9", "G1 X1"),  # 3.1
    ],
)
def test_lines_that_mean_the_same_in_the_standard(text: str, same: str) -> None:
    assert steps(text, "rs274") == steps(same, "rs274")


ERRORS = (
    *(
        "G1 X1 X2",
        "G0 G1 X1",
        "(a(b) X1",
        "G1 X(1",
        "N000009 X1",
        "G1 X1 ; a",
        "U5",
        "X.",
    ),  # 3.3 (not X1e3: E is a letter)
    *("X1e-05", "X", "hello", "%X1", "X1*55", "X1 (a) 2", "G17 G18", "M3 M5", "N-1 X1", "M987", "G123", "G93 X2"),
    *("G1 F0 X1", "F-5", "G92", "G28 G1 X1", "G28 G4 P1", "G4 P-1", "G4", "X" + "1" * 256),
    *("G1.0002 X1", "G1.1 X1", "X1 N5", "N5.0 X1", "N1 N2 X1", "N 12 34 56", "(c) N5 X1", "X(c)1"),
    *("G80 G1 X1", "G80 X1", "G80 E1", "M0 M2", "M7 M9", "M48 M49", "M3 M7 M8 M48 M0", "M3 M3", "G93 G94", "G98 G99"),
    *("M82", "M104 S200", "M117 hi", "M220 S50", "G10 P1", "G29", "G95", "A5", "O5", "V1", "W1", "C2", "B3"),
)


@pytest.mark.parametrize("line", ERRORS)
def test_errors_of_the_standard(line: str) -> None:
    with pytest.raises(NaiveError, match="line 2"):
        job(f"F60|{line}", "rs274")


def test_feed_before_units_in_the_standard() -> None:
    """NISTIR 6556, Table 8: F acts before G20 on its line."""
    (move,) = job("F60 G20 G1 X1", "rs274").moves
    assert (move.dx, move.speed) == (25.4, 1.0)
    (move,) = job("F60 G20 X1").moves  # extrusion: words before any command go first
    assert (move.dx, move.speed) == (1.0, 1.0)
    (move,) = job("G20 F60 X1").moves  # and the first of them tells the place of all
    assert (move.dx, move.speed) == (25.4, 25.4)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Y10E-2", [(0, 10, 0, -2)]),
        ("Y10E-2.50", [(0, 10, 0, -2.5)]),
        ("Y10 E-12", [(0, 10, 0, -12)]),
        ("X5 Y6 G1 X7 Y8", [(5, 6, 0, 0), (2, 2, 0, 0)]),
        ("G91 X1 G90 Y20", [(1, 20, 0, 0)]),
        ("G1 X1 G91 X2|X2", [(2, 0, 0, 0), (2, 0, 0, 0)]),
        ("G1 X5 T1 Y6", [(5, 6, 0, 0)]),
        ("G20 X1 G21 Y2", [(25.4, 50.8, 0, 0)]),
        ("M104 X5|G1 Y1", [(0, 1, 0, 0)]),
        ("M987 X5|M6 X4|M84 X", []),
        ("M117 X5 Y6|G1 X1 M118 X9", [(1, 0, 0, 0)]),
        ("(X5) G1 ; X6|/G1 X2", [(2, 0, 0, 0)]),
        ("G1 X10 (half Y5", [(10, 0, 0, 0)]),
        ("E2|E5|M83|E1|G91|M82|E1|G90|E8", [(0, 0, 0, 2), (0, 0, 0, 3), (0, 0, 0, 1), (0, 0, 0, 1), (0, 0, 0, 1)]),
        ("M221 S50|E2|G92 E0|E2", [(0, 0, 0, 1), (0, 0, 0, 1)]),
        ("X10|G92 X0|X5|G92|X1", [(10, 0, 0, 0), (5, 0, 0, 0), (1, 0, 0, 0)]),
        ("X1e|X2", [(2, 0, 0, 0)]),  # the bare e makes the first line damaged
        ("G1 X0.0000000001|X2", [(2 - 1e-10, 0, 0, 0)]),
        ("x5.y+.5\rX6\r\nX7\n", [(5, 0.5, 0, 0), (1, 0, 0, 0), (1, 0, 0, 0)]),
    ],
)
def test_displacements(text: str, expected: list[tuple[float, float, float, float]]) -> None:
    assert steps(text) == expected


@pytest.mark.parametrize(
    ("line", "notice"),
    [
        ("G1 X1 45", "damaged"),
        ("G1 X3.83e-05 Y1", "damaged"),
        ("G1 X10 Enan", "damaged"),
        ("X--1", "damaged"),
        ("G28 X1.2.3", "damaged"),
        ("G90 G1 X1 Q", "damaged"),
        ("layer 5 of 10", "text"),
        ("foo G28", "text"),
        ("G90 foo", "damaged"),
        ("12", "damaged"),
        ("hello", "text"),
        ("P5 S3", "text"),
        ("thing := 5", "text"),
        ("G1 X5!", "text"),
        ("G1 X1*12a", "damaged"),
        ("G1 X1.2.3!", "damaged"),
        ("G1 X1! 2.3.4", "text"),
        ("G1 F0.5", "feed below 1 mm a minute"),
        ("G1 U5", "letter U"),
        ("A5", "letter A"),
        ("G10 P1", "retraction with words"),
        ("G1", ""),
        ("N5", ""),
        ("%", ""),
        ("  ", ""),
        ("M117 Hello, world!*3", ""),
        ("G28 X", ""),
        ("N3 T0*57", ""),
        ("N3 T0*58", "checksum"),
        ("F0", "feed of zero or less"),
        ("M104 S200 S210", "repeated word"),
        ("G4", "dwell of no length"),
        ("G1 X1", "no feed yet"),
    ],
)
def test_counted_lines(line: str, notice: str) -> None:
    found = job(f"|{line}")
    assert found.counts == ({notice: (2, 1)} if notice else {})
    assert bool(found.moves) == (notice == "no feed yet")


def test_events_stops_and_unknown_codes() -> None:
    found = job(
        "G28|G1 F60 X1|M104 S200 T1|M109|M190 R60|X2|T0|T0|T3|X3|M6 T0|G4 P500 S2|G4 P500|M0 S3|M140 S50|X4|M2|X5"
        "|M987|G1.5 X3|M987 S1"
    )
    assert [(event.move, event.kind) for event in found.events] == [
        (0, words.HOMING),
        (1, words.NOZZLE_TARGET),
        (1, words.NOZZLE_WAIT),
        (1, words.BED_WAIT_BOTH_WAYS),
        (2, words.TOOL_CHANGE),
        (3, words.TOOL_CHANGE),
        (3, words.DWELL),
        (3, words.DWELL),
        (3, words.PAUSE),
        (3, words.BED_TARGET),
    ]
    assert [event.value for event in found.events[3:8]] == [60, 3, 0, 2, 0.5]
    assert math.isnan(found.events[2].value)
    assert found.events[1].tool == 1
    assert [move.stop for move in found.moves] == [1, 1, 1, 1, 0]
    assert found.counts == {"moves after the end": (18, 1)}
    assert found.unknown == {"M987": (19, 2), "G1.5": (20, 1)}


def test_speed_and_kind() -> None:
    found = job("M220 S50|G1 X1 F600|M220 S100|X2 E1|G0 X3|G20|F60|X1 E-1|E0|G1 X1.0 E0")
    assert [move.speed for move in found.moves] == [5, 10, 10, 25.4, 25.4]
    assert [move.kind for move in found.moves] == [1, 0, 1, 1, 2]
    assert job("G0 X1 F600", "rs274").moves[0].speed == math.inf


def test_homing_puts_axes_at_home() -> None:
    found = job("G1 X5 Y5 F60|G92 X0 Y0|G28 X|G1 X0 Y0", home=(-3.0, 7.0, 0.0))
    assert found.moves[-1][:3] == (3, 0, 0)


def test_layers() -> None:
    flat = job("F600|X1|X2 E1|Z5|X3|Z0.2|X4 E2|Z0.4|X5|X6 E3|Z0.2|X7 E4")
    assert [move.layer for move in flat.moves] == [0, 1, 1, 1, 1, 2, 2, 2, 3, 3, 4]
    corners = ((10, 0), (10, 10), (0, 10), (0, 0))
    climb = "|".join(f"X{corners[i % 4][0]} Y{corners[i % 4][1]} Z{0.2 + 0.05 * (i + 1):.2f} E1" for i in range(10))
    spiral = job(f"F600|M83|Z0.2|X10 E1|X0 E1|{climb}")
    # A flat first layer; the climb begins the second; each four quarter turns begin a further one.
    assert [move.layer for move in spiral.moves] == [0, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4]


def test_codes_are_the_contracts() -> None:
    ours = [name for name in dir(words) if isinstance(getattr(words, name), int) and hasattr(codes, name)]
    assert len(ours) == 13
    for name in ours:
        assert getattr(words, name) == getattr(codes, name)
    kinds = (codes.PRINT, codes.TRAVEL, codes.FILAMENT)
    assert kinds == (state.PRINT, state.TRAVEL, state.FILAMENT)


def test_percent_lines_of_the_standard() -> None:
    """NISTIR 6556, 3.1: the first line that is not blank, and a second one or the program's end."""
    for text in (" |\t|%|F60|X1|%", "%|X1|M2", "F60|X1|M2|%", "%|X1|%|X1 X1"):
        assert len(job(text, "rs274").moves) == 1
    for text in ("%|X1", "X1|%|X2|%", "(note)|%|X2|%", "% (c)|X1|%", "%X1|%", "/|%|X1|%"):
        with pytest.raises(NaiveError):
            job(text, "rs274")


def test_inverse_time() -> None:
    """NISTIR 6556, 3.5.19: F2 takes 30 s whatever the length, and every line needs its own; a rapid none."""
    straight, half_circle, slow = 0.0, 0.0, 0.0
    found = job("G93|G1 X30 F2|G3 X50 R10 F4|G20 G1 X51 F1|G21 G0 X5|G94 F60 G1 X6", "rs274")
    for move in found.moves:
        seconds = math.hypot(*move[:3]) / move.speed
        straight += seconds * (move.line == 2)
        half_circle += seconds * (move.line == 3)
        slow += seconds * (move.line == 4)
    assert (straight, half_circle, slow) == pytest.approx((30, 15, 60), rel=1e-12)
    assert [move.speed for move in found.moves[-2:]] == [math.inf, 1.0]
    found = job("F600|G93|X10 F2|M220 S50|X40 F2|X50|E5 F6|F3|G1 X60|G94|X70")
    assert [move.speed for move in found.moves] == pytest.approx([1 / 3, 0.5, math.inf, 0.25, math.inf, 5.0])
    assert found.counts == {"inverse time without F": (6, 2)}


def test_feed_per_turn() -> None:
    found = job("F600|G95|X10 F2|G94|X20")
    assert [move.speed for move in found.moves] == [math.inf, 10.0]
    assert found.counts == {"feed per turn": (3, 1)}


def test_whole_turns() -> None:
    """P of an arc: the drawn turn counted; by hand, chords are 2·acos(1 − 0.01/10) apart."""
    angle = 2 * math.acos(1 - 0.001)
    for turns, counted in (("", 1), (" P0", 1), (" P1", 1), (" P3", 3), (" P2.6", 3)):
        found = job(f"F60|G2 X10 Y10 I10 Z3 E6{turns}|P2")
        assert len(found.moves) == math.ceil((math.pi / 2 + 2 * math.pi * (counted - 1)) / angle)
        assert math.fsum(move.de for move in found.moves) == pytest.approx(6)
        assert math.fsum(move.dz for move in found.moves) == pytest.approx(3)
    full = job("F60|G3 I-10 P2")
    assert len(full.moves) == math.ceil(4 * math.pi / angle)
    assert not job("F60|G2 X10 Y10 I10 P0|G91 G2 X5 R5 P2", "rs274").counts


def test_the_controllers_own_retraction() -> None:
    text = "E5 F60|G10|G10|X5|G11|G11|M221 S50|G92 E0|G10 S1|E-1|G10 P2 S200|G11 P1"
    found = job(text)
    assert [(event.kind, event.line) for event in found.events[:3]] == [(words.RETRACTION, n) for n in (2, 5, 9)]
    assert len(found.events) == 3
    assert found.counts == {"retraction with words": (11, 2)}
    assert [move.stop for move in found.moves] == [0, 1, 1]
    told = read(text.replace("|", "\n").encode(), reading=Reading(retraction=(0.8, 30.0)))
    assert [(move.de, move.speed) for move in told.moves] == [
        (5, 1),
        (-0.8, 30),
        (0, 1),
        (0.8, 30),
        (-0.8, 30),
        (-0.5, 1),
    ]


def test_stated_limits() -> None:
    found = job("M204 S500|X5 F60|M205 X8 Q0.02 B3|M201 X Y0 Z-1 E5000|X6 M203 T1 Z12 T2|M204 P800 X5 G1 X9|M205 B2")
    assert found.stated == [
        (0, "acceleration", 500, 1),
        (1, "x step", 8, 3),
        (1, "e acceleration", 5000, 4),
        (2, "z speed", 12, 5),
        (2, "print acceleration", 800, 6),
    ]
    assert found.unused == {"M205": (3, 2), "M201": (4, 1), "M203": (5, 1), "M204": (6, 1)}
    assert found.loose == {"M205": "BQ", "M201": "YZ", "M203": "T", "M204": "X"}
    assert not found.events
    assert found.counts == {"repeated word": (5, 1)}


def test_what_reading_depends_on() -> None:
    def told(text: str, reading: Reading) -> list[tuple[float, float, float, float]]:
        return [move[:4] for move in read(text.replace("|", "\n").encode(), reading=reading).moves]

    skipping = Reading(block_delete=True)
    assert told("/X5|X1|(note) /X2|//X3|/hello|N1 /X4", skipping) == [(1, 0, 0, 0)]
    assert read(b"/hello\n//X3\nN1 /X4", reading=skipping).texts == [(3, 0)]
    assert read(b"//X3\n% X3\n/X4").counts["text"] == (1, 2)
    assert told("X1 A2 E9|E5|G92 A0|A1", Reading(letter="A")) == [(1, 0, 0, 2), (0, 0, 0, 1)]
    assert told("E6|G20|E8|G92 E0|E1", Reading(area=2.0)) == [(0, 0, 0, 3), (0, 0, 0, 1), (0, 0, 0, 0.5)]


@pytest.mark.parametrize("dialect", ["extrusion", "rs274"])
def test_random_lines_are_read(dialect: str) -> None:
    """The grammar repeats itself from its seed, keeps its count, and stays within sane magnitudes."""
    text = lines(5, 20_000, dialect)
    assert text == lines(5, 20_000, dialect)
    assert len(text.splitlines()) == 20_000
    found = read(text, dialect)
    assert len(found.moves) > 15_000
    assert all(math.hypot(*move[:3]) < 2000 for move in found.moves)
    if dialect == "extrusion":
        assert len(found.counts) >= 9
        assert found.unknown
