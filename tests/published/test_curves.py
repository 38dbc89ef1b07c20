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


def assert_runs_at_centripetal_speed(radius: float, chord: float, a: float, delta: float) -> None:
    """√(a·R) within 5 % at every corner and on the mean of every chord, in the third of five turns.

    Between two corners of a coarse chord the speed swings up and down a little: v_p² = a·(R + c).
    """
    plan = plan_of(along(arc_places(radius, chord, 5 * 2 * math.pi), UNHELD), a, delta)
    n = len(plan.duration)
    third = slice(2 * n // 5, 3 * n // 5)
    speed = math.sqrt(a * radius)
    np.testing.assert_allclose(plan.speed_in[third], speed, rtol=FIVE_PERCENT, err_msg=f"corners, chord {chord}")
    np.testing.assert_allclose(chord / plan.duration[third], speed, rtol=FIVE_PERCENT, err_msg=f"mean, chord {chord}")
    assert plan.speed_peak[third].max() <= math.sqrt(a * (radius + chord)) * (1 + 1e-9)


@pytest.mark.parametrize("a", [300.0, 1000.0, 12_000.0])
@pytest.mark.parametrize("delta", [0.005, 0.02, 0.05, 0.2])
@pytest.mark.parametrize("radius", [1.0, 3.7, 20.0, 90.0])
def test_circles_run_at_the_root_of_acceleration_times_radius(radius: float, delta: float, a: float) -> None:
    """√(a·R) within 5 %, from the widest chord allowed down to fine ones (a = v²/R; computed here)."""
    widest = widest_chord(radius, delta)
    for chord in (widest, 0.7 * widest, 0.3 * widest, 0.1 * widest):
        if 5 * 2 * math.pi * radius / chord < 60_000:
            assert_runs_at_centripetal_speed(radius, chord, a, delta)


@pytest.mark.parametrize("chord", [0.089, 0.06, 0.0501, 0.0447, 0.03, 0.01])
def test_circles_at_a_very_small_deviation(chord: float) -> None:
    """R = 1 mm, δ = 0.001 mm, either side of the short run of 0.05 mm (computed here).

    Below a short run c² <= 2Rδ is needed instead of 8Rδ: the corners of a short chord count with the turn across it,
    twice their own, so that the chord of 2c has to stray by no more than δ.
    """
    radius, delta = 1.0, 0.001
    assert chord <= (widest_chord(radius, delta) if chord >= 0.05 else math.sqrt(2.0 * radius * delta))
    assert_runs_at_centripetal_speed(radius, chord, 1000.0, delta)


def test_short_chords_that_stray_by_more_are_slowed_like_chords_of_twice_the_length() -> None:
    """R = 1 mm, δ = 0.001 mm, 2Rδ < c² <= 8Rδ below the short run: the corner rule sees the turn of two chords."""
    radius, delta, a, chords = 1.0, 0.001, 1000.0, 126
    places = arc_places(radius, 2.0 * math.pi * radius / chords, 30)
    turn = 2.0 * math.asin(math.dist(places[0], places[1]) / (2.0 * radius))
    s = math.cos(turn)  # half of twice the turn
    slowed = math.sqrt(a * delta * s / (1.0 - s))
    corners = plan_of(along(places, 1e5), a, delta).speed_out[10:-10]
    assert slowed < 0.95 * math.sqrt(a * radius)
    assert corners == pytest.approx(slowed, rel=1e-3)


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
