"""Finely cut curves and straights: the curve rule against centripetal acceleration (textbook mechanics, a = v²/R)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.published.drawn_paths import along, arc_places, plan_of

FIVE_PERCENT = 0.05
A_THOUSANDTH = 1e-3
UNHELD = 1e5  # mm/s: a commanded speed that holds nothing


def widest_chord(radius: float, delta: float) -> float:
    """The longest chord (mm) that is R/5 at most and strays from the circle by δ at most, c²/8R <= δ."""
    return min(radius / 5.0, math.sqrt(8.0 * radius * delta))


def mean_speeds(radius: float, chord: float, a: float, delta: float) -> np.ndarray:
    """Mean speed (mm/s) in each chord of the third of five turns of a circle at exact coordinates."""
    turn = 2.0 * math.pi
    plan = plan_of(along(arc_places(radius, chord, 5 * turn), UNHELD), a, delta)
    n = len(plan.duration)
    return chord / plan.duration[2 * n // 5 : 3 * n // 5]


@pytest.mark.parametrize("a", [300.0, 1000.0, 12_000.0])
@pytest.mark.parametrize("delta", [0.005, 0.02, 0.05, 0.2])
@pytest.mark.parametrize("radius", [1.0, 3.7, 20.0, 90.0])
def test_circles_run_at_the_root_of_acceleration_times_radius(radius: float, delta: float, a: float) -> None:
    """√(a·R) within 5 %, from the widest chord allowed down to fine ones (a = v²/R; computed here)."""
    widest = widest_chord(radius, delta)
    for chord in (widest, 0.7 * widest, 0.3 * widest, 0.1 * widest):
        if 5 * 2 * math.pi * radius / chord < 60_000:
            speeds = mean_speeds(radius, chord, a, delta)
            np.testing.assert_allclose(speeds, math.sqrt(a * radius), rtol=FIVE_PERCENT, err_msg=f"chord {chord}")


@pytest.mark.parametrize("chord", [0.089, 0.06, 0.0499, 0.045, 0.03, 0.01])
def test_circles_at_a_very_small_deviation(chord: float) -> None:
    """R = 1 mm, δ = 0.001 mm: chords below 0.05 mm, short runs, count with their neighbours' turn (computed here)."""
    radius, delta = 1.0, 0.001
    assert chord <= widest_chord(radius, delta)
    speeds = mean_speeds(radius, chord, 1000.0, delta)
    np.testing.assert_allclose(speeds, math.sqrt(1000.0 * radius), rtol=FIVE_PERCENT)


@pytest.mark.parametrize(
    ("a", "speed"),
    [(600.0, 150.0), (600.0, 189.0), (1000.0, 100.0), (1000.0, 244.0), (4000.0, 489.0), (20_000.0, 1095.0)],
)
def test_straights_in_rounded_pieces_take_the_time_of_the_whole(a: float, speed: float) -> None:
    """100 mm in 0.1 mm pieces with places rounded to 0.001 mm, at many angles, F² <= a·60 mm (computed here)."""
    assert speed**2 <= a * 60.0
    worst = 0.0
    for angle in np.concatenate(
        [np.linspace(0.0, math.pi, 91), np.random.default_rng(4).uniform(0.0, 2 * math.pi, 60)]
    ):
        direction = np.array([math.cos(angle), math.sin(angle)])
        places = np.round(np.linspace(0.0, 100.0, 1001)[:, None] * direction + 100.0, 3)
        pieces = plan_of(along(places, speed), a).duration.sum()
        whole = plan_of(along(places[[0, -1]], speed), a).duration.sum()
        worst = max(worst, abs(pieces / whole - 1.0))
    print(f"a = {a:g}, F = {speed:g}: the pieces take at most {worst:.2e} more than the whole")
    assert worst < A_THOUSANDTH
