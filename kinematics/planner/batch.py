"""Many candidates at a time: the total time of a job under each, and nothing that belongs to single moves.

One move after the other is done for LANES candidates at once, their numbers in one register (`lanes`). What the planner
keeps as inverses is kept the right way up here: with the inverses of the features made once a job, every ceiling is a
minimum of products, and of all divisions one a move is left. The passes are those of `passes`; a block is cut at the
last node that its own ceiling holds in every lane, however motion goes on behind the block.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import CHECKED, compiled, compiled_part
from kinematics.lanes import LANES, all_at_most, greatest, in_every_lane, inverse_root, lanes_at, least, put_lanes
from kinematics.limits import columns as by
from kinematics.planner.ceilings import (
    LEAST_KICK,
    NO_STEP,
    RAMP_SHARE,
    STEADY_SHARE,
    kicks,
    paces_at_rest,
    permits_steps,
)
from kinematics.planner.features import NOT_ROUNDED, FeatureRoom, Features

Reals = NDArray[np.float64]

BATCH_BLOCK = 512  # moves at a time, with LANES candidates each: what one block touches stays in the second cache
FAR = 1e150  # stands for infinity where a product with 0 or a difference might be taken
FAST = 1e100  # stands for no limit of speed or acceleration
TINY = 1e-300
WORKERS = 2
NO_PACE = 1e-100  # s²/mm²: far below what any step asks for, far above what 1/FAR leaves of a share that is 0
REST_PACES = 4  # columns of `ceilings.paces_at_rest`
NO_MARKS = np.empty(0, np.int64)


class BatchFeatures(NamedTuple):
    """What a job's features are to a batch, made once: inverses, so that ceilings are products (FAR for 1/0).

    `double_length` 2 L (mm); `speed` commanded (mm/s); `x, y, z, ratio` 1/share on each axis and of the filament;
    `sharpness` s/(1 − s), `radius` 1/κ (mm), `corner_x, corner_y, corner_z`;
    `motor`, `motor_corner` float64[motors, n], `bend` likewise (mm); `lead` 1/s², `rounded` and `reached` squared
    speeds (mm²/s²), empty where no budget holds what filters round; `layer` int32[n]; `turn`, `ratio_change`,
    `move_class` and `rest` as they are.
    """

    double_length: Reals
    speed: Reals
    x: Reals
    y: Reals
    z: Reals
    ratio: Reals
    move_class: NDArray[np.uint16]
    rest: NDArray[np.uint8]
    sharpness: Reals
    radius: Reals
    corner_x: Reals
    corner_y: Reals
    corner_z: Reals
    turn: Reals
    ratio_change: Reals
    motor: Reals
    motor_corner: Reals
    bend: Reals
    lead: Reals
    rounded: Reals
    reached: Reals
    layer: NDArray[np.int32]


class BatchTimes(NamedTuple):
    """`motion` (candidates) seconds of motion; `passed` float64[marks, candidates] those before each marked move;
    `layers` float64[layers + 1, candidates] those of each layer (no rows where not asked for). `certain` (candidates)
    the node up to which that is timed, `square` the squared speed there (mm²/s²).
    """

    motion: Reals
    passed: Reals
    layers: Reals
    certain: NDArray[np.int64]
    square: Reals


class BatchStretch(NamedTuple):
    """What to time of the moves at hand: the first `moves` of them, in blocks of up to `size`.

    `goes_on` says that the job does so behind them; `steps` whether anything hangs on how much each axis changes,
    `rings` whether a ringing budget does, `stepped` whether rest is left and reached with a step; `window` moves that
    the controller sees (0: all); `by_layer` whether layers are asked for; `marks` ascending numbers of the moves before
    which the time is.
    """

    moves: int
    size: int
    goes_on: bool
    steps: bool
    rings: bool
    stepped: bool
    window: int
    by_layer: bool
    marks: NDArray[np.int64]


class Rows(NamedTuple):
    """Rows of LANES numbers, by address (arrays where uncompiled).

    `table` classes × LIMITS; `at_rest` classes × REST_PACES; `state` the time so far and the squared speed; scratch
    `gains` (size), `nodes` (size + 1), `arrivals` (size + 1; the speed with which rest is reached), `speeds` (2·size),
    `suffix` (size); `passed` the time before each marked move; `layers` that of each layer.
    """

    table: Any
    at_rest: Any
    state: Any
    gains: Any
    nodes: Any
    arrivals: Any
    speeds: Any
    suffix: Any
    passed: Any
    layers: Any


@compiled
def invert(values: Reals, inverses: Reals) -> None:
    """Write 1/values to `inverses`, FAR at most."""
    for i in range(values.size):
        inverses[i] = min(1.0 / values[i], FAR)


def _inverses(columns: Sequence[Reals] | Reals, inverses: Reals) -> Reals:
    """The inverses of columns of equal length, one a row."""
    for row, values in enumerate(columns):
        invert(values, inverses[row])
    return inverses


def batch_features(features: Features, layer: NDArray[np.int32], room: FeatureRoom | None = None) -> BatchFeatures:
    """A job's features for batches; `layer` (n) of every move. What is made in a `room` is written over by the next."""
    f = features
    columns = (f.pace, f.x, f.y, f.z, f.ratio, f.sharpness, f.curvature, f.corner_x, f.corner_y, f.corner_z)
    filters = (2 + (f.reached.size > 0)) if f.lead.size else 0
    counts = (1, len(columns), f.motor.shape[0], f.motor_corner.shape[0], f.bend.shape[0], filters)
    room = FeatureRoom() if room is None else room
    (lengths, inverses, motor, motor_corner, bend, rounding), _ = room.rows(*counts, n=f.length.size)
    np.multiply(f.length, 2.0, out=lengths[0])
    speed, x, y, z, ratio, sharpness, radius, corner_x, corner_y, corner_z = _inverses(columns, inverses)
    _inverses(f.motor, motor)
    _inverses(f.motor_corner, motor_corner)
    _inverses(f.bend, bend)
    lead = rounded = reached = NOT_ROUNDED
    if filters:
        rows = (f.lead, f.rounded * f.rounded, f.reached * f.reached)[:filters]
        lead, rounded, *last = _inverses(rows, rounding)
        reached = last[0] if last else NOT_ROUNDED
    return BatchFeatures(
        lengths[0],
        speed,
        x,
        y,
        z,
        ratio,
        f.move_class,
        f.rest,
        sharpness,
        radius,
        corner_x,
        corner_y,
        corner_z,
        f.turn,
        f.ratio_change,
        motor,
        motor_corner,
        bend,
        lead,
        rounded,
        reached,
        layer,
    )


@compiled_part
def kick_lanes(
    table: Any, row: Any, axis: int, change: float, share: float, other: float, before: Any, after: Any
) -> Any:
    """Inverse speed at which an axis (0 x, 1 y) is kicked within the budget, in every lane (`ceilings.kick_pace`)."""
    sign = -1.0 if change > max(share, other) else 1.0
    each = before * share + after * (sign * other)
    step = greatest(greatest(each, each * -1.0), least(before, after) * abs(share + sign * other))
    part = step / lanes_at(table, row + by.X_SWING + axis)
    left = greatest(1.0 - part * part, in_every_lane(0.0))
    left = left * inverse_root(greatest(left, in_every_lane(TINY)))
    left = greatest(left - step / lanes_at(table, row + by.X_SWING_ADDED + axis), in_every_lane(LEAST_KICK))
    return change / (lanes_at(table, row + by.X_KICK + axis) * left)


@compiled_part
def square_at_rest(
    features: BatchFeatures, table: Any, at_rest: Any, i: int, ceiling: Any, acceleration: Any, rings: bool
) -> Any:
    """Squared speed with which a move leaves rest or reaches it, in every lane; as `ceilings.pace_at_rest` has it."""
    k = np.uint64(i)
    row = np.int64(features.move_class[k]) * REST_PACES
    x, y = 1.0 / features.x[k], 1.0 / features.y[k]
    pace = greatest(lanes_at(at_rest, row) * x, lanes_at(at_rest, row + 1) * y)
    pace = greatest(pace, lanes_at(at_rest, row + 2) * (1.0 / features.z[k]))
    pace = greatest(pace, lanes_at(at_rest, row + 3) * (1.0 / features.ratio[k]))
    permitted = pace
    if rings:
        limits = np.int64(features.move_class[k]) * by.LIMITS
        pace = greatest(pace, kick_lanes(table, limits, 0, x, 0.0, x, acceleration, acceleration))
        pace = greatest(pace, kick_lanes(table, limits, 1, y, 0.0, y, acceleration, acceleration))
    # 0 where no step bounds the speed: then the steps that do are not permitted to a move like this.
    square, floor = permitted * permitted, in_every_lane(NO_PACE)
    bounded = square / (square + floor)
    return least(bounded / greatest(pace * pace, floor), ceiling)


@compiled
def batch_moves(features: BatchFeatures, stretch: BatchStretch, rows: Rows, begin: int, mark: int) -> tuple[int, int]:
    """Time a stretch from the move `begin` on for one row of candidates; return where it stopped and the next mark.

    Stops early where a block has no node that could end it: it goes on with a larger one, or with more moves at hand.
    """
    steps, window, by_layer, marks, size = stretch.steps, stretch.window, stretch.by_layer, stretch.marks, stretch.size
    rings = stretch.rings
    table, state, gains, nodes = rows.table, rows.state, rows.gains, rows.nodes
    speeds, suffix, passed, layers = rows.speeds, rows.suffix, rows.passed, rows.layers
    arrivals, at_rest, stepped = rows.arrivals, rows.at_rest, stretch.stepped
    n = stretch.moves
    rest, classes = features.rest, features.move_class
    motors, bent, rounds = features.motor.shape[0], features.bend.shape[0] > 0, features.lead.size > 0
    ramp_share = RAMP_SHARE if bent else 1.0
    total, square = lanes_at(state, 0), lanes_at(state, 1)
    zero, one_tiny = in_every_lane(0.0), in_every_lane(TINY)
    far = in_every_lane(FAR)
    while begin < n:
        end = min(begin + size, n)
        m = end - begin
        v_before, a_before = far, far
        for k in range(m):
            i = np.uint64(begin + k)
            row = np.int64(classes[i]) * by.LIMITS
            # ---- ceilings of the move
            v = least(
                lanes_at(table, row + by.SPEED_SHARE) * features.speed[i], lanes_at(table, row + by.SPEED_REPLACED)
            )
            v = least(v, lanes_at(table, row + by.CAP))
            v = least(v, lanes_at(table, row + by.X_MOST) * features.x[i])
            v = least(v, lanes_at(table, row + by.Y_MOST) * features.y[i])
            v = least(v, lanes_at(table, row + by.Z_MOST) * features.z[i])
            v = least(v, lanes_at(table, row + by.FILAMENT_MOST) * features.ratio[i])
            x_ramp, y_ramp = lanes_at(table, row + by.X_RAMP), lanes_at(table, row + by.Y_RAMP)
            z_ramp = lanes_at(table, row + by.Z_RAMP)
            a = least(lanes_at(table, row + by.PATH_RAMP), x_ramp * features.x[i])
            a = least(a, y_ramp * features.y[i])
            a = least(a, z_ramp * features.z[i])
            a = least(a, lanes_at(table, row + by.FILAMENT_RAMP) * features.ratio[i])
            for motor in range(motors):
                share = features.motor[motor, i]
                v = least(v, lanes_at(table, row + by.MOTOR_1_MOST + motor) * share)
                a = least(a, lanes_at(table, row + by.MOTOR_1_RAMP + motor) * (share * ramp_share))
            if rounds:
                a = least(a, lanes_at(table, row + by.ROUNDING_RAMP) * features.lead[i])
            v = v * v
            if bent:
                for motor in range(motors):
                    ramp = lanes_at(table, row + by.MOTOR_1_RAMP + motor)
                    v = least(v, ramp * (features.bend[motor, i] * STEADY_SHARE))
            # ---- and of the node before it
            node = zero
            if not rest[i]:
                deviation = lanes_at(table, row + by.DEVIATION)
                bend = least(deviation * features.sharpness[i], in_every_lane(features.radius[i]))
                corner = least(a, a_before)
                corner = least(corner, x_ramp * features.corner_x[i])
                corner = least(corner, y_ramp * features.corner_y[i])
                corner = least(corner, z_ramp * features.corner_z[i])
                for motor in range(motors):
                    share = features.motor_corner[motor, i]
                    corner = least(corner, lanes_at(table, row + by.MOTOR_1_RAMP + motor) * share)
                node = least(corner * bend, least(v, v_before))
                if steps:
                    # Of changes that are 0 the inverse squares are 0, and nothing is lowered.
                    x, y, z = features.turn[0, i], features.turn[1, i], features.turn[2, i]
                    pace = greatest(x / lanes_at(table, row + by.X_STEP), y / lanes_at(table, row + by.Y_STEP))
                    pace = greatest(pace, z / lanes_at(table, row + by.Z_STEP))
                    pace = greatest(pace, features.ratio_change[i] / lanes_at(table, row + by.FILAMENT_STEP))
                    slow = greatest(pace * pace, one_tiny)
                    node = least(node, 1.0 / slow)
                if rings:
                    before = i - np.uint64(1)
                    x_share, x_other = 1.0 / features.x[i], 1.0 / features.x[before]
                    y_share, y_other = 1.0 / features.y[i], 1.0 / features.y[before]
                    pace = kick_lanes(table, row, 0, features.turn[0, i], x_other, x_share, a_before, a)
                    pace = greatest(pace, kick_lanes(table, row, 1, features.turn[1, i], y_other, y_share, a_before, a))
                    node = least(node, 1.0 / greatest(pace * pace, one_tiny))
                if rounds:
                    node = least(node, in_every_lane(features.rounded[i]))
            elif stepped:
                node = square_at_rest(features, table, at_rest, begin + k, v, a, rings)
                if rounds:
                    node = least(node, in_every_lane(features.rounded[i]))
                if k > 0:
                    arrival = square_at_rest(features, table, at_rest, begin + k - 1, v_before, a_before, rings)
                    if rounds:
                        arrival = least(arrival, in_every_lane(features.reached[i - np.uint64(1)]))
                    put_lanes(arrivals, k, arrival)
            put_lanes(nodes, k, node)
            put_lanes(gains, k, a * features.double_length[i])
            put_lanes(speeds, 2 * k, a)
            put_lanes(speeds, 2 * k + 1, v)
            v_before, a_before = v, a
        put_lanes(nodes, m, zero)
        arrival = zero
        if stepped and rest[np.uint64(end)]:
            arrival = square_at_rest(features, table, at_rest, end - 1, v_before, a_before, rings)
            if rounds:
                arrival = least(arrival, in_every_lane(features.reached[np.uint64(end - 1)]))
        put_lanes(arrivals, m, arrival)
        # ---- motion must be able to stop within what the controller sees
        if window > 0:
            last = m - window
            for base in range(0, last + 1, window):
                ahead = zero
                for k in range(base + window - 1, base - 1, -1):
                    if stepped and rest[np.uint64(begin + k + 1)]:
                        ahead = ahead + lanes_at(arrivals, k + 1)  # rest that is seen is reached with its step
                    ahead = ahead + lanes_at(gains, k)
                    put_lanes(suffix, k, ahead)
                put_lanes(nodes, base, least(lanes_at(nodes, base), ahead))
                ahead = zero
                for k in range(base + 1, min(base + window, last + 1)):
                    if stepped and rest[np.uint64(begin + k + window)]:
                        ahead = ahead + lanes_at(arrivals, k + window)
                    ahead = ahead + lanes_at(gains, k + window - 1)
                    put_lanes(nodes, k, least(lanes_at(nodes, k), lanes_at(suffix, k) + ahead))
        # ---- where the block may end
        last = end == n and stretch.goes_on
        if end < n or stretch.goes_on:
            reach = zero
            m = 0
            for k in range(end - begin - 1, 0, -1):
                reach = reach + lanes_at(gains, k)
                node = lanes_at(nodes, k)
                if all_at_most(node, reach):
                    m = k
                    break
                reach = least(node, reach)  # a lane that is held here already must keep to it on the way
                if stepped and rest[np.uint64(begin + k)]:
                    reach = lanes_at(arrivals, k)
            if m == 0 or (2 * m < size and not last):
                break
            end = begin + m
        # ---- backward, then forward with the durations
        reached = lanes_at(arrivals, m) if stepped and rest[np.uint64(end)] else lanes_at(nodes, m)
        for k in range(m - 1, -1 if stepped else 0, -1):
            reached = least(lanes_at(nodes, k), reached + lanes_at(gains, k))
            put_lanes(nodes, k, reached)
            if stepped and rest[np.uint64(begin + k)]:
                reached = lanes_at(arrivals, k)
        if stepped and rest[np.uint64(begin)]:
            square = lanes_at(nodes, 0)
        speed_in = square * inverse_root(greatest(square, one_tiny))
        for k in range(m):
            if mark < marks.size and marks[mark] == begin + k:
                while mark < marks.size and marks[mark] == begin + k:
                    put_lanes(passed, mark, total)
                    mark += 1
            gain = lanes_at(gains, k)
            ends_at_rest = stepped and rest[np.uint64(begin + k + 1)]
            after = least(lanes_at(arrivals, k + 1) if ends_at_rest else lanes_at(nodes, k + 1), square + gain)
            speed_out = after * inverse_root(greatest(after, one_tiny))
            top = least(lanes_at(speeds, 2 * k + 1), (gain + (square + after)) * 0.5)
            top = greatest(top, greatest(square, after))
            pace = inverse_root(top)
            speed = top * pace
            rise, fall = speed - speed_in, speed - speed_out
            # t = (2aL + (v_p − v_0)² + (v_p − v_1)²)/(2·a·v_p): no branch, and nothing cancels
            spent = (gain + (rise * rise + fall * fall)) * pace / (lanes_at(speeds, 2 * k) * 2.0)
            total = total + spent
            if by_layer:
                layer = np.int64(features.layer[np.uint64(begin + k)])
                put_lanes(layers, layer, lanes_at(layers, layer) + spent)
            square, speed_in = after, speed_out
            if ends_at_rest:
                square = lanes_at(nodes, k + 1)
                speed_in = square * inverse_root(greatest(square, one_tiny))
        begin = end
        if last:
            break
    if begin == n:
        while mark < marks.size:
            put_lanes(passed, mark, total)
            mark += 1
    put_lanes(state, 0, total)
    put_lanes(state, 1, square)
    return begin, mark


def _address(rows: Reals) -> Any:
    return rows if CHECKED else rows.ctypes.data


def _in_lanes(tables: Reals) -> Reals:
    """Tables of LANES candidates (float64[LANES, classes, columns]) as rows, float64[classes · columns, LANES]."""
    return np.ascontiguousarray(tables.reshape(LANES, -1).T)


def _rows_of(tables: Reals) -> Reals:
    """Limits of LANES candidates (float64[LANES, classes, LIMITS]) as rows."""
    limits = np.minimum(tables, FAST)
    # Those of nodes may be endless: they only meet others that are above 0.
    limits[:, :, by.NODE_SPEED_COLUMNS] = tables[:, :, by.NODE_SPEED_COLUMNS]
    # Where a commanded speed is replaced the file's own does not count.
    share = limits[:, :, by.SPEED_SHARE]
    share[share == 0.0] = FAST
    return _in_lanes(limits)


def _rows_at_rest(tables: Reals) -> Reals:
    """The steps at rest of LANES candidates, of which some are permitted one, as rows."""
    paces = np.full((*tables.shape[:2], REST_PACES), NO_STEP)
    for lane, table in enumerate(tables):
        if (found := paces_at_rest(table)).size:
            paces[lane] = found
    return _in_lanes(paces)


class _Task(NamedTuple):
    """What rows of candidates have in common."""

    features: BatchFeatures
    window: int
    layers: int
    marks: NDArray[np.int64]
    begin: int
    known: int | None


def _time_row(task: _Task, limits: Reals, square: Reals) -> BatchTimes:
    """The times of up to LANES candidates, each with its squared speed at the begin."""
    features, marks = task.features, task.marks
    used = len(limits)
    tables = limits[np.minimum(np.arange(LANES), used - 1)]
    every = tables.reshape(-1, by.LIMITS)
    table, steps, rings = _rows_of(tables), permits_steps(every), kicks(every)
    stepped = paces_at_rest(every).size > 0
    at_rest = _rows_at_rest(tables) if stepped else np.empty((0, LANES))
    by_layer = task.layers > 0
    sums = np.zeros((task.layers + 1 if by_layer else 1, LANES))
    passed = np.zeros((max(1, marks.size), LANES))
    state = np.zeros((2, LANES))
    state[1, :used] = square
    state[1, used:] = square[-1]
    n = features.double_length.size if task.known is None else task.known + 1
    begin, mark, size = task.begin, 0, min(BATCH_BLOCK, max(1, n))
    while begin < n:
        scratch = [np.empty((rows, LANES)) for rows in (size, size + 1, size + 1, 2 * size, size)]
        rows = Rows(*map(_address, (table, at_rest, state, *scratch, passed, sums)))
        stretch = BatchStretch(
            n, size, task.known is not None, steps, rings, stepped, min(task.window, n), by_layer, marks
        )
        begin, mark = batch_moves(features, stretch, rows, begin, mark)
        if size >= n - begin:
            break  # the whole stretch was at hand: what is left hangs on what comes behind it
        size *= 2  # where it goes on: many moves to brake in
    kept = sums[:, :used] if by_layer else sums[:0, :used]
    return BatchTimes(state[0, :used], passed[: marks.size, :used], kept, np.full(used, begin), state[1, :used])


@functools.cache
def _threads(workers: int) -> ThreadPoolExecutor:
    """The threads on which the batches of this process run."""
    return ThreadPoolExecutor(workers, "batch")


if hasattr(os, "register_at_fork"):  # a process that is split off has none of them
    os.register_at_fork(after_in_child=_threads.cache_clear)


def batch_times(
    features: BatchFeatures,
    limits: Sequence[Reals] | Reals,
    lookahead: int | None = None,
    layers: int = 0,
    marks: NDArray[np.int64] = NO_MARKS,
    workers: int = WORKERS,
    begin: int = 0,
    square: Reals | None = None,
    known: int | None = None,
) -> BatchTimes:
    """Time a job under many tables of limits (float64[candidates, classes, LIMITS]; infinity: none), as `plan` would.

    `lookahead` moves that the controller sees (None: all); `layers` the number of layers whose times are asked for (0:
    none); `marks` ascending numbers of moves before which the time is asked for; of moves that are not certain nothing
    is told. Of a job in blocks: `begin` the move to begin with, `square` (candidates) the squared speeds there (None:
    at rest), `known` as in `plan`. Rows of LANES candidates are done on `workers` threads. What ties speed and
    acceleration together (`ties`) is not known here.
    """
    return batch_begun(features, limits, lookahead, layers, marks, workers, begin, square, known)()


def batch_begun(
    features: BatchFeatures,
    limits: Sequence[Reals] | Reals,
    lookahead: int | None = None,
    layers: int = 0,
    marks: NDArray[np.int64] = NO_MARKS,
    workers: int = WORKERS,
    begin: int = 0,
    square: Reals | None = None,
    known: int | None = None,
) -> Callable[[], BatchTimes]:
    """The way to `batch_times`, of which the arguments are: several rows set to work at once."""
    task = _Task(features, lookahead or 0, layers, marks, begin, known)
    tables = np.asarray(limits)
    speeds = np.zeros(len(tables)) if square is None else square
    rows = [slice(first, first + LANES) for first in range(0, len(tables), LANES)]
    timed: list[Callable[[], BatchTimes]] = [partial(_time_row, task, tables[row], speeds[row]) for row in rows]
    if len(rows) > 1 and workers > 1:
        timed = [_threads(workers).submit(one).result for one in timed]

    def times() -> BatchTimes:
        found = [one() for one in timed]
        if not found:
            nothing = np.empty(0), np.empty((marks.size, 0)), np.empty((layers + 1 if layers else 0, 0))
            return BatchTimes(*nothing, np.empty(0, np.int64), np.empty(0))
        return BatchTimes(*(np.concatenate(columns, axis=-1) for columns in zip(*found, strict=True)))

    return times
