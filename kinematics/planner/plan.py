"""One candidate planned in full: every move's speeds, the parts of its duration, and what bound them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.compiled import compiled, compiled_part
from kinematics.planner.ceilings import corner_ceilings, move_ceilings, speed_steps
from kinematics.planner.features import Features
from kinematics.planner.motor_ceilings import coupled_corner_ceilings, coupled_move_ceilings
from kinematics.planner.pairs import DELAY, pair_ceilings
from kinematics.planner.passes import backward_pass, forward_pass, last_held, look_ahead, look_ahead_in_pieces
from kinematics.planner.ties import NO_TIES, Ties, rate_ceilings

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]

BLOCK = 1024  # moves at a time: what one block touches stays in the fast caches
LANES = 4  # tables of seconds that are added to in turn
BELOW_CEILING = 1.0 - 1e-12  # a peak below this share of the ceiling is held by its corners


class Plan(NamedTuple):
    """A job planned under one table of limits; one entry a move unless said otherwise.

    `speed_in`, `speed_peak`, `speed_out` (mm/s); `acceleration` admitted along the path (mm/s²); `rising`, `cruising`,
    `falling` parts of the duration (s) and `duration` their sum; `cruise_cause`, `ramp_cause` codes of
    `caps.columns`; `seconds` float64[classes, CAUSES] the time spent under each.
    """

    speed_in: Reals
    speed_peak: Reals
    speed_out: Reals
    acceleration: Reals
    rising: Reals
    cruising: Reals
    falling: Reals
    duration: Reals
    cruise_cause: Codes
    ramp_cause: Codes
    seconds: Reals


@compiled_part
def durations(
    length: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    gains: Reals,
    squares: Reals,
    speeds: Reals,
    result: Plan,
) -> None:
    """Peak speed and the parts of the duration of the moves from `begin` to `end`.

    Of the block, index 0 for `begin`: `paces` 1/v of the ceilings, `sluggish` 1/a, `gains` 2 a L, `squares` squared
    node speeds. `speeds` (of the job) takes the node speeds. v_p² = min(v², a·L + (v_0² + v_1²)/2);
    cruising = (L − (2 v_p² − v_0² − v_1²)/2a)/v_p.
    """
    first = np.uint64(begin)  # unsigned, as in `ceilings`
    peak, duration, cruise_cause = result.speed_peak, result.duration, result.cruise_cause
    rising, cruising, falling = result.rising, result.cruising, result.falling
    for k in range(end - begin + 1):
        speeds[first + np.uint64(k)] = math.sqrt(squares[k])
    for k in range(end - begin):
        i = first + np.uint64(k)
        v0, v1 = squares[k], squares[k + 1]
        slow = sluggish[k]
        ceiling = 1.0 / (paces[k] * paces[k])
        top = min(ceiling, 0.5 * (gains[k] + (v0 + v1)))
        top = max(top, max(v0, v1))
        speed = math.sqrt(top)
        rise = (speed - speeds[i]) * slow
        fall = (speed - speeds[i + np.uint64(1)]) * slow
        cruise = max(0.0, length[i] - (top + top - v0 - v1) * 0.5 * slow) / speed
        peak[i] = speed
        rising[i] = rise
        cruising[i] = cruise
        falling[i] = fall
        duration[i] = rise + cruise + fall
        cruise_cause[i] = np.uint8(by.CORNER) if top < ceiling * BELOW_CEILING else cruise_cause[i]


@compiled_part
def add_seconds(
    move_class: NDArray[np.uint16],
    begin: int,
    end: int,
    result: Plan,
    seconds: Reals,
) -> None:
    """Add the seconds of the moves from `begin` to `end` to `seconds` (float64[LANES, classes, CAUSES]).

    Successive moves mostly add to the same number: in turn into several tables, no addition waits for the last.
    """
    first = np.uint64(begin)
    rising, cruising, falling = result.rising, result.cruising, result.falling
    cruise_cause, ramp_cause = result.cruise_cause, result.ramp_cause
    for k in range(end - begin):
        i = first + np.uint64(k)
        row = np.int64(move_class[i])
        seconds[i & np.uint64(LANES - 1), row, np.int64(cruise_cause[i])] += cruising[i]
        seconds[i & np.uint64(LANES - 1), row, np.int64(ramp_cause[i])] += rising[i] + falling[i]


@compiled_part
def scratch(size: int) -> tuple[Reals, Reals, Reals, Reals, Reals]:
    """What one block needs; five arrays, not rows of one, so that the compiler knows them to lie apart."""
    return np.empty(size), np.empty(size), np.empty(size), np.empty(size + 1), np.empty(size)


@compiled
def plan_moves(
    features: Features,
    inverse: Reals,
    advance: Reals,
    ties: Ties,
    steps: bool,
    window: int,
    speeds: Reals,
    result: Plan,
    seconds: Reals,
) -> None:
    """Plan a job: ceilings, backward pass, forward pass, durations, seconds by class and cause.

    `inverse` float64[classes, LIMITS] of 1/limit; `advance` float64[classes, 2] as in `Limits`; `ties` NO_TIES where
    nothing ties speed and acceleration; `steps` whether there are steps of speed; `window` moves that the
    controller sees, 0 for all. Writes the node speeds to `speeds` (n + 1), what else belongs to moves to the arrays of
    `result`, and the seconds, still to be summed over the first axis, to `seconds` (float64[LANES, classes, CAUSES]).

    Everything is done on one block before the next is begun, so that a move's numbers are fetched from memory once. A
    block is cut at the last node that its own ceiling holds; the few moves behind it are done again with the next.
    """
    length, rest, acceleration, whole = features.length, features.rest, result.acceleration, features.whole
    n = length.size
    coupled = features.motor.shape[0] > 0
    by_moves, by_bytes, drives = ties.move_reach.size > 0, ties.byte_reach.size > 0, ties.curves.shape[0]
    tied = drives > 0
    for row in range(advance.shape[0]):
        tied = tied or (advance[row, DELAY] > 0.0 and ties.run_length.size > 0)
    lines, pieces = np.empty((drives + 2, 4)), np.empty(drives, np.int64)
    seconds[:] = 0.0
    # Numbers, not literals: every part would be compiled for the literal first and for any number after it.
    size, begin = int(np.int64(BLOCK)), int(np.int64(0))
    paces, sluggish, gains, nodes, suffix = scratch(size)
    square = 0.0
    while begin < n:
        end = min(begin + size, n)
        if coupled:
            coupled_move_ceilings(
                features, inverse, begin, end, paces, sluggish, result.cruise_cause, result.ramp_cause
            )
        else:
            move_ceilings(features, inverse, begin, end, paces, sluggish, result.cruise_cause, result.ramp_cause)
        if by_moves:
            column, cause = int(np.int64(by.MOVE_RATE)), int(np.int64(by.MOVE_RATE_SPEED))
            rate_ceilings(ties.move_reach, inverse, column, cause, features, begin, end, paces, result.cruise_cause)
        if by_bytes:
            column, cause = int(np.int64(by.BYTE_RATE)), int(np.int64(by.BYTE_RATE_SPEED))
            rate_ceilings(ties.byte_reach, inverse, column, cause, features, begin, end, paces, result.cruise_cause)
        if tied:
            pair_ceilings(
                ties.run_length,
                features.ratio,
                features.move_class,
                advance,
                ties.curves,
                ties.loads,
                begin,
                end,
                int(np.int64(by.DRIVE_1)),
                int(np.int64(by.ADVANCE)),
                paces,
                sluggish,
                result.cruise_cause,
                result.ramp_cause,
                np.empty(end - begin, np.int64),
                lines,
                pieces,
            )
        if coupled:
            coupled_corner_ceilings(features, inverse, begin, end, paces, sluggish, nodes)
        else:
            corner_ceilings(features, inverse, begin, end, paces, sluggish, nodes)
        if steps:
            speed_steps(features, inverse, begin, end, nodes)
        m = end - begin
        for k in range(m):  # from inverse to squared ceilings
            i = np.uint64(begin + k)
            acceleration[i] = 1.0 / sluggish[k]
            gains[k] = 2.0 * length[i] * acceleration[i]
            nodes[k] = 0.0 if rest[i] else 1.0 / nodes[k]
        nodes[m] = 0.0
        if window > 0 and whole.size > 0:
            look_ahead_in_pieces(gains[:m], window, whole, begin, suffix, nodes)
        elif window > 0:
            look_ahead(gains[:m], window, suffix, nodes)
        if end < n:
            m = last_held(gains[:m], nodes)
            if 2 * m < size:  # many moves to brake in: so short a block would be done again for the most part
                size = 2 * size
                paces, sluggish, gains, nodes, suffix = scratch(size)
                continue
            end = begin + m
        backward_pass(m, gains, nodes)
        square = forward_pass(m, gains, square, nodes)
        durations(length, begin, end, paces, sluggish, gains, nodes, speeds, result)
        add_seconds(features.move_class, begin, end, result, seconds)
        begin = end


class Room(NamedTuple):
    """Arrays for a plan: `speeds` (n + 1) of the nodes, `result` a Plan that shares them, `lanes` of partial sums."""

    speeds: Reals
    result: Plan
    lanes: Reals


def make_room(moves: int, classes: int) -> Room:
    """Fresh arrays for the plan of so many moves and classes."""
    # One large block comes in large pages, which are far fewer to fetch.
    speeds, peak, acceleration, rising, cruising, falling, duration = np.empty((7, moves + 1))
    peak, acceleration, rising = peak[:-1], acceleration[:-1], rising[:-1]
    cruising, falling, duration = cruising[:-1], falling[:-1], duration[:-1]
    result = Plan(
        speeds[:-1],
        peak,
        speeds[1:],
        acceleration,
        rising,
        cruising,
        falling,
        duration,
        np.empty(moves, np.uint8),
        np.empty(moves, np.uint8),
        np.empty((classes, by.CAUSES)),
    )
    return Room(speeds, result, np.empty((LANES, classes, by.CAUSES)))


def inverse_of(limits: Reals) -> Reals:
    """A table of limits as inverses: no limit is 0, and so is the share of a commanded speed that is replaced."""
    with np.errstate(divide="ignore"):
        inverse = 1.0 / limits
    inverse[:, by.SPEED_SHARE] = np.where(limits[:, by.SPEED_SHARE] > 0.0, inverse[:, by.SPEED_SHARE], 0.0)
    return np.asarray(inverse)


def hang_on_turns(limits: Reals) -> bool:
    """Whether anything in a table of limits hangs on how much each axis changes at a corner."""
    columns = (*range(by.X_STEP, by.FILAMENT_STEP + 1), by.X_ROUNDING, by.Y_ROUNDING)
    return bool(np.isfinite(limits[:, columns]).any())


def plan(
    features: Features,
    limits: Reals,
    lookahead: int | None = None,
    room: Room | None = None,
    advance: Reals | None = None,
    ties: Ties = NO_TIES,
) -> Plan:
    """Time a job under a table of limits (float64[classes, LIMITS], infinity for none).

    `advance` and `ties` where speed and acceleration hang together, as in `Limits` and `make_ties`.
    `lookahead` is the number of moves that the controller sees (None: all). The speeds are the largest that satisfy the
    corner rules and can be reached and left under each move's acceleration: the time optimum under these ceilings
    (J. Bobrow, S. Dubowsky, J. Gibson, Int. J. Robotics Research 4(3), 1985; here on straight moves). Ramps are
    trapezoid ramps; S-shaped ramps are not modelled. `room` of an earlier plan of the same job is written over: fresh
    memory costs more than planning.
    """
    n = features.length.size
    steps = hang_on_turns(limits)
    inverse = inverse_of(limits)
    window = min(lookahead, n) if lookahead else 0
    if room is None:
        room = make_room(n, limits.shape[0])
    if advance is None:
        advance = np.zeros((limits.shape[0], 2))
    plan_moves(features, inverse, advance, ties, steps, window, room.speeds, room.result, room.lanes)
    room.lanes.sum(axis=0, out=room.result.seconds)
    return room.result
