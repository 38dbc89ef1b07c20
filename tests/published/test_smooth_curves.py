"""The curve rule on curves that are not circles, against the time optimum of the drawn curve, and on small fillets.

The optimum by an integrator of its own: v² <= a/κ and |dv²/ds| <= 2a on a fine grid of the curve itself (J. Bobrow, S.
Dubowsky, J. Gibson, Int. J. Robotics Research 4(3), 1985, for the two passes), tangential and centripetal acceleration
each at most a. The planner sees the chords alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.published.drawn_paths import along, plan_of

Reals = NDArray[np.float64]

DELTA = 0.05  # mm
FEED = 600.0  # mm/s
FINE = 200_000  # places of the drawn curve
TOO_FAST, TOO_SLOW = 0.9, 1.08  # of the optimum's time
STRAIGHT = 20.0  # mm of straight line before and behind a fillet


def fillet(radius: float, chords: int, heading: float = 0.0) -> Reals:
    """Places of a right angle rounded with a radius, between two straights."""
    angle = np.linspace(0.0, 0.5 * math.pi, chords + 1)
    arc = radius * np.stack([np.sin(angle), 1.0 - np.cos(angle)], axis=1)
    places = np.vstack([[[-STRAIGHT, 0.0]], arc, [[radius, radius + STRAIGHT]]])
    turned = np.array([[math.cos(heading), math.sin(heading)], [-math.sin(heading), math.cos(heading)]])
    return np.asarray(places @ turned)


@pytest.mark.parametrize(("chords", "most"), [(3, 2.6), (4, 2.6), (5, 2.6), (6, 2.0), (8, 2.0), (12, 2.0), (24, 2.0)])
@pytest.mark.parametrize("acceleration", [1000.0, 8000.0])
def test_small_fillets_between_long_straights_are_held(chords: int, most: float, acceleration: float) -> None:
    """R 0.2 to 0.5 mm: v²/(a·R) anywhere from tangent point to tangent point; far ends of the straights are not asked.

    Before places were cut from the straights such a fillet was passed at up to 39 times a·R (measured here).
    """
    worst = 0.0
    for radius in np.linspace(0.2, 0.5, 7):
        for heading in (0.0, 0.4):
            plan = plan_of(along(np.round(fillet(radius, chords, heading), 4), FEED), acceleration, DELTA)
            worst = max(worst, float((plan.speed_in[1 : chords + 2] ** 2).max() / (acceleration * radius)))
    print(f"{chords} chords, a = {acceleration:g}: at most {worst:.2f} a·R")
    assert worst < most


# ---- curves of changing radius ----------------------------------------------------------------------------------


def ellipse(half: float, other: float) -> Callable[[Reals], Reals]:
    """A whole ellipse of two half axes (mm)."""
    return lambda t: np.stack([half * np.cos(2.0 * math.pi * t), other * np.sin(2.0 * math.pi * t)], axis=1)


def sine(height: float, length: float) -> Callable[[Reals], Reals]:
    """Two waves of a height and a length (mm)."""
    return lambda t: np.stack([2.0 * length * t, height * np.sin(4.0 * math.pi * t)], axis=1)


def clothoid(length: float, radius: float) -> Callable[[Reals], Reals]:
    """From a straight into a circle of a radius (mm), curvature growing with the length (mm) of path."""

    def places(t: Reals) -> Reals:
        s = np.linspace(0.0, length, FINE)
        heading = s * s / (2.0 * length * radius)
        steps = np.diff(s, prepend=0.0)
        x, y = np.cumsum(np.cos(heading) * steps), np.cumsum(np.sin(heading) * steps)
        return np.stack([np.interp(t * length, s, x), np.interp(t * length, s, y)], axis=1)

    return places


def rounded_square(side: float, radius: float) -> Callable[[Reals], Reals]:
    """Once round a square whose corners are quarter circles (mm), from the middle of a side."""
    quarter = 0.5 * math.pi * radius
    straight = side - 2.0 * radius

    def places(t: Reals) -> Reals:
        s = np.linspace(0.0, 4.0 * (quarter + straight), FINE)
        within = np.mod(s, quarter + straight)
        turned = 0.5 * math.pi * np.floor(s / (quarter + straight))
        turned += np.clip(within - 0.5 * straight, 0.0, quarter) / radius
        steps = np.diff(s, prepend=0.0)
        x, y = np.cumsum(np.cos(turned) * steps), np.cumsum(np.sin(turned) * steps)
        return np.stack([np.interp(t * s[-1], s, x), np.interp(t * s[-1], s, y)], axis=1)

    return places


def optimum(places: Reals, acceleration: float) -> tuple[float, Reals, Reals]:
    """Time (s) along a finely drawn curve, its path (mm) and radius (mm) at every place."""
    steps = np.diff(places, axis=0)
    lengths = np.hypot(*steps.T)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    bend = np.abs(np.diff(heading)) / (0.5 * (lengths[1:] + lengths[:-1]))
    radius = 1.0 / np.maximum(np.concatenate([bend[:1], bend, bend[-1:]]), 1e-9)
    squares = np.minimum(acceleration * radius, FEED**2)
    squares[0] = squares[-1] = 0.0
    for i in range(lengths.size - 1, -1, -1):
        squares[i] = min(squares[i], squares[i + 1] + 2.0 * acceleration * lengths[i])
    for i in range(lengths.size):
        squares[i + 1] = min(squares[i + 1], squares[i] + 2.0 * acceleration * lengths[i])
    speeds = np.sqrt(squares)
    seconds = float((2.0 * lengths / (speeds[:-1] + speeds[1:])).sum())
    return seconds, np.concatenate([[0.0], np.cumsum(lengths)]), radius


CURVES = {
    "ellipse 20 × 5": ellipse(20.0, 5.0),
    "ellipse 10 × 2": ellipse(10.0, 2.0),
    "sine 2 in 20": sine(2.0, 20.0),
    "sine 5 in 20": sine(5.0, 20.0),
    "clothoid into R 5": clothoid(20.0, 5.0),
    "clothoid into R 1": clothoid(10.0, 1.0),
    **{f"rounded square, r {r:g}": rounded_square(20.0, r) for r in (0.3, 0.5, 1.0, 2.0, 3.0)},
}


@pytest.mark.parametrize("name", CURVES)
def test_smooth_curves_take_about_the_time_of_the_optimum(name: str) -> None:
    """Chords of at most a fifth of the smallest radius that stray by at most δ: 10 % faster at most, 8 % slower."""
    drawn = CURVES[name](np.linspace(0.0, 1.0, FINE // 10))
    ratios = []
    for acceleration in (1000.0, 5000.0):
        seconds, path, radius = optimum(drawn, acceleration)
        tightest = float(radius.min())
        longest = min(tightest / 5.0, math.sqrt(8.0 * tightest * DELTA))
        for chord in (longest, 0.5 * longest, 0.2 * longest):
            count = math.ceil(path[-1] / chord)
            at = np.linspace(0.0, path[-1], count + 1)
            places = np.stack([np.interp(at, path, drawn[:, 0]), np.interp(at, path, drawn[:, 1])], axis=1)
            ratios.append(float(plan_of(along(places, FEED), acceleration, DELTA).duration.sum()) / seconds)
    print(f"{name}: {min(ratios):.3f} to {max(ratios):.3f} of the optimum's time")
    assert min(ratios) > TOO_FAST
    assert max(ratios) < TOO_SLOW
