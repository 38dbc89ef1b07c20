"""Torque curves and pressure advance on features drawn at random, by sums over a fine grid of speeds.

Nearly every move is tied here, mostly by two chains and more: v·dv/ds = a(v), a(v) the least of all that is admitted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.limits import columns as by
from kinematics.limits.drive import ForceCurve, curve_table
from kinematics.planner import plan as single
from kinematics.planner.ties import first_lines
from tests.mutants.test_drawn_features import (
    Case,
    acceleration_of,
    corner_of,
    drawn,
    rest_of,
    seen_from,
    speed_of,
)
from tests.naive.turns import over

Reals = NDArray[np.float64]
MOVES = 14
GRID = 1.0 - np.exp(-np.linspace(0.0, 20.0, 2500))  # shares of the highest speed: ever closer where nothing may be left
BY_GRID = 1e-4  # relative
A_TENTH = 0.1  # of what a motor gives at rest: with less left its speed ends


class Tied(NamedTuple):
    """A job whose acceleration falls: the rest of it, pressure advance by class (mm/s, s), curves of drives,
    and what curves of the path take of them (t/mm)."""

    case: Case
    advance: Reals
    curves: Sequence[ForceCurve]
    pulls: Reals


def drawn_ties(seed: int) -> Tied:
    """Up to three drives with curves of up to three pieces, and filament that is fed ahead, where the seed has it."""
    rng = np.random.default_rng(seed)
    case = drawn(seed, MOVES)
    f, table = case.features, case.table
    drives = int(rng.integers(0, 4))
    curves = []
    for _ in range(drives):
        points = np.sort(rng.uniform(20.0, 260.0, int(rng.integers(1, 4))))
        force = np.sort(rng.uniform(2.0, 20.0, points.size + 1))[::-1]
        curves.append(ForceCurve(np.concatenate([[0.0], points]), force))
    shares = rng.uniform(0.3, 1.4, (drives, MOVES)) * (rng.random((drives, MOVES)) < 0.8)
    pulls = rng.uniform(0.0, 5e-5, shares.shape) * (shares > 0.0) * (rng.random(shares.shape) < 0.5)
    delays = rng.uniform(0.01, 0.08, 3) * (rng.random(3) < (0.7 if drives else 1.0))
    table[:, by.FILAMENT_MOST] = np.exp(rng.uniform(0.5, 3.0, 3))
    table[:, by.CAP] = np.minimum(table[:, by.CAP], 250.0)
    # All that is constant holds at low speeds, and seldom at high ones.
    table[:, by.X_MOST : by.Z_MOST + 1] *= 4.0
    table[:, by.X_STEP : by.Y_KICK + 1] *= 6.0
    table[:, by.X_SWING : by.Y_SWING_ADDED + 1] *= 6.0
    if rng.random() < 0.8:
        f = f._replace(lead=f.lead * 0.05, rounded=f.rounded * 0.2, reached=f.reached * 0.2)
        f = f._replace(sharpness=f.sharpness * 0.02, curvature=f.curvature * 0.03, length=f.length * 2.0)
    case = case._replace(features=f, table=table)
    own = np.array([acceleration_of(case, i)[0] for i in range(MOVES)])
    friction = rng.uniform(0.0, 1.5, shares.shape)
    at_rest = np.array([curve.force[0] for curve in curves]).reshape(-1, 1)
    mass = (at_rest - friction) / (own * rng.uniform(0.7, 3.0, shares.shape))
    loads = np.stack([mass, friction, shares], axis=1) * (shares > 0.0)[:, None, :]
    table_of = curve_table(curves)
    firsts = first_lines(table_of, loads, np.ascontiguousarray(pulls.T))
    shares_most = loads[:, 2].max(axis=1, initial=0.0)
    ties = case.ties._replace(loads=loads, firsts=firsts, shares=shares_most, curves=table_of)
    return Tied(case._replace(ties=ties), np.stack([table[:, by.FILAMENT_MOST], delays], axis=1), curves, pulls)


class Move(NamedTuple):
    """One move on the grid: speeds (mm/s), what holds at each (code of a cause), its acceleration (mm/s²), path and
    time from rest to there; `top` and its cause.
    """

    speeds: Reals
    causes: NDArray[np.int64]
    admitted: Reals
    path: Reals
    time: Reals
    top: float
    cause: int

    def after(self, slow: float, length: float) -> float:
        """The speed behind so much path from a slower one on, at most the top."""
        way = float(np.interp(slow * slow, self.speeds**2, self.path)) + length
        return math.sqrt(float(np.interp(way, self.path, self.speeds**2))) if way < self.path[-1] else self.top

    def seconds(self, slow: float, fast: float) -> float:
        """The time of a ramp between two speeds."""
        return float(np.diff(np.interp([slow, fast], self.speeds, self.time))[0])

    def shares(self, slow: float, fast: float) -> Reals:
        """The seconds of a ramp by cause."""
        parts = np.clip(self.speeds, slow, fast)
        each = np.diff(np.interp(parts, self.speeds, self.time))
        return np.bincount(self.causes[:-1], each, by.CAUSES)


def chains_of(tied: Tied, i: int) -> list[tuple[int, float, Reals, ForceCurve | None]]:
    """The chains of a move: cause; speed of the motor or delay; mass, friction and pull, or the extruder's speed."""
    f, ties = tied.case.features, tied.case.ties
    found: list[tuple[int, float, Reals, ForceCurve | None]] = []
    for k, curve in enumerate(tied.curves):
        mass, friction, share = ties.loads[k, :, i]
        if mass > 0.0:
            found.append((by.DRIVE_1 + k, share, np.array([mass, friction, tied.pulls[k, i]]), curve))
    most, delay = tied.advance[f.move_class[i]]
    if delay > 0.0 and f.ratio[i] > 0.0:
        found.append((by.ADVANCE, delay, np.array([most / f.ratio[i]]), None))
    return found


def admitted(chain: tuple[int, float, Reals, ForceCurve | None], speeds: Reals, pulled: bool = True) -> Reals:
    """What a chain admits at some speeds (mm/s²), with what the curve of a run takes of it or without."""
    _, share, numbers, curve = chain
    if curve is None:
        return np.asarray((numbers[0] - speeds) / share)
    mass, friction, pull = numbers
    force = np.interp(share * speeds, curve.speed, curve.force)
    return np.asarray((force - friction - pull * speeds**2 * pulled) / mass)


def first_below(values: Reals, speeds: Reals) -> float:
    """The speed from which on falling values are below 0, by the line between both neighbours; infinite for none."""
    below = np.flatnonzero(values < 0.0)
    if not below.size:
        return math.inf
    k = max(int(below[0]), 1)
    return float(np.interp(0.0, [-values[k - 1], -values[k]], [speeds[k - 1], speeds[k]]))


def moves_of(tied: Tied) -> list[Move]:
    """Every move on its grid, up to where its speed ends."""
    found = []
    for i in range(MOVES):
        (top, cause), (own, own_cause) = speed_of(tied.case, i), acceleration_of(tied.case, i)
        for chain in chains_of(tied, i):
            code, share, _, curve = chain
            if curve is not None:
                speeds = np.linspace(0.0, min(top, curve.speed[-1] / share), 20001)
                most = admitted(chain, speeds)
                end = min(curve.speed[-1] / share, first_below(most - A_TENTH * most[0], speeds))
                top, cause = (end, code) if end < top else (top, cause)
        speeds = GRID * top
        rows = [np.full(speeds.size, own), *(admitted(chain, speeds) for chain in chains_of(tied, i))]
        codes = np.array([own_cause, *(chain[0] for chain in chains_of(tied, i))])
        least, holder = np.min(rows, axis=0), codes[np.argmin(rows, axis=0)]
        steps, both = np.diff(speeds), np.diff(speeds**2)
        path = np.concatenate([[0.0], np.cumsum(0.25 * both * (1.0 / least[1:] + 1.0 / least[:-1]))])
        time = np.concatenate([[0.0], np.cumsum(0.5 * steps * (1.0 / least[1:] + 1.0 / least[:-1]))])
        found.append(Move(speeds, holder, least, path, time, top, cause))
    return found


def ceilings_of(tied: Tied, moves: Sequence[Move]) -> tuple[list[float], list[float]]:
    """The speeds (mm/s) that nodes may be left with, and reached with."""
    case = tied.case
    f, table = case.features, case.table
    tops, own = [move.top for move in moves], [acceleration_of(case, i)[0] for i in range(MOVES)]
    stepping = bool(np.isinf(table[:, by.DEVIATION]).any() or np.isfinite(table[:, by.FILAMENT_STEP]).any())
    left, reached = [0.0] * (MOVES + 1), [0.0] * (MOVES + 1)
    for i in range(MOVES + 1):
        if f.rest[i]:
            if stepping and i < MOVES:
                left[i] = min(tops[i], math.sqrt(rest_of(case, i, True, speed_of(case, i)[0], own[i])))
            if stepping and i > 0:
                reached[i] = min(
                    tops[i - 1], math.sqrt(rest_of(case, i - 1, False, speed_of(case, i - 1)[0], own[i - 1]))
                )
            continue
        speed = min(
            math.sqrt(corner_of(case, i, [speed_of(case, k)[0] for k in range(MOVES)], own)), *tops[i - 1 : i + 1]
        )
        bend = max(over(1.0, over(table[f.move_class[i], by.DEVIATION], f.sharpness[i])), f.curvature[i])
        for k in (i - 1, i):
            speeds = np.linspace(0.0, speed, 4001)
            for chain in chains_of(tied, k):
                speed = min(speed, first_below(admitted(chain, speeds, False) - bend * speeds**2, speeds))
        left[i] = reached[i] = speed
    return left, reached


def braked(moves: Sequence[Move], length: Reals, rest: NDArray[np.uint8], begin: int, ends: tuple[int, float],
           left: Sequence[float], reached: Sequence[float]) -> list[float]:  # fmt: skip
    """The speeds from the node `begin` to the last, from which what lies ahead can be braked for; the last is given."""
    last, speed = ends
    found = [0.0] * (last + 1)
    for k in range(last - 1, begin - 1, -1):
        speed = min(left[k], moves[k].after(min(speed, moves[k].top), length[k]))
        found[k] = speed
        if rest[k]:
            speed = reached[k]
    return found[begin:last]


# Of which much of the time is spent under what falls, and moves are held by two things or three.
SEEDS = {1024: (501, 503, 504, 506, 509, 511, 514, 517, 518, 519), 5: (522, 523, 527, 531, 532, 533, 536, 512, 513)}


@pytest.mark.parametrize("block", SEEDS)
def test_acceleration_that_falls_by_sums_over_speeds(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Speeds, times, and the seconds of ramps by what holds them."""
    monkeypatch.setattr(single, "BLOCK", block)
    for seed in SEEDS[block]:
        tied = drawn_ties(seed)
        case, f = tied.case, tied.case.features
        moves = moves_of(tied)
        left, reached = ceilings_of(tied, moves)
        seen = [seen_from(case, i) for i in range(MOVES)]
        lower = [
            braked(moves, f.length, f.rest, i, (seen[i], 0.0), left, reached)[0]
            if seen[i] <= MOVES and not f.rest[i + 1 : seen[i] + 1].any() else left[i]
            for i in range(MOVES)
        ]  # fmt: skip
        left = [min(one, other) for one, other in zip(left, [*lower, 0.0], strict=True)]
        left[:-1] = braked(moves, f.length, f.rest, 0, (MOVES, reached[-1]), left, reached)
        found = single.plan(f, case.table, case.lookahead, advance=tied.advance, ties=case.ties)
        spent = np.zeros_like(found.seconds)
        speed, crept = left[0], False
        for i, move in enumerate(moves):
            first = speed
            last = min(reached[i + 1] if f.rest[i + 1] else left[i + 1], move.after(first, f.length[i]))
            ways = np.interp([first**2, last**2], move.speeds**2, move.path)
            peak = max(first, last, move.after(0.0, 0.5 * (f.length[i] + ways.sum())))
            way = 2.0 * float(np.interp(peak**2, move.speeds**2, move.path)) - ways.sum()
            cruise = max(0.0, f.length[i] - way) / peak if peak >= move.top * (1.0 - 1e-5) else 0.0
            ramps = move.seconds(first, peak) + move.seconds(last, peak)
            told = f"seed {seed}, move {i}"
            at_peak = float(np.interp(peak, move.speeds, move.admitted))
            creeps = at_peak < 1e-4 * move.admitted[0]  # to a speed that pressure advance never quite comes to
            crept = crept or creeps
            assert np.allclose(
                [found.speed_in[i], found.speed_out[i], found.speed_peak[i], found.duration[i]],
                [first, last, peak, ramps + cruise],
                rtol=1e-3 if creeps else BY_GRID, atol=1e-6,
            ), told  # fmt: skip
            assert math.isclose(found.acceleration[i], at_peak, rel_tol=1e-3, abs_tol=0.01 * move.admitted[0]), told
            if abs(peak / move.top - 1.0) > 1e-4:
                assert found.cruise_cause[i] == by.CORNER, told
            elif cruise > 1e-3 * ramps and not creeps:
                assert found.cruise_cause[i] == move.cause, told
            spent[f.move_class[i]] += move.shares(first, peak) + move.shares(last, peak)
            spent[f.move_class[i], found.cruise_cause[i]] += cruise
            speed = left[i + 1] if f.rest[i + 1] else last
        if not crept:
            assert np.allclose(found.seconds, spent, rtol=5e-3, atol=5e-3 * found.duration.max()), f"seed {seed}"
