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

ALPHA, BETA, GAMMA, END = range(4)  # of a piece: a <= ALPHA − BETA·v − GAMMA·v² up to the speed END
OWN = -1  # the move's constant ceiling, beside the chains 0, 1, …
LEFT_AT_END = 0.1  # of its acceleration at rest: with less left a drive's speed ends
# Gauss-Legendre with eight places is exact to 1e-12 where a falls to half its value at most: then the integrand's pole
# lies as far beyond the interval as the interval is long. Three places are where it falls by 2 % at most.
HALF = 0.5
HARDLY = 0.98
PLACES, WEIGHTS = np.polynomial.legendre.leggauss(8)
OUTER, OUTER_WEIGHT, MIDDLE_WEIGHT = math.sqrt(0.6), 5.0 / 9.0, 8.0 / 9.0
ALL_BUT_NOTHING = 1.0 - 1e-15  # of an acceleration
NOTHING_LEFT = 1e-12  # share of the acceleration at the ramp's slow end below which no speed is gained
TIED = 1e-12  # relative: two that admit the same but for rounding; the one that falls faster holds
CLOSE = 1e-7  # relative step behind which Newton's method, whose error is squared each time, is done


@compiled_leaf
def held_by(tables: Reals, move: int, chains: int, own: float, speed: float) -> tuple[int, float, float, float, float]:
    """The chain that admits least just above a speed (OWN for the move's own ceiling), its α, β, γ, and until when.

    `tables` float64[moves, chains, pieces, 4], each chain's in the order of rising speed, the last without an end.
    Until the last of the five, a speed, no other piece admits less.
    """
    chain, alpha, beta, gamma, until = OWN, own, 0.0, 0.0, math.inf
    least, fall = own, 0.0
    for k in range(chains):
        at = 0
        while speed >= tables[move, k, at, END]:
            at += 1
        until = min(until, tables[move, k, at, END])
        a, b, c = tables[move, k, at, ALPHA], tables[move, k, at, BETA], tables[move, k, at, GAMMA]
        here, falls = a - (b + c * speed) * speed, b + 2.0 * c * speed
        near = TIED * abs(least) if least < math.inf else 0.0
        if here < least - near or (here <= least + near and falls > fall):
            chain, alpha, beta, gamma, least, fall = k, a, b, c, here, falls
    for k in range(-1, chains):
        if k == chain:
            continue
        if k == OWN:
            a, b, c = own, 0.0, 0.0
        else:
            at = 0
            while speed >= tables[move, k, at, END]:
                at += 1
            a, b, c = tables[move, k, at, ALPHA], tables[move, k, at, BETA], tables[move, k, at, GAMMA]
        if a == math.inf:
            continue
        # Where (a − α) − (b − β)v − (c − γ)v² first falls below 0 beyond `speed`; shifted there, so no digits are lost.
        gap = max((a - alpha) - ((b - beta) + (c - gamma) * speed) * speed, 0.0)
        slope, bend = (b - beta) + 2.0 * (c - gamma) * speed, c - gamma
        # gap − slope·d − bend·d² = 0
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
def lower_envelope(
    tables: Reals, move: int, chains: int, own: float, top: float, at: int, segments: Reals, holders: Chains
) -> int:
    """Write which pieces hold a move from rest up to `top`, one after the other, from the row `at` on; return the end.

    `segments` float64[rows, 4] of ALPHA, BETA, GAMMA and END, the last without an end; `holders` their chains, `chains`
    for the move's own ceiling. −1 where there is no room for all of them.
    """
    speed = 0.0
    while True:
        if at == holders.size:
            return -1
        chain, alpha, beta, gamma, until = held_by(tables, move, chains, own, speed)
        segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA] = alpha, beta, gamma
        holders[at] = chains if chain == OWN else chain
        at += 1
        if until >= top:
            segments[at - 1, END] = math.inf
            return at
        segments[at - 1, END] = until
        speed = until


@compiled_leaf
def envelope_of_one(tables: Reals, move: int, own: float, top: float, at: int, segments: Reals, holders: Chains) -> int:
    """As `lower_envelope`, of one chain and the move's own ceiling: that holds up to where the chain falls below it."""
    if at + tables.shape[2] >= holders.size:
        return -1
    piece, begin = 0, 0.0
    while True:  # the piece in which the chain falls below the move's own ceiling
        alpha, beta, gamma = tables[move, 0, piece, ALPHA], tables[move, 0, piece, BETA], tables[move, 0, piece, GAMMA]
        end = min(tables[move, 0, piece, END], top)
        over = alpha - own
        if end < top and over >= (beta + gamma * end) * end:
            piece, begin = piece + 1, end
            continue
        if over > (beta + gamma * begin) * begin:
            root = math.sqrt(beta * beta + 4.0 * gamma * over)
            begin = max(begin, 2.0 * over / (beta + root)) if beta + root > 0.0 else top
        break
    if begin > 0.0:
        segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA], segments[at, END] = own, 0.0, 0.0, begin
        holders[at] = 1
        at += 1
    while begin < top:
        segments[at, ALPHA], segments[at, BETA] = tables[move, 0, piece, ALPHA], tables[move, 0, piece, BETA]
        segments[at, GAMMA] = tables[move, 0, piece, GAMMA]
        begin = segments[at, END] = tables[move, 0, piece, END]
        holders[at] = 0
        at += 1
        piece += 1
    segments[at - 1, END] = math.inf
    return at


@compiled_leaf
def acceleration_at(segments: Reals, at: int, speed: float) -> float:
    """The least that anything admits at a speed (mm/s²); a move's `segments` begin at the row `at`."""
    while segments[at, END] <= speed:
        at += 1
    return float(segments[at, ALPHA] - (segments[at, BETA] + segments[at, GAMMA] * speed) * speed)


@compiled_leaf
def halved_at(alpha: float, beta: float, gamma: float, speed: float) -> float:
    """The speed at which a piece admits half of what it does at `speed`; infinite where it is level."""
    here = alpha - (beta + gamma * speed) * speed
    slope = beta + 2.0 * gamma * speed
    if slope <= 0.0 and gamma <= 0.0:
        return math.inf
    # here/2 = slope·d + γ·d²
    half = HALF * here
    return speed + 2.0 * half / (slope + math.sqrt(slope * slope + 4.0 * gamma * half))


@compiled_leaf
def path_and_time(alpha: float, beta: float, gamma: float, slow: float, fast: float) -> tuple[float, float]:
    """Path ∫v/a dv (mm) and time ∫dv/a (s) of a ramp between two speeds on one piece."""
    if beta == 0.0 and gamma == 0.0:
        return 0.5 * (fast - slow) * (fast + slow) / alpha, (fast - slow) / alpha
    middle, half = 0.5 * (slow + fast), 0.5 * (fast - slow)
    path = time = 0.0
    here = alpha - (beta + gamma * slow) * slow
    if alpha - (beta + gamma * fast) * fast >= HARDLY * here:
        low, high = middle - half * OUTER, middle + half * OUTER
        first = OUTER_WEIGHT / (alpha - (beta + gamma * low) * low)
        second = MIDDLE_WEIGHT / (alpha - (beta + gamma * middle) * middle)
        third = OUTER_WEIGHT / (alpha - (beta + gamma * high) * high)
        return half * (first * low + second * middle + third * high), half * (first + second + third)
    if gamma == 0.0:  # t = −ln(1 − βΔv/a)/β, s = v·t + (a·t − Δv)/β with v and a at the slow end
        gained = fast - slow
        time = -math.log1p(-min(beta * gained / here, ALL_BUT_NOTHING)) / beta
        return slow * time + (here * time - gained) / beta, time
    for k in range(8):
        v = middle + half * PLACES[k]
        weight = WEIGHTS[k] / (alpha - (beta + gamma * v) * v)
        path += weight * v
        time += weight
    return half * path, half * time


@compiled_leaf
def speed_after(segments: Reals, at: int, slow: float, length: float, top: float) -> float:
    """The speed (mm/s) at the fast end of a ramp of `length` (mm) whose slow end has the speed `slow`; at most `top`.

    The exact inverse of s = ∫v dv/a(v), piece by piece of the `segments` from the row `at` on (`lower_envelope`).
    """
    v, left = slow, length
    start = -1.0
    while v < top:
        while segments[at, END] <= v:
            at += 1
        alpha, beta, gamma = segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA]
        here = alpha - (beta + gamma * v) * v
        if start < 0.0:
            start = here
        if here <= NOTHING_LEFT * start:
            return v
        end: float = min(segments[at, END], top)
        fast = math.sqrt(v * v + 2.0 * here * left)  # further it does not come
        highest = min(fast, end)
        if alpha - (beta + gamma * highest) * highest < HALF * here:  # Newton's method keeps to where it is at home
            end = min(end, halved_at(alpha, beta, gamma, v))
        if fast > end:  # else the end is certainly not reached
            path, _ = path_and_time(alpha, beta, gamma, v, end)
            if path <= left:
                left -= path
                v = end
                continue
            fast = end
        if beta == 0.0 and gamma == 0.0:
            return fast
        # The acceleration half way is nearly that of all the way; from there Newton's method.
        half_way = 0.5 * (v + fast)
        fast = min(math.sqrt(v * v + 2.0 * (alpha - (beta + gamma * half_way) * half_way) * left), end)
        for _ in range(60):
            path, _ = path_and_time(alpha, beta, gamma, v, fast)
            step = (path - left) * (alpha - (beta + gamma * fast) * fast) / fast
            fast = min(fast - step, end)
            if abs(step) <= CLOSE * fast:
                break
        return max(fast, v)
    return top


@compiled_leaf
def ramp(
    segments: Reals, holders: Chains, at: int, slow: float, fast: float, times: float, seconds: Reals
) -> tuple[float, float]:
    """Path (mm) and time (s) of a ramp between two speeds, rising or falling.

    Adds each chain's share of the time, `times` over, to `seconds` (float64[chains + 1], the move's own ceiling last).
    """
    v, path, time, start = slow, 0.0, 0.0, -1.0
    while v < fast:
        while segments[at, END] <= v:
            at += 1
        alpha, beta, gamma = segments[at, ALPHA], segments[at, BETA], segments[at, GAMMA]
        here = alpha - (beta + gamma * v) * v
        if start < 0.0:
            start = here
        end = min(segments[at, END], fast)
        if here <= NOTHING_LEFT * start:  # a speed that rounding alone has brought
            end = fast
            further, longer = 0.0, (fast - v) / (NOTHING_LEFT * start)
        else:
            if gamma != 0.0 and alpha - (beta + gamma * end) * end < HALF * here:
                end = min(end, halved_at(alpha, beta, gamma, v))
            further, longer = path_and_time(alpha, beta, gamma, v, end)
        seconds[holders[at]] += times * longer
        path += further
        time += longer
        v = end
    return path, time


@compiled_leaf
def speed_on_circle(tables: Reals, move: int, chains: int, own: float, radius: float, top: float) -> float:
    """The largest speed (mm/s) with v² <= a(v)·R, at most `top`; each piece's own root is exact.

    What a curve takes of a(v), γ·v², is this very pull, and does not count twice.
    """
    speed = min(top, math.sqrt(own * radius))
    for k in range(chains):
        at, begin = 0, 0.0
        while True:
            end = tables[move, k, at, END]
            alpha, beta = tables[move, k, at, ALPHA] * radius, tables[move, k, at, BETA] * radius
            if alpha <= 0.0:
                speed = min(speed, begin)
                break
            if alpha == math.inf:
                break
            root = 2.0 * alpha / (beta + math.sqrt(beta * beta + 4.0 * alpha))
            if root <= end:
                speed = min(speed, max(root, begin))
                break
            begin = end
            at += 1
    return speed


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
        if alpha == math.inf:
            return math.inf
        if over <= (beta + gamma * begin) * begin:
            return begin
        if beta > 0.0 or gamma > 0.0:
            root = 2.0 * over / (beta + math.sqrt(beta * beta + 4.0 * gamma * over))
            if root <= tables[move, chain, at, END]:
                return float(root)
        begin = float(tables[move, chain, at, END])
        if begin == math.inf:
            return math.inf
        at += 1
