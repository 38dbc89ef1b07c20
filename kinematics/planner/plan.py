"""One candidate planned in full: every move's speeds, the parts of its duration, and what bound them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled, compiled_part
from kinematics.limits import columns as by
from kinematics.planner.ceilings import (
    arrival_ceilings,
    corner_ceilings,
    coupled_corner_ceilings,
    coupled_move_ceilings,
    inverse_of,
    kicks,
    move_ceilings,
    paces_at_rest,
    permits_steps,
    rate_ceilings,
    ringing_nodes,
    rounding_nodes,
    rounding_ramps,
    speed_steps,
)
from kinematics.planner.corners import BLOCK
from kinematics.planner.durations import tied_durations
from kinematics.planner.features import Features
from kinematics.planner.passes import backward_pass, forward_pass, last_held, look_ahead, look_ahead_in_pieces
from kinematics.planner.tied import (
    BELOW_CEILING,
    end_speeds,
    find_lines,
    find_tied,
    last_met,
    look_ahead_up,
    pass_backward,
    pass_forward,
    room_for,
    tie_corners,
)
from kinematics.planner.ties import ADVANCE_DELAY, NO_TIES, Ties

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]

SECONDS_TABLES = 4  # tables of seconds that are added to in turn


class Node(NamedTuple):
    """A place on the way: the move that starts there, and the squared speed at which it does (mm²/s²)."""

    move: int
    square: float


START = Node(0, 0.0)


class Plan(NamedTuple):
    """A job planned under one table of limits; one entry a move unless said otherwise.

    `speed_in`, `speed_peak`, `speed_out` (mm/s); `acceleration` admitted along the path (mm/s²; where it falls with
    speed, that at the peak); `rising`, `cruising`, `falling` parts of the duration (s) and `duration` their sum;
    `cruise_cause`, `ramp_cause` codes of `limits.columns`; `seconds` float64[classes, CAUSES] the time spent under
    each. `certain` how far all of this holds, whatever comes behind: the end of the job, or where planning is to go
    on. Nothing is told of moves from there on, nor of those before the one from which the job was planned.
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
    certain: Node = START


class Stretch(NamedTuple):
    """What to plan of the moves at hand: from the node `begin` on, the first `moves` of them.

    `goes_on` says that the job does so behind them; then motion is planned as far as that is of no account.
    """

    begin: Node
    moves: int
    goes_on: bool


@compiled_part
def durations(
    length: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    gains: Reals,
    squares: Reals,
    arrivals: Reals,
    stepped: bool,
    speeds: Reals,
    result: Plan,
) -> None:
    """Peak speed and the parts of the duration of the moves from `begin` to `end`.

    Of the block, index 0 for `begin`: `paces` 1/v of the ceilings, `sluggish` 1/a, `gains` 2 a L, `squares` squared
    speeds with which nodes are left, `arrivals` with which they are reached: the same array, but where rest is left and
    reached with a step. `speeds` (of the job) takes the node speeds. v_p² = min(v², a·L + (v_0² + v_1²)/2);
    cruising = (L − (2 v_p² − v_0² − v_1²)/2a)/v_p.
    """
    first = np.uint64(begin)  # unsigned, as in `ceilings`
    peak, duration, cruise_cause = result.speed_peak, result.duration, result.cruise_cause
    rising, cruising, falling = result.rising, result.cruising, result.falling
    for k in range(end - begin + 1):
        speeds[first + np.uint64(k)] = math.sqrt(squares[k])
    speed_out = result.speed_out
    if stepped:
        for k in range(end - begin):
            speed_out[first + np.uint64(k)] = math.sqrt(arrivals[k + 1])
    for k in range(end - begin):
        i = first + np.uint64(k)
        v0, v1 = squares[k], arrivals[k + 1]
        slow = sluggish[k]
        ceiling = 1.0 / (paces[k] * paces[k])
        top = min(ceiling, 0.5 * (gains[k] + (v0 + v1)))
        top = max(top, max(v0, v1))
        speed = math.sqrt(top)
        rise = (speed - speeds[i]) * slow
        fall = (speed - speed_out[i]) * slow
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
    """Add the seconds of the moves from `begin` to `end` to `seconds` (float64[SECONDS_TABLES, classes, CAUSES]).

    Successive moves mostly add to the same number: in turn into several tables, no addition waits for the last.
    """
    first = np.uint64(begin)
    rising, cruising, falling = result.rising, result.cruising, result.falling
    cruise_cause, ramp_cause = result.cruise_cause, result.ramp_cause
    for k in range(end - begin):
        i = first + np.uint64(k)
        row = np.int64(move_class[i])
        seconds[i & np.uint64(SECONDS_TABLES - 1), row, np.int64(cruise_cause[i])] += cruising[i]
        seconds[i & np.uint64(SECONDS_TABLES - 1), row, np.int64(ramp_cause[i])] += rising[i] + falling[i]


@compiled_part
def scratch(size: int) -> tuple[Reals, Reals, Reals, Reals, Reals]:
    """What one block needs; five arrays, not rows of one, so that the compiler knows them to lie apart."""
    return np.empty(size), np.empty(size), np.empty(size), np.empty(size + 1), np.empty(size)


@compiled
def plan_moves(
    features: Features,
    inverse: Reals,
    advance: Reals | None,
    ties: Ties,
    steps: bool,
    rings: bool,
    rest_paces: Reals,
    window: int,
    stretch: Stretch,
    speeds: Reals,
    result: Plan,
) -> Node:
    """Plan a stretch: ceilings, backward pass, forward pass, durations, seconds by class and cause; return its end.

    `inverse` float64[classes, LIMITS] of 1/limit; `advance` float64[classes, 2] as in `Limits`, None where nothing
    falls with speed and rest has no steps: what those take is not compiled then; `ties` NO_TIES where no acceleration
    falls with speed; `steps` whether there are steps of speed, `rings` whether a ringing budget holds them,
    `rest_paces` those that rest may be left and reached with (`ceilings.paces_at_rest`); `window` moves that the
    controller sees, 0 for all. Writes the node speeds to `speeds` (n + 1), all else to the arrays of `result`.

    Everything is done on one block before the next is begun, so that a move's numbers are fetched from memory once. A
    block is cut at the last node that its own ceiling holds; the few moves behind it are done again with the next.
    """
    length, rest, acceleration, whole = features.length, features.rest, result.acceleration, features.whole
    n = stretch.moves
    coupled, rounds = features.motor.shape[0] > 0, features.lead.size > 0
    by_moves, by_bytes, drives = ties.move_reach.size > 0, ties.byte_reach.size > 0, ties.curves.shape[0]
    stepped = rest_paces.shape[0] > 0
    chains, pieces = drives, ties.curves.shape[1]
    if advance is not None:
        chains += 1 if (advance[:, ADVANCE_DELAY] > 0.0).any() else 0
    tied = chains > 0
    seconds = np.zeros((SECONDS_TABLES, inverse.shape[0], int(by.CAUSES)))
    # Numbers, not literals: every part would be compiled for the literal first and for any number after it.
    size, begin, square = int(np.int64(BLOCK)), stretch.begin.move, stretch.begin.square
    paces, sluggish, gains, nodes, suffix = scratch(size)
    arrivals = np.empty(size + 1) if tied or stepped else nodes
    if advance is not None:
        shares = np.empty(chains + 1)
        work = room_for(size, drives, chains, pieces)
    while begin < n:
        end = min(begin + size, n)
        if coupled:
            coupled_move_ceilings(
                features, inverse, begin, end, paces, sluggish, result.cruise_cause, result.ramp_cause
            )
        else:
            move_ceilings(features, inverse, begin, end, paces, sluggish, result.cruise_cause, result.ramp_cause)
        if rounds:
            rounding_ramps(features, inverse, begin, end, sluggish, result.ramp_cause)
        if by_moves:
            column, cause = int(np.int64(by.MOVE_RATE)), int(np.int64(by.MOVE_RATE_SPEED))
            rate_ceilings(ties.move_reach, inverse, column, cause, features, begin, end, paces, result.cruise_cause)
        if by_bytes:
            column, cause = int(np.int64(by.BYTE_RATE)), int(np.int64(by.BYTE_RATE_SPEED))
            rate_ceilings(ties.byte_reach, inverse, column, cause, features, begin, end, paces, result.cruise_cause)
        if coupled:
            coupled_corner_ceilings(features, inverse, begin, end, paces, sluggish, nodes)
        else:
            corner_ceilings(features, inverse, begin, end, paces, sluggish, nodes)
        if steps:
            speed_steps(features, inverse, begin, end, nodes)
        if rings:
            ringing_nodes(features, inverse, begin, end, sluggish, nodes)
        if rounds:
            rounding_nodes(features, begin, end, nodes)
        m = end - begin
        for k in range(m):  # from inverse to squared ceilings
            i = np.uint64(begin + k)
            acceleration[i] = 1.0 / sluggish[k]
            gains[k] = 2.0 * length[i] * acceleration[i]
            nodes[k] = 0.0 if rest[i] else 1.0 / nodes[k]
        nodes[m] = 0.0
        if not rest[begin]:
            nodes[0] = square  # what lies before it is settled
        climbing = False
        if advance is not None:
            if stepped:
                arrival_ceilings(features, inverse, rest_paces, begin, end, paces, sluggish, nodes, arrivals)
            else:
                arrivals[: m + 1] = 0.0
            climbing = stepped
            if tied:
                is_held, several = find_tied(
                    features, ties, advance, begin, m, paces, acceleration, gains, nodes, arrivals, work
                )
                climbing |= is_held
                if is_held:
                    end_speeds(features, ties, begin, m, several, paces, result.cruise_cause, nodes, arrivals, work)
                    tie_corners(features, inverse, begin, m, several, work, nodes)
                    find_lines(features, begin, m, several, work, gains, nodes, arrivals)
            else:
                work.sure[:m] = gains[:m]
            if climbing and window > 0:
                look_ahead_up(features, begin, gains[:m], window, work, nodes, shares)
        if window > 0 and not climbing:
            if whole.size > 0:
                look_ahead_in_pieces(gains[:m], window, whole, begin, suffix, nodes)
            else:
                look_ahead(gains[:m], window, suffix, nodes)
        last = end == n and stretch.goes_on
        if end < n or stretch.goes_on:
            met = 0 if climbing else last_held(gains[:m], nodes)
            if advance is not None:
                if climbing:
                    met = last_met(rest, begin, gains[:m], work, nodes, arrivals)
            m = met
            # Many moves to brake in: so short a block would be done again for the most part.
            if 2 * m < size and not last:
                size = 2 * size
                paces, sluggish, gains, nodes, suffix = scratch(size)
                arrivals = np.empty(size + 1) if tied or stepped else nodes
                if advance is not None:
                    work = room_for(size, drives, chains, pieces)
                continue
            if m == 0:
                break
            end = begin + m
        if not climbing:
            backward_pass(m, gains, nodes)
            square = forward_pass(m, gains, square, nodes)
            durations(length, begin, end, paces, sluggish, gains, nodes, nodes, False, speeds, result)
            add_seconds(features.move_class, begin, end, result, seconds)
        if advance is not None:
            if climbing:
                pass_backward(features, begin, m, gains, work, nodes, arrivals, shares)
                square = pass_forward(features, begin, m, gains, square, work, nodes, arrivals, shares)
                durations(length, begin, end, paces, sluggish, gains, nodes, arrivals, stepped, speeds, result)
                tied_durations(features, begin, m, paces, nodes, arrivals, work, result, shares, seconds)
        begin = end
        if last:
            break
    result.seconds[:] = 0.0
    for lane in range(SECONDS_TABLES):
        result.seconds[:] += seconds[lane]
    return Node(begin, square)


class Room(NamedTuple):
    """Arrays for a plan: `speeds` (n + 1) of the nodes, `result` a Plan that shares them."""

    speeds: Reals
    result: Plan


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
    return Room(speeds, result)


class PlanRoom:
    """Memory for one plan after the other: fresh memory costs more than planning."""

    def __init__(self) -> None:
        self._room = make_room(0, 1)

    def room(self, moves: int, classes: int) -> Room:
        """Arrays for the plan of so many moves and classes; the plan that was there is written over."""
        if self._room.speeds.size <= moves:
            self._room = make_room(moves if self._room.speeds.size == 1 else moves + moves // 4, 1)
        speeds, result = self._room
        columns = [column[:moves] for column in result[: Plan._fields.index("seconds")]]
        seconds = np.empty((classes, by.CAUSES))
        return Room(speeds[: moves + 1], Plan._make([*columns, seconds, START]))


def plan(
    features: Features,
    limits: Reals,
    lookahead: int | None = None,
    room: Room | None = None,
    advance: Reals | None = None,
    ties: Ties = NO_TIES,
    begin: Node = START,
    known: int | None = None,
) -> Plan:
    """Time a job under a table of limits (float64[classes, LIMITS], infinity for none).

    Of a job in blocks: the moves at hand from the node `begin` on; `known` the last node at hand that has all of the
    path around it that its ceilings see, None where the job ends with the moves at hand. `Plan.certain` is then where
    to begin once more moves are at hand.

    `advance` and `ties` where acceleration falls with speed, as in `Limits` and `make_ties`.
    `lookahead` is the number of moves that the controller sees (None: all). The speeds are the largest that satisfy the
    corner rules and can be reached and left under each move's acceleration: the time optimum under these ceilings
    (J. Bobrow, S. Dubowsky, J. Gibson, Int. J. Robotics Research 4(3), 1985; here on straight moves). Ramps are
    trapezoid ramps; S-shaped ramps are not modelled. `room` of an earlier plan of the same job is written over: fresh
    memory costs more than planning.
    """
    n = features.length.size
    steps, rings = permits_steps(limits), kicks(limits)
    inverse = inverse_of(limits)
    rest_paces = paces_at_rest(limits)
    window = min(lookahead, n) if lookahead else 0
    if room is None:
        room = make_room(n, limits.shape[0])
    falls = ties.curves.shape[0] > 0 or (advance is not None and bool((advance[:, ADVANCE_DELAY] > 0.0).any()))
    if not falls and rest_paces.size == 0:
        advance = None
    elif advance is None:
        advance = np.zeros((limits.shape[0], 2))
    stretch = Stretch(begin, n if known is None else known + 1, known is not None)
    result = room.result
    if rest_paces.size > 0:  # what reaches a place is not what leaves it
        result = result._replace(speed_out=np.empty(n))
    certain = plan_moves(
        features, inverse, advance, ties, steps, rings, rest_paces, window, stretch, room.speeds, result
    )
    return result._replace(certain=certain)
