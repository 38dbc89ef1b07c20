"""Moves of a block whose acceleration falls with speed: which they are, their tables, corners and passes.

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
    climb,
    end_of_speed,
    gained_on,
    knee_of,
    least_at,
    lower_envelope,
    lowest_line,
    speed_on_circle,
)
from kinematics.planner.features import Features
from kinematics.planner.ramps import MOST_AT_ONCE, ROOM
from kinematics.planner.ties import ADVANCE, DELAY, FRICTION, MASS, SHARE, Ties

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

LEAST_MASS = 1e-12  # t: a milligram stands for none
JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known
BELOW_CEILING = 1.0 - 1e-12  # a speed beyond this share of a ceiling has met it
SEGMENTS = 16  # of a lower envelope, for each piece that it may be made of: more than two curves that cross twice make
KNEE = 3  # last column of the lines
NO_SLUGGISHNESS = 1e-100  # s²/mm, s/mm: of a move that nothing constant holds


class Falling(NamedTuple):
    """The moves of a block (index 0 for its first), and what holds the `tied` ones among them, in the order of `moves`.

    Of every move: `place` among the tied ones; `own` its constant ceiling (mm/s²); `level` the squared speed up to
    which that certainly holds, infinite where it is not tied; `sure` 2·a·L (mm²/s²) with the least a at its two nodes;
    `most` (mm/s), `force` and `held` scratch. Of the tied: `tables` float64[tied, chains, pieces, 4] as in `falling`,
    `chains` how many of them a move has, `causes` theirs, `tops` where its speed ends, or further than it comes (mm/s);
    `lines` float64[tied, 4] of ALPHA, BETA, GAMMA of the one line that holds it behind the speed KNEE, `holders` the
    chain that this is of, −1 where no one line does. Scratch: `segments`, `chain_of_segment` of one lower envelope
    (`falling.lower_envelope`), `ramps` and `slots` of `durations`.
    """

    tied: int
    moves: Places
    place: Places
    own: Reals
    level: Reals
    sure: Reals
    most: Reals
    force: Reals
    held: Places
    tables: Reals
    chains: Places
    causes: Codes
    tops: Reals
    lines: Reals
    holders: Places
    segments: Reals
    chain_of_segment: Places
    ramps: Reals
    slots: Places


@compiled_part
def room_for(size: int, count: int, chains: int, pieces: int) -> Falling:
    """Room for blocks of up to `size` moves, `count` of them tied."""
    rows = SEGMENTS * (chains * pieces + 1)
    return Falling(
        0,
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty(size),
        np.full(size, np.inf),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty(size, np.int64),
        np.empty((count, chains, pieces, 4)),
        np.empty(count, np.int64),
        np.empty((count, chains), np.uint8),
        np.empty(count),
        np.empty((count, 4)),
        np.empty(count, np.int64),
        np.empty((rows, 4)),
        np.empty(rows, np.int64),
        np.empty(ROOM),
        np.empty(2 * MOST_AT_ONCE, np.int64),
    )


@compiled_part
def counting(work: Falling, count: int) -> Falling:
    """The same with so many tied moves, and with room for them; what is told of them is still to be written."""
    w = work
    tied = (w.tables, w.chains, w.causes, w.tops, w.lines, w.holders)
    if count > w.chains.size:
        more = room_for(0, min(2 * count, w.moves.size), w.tables.shape[1], w.tables.shape[2])
        tied = (more.tables, more.chains, more.causes, more.tops, more.lines, more.holders)
    every = (w.moves, w.place, w.own, w.level, w.sure, w.most, w.force, w.held)
    return Falling(count, *every, *tied, w.segments, w.chain_of_segment, w.ramps, w.slots)


@compiled_leaf
def extruder_tie(ratio: float, advance: float, delay: float) -> float:
    """The speed (mm/s) that v + p·a may not pass: V_e/r; infinity where the extruder ties nothing."""
    return math.inf if delay == 0.0 or ratio == 0.0 else advance / ratio


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
    own, most, level, force, held = work.own, work.most, work.level, work.force, work.held
    for k in range(m):
        own[k] = 1.0 / max(sluggish[k], NO_SLUGGISHNESS)
        ends = 0.5 * (gains[k] + nodes[k] + max(arrivals[k + 1], nodes[k + 1]))
        most[k] = min(min(1.0 / max(paces[k], NO_SLUGGISHNESS), FASTEST), math.sqrt(ends))
        held[k] = 0
    for row in range(advance.shape[0]):
        limit, delay = advance[row, ADVANCE], advance[row, DELAY]
        if delay > 0.0:
            for k in range(m):
                i = start + np.uint64(k)
                over = (most[k] + delay * own[k]) * ratio[i] - limit
                held[k] |= 1 if classes[i] == row and over > 0.0 else 0
    for motor in range(curves.shape[0]):
        which, bit = np.uint64(motor), 2 << motor
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
            held[k] |= bit if asked > force[k] else 0
    moves, place, count = work.moves, work.place, 0
    for k in range(m):
        place[k] = count
        moves[count] = k
        count += 1 if held[k] else 0
    for k in range(m):
        level[k] = math.inf
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
    moves, tops, most, held = work.moves, work.tops, work.most, work.held
    for slot in range(work.tied):
        k = moves[slot]
        i = np.uint64(begin + k)
        speed, fastest = min(1.0 / paces[k], FASTEST), most[k]
        top, used, cause = speed, 0, int(cruise_cause[i])
        for motor in range(curves.shape[0]):
            if not held[k] & (2 << motor):
                continue
            mass, friction = max(loads[motor, MASS, i], LEAST_MASS), loads[motor, FRICTION, i]
            share, pull = loads[motor, SHARE, i], pulls[motor, i]
            at, piece = fastest * share, 0
            while at > curves[motor, piece, END_OF_CURVE]:
                piece += 1
            left = curves[motor, piece, FORCE] - curves[motor, piece, SLOPE] * at - friction - pull * fastest * fastest
            inverse = 1.0 / mass
            for which in range(piece):
                tables[slot, used, which, ALPHA] = (curves[motor, which, FORCE] - friction) * inverse
                tables[slot, used, which, BETA] = curves[motor, which, SLOPE] * share * inverse
                tables[slot, used, which, GAMMA] = pull * inverse
                tables[slot, used, which, END] = curves[motor, which, END_OF_CURVE] / share
            alpha, beta = (
                (curves[motor, piece, FORCE] - friction) * inverse,
                curves[motor, piece, SLOPE] * share * inverse,
            )
            tables[slot, used, piece, ALPHA], tables[slot, used, piece, BETA] = alpha, beta
            tables[slot, used, piece, GAMMA], tables[slot, used, piece, END] = pull * inverse, math.inf  # no further
            causes[slot, used] = by.DRIVE_1 + motor
            if left < LEFT_AT_END * (curves[motor, 0, FORCE] - friction):
                most_of_motor = knee_of(alpha, beta, pull * inverse, LEFT_AT_END * alpha)
                if piece > 0:
                    most_of_motor = end_of_speed(tables, slot, used)
                cause = by.DRIVE_1 + motor if most_of_motor < top else cause
                top = min(top, most_of_motor)
            used += 1
        if held[k] & 1:
            row_of_class = np.int64(move_class[i])
            delay = advance[row_of_class, DELAY]
            extruder = extruder_tie(ratio[i], advance[row_of_class, ADVANCE], delay)
            tables[slot, used, 0, ALPHA], tables[slot, used, 0, BETA] = extruder / delay, 1.0 / delay
            tables[slot, used, 0, GAMMA], tables[slot, used, 0, END] = 0.0, math.inf
            causes[slot, used] = by.ADVANCE
            top = min(top, extruder)  # which holds already as the extruder's own speed, but for the last digit
            used += 1
        chains[slot] = used
        if top < speed:
            cruise_cause[i] = np.uint8(cause)
            paces[k] = 1.0 / top
            nodes[k] = min(nodes[k], top * top)
            if features.rest[np.uint64(begin + k + 1)]:
                arrivals[k + 1] = min(arrivals[k + 1], top * top)
            else:
                nodes[k + 1] = min(nodes[k + 1], top * top)
        tops[slot] = min(top, fastest)


@compiled_leaf
def tie_corners(features: Features, inverse: Reals, begin: int, moves: int, work: Falling, nodes: Reals) -> None:
    """Lower the squared ceilings of nodes to v² <= a(v)·R of the tied moves beside them.

    R is the smaller of the circle's that junction deviation draws and of the curve rule's. `inverse` of limits as in
    `ceilings`.
    """
    sharpness, curvature, rest, classes = features.sharpness, features.curvature, features.rest, features.move_class
    tables, chains, tied, tops, deviation = work.tables, work.chains, work.moves, work.tops, by.DEVIATION
    for slot in range(work.tied):
        k = tied[slot]
        for node in range(k, k + 2):
            i = np.uint64(begin + node)
            if node == 0 or node >= moves or rest[i]:
                continue
            bend = max(sharpness[i] * inverse[np.int64(classes[i]), deviation], curvature[i])
            square = nodes[node]
            for chain in range(chains[slot]):
                alpha, beta = tables[slot, chain, 0, ALPHA], tables[slot, chain, 0, BETA]
                if tables[slot, chain, 0, END] < math.inf:
                    square = speed_on_circle(tables, slot, chain, bend, square)
                elif alpha - beta * tops[slot] < square * bend:
                    root = 2.0 * alpha / (beta + math.sqrt(beta * beta + 4.0 * alpha * bend))
                    square = min(square, root * root)
            nodes[node] = square


@compiled_leaf
def find_lines(features: Features, begin: int, work: Falling, gains: Reals, nodes: Reals, arrivals: Reals) -> None:
    """Write the one line that holds each tied move behind a knee, where there is one, and `work.sure`.

    Only as far as a move can come between the ceilings of its nodes.
    """
    tables, chains, moves, tops, length = work.tables, work.chains, work.moves, work.tops, features.length
    own, level, sure, lines, holders = work.own, work.level, work.sure, work.lines, work.holders
    for slot in range(work.tied):
        k, used = moves[slot], chains[slot]
        ends = max(arrivals[k + 1], nodes[k + 1])
        speed, steady = math.sqrt(max(nodes[k], ends)), own[k]
        top = min(tops[slot], math.sqrt(0.5 * (gains[k] + nodes[k] + ends)))
        alpha, beta, gamma = tables[slot, 0, 0, ALPHA], tables[slot, 0, 0, BETA], tables[slot, 0, 0, GAMMA]
        lowest, least_end = 0, tables[slot, 0, 0, END]
        if used == 2:  # as `lowest_line` has it, without a call
            least_end = min(least_end, tables[slot, 1, 0, END])
            more, fall = tables[slot, 1, 0, ALPHA] - alpha, tables[slot, 1, 0, BETA] - beta
            bend = tables[slot, 1, 0, GAMMA] - gamma
            then, sag = more - (fall + bend * top) * top, 0.25 * bend * top * top
            if max(more, then) <= min(-sag, 0.0):
                lowest = 1
                alpha, beta, gamma = tables[slot, 1, 0, ALPHA], tables[slot, 1, 0, BETA], tables[slot, 1, 0, GAMMA]
            elif min(more, then) < max(-sag, 0.0):
                lowest = -1
        elif used > 2:
            lowest, _ = lowest_line(tables, slot, used, 0.0, top)
            which = max(lowest, 0)
            alpha, beta = tables[slot, which, 0, ALPHA], tables[slot, which, 0, BETA]
            gamma = tables[slot, which, 0, GAMMA]
        if least_end < top and used <= 2:
            lowest = -1
        holders[slot] = lowest
        if lowest < 0:
            level[k] = 0.0
            least = least_at(tables, slot, used, steady, speed * JUST_BELOW)
        else:
            knee = min(knee_of(alpha, beta, gamma, steady), top) if alpha > steady else 0.0
            lines[slot, ALPHA], lines[slot, BETA], lines[slot, GAMMA], lines[slot, KNEE] = alpha, beta, gamma, knee
            level[k] = knee * knee
            least = max(min(steady, alpha - (beta + gamma * speed) * speed), 0.0)
        sure[k] = 2.0 * length[np.uint64(begin + k)] * least


@compiled_leaf
def reached(
    tables: Reals,
    lines: Reals,
    slot: int,
    holder: int,
    chains: int,
    own: float,
    length: float,
    square: float,
    ceiling: float,
    segments: Reals,
    holders: Places,
    shares: Reals,
) -> float:
    """The squared speed at the fast end of a tied move whose slow end has the speed `square`, at most `ceiling`.

    All in mm²/s². Who asks has looked whether the least acceleration of the move is enough (`sure`). Arrays come one by
    one: each that is taken out of a tuple costs two atomic counts. `segments`, `holders`, `shares` scratch.
    """
    slow, top = math.sqrt(square), math.sqrt(ceiling)
    if holder < 0:
        lower_envelope(tables, slot, chains, own, top, 0, segments, holders)
        speed, _, _ = climb(segments, holders, 0, slow, length, top, 0.0, shares)
        return ceiling if speed >= top else speed * speed
    knee = min(lines[slot, KNEE], top)
    if slow < knee:
        path = 0.5 * (knee - slow) * (knee + slow) / own
        if path >= length:
            return min(square + 2.0 * own * length, ceiling)
        slow, length = knee, length - path
        if knee >= top:
            return ceiling
    speed, _, _ = gained_on(lines[slot, ALPHA], lines[slot, BETA], lines[slot, GAMMA], slow, length, top)
    return ceiling if speed >= top else speed * speed


@compiled_leaf
def walked(work: Falling, k: int, square: float, gain: float, most: float, length: float, shares: Reals) -> float:
    """The squared speed (mm²/s²) at the fast end of the move `k` of a block, tied or not, of a `length` (mm).

    `square` that at its slow end, `gain` by how much its own acceleration raises it, `most` the ceiling.
    """
    own = min(square + gain, most)
    if own <= work.level[k]:
        return own
    if square + work.sure[k] >= most:
        return most
    slot = work.place[k]
    holder, chains = work.holders[slot], work.chains[slot]
    tables, lines, segments, holders = work.tables, work.lines, work.segments, work.chain_of_segment
    return reached(tables, lines, slot, holder, chains, work.own[k], length, square, most, segments, holders, shares)


@compiled_leaf
def look_ahead_up(
    features: Features, begin: int, gains: Reals, window: int, work: Falling, nodes: Reals, shares: Reals
) -> None:
    """Lower the squared ceilings so that motion can stop within `window` moves, as `passes.look_ahead` does.

    A walk from rest at the end of what is seen, back and up: once it meets the ceiling of a node, what lies before that
    node can stop as well, and it is for the backward pass that it is slow enough at the node. Rest that is seen is
    reached with its step. Where moves are cut the controller sees whole ones, and only their starts are lowered.
    """
    whole, rest, length = features.whole, features.rest, features.length
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
                own = walked(work, k, square, gains[k], most, length[begin + k], shares)
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
def last_met(
    features: Features, begin: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals, shares: Reals
) -> int:
    """The last node of a block at which a walk up from rest at its end meets the node's ceiling; 0 if there is none.

    As `passes.last_held`: how motion goes on behind the block is then of no account.
    """
    rest, length = features.rest, features.length
    square = 0.0
    for k in range(gains.size - 1, 0, -1):
        most = nodes[k]
        own = walked(work, k, square, gains[k], most, length[begin + k], shares)
        square = own
        if square >= nodes[k] * BELOW_CEILING:
            return k
        if rest[begin + k]:
            square = arrivals[k]
    return 0


@compiled_leaf
def pass_backward(
    features: Features, begin: int, n: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals, shares: Reals
) -> None:
    """Lower the squared ceilings of the nodes to those from which each move can brake, the first node's as well."""
    rest, length = features.rest, features.length
    square = arrivals[n] if rest[begin + n] else nodes[n]
    for k in range(n - 1, -1, -1):
        most = nodes[k]
        own = walked(work, k, square, gains[k], most, length[begin + k], shares)
        square = own
        nodes[k] = square
        if rest[begin + k]:
            square = arrivals[k]


@compiled_leaf
def pass_forward(
    features: Features,
    begin: int,
    n: int,
    gains: Reals,
    square: float,
    work: Falling,
    nodes: Reals,
    arrivals: Reals,
    shares: Reals,
) -> float:
    """Lower the squared ceilings to what can be reached, beginning with `square`, or from rest; return the last one."""
    rest, length = features.rest, features.length
    if rest[begin]:
        square = nodes[0]
    nodes[0] = square
    for k in range(n):
        ends_at_rest = rest[begin + k + 1]
        most = arrivals[k + 1] if ends_at_rest else nodes[k + 1]
        own = walked(work, k, square, gains[k], most, length[begin + k], shares)
        square = own
        arrivals[k + 1] = square
        if ends_at_rest:
            square = nodes[k + 1]
        else:
            nodes[k + 1] = square
    return square
