"""Rounding along whole paths: the ceiling against a scan in fine steps, what is told against direct convolution."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.vibration.filters import Filter, filter_named, spread_of
from kinematics.vibration.path_rounding import (
    KEPT_BACK,
    LEAST_LEAD,
    NEAR,
    PlannedMotion,
    leads_between,
    leads_see,
    rounding_along,
    speed_by_rounding,
)
from kinematics.vibration.rounding import half_spread

FASTEST = 400.0
SCAN_STEP = 0.05  # mm/s
FILTERS = ("ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI")
Reals = NDArray[np.float64]


def deviation(places: Reals, ends: tuple[int, int], node: int, filters: list[Filter], v: Reals) -> Reals:
    """|Σ A_j (P(s − vτ_j) − P(s))| (mm) by interpolation along the path between two rests; `places` (nodes, axes)."""
    part = places[ends[0] : ends[1] + 1]
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(part, axis=0), axis=1))])
    s = arc[node - ends[0]]
    squares = np.zeros_like(v)
    for axis, command_filter in enumerate(filters):
        lags = np.array(command_filter.times) - spread_of(command_filter).delay
        off = sum(
            share * (np.interp(s - v * lag, arc, part[:, axis]) - part[node - ends[0], axis])
            for lag, share in zip(lags, command_filter.amplitudes, strict=True)
        )
        squares += np.square(off)
    return np.sqrt(squares)


def random_path(rng: np.random.Generator) -> Reals:
    """Places of a path: short turns, fillets, reversals, zigzags, long lines."""
    steps = []
    heading = rng.uniform(0, 2 * np.pi)
    for _ in range(rng.integers(2, 30)):
        heading += rng.choice([0.0, 0.1, 0.5, np.pi / 2, -np.pi / 2, np.pi, rng.normal()])
        steps.append(rng.choice([0.05, 0.3, 1.0, 5.0, 40.0]) * np.array([np.cos(heading), np.sin(heading)]))
    return np.concatenate([[np.zeros(2)], np.cumsum(steps, axis=0)])


@pytest.mark.parametrize("seed", range(60))
def test_the_speed_is_the_first_at_which_a_fine_scan_meets_the_budget(seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = random_path(rng)
    moves = len(places) - 1
    filters = [filter_named(str(rng.choice(FILTERS)), rng.uniform(20, 90), rng.uniform(0.0, 0.15)) for _ in "xy"]
    rests = rng.random(moves + 1) < 0.1
    rests[[0, -1]] = True
    budget, split = rng.uniform(0.02, 0.3), rng.uniform(0.2, 0.8)
    found = speed_by_rounding(tuple(np.diff(places, axis=0).T), rests, filters, budget, FASTEST, split)
    allowed = KEPT_BACK * (1 - split) * budget
    stops = np.flatnonzero(rests)
    v = np.arange(0.0, FASTEST, SCAN_STEP)
    for node in range(moves + 1):
        if rests[node]:
            assert found[node] == np.inf
            continue
        ends = (stops[stops < node][-1], stops[stops > node][0])
        off = deviation(places, ends, node, filters, v)
        below = off[v < found[node]]
        assert below.max() <= allowed * (1 + 1e-9)
        if np.isfinite(found[node]):
            (at,) = deviation(places, ends, node, filters, np.array([found[node]]))
            assert at == pytest.approx(allowed, rel=1e-9)


def test_between_long_straights_it_is_the_budget_by_the_mean_deviations() -> None:
    """(1 − q)ε/√Σ(w_k M_k/2)², by hand for a right angle; what is kept back aside."""
    filters = [filter_named("ZVD", 40.0, 0.0), filter_named("ZV", 60.0, 0.0)]
    steps = (np.array([500.0, 0.0]), np.array([0.0, 500.0]))
    found = speed_by_rounding(steps, np.array([True, False, True]), filters, 0.1, 1e4, 0.5)
    by_hand = KEPT_BACK * 0.05 / np.hypot(*(half_spread(one) for one in filters))
    assert found[1] == pytest.approx(by_hand, rel=1e-12)


def test_turns_within_the_filters_length_count_together() -> None:
    """Two turns of 45° close to each other are one of 90° to the filter; a zigzag below the budget is none at all."""
    filters = [filter_named("ZVD", 40.0, 0.05)] * 2

    def speeds(*places: tuple[float, float]) -> Reals:
        rests = np.zeros(len(places), bool)
        rests[[0, -1]] = True
        return speed_by_rounding(tuple(np.diff(np.array(places), axis=0).T), rests, filters, 0.2, 1e4)

    right, half = speeds((0, 0), (200, 0), (200, 200)), speeds((0, 0), (200, 0), (400, 200))
    both = speeds((0, 0), (200, 0), (200.02, 0.02), (200.02, 200))
    assert both[1:3] == pytest.approx([right[1], right[1]], rel=0.15)
    assert both[1] < 0.7 * half[1]
    assert np.isinf(speeds((0, 0), (200, 0), (200, 0.05), (600, 0.05), (900, 0.05))).all()


def test_straight_on_and_without_a_filter_nothing_is_held() -> None:
    steps = (np.array([3.0, 4.0, 5.0]), np.zeros(3))
    rests = np.array([True, False, False, True])
    none = speed_by_rounding((np.array([3.0, 0.0]), np.array([0.0, 3.0])), rests[1:] | True, [None, None], 0.1, 500.0)
    assert np.isinf(none).all()
    along = speed_by_rounding(steps, rests, [filter_named("ZV", 40.0, 0.0), None], 10.0, 300.0)
    assert np.isinf(along).all()


def test_a_budget_of_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="rounding budget"):
        speed_by_rounding((np.ones(1), np.ones(1)), np.ones(2, bool), [None, None], 0.0, 100.0)


def planned(rng: np.random.Generator) -> tuple[PlannedMotion, Reals]:
    """A random motion with ramps that fit its moves, and when each move begins (s)."""
    places = random_path(rng)
    steps = np.diff(places, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    moves = lengths.size
    nodes = rng.uniform(5, 60, moves + 1)
    nodes[[0, -1]] = 0.0
    peak = np.maximum(nodes[:-1], nodes[1:]) + rng.uniform(0, 30, moves)
    scale = lengths / (lengths + 0.05)  # short moves have short ramps
    rising, falling = 0.3 * scale * lengths / peak, 0.4 * scale * lengths / peak
    ways = 0.5 * (nodes[:-1] + peak) * rising + 0.5 * (peak + nodes[1:]) * falling
    cruising = (lengths - ways) / peak
    pause = np.where(rng.random(moves) < 0.1, 0.2, 0.0)
    motion = PlannedMotion(tuple(steps.T), nodes[:-1], peak, nodes[1:], rising, cruising, falling, pause)
    return motion, np.concatenate([[0.0], np.cumsum(pause + rising + cruising + falling)])


@pytest.mark.parametrize("seed", range(20))
def test_the_rounding_told_is_that_of_a_direct_convolution(seed: int) -> None:
    rng = np.random.default_rng(seed)
    motion, clock = planned(rng)
    filters = [filter_named(str(rng.choice(FILTERS)), rng.uniform(30, 90), rng.uniform(0.0, 0.1)) for _ in "xy"]
    found = rounding_along(motion, filters, np.ones(len(motion.pause), bool))
    t = np.arange(-0.2, clock[-1] + 0.2, 5e-5)
    # The place along the path by integrating the speed profile, drawn as corners in time.
    corners, speeds = [-1.0], [0.0]
    for k, start in enumerate(clock[:-1]):
        begin = start + motion.pause[k]
        corners += [begin, begin + motion.rising[k], begin + motion.rising[k] + motion.cruising[k], clock[k + 1]]
        speeds += [motion.speed_in[k], motion.speed_peak[k], motion.speed_peak[k], motion.speed_out[k]]
    way = np.zeros(len(corners))
    moving = np.array([k % 4 != 1 for k in range(len(corners))])  # the stretch before a move's begin stands still
    for k in range(1, len(corners)):
        dt = corners[k] - corners[k - 1]
        way[k] = way[k - 1] + (0.5 * (speeds[k] + speeds[k - 1]) * dt if moving[k] else 0.0)
    arc = np.concatenate([[0.0], np.cumsum(np.sqrt(sum(np.square(s) for s in motion.steps)))])

    def along(time: Reals) -> Reals:
        k = np.clip(np.searchsorted(corners, time, side="right") - 1, 0, len(corners) - 2)
        left = time - np.take(corners, k)
        dt = np.take(corners, k + 1) - np.take(corners, k)
        v0, v1 = np.take(speeds, k), np.take(speeds, k + 1)
        slope = np.divide(v1 - v0, dt, out=np.zeros_like(dt), where=dt > 0)
        return np.where(np.take(moving, k + 1), way[k] + v0 * left + 0.5 * slope * left**2, way[k])

    squares = np.zeros_like(t)
    for axis, command_filter in enumerate(filters):
        places = np.concatenate([[0.0], np.cumsum(motion.steps[axis])])

        def x(time: Reals, places: Reals = places) -> Reals:
            return np.interp(along(np.clip(time, 0.0, clock[-1])), arc, places)

        lags = np.array(command_filter.times) - spread_of(command_filter).delay
        y = sum(share * x(t - lag) for lag, share in zip(lags, command_filter.amplitudes, strict=True))
        squares += np.square(y - x(t))
    inside = (t >= 0) & (t <= clock[-1])
    off = np.sqrt(squares)[inside]
    assert found.worst == pytest.approx(off.max(), rel=0.01, abs=1e-4)
    weight = np.gradient(along(t[inside]))
    order = np.argsort(off)
    share = np.cumsum(weight[order])
    for part, told in ((0.5, found.median), (0.95, found.most)):
        assert told == pytest.approx(off[order[np.searchsorted(share, part * share[-1])]], rel=0.05, abs=2e-3)


def drawn_leads(rng: np.random.Generator) -> tuple[Reals, NDArray[np.bool_], Reals]:
    """Steps of a path of three axes (float64[3, moves]), its rests, and σ⁴ of x, y and z (s⁴), none on z."""
    steps = np.diff(random_path(rng), axis=0).T
    height = np.where(rng.random(steps.shape[1]) < 0.1, 0.4, 0.0)
    steps = np.vstack([np.where(height > 0.0, 0.0, steps), height])
    return steps, rng.random(steps.shape[1] + 1) < 0.1, np.append(rng.uniform(5e-6, 2e-4, 2) ** 2, 0.0)


def leads_alone(steps: Reals, squares: Reals) -> Reals:
    """√Σ(u_k·σ_k²)² of every move."""
    return np.sqrt(squares @ (steps / np.linalg.norm(steps, axis=0)) ** 2)


def leads_found(steps: Reals, rests: NDArray[np.bool_], squares: Reals, budget: float) -> Reals:
    units = steps / np.linalg.norm(steps, axis=0)
    turns = np.append(True, np.linalg.norm(np.diff(units, axis=1), axis=0) > 1e-6)
    most = float(np.sqrt(squares.max()))
    return leads_between(np.linalg.norm(steps, axis=0), turns, rests, leads_alone(steps, squares), most, budget)


@pytest.mark.parametrize("seed", range(60))
def test_a_short_run_counts_as_the_lesser_of_both_sides(seed: int) -> None:
    """Every pair of moves looked at; a larger budget slows nothing; what is split is as before."""
    rng = np.random.default_rng(seed)
    steps, rests, squares = drawn_leads(rng)
    leads, budget = leads_alone(steps, squares), rng.uniform(0.01, 0.3)
    found = leads_found(steps, rests, squares, budget)
    places = np.append(0.0, np.cumsum(np.linalg.norm(steps, axis=0)))
    stops, near, least = np.cumsum(rests), NEAR * budget, LEAST_LEAD * np.sqrt(squares.max())
    units = steps / np.linalg.norm(steps, axis=0)

    def alike(i: int, k: int) -> bool:
        low, high = min(i, k), max(i, k) + 1
        return bool((np.abs(units[:, low:high] - units[:, i : i + 1]) < 1e-6).all())

    for i, own in enumerate(leads):
        runs = [k for k in range(leads.size) if stops[k] == stops[i] and alike(i, k)]
        begin, end = places[runs[0]], places[runs[-1] + 1]
        before = [(k, end - places[k + 1]) for k in range(runs[0]) if stops[k] == stops[i]]
        behind = [(k, places[k] - begin) for k in range(runs[-1] + 1, leads.size) if stops[k] == stops[i]]
        lesser = min(
            max((leads[k] * min(1.0, near / gap) for k, gap in side), default=0.0) for side in (before, behind)
        )
        assert found[i] == pytest.approx(lesser if lesser > max(own, least) else own, rel=1e-9)
    more = leads_found(steps, rests, squares, 1.7 * budget)
    level = (steps[2] == 0.0) & (found > least)
    assert (more[level] <= 1.7 * found[level] * (1.0 + 1e-9)).all()
    halves, stops_of_halves = np.repeat(0.5 * steps, 2, axis=1), np.zeros(2 * leads.size + 1, bool)
    stops_of_halves[::2] = rests
    assert leads_found(halves, stops_of_halves, squares, budget) == pytest.approx(np.repeat(found, 2), rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_what_lies_further_away_than_is_looked_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps, rests, squares = drawn_leads(rng)
    budget = 0.05
    whole = leads_found(steps, rests, squares, budget)
    places = np.append(0.0, np.cumsum(np.linalg.norm(steps, axis=0)))
    for i in range(whole.size):
        seen = (places[1:] > places[i] - leads_see(budget)) & (places[:-1] < places[i + 1] + leads_see(budget))
        first, last = np.flatnonzero(seen)[[0, -1]]
        found = leads_found(steps[:, first : last + 1], rests[first : last + 2], squares, budget)
        assert found[i - first] == pytest.approx(whole[i], rel=1e-9)


def test_a_detour_between_two_heavy_directions_counts_as_heavy() -> None:
    """By hand: 0.1 mm along x between moves along y, ε = 0.05: all of σ_y² counts; after 0.4 mm, half of it."""
    squares = np.array([1e-5, 1e-4, 0.0]) ** 2
    ends = np.array([True, False, False, True])
    for length, share in ((0.1, 1.0), (0.2, 1.0), (0.4, 0.5)):
        steps = np.array([[0.0, length, 0.0], [9.0, 0.0, 9.0], [0.0, 0.0, 0.0]])
        assert leads_found(steps, ends, squares, 0.05) == pytest.approx([1e-4, share * 1e-4, 1e-4], rel=1e-12)
    assert leads_found(steps, ends | True, squares, 0.05)[1] == pytest.approx(1e-5, rel=1e-12)


def test_upwards_a_sixteenth_is_the_least_that_counts() -> None:
    """By hand: between moves along y 2 mm up count a tenth, ε = 0.05; after 3.3 mm, less than a sixteenth, for none."""
    squares = np.array([0.0, 1e-4, 0.0]) ** 2
    for length, share in ((2.0, 0.1), (3.1, 0.2 / 3.1), (3.3, 0.0)):
        steps = np.array([[0.0] * 3, [9.0, 0.0, 9.0], [0.0, length, 0.0]])
        ends = np.array([True, False, False, True])
        assert leads_found(steps, ends, squares, 0.05) == pytest.approx([1e-4, share * 1e-4, 1e-4], rel=1e-12)
    assert leads_see(0.05) == 64.0 * 0.05
