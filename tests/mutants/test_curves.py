"""Curvature of curves that leave the plane: the circle through three places of a helix, a tilted arc, a fillet.

κ = 2·sin ψ/|P_ahead − P_behind| (three points on a circle, law of sines). Expected here from the centre that lies as
far from all three, or from the closed form of a helix; every path along each axis in turn, and along none of them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.planner.corners import WINDOW_SLACK, curvature_at

Reals = NDArray[np.float64]
OBLIQUE = np.array([[2.0, 3.0, 6.0], [3.0, -6.0, 2.0], [6.0, 2.0, -3.0]]) / 7.0  # of unit length, at right angles
FRAMES = (np.eye(3), np.roll(np.eye(3), 1, axis=0), np.roll(np.eye(3), 2, axis=0), OBLIQUE)
EXACT = 1e-9


@compiled
def curvatures(places: Reals, window: float) -> Reals:
    """The curvature at every corner of a path between two stops."""
    found = np.zeros(places.shape[1])
    for corner in range(1, found.size - 1):
        found[corner] = curvature_at(places, corner, 0, found.size - 1, window)
    return found


def along(points: Reals) -> Reals:
    """The places of a path (float64[4, m]) from its points (float64[m, 3])."""
    lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.vstack([np.concatenate([[0.0], np.cumsum(lengths)]), points.T])


def place_at(places: Reals, mark: float) -> Reals:
    """The point of a path that so much of it leads to."""
    return np.array([np.interp(mark, places[0], row) for row in places[1:]])


def through(one: Reals, two: Reals, three: Reals) -> float:
    """Curvature of the circle through three points in space, from its centre: in their plane, as far from each."""
    first, second = two - one, three - one
    normal = np.cross(first, second)
    centre = np.linalg.solve([first, second, normal], [0.5 * (first @ first), 0.5 * (second @ second), 0.0])
    return 1.0 / float(np.linalg.norm(centre))


def turn_between(one: Reals, two: Reals) -> float:
    """The angle between two chords (rad), from half of it (W. Kahan): exact where it is small, and where it is not."""
    one, two = one / np.linalg.norm(one), two / np.linalg.norm(two)
    return 2.0 * math.atan2(float(np.linalg.norm(one - two)), float(np.linalg.norm(one + two)))


@pytest.mark.parametrize("frame", FRAMES)
def test_the_chord_circle_of_a_helix(frame: Reals) -> None:
    """Through P(−φ), P(0) and P(φ) of (R·cos t, R·sin t, c·t), c = 0.4 R and 2 R: equal chords d, d² = 4R²·sin²(φ/2) +
    c²φ², and P(0) lies h = 2R·sin²(φ/2) beside the third; κ = 2h/d². Of steps of 0.1 rad one, two and five.
    """
    for radius, climb in ((1.5, 0.6), (0.5, 1.0)):
        turned = 0.1 * np.arange(40)
        points = np.column_stack([radius * np.cos(turned), radius * np.sin(turned), climb * turned]) @ frame
        places = along(points)
        for steps in (1, 2, 5):
            found = curvatures(places, (steps - 0.5) * places[0, 1])[steps:-steps]
            phi = 0.1 * steps
            height = 2.0 * radius * math.sin(0.5 * phi) ** 2
            square = 4.0 * radius**2 * math.sin(0.5 * phi) ** 2 + (climb * phi) ** 2
            assert found == pytest.approx(np.full(40 - 2 * steps, 2.0 * height / square), rel=EXACT)


@pytest.mark.parametrize("frame", FRAMES)
def test_a_tilted_arc_bends_alike_however_far_the_window_looks(frame: Reals) -> None:
    """Uneven chords of a circle of 0.2 mm: 5/mm, also where the window is halved as they turn by over 1.55 rad."""
    turned = np.cumsum(np.random.default_rng(7).uniform(0.05, 0.4, 30))
    places = along(0.2 * np.column_stack([np.cos(turned), np.sin(turned), np.zeros(30)]) @ frame)
    for window in (0.01, 0.1, 0.25, 1.0):
        assert curvatures(places, window)[1:-1] == pytest.approx(np.full(28, 5.0), rel=EXACT)


def by_search(places: Reals, corner: int, window: float) -> float:
    """The rule in words, place by place: where it looks, from where it is cut, what may be rounding, when it halves."""
    travelled, here = places[0], places[1:, corner]
    last, marks = travelled.size - 1, travelled - travelled[corner]
    while True:
        behind = max([k for k in range(corner) if -marks[k] >= window - WINDOW_SLACK], default=0)
        ahead = min([k for k in range(corner + 1, last + 1) if marks[k] >= window - WINDOW_SLACK], default=last)
        ends = [places[1:, behind], places[1:, ahead]]
        cut = list(ends)
        if behind != corner - 1 and -marks[behind] > 2.0 * window + WINDOW_SLACK:
            cut[0] = place_at(places, travelled[corner] - window)
        if ahead != corner + 1 and marks[ahead] > 2.0 * window + WINDOW_SLACK:
            cut[1] = place_at(places, travelled[corner] + window)
        if turn_between(here - cut[0], cut[1] - here) > 0.012:
            ends = cut
        if turn_between(here - ends[0], ends[1] - here) <= 1.55:
            return through(here, *ends)
        if behind == corner - 1 and ahead == corner + 1:
            return 0.0
        window *= 0.5


@pytest.mark.parametrize("seed", range(4))
def test_any_path_in_space_bends_as_the_rule_says_in_words(seed: int) -> None:
    """Long straights and small pieces between them, turned by a little or by a lot, in every direction."""
    rng = np.random.default_rng(seed)
    direction, points = rng.normal(size=3), [np.zeros(3)]
    for _ in range(40):
        direction = direction / np.linalg.norm(direction) + rng.choice([0.004, 0.3, 2.0]) * rng.normal(size=3)
        points.append(points[-1] + rng.choice([0.04, 0.2, 5.0]) * direction / np.linalg.norm(direction))
    places = along(np.array(points))
    for window in (0.1, 0.25, 1.0):
        expected = [by_search(places, corner, window) for corner in range(1, 40)]
        assert curvatures(places, window)[1:-1] == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("frame", FRAMES)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_turns_that_rounding_may_cause_are_told_in_any_plane(frame: Reals, sign: float) -> None:
    """5 mm, 0.2 mm, 5 mm: the chord of 0.25 mm turns by τ·(0.2·1 + 0.05·2)/0.25 = 1.2 τ: 0.0117 or 0.0123 rad.

    Below 0.012 the circle through the far end counts; above it that through the place 0.25 mm ahead, or behind.
    """
    for turn in (0.00975, 0.01025):
        angles = sign * turn * np.arange(3)
        steps = np.array([5.0, 0.2, 5.0])[:, None] * np.column_stack([np.cos(angles), np.sin(angles), np.zeros(3)])
        places = along(np.vstack([np.zeros(3), np.cumsum(steps, axis=0)]) @ frame)
        begin, first, second, end = places[1:].T
        beyond, before = place_at(places, 5.25), place_at(places, 4.95)
        if turn < 0.01:
            beyond, before = end, begin
        found = curvatures(places, 0.25)
        assert found[1] == pytest.approx(through(begin, first, beyond), rel=1e-6)
        assert found[2] == pytest.approx(through(before, second, end), rel=1e-6)


@pytest.mark.parametrize("beyond", [-0.5, 0.0, 0.5, 1.5, 3.0])
def test_an_end_at_twice_the_window_is_not_far(beyond: float) -> None:
    """1/16 and 7/16 mm, each way from a corner, in thirds of a right angle: ends at just twice a window of 1/4 mm.

    Up to the slack further away they are taken themselves, and beyond it the places that are 1/4 mm away.
    """
    angles = np.radians([0.0, 30.0, 60.0, 90.0])
    lengths = np.array([7.0, 1.0, 1.0, 7.0]) / 16.0 + np.array([1.0, 0.0, 0.0, 1.0]) * beyond * WINDOW_SLACK
    steps = lengths[:, None] * np.column_stack([0.8 * np.cos(angles), 0.8 * np.sin(angles), np.full(4, 0.6)])
    places = along(np.vstack([np.zeros(3), np.cumsum(steps, axis=0)]))
    here, middle = places[1:, 2], places[0, 2]
    taken = [place_at(places, middle - 0.25), place_at(places, middle + 0.25)]
    if beyond < 1.0:
        taken = [places[1:, 0], places[1:, 4]]
    assert curvatures(places, 0.25)[2] == pytest.approx(through(here, *taken), rel=EXACT)


@pytest.mark.parametrize("frame", FRAMES)
def test_a_path_that_goes_back_upon_itself_is_no_curve(frame: Reals) -> None:
    """5 mm, back by 0.2 mm and on for 5 mm: 0.05 mm into that it still lies behind the corner, within 0.01 rad of the
    way it came. The far end lies ahead, and the circle through it would bend by 0.002/mm: seen by no window.
    """
    points = np.array([[0.0, 0.0, 0.0], [5.0, 0.0, 0.0], [4.8, 0.0005, 0.0], [10.0, 0.05, 0.0]])
    places = along(points @ frame)
    assert turn_between(places[1:, 1] - places[1:, 0], place_at(places, 5.25) - places[1:, 1]) > math.pi - 0.01
    assert through(*places[1:, [0, 1, 3]].T) == pytest.approx(2.0 * math.sin(0.01) / 10.0, rel=1e-3)
    assert curvatures(places, 0.25)[1:3].tolist() == [0.0, 0.0]


@pytest.mark.parametrize("off", [0.0, 1e-10, 1e-9, 1e-6])
def test_a_loop_that_closes_at_its_corner_has_no_direction_there(off: float) -> None:
    """Three sides round and back to `off` mm beside the corner: below 1e-9 that is rounding; half the window counts.

    From (−1, −1/2) to the corner, on to the end of the loop: sin ψ = 0.5/√1.25, κ = 2·sin ψ/√1.25 = 0.8/mm. The same
    for the way back, where the loop lies before the corner.
    """
    points = np.array([[-1.0, -0.5, 0.0], [0.0, 0.0, 0.0], [1.0, 1.0, 0.0], [1.0, -1.0, 0.0], [off, 0.0, 0.0]])
    points[2:4] /= 16.0
    places, back = along(np.vstack([points, [9.0, 9.0, 9.0]])), along(np.vstack([points, [9.0, 9.0, 9.0]])[::-1])
    expected = 0.8 if off >= 1e-9 else through(points[1], points[0], points[3])
    assert curvatures(places, 0.25)[1] == pytest.approx(expected, rel=1e-5)
    assert curvatures(back, 0.25)[4] == pytest.approx(expected, rel=1e-5)


def test_a_right_angle_far_from_the_start_is_no_curve() -> None:
    """Chords to its neighbours turn by more than 1.55 rad, and there is nothing nearer than those."""
    points = np.vstack([np.arange(301.0)[:, None] * (0.6, 0.8, 0.0), (180.0, 240.0, 1.0)])
    assert curvatures(along(points), 0.25)[300] == 0.0
