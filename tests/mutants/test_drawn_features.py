"""Plans and batches of features that are drawn at random, each against the definitions: every ceiling, every class."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.limits import columns as by
from kinematics.planner import batch, ceilings
from kinematics.planner import plan as single
from kinematics.planner.batch import batch_features, batch_times
from kinematics.planner.features import NOT_CUT, Features
from kinematics.planner.ties import NO_TIES, Ties
from tests.naive.turns import over

Reals = NDArray[np.float64]
Told = tuple[float, int]  # what a ceiling comes to, and its cause
EXACT = 1e-9
AXES = ("x", "y", "z")
STEADY, RAMPS = 0.2, 0.8  # of a motor's acceleration, where it accelerates at steady tool speed as well
LEAST = 0.02  # share of a kick that is always admitted


class Case(NamedTuple):
    """A job as features, a table of limits, and how many moves the controller sees."""

    features: Features
    table: Reals
    lookahead: int | None
    ties: Ties


def drawn(seed: int, moves: int = 26) -> Case:
    """A job of three classes, with motors, budgets, steps and rates as the seed has it."""
    rng = np.random.default_rng(seed)
    motors, bent = ((0, False), (2, False), (3, False), (3, True))[rng.integers(4)]
    rounds, steps, rings, rates = (rng.random(4) < (0.5, 0.6, 0.4, 0.3)).tolist()
    stepped = steps and rng.random() < 0.8

    def some(low: float, high: float, none: float = 0.0, size: int = moves) -> Reals:
        values = np.exp(rng.uniform(math.log(low), math.log(high), size))
        values[rng.random(size) < none] = 0.0
        return values

    rest = (rng.random(moves + 1) < 0.15).astype(np.uint8)
    rest[[0, -1]] = 1
    # What the axes change by at a corner: less than either share, or both together where they turn back.
    x, y, z = (some(0.05, 1.0, 0.1) for _ in AXES)
    turn = np.zeros((3, moves))
    for row, share in zip(turn, (x, y, z), strict=True):
        back = rng.random(moves) < 0.5
        row[1:] = np.where(back[1:], share[1:] + share[:-1], np.abs(share[1:] - share[:-1]))
    features = Features(
        some(0.05, 20.0), x, y, z, some(0.01, 0.2, 0.2), 1.0 / some(20.0, 300.0),
        rng.integers(0, 3, moves).astype(np.uint16), rest,
        some(1e-3, 3.0, 0.2), some(1e-3, 3.0, 0.3), some(0.05, 1.0, 0.1), some(0.05, 1.0, 0.1), some(0.05, 1.0, 0.1),
        np.ones(moves), some(1e-3, 0.1, 0.2), turn,
        np.stack([some(0.05, 1.4, 0.1) for _ in range(motors)] or [np.empty(0)])[:motors],
        np.stack([some(0.05, 1.4, 0.1) for _ in range(motors)] or [np.empty(0)])[:motors],
        np.stack([some(1e-3, 0.03, 0.1) for _ in range(3)])[: 3 * bent],
        NOT_CUT,
    )  # fmt: skip
    if rounds:
        features = features._replace(lead=some(1e-5, 1e-3, 0.1), rounded=some(2e-3, 0.1, 0.3))
        if steps:
            features = features._replace(reached=some(2e-3, 0.1, 0.3))
    table = np.full((3, by.LIMITS), math.inf)
    highest: dict[int, tuple[float, float]] = {by.CAP: (60.0, 400.0), by.PATH_RAMP: (300.0, 9000.0)}
    highest |= dict.fromkeys(range(by.X_MOST, by.Z_MOST + 1), (10.0, 300.0)) | {by.FILAMENT_MOST: (1.0, 40.0)}
    highest |= dict.fromkeys(range(by.X_RAMP, by.Z_RAMP + 1), (100.0, 9000.0)) | {by.FILAMENT_RAMP: (20.0, 900.0)}
    highest |= dict.fromkeys(range(by.MOTOR_1_MOST, by.MOTOR_1_MOST + 3), (20.0, 300.0))
    highest |= dict.fromkeys(range(by.MOTOR_1_RAMP, by.MOTOR_1_RAMP + 3), (300.0, 9000.0))
    highest |= {by.ROUNDING_RAMP: (0.05, 1.0)} if rounds else {}
    highest |= dict.fromkeys(range(by.X_STEP, by.FILAMENT_STEP + 1), (3.0, 30.0)) if steps else {}
    highest |= dict.fromkeys(range(by.X_KICK, by.Y_KICK + 1), (5.0, 60.0)) if rings else {}
    highest |= dict.fromkeys(range(by.X_SWING, by.Y_SWING_ADDED + 1), (900.0, 20000.0)) if rings else {}
    highest |= {by.MOVE_RATE: (30.0, 900.0), by.BYTE_RATE: (900.0, 20000.0)} if rates else {}
    for column, (low, high) in highest.items():
        table[:, column] = some(low, high, size=3)
    # Some commanded speeds are replaced, some limits are none; a class has either junction deviation or steps.
    table[:, by.SPEED_SHARE] = some(0.5, 2.0, 0.3, 3)
    replaced = table[:, by.SPEED_SHARE] == 0.0
    table[replaced, by.SPEED_REPLACED] = some(20.0, 200.0, size=3)[replaced]
    dropped = rng.random(table.shape) < 0.2
    dropped[:, [by.SPEED_SHARE, by.SPEED_REPLACED, by.PATH_RAMP]] = False
    table[dropped] = math.inf
    deviates = rng.random(3) < 0.5 if stepped else np.ones(3, np.bool_)
    table[deviates, by.DEVIATION] = some(0.01, 0.3, size=3)[deviates]
    ties = NO_TIES._replace(move_reach=1.0 / some(0.1, 5.0), byte_reach=1.0 / some(0.005, 0.2)) if rates else NO_TIES
    lookahead = (None, 1, 2, 3, 5, 6, 7, 11, 30)[rng.integers(9)]
    if lookahead is not None and rng.random() < 0.7:  # what is seen is what holds
        table[:, by.PATH_RAMP] *= 0.02
        features = features._replace(sharpness=features.sharpness * 0.1, curvature=features.curvature * 0.1)
    if rng.random() < 0.4:  # moves in pieces, of which the controller sees whole ones
        features = features._replace(whole=np.cumsum((rng.random(moves) < 0.5) | (rest[:-1] > 0)) - 1)
    return Case(features, table, lookahead, ties)


def least(told: Sequence[Told]) -> Told:
    """The least, and of equals the first."""
    return min(told, key=lambda one: one[0])


def speed_of(case: Case, i: int) -> Told:
    """The ceiling of speed of a move (mm/s), limit by limit."""
    f, row, ties = case.features, case.table[case.features.move_class[i]], case.ties
    asked = row[by.SPEED_REPLACED] if row[by.SPEED_SHARE] == 0.0 else over(row[by.SPEED_SHARE], f.pace[i])
    told = [(asked, by.COMMANDED_SPEED), (row[by.CAP], by.SPEED_CAP)]
    told += [(over(row[by.X_MOST + k], getattr(f, axis)[i]), by.X_SPEED + k) for k, axis in enumerate(AXES)]
    told.append((over(row[by.FILAMENT_MOST], f.ratio[i]), by.FILAMENT_SPEED))
    for k in range(f.motor.shape[0]):
        told.append((over(row[by.MOTOR_1_MOST + k], f.motor[k, i]), by.MOTOR_1_SPEED + k))
    for k in range(f.bend.shape[0]):
        told.append((math.sqrt(over(STEADY * row[by.MOTOR_1_RAMP + k], f.bend[k, i])), by.MOTOR_1_STEADY + k))
    if ties.move_reach.size:
        told.append((row[by.MOVE_RATE] / ties.move_reach[i], by.MOVE_RATE_SPEED))
        told.append((row[by.BYTE_RATE] / ties.byte_reach[i], by.BYTE_RATE_SPEED))
    return least(told)


def acceleration_of(case: Case, i: int) -> Told:
    """The acceleration that a move may take (mm/s²), limit by limit."""
    f, row = case.features, case.table[case.features.move_class[i]]
    told: list[Told] = [(row[by.PATH_RAMP], by.PATH_ACCELERATION)]
    told += [(over(row[by.X_RAMP + k], getattr(f, axis)[i]), by.X_ACCELERATION + k) for k, axis in enumerate(AXES)]
    told.append((over(row[by.FILAMENT_RAMP], f.ratio[i]), by.FILAMENT_ACCELERATION))
    share = RAMPS if f.bend.shape[0] else 1.0
    for k in range(f.motor.shape[0]):
        told.append((over(share * row[by.MOTOR_1_RAMP + k], f.motor[k, i]), by.MOTOR_1_ACCELERATION + k))
    if f.lead.size:
        told.append((over(row[by.ROUNDING_RAMP], f.lead[i]), by.ROUNDING_ACCELERATION))
    return least(told)


def kicked(row: Reals, axis: int, change: float, shares: tuple[float, float], a: tuple[float, float]) -> float:
    """The speed (mm/s) at which the axis is kicked as its budget admits: both swings at once, by their phases."""
    sign = -1.0 if change > max(shares) else 1.0
    both = abs(shares[0] + sign * shares[1]) * min(a)
    step = max(both, abs(a[0] * shares[0] + sign * a[1] * shares[1]))
    apart = math.sqrt(max(0.0, 1.0 - (step / row[by.X_SWING + axis]) ** 2))
    return over(row[by.X_KICK + axis] * max(LEAST, apart - step / row[by.X_SWING_ADDED + axis]), change)


def corner_of(case: Case, i: int, v: Sequence[float], a: Sequence[float]) -> float:
    """The squared ceiling (mm²/s²) at a node within the way."""
    f, row = case.features, case.table[case.features.move_class[i]]
    square = min(v[i - 1], v[i]) ** 2
    least_a = [a[i - 1], a[i], *(over(row[by.X_RAMP + k], getattr(f, f"corner_{n}")[i]) for k, n in enumerate(AXES))]
    least_a += [over(row[by.MOTOR_1_RAMP + k], f.motor_corner[k, i]) for k in range(f.motor_corner.shape[0])]
    radius = min(over(row[by.DEVIATION], f.sharpness[i]), over(1.0, f.curvature[i]))
    speeds = [over(row[by.X_STEP + k], f.turn[k, i]) for k in range(3)]
    speeds.append(over(row[by.FILAMENT_STEP], f.ratio_change[i]))
    for axis, share in enumerate((f.x, f.y)):
        speeds.append(kicked(row, axis, f.turn[axis, i], (share[i - 1], share[i]), (a[i - 1], a[i])))
    if f.rounded.size:
        speeds.append(over(1.0, f.rounded[i]))
    return float(min(square, min(least_a) * radius, min(speeds) ** 2))


def rest_of(case: Case, i: int, leaving: bool, v: float, a: float) -> float:
    """The squared speed (mm²/s²) with which a move leaves rest or reaches it: that of its least step."""
    f, row = case.features, case.table[case.features.move_class[i]]
    shares = [f.x[i], f.y[i], f.z[i]]
    steps = [row[by.X_STEP + k] for k in range(3)]
    if row[by.DEVIATION] < math.inf or min(steps) == math.inf:  # no steps of axes
        steps = [0.0] * 3
    speed = min(over(step, share) for step, share in zip(steps, shares, strict=True))
    speed = min(speed, over(row[by.FILAMENT_STEP], f.ratio[i]))
    if speed in (0.0, math.inf):
        return 0.0
    speed = min(speed, v, *(kicked(row, axis, shares[axis], (0.0, shares[axis]), (a, a)) for axis in range(2)))
    if f.reached.size:
        speed = min(speed, over(1.0, (f.rounded if leaving else f.reached)[i]))
    return float(speed**2)


def without_pieces(case: Case) -> Case:
    """The same as batches know it: with moves that are not cut, and no rate of commands."""
    return case._replace(ties=NO_TIES, features=case.features._replace(whole=NOT_CUT))


class Moved(NamedTuple):
    """One move: speeds at its ends and its peak (mm/s), acceleration (mm/s²), time (s), causes, seconds of ramps."""

    first: float
    last: float
    peak: float
    acceleration: float
    duration: float
    cruise_cause: int
    ramp_cause: int
    ramps: float


def seen_from(case: Case, i: int) -> int:
    """The first node that is not seen from a node; beyond the last where all are, or where no move begins."""
    whole, n = case.features.whole, case.features.length.size
    if case.lookahead is None or (whole.size and i > 0 and whole[i - 1] == whole[i]):
        return n + 1
    if not whole.size:
        return i + case.lookahead
    beyond = np.flatnonzero(whole >= whole[i] + case.lookahead)
    return int(beyond[0]) if beyond.size else n + 1


def own_squares(case: Case) -> list[float]:
    """The most that v² may be at every node (mm²/s²) where nothing steps from rest, with what is seen behind it."""
    f, n = case.features, case.features.length.size
    v, a = [speed_of(case, i)[0] for i in range(n)], [acceleration_of(case, i)[0] for i in range(n)]
    squares = [0.0 if f.rest[i] else corner_of(case, i, v, a) for i in range(n)]
    for i in range(n):
        if seen_from(case, i) <= n:
            squares[i] = min(squares[i], sum(2.0 * a[k] * f.length[k] for k in range(i, seen_from(case, i))))
    return squares


def last_certain(case: Case, end: int) -> int:
    """The last node before the node `end` whose ceiling could be run though motion came to rest there."""
    f = case.features
    part = case._replace(features=f._replace(length=f.length[:end]))
    squares, left = own_squares(part), 0.0
    for i in range(end - 1, 0, -1):
        left += 2.0 * acceleration_of(case, i)[0] * f.length[i]
        if squares[i] <= left * (1.0 + 1e-12):
            return i
    return 0


def by_definition(case: Case) -> Iterator[Moved]:
    """The plan: v_i² the least of c_j + |Σ 2aL between|, over all nodes j from rest to rest."""
    f, n = case.features, case.features.length.size
    v, a = [speed_of(case, i) for i in range(n)], [acceleration_of(case, i) for i in range(n)]
    speeds, ramps = [one[0] for one in v], [one[0] for one in a]
    gains = [2.0 * ramps[i] * f.length[i] for i in range(n)]
    stepping = bool(np.isinf(case.table[:, by.DEVIATION]).any() or np.isfinite(case.table[:, by.FILAMENT_STEP]).any())
    rests = np.flatnonzero(f.rest).tolist()
    for begin, end in pairwise(rests):
        squares = [corner_of(case, i, speeds, ramps) for i in range(begin + 1, end)]
        left = rest_of(case, begin, True, speeds[begin], ramps[begin]) if stepping else 0.0
        reached = rest_of(case, end - 1, False, speeds[end - 1], ramps[end - 1]) if stepping else 0.0
        squares = [left, *squares, reached]
        for k in range(len(squares)):
            seen = seen_from(case, begin + k) if k < end - begin else end
            if seen < end:
                squares[k] = min(squares[k], sum(gains[begin + k : seen]))
        way = np.concatenate([[0.0], np.cumsum(gains[begin:end])])
        held = [float((np.array(squares) + np.abs(way - way[k])).min()) for k in range(len(squares))]
        for i in range(begin, end):
            one, other = held[i - begin], held[i - begin + 1]
            between = 0.5 * (one + other + gains[i])
            peak = math.sqrt(min(between, speeds[i] ** 2))
            up, down = (peak - math.sqrt(one)) / ramps[i], (peak - math.sqrt(other)) / ramps[i]
            ways = (peak**2 - one) / (2.0 * ramps[i]) + (peak**2 - other) / (2.0 * ramps[i])
            cruise = max(0.0, f.length[i] - ways) / peak if between > speeds[i] ** 2 else 0.0
            cause = v[i][1] if between >= speeds[i] ** 2 else by.CORNER
            yield Moved(
                math.sqrt(one), math.sqrt(other), peak, ramps[i], up + cruise + down, cause, a[i][1], up + down
            )  # fmt: skip


@pytest.fixture(params=["whole", "in small blocks"])
def blocks(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Blocks as they are, or a few moves long."""
    if request.param != "whole":
        monkeypatch.setattr(single, "BLOCK", 6)
        monkeypatch.setattr(batch, "BATCH_BLOCK", 6)
        monkeypatch.setattr(ceilings, "VOTER_EVERY", 2)
    return str(request.param)


def test_plans_keep_every_ceiling(blocks: str) -> None:
    first = 0 if blocks == "whole" else 40
    for seed in range(first, first + 24):
        case = drawn(seed)
        moved = list(by_definition(case))
        found = single.plan(case.features, case.table, case.lookahead, ties=case.ties)
        named: dict[str, Any] = {
            "speed in": (found.speed_in, [one.first for one in moved]),
            "speed out": (found.speed_out, [one.last for one in moved]),
            "peak": (found.speed_peak, [one.peak for one in moved]),
            "acceleration": (found.acceleration, [one.acceleration for one in moved]),
            "duration": (found.duration, [one.duration for one in moved]),
            "ramps": (found.rising + found.falling, [one.ramps for one in moved]),
        }
        for name, (fast, slow) in named.items():
            assert np.allclose(fast, slow, rtol=EXACT, atol=1e-9), f"seed {seed}: {name}"
        assert found.cruise_cause.tolist() == [one.cruise_cause for one in moved], f"seed {seed}"
        assert found.ramp_cause.tolist() == [one.ramp_cause for one in moved], f"seed {seed}"
        spent = np.zeros_like(found.seconds)
        for one, row in zip(moved, case.features.move_class.tolist(), strict=True):
            spent[row, one.cruise_cause] += one.duration - one.ramps
            spent[row, one.ramp_cause] += one.ramps
        assert np.allclose(found.seconds, spent, rtol=EXACT, atol=1e-9), f"seed {seed}"


def test_batches_keep_every_ceiling(blocks: str) -> None:
    """Beside a candidate whose limits are all a little lower; layers, and marks of which two are the same."""
    first = 80 if blocks == "whole" else 120
    for seed in range(first, first + 9):
        case = without_pieces(drawn(seed))
        other = case._replace(table=np.where(np.arange(by.LIMITS) == by.SPEED_SHARE, 1.0, 0.9) * case.table)
        layer = np.sort(np.random.default_rng(seed).integers(0, 4, case.features.length.size)).astype(np.int32)
        marks = np.array([0, 3, 9, 9, 20, 26])
        found = batch_times(
            batch_features(case.features, layer), [case.table, other.table], case.lookahead, layers=3, marks=marks
        )
        for k, one in enumerate((case, other)):
            times = np.array([move.duration for move in by_definition(one)])
            assert math.isclose(found.motion[k], times.sum(), rel_tol=EXACT), f"seed {seed}"
            assert np.allclose(found.passed[:, k], [times[:mark].sum() for mark in marks], rtol=EXACT), f"seed {seed}"
            assert np.allclose(found.layers[:, k], np.bincount(layer, times, 4), rtol=EXACT), f"seed {seed}"


def test_batches_and_plans_in_parts_are_those_of_the_whole(blocks: str) -> None:
    """Of moves that come by and by; each part as far as it is certain, which is told by the definition."""
    first = 200 if blocks == "whole" else 240
    for seed in range(first, first + 12):
        case = without_pieces(drawn(seed))
        times = np.array([move.duration for move in by_definition(case)])
        held = batch_features(case.features, np.zeros(times.size, np.int32))
        tables = [case.table, case.table]
        begin, square, node = 0, np.zeros(2), single.START
        steps_from_rest = ceilings.paces_at_rest(case.table).size > 0
        for known in (9, 16, 17, 23, None):
            found = batch_times(held, tables, case.lookahead, begin=begin, square=square, known=known)
            part = single.plan(case.features, case.table, case.lookahead, begin=node, known=known)
            certain = int(found.certain[0])
            assert np.allclose(found.motion, times[begin:certain].sum(), rtol=EXACT, atol=1e-12), f"seed {seed}"
            assert np.allclose(part.duration[node.move : part.certain.move], times[node.move : part.certain.move])
            if known is not None and not steps_from_rest:
                expected = max(begin, last_certain(case, known + 1))
                assert certain == part.certain.move == expected, f"seed {seed}"
                assert math.isclose(found.square[1], part.certain.square, rel_tol=EXACT, abs_tol=1e-12)
            begin, square, node = certain, found.square, part.certain
        assert begin == node.move == times.size


def test_the_first_move_that_nothing_bounds_is_found() -> None:
    """Of tables of which most limits are taken out: by the definitions of both ceilings."""
    for seed in range(24):
        case = drawn(seed)
        rng = np.random.default_rng(seed)
        table = np.where(rng.random(case.table.shape) < 0.8, math.inf, case.table)
        table[table[:, by.SPEED_SHARE] == 0.0, by.SPEED_SHARE] = math.inf
        bare = case._replace(table=table)
        free = [
            i for i in range(case.features.length.size)
            if math.inf in (speed_of(bare, i)[0], acceleration_of(bare, i)[0])
        ]  # fmt: skip
        found = ceilings.first_unbounded(case.features, ceilings.inverse_of(table), np.zeros((3, 2)), case.ties)
        assert found == (free[0] if free else -1), f"seed {seed}"
