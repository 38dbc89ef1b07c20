"""Rounding along a whole path: the speed at each place within a budget, and how far a planned motion is rounded.

At one instant a filter shows places of the path that lie before and behind the present one by speed times the lag of
each impulse. Turns that follow one another within the filter's length therefore count together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.errors import InputError
from kinematics.vibration.filters import Filter, spread_of
from kinematics.vibration.rounding import HALF_OF_BUDGET, check_budget

Reals = NDArray[np.float64]

KEPT_BACK = 0.97  # of the corners' share: what ramps add meanwhile is reckoned one by one, not together with the turns
NEAR = 4.0  # of the budget: as far as a filter reaches at the speed that it permits at a turn by half a right angle
LEAST_LEAD = 1.0 / 16.0  # of the largest: moves that run ahead less (upwards, say) count as if they did so much
SAMPLES_A_SECOND = 2000.0  # at least; every node is a sample beside


class Taps(NamedTuple):
    """The impulses of all axes in one list, those at the mean time left out: `axis` int64, `lag` τ = t − t̄ (s), `share`
    A; float64[taps].
    """

    axis: NDArray[np.int64]
    lag: Reals
    share: Reals


def taps_of(filters: Sequence[Filter | None]) -> Taps:
    """The taps of one filter an axis (None or a single impulse: the axis is merely delayed)."""
    rows = []
    for axis, command_filter in enumerate(filters):
        if command_filter is None:
            continue
        delay = spread_of(command_filter).delay
        for time, share in zip(command_filter.times, command_filter.amplitudes, strict=True):
            if share > 0.0 and time != delay:
                rows.append((axis, time - delay, share))
    axes, lags, shares = zip(*rows, strict=True) if rows else ((), (), ())
    return Taps(np.array(axes, np.int64), np.array(lags, np.float64), np.array(shares, np.float64))


def speed_by_rounding(
    steps: Sequence[Reals],
    rests: NDArray[np.bool_],
    filters: Sequence[Filter | None],
    budget: float,
    fastest: float,
    split: float = HALF_OF_BUDGET,
    asked: NDArray[np.bool_] | None = None,
) -> Reals:
    """The speed (mm/s) at each node of a path within a rounding `budget` ε (mm), float64[moves + 1].

    `steps` float64[moves] of displacement, one array an axis (mm); `rests` bool[moves + 1], where motion comes to rest;
    `filters` one an axis. At node i the largest v below which |Σ_j A_j (P(s_i − v·τ_j) − P(s_i))| <= 0.97(1 − q)ε,
    each axis with its own impulses, P the path by arc length between two rests, held at its ends. Infinite at rests,
    where that holds up to `fastest` (mm/s), and at nodes not `asked` for (bool[moves]; None: all are). What is not
    modelled: the speed is taken as constant over the filter's length; ramps have the other share q, with what they
    change between opposite turns, which then cancel less (`leads_between`). Raises InputError for a budget or split out
    of range.
    """
    path, allowed = _filtered_path(steps, filters, budget, fastest, split)
    speed = np.full(path.places.size, np.inf)
    passed_over = rests.copy()
    if asked is not None:
        passed_over[:-1] |= ~asked
    nodes = np.flatnonzero(~passed_over)
    inner = nodes[(nodes > 0) & (nodes < speed.size - 1)]
    speed[inner] = _speeds_by_rounding(*path, rests, inner, True, True, allowed, fastest)
    return speed


def rest_speeds_by_rounding(
    steps: Sequence[Reals],
    rests: NDArray[np.bool_],
    filters: Sequence[Filter | None],
    budget: float,
    fastest: float,
    split: float = HALF_OF_BUDGET,
) -> tuple[Reals, Reals]:
    """The speeds (mm/s) with which each move may leave the rest before it and reach the one behind it, float64[moves].

    As `speed_by_rounding`, with the path held where it begins or ends; infinite where a move lies beside no rest. The
    first node and the last are rests.
    """
    path, allowed = _filtered_path(steps, filters, budget, fastest, split)
    moves = path.places.size - 1
    leaving, reaching = np.full((2, moves), np.inf)
    ends = rests.copy()
    ends[[0, -1]] = True
    nodes = np.flatnonzero(ends)
    leaving[nodes[:-1]] = _speeds_by_rounding(*path, rests, nodes[:-1], False, True, allowed, fastest)
    reaching[nodes[1:] - 1] = _speeds_by_rounding(*path, rests, nodes[1:], True, False, allowed, fastest)
    return leaving, reaching


class _FilteredPath(NamedTuple):
    """A path and its filters as the kernel takes them: places float64[moves + 1] of path, directions, taps."""

    places: Reals
    directions: Reals
    tap_axis: NDArray[np.int64]
    tap_lag: Reals
    tap_share: Reals


def _filtered_path(
    steps: Sequence[Reals], filters: Sequence[Filter | None], budget: float, fastest: float, split: float
) -> tuple[_FilteredPath, float]:
    """The path, and what its corners are allowed (mm); raises InputError for what is out of range."""
    check_budget(budget, split)
    if not fastest > 0.0:
        raise InputError.at("fastest", f"{fastest:g} mm/s", "above 0")
    lengths = np.sqrt(sum(np.square(step) for step in steps))
    directions = np.zeros((len(steps), lengths.size))
    np.divide(np.asarray(steps), lengths, out=directions, where=lengths > 0.0)
    taps = taps_of(filters)
    places = np.concatenate([[0.0], np.cumsum(lengths)])
    return _FilteredPath(places, directions, taps.axis, taps.lag, taps.share), KEPT_BACK * (1.0 - split) * budget


@compiled
def _speeds_by_rounding(
    places: Reals,
    directions: Reals,
    tap_axis: NDArray[np.int64],
    tap_lag: Reals,
    tap_share: Reals,
    rests: NDArray[np.bool_],
    nodes: NDArray[np.int64],
    behind: bool,
    ahead: bool,
    allowed: float,
    fastest: float,
) -> Reals:
    """The speed at each of some nodes; while no tap changes its move the deviation is a line in v, so the first
    crossing is exact. `behind`, `ahead`: whether the path goes on there.
    """
    moves, axes, taps = places.size - 1, directions.shape[0], tap_lag.size
    under = np.empty(taps, np.int64)  # the move that a tap shows, -1 at an end of the path
    off, slope = np.empty(axes), np.empty(axes)
    square = allowed * allowed
    speed = np.full(nodes.size, np.inf)
    for number in range(nodes.size):
        node = nodes[number]
        for axis in range(axes):
            off[axis] = 0.0
            slope[axis] = 0.0
        for tap in range(taps):
            under[tap] = node - 1 if tap_lag[tap] > 0.0 else node
            if not (behind if tap_lag[tap] > 0.0 else ahead):
                under[tap] = -1
                continue
            axis = tap_axis[tap]
            slope[axis] -= tap_share[tap] * tap_lag[tap] * directions[axis, under[tap]]
        v = 0.0
        while v < fastest:
            # The next tap to reach an end of the move that it shows.
            reached, at = -1, fastest
            for tap in range(taps):
                move = under[tap]
                if move >= 0:
                    end = places[move] if tap_lag[tap] > 0.0 else places[move + 1]
                    when = (places[node] - end) / tap_lag[tap]
                    if when < at:
                        reached, at = tap, when
            at = max(at, v)
            along, across, left = 0.0, 0.0, -square
            for axis in range(axes):
                along += slope[axis] * slope[axis]
                across += slope[axis] * off[axis]
                left += off[axis] * off[axis]
            if along > 0.0:
                # |off + slope·d|² = allowed²; d >= 0, written so that no digits are lost for either sign of `across`.
                root = math.sqrt(across * across - along * min(left, 0.0))
                if across <= 0.0:
                    further = (root - across) / along
                else:
                    further = -min(left, 0.0) / (root + across)
                if v + further <= at:
                    if v + further < fastest:
                        speed[number] = v + further
                    break
            if reached < 0:
                break
            for axis in range(axes):
                off[axis] += slope[axis] * (at - v)
            v = at
            axis, move = tap_axis[reached], under[reached]
            weight = tap_share[reached] * tap_lag[reached]
            slope[axis] += weight * directions[axis, move]
            if tap_lag[reached] > 0.0:
                move = -1 if rests[move] else move - 1
            else:
                move = -1 if rests[move + 1] else move + 1
            if move < 0 or move >= moves:
                move = -1
            else:
                slope[axis] -= weight * directions[axis, move]
            under[reached] = move
    return speed


def leads_between(
    lengths: Reals, turns: NDArray[np.bool_], rests: NDArray[np.bool_], leads: Reals, most: float, budget: float
) -> Reals:
    """What each move's ramps run ahead by for a given acceleration (s²), with what lies close on both sides of it.

    `lengths` of the moves (mm); `turns` bool[moves] whether one begins in another direction than the one before it;
    `rests` bool[moves + 1]; `leads` of each in its own direction, `most` that of any direction. A run that is shorter
    than what a filter spans changes the speed that its neighbours are filtered at: in a direction whose filter is short
    it may speed up faster than they may. So it counts as they do, as the lesser of both sides, in full up to NEAR times
    the `budget` ε (mm) of path from its far end, and beyond by 1/distance, so that a larger budget never slows
    anything; not over a rest. Filters that are alike on all axes change nothing, and neither does splitting a move.
    """
    begins = turns | rests[:-1]
    begins[:1] = True
    first = np.flatnonzero(begins)
    places = np.append(np.concatenate([[0.0], np.cumsum(lengths)])[first], lengths.sum())
    shared = _leads_between(places, leads[first], np.append(rests[first], True), most, NEAR * budget)
    return np.asarray(np.maximum(leads, shared[np.cumsum(begins) - 1]))


def leads_see(budget: float) -> float:
    """How far along the path (mm) on either side of a move `leads_between` looks."""
    return NEAR / LEAST_LEAD * budget


@compiled
def _leads_between(places: Reals, leads: Reals, rests: NDArray[np.bool_], most: float, near: float) -> Reals:
    """What `leads_between` finds beside a run; 0 where there is nothing. No run is looked at that is too far away to
    count for more than what is already found.
    """
    runs = leads.size
    shared = np.zeros(runs)
    for i in range(runs):
        own = max(leads[i], LEAST_LEAD * most)
        behind, k = own, i
        while k > 0 and not rests[k]:
            gap = max(places[i + 1] - places[k], near)
            if behind * gap >= most * near:
                break
            k -= 1
            behind = max(behind, leads[k] * (near / gap))
        ahead, k = own, i + 1
        while ahead < behind and k < runs and not rests[k]:
            gap = max(places[k] - places[i], near)
            if ahead * gap >= most * near:
                break
            ahead = max(ahead, leads[k] * (near / gap))
            k += 1
        if min(behind, ahead) > own:
            shared[i] = min(behind, ahead)
    return shared


class PlannedMotion(NamedTuple):
    """A planned motion along a path, one entry a move, float64[moves]: displacements (`steps`, one array an axis, mm),
    speeds (mm/s) at its beginning, its peak and its end, durations (s) of its three parts, and `pause` (s) of standing
    still before it.
    """

    steps: Sequence[Reals]
    speed_in: Reals
    speed_peak: Reals
    speed_out: Reals
    rising: Reals
    cruising: Reals
    falling: Reals
    pause: Reals


class PathRounding(NamedTuple):
    """How far the filtered path lies off the drawn one (mm): at worst, with the move where that is, and by length of
    path: the median and what 95 % of it stay below.
    """

    worst: float
    move: int
    median: float
    most: float


def rounding_along(motion: PlannedMotion, filters: Sequence[Filter | None], chosen: NDArray[np.bool_]) -> PathRounding:
    """How far a filter takes the path of a planned motion off the drawn one, by convolution in time.

    |y(t) − x(t)| with y_k(t) = Σ A_j x_k(t − τ_j), x merely delayed, at every node and at least `SAMPLES_A_SECOND` a
    second between. `chosen` bool[moves]: the moves that count (printing ones, say). Zeros where none does.
    """
    taps = taps_of(filters)
    lengths = np.sqrt(sum(np.square(step) for step in motion.steps))
    directions = np.zeros((len(motion.steps), lengths.size))
    np.divide(np.asarray(motion.steps), lengths, out=directions, where=lengths > 0.0)
    busy = motion.rising + motion.cruising + motion.falling
    counts = np.maximum(np.ceil(busy * SAMPLES_A_SECOND), 1.0).astype(np.int64)
    starts = np.concatenate([[0.0], np.cumsum(motion.pause + busy)])[:-1] + motion.pause
    counts[~chosen] = 0
    off, weight = np.empty(counts.sum()), np.empty(counts.sum())
    origin = np.zeros((len(motion.steps), lengths.size + 1))
    origin[:, 1:] = np.cumsum(np.asarray(motion.steps), axis=1)
    ramps = np.column_stack(
        [motion.speed_in, motion.speed_peak, motion.speed_out, motion.rising, motion.cruising, motion.falling]
    )
    _rounding_along(starts, ramps, origin, directions, counts, taps.axis, taps.lag, taps.share, off, weight)
    if not weight.sum() > 0.0:
        return PathRounding(0.0, 0, 0.0, 0.0)
    worst = int(off.argmax())
    move = int(np.searchsorted(np.cumsum(counts), worst, side="right"))
    order = np.argsort(off)
    share = np.cumsum(weight[order])
    median, most = (float(off[order[np.searchsorted(share, part * share[-1])]]) for part in (0.5, 0.95))
    return PathRounding(float(off[worst]), move, median, most)


@compiled
def _way(ramps: Reals, move: int, time: float) -> float:
    """Path (mm) covered `time` s after the beginning of a move, held at both its ends."""
    first, peak, last = ramps[move, 0], ramps[move, 1], ramps[move, 2]
    rising, cruising, falling = ramps[move, 3], ramps[move, 4], ramps[move, 5]
    if time <= 0.0:
        return 0.0
    t = min(time, rising)
    way = first * t + (0.5 * (peak - first) / rising * t * t if rising > 0.0 else 0.0)
    t = min(max(time - rising, 0.0), cruising)
    way += peak * t
    t = min(max(time - rising - cruising, 0.0), falling)
    way += peak * t - (0.5 * (peak - last) / falling * t * t if falling > 0.0 else 0.0)
    return float(way)


@compiled
def _rounding_along(
    starts: Reals,
    ramps: Reals,
    origin: Reals,
    directions: Reals,
    counts: NDArray[np.int64],
    tap_axis: NDArray[np.int64],
    tap_lag: Reals,
    tap_share: Reals,
    off: Reals,
    weight: Reals,
) -> None:
    """Fill `off` (mm) and `weight` (mm of path) of every sample; each tap walks along with the time."""
    moves, taps, axes = starts.size, tap_lag.size, directions.shape[0]
    under = np.zeros(taps, np.int64)
    away = np.empty(axes)
    sample = 0
    for move in range(moves):
        busy = ramps[move, 3] + ramps[move, 4] + ramps[move, 5]
        for k in range(counts[move]):
            inside = busy * k / counts[move]
            here = _way(ramps, move, inside)
            after = _way(ramps, move, busy * (k + 1) / counts[move])
            for axis in range(axes):
                away[axis] = 0.0
            for tap in range(taps):
                time = starts[move] + inside - tap_lag[tap]
                at = under[tap]
                while at + 1 < moves and starts[at + 1] <= time:
                    at += 1
                under[tap] = at
                axis = tap_axis[tap]
                there = origin[axis, at] + directions[axis, at] * _way(ramps, at, time - starts[at])
                away[axis] += tap_share[tap] * (there - (origin[axis, move] + directions[axis, move] * here))
            total = 0.0
            for axis in range(axes):
                total += away[axis] * away[axis]
            off[sample] = math.sqrt(total)
            weight[sample] = after - here
            sample += 1
