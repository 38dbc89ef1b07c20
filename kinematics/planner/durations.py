"""How long the moves of a block last whose acceleration falls with speed, and what their seconds are spent under."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled_leaf
from kinematics.limits import columns as by
from kinematics.planner import ramps
from kinematics.planner.falling import ALPHA, BETA, GAMMA, climb, knee_of, least_at, lower_envelope, lowest_line, ramp
from kinematics.planner.features import Features
from kinematics.planner.ramps import JUST_BELOW, MOST_AT_ONCE, NO_PATH
from kinematics.planner.tied import BELOW_CEILING, KNEE_ROW, PIECED, WHOLE, Falling, lay_table

if TYPE_CHECKING:
    from kinematics.planner.plan import Plan

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]

# What becomes of a move: as `plan.durations` has it, that but for its acceleration, or laid out with others.
DONE, STEADY, LAID = range(3)


@compiled_leaf
def ramps_of_tied(
    segments: Reals,
    holders: Places,
    at: int,
    length: float,
    low: float,
    high: float,
    top: float,
    shares: Reals,
) -> tuple[float, float, float, float]:
    """Peak (mm/s), seconds of a ramp between the speeds `low` and `high` (mm/s) of a tied move's ends, of cruising at
    its peak, and of the ramp that leads from `high` there.

    Both ends ramp on from there alike, to where they meet or to `top`. Adds the ramps' seconds of each chain to
    `shares`, the own ceiling's behind them; `segments` and `holders` those of the move from the row `at` on.
    """
    path, between = ramp(segments, holders, at, low, high, 1.0, shares) if high > low else (0.0, 0.0)
    left = length - path
    peak, beyond = high, 0.0
    if high < top and left > NO_PATH * length:
        peak, path, beyond = climb(segments, holders, at, high, 0.5 * left, top, 2.0, shares)
        left -= 2.0 * path
    return peak, between, max(0.0, left) / peak, beyond


@compiled_leaf
def tied_durations(
    features: Features,
    begin: int,
    m: int,
    paces: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
    result: Plan,
    shares: Reals,
    seconds: Reals,
) -> None:
    """Peak speed and the parts of the duration of the tied ones among `m` moves, and the seconds that all are under.

    Of the block, index 0 for `begin`: `paces` 1/v of the ceilings, squared speeds `nodes` and `arrivals`;
    `result` holds what `plan.durations` made of the constant ceilings alone. The acceleration told is what holds at the
    peak, the ramps' cause what most of them is under; `shares` (chains + 1) scratch, `seconds` float64[LANES, classes,
    CAUSES] take each its share. Moves with one line are done many at once.
    """
    start, length, acceleration, peak = np.uint64(begin), features.length, result.acceleration, result.speed_peak
    levels, own, one, slots, w, table = work.level, work.own, work.one, work.slots, work.ramps, work.table
    speed_in, speed_out, kinds, holders = result.speed_in, result.speed_out, work.ending, work.holders
    chains = work.lines.shape[1]
    alphas, betas, gammas, knees = one[ALPHA], one[BETA], one[GAMMA], one[KNEE_ROW]
    lines, least, held = work.lines, work.force, work.held
    for k in range(m):
        least[k] = own[k]
    for chain in range(chains):
        alpha_of, beta_of, gamma_of = lines[ALPHA, chain, WHOLE], lines[BETA, chain, WHOLE], lines[GAMMA, chain, WHOLE]
        for k in range(m):
            fast = peak[start + np.uint64(k)] * JUST_BELOW
            least[k] = min(least[k], alpha_of[k] - (beta_of[k] + gamma_of[k] * fast) * fast)
    for k in range(m):
        i = start + np.uint64(k)
        is_steady = min(nodes[k], arrivals[k + 1]) * (paces[k] * paces[k]) >= BELOW_CEILING * BELOW_CEILING
        is_beyond, told = peak[i] * peak[i] > levels[k], acceleration[i]
        acceleration[i] = max(0.0, least[k]) if is_beyond & is_steady else told
        kinds[k] = np.uint8((STEADY if is_steady else LAID) if is_beyond else DONE)
    laid = 0
    for k in range(m):  # those to be laid out, and those at whose peak a piece of a curve may hold
        slots[laid] = k
        laid += 1 if kinds[k] == LAID or (kinds[k] == STEADY and held[k] >= 1 << PIECED) else 0
    add_level_seconds(features.move_class, begin, m, kinds, result, seconds)
    first = 0
    while first < laid:
        base, j = first, 0
        while first < laid and j < MOST_AT_ONCE:
            k = slots[first]
            first += 1
            i, chain, steady = start + np.uint64(k), holders[k], own[k]
            if kinds[k] == STEADY:
                lay_table(k, work.held, work.lines, work.table)
                acceleration[i] = least_at(table, 0, chains, steady, peak[i] * JUST_BELOW)
                continue
            alpha, beta, gamma, knee = alphas[k], betas[k], gammas[k], knees[k]
            if chain < 0:  # as far as it comes by ramps as steep as at its slower end it may well be held by one line
                low, high = min(speed_in[i], speed_out[i]), max(speed_in[i], speed_out[i])
                top = max(1.0 / paces[k], high)
                lay_table(k, work.held, work.lines, work.table)
                far = 0.5 * (low * low + high * high) + least_at(table, 0, chains, steady, low) * length[i]
                chain, piece = lowest_line(table, 0, chains, low, max(min(top, math.sqrt(far)), high))
                holders[k], at = chain, max(chain, 0)
                alpha, beta, gamma = table[0, at, piece, ALPHA], table[0, at, piece, BETA], table[0, at, piece, GAMMA]
                knee = knee_of(alpha, beta, gamma, steady) if alpha > steady else 0.0
            w[ramps.OWN_AT + j], w[ramps.KNEE_AT + j] = steady, knee
            w[ramps.ALPHA_AT + j], w[ramps.BETA_AT + j], w[ramps.GAMMA_AT + j] = alpha, beta, gamma
            w[ramps.FIRST_AT + j], w[ramps.LAST_AT + j] = speed_in[i], speed_out[i]
            w[ramps.PACE_AT + j], w[ramps.LENGTH_AT + j] = paces[k], length[i]
            slots[base + j] = k
            j += 1
        tell_all(features, begin, base, j, work, result, shares, seconds)


@compiled_leaf
def tell_all(
    features: Features,
    begin: int,
    base: int,
    laid: int,
    work: Falling,
    result: Plan,
    shares: Reals,
    seconds: Reals,
) -> None:
    """What became of the moves that are laid out, as `tied_durations` has it; those that want more one by one."""
    length, move_class, w = features.length, features.move_class, work.ramps
    lanes, slots, drives = seconds.shape[0], work.slots, work.drives
    cruise_cause, ramp_cause, acceleration = result.cruise_cause, result.ramp_cause, result.acceleration
    peak, rising, cruising, falling, duration = (
        result.speed_peak,
        result.rising,
        result.cruising,
        result.falling,
        result.duration,
    )
    ramps.ramps_at_once(laid, w)
    for laid_at in range(laid):
        j = np.uint64(laid_at)
        k = slots[base + laid_at]
        i, holder, lane = np.uint64(begin + k), work.holders[k], k & (lanes - 1)
        row = np.int64(move_class[i])
        peak[i], acceleration[i] = w[ramps.PEAK_AT + j], w[ramps.ADMITTED_AT + j]
        rising[i], cruising[i] = w[ramps.RISING_AT + j], w[ramps.CRUISING_AT + j]
        falling[i], duration[i] = w[ramps.FALLING_AT + j], w[ramps.DURATION_AT + j]
        if holder >= 0 and w[ramps.WANTING_AT + j] <= 0.0:
            level, line = w[ramps.UNDER_OWN_AT + j], w[ramps.UNDER_LINE_AT + j]
            cause = np.uint8(by.DRIVE_1 + holder if holder < drives else by.ADVANCE)
            seconds[lane, row, np.int64(ramp_cause[i])] += level
            seconds[lane, row, np.int64(cause)] += line
            ramp_cause[i] = cause if line > level else ramp_cause[i]
        else:
            tell_one(int(k), i, int(lane), int(row), w[ramps.PACE_AT + j], length[i], work, result, shares, seconds)
        slow = peak[i] * w[ramps.PACE_AT + j] < BELOW_CEILING
        cruise_cause[i] = np.uint8(by.CORNER) if slow else cruise_cause[i]
        seconds[lane, row, np.int64(cruise_cause[i])] += cruising[i]


@compiled_leaf
def tell_one(
    k: int,
    i: np.uint64,
    lane: int,
    row: int,
    pace: float,
    length: float,
    work: Falling,
    result: Plan,
    shares: Reals,
    seconds: Reals,
) -> None:
    """What became of one move, the `k`-th of a block and `i`-th of the job, along its envelope."""
    first, last, chains, ramp_cause = result.speed_in[i], result.speed_out[i], work.lines.shape[1], result.ramp_cause
    low, high, segments, holders = min(first, last), max(first, last), work.segments, work.chain_of_segment
    top = max(1.0 / pace, high)
    for chain in range(chains + 1):
        shares[chain] = 0.0
    lay_table(k, work.held, work.lines, work.table)
    lower_envelope(work.table, 0, chains, work.own[k], top, 0, segments, holders)
    speed, between, cruise, beyond = ramps_of_tied(segments, holders, 0, length, low, high, top, shares)
    result.acceleration[i] = least_at(work.table, 0, chains, work.own[k], speed * JUST_BELOW)
    result.speed_peak[i], result.cruising[i], result.duration[i] = speed, cruise, between + cruise + 2.0 * beyond
    result.rising[i], result.falling[i] = beyond + (between if first < last else 0.0), beyond
    result.falling[i] += 0.0 if first < last else between
    most = shares[chains]
    seconds[lane, row, np.int64(ramp_cause[i])] += most
    for chain in range(chains):
        cause = by.DRIVE_1 + chain if chain < work.drives else by.ADVANCE
        seconds[lane, row, cause] += shares[chain]
        if shares[chain] > most:
            most = shares[chain]
            ramp_cause[i] = np.uint8(cause)


@compiled_leaf
def add_level_seconds(
    move_class: NDArray[np.uint16], begin: int, m: int, kinds: Codes, result: Plan, seconds: Reals
) -> None:
    """Add the seconds of moves as `plan.add_seconds` does, all but those of moves that are laid out."""
    first, lanes = np.uint64(begin), seconds.shape[0]
    rising, cruising, falling = result.rising, result.cruising, result.falling
    cruise_cause, ramp_cause = result.cruise_cause, result.ramp_cause
    for k in range(m):
        i = first + np.uint64(k)
        if kinds[k] != LAID:
            row = np.int64(move_class[i])
            seconds[k & (lanes - 1), row, np.int64(cruise_cause[i])] += cruising[i]
            seconds[k & (lanes - 1), row, np.int64(ramp_cause[i])] += rising[i] + falling[i]
