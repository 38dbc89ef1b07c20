"""Moves of a block whose acceleration falls with speed: which they are, their tables, corners, passes and durations.

A move is tied where it may not speed up at its constant ceiling all the way to its ceiling of speed. Only what is then
not admitted stands in its table of pieces (`falling`); all other moves are planned as if nothing fell. The passes here
also know places at rest that are left and reached with a step of speed, so that a node there has two speeds: `nodes`
holds the one it is left with, `arrivals` the one it is reached with.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf, compiled_part
from kinematics.limits import columns as by
from kinematics.limits.drive import END as END_OF_CURVE
from kinematics.limits.drive import FASTEST, FORCE, SLOPE
from kinematics.planner.falling import (
    ALPHA,
    BETA,
    END,
    GAMMA,
    LEFT_AT_END,
    acceleration_at,
    end_of_speed,
    envelope_of_one,
    lower_envelope,
    ramp,
    speed_after,
    speed_on_circle,
)
from kinematics.planner.features import Features
from kinematics.planner.ties import ADVANCE, DELAY, FRICTION, MASS, SHARE, Ties

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

LEAST_MASS = 1e-12  # t: a milligram stands for none
JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known
BELOW_CEILING = 1.0 - 1e-12  # a speed beyond this share of a ceiling has met it
NO_PATH = 1e-12  # share of a length
NO_SLUGGISHNESS = 1e-100  # s²/mm, s/mm: of a move that nothing constant holds


class Falling(NamedTuple):
    """The moves of a block (index 0 for its first), and what holds the `tied` ones among them, in the order of `moves`.

    Of every move: `place` among the tied ones; `own` its constant ceiling (mm/s²); `level` the squared speed up to
    which that holds, infinite where it is not tied; `sure` 2·a·L (mm²/s²) with the least a at its two nodes; `most`
    (mm/s) and `force` scratch. Of the tied: `tables` float64[tied, chains, pieces, 4] as in `falling`, `chains` how
    many of them a move has, `causes` theirs, `tops` where speed ends (mm/s). Of their lower envelopes:
    `first` row of each move, `segments` and
    `holders` as in `falling.lower_envelope`.
    """

    tied: int
    moves: Places
    place: Places
    own: Reals
    level: Reals
    sure: Reals
    most: Reals
    force: Reals
    tables: Reals
    chains: Places
    causes: Codes
    tops: Reals
    first: Places
    segments: Reals
    holders: Places


@compiled_part
def room_for(size: int, count: int, chains: int, pieces: int) -> Falling:
    """Room for blocks of up to `size` moves, `count` of them tied."""
    rows = count * (chains + 1)
    return Falling(
        0,
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty(size),
        np.full(size, np.inf),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty((count, chains, pieces, 4)),
        np.empty(count, np.int64),
        np.empty((count, chains), np.uint8),
        np.empty(count),
        np.empty(count, np.int64),
        np.empty((rows, 4)),
        np.empty(rows, np.int64),
    )


@compiled_part
def counting(work: Falling, count: int) -> Falling:
    """The same with so many tied moves, and with room for them; what is told of them is still to be written."""
    w = work
    tables, chains, causes, tops, first = w.tables, w.chains, w.causes, w.tops, w.first
    segments, holders = w.segments, w.holders
    if count > chains.size:
        more = room_for(0, min(2 * count, w.moves.size), tables.shape[1], tables.shape[2])
        tables, chains, causes, tops, first = more.tables, more.chains, more.causes, more.tops, more.first
        segments, holders = more.segments, more.holders
    rows = (w.place, w.own, w.level, w.sure, w.most, w.force)
    return Falling(count, w.moves, *rows, tables, chains, causes, tops, first, segments, holders)


@compiled_part
def with_more_segments(work: Falling) -> Falling:
    """The same with room for more segments."""
    w, size = work, 2 * work.holders.size
    rows = (w.place, w.own, w.level, w.sure, w.most, w.force, w.tables, w.chains, w.causes, w.tops, w.first)
    return Falling(w.tied, w.moves, *rows, np.empty((size, 4)), np.empty(size, np.int64))


@compiled_leaf
def extruder_tie(ratio: float, advance: float, delay: float) -> float:
    """The speed (mm/s) that v + p·a may not pass: V_e/r; infinity where the extruder ties nothing."""
    return math.inf if delay == 0.0 or ratio == 0.0 else advance / ratio


@compiled_leaf
def gives(
    curves: Reals,
    motor: int,
    mass: float,
    friction: float,
    share: float,
    pull: float,
    speed: float,
    acceleration: float,
) -> bool:
    """Whether a drive admits an acceleration up to a tool speed, with a tenth of what it gives at rest to spare there.

    `mass`, `friction`, `share` and `pull` of the move as in `Ties`.
    """
    at = speed * share
    piece = 0
    while at > curves[motor, piece, END_OF_CURVE]:
        piece += 1
    at_rest = LEFT_AT_END * (curves[motor, 0, FORCE] - friction)
    asked = max(acceleration * max(mass, LEAST_MASS), at_rest) + friction + pull * speed * speed
    return bool(asked <= curves[motor, piece, FORCE] - curves[motor, piece, SLOPE] * at)


@compiled_leaf
def find_tied(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    gains: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
) -> int:
    """Write which moves from `begin` to `end` are tied to `work`, and return how many; arguments as in `tie_moves`.

    A move that cannot come to a speed at which less than its constant ceiling is admitted is not: at most it comes to
    v² = a·L + (v_0² + v_1²)/2 between the ceilings of its nodes. `gains` 2·a·L (mm²/s²). With a tenth of what a drive
    gives at rest to spare, or more. Loop by loop, so that several moves go at a time; places as in `ceilings`.
    """
    start, m = np.uint64(begin), end - begin
    ratio, classes, curves, loads, pulls = features.ratio, features.move_class, ties.curves, ties.loads, ties.pulls
    own, most, excess, force = work.own, work.most, work.level, work.force
    for k in range(m):
        own[k] = 1.0 / max(sluggish[k], NO_SLUGGISHNESS)
        ends = 0.5 * (gains[k] + nodes[k] + max(arrivals[k + 1], nodes[k + 1]))
        most[k] = min(min(1.0 / max(paces[k], NO_SLUGGISHNESS), FASTEST), math.sqrt(ends))
        excess[k] = 0.0
    for row in range(advance.shape[0]):
        limit, delay = advance[row, ADVANCE], advance[row, DELAY]
        if delay > 0.0:
            for k in range(m):
                i = start + np.uint64(k)
                over = (most[k] + delay * own[k]) * ratio[i] - limit
                excess[k] = max(excess[k], over if classes[i] == row else 0.0)
    for motor in range(curves.shape[0]):
        which = np.uint64(motor)
        at_rest = curves[motor, 0, FORCE]
        for piece in range(curves.shape[1]):
            begins = curves[motor, piece - 1, END_OF_CURVE] if piece > 0 else -1.0
            at_zero, slope = curves[motor, piece, FORCE], curves[motor, piece, SLOPE]
            for k in range(m):
                speed = most[k] * loads[which, SHARE, start + np.uint64(k)]
                force[k] = at_zero - slope * speed if speed > begins else force[k]
        for k in range(m):
            i = start + np.uint64(k)
            friction = loads[which, FRICTION, i]
            asked = max(own[k] * max(loads[which, MASS, i], LEAST_MASS), LEFT_AT_END * (at_rest - friction))
            asked += friction + pulls[which, i] * (most[k] * most[k])
            excess[k] = max(excess[k], asked - force[k])
    moves, place, count = work.moves, work.place, 0
    for k in range(m):
        place[k] = count
        moves[count] = k
        count += 1 if excess[k] > 0.0 else 0
    for k in range(m):
        excess[k] = math.inf
    return count


@compiled_leaf
def tie_moves(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    paces: Reals,
    cruise_cause: Codes,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
) -> None:
    """Write the tables of the moves that `find_tied` found, and lower their ceilings of speed to where speed ends.

    `advance` float64[classes, 2] of ADVANCE (mm/s of filament; infinity for no limit) and DELAY p (s; 0 where none). Of
    the block, index 0 for `begin`: `paces` 1/v, lowered; squared speeds `nodes` and `arrivals`,
    lowered likewise. No move may be stuck (`make_ties`).
    """
    ratio, move_class, curves, loads, pulls = features.ratio, features.move_class, ties.curves, ties.loads, ties.pulls
    tables, chains, causes = work.tables, work.chains, work.causes
    moves, tops, own = work.moves, work.tops, work.own
    for slot in range(work.tied):
        k = moves[slot]
        i = np.uint64(begin + k)
        speed, acceleration = min(1.0 / paces[k], FASTEST), own[k]
        top, used = speed, 0
        for motor in range(curves.shape[0]):
            mass, friction, share = loads[motor, MASS, i], loads[motor, FRICTION, i], loads[motor, SHARE, i]
            if gives(curves, motor, mass, friction, share, pulls[motor, i], speed, acceleration):
                continue
            inverse = 1.0 / max(mass, LEAST_MASS)
            for piece in range(curves.shape[1]):
                tables[slot, used, piece, ALPHA] = (curves[motor, piece, FORCE] - friction) * inverse
                tables[slot, used, piece, BETA] = curves[motor, piece, SLOPE] * share * inverse
                tables[slot, used, piece, GAMMA] = pulls[motor, i] * inverse
                end = curves[motor, piece, END_OF_CURVE]
                tables[slot, used, piece, END] = end / share if share > 0.0 else math.inf
            causes[slot, used] = by.DRIVE_1 + motor
            most = end_of_speed(tables, slot, used)
            if most < top:
                top = most
                cruise_cause[i] = np.uint8(by.DRIVE_1 + motor)
            used += 1
        row_of_class = np.int64(move_class[i])
        delay = advance[row_of_class, DELAY]
        extruder = extruder_tie(ratio[i], advance[row_of_class, ADVANCE], delay)
        if not speed + delay * acceleration <= extruder:
            for piece in range(curves.shape[1]):
                tables[slot, used, piece, ALPHA], tables[slot, used, piece, BETA] = extruder / delay, 1.0 / delay
                tables[slot, used, piece, GAMMA], tables[slot, used, piece, END] = 0.0, math.inf
            causes[slot, used] = by.ADVANCE
            if extruder < top:
                top = extruder
                cruise_cause[i] = np.uint8(by.ADVANCE)
            used += 1
        chains[slot] = used
        if top < speed:
            paces[k] = 1.0 / top
            nodes[k] = min(nodes[k], top * top)
            if features.rest[np.uint64(begin + k + 1)]:
                arrivals[k + 1] = min(arrivals[k + 1], top * top)
            else:
                nodes[k + 1] = min(nodes[k + 1], top * top)
        tops[slot] = top


@compiled_leaf
def write_envelopes(work: Falling) -> bool:
    """Write the lower envelopes of the tied moves, and where their own ceilings end; False if there is no room."""
    tables, chains, moves, first, tops = work.tables, work.chains, work.moves, work.first, work.tops
    own, level, segments, holders, at = work.own, work.level, work.segments, work.holders, 0
    for slot in range(work.tied):
        k, begin = moves[slot], at
        if chains[slot] == 1:
            at = envelope_of_one(tables, slot, own[k], tops[slot], begin, segments, holders)
        else:
            at = lower_envelope(tables, slot, chains[slot], own[k], tops[slot], begin, segments, holders)
        if at < 0:
            return False
        first[slot] = begin
        level[k] = segments[begin, END] * segments[begin, END] if holders[begin] == chains[slot] else 0.0
    return True


@compiled_leaf
def tie_corners(
    features: Features, inverse: Reals, begin: int, moves: int, work: Falling, nodes: Reals, arrivals: Reals
) -> None:
    """Lower the squared ceilings of nodes to v² <= a(v)·R of the tied moves beside them, and write `work.sure`.

    R is the smaller of the circle's that junction deviation draws and of the curve rule's. `inverse` of limits as in
    `ceilings`, `arrivals` where rest is reached.
    """
    sharpness, curvature, rest, classes = features.sharpness, features.curvature, features.rest, features.move_class
    length, deviation = features.length, by.DEVIATION
    tables, chains, tied, own, sure = work.tables, work.chains, work.moves, work.own, work.sure
    level, first, segments = work.level, work.first, work.segments
    for slot in range(work.tied):
        k = tied[slot]
        for node in range(k, k + 2):
            i = np.uint64(begin + node)
            if node == 0 or node >= moves or nodes[node] <= level[k] or rest[i]:
                continue
            bend = max(sharpness[i] * inverse[np.int64(classes[i]), deviation], curvature[i])
            if bend > 0.0 and acceleration_at(segments, first[slot], math.sqrt(nodes[node])) < nodes[node] * bend:
                top = math.sqrt(nodes[node])
                speed = speed_on_circle(tables, slot, chains[slot], own[k], 1.0 / bend, top)
                if speed < top:
                    nodes[node] = speed * speed
    for slot in range(work.tied):
        k = tied[slot]
        fastest = max(nodes[k], max(arrivals[k + 1], nodes[k + 1]))
        least = own[k]
        if fastest > level[k]:
            least = max(0.0, acceleration_at(segments, first[slot], math.sqrt(fastest) * JUST_BELOW))
        sure[k] = 2.0 * least * length[np.uint64(begin + k)]


@compiled_leaf
def reached(segments: Reals, at: int, sure: float, length: float, square: float, ceiling: float) -> float:
    """The squared speed at the fast end of a tied move whose slow end has the speed `square`, at most `ceiling`.

    All in mm²/s²; v² + 2aL with the least a that holds in the move where that is certain to be enough. Arrays come one
    by one: each that is taken out of a tuple costs two atomic counts.
    """
    if square + sure >= ceiling:
        return ceiling
    top = math.sqrt(ceiling)
    speed = speed_after(segments, at, math.sqrt(square), length, top)
    return ceiling if speed >= top else speed * speed


@compiled_leaf
def look_ahead_up(features: Features, begin: int, gains: Reals, window: int, work: Falling, nodes: Reals) -> None:
    """Lower the squared ceilings so that motion can stop within `window` moves, as `passes.look_ahead` does.

    A walk from rest at the end of what is seen, back and up: once it meets the ceiling of a node, what lies before that
    node can stop as well, and it is for the backward pass that it is slow enough at the node. Rest that is seen is
    reached with its step. Where moves are cut the controller sees whole ones, and only their starts are lowered.
    """
    whole, rest, length = features.whole, features.rest, features.length
    place, sure, level, first, segments = work.place, work.sure, work.level, work.first, work.segments
    n = gains.size
    cut = whole.size > 0
    node = stop = 0
    while node < n:
        if cut:
            while stop < n and whole[begin + stop] < whole[begin + node] + window:
                stop += 1
            if stop == n:
                return
        else:
            stop = node + window
            if stop > n:
                return
        square, met = 0.0, -1
        if rest[begin + stop]:
            met = stop - 1
        else:
            for k in range(stop - 1, node - 1, -1):
                most = nodes[k]
                own = min(square + gains[k], most)
                if own > level[k]:
                    own = reached(segments, first[place[k]], sure[k], length[begin + k], square, most)
                square = own
                if square >= nodes[k] * BELOW_CEILING:
                    met = k
                elif k > node and rest[begin + k]:
                    met = k - 1
                if met >= node:
                    break
        if met >= node:
            node = met + 1
            continue
        if not cut or begin + node == 0 or whole[begin + node - 1] != whole[begin + node]:
            nodes[node] = square
        node += 1


@compiled_leaf
def last_met(features: Features, begin: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals) -> int:
    """The last node of a block at which a walk up from rest at its end meets the node's ceiling; 0 if there is none.

    As `passes.last_held`: how motion goes on behind the block is then of no account.
    """
    rest, length = features.rest, features.length
    place, sure, level, first, segments = work.place, work.sure, work.level, work.first, work.segments
    square = 0.0
    for k in range(gains.size - 1, 0, -1):
        most = nodes[k]
        own = min(square + gains[k], most)
        if own > level[k]:
            own = reached(segments, first[place[k]], sure[k], length[begin + k], square, most)
        square = own
        if square >= nodes[k] * BELOW_CEILING:
            return k
        if rest[begin + k]:
            square = arrivals[k]
    return 0


@compiled_leaf
def pass_backward(
    features: Features, begin: int, n: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals
) -> None:
    """Lower the squared ceilings of the nodes to those from which each move can brake, the first node's as well."""
    rest, length = features.rest, features.length
    place, sure, level, first, segments = work.place, work.sure, work.level, work.first, work.segments
    square = arrivals[n] if rest[begin + n] else nodes[n]
    for k in range(n - 1, -1, -1):
        most = nodes[k]
        own = min(square + gains[k], most)
        if own > level[k]:
            own = reached(segments, first[place[k]], sure[k], length[begin + k], square, most)
        square = own
        nodes[k] = square
        if rest[begin + k]:
            square = arrivals[k]


@compiled_leaf
def pass_forward(
    features: Features, begin: int, n: int, gains: Reals, square: float, work: Falling, nodes: Reals, arrivals: Reals
) -> float:
    """Lower the squared ceilings to what can be reached, beginning with `square`, or from rest; return the last one."""
    rest, length = features.rest, features.length
    place, sure, level, first, segments = work.place, work.sure, work.level, work.first, work.segments
    if rest[begin]:
        square = nodes[0]
    nodes[0] = square
    for k in range(n):
        ends_at_rest = rest[begin + k + 1]
        most = arrivals[k + 1] if ends_at_rest else nodes[k + 1]
        own = min(square + gains[k], most)
        if own > level[k]:
            own = reached(segments, first[place[k]], sure[k], length[begin + k], square, most)
        square = own
        arrivals[k + 1] = square
        if ends_at_rest:
            square = nodes[k + 1]
        else:
            nodes[k + 1] = square
    return square


class Parts(NamedTuple):
    """The arrays of a plan that durations are written to, one entry a move (`Plan`)."""

    peak: Reals
    acceleration: Reals
    rising: Reals
    cruising: Reals
    falling: Reals
    duration: Reals
    cruise_cause: Codes
    ramp_cause: Codes


@compiled_leaf
def ramps_of_tied(
    segments: Reals,
    holders: Places,
    at: int,
    length: float,
    first: float,
    last: float,
    top: float,
    shares: Reals,
) -> tuple[float, float, float, float]:
    """Peak (mm/s), rising, cruising, falling (s) of a tied move from `first` to `last` (mm/s).

    The slower end rises to the faster one's speed; from there both ramps go on alike, to where they meet or to `top`.
    `shares` takes the ramps' seconds of each chain, the own ceiling's behind them; `segments` and `holders` those of
    the move from the row `at` on.
    """
    for chain in range(shares.size):
        shares[chain] = 0.0
    low, high = min(first, last), max(first, last)
    path, between = ramp(segments, holders, at, low, high, 1.0, shares) if high > low else (0.0, 0.0)
    left = length - path
    peak, beyond = high, 0.0
    if high < top and left > NO_PATH * length:
        peak = max(high, speed_after(segments, at, high, 0.5 * left, top))
        path, beyond = ramp(segments, holders, at, high, peak, 2.0, shares)
        left -= 2.0 * path
    cruise = max(0.0, left) / peak
    if first < last:
        return peak, between + beyond, cruise, beyond
    return peak, beyond, cruise, between + beyond


@compiled_leaf
def tied_durations(
    features: Features,
    begin: int,
    end: int,
    paces: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
    parts: Parts,
    shares: Reals,
    seconds: Reals,
) -> None:
    """Peak speed and the parts of the duration of tied moves, and the seconds of their ramps.

    Of the block up to `end`, index 0 for `begin`: `paces` 1/v of the ceilings, squared speeds `nodes` and `arrivals`;
    `parts` holds what `plan.durations` made of the constant ceilings alone. The acceleration told is what holds at the
    peak, the ramps' cause what most of them is under; `shares` (chains + 1) scratch, `seconds` float64[LANES, classes,
    CAUSES] take each its share.
    """
    length, move_class, ramp_cause = features.length, features.move_class, parts.ramp_cause
    lanes = seconds.shape[0]
    moves, causes, numbers, levels = work.moves, work.causes, work.chains, work.level
    rows, segments, holders = work.first, work.segments, work.holders
    peak, rising, cruising, falling = parts.peak, parts.rising, parts.cruising, parts.falling
    acceleration, duration, cruise_cause = parts.acceleration, parts.duration, parts.cruise_cause
    for slot in range(work.tied):
        k = moves[slot]
        if begin + k >= end:
            return
        i, lane, chains = np.uint64(begin + k), k % lanes, numbers[slot]
        row = np.int64(move_class[i])
        if levels[k] == math.inf:
            continue
        if peak[i] * peak[i] <= levels[k]:  # what the constant ceiling makes of it holds
            seconds[lane, row, np.int64(ramp_cause[i])] += rising[i] + falling[i]
            continue
        v0, v1 = math.sqrt(nodes[k]), math.sqrt(arrivals[k + 1])
        top = max(1.0 / paces[k], max(v0, v1))
        at = rows[slot]
        if min(v0, v1) >= top * BELOW_CEILING:  # all the way at its ceiling, as `plan.durations` has it
            acceleration[i] = max(0.0, acceleration_at(segments, at, top * JUST_BELOW))
            seconds[lane, row, np.int64(ramp_cause[i])] += rising[i] + falling[i]
            continue
        speed, rise, cruise, fall = ramps_of_tied(segments, holders, at, length[i], v0, v1, top, shares)
        if speed < top * BELOW_CEILING:
            cruise_cause[i] = np.uint8(by.CORNER)
        acceleration[i] = max(0.0, acceleration_at(segments, at, speed * JUST_BELOW))
        most = shares[chains]
        seconds[lane, row, np.int64(ramp_cause[i])] += most
        for chain in range(chains):
            cause = causes[slot, chain]
            seconds[lane, row, np.int64(cause)] += shares[chain]
            if shares[chain] > most:
                most = shares[chain]
                ramp_cause[i] = cause
        peak[i], rising[i], cruising[i], falling[i] = speed, rise, cruise, fall
        duration[i] = rise + cruise + fall


@compiled_leaf
def add_untied_seconds(
    move_class: NDArray[np.uint16], begin: int, end: int, work: Falling, parts: Parts, seconds: Reals
) -> None:
    """Add the seconds of moves as `plan.add_seconds` does, all but those of the ramps of tied moves."""
    first, lanes = np.uint64(begin), seconds.shape[0]
    rising, cruising, falling = parts.rising, parts.cruising, parts.falling
    cruise_cause, ramp_cause, level = parts.cruise_cause, parts.ramp_cause, work.level
    for k in range(end - begin):
        i = first + np.uint64(k)
        row = np.int64(move_class[i])
        seconds[k % lanes, row, np.int64(cruise_cause[i])] += cruising[i]
        if level[k] == math.inf:
            seconds[k % lanes, row, np.int64(ramp_cause[i])] += rising[i] + falling[i]
