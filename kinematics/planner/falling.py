"""Acceleration that falls with speed: how far a ramp takes, how long it lasts, and what a corner then allows.

A motor pulls less the faster it turns, pressure advance takes speed of the extruder for acceleration, and on a curve
the pull towards its middle comes out of the same force. Each of these is a chain of pieces a <= α − β·v − γ·v², falling
with v; a move's constant ceiling is one more. a(v) is the least of them. A ramp follows v·dv/ds = a(v), rising and
falling alike: no pair of speed and acceleration is chosen, so that a stretch cut into chords is driven as the whole is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf

Reals = NDArray[np.float64]
Chains = NDArray[np.int64]

ALPHA, BETA, GAMMA, UP_TO = range(4)  # of a piece: a <= ALPHA − BETA·v − GAMMA·v² up to the speed UP_TO
OWN_CHAIN = -1  # the move's constant ceiling, beside the chains 0, 1, …
LEFT_AT_END = 0.1  # of its acceleration at rest: with less left a drive's speed ends
HALF = 0.5
# A ramp's path and time hang on p, which measures how much a falls from its middle to its end: up to MANY, where it
# falls to four tenths in all, ten places of Gauss and Legendre are exact to 1e-12.
MANY = 0.2
ROOTS, WEIGHTS = np.polynomial.legendre.leggauss(10)
X1, X2, X3, X4, X5 = (float(x * x) for x in ROOTS[5:])  # squares of the places, which lie to both sides of the middle
W1, W2, W3, W4, W5 = (float(w) for w in WEIGHTS[5:])
NARROWEST = 1e-15  # share of a speed: what is cut no further
ALL_BUT_NOTHING = 1.0 - 1e-15  # of an acceleration
NOTHING_LEFT = 1e-12  # share of the acceleration at the ramp's slow end below which no speed is gained
TIED = 1e-12  # relative: two that admit the same but for rounding; the one that falls faster holds
HALLEY_CLOSE = 1e-13  # share of the speed that Halley's method, whose error is cubed each time, may be off by


@compiled_leaf
def held_by(
    tables: Reals, move: int, chains: int, own: float, speed: float, top: float
) -> tuple[int, float, float, float, float]:
    """The chain that admits least just above a speed (OWN_CHAIN: the move's own ceiling), its α, β, γ, and until when.

    `tables` float64[moves, chains, pieces, 4], each chain's in the order of rising speed, the last without an end.
    Until the last of the five, a speed, no other piece admits less; beyond `top` nobody asks.
    """
    chain, alpha, beta, gamma, until = OWN_CHAIN, own, 0.0, 0.0, math.inf
    least, fall = own, 0.0
    for k in range(chains):
        at = 0
        while speed >= tables[move, k, at, UP_TO]:
            at += 1
        until = min(until, tables[move, k, at, UP_TO])
        a, b, c = tables[move, k, at, ALPHA], tables[move, k, at, BETA], tables[move, k, at, GAMMA]
        here, falls = a - (b + c * speed) * speed, b + 2.0 * c * speed
        near = TIED * abs(least) if least < math.inf else 0.0
        if here < least - near or (here <= least + near and falls > fall):
            chain, alpha, beta, gamma, least, fall = k, a, b, c, here, falls
    ahead = min(until, top) - speed
    for k in range(-1, chains):
        if k == chain:
            continue
        if k == OWN_CHAIN:
            a, b, c = own, 0.0, 0.0
        else:
            at = 0
            while speed >= tables[move, k, at, UP_TO]:
                at += 1
            a, b, c = tables[move, k, at, ALPHA], tables[move, k, at, BETA], tables[move, k, at, GAMMA]
        if a == math.inf:
            continue
        # Where (a − α) − (b − β)v − (c − γ)v² first falls below 0 beyond `speed`; shifted there, so no digits are lost.
        gap = max((a - alpha) - ((b - beta) + (c - gamma) * speed) * speed, 0.0)
        slope, bend = (b - beta) + 2.0 * (c - gamma) * speed, c - gamma
        # gap − slope·d − bend·d² = 0; where that is above 0 at both ends by more than it sags between, it never is
        if min(gap, gap - (slope + bend * ahead) * ahead) > 0.25 * max(-bend, 0.0) * ahead * ahead:
            continue
        under = slope * slope + 4.0 * bend * gap
        if under < 0.0:
            continue
        root = math.sqrt(under)
        step = 0.0
        if slope > 0.0:
            step = 2.0 * gap / (slope + root)
        elif bend > 0.0:
            step = (root - slope) / (2.0 * bend)
        if step > 0.0:
            until = min(until, speed + step)
    return chain, alpha, beta, gamma, until


@compiled_leaf
def lowest_line(tables: Reals, move: int, chains: int, slow: float, fast: float) -> tuple[int, int]:
    """The chain and the piece of it that certainly admit least at all speeds between two; −1 where there is none."""
    lowest, piece, least = -1, 0, math.inf
    for k in range(chains):
        at = 0
        while tables[move, k, at, UP_TO] <= slow:
            at += 1
        here = tables[move, k, at, ALPHA] - (tables[move, k, at, BETA] + tables[move, k, at, GAMMA] * fast) * fast
        if tables[move, k, at, UP_TO] < fast:
            return -1, 0
        if here < least:
            lowest, piece, least = k, at, here
    alpha, beta = tables[move, lowest, piece, ALPHA], tables[move, lowest, piece, BETA]
    gamma, way = tables[move, lowest, piece, GAMMA], fast - slow
    for k in range(chains):
        if k == lowest:
            continue
        at = 0
        while tables[move, k, at, UP_TO] <= slow:
            at += 1
        more, fall = tables[move, k, at, ALPHA] - alpha, tables[move, k, at, BETA] - beta
        bend = tables[move, k, at, GAMMA] - gamma
        over = min(more - (fall + bend * slow) * slow, more - (fall + bend * fast) * fast)
        if over < 0.25 * max(-bend, 0.0) * way * way:  # by so much it may sag between both ends
            return -1, 0
    return lowest, piece


@compiled_leaf
def least_at(tables: Reals, move: int, chains: int, own: float, speed: float) -> float:
    """The least that anything admits at a speed (mm/s²)."""
    least = own
    for k in range(chains):
        at = 0
        while tables[move, k, at, UP_TO] <= speed:
            at += 1
        least = min(
            least, tables[move, k, at, ALPHA] - (tables[move, k, at, BETA] + tables[move, k, at, GAMMA] * speed) * speed
        )
    return max(least, 0.0)


@compiled_leaf
def lower_envelope(
    tables: Reals, move: int, chains: int, own: float, top: float, at: int, segments: Reals, holders: Chains
) -> int:
    """Write which pieces hold a move from rest up to `top`, one after the other, from the row `at` on; return the end.

    `segments` float64[rows, 4] of ALPHA, BETA, GAMMA and UP_TO, the last without an end; `holders` their chains,
    `chains` for the move's own ceiling. −1 where there is no room for all of them.
    """
    speed = 0.0
    while True:
        if at == holders.size:
            return -1
        chain, alpha, beta, gamma, until = held_by(tables, move, chains, own, speed, top)
        segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA] = alpha, beta, gamma
        holders[at] = chains if chain == OWN_CHAIN else chain
        at += 1
        if until >= top:
            segments[at - 1, UP_TO] = math.inf
            return at
        segments[at - 1, UP_TO] = until
        speed = until


@compiled_leaf
def knee_of(alpha: float, beta: float, gamma: float, own: float) -> float:
    """The speed (mm/s) at which a piece that admits more than `own` at rest (mm/s²) falls to it; infinite for none."""
    over = alpha - own
    if gamma == 0.0:
        return over / beta if beta > 0.0 else math.inf
    return 2.0 * over / (beta + math.sqrt(beta * beta + 4.0 * gamma * over))


@compiled_leaf
def by_places(square: float, p: float, r: float) -> tuple[float, float]:
    """The integrals ∫ dx/q and ∫ x² dx/q from 0 to 1 of q = `square` − p·x² + r·x⁴, by ten places, two of which are one
    and all of which share one division; 0 <= r <= p²/4 and p up to MANY of the square.
    """
    first, second = square - (p - r * X1) * X1, square - (p - r * X2) * X2
    third, fourth = square - (p - r * X3) * X3, square - (p - r * X4) * X4
    fifth = square - (p - r * X5) * X5
    front, back = first * second, third * fourth
    even = (W1 * second + W2 * first) * back + (W3 * fourth + W4 * third) * front
    odd = (W1 * X1 * second + W2 * X2 * first) * back + (W3 * X3 * fourth + W4 * X4 * third) * front
    front *= back
    inverse = 1.0 / (front * fifth)
    return (even * fifth + W5 * front) * inverse, (odd * fifth + W5 * X5 * front) * inverse


@compiled_leaf
def on_line(alpha: float, beta: float, gamma: float, slow: float, fast: float) -> tuple[float, float, float]:
    """Path ∫v/a dv (mm) and time ∫dv/a (s) of a ramp between two speeds on one piece, exact where the third, by how
    much p is beyond MANY, is not above 0.

    About the middle m of the speeds, v = m ± g·x, with a and a' at m: 1/a(v) is a − Γx² ± Bx over
    (a − Γx²)² − B²x² = a² − p·x² + r·x⁴, with B = −a'·g, Γ = γg², p = B² + 2aΓ, r = Γ².
    """
    middle, half = 0.5 * (slow + fast), 0.5 * (fast - slow)
    there = alpha - (beta + gamma * middle) * middle
    fall, bend, square = (beta + 2.0 * gamma * middle) * half, gamma * half * half, there * there
    p = fall * fall + 2.0 * there * bend
    even, odd = by_places(square, p, bend * bend)
    even = there * even - bend * odd
    return 2.0 * half * (middle * even + fall * half * odd), 2.0 * half * even, p - MANY * square


@compiled_leaf
def in_parts(alpha: float, beta: float, gamma: float, slow: float, fast: float) -> tuple[float, float]:
    """Path (mm) and time (s) of a ramp in which a falls by more than `on_line` can tell: the logarithm, or halves."""
    if gamma == 0.0:  # t = −ln(1 − βΔv/a)/β, s = v·t + (a·t − Δv)/β with v and a at the slow end
        here, gained = alpha - beta * slow, fast - slow
        time = -math.log1p(-min(beta * gained / here, ALL_BUT_NOTHING)) / beta
        return slow * time + (here * time - gained) / beta, time
    path = time = 0.0
    begin, end = slow, fast
    while True:
        further, longer, beyond = on_line(alpha, beta, gamma, begin, end)
        if not beyond <= 0.0 and end - begin > NARROWEST * end:
            end = 0.5 * (begin + end)
            continue
        path += further
        time += longer
        if end >= fast:
            return path, time
        begin, end = end, fast


@compiled_leaf
def path_and_time(alpha: float, beta: float, gamma: float, slow: float, fast: float) -> tuple[float, float]:
    """Path (mm) and time (s) of a ramp between two speeds on one piece."""
    path, time, beyond = on_line(alpha, beta, gamma, slow, fast)
    return (path, time) if beyond <= 0.0 else in_parts(alpha, beta, gamma, slow, fast)


@compiled_leaf
def first_guess(alpha: float, beta: float, gamma: float, slow: float, length: float) -> float:
    """About how much speed (mm/s) a ramp of `length` (mm) on one piece gains.

    The acceleration near the middle of the ramp is taken for that of all of it, less the leading terms of
    `path_and_time`.
    """
    here, square = alpha - (beta + gamma * slow) * slow, slow * slow
    half = here * length / (slow + math.sqrt(square + 2.0 * here * length))
    inverse = 1.0 / here
    fall = (beta + 2.0 * gamma * slow) * half * inverse
    near = slow + half * max(1.0 - fall, 0.0)
    less = fall * (fall + half / (slow + half)) + gamma * half * half * inverse
    near = (alpha - (beta + gamma * near) * near) * (1.0 - min((1.0 / 3.0) * less, HALF))
    return 2.0 * near * length / (slow + math.sqrt(square + 2.0 * near * length))


@compiled_leaf
def halley(alpha: float, beta: float, gamma: float, fast: float, missing: float) -> tuple[float, float]:
    """How much more speed (mm/s) covers what is `missing` (mm) at the end of a ramp, and how bent path over speed is,
    in squares of the speed.

    Of f = path − length, f' = v/a and f'' = (1 − v·a'/a)/a.
    """
    there, square = alpha - (beta + gamma * fast) * fast, fast * fast
    bent = 0.5 * missing * (there + (beta + 2.0 * gamma * fast) * fast)
    return missing * there * fast / max(square + bent, HALF * square), bent


@compiled_leaf
def later_by(alpha: float, beta: float, gamma: float, fast: float, step: float) -> float:
    """The time (s) of a small `step` of speed (mm/s) more, by the trapezoid."""
    last = fast + step
    return 2.0 * step / ((alpha - (beta + gamma * fast) * fast) + (alpha - (beta + gamma * last) * last))


@compiled_leaf
def halved_at(alpha: float, beta: float, gamma: float, speed: float) -> float:
    """The speed (mm/s) at which a piece, which falls, admits half of what it does at `speed`."""
    half = HALF * (alpha - (beta + gamma * speed) * speed)
    slope = beta + 2.0 * gamma * speed
    return speed + 2.0 * half / (slope + math.sqrt(slope * slope + 4.0 * gamma * half))


@compiled_leaf
def gained_on(
    alpha: float, beta: float, gamma: float, slow: float, length: float, most: float
) -> tuple[float, float, float]:
    """The speed (mm/s) that a ramp of `length` (mm) on one piece ends with, its path, less where that speed is `most`,
    and its time: Halley's method, which keeps to where a falls by no more than half.
    """
    here, left, begun, start = alpha - (beta + gamma * slow) * slow, length, 0.0, 0.0
    if here <= 0.0:  # at the very speed at which nothing is left, but for the last digit
        return slow, 0.0, 0.0
    far = min(math.sqrt(slow * slow + 2.0 * here * left), most)
    while alpha - (beta + gamma * far) * far < HALF * here:
        start = max(start, here)
        end = halved_at(alpha, beta, gamma, slow)
        path, time = path_and_time(alpha, beta, gamma, slow, end)
        if path > left:
            most = end
            break
        slow, left, begun, here = end, left - path, begun + time, HALF * here
        if here <= NOTHING_LEFT * start:
            return slow, length - left, begun
        far = min(math.sqrt(slow * slow + 2.0 * here * left), most)
    room = most - slow
    gained = min(first_guess(alpha, beta, gamma, slow, left), room)
    for _ in range(60):
        fast = slow + gained
        path, time = path_and_time(alpha, beta, gamma, slow, fast)
        if gained >= room and path <= left:
            return most, length - (left - path), begun + time
        step, bow = halley(alpha, beta, gamma, fast, left - path)
        step = min(step, room - gained)
        gained += step
        if abs(step) * bow * bow <= HALLEY_CLOSE * fast * fast * fast * fast * fast:
            begun += time + later_by(alpha, beta, gamma, fast, step)
            break
    return slow + max(gained, 0.0), length, begun


@compiled_leaf
def climb(
    segments: Reals,
    holders: Chains,
    at: int,
    slow: float,
    length: float,
    top: float,
    times: float,
    seconds: Reals,
) -> tuple[float, float, float]:
    """The speed (mm/s) at the fast end of a ramp of `length` (mm) whose slow end has the speed `slow`; at most `top`.

    With its path (mm), less than `length` where it comes to `top` before, and its time (s). The exact inverse of
    s = ∫v dv/a(v), piece by piece of the `segments` from the row `at` on (`lower_envelope`). Adds each chain's share of
    the time, `times` over, to `seconds` (float64[chains + 1], the move's own ceiling last).
    """
    v, left, time, start = slow, length, 0.0, -1.0
    while v < top:
        while segments[at, UP_TO] <= v:
            at += 1
        alpha, beta, gamma = segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA]
        here = alpha - (beta + gamma * v) * v
        if start < 0.0:
            start = here
        if here <= NOTHING_LEFT * start:
            break
        end: float = min(segments[at, UP_TO], top)
        v, further, longer = gained_on(alpha, beta, gamma, v, left, end)
        time += longer
        seconds[holders[at]] += times * longer
        left -= further
        if v < end:
            break
    return v, length - left, time


@compiled_leaf
def ramp(
    segments: Reals, holders: Chains, at: int, slow: float, fast: float, times: float, seconds: Reals
) -> tuple[float, float]:
    """Path (mm) and time (s) of a ramp between two speeds, rising or falling; `seconds` as in `climb`."""
    v, path, time, start = slow, 0.0, 0.0, -1.0
    while v < fast:
        while segments[at, UP_TO] <= v:
            at += 1
        alpha, beta, gamma = segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA]
        here = alpha - (beta + gamma * v) * v
        if start < 0.0:
            start = here
        end = min(segments[at, UP_TO], fast)
        if here <= NOTHING_LEFT * start:  # a speed that rounding alone has brought
            end = fast
            further, longer = 0.0, (fast - v) / (NOTHING_LEFT * start)
        else:
            further, longer = path_and_time(alpha, beta, gamma, v, end)
        seconds[holders[at]] += times * longer
        path += further
        time += longer
        v = end
    return path, time


@compiled_leaf
def speed_on_circle(tables: Reals, move: int, chain: int, bend: float, square: float) -> float:
    """The largest squared speed (mm²/s²) with v²·bend <= a(v) of one chain, at most `square`; `bend` (1/mm) the
    curvature.

    Each piece's own root is exact. What a curve takes of a(v), γ·v², is this very pull, and does not count twice.
    """
    speed, at = math.sqrt(square), 0
    while speed > tables[move, chain, at, UP_TO]:
        at += 1
    while True:  # the piece that the root lies in, or the knee before it
        alpha, beta = tables[move, chain, at, ALPHA], tables[move, chain, at, BETA]
        if alpha - beta * speed >= square * bend:
            return square
        begin, root = tables[move, chain, at - 1, UP_TO] if at > 0 else 0.0, 0.0
        if alpha > 0.0:
            root = 2.0 * alpha / (beta + math.sqrt(beta * beta + 4.0 * alpha * bend))
        speed = min(speed, max(root, begin))
        square = speed * speed
        if root >= begin or at == 0:
            return square
        at -= 1


@compiled_leaf
def end_of_speed(tables: Reals, move: int, chain: int) -> float:
    """The speed (mm/s) at which a tenth of a chain's acceleration at rest is left, or where its curve ends."""
    least = LEFT_AT_END * tables[move, chain, 0, ALPHA]
    at, begin = 0, 0.0
    while True:
        alpha, beta, gamma = (
            tables[move, chain, at, ALPHA],
            tables[move, chain, at, BETA],
            tables[move, chain, at, GAMMA],
        )
        over = alpha - least
        if over <= (beta + gamma * begin) * begin:
            return begin
        if beta > 0.0 or gamma > 0.0:
            root = 2.0 * over / (beta + math.sqrt(beta * beta + 4.0 * gamma * over))
            if root <= tables[move, chain, at, UP_TO]:
                return float(root)
        begin = float(tables[move, chain, at, UP_TO])
        if begin == math.inf:
            return math.inf
        at += 1
