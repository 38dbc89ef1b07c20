"""Moves of a block whose acceleration falls with speed: which they are, what holds them, their corners and passes.

A move is tied where it may not speed up at its constant ceiling all the way to its ceiling of speed. Only what is then
not admitted holds it: chains of pieces (`falling`), one of each motor and that of the extruder; all other moves are
planned as if nothing fell. Everything is done loop by loop over all moves of a block, so that several go at a time
(numbers are fetched before what hangs on a condition, which would make it a branch); the few moves at whose speeds a
torque curve bends are gone through one by one. The passes here also know places at rest
that are left and reached with a step of speed, so that a node there has two speeds: `nodes` holds the one it is left
with, `arrivals` the one it is reached with.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf, compiled_part
from kinematics.limits import columns as by
from kinematics.limits.drive import END as END_OF_CURVE
from kinematics.limits.drive import FASTEST
from kinematics.planner.falling import (
    ALPHA,
    BETA,
    GAMMA,
    LEFT_AT_END,
    UP_TO,
    climb,
    end_of_speed,
    gained_on,
    least_at,
    lower_envelope,
    speed_on_circle,
)
from kinematics.planner.features import Features
from kinematics.planner.ramps import JUST_BELOW, ROOM
from kinematics.planner.ties import ADVANCE_DELAY, ADVANCE_SPEED, SHARE, Ties, line_of

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

BELOW_CEILING = 1.0 - 1e-12  # a speed beyond this share of a ceiling has met it, a peak below it is held by its corners
SEGMENTS = 16  # of a lower envelope, for each piece that it may be made of: more than two curves that cross twice make
KNEE_ROW = 3  # last row of the one line
WHOLE = 0  # place of the line that is all of a chain; its pieces stand behind it, where it has several
SLOWEST_PACE, LARGEST = 1e-100, 1e100  # s/mm, mm/s²: of a move that nothing constant holds
PIECED = 16  # by so many bits a chain's bit is shifted to tell that it has several pieces
SAME_CAUSE, NO_CAUSE = 254, 255  # stand for the cause of an end of speed that has been told, and of none
NO_LINE = 1e30  # mm/s²: what a chain admits that does not hold a move; infinity, but that differences stay numbers


class Falling(NamedTuple):
    """The moves of a block (index 0 for its first), and what holds those that are tied.

    `drives` how many of the chains are those of motors; `own` constant ceiling (mm/s²); `level` the squared speed up to
    which that certainly holds, infinite where a move is not tied; `sure` 2·a·L (mm²/s²) with the least a at its two
    nodes; `most` the speed that it comes to at most (mm/s); `held` a bit for each chain that holds it, that of the
    extruder the last, and PIECED bits further one for each of those that are of more than one piece; `several` the
    moves with such. `lines` float64[4, chains, WHOLE and pieces, size] as in `falling`; `one` float64[4, size] ALPHA,
    BETA, GAMMA of the line that holds a move behind the speed KNEE_ROW, `holders` the chain that this is of, −1 where
    no one line does. Scratch: `force`, `fall`, `tops`, `ending`; of one move `table` float64[1, chains, pieces, 4],
    `segments`, `chain_of_segment` of its lower envelope (`falling.lower_envelope`); `ramps` and `slots` of `durations`.
    """

    drives: int
    own: Reals
    level: Reals
    sure: Reals
    most: Reals
    held: Places
    several: Places
    lines: Reals
    one: Reals
    holders: Places
    force: Reals
    fall: Reals
    tops: Reals
    ending: Codes
    table: Reals
    segments: Reals
    chain_of_segment: Places
    ramps: Reals
    slots: Places


@compiled_part
def room_for(size: int, drives: int, chains: int, pieces: int) -> Falling:
    """Room for blocks of up to `size` moves."""
    rows = SEGMENTS * (chains * pieces + 1)
    return Falling(
        drives,
        np.empty(size),
        np.full(size, np.inf),
        np.empty(size),
        np.empty(size),
        np.empty(size, np.int64),
        np.empty(size, np.int64),
        np.empty((4, chains, pieces + 1, size)),
        np.empty((4, size)),
        np.empty(size, np.int64),
        np.empty(size),
        np.empty(size),
        np.empty(size),
        np.empty(size, np.uint8),
        np.empty((1, chains, pieces, 4)),
        np.empty((rows, 4)),
        np.empty(rows, np.int64),
        np.empty(ROOM),
        np.empty(size, np.int64),
    )


@compiled_leaf
def find_tied(
    features: Features,
    ties: Ties,
    advance: Reals,
    begin: int,
    m: int,
    paces: Reals,
    acceleration: Reals,
    gains: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
) -> tuple[bool, int]:
    """Write what holds each of `m` moves from `begin` on; whether anything holds any, and how many have a chain of
    several pieces.

    `advance` float64[classes, 2] of ADVANCE (mm/s of filament; infinity for no limit) and DELAY p (s; 0 where none). Of
    the job the constant `acceleration` (mm/s²); of the block, index 0 for `begin`: `paces` 1/v, `gains` 2·a·L (mm²/s²),
    squared speeds `nodes` and `arrivals`. A move that cannot come to a speed at which less than its constant ceiling is
    admitted is not held: at most it comes to v² = a·L + (v_0² + v_1²)/2 between the ceilings of its nodes. With a tenth
    of what a drive gives at rest to spare, or more. Places as in `ceilings`. No move may be stuck (`make_ties`).
    """
    start = np.uint64(begin)
    ratio, classes, curves, loads, firsts = features.ratio, features.move_class, ties.curves, ties.loads, ties.firsts
    own, most, tops, ending, held = work.own, work.most, work.tops, work.ending, work.held
    lines, level, sure = work.lines, work.level, work.sure
    motors = curves.shape[0]
    for k in range(m):
        own[k] = min(acceleration[start + np.uint64(k)], LARGEST)
        tops[k], ending[k] = min(1.0 / max(paces[k], SLOWEST_PACE), FASTEST), np.uint8(NO_CAUSE)
        most[k] = min(tops[k], math.sqrt(0.5 * (gains[k] + nodes[k] + max(arrivals[k + 1], nodes[k + 1]))))
        level[k], sure[k] = math.inf, gains[k]
        held[k] = 0
    for motor in range(motors):
        bit, cause, bends = 1 << motor, np.uint8(by.DRIVE_1 + motor), curves[motor, 0, END_OF_CURVE]
        alpha, beta, gamma = lines[ALPHA, motor, WHOLE], lines[BETA, motor, WHOLE], lines[GAMMA, motor, WHOLE]
        at_rest, falls, pulled = firsts[motor, ALPHA], firsts[motor, BETA], firsts[motor, GAMMA]
        any_ended = any_bent = False
        for k in range(m):
            i, here = start + np.uint64(k), most[k]
            a, b, c = at_rest[i], falls[i], pulled[i]
            left, beneath = a - (b + c * here) * here, LEFT_AT_END * a
            holds = left < max(own[k], beneath)
            held[k] |= bit if holds else 0
            alpha[k], beta[k], gamma[k] = a if holds else NO_LINE, b, c
            any_ended |= left < beneath
            any_bent |= here * ties.shares[motor] > bends
        share = loads[motor, SHARE]
        for k in range(m if any_bent else 0):
            i, here = start + np.uint64(k), most[k]
            if here * share[i] > bends:
                piece = 1
                while here * share[i] > curves[motor, piece, END_OF_CURVE]:
                    piece += 1
                a, b = line_of(curves, loads, motor, piece, i)
                left = a - (b + gamma[k] * here) * here
                holds = left < max(own[k], LEFT_AT_END * at_rest[i])
                held[k], alpha[k] = held[k] & ~bit | (bit | bit << PIECED if holds else 0), NO_LINE
        for k in range(m if any_ended else 0):
            top, why, here, a, b, c = tops[k], ending[k], most[k], alpha[k], beta[k], gamma[k]
            beneath = LEFT_AT_END * a
            over = a - beneath
            stop = 2.0 * over / (b + math.sqrt(b * b + 4.0 * c * over))
            stop = stop if a - (b + c * here) * here < beneath else FASTEST
            ending[k] = cause if stop < top else why
            tops[k] = min(top, stop)
    if lines.shape[1] > motors:
        alpha, beta, gamma = lines[ALPHA, motors, WHOLE], lines[BETA, motors, WHOLE], lines[GAMMA, motors, WHOLE]
        for k in range(m):
            alpha[k], beta[k], gamma[k] = NO_LINE, 0.0, 0.0
        for row in range(advance.shape[0]):
            limit, delay = advance[row, ADVANCE_SPEED], advance[row, ADVANCE_DELAY]
            if delay > 0.0:
                often = 1.0 / delay
                for k in range(m):
                    i = start + np.uint64(k)
                    top, why, share_of_move, a, b = tops[k], ending[k], ratio[i], alpha[k], beta[k]
                    holds = (classes[i] == row) & ((most[k] + delay * own[k]) * share_of_move > limit)
                    stop = limit / share_of_move
                    stop = stop if holds else FASTEST
                    # It holds already as the extruder's own speed, but for the last digit: no cause of its own.
                    ending[k] = np.uint8(SAME_CAUSE) if (stop < top) & (why == np.uint8(NO_CAUSE)) else why
                    tops[k] = min(top, stop)
                    held[k] |= 1 << motors if holds else 0
                    alpha[k], beta[k] = stop * often if holds else a, often if holds else b
    any_held, several = 0, 0
    for k in range(m):
        any_held |= held[k]
        work.several[several] = k
        several += 1 if held[k] >= 1 << PIECED else 0
    return any_held != 0, several


@compiled_leaf
def pieces_of(ties: Ties, begin: int, k: int, work: Falling) -> None:
    """Write the pieces of the chains of a move that have several, up to the speed that it comes to at most."""
    curves, loads, lines, i = ties.curves, ties.loads, work.lines, np.uint64(begin + k)
    for motor in range(curves.shape[0]):
        if work.held[k] & (1 << PIECED + motor):
            piece, share = 0, loads[motor, SHARE, i]
            while True:
                alpha, beta = line_of(curves, loads, motor, piece, i)
                lines[ALPHA, motor, 1 + piece, k], lines[BETA, motor, 1 + piece, k] = alpha, beta
                lines[GAMMA, motor, 1 + piece, k] = ties.firsts[motor, GAMMA, i]
                end = curves[motor, piece, END_OF_CURVE]
                if work.most[k] * share <= end:
                    lines[UP_TO, motor, 1 + piece, k] = math.inf  # it comes no further
                    break
                lines[UP_TO, motor, 1 + piece, k] = end / share
                piece += 1


@compiled_leaf
def lay_table(k: int, held: Places, lines: Reals, table: Reals) -> None:
    """Write the pieces of all chains of one move to `table`; of those that do not hold it, one that admits all."""
    for chain in range(lines.shape[1]):
        bit = 1 << chain
        at, piece = (1 if held[k] & bit << PIECED else WHOLE), 0
        while True:
            for column in range(GAMMA + 1):
                table[0, chain, piece, column] = lines[column, chain, at, k]
            table[0, chain, piece, UP_TO] = lines[UP_TO, chain, at, k] if at > WHOLE else math.inf
            if not held[k] & bit:
                table[0, chain, piece, ALPHA] = math.inf
            if table[0, chain, piece, UP_TO] == math.inf:
                break
            at, piece = at + 1, piece + 1


@compiled_leaf
def end_speeds(
    features: Features,
    ties: Ties,
    begin: int,
    m: int,
    several: int,
    paces: Reals,
    cruise_cause: Codes,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
) -> None:
    """Lower the ceilings of the moves that `find_tied` went through to where their speed ends; arguments as there."""
    tops, ending, held, most = work.tops, work.ending, work.held, work.most
    rest, start = features.rest, np.uint64(begin)
    for at in range(several):
        k = work.several[at]
        pieces_of(ties, begin, k, work)
        lay_table(k, work.held, work.lines, work.table)
        for motor in range(ties.curves.shape[0]):
            if held[k] & (1 << PIECED + motor):
                stop = end_of_speed(work.table, 0, motor)
                ending[k] = np.uint8(by.DRIVE_1 + motor) if stop < tops[k] else ending[k]
                tops[k] = min(tops[k], stop)
    for k in range(m):
        top, why, cause, pace, node = tops[k], ending[k], cruise_cause[start + np.uint64(k)], paces[k], nodes[k]
        ends, slow = why != np.uint8(NO_CAUSE), 1.0 / top
        cruise_cause[start + np.uint64(k)], paces[k] = (
            why if why < np.uint8(SAME_CAUSE) else cause,
            slow if ends else pace,
        )
        top = top if ends else math.inf
        nodes[k], most[k], tops[k] = min(node, top * top), min(most[k], top), top
    for k in range(m):
        top, node, arrival = tops[k] * tops[k], nodes[k + 1], arrivals[k + 1]
        is_rest = rest[start + np.uint64(k + 1)] != 0
        nodes[k + 1], arrivals[k + 1] = node if is_rest else min(node, top), min(arrival, top) if is_rest else arrival


@compiled_leaf
def tie_corners(
    features: Features, inverse: Reals, begin: int, m: int, several: int, work: Falling, nodes: Reals
) -> None:
    """Lower the squared ceilings of nodes to v² <= a(v)·R of the tied moves beside them.

    R is the smaller of the circle's that junction deviation draws and of the curve rule's. `inverse` of limits as in
    `ceilings`. Of one line v = 2α/(β + √(β² + 4α/R)).
    """
    start, rest, classes = np.uint64(begin), features.rest, features.move_class
    sharpness, curvature, lines, bend, speed = features.sharpness, features.curvature, work.lines, work.force, work.fall
    for k in range(1, m):
        i = start + np.uint64(k)
        bend[k] = max(sharpness[i] * inverse[np.int64(classes[i]), by.DEVIATION], curvature[i])
    for k in range(1, m):
        speed[k] = math.sqrt(nodes[k])
    for chain in range(lines.shape[1]):
        alpha, beta = lines[ALPHA, chain, WHOLE], lines[BETA, chain, WHOLE]
        for side in range(2):
            back, is_lowered = np.uint64(side), False
            for k in range(1, m):  # mostly none is: nothing is to be divided then
                at = np.uint64(k) - back
                is_lowered |= alpha[at] - beta[at] * speed[k] < bend[k] * nodes[k]
            for k in range(1, m if is_lowered else 1):
                at = np.uint64(k) - back
                root = 2.0 * alpha[at] / (beta[at] + math.sqrt(beta[at] * beta[at] + 4.0 * alpha[at] * bend[k]))
                is_rest, node = rest[start + np.uint64(k)], nodes[k]
                nodes[k] = node if is_rest else min(node, root * root)
    for place in range(several):
        k = work.several[place]
        lay_table(k, work.held, work.lines, work.table)
        for node in range(max(k, 1), min(k + 2, m)):
            if not rest[start + np.uint64(node)]:
                for chain in range(lines.shape[1]):
                    if work.held[k] & (1 << PIECED + chain):
                        nodes[node] = speed_on_circle(work.table, 0, chain, bend[node], nodes[node])


@compiled_leaf
def find_lines(
    features: Features, begin: int, m: int, several: int, work: Falling, gains: Reals, nodes: Reals, arrivals: Reals
) -> None:
    """Write the one line that holds each tied move behind a knee, where there is one, and `work.sure`.

    Only as far as a move can come between the ceilings of its nodes.
    """
    start, length, lines, one, most = np.uint64(begin), features.length, work.lines, work.one, work.most
    own, level, sure, holders, held = work.own, work.level, work.sure, work.holders, work.held
    least, speed, lowest = work.force, work.fall, work.tops
    a, b, c, knee = one[ALPHA], one[BETA], one[GAMMA], one[KNEE_ROW]
    for k in range(m):
        ends = max(arrivals[k + 1], nodes[k + 1])
        speed[k] = math.sqrt(max(nodes[k], ends))
        most[k] = min(most[k], math.sqrt(0.5 * (gains[k] + nodes[k] + ends)))
        least[k], lowest[k] = own[k], math.inf
    for chain in range(lines.shape[1]):
        alpha, beta, gamma = lines[ALPHA, chain, WHOLE], lines[BETA, chain, WHOLE], lines[GAMMA, chain, WHOLE]
        for k in range(m):
            at_zero, fall, bend, holder, so_far = alpha[k], beta[k], gamma[k], holders[k], lowest[k]
            other, its_fall, its_bend, fast, node = a[k], b[k], c[k], most[k], speed[k]
            least[k] = min(least[k], at_zero - (fall + bend * node) * node)
            here = at_zero - (fall + bend * fast) * fast
            lower = here < so_far
            lowest[k], holders[k] = here if lower else so_far, chain if lower else holder
            a[k], b[k], c[k] = at_zero if lower else other, fall if lower else its_fall, bend if lower else its_bend
    for k in range(m):
        over, fall, holder, gain = max(a[k] - own[k], 0.0), b[k], holders[k], gains[k]
        bound = min(2.0 * over / (fall + math.sqrt(fall * fall + 4.0 * c[k] * over)), most[k])
        bound = bound if over > 0.0 else 0.0
        is_tied, surely_gained = held[k] != 0, 2.0 * length[start + np.uint64(k)] * max(least[k], 0.0)
        knee[k], level[k] = bound, bound * bound if is_tied else math.inf
        sure[k], holders[k] = surely_gained if is_tied else gain, holder if held[k] < 1 << PIECED else -1
    for chain in range(lines.shape[1]):
        alpha, beta, gamma = lines[ALPHA, chain, WHOLE], lines[BETA, chain, WHOLE], lines[GAMMA, chain, WHOLE]
        for k in range(m):
            more, fall, bend, slow, fast = alpha[k] - a[k], beta[k] - b[k], gamma[k] - c[k], knee[k], most[k]
            over, holder = min(more - (fall + bend * slow) * slow, more - (fall + bend * fast) * fast), holders[k]
            sag = 0.25 * max(-bend, 0.0) * (fast - slow) * (fast - slow)  # by so much between both ends
            holders[k] = holder if over >= sag else -1
    for k in range(m):
        level[k] = 0.0 if (holders[k] < 0) & (held[k] != 0) else level[k]
    for at in range(several):
        k = work.several[at]
        lay_table(k, work.held, work.lines, work.table)
        admitted = least_at(work.table, 0, lines.shape[1], own[k], speed[k] * JUST_BELOW)
        sure[k] = 2.0 * length[start + np.uint64(k)] * admitted


@compiled_leaf
def reached(work: Falling, k: int, length: float, square: float, ceiling: float, shares: Reals) -> float:
    """The squared speed at the fast end of the tied move `k` of a block, whose slow end has the speed `square`.

    At most `ceiling`; all in mm²/s², `length` in mm; `shares` scratch. Who asks has looked whether it is certain at
    once (`surely`), as it is up to the knee.
    """
    slow, top, own, one, segments = math.sqrt(square), math.sqrt(ceiling), float(work.own[k]), work.one, work.segments
    if work.holders[k] >= 0:
        knee = one[KNEE_ROW, k]
        if slow < knee:
            slow, length = knee, length - 0.5 * (knee - slow) * (knee + slow) / own
        speed, _, _ = gained_on(one[ALPHA, k], one[BETA, k], one[GAMMA, k], slow, length, top)
    else:
        lay_table(k, work.held, work.lines, work.table)
        lower_envelope(work.table, 0, work.lines.shape[1], own, top, 0, segments, work.chain_of_segment)
        speed, _, _ = climb(segments, work.chain_of_segment, 0, slow, length, top, 0.0, shares)
    return ceiling if speed >= top else speed * speed


@compiled_leaf
def surely(square: float, gain: float, most: float, level: float, sure: float) -> float:
    """The squared speed (mm²/s²) at the fast end of a move, tied or not, where that is certain at once; −1 elsewhere.

    `square` that at its slow end, `gain` by how much its own acceleration raises it, `most` the ceiling; `level` and
    `sure` as in `Falling`.
    """
    own = min(square + gain, most)
    if own <= level:
        return own
    return most if square + sure >= most else -1.0


@compiled_leaf
def look_ahead_up(
    features: Features, begin: int, gains: Reals, window: int, work: Falling, nodes: Reals, shares: Reals
) -> None:
    """Lower the squared ceilings so that motion can stop within `window` moves, as `passes.look_ahead` does.

    A walk from rest at the end of what is seen, back and up: once it meets the ceiling of a node, what lies before that
    node can stop as well, and it is for the backward pass that it is slow enough at the node. Rest that is seen is
    reached with its step. Where moves are cut the controller sees whole ones, and only their starts are lowered.
    """
    whole, rest, length, n = features.whole, features.rest, features.length, gains.size
    level, sure = work.level, work.sure
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
            for k in range(stop - 1, node - 1, -1):  # nearly always the least that a move takes is enough
                square += work.sure[k]
                met = k if square >= nodes[k] else met
                if met >= 0 or (k > node and rest[begin + k]):
                    met = max(met, k - 1)
                    break
        if met < 0:
            square = 0.0
            for k in range(stop - 1, node - 1, -1):
                most = nodes[k]
                own = surely(square, gains[k], most, level[k], sure[k])
                if own < 0.0:
                    own = reached(work, k, length[begin + k], square, most, shares)
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
def last_met(rest: Codes, begin: int, gains: Reals, work: Falling, nodes: Reals, arrivals: Reals) -> int:
    """The last node of a block whose ceiling certainly meets a walk up from rest at the block's end; 0 for none.

    As `passes.last_held`: how motion goes on behind the block is then of no account.
    """
    square = 0.0
    for k in range(gains.size - 1, 0, -1):
        square += work.sure[k]
        if square >= nodes[k]:
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
    level, sure = work.level, work.sure
    square = arrivals[n] if rest[begin + n] else nodes[n]
    for k in range(n - 1, -1, -1):
        most = nodes[k]
        own = surely(square, gains[k], most, level[k], sure[k])
        if own < 0.0:
            own = reached(work, k, length[begin + k], square, most, shares)
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
    level, sure = work.level, work.sure
    if rest[begin]:
        square = nodes[0]
    nodes[0] = square
    for k in range(n):
        ends_at_rest = rest[begin + k + 1]
        most = arrivals[k + 1] if ends_at_rest else nodes[k + 1]
        own = surely(square, gains[k], most, level[k], sure[k])
        if own < 0.0:
            own = reached(work, k, length[begin + k], square, most, shares)
        square = own
        arrivals[k + 1] = square
        if ends_at_rest:
            square = nodes[k + 1]
        else:
            nodes[k + 1] = square
    return square
