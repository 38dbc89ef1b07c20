"""Ramps under an acceleration that falls with speed, against scipy: quadrature, root finding, integration in time."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from kinematics.compiled import compiled
from kinematics.planner import falling, ramps
from kinematics.planner.durations import ramps_of_tied

Reals = NDArray[np.float64]
Places = NDArray[np.int64]
CLOSE = 1e-9


@compiled
def envelope(pieces: Reals, own: float, top: float, segments: Reals, holders: Places) -> int:
    return falling.lower_envelope(pieces, 0, pieces.shape[1], own, top, 0, segments, holders)


@compiled
def climb(
    segments: Reals, holders: Places, slow: float, length: float, top: float, seconds: Reals
) -> tuple[float, float, float]:
    return falling.climb(segments, holders, 0, slow, length, top, 1.0, seconds)


@compiled
def ramp(segments: Reals, holders: Places, slow: float, fast: float, seconds: Reals) -> tuple[float, float]:
    return falling.ramp(segments, holders, 0, slow, fast, 1.0, seconds)


@compiled
def peak_of(
    segments: Reals, holders: Places, first: float, last: float, length: float, top: float, shares: Reals
) -> float:
    return ramps_of_tied(segments, holders, 0, length, min(first, last), max(first, last), top, shares)[0]


@compiled
def circle(pieces: Reals, chain: int, bend: float, square: float) -> float:
    return falling.speed_on_circle(pieces, 0, chain, bend, square)


@compiled
def end_of(pieces: Reals, chain: int) -> float:
    return falling.end_of_speed(pieces, 0, chain)


@compiled
def at_once(count: int, numbers: Reals) -> None:
    ramps.ramps_at_once(count, numbers)


@compiled
def lowest(pieces: Reals, slow: float, fast: float) -> tuple[int, int]:
    return falling.lowest_line(pieces, 0, pieces.shape[1], slow, fast)


def segments_of(pieces: Reals, own: float, top: float) -> tuple[Reals, Places]:
    """The lower envelope of chains, in as few rows as it takes."""
    for rows in range(1, 100):
        segments, holders = np.empty((rows, 4)), np.empty(rows, np.int64)
        if envelope(pieces[np.newaxis], own, top, segments, holders) == rows:
            return segments, holders
    raise AssertionError(pieces)


def after(pieces: Reals, own: float, slow: float, length: float, top: float) -> float:
    return climbing(pieces, own, slow, length, top)[0]


def climbing(pieces: Reals, own: float, slow: float, length: float, top: float) -> tuple[float, float, float]:
    """Speed, path and time; what is told of each chain's time sums up to it."""
    seconds = np.zeros(len(pieces) + 1)
    speed, path, time = climb(*segments_of(pieces, own, top), slow, length, top, seconds)
    assert seconds.sum() == pytest.approx(time, rel=1e-12)
    return float(speed), float(path), float(time)


def lasting(pieces: Reals, own: float, slow: float, fast: float, seconds: Reals) -> float:
    return float(ramp(*segments_of(pieces, own, fast), slow, fast, seconds)[1])


def covered(pieces: Reals, own: float, slow: float, fast: float) -> float:
    return float(ramp(*segments_of(pieces, own, max(fast, slow)), slow, fast, np.zeros(len(pieces) + 1))[0])


def peak(pieces: Reals, own: float, first: float, last: float, length: float, top: float) -> float:
    return float(peak_of(*segments_of(pieces, own, top), first, last, length, top, np.zeros(len(pieces) + 1)))


def round_a_circle(pieces: Reals, own: float, radius: float, top: float) -> float:
    square = min(top * top, own * radius)
    for chain in range(len(pieces)):
        square = circle(pieces[np.newaxis], chain, 1.0 / radius, square)
    return math.sqrt(square)


def ends(pieces: Reals, chain: int) -> float:
    return float(end_of(pieces[np.newaxis], chain))


def random_chains(rng: np.random.Generator) -> tuple[Reals, float, float]:
    """Chains of falling pieces, the move's own ceiling, and a speed that all of them admit."""
    chains = int(rng.integers(1, 4))
    pieces = np.zeros((chains, 4, 4))
    pieces[:, :, falling.UP_TO] = math.inf
    for k in range(chains):
        knots = np.sort(rng.uniform(30, 300, 3))
        heights = np.sort(rng.uniform(300, 12000, 4))[::-1]
        gamma = rng.choice([0.0, 0.0, rng.uniform(0, 0.02)])
        points = np.concatenate([[0.0], knots])
        for p in range(3):
            slope = (heights[p] - heights[p + 1]) / (points[p + 1] - points[p])
            pieces[k, p] = (heights[p] + slope * points[p], slope, gamma, points[p + 1])
        pieces[k, 3] = (-math.inf, 0.0, 0.0, math.inf)
    own = float(rng.uniform(500, 9000))
    top = min(float(ends(pieces, k)) for k in range(chains))
    return pieces, own, top


def admitted(pieces: Reals, own: float, v: float) -> float:
    """The least of all pieces at a speed, by looking each one up."""
    least = own
    for chain in pieces:
        alpha, beta, gamma, _ = next(piece for piece in chain if v < piece[falling.UP_TO])
        least = min(least, alpha - beta * v - gamma * v * v)
    return least


def kinks(pieces: Reals, own: float, top: float) -> list[float]:
    """Where the least changes hands or pieces, found by scanning and bisection."""

    def hold(v: float) -> tuple[int, int]:
        values = [(own, -1, 0)]
        for k, chain in enumerate(pieces):
            p = next(i for i, piece in enumerate(chain) if v < piece[falling.UP_TO])
            alpha, beta, gamma, _ = chain[p]
            values.append((alpha - beta * v - gamma * v * v, k, p))
        return min(values)[1:]

    grid = np.linspace(0.0, top, 4001)
    found = []
    for a, b in pairwise(grid):
        low, high = float(a), float(b)
        if hold(low) != hold(high):
            for _ in range(60):
                middle = 0.5 * (low + high)
                low, high = (middle, high) if hold(middle) == hold(low) else (low, middle)
            found.append(high)
    return found


def integral(function: Any, low: float, high: float, points: list[float]) -> float:
    cuts = [low, *[p for p in points if low < p < high], high]
    return math.fsum(quad(function, a, b, epsabs=0, epsrel=1e-12)[0] for a, b in pairwise(cuts))


@pytest.mark.parametrize("seed", range(40))
def test_path_time_and_speed_of_ramps_are_the_integrals(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces, own, top = random_chains(rng)
    slow, fast = sorted(rng.uniform(0.0, top, 2))
    bends = kinks(pieces, own, top)
    path = integral(lambda v: v / admitted(pieces, own, v), slow, fast, bends)
    time = integral(lambda v: 1.0 / admitted(pieces, own, v), slow, fast, bends)
    assert covered(pieces, own, slow, fast) == pytest.approx(path, rel=CLOSE)
    seconds = np.zeros(len(pieces) + 1)
    assert lasting(pieces, own, slow, fast, seconds) == pytest.approx(time, rel=CLOSE)
    assert seconds.sum() == pytest.approx(time, rel=CLOSE)
    assert after(pieces, own, slow, path, top) == pytest.approx(fast, rel=CLOSE)
    assert climbing(pieces, own, slow, path, top)[1:] == pytest.approx((path, time), rel=CLOSE)
    assert after(pieces, own, slow, 1e9, top) == top
    assert climbing(pieces, own, slow, 2.0 * covered(pieces, own, slow, fast), fast)[:2] == pytest.approx(
        (fast, covered(pieces, own, slow, fast)), rel=1e-12
    )


@pytest.mark.parametrize("seed", range(10))
def test_a_ramp_in_time_arrives_at_the_same_speed(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    pieces, own, top = random_chains(rng)
    found = solve_ivp(
        lambda _, state: [state[1], admitted(pieces, own, state[1])], (0.0, 0.02), [0.0, 5.0], rtol=1e-10, atol=1e-12,
        events=[],
    )  # fmt: skip
    way, speed = found.y[:, -1]
    if speed < top:
        assert after(pieces, own, 5.0, way, top) == pytest.approx(speed, rel=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_a_stretch_cut_into_chords_is_driven_as_the_whole_is(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces, own, top = random_chains(rng)
    cuts = np.diff(np.concatenate([[0.0], np.sort(rng.uniform(0, 8.0, 200)), [8.0]]))
    speed = slow = float(rng.uniform(0.0, 0.3 * top))
    for cut in cuts:
        speed = after(pieces, own, speed, cut, top)
    assert speed == pytest.approx(after(pieces, own, slow, 8.0, top), rel=1e-10)


@pytest.mark.parametrize("seed", range(40))
def test_the_peak_is_where_both_ramps_meet(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces, own, top = random_chains(rng)
    first, last = rng.uniform(0.0, 0.6 * top, 2)
    length = covered(pieces, own, min(first, last), max(first, last)) + rng.uniform(0.0, 5.0)
    found = peak(pieces, own, first, last, length, top)
    way = covered(pieces, own, first, found) + covered(pieces, own, last, found)
    if found < top:
        assert way == pytest.approx(length, rel=1e-9)
    else:
        assert way <= length * (1 + 1e-9)


@pytest.mark.parametrize("seed", range(40))
def test_round_a_circle_the_pull_is_what_is_admitted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pieces, own, top = random_chains(rng)
    radius = float(rng.uniform(0.05, 60.0))
    found = round_a_circle(pieces, own, radius, top)
    pieces[:, :, falling.GAMMA] = 0.0  # what the curve takes is this very pull
    root = brentq(lambda v: admitted(pieces, own, v) * radius - v * v, 0.0, top * (1 - 1e-12)) if (
        admitted(pieces, own, top * (1 - 1e-12)) * radius < top * top
    ) else top  # fmt: skip
    assert found == pytest.approx(root, rel=1e-9)


def test_pressure_advance_by_hand() -> None:
    """a = (X − v)/K: s = −K·v − K·X·ln(1 − v/X) from rest, t = −K·ln(1 − v/X)."""
    limit, delay = 120.0, 0.05
    pieces = np.array([[[limit / delay, 1.0 / delay, 0.0, math.inf]]])
    speed = 90.0
    way = -delay * speed - delay * limit * math.log(1 - speed / limit)
    assert after(pieces, math.inf, 0.0, way, limit) == pytest.approx(speed, rel=1e-12)
    assert lasting(pieces, math.inf, 0.0, speed, np.zeros(2)) == pytest.approx(-delay * math.log(0.25), rel=1e-12)
    near = after(pieces, math.inf, 0.0, 1000.0, limit)
    assert near == pytest.approx(limit, rel=1e-9)
    assert after(pieces, 800.0, 0.0, 1.0, limit) == pytest.approx(math.sqrt(2 * 800.0), rel=1e-12)


def test_at_the_very_speed_at_which_nothing_is_left_motion_goes_on() -> None:
    """X = 120 mm/s and K = 1/16 s, so that X/K − X/K is 0 to the last digit."""
    pieces, a_digit_more = np.array([[[1920.0, 16.0, 0.0, math.inf]]]), np.nextafter(120.0, 121.0)
    assert after(pieces, math.inf, 120.0, 1.0, a_digit_more) == 120.0
    w = np.ones(ramps.ROOM)
    for row, value in (
        (ramps.OWN_AT, 800.0),
        (ramps.ALPHA_AT, 1920.0),
        (ramps.BETA_AT, 16.0),
        (ramps.GAMMA_AT, 0.0),
        (ramps.KNEE_AT, 70.0),
        (ramps.FIRST_AT, 120.0),
        (ramps.LAST_AT, 120.0),
        (ramps.PACE_AT, 1.0 / 120.0),
        (ramps.LENGTH_AT, 6.0),
    ):
        w[row] = value
    at_once(1, w)
    told = [w[row] for row in (ramps.PEAK_AT, ramps.RISING_AT, ramps.CRUISING_AT, ramps.FALLING_AT, ramps.DURATION_AT)]
    assert told == pytest.approx([120.0, 0.0, 0.05, 0.0, 0.05], rel=1e-12)
    assert w[ramps.WANTING_AT] <= 0.0


def test_a_drive_ends_where_a_tenth_of_its_acceleration_is_left() -> None:
    pieces = np.array([[[1000.0, 5.0, 0.0, 100.0], [700.0, 2.0, 0.01, 400.0], [-math.inf, 0.0, 0.0, math.inf]]])
    assert ends(pieces, 0) == pytest.approx(brentq(lambda v: 700 - 2 * v - 0.01 * v * v - 100, 100, 400), rel=1e-12)
    assert ends(np.array([[[1000.0, 0.0, 0.0, 300.0], [-math.inf, 0.0, 0.0, math.inf]]]), 0) == 300.0


@pytest.mark.parametrize("seed", range(10))
def test_ramps_at_once_are_those_one_by_one(seed: int) -> None:
    """Peak and seconds of sixty-four moves, each held by its own ceiling and one line; few want more."""
    rng = np.random.default_rng(300 + seed)
    numbers, moves, count = np.zeros(ramps.ROOM), [], ramps.MOST_AT_ONCE
    for j in range(count):
        own, alpha = float(rng.uniform(500, 9000)), float(rng.uniform(800, 9000))
        beta, gamma = float(rng.choice([0.0, rng.uniform(0.5, 20)])), float(rng.choice([0.0, rng.uniform(0.001, 0.05)]))
        pieces = np.array([[[alpha, beta, gamma, math.inf]]])
        top = min(float(ends(pieces, 0)), 400.0)
        low, high = sorted(float(v) for v in rng.uniform(0.0, 0.9 * top, 2))
        length = covered(pieces, own, low, high) + float(
            rng.choice([0.0, rng.uniform(0.0, 0.5), rng.uniform(0.0, 80.0)])
        )
        over = alpha - own
        knee = (
            2.0 * over / (beta + math.sqrt(beta * beta + 4.0 * gamma * over))
            if over > 0.0 and beta + gamma > 0.0
            else 0.0
        )
        if over > 0.0 and beta + gamma == 0.0:
            knee = math.inf
        moves.append((pieces, own, low, high, length, top))
        ends_of_move = (low, high) if j % 2 else (high, low)
        told = (own, alpha, beta, gamma, knee, *ends_of_move, 1.0 / top, length)
        for row, value in enumerate(told):
            numbers[row * count + j] = value
    at_once(count, numbers)
    done = 0
    for j, (pieces, own, low, high, length, top) in enumerate(moves):
        row = numbers.reshape(-1, count)[:, j]
        if row[ramps.WANTING_AT // count] > 0.0:
            continue
        done += 1
        found = peak(pieces, own, low, high, length, top)
        assert row[ramps.PEAK_AT // count] == pytest.approx(found, rel=CLOSE)
        line, level = np.zeros(2), np.zeros(2)
        lasting(pieces, own, low, high, line)
        lasting(pieces, own, high, found, level)
        between, beyond = line.sum(), level.sum()
        rising, falls = (between + beyond, beyond) if j % 2 else (beyond, between + beyond)
        way = covered(pieces, own, low, found) + covered(pieces, own, high, found)
        cruising = max(length - way, 0.0) / found
        expected = {
            ramps.UNDER_LINE_AT: line[0] + 2.0 * level[0],
            ramps.UNDER_OWN_AT: line[1] + 2.0 * level[1],
            ramps.RISING_AT: rising,
            ramps.FALLING_AT: falls,
            ramps.CRUISING_AT: cruising,
            ramps.DURATION_AT: rising + falls + cruising,
        }
        for place, seconds in expected.items():
            assert row[place // count] == pytest.approx(seconds, rel=CLOSE, abs=1e-9)
        assert row[ramps.ADMITTED_AT // count] == pytest.approx(admitted(pieces, own, found * (1 - 1e-12)), rel=CLOSE)
    assert done > 0.6 * count


@pytest.mark.parametrize("seed", range(40))
def test_the_lowest_line_is_the_least_of_all(seed: int) -> None:
    rng = np.random.default_rng(400 + seed)
    pieces, _, top = random_chains(rng)
    for _ in range(20):
        slow, fast = sorted(rng.uniform(0.0, top, 2))
        chain, piece = lowest(pieces[np.newaxis], slow, fast)
        if chain < 0:
            continue
        alpha, beta, gamma, _ = pieces[chain, piece]
        for v in np.linspace(slow, fast * (1.0 - 1e-9), 200):
            assert alpha - (beta + gamma * v) * v <= admitted(pieces, math.inf, float(v)) * (1.0 + 1e-9)


def test_a_line_that_is_crossed_twice_between_both_ends_is_not_the_lowest() -> None:
    """1000 − 0.1·v² is below 1001 − 10·v at 0 and 100 mm/s, and at 50 far above; below 1300 − 10·v everywhere."""
    for height, expected in ((1001.0, (-1, 0)), (1300.0, (0, 0))):
        chains = [[[1000.0, 0.0, 0.1, math.inf]], [[height, 10.0, 0.0, math.inf]]]
        assert lowest(np.array([chains]), 0.0, 100.0) == expected
        assert lowest(np.array([chains[::-1]]), 0.0, 100.0) == (expected[0] if expected[0] < 0 else 1, 0)
