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
from kinematics.planner.ramps import MOST_AT_ONCE, NO_PATH
from kinematics.planner.tied import BELOW_CEILING, JUST_BELOW, KNEE, Falling

if TYPE_CHECKING:
    from kinematics.planner.plan import Plan

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
Places = NDArray[np.int64]


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
    end: int,
    paces: Reals,
    nodes: Reals,
    arrivals: Reals,
    work: Falling,
    result: Plan,
    shares: Reals,
    seconds: Reals,
) -> None:
    """Peak speed and the parts of the duration of tied moves, and the seconds of their ramps.

    Of the block up to `end`, index 0 for `begin`: `paces` 1/v of the ceilings, squared speeds `nodes` and `arrivals`;
    `result` holds what `plan.durations` made of the constant ceilings alone. The acceleration told is what holds at the
    peak, the ramps' cause what most of them is under; `shares` (chains + 1) scratch, `seconds` float64[LANES, classes,
    CAUSES] take each its share. Moves with one line are done many at once.
    """
    length, move_class, ramp_cause = features.length, features.move_class, result.ramp_cause
    lanes, w, slots = seconds.shape[0], work.ramps, work.slots
    moves, levels, own, tables, chains = work.moves, work.level, work.own, work.tables, work.chains
    lines, holders = work.lines, work.holders
    peak, rising, falling, acceleration = result.speed_peak, result.rising, result.falling, result.acceleration
    speed_in, speed_out = result.speed_in, result.speed_out
    slot = j = 0
    while slot < work.tied and begin + moves[slot] < end:
        k, chain, used = moves[slot], holders[slot], chains[slot]
        i, steady = np.uint64(begin + k), own[k]
        is_steady = min(nodes[k], arrivals[k + 1]) * (paces[k] * paces[k]) >= BELOW_CEILING * BELOW_CEILING
        if is_steady or peak[i] * peak[i] <= levels[k]:  # what `plan.durations` made of the constant ceiling holds
            if peak[i] * peak[i] > levels[k]:
                acceleration[i] = least_at(tables, slot, used, steady, peak[i] * JUST_BELOW)
            seconds[k % lanes, np.int64(move_class[i]), np.int64(ramp_cause[i])] += rising[i] + falling[i]
        else:
            low, high = min(speed_in[i], speed_out[i]), max(speed_in[i], speed_out[i])
            top, piece = max(1.0 / paces[k], high), 0
            if chain >= 0:
                knee = lines[slot, KNEE]
            else:  # as far as it comes by ramps as steep as at its slower end it may well be held by one line
                far = 0.5 * (low * low + high * high) + least_at(tables, slot, used, steady, low) * length[i]
                chain, piece = lowest_line(tables, slot, used, low, max(min(top, math.sqrt(far)), high))
                knee = -1.0
            which = max(chain, 0)
            alpha, beta, gamma = (
                tables[slot, which, piece, ALPHA],
                tables[slot, which, piece, BETA],
                tables[slot, which, piece, GAMMA],
            )
            if knee < 0.0:
                knee = knee_of(alpha, beta, gamma, steady) if alpha > steady else 0.0
            w[ramps.OWN + j], w[ramps.KNEE + j] = steady, knee
            w[ramps.ALPHA + j], w[ramps.BETA + j], w[ramps.GAMMA + j] = alpha, beta, gamma
            w[ramps.LOW + j], w[ramps.HIGH + j] = low, high
            w[ramps.TOP + j], w[ramps.LENGTH + j] = top, length[i]
            slots[2 * j], slots[2 * j + 1] = slot, chain
            j += 1
        slot += 1
        if j == MOST_AT_ONCE:
            tell_all(features, begin, j, work, result, shares, seconds)
            j = 0
    tell_all(features, begin, j, work, result, shares, seconds)


@compiled_leaf
def tell_all(
    features: Features,
    begin: int,
    laid: int,
    work: Falling,
    result: Plan,
    shares: Reals,
    seconds: Reals,
) -> None:
    """What became of the moves that are laid out, as `tied_durations` has it; those that want more one by one."""
    length, move_class, w = features.length, features.move_class, work.ramps
    lanes, moves, slots, own = seconds.shape[0], work.moves, work.slots, work.own
    segments, holders, causes, numbers = work.segments, work.chain_of_segment, work.causes, work.chains
    cruise_cause, ramp_cause, acceleration = result.cruise_cause, result.ramp_cause, result.acceleration
    peak, rising, cruising, falling, duration = (
        result.speed_peak,
        result.rising,
        result.cruising,
        result.falling,
        result.duration,
    )
    ramps.ramps_at_once(laid, w)
    for j in range(laid):
        slot, holder = slots[2 * j], slots[2 * j + 1]
        k, chains = moves[slot], numbers[slot]
        i = np.uint64(begin + k)
        lane, row, top = k % lanes, np.int64(move_class[i]), w[ramps.TOP + j]
        if holder >= 0 and w[ramps.WANTING + j] <= 0.0:
            speed = w[ramps.PEAK + j]
            between = w[ramps.LEVEL_BETWEEN + j] + w[ramps.LINE_BETWEEN + j]
            beyond = w[ramps.LEVEL_BEYOND + j] + w[ramps.LINE_BEYOND + j]
            cruise = w[ramps.CRUISED + j] / speed
            fast = speed * JUST_BELOW
            line_at_peak = w[ramps.ALPHA + j] - (w[ramps.BETA + j] + w[ramps.GAMMA + j] * fast) * fast
            acceleration[i] = max(0.0, min(line_at_peak, own[k]))
            under_line = w[ramps.LINE_BETWEEN + j] + 2.0 * w[ramps.LINE_BEYOND + j]
            level = w[ramps.LEVEL_BETWEEN + j] + 2.0 * w[ramps.LEVEL_BEYOND + j]
            cause = causes[slot, holder]
            seconds[lane, row, np.int64(ramp_cause[i])] += level
            seconds[lane, row, np.int64(cause)] += under_line
            ramp_cause[i] = cause if under_line > level else ramp_cause[i]
        else:
            for chain in range(chains + 1):
                shares[chain] = 0.0
            low, high = w[ramps.LOW + j], w[ramps.HIGH + j]
            lower_envelope(work.tables, slot, chains, own[k], top, 0, segments, holders)
            speed, between, cruise, beyond = ramps_of_tied(segments, holders, 0, length[i], low, high, top, shares)
            acceleration[i] = least_at(work.tables, slot, chains, own[k], speed * JUST_BELOW)
            most = shares[chains]
            seconds[lane, row, np.int64(ramp_cause[i])] += most
            for chain in range(chains):
                cause = causes[slot, chain]
                seconds[lane, row, np.int64(cause)] += shares[chain]
                if shares[chain] > most:
                    most = shares[chain]
                    ramp_cause[i] = cause
        cruise_cause[i] = np.uint8(by.CORNER) if speed < top * BELOW_CEILING else cruise_cause[i]
        rises = result.speed_in[i] < result.speed_out[i]
        peak[i], cruising[i], duration[i] = speed, cruise, between + cruise + 2.0 * beyond
        rising[i] = between + beyond if rises else beyond
        falling[i] = beyond if rises else between + beyond


@compiled_leaf
def add_untied_seconds(
    move_class: NDArray[np.uint16], begin: int, end: int, work: Falling, result: Plan, seconds: Reals
) -> None:
    """Add the seconds of moves as `plan.add_seconds` does, all but those of the ramps of tied moves."""
    first, lanes = np.uint64(begin), seconds.shape[0]
    rising, cruising, falling = result.rising, result.cruising, result.falling
    cruise_cause, ramp_cause, level = result.cruise_cause, result.ramp_cause, work.level
    for k in range(end - begin):
        i = first + np.uint64(k)
        row = np.int64(move_class[i])
        seconds[k % lanes, row, np.int64(cruise_cause[i])] += cruising[i]
        if level[k] == math.inf:
            seconds[k % lanes, row, np.int64(ramp_cause[i])] += rising[i] + falling[i]
