"""A whole published program, stroke by stroke: NISTIR 6556, Appendix C.1, and the rate of section 5.3.

T. R. Kramer, F. M. Proctor, E. Messina, The NIST RS274NGC Interpreter - Version 3, NISTIR 6556, 17 August 2000, a
report of the US government. `nistir6556_c1.ngc` is the program from n0030 on; n0020 sets F20. The tool starts at
(0, 0, 50). Lengths and times are computed here, by summing the strokes by hand; the report gives none.

The straight parts hold to 1e-8 mm. Arcs are cut into chords that fall short of them: by a share of t/3R at most at a
tolerance t, which at 1e-6 mm on the smallest radius, 2.5 mm, is 1.4e-7; put back to the arc they hold to 1e-8 as well.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from kinematics.gcode.job import Job
from kinematics.gcode.reader import read_gcode
from tests.published.drawn_paths import plan_of

PROGRAM = Path(__file__).with_name("nistir6556_c1.ngc")
SET_UP = b"n0010 g21 g92 z50\nn0020 f20\n"  # the tool's place reads (0, 0, 50); nothing moves
FIRST_LINE = 3
HAND_SUM = 1e-8  # mm
RAPIDS, STRAIGHTS, ARCS, FEED_TIME = 202.052801, 126.978534, 56.451933, 550.291399  # mm, mm, mm, s
SIX_DECIMALS = 5.1e-7
FEED = 20.0 / 60.0  # mm/s
# line of the program: signed sweep (degrees), radius (mm)
SWEEPS = {
    "n0190": (270.0, 2.5),
    "n0320": (-360.0, 2.5),
    "n0430": (-360.0, 2.5),
    "n0490": (-math.degrees(2 * math.asin(5 / 8)), 4.0),
    "n0590": (-180.0, 2.5),
}
TOLERANCE = 1e-6  # mm


@pytest.fixture(scope="module")
def job() -> Job:
    return read_gcode(SET_UP + PROGRAM.read_bytes(), "rs274", arc_tolerance=TOLERANCE)


@pytest.fixture(scope="module")
def numbers() -> dict[str, int]:
    """Line of the file by the program's own number."""
    words = PROGRAM.read_text().splitlines()
    return {line.split()[0]: FIRST_LINE + i for i, line in enumerate(words)}


def lengths(job: Job) -> np.ndarray:
    return np.sqrt(job.moves.dx**2 + job.moves.dy**2 + job.moves.dz**2)


def arc_lines(numbers: dict[str, int]) -> list[int]:
    return [numbers[name] for name in SWEEPS]


def strokes_by_hand() -> tuple[float, float]:
    """ΣL of rapids and of straight feeds (mm), from a reading of the program's words that is written for it alone."""
    place, motion = {"x": 0.0, "y": 0.0, "z": 50.0}, ""
    sums = {"g0": 0.0, "g1": 0.0}
    for line in PROGRAM.read_text().replace("x 7", "x7").splitlines():
        words = line.split("(")[0].split()[1:]
        motion = words[0] if words[0][0] == "g" else motion
        target = place | {word[0]: float(word[1:]) for word in words if word[0] in "xyz"}
        if motion in sums:
            sums[motion] += math.dist(tuple(place.values()), tuple(target.values()))
        place = target
    return sums["g0"], sums["g1"]


def test_every_stroke_is_there(job: Job, numbers: dict[str, int]) -> None:
    """59 lines, n0620 the end: 58 moves, each stroke a line (NISTIR 6556, C.1)."""
    assert len(numbers) == 59
    assert not job.notices
    assert sorted(set(job.moves.line.tolist())) == [numbers[name] for name in sorted(numbers) if name != "n0620"]
    straight = ~np.isin(job.moves.line, arc_lines(numbers))
    assert np.count_nonzero(straight) == 58 - 5
    assert (job.moves.dx.sum(), job.moves.dy.sum(), job.moves.dz.sum()) == pytest.approx((81.0, 5.0, 0.0), abs=1e-9)


def test_rapids_and_straight_feeds(job: Job, numbers: dict[str, int]) -> None:
    """Rapid path 202.052801 mm, straight feed 126.978534 mm (NISTIR 6556, C.1; computed here)."""
    rapid = np.isinf(job.moves.speed)
    straight = ~rapid & ~np.isin(job.moves.line, arc_lines(numbers))
    by_hand = strokes_by_hand()
    for chosen, printed, exact in zip((rapid, straight), (RAPIDS, STRAIGHTS), by_hand, strict=True):
        assert float(lengths(job)[chosen].sum()) == pytest.approx(exact, abs=HAND_SUM)
        assert exact == pytest.approx(printed, abs=SIX_DECIMALS)
    np.testing.assert_allclose(job.moves.speed[~rapid], FEED, rtol=1e-15)


def exact_arc(job: Job, line: int) -> tuple[float, float]:
    """Sweep (degrees) and length (mm) of the arc that the equal chords of a line stand for."""
    here = job.moves.line == line
    x, y = job.moves.dx[here], job.moves.dy[here]
    turns = np.arctan2(x[:-1] * y[1:] - y[:-1] * x[1:], x[:-1] * x[1:] + y[:-1] * y[1:])
    sweep = float(turns.mean()) * len(x)
    half = abs(sweep) / len(x) / 2
    return math.degrees(sweep), float(np.hypot(x, y).sum()) * half / math.sin(half)


def test_arcs(job: Job, numbers: dict[str, int]) -> None:
    """Sweeps of 270, 360, 360, 77.36 and 180 degrees, 56.451933 mm in all (NISTIR 6556, C.1; computed here)."""
    total = 0.0
    for name, (sweep, radius) in SWEEPS.items():
        found, length = exact_arc(job, numbers[name])
        assert found == pytest.approx(sweep, abs=1e-8)
        assert length == pytest.approx(radius * math.radians(abs(sweep)), abs=HAND_SUM)
        total += length
    assert total == pytest.approx(ARCS, abs=SIX_DECIMALS)
    chords = float(lengths(job)[np.isin(job.moves.line, arc_lines(numbers))].sum())
    assert total * (1 - 1.001 * TOLERANCE / (3 * 2.5)) <= chords <= total


def test_feed_time_without_acceleration(job: Job, numbers: dict[str, int]) -> None:
    """550.291399 s at F20: ΣL/F of the feeds; a rapid adds none (NISTIR 6556, C.1, 2.1.2.16; computed here)."""
    nominal = lengths(job) / job.moves.speed
    chords = np.isin(job.moves.line, arc_lines(numbers))
    arcs = sum(exact_arc(job, line)[1] for line in arc_lines(numbers)) / FEED
    assert float(nominal[~chords].sum()) + arcs == pytest.approx(FEED_TIME, abs=3 * SIX_DECIMALS)
    short = 1.001 * TOLERANCE / (3 * 2.5) * ARCS / FEED
    assert FEED_TIME - short - 3 * SIX_DECIMALS <= float(nominal.sum()) <= FEED_TIME + 3 * SIX_DECIMALS


def test_planned_program_is_slower_than_its_feeds(job: Job) -> None:
    """With acceleration the program takes longer than nominally, and little more where that is high (computed here)."""
    nominal = float((lengths(job) / job.moves.speed).sum())
    times = [float(plan_of(job.moves, a, speed_cap_mm_s=1e4).duration.sum()) for a in (10.0, 1e3, 1e7)]
    assert nominal < times[2] < times[1] < times[0]
    assert times[2] == pytest.approx(nominal, rel=1e-3)


def test_two_thousand_short_lines_at_a_metre_a_minute() -> None:
    """2,000 lines of 0.1 mm at 1,000 mm/min take 12 s (NISTIR 6556, 5.3), nominally; planned, v/a more."""
    text = "G91 G1 F1000\n" + "X0.1\n" * 2000
    job = read_gcode(text.encode(), "rs274")
    assert len(job) == 2000
    assert float((lengths(job) / job.moves.speed).sum()) == pytest.approx(12.0, rel=1e-9)
    assert float(plan_of(job.moves, 1000.0).duration.sum()) == pytest.approx(12.0 + 1 / 60, rel=1e-9)
