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

from kinematics.compiled import compiled_part
from kinematics.limits import columns as by
from kinematics.limits.drive import END as END_OF_CURVE
from kinematics.limits.drive import FASTEST, FORCE, SLOPE
from kinematics.planner.falling import (
    ALPHA,
    BETA,
    END,
    GAMMA,
    LEFT_AT_END,
    OWN,
    acceleration_at,
    end_of_speed,
    held_by,
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
FREE = -1  # place in the tables of a move that is not tied
JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known
BELOW_CEILING = 1.0 - 1e-12  # a speed beyond this share of a ceiling has met it
NO_PATH = 1e-12  # share of a length


class Falling(NamedTuple):
    """The tied moves of a block: how many, and `moves` which (0 for the block's first); `place` of every move.

    `pieces` float64[tied, chains, pieces, 4] as in `falling`, `chains` how many of them a move has, `causes` theirs;
    `own` (of every move) its constant ceiling (mm/s²); `sure` 2·a·L (mm²/s²) with the least a at its two nodes; `level`
    the squared speed up to which the constant ceiling holds.
    """

    tied: int
    moves: Places
    place: Places
    pieces: Reals
    chains: Places
    causes: Codes
    own: Reals
    sure: Reals
    level: Reals


@compiled_part
def room_for(size: int, count: int, chains: int, pieces: int) -> Falling:
    """Room for blocks of up to `size` moves, `count` of them tied."""
    return Falling(
        0,
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty((count, chains, pieces, 4)),
        np.empty(count, np.int64),
        np.empty((count, chains), np.uint8),
        np.empty(size),
        np.empty(size),
        np.empty(size),
    )


@compiled_part
def counting(work: Falling, count: int) -> Falling:
    """The same with so many tied moves, and with room for them; their tables are still to be written."""
    pieces, chains, causes = work.pieces, work.chains, work.causes
    if count > chains.size:
        size = min(2 * count, work.moves.size)
        pieces = np.empty((size, pieces.shape[1], pieces.shape[2], 4))
        chains, causes = np.empty(size, np.int64), np.empty((size, causes.shape[1]), np.uint8)
    return Falling(count, work.moves, work.place, pieces, chains, causes, work.own, work.sure, work.level)


@compiled_part
def extruder_tie(ratio: float, advance: float, delay: float) -> float:
    """The speed (mm/s) that v + p·a may not pass: V_e/r; infinity where the extruder ties nothing."""
    return math.inf if delay == 0.0 or ratio == 0.0 else advance / ratio


@compiled_part
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


@compiled_part
def find_tied(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    square: float,
    gains: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
) -> int:
    """Write which moves from `begin` to `end` are tied to `work`, and return how many; arguments as in `tie_moves`.

    A move that cannot come to a speed at which less than its constant ceiling is admitted is not: at most it comes to
    v² = a·L + (v_0² + v_1²)/2 between the ceilings of its nodes. `gains` 2·a·L, `square` the first node's (mm²/s²).
    """
    rest = features.rest
    ratio, move_class, curves, loads, pulls = features.ratio, features.move_class, ties.curves, ties.loads, ties.pulls
    tied, place, own = work.moves, work.place, work.own
    count = 0
    for k in range(end - begin):
        i = begin + k
        acceleration = 1.0 / sluggish[k]
        own[k] = acceleration
        ends = square if k == 0 and not rest[i] else nodes[k]
        ends = 0.5 * (gains[k] + ends + (arrivals[k + 1] if rest[i + 1] else nodes[k + 1]))
        speed = min(1.0 / paces[k], FASTEST)
        speed = min(speed, math.sqrt(ends))
        row = np.int64(move_class[i])
        delay = advance[row, DELAY]
        admitted = speed + delay * acceleration <= extruder_tie(ratio[i], advance[row, ADVANCE], delay)
        for motor in range(curves.shape[0]):
            mass, friction, share = loads[i, motor, MASS], loads[i, motor, FRICTION], loads[i, motor, SHARE]
            admitted = admitted and gives(curves, motor, mass, friction, share, pulls[i, motor], speed, acceleration)
        place[k] = FREE
        if not admitted:
            place[k] = count
            tied[count] = k
            count += 1
    return count


@compiled_part
def tie_moves(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    paces: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
) -> None:
    """Write the tables of the moves that `find_tied` found, and lower their ceilings of speed to where speed ends.

    `advance` float64[classes, 2] of ADVANCE (mm/s of filament; infinity for no limit) and DELAY p (s; 0 where none). Of
    the block, index 0 for `begin`: `paces` 1/v, lowered, and `sluggish` 1/a; squared speeds `nodes` and `arrivals`,
    lowered likewise. No move may be stuck (`make_ties`).
    """
    ratio, move_class, curves, loads, pulls = features.ratio, features.move_class, ties.curves, ties.loads, ties.pulls
    pieces, chains, causes = work.pieces, work.chains, work.causes
    moves = work.moves
    for slot in range(work.tied):
        k = moves[slot]
        i = begin + k
        speed, acceleration = min(1.0 / paces[k], FASTEST), 1.0 / sluggish[k]
        top, used = speed, 0
        for motor in range(curves.shape[0]):
            mass, friction, share = loads[i, motor, MASS], loads[i, motor, FRICTION], loads[i, motor, SHARE]
            if gives(curves, motor, mass, friction, share, pulls[i, motor], speed, acceleration):
                continue
            inverse = 1.0 / max(mass, LEAST_MASS)
            for piece in range(curves.shape[1]):
                pieces[slot, used, piece, ALPHA] = (curves[motor, piece, FORCE] - friction) * inverse
                pieces[slot, used, piece, BETA] = curves[motor, piece, SLOPE] * share * inverse
                pieces[slot, used, piece, GAMMA] = pulls[i, motor] * inverse
                end = curves[motor, piece, END_OF_CURVE]
                pieces[slot, used, piece, END] = end / share if share > 0.0 else math.inf
            causes[slot, used] = by.DRIVE_1 + motor
            most = end_of_speed(pieces[slot], used)
            if most < top:
                top = most
                cruise_cause[i] = np.uint8(by.DRIVE_1 + motor)
            used += 1
        row_of_class = np.int64(move_class[i])
        delay = advance[row_of_class, DELAY]
        extruder = extruder_tie(ratio[i], advance[row_of_class, ADVANCE], delay)
        if not speed + delay * acceleration <= extruder:
            for piece in range(curves.shape[1]):
                pieces[slot, used, piece, ALPHA], pieces[slot, used, piece, BETA] = extruder / delay, 1.0 / delay
                pieces[slot, used, piece, GAMMA], pieces[slot, used, piece, END] = 0.0, math.inf
            causes[slot, used] = by.ADVANCE
            if extruder < top:
                top = extruder
                cruise_cause[i] = np.uint8(by.ADVANCE)
            used += 1
        chains[slot] = used
        if top < speed:
            paces[k] = 1.0 / top
            nodes[k] = min(nodes[k], top * top)
            ends = arrivals if features.rest[i + 1] else nodes
            ends[k + 1] = min(ends[k + 1], top * top)


@compiled_part
def tie_corners(
    features: Features,
    inverse: Reals,
    begin: int,
    moves: int,
    square: float,
    work: Falling,
    nodes: Reals,
    arrivals: Reals,
) -> None:
    """Lower the squared ceilings of nodes to v² <= a(v)·R of the tied moves beside them, and write `work.sure`.

    R is the smaller of the circle's that junction deviation draws and of the curve rule's. `inverse` of limits as in
    `ceilings`, `square` the squared speed at the first node, `arrivals` where rest is reached.
    """
    sharpness, curvature, rest, classes = features.sharpness, features.curvature, features.rest, features.move_class
    length, deviation = features.length, by.DEVIATION
    tables, chains, moves_tied, own, sure = work.pieces, work.chains, work.moves, work.own, work.sure
    level = work.level
    for slot in range(work.tied):
        k = moves_tied[slot]
        pieces = tables[slot, : chains[slot]]
        chain, _, _, _, until = held_by(pieces, own[k], 0.0)
        level[k] = until * until if chain == OWN else 0.0
        for node in range(k, k + 2):
            i = begin + node
            if node == 0 or node >= moves or rest[i] or nodes[node] <= level[k]:
                continue
            bend = max(sharpness[i] * inverse[np.int64(classes[i]), deviation], curvature[i])
            if bend > 0.0:
                top = math.sqrt(nodes[node])
                speed = speed_on_circle(pieces, own[k], 1.0 / bend, top)
                if speed < top:
                    nodes[node] = speed * speed
    for slot in range(work.tied):
        k = moves_tied[slot]
        i = begin + k
        before = square if k == 0 and not rest[i] else nodes[k]
        fastest = max(before, arrivals[k + 1] if rest[i + 1] else nodes[k + 1])
        least = own[k]
        if fastest > level[k]:
            least = max(0.0, acceleration_at(tables[slot, : chains[slot]], own[k], math.sqrt(fastest) * JUST_BELOW))
        sure[k] = 2.0 * least * length[i]


@compiled_part
def reached(
    pieces: Reals, chains: Places, slot: int, own: float, sure: float, length: float, square: float, ceiling: float
) -> float:
    """The squared speed at the fast end of a tied move whose slow end has the speed `square`, at most `ceiling`.

    All in mm²/s²; v² + 2aL with the least a that holds in the move where that is certain to be enough. Arrays come one
    by one: each that is taken out of a tuple costs two atomic counts.
    """
    if square + sure >= ceiling:
        return ceiling
    top = math.sqrt(ceiling)
    speed = speed_after(pieces[slot, : chains[slot]], own, math.sqrt(square), length, top)
    return ceiling if speed >= top else speed * speed


@compiled_part
def look_ahead_up(features: Features, begin: int, gains: Reals, window: int, work: Falling, nodes: Reals) -> None:
    """Lower the squared ceilings so that motion can stop within `window` moves, as `passes.look_ahead` does.

    A walk from rest at the end of what is seen, back and up: once it meets the ceiling of a node, what lies before that
    node can stop as well, and it is for the backward pass that it is slow enough at the node. Rest that is seen is
    reached with its step. Where moves are cut the controller sees whole ones, and only their starts are lowered.
    """
    whole, rest, length = features.whole, features.rest, features.length
    place, own, sure, pieces, chains = work.place, work.own, work.sure, work.pieces, work.chains
    level = work.level
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
                slot, most = place[k], nodes[k]
                if slot == FREE or square >= most or square + gains[k] <= level[k]:
                    square = min(square + gains[k], most)
                else:
                    square = reached(pieces, chains, slot, own[k], sure[k], length[begin + k], square, most)
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


@compiled_part
def last_met(features: Features, begin: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals) -> int:
    """The last node of a block at which a walk up from rest at its end meets the node's ceiling; 0 if there is none.

    As `passes.last_held`: how motion goes on behind the block is then of no account.
    """
    rest, length = features.rest, features.length
    place, own, sure, pieces, chains = work.place, work.own, work.sure, work.pieces, work.chains
    level = work.level
    square = 0.0
    for k in range(gains.size - 1, 0, -1):
        slot, most = place[k], nodes[k]
        if slot == FREE or square >= most or square + gains[k] <= level[k]:
            square = min(square + gains[k], most)
        else:
            square = reached(pieces, chains, slot, own[k], sure[k], length[begin + k], square, most)
        if square >= nodes[k] * BELOW_CEILING:
            return k
        if rest[begin + k]:
            square = arrivals[k]
    return 0


@compiled_part
def pass_backward(
    features: Features, begin: int, n: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals
) -> None:
    """Lower the squared ceilings of the nodes to those from which each move can brake, the first node's as well."""
    rest, length = features.rest, features.length
    place, own, sure, pieces, chains = work.place, work.own, work.sure, work.pieces, work.chains
    level = work.level
    square = arrivals[n] if rest[begin + n] else nodes[n]
    for k in range(n - 1, -1, -1):
        slot, most = place[k], nodes[k]
        if slot == FREE or square >= most or square + gains[k] <= level[k]:
            square = min(square + gains[k], most)
        else:
            square = reached(pieces, chains, slot, own[k], sure[k], length[begin + k], square, most)
        nodes[k] = square
        if rest[begin + k]:
            square = arrivals[k]


@compiled_part
def pass_forward(
    features: Features, begin: int, n: int, gains: Reals, square: float, work: Falling, nodes: Reals, arrivals: Reals
) -> float:
    """Lower the squared ceilings to what can be reached, beginning with `square`, or from rest; return the last one."""
    rest, length = features.rest, features.length
    place, own, sure, pieces, chains = work.place, work.own, work.sure, work.pieces, work.chains
    level = work.level
    if rest[begin]:
        square = nodes[0]
    nodes[0] = square
    for k in range(n):
        ends_at_rest = rest[begin + k + 1]
        slot, most = place[k], arrivals[k + 1] if ends_at_rest else nodes[k + 1]
        if slot == FREE or square >= most or square + gains[k] <= level[k]:
            square = min(square + gains[k], most)
        else:
            square = reached(pieces, chains, slot, own[k], sure[k], length[begin + k], square, most)
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


@compiled_part
def ramps_of_tied(
    pieces: Reals, own: float, length: float, first: float, last: float, top: float, shares: Reals
) -> tuple[float, float, float, float]:
    """Peak (mm/s), rising, cruising, falling (s) of a tied move from `first` to `last` (mm/s).

    The slower end rises to the faster one's speed; from there both ramps go on alike, to where they meet or to `top`.
    `shares` takes the ramps' seconds of each chain, the own ceiling's behind them.
    """
    for chain in range(shares.size):
        shares[chain] = 0.0
    low, high = min(first, last), max(first, last)
    path, between = ramp(pieces, own, low, high, shares) if high > low else (0.0, 0.0)
    left = length - path
    peak, beyond = high, 0.0
    if high < top and left > NO_PATH * length:
        peak = max(high, speed_after(pieces, own, high, 0.5 * left, top))
        for _ in range(2):
            path, beyond = ramp(pieces, own, high, peak, shares)
            left -= path
    cruise = max(0.0, left) / peak
    if first < last:
        return peak, between + beyond, cruise, beyond
    return peak, beyond, cruise, between + beyond


@compiled_part
def tied_durations(
    features: Features,
    begin: int,
    end: int,
    paces: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
    parts: Parts,
    seconds: Reals,
) -> None:
    """Peak speed and the parts of the duration of tied moves, and the seconds of their ramps.

    Of the block up to `end`, index 0 for `begin`: `paces` 1/v of the ceilings, squared speeds `nodes` and `arrivals`;
    `parts` holds what `plan.durations` made of the constant ceilings alone. The acceleration told is what holds at the
    peak, the ramps' cause what most of them is under; `seconds` float64[LANES, classes, CAUSES] take each its share.
    """
    length, move_class, ramp_cause = features.length, features.move_class, parts.ramp_cause
    shares = np.empty(work.pieces.shape[1] + 1)
    lanes = seconds.shape[0]
    moves, tables, owns, causes, numbers = work.moves, work.pieces, work.own, work.causes, work.chains
    levels = work.level
    peak, rising, cruising, falling = parts.peak, parts.rising, parts.cruising, parts.falling
    acceleration, duration, cruise_cause = parts.acceleration, parts.duration, parts.cruise_cause
    for slot in range(work.tied):
        k = moves[slot]
        if begin + k >= end:
            return
        i, lane, chains = begin + k, k % lanes, numbers[slot]
        if peak[i] * peak[i] <= levels[k]:  # what the constant ceiling makes of it holds
            seconds[lane, np.int64(move_class[i]), np.int64(ramp_cause[i])] += rising[i] + falling[i]
            continue
        pieces, own = tables[slot, :chains], owns[k]
        v0, v1 = math.sqrt(nodes[k]), math.sqrt(arrivals[k + 1])
        top = max(1.0 / paces[k], max(v0, v1))
        speed, rise, cruise, fall = ramps_of_tied(pieces, own, length[i], v0, v1, top, shares)
        if speed < top * BELOW_CEILING:
            cruise_cause[i] = np.uint8(by.CORNER)
        acceleration[i] = max(0.0, acceleration_at(pieces, own, speed * JUST_BELOW))
        row, most = np.int64(move_class[i]), shares[chains]
        seconds[lane, row, np.int64(ramp_cause[i])] += shares[chains]
        for chain in range(chains):
            cause = causes[slot, chain]
            seconds[lane, row, np.int64(cause)] += shares[chain]
            if shares[chain] > most:
                most = shares[chain]
                ramp_cause[i] = cause
        peak[i], rising[i], cruising[i], falling[i] = speed, rise, cruise, fall
        duration[i] = rise + cruise + fall


@compiled_part
def add_untied_seconds(
    move_class: NDArray[np.uint16], begin: int, end: int, work: Falling, parts: Parts, seconds: Reals
) -> None:
    """Add the seconds of moves as `plan.add_seconds` does, all but those of the ramps of tied moves."""
    lanes = seconds.shape[0]
    rising, cruising, falling = parts.rising, parts.cruising, parts.falling
    cruise_cause, ramp_cause, place = parts.cruise_cause, parts.ramp_cause, work.place
    for k in range(end - begin):
        i = begin + k
        row = np.int64(move_class[i])
        seconds[k % lanes, row, np.int64(cruise_cause[i])] += cruising[i]
        if place[k] == FREE:
            seconds[k % lanes, row, np.int64(ramp_cause[i])] += rising[i] + falling[i]
