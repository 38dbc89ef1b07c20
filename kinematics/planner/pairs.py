"""Speed and acceleration where one depends on the other: the pair with the shortest time from stop to stop.

A motor pulls less the faster it turns, and pressure advance takes speed of the extruder for acceleration. Everything
that ties the two is a falling line a <= α − β·v between two speeds, or a chain of such lines. Of the admitted pairs a
move takes the one with which its run, taken from stop to stop, is done first; of equal times the faster pair.

Along one line L/v + v/(α − β·v) is convex and least at v = α/(β + √(α/L)) (set its derivative to 0), where
v² = a·L·(a/α) <= a·L: on the way to a triangle of speed, never beyond. Where several lines hold at once the least of
them counts, and the time is the largest of convex functions, hence convex up to the next end of a line. The search
begins at the largest speed, walks down from line to line, and ends where no lower speed can be quicker.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kinematics.caps.drive import END, FASTEST, FORCE, SLOPE
from kinematics.compiled import compiled, compiled_part
from kinematics.planner.motor_loads import FRICTION, MASS, SHARE

Reals = NDArray[np.float64]
Codes = NDArray[np.uint8]
MoveClasses = NDArray[np.uint16]
Places = NDArray[np.int64]

LONGEST_RUN = 1e12  # mm: stands for an endless run, so that an acceleration is left to begin it with
LEAST_MASS = 1e-12  # t: a milligram stands for none
QUICKER = 1.0 - 1e-12  # share of a time below which another is quicker, not the same but for rounding
UNTIED = -1  # what holds a speed or an acceleration is a ceiling of its own, none that ties the two
ADVANCE, DELAY = range(2)  # columns of the table of pressure advance: speed of the extruder (mm/s), p (s)
ALPHA, BETA, FROM, INVERSE = range(4)  # of a line: a <= ALPHA − BETA·v, down to the speed FROM; 1/mass of its drive


@compiled_part
def time_between_stops(length: float, speed: float, acceleration: float) -> float:
    """Time from stop to stop (s): L/v + v/a, or 2·√(L/a) where v is not reached; infinite where a is not above 0."""
    if acceleration <= 0.0:
        return math.inf
    if speed * speed >= acceleration * length:
        return 2.0 * math.sqrt(length / acceleration)
    return length / speed + speed / acceleration


@compiled_part
def takes_longer(length: float, speed: float, acceleration: float, time: float) -> bool:
    """Whether `time_between_stops` (with a > 0) is `time` or more; divides nothing."""
    if speed * speed >= acceleration * length:
        return 4.0 * length >= time * time * acceleration
    return length * acceleration + speed * speed >= time * speed * acceleration


@compiled_part
def is_falling(length: float, speed: float, alpha: float, beta: float) -> bool:
    """Whether the time L/v + v/(α − β·v) still falls with v at a speed: up to v = α/(β + √(α/L)), and on a level line.

    On a level line the time falls up to v² = a·L, and is the same at all speeds beyond, which are not reached.
    """
    if beta == 0.0:
        return True
    here = alpha - beta * speed
    return here > 0.0 and here * here * length >= speed * speed * alpha


@compiled
def run_lengths(length: Reals, change: Reals, rest: Codes) -> Reals:
    """Length (mm) of the run that each move belongs to; `length`, `change` (n) and `rest` (n + 1) as in `Features`.

    A run goes on over nodes without a change of direction and without a stop.
    """
    runs = np.empty_like(length)
    begin, travelled = 0, 0.0
    for i in range(length.size):
        travelled += length[i]
        if rest[i + 1] or change[i + 1] > 0.0:
            runs[begin : i + 1] = travelled
            begin, travelled = i + 1, 0.0
    return runs


@compiled_part
def extruder_tie(ratio: float, advance: float, delay: float) -> float:
    """The speed (mm/s) that v + p·a may not pass: V_e/r; infinity where the extruder ties nothing."""
    return math.inf if delay == 0.0 or ratio == 0.0 else advance / ratio


@compiled_part
def find_tied(
    ratio: Reals,
    move_class: MoveClasses,
    advance: Reals,
    curves: Reals,
    loads: Reals,
    begin: int,
    end: int,
    paces: Reals,
    sluggish: Reals,
    tied: Places,
) -> int:
    """Write which moves may not take both of their ceilings to `tied` (from 0 for `begin`), and return how many.

    Arguments as in `pair_ceilings`.
    """
    count = 0
    for k in range(end - begin):
        i = begin + k
        speed, acceleration = min(1.0 / paces[k], FASTEST), 1.0 / sluggish[k]
        row = np.int64(move_class[i])
        delay = advance[row, DELAY]
        admitted = speed + delay * acceleration <= extruder_tie(ratio[i], advance[row, ADVANCE], delay)
        for motor in range(curves.shape[0]):
            at = speed * loads[i, motor, SHARE]
            piece = 0
            while at > curves[motor, piece, END]:
                piece += 1
            asked = acceleration * loads[i, motor, MASS] + loads[i, motor, FRICTION]
            admitted = admitted and asked <= curves[motor, piece, FORCE] - curves[motor, piece, SLOPE] * at
        if not admitted:
            tied[count] = k
            count += 1
    return count


@compiled_part
def lower_tied(
    run_length: Reals,
    ratio: Reals,
    move_class: MoveClasses,
    advance: Reals,
    curves: Reals,
    loads: Reals,
    begin: int,
    first_drive_cause: int,
    advance_cause: int,
    paces: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
    tied: Places,
    count: int,
    lines: Reals,
    pieces: Places,
) -> None:
    """Give the `count` moves that `tied` names the admitted pair with the shortest time from stop to stop.

    Arguments as in `pair_ceilings`. All moves in one call: each array that a call is given costs two atomic counts.
    """
    drives = curves.shape[0]
    for place in range(count):
        k = tied[place]
        i = begin + k
        # ---- the lines
        row = np.int64(move_class[i])
        delay = advance[row, DELAY]
        extruder = extruder_tie(ratio[i], advance[row, ADVANCE], delay)
        length = min(run_length[i], LONGEST_RUN)
        steepest, top = 1.0 / sluggish[k], min(1.0 / paces[k], FASTEST)
        most = steepest  # no lower speed admits more
        for motor in range(drives):
            inverse = 1.0 / max(loads[i, motor, MASS], LEAST_MASS)
            most = min(most, (curves[motor, 0, FORCE] - loads[i, motor, FRICTION]) * inverse)
            piece = 1
            while top * loads[i, motor, SHARE] > curves[motor, piece - 1, END]:
                piece += 1
            lines[motor, INVERSE], lines[motor, FROM], pieces[motor] = inverse, math.inf, piece
        lines[drives, ALPHA], lines[drives, BETA] = steepest, 0.0
        used = drives + 1
        if extruder < math.inf:
            lines[used, ALPHA], lines[used, BETA] = extruder / delay, 1.0 / delay
            most = min(most, lines[used, ALPHA])
            used += 1
        # ---- from one end of a line down to the next
        best = math.inf
        speed, acceleration, holds_speed, holds_acceleration = top, 0.0, UNTIED, UNTIED
        above = UNTIED  # what admits no more speed than `top`
        while True:
            bottom = 0.0
            line, least = drives, steepest  # what admits least at `top`
            for motor in range(used):
                if motor < drives and lines[motor, FROM] >= top:
                    piece = pieces[motor] - 1
                    inverse, share = lines[motor, INVERSE], loads[i, motor, SHARE]
                    lines[motor, ALPHA] = (curves[motor, piece, FORCE] - loads[i, motor, FRICTION]) * inverse
                    lines[motor, BETA] = curves[motor, piece, SLOPE] * share * inverse
                    lines[motor, FROM] = 0.0 if piece == 0 else curves[motor, piece - 1, END] / share
                    pieces[motor] = piece
                if motor < drives:
                    bottom = max(bottom, lines[motor, FROM])
                here = lines[motor, ALPHA] - lines[motor, BETA] * top
                if here < least:
                    line, least = motor, here
            # ---- from the line that holds at `top` to flatter ones
            while True:
                alpha, beta = lines[line, ALPHA], lines[line, BETA]
                target, held = top, above
                if not is_falling(length, top, alpha, beta):
                    target, held = bottom, line
                    if is_falling(length, bottom, alpha, beta):
                        target = alpha / (beta + math.sqrt(alpha / length))
                    here = alpha - beta * target
                    met, crossing = UNTIED, target
                    for other in range(used):
                        flatter = beta - lines[other, BETA]
                        if flatter > 0.0 and lines[other, ALPHA] - lines[other, BETA] * target < here:
                            at = (alpha - lines[other, ALPHA]) / flatter
                            if at > crossing:
                                met, crossing = other, at
                    if met != UNTIED:
                        top, above, line = min(top, crossing), line, met
                        continue
                    if target == bottom:
                        break
                here = alpha - beta * target
                time = time_between_stops(length, target, here)
                if time < best * QUICKER:
                    best, speed, acceleration = time, target, here
                    holds_speed, holds_acceleration = held, line
                break
            if bottom <= 0.0 or takes_longer(length, bottom, most, best):
                break
            top, above = bottom, line
        # ---- the pair
        if holds_speed != UNTIED:
            paces[k] = 1.0 / speed
            cruise_cause[i] = np.uint8(first_drive_cause + holds_speed if holds_speed < drives else advance_cause)
        if holds_acceleration != drives:
            sluggish[k] = 1.0 / acceleration
            drive = holds_acceleration < drives
            ramp_cause[i] = np.uint8(first_drive_cause + holds_acceleration if drive else advance_cause)


@compiled_part
def pair_ceilings(
    run_length: Reals,
    ratio: Reals,
    move_class: MoveClasses,
    advance: Reals,
    curves: Reals,
    loads: Reals,
    begin: int,
    end: int,
    first_drive_cause: int,
    advance_cause: int,
    paces: Reals,
    sluggish: Reals,
    cruise_cause: Codes,
    ramp_cause: Codes,
    tied: Places,
    lines: Reals,
    pieces: Places,
) -> None:
    """Lower the ceilings of the moves from `begin` to `end` to pairs that are admitted; most are as they stand.

    Of the job: `run_length` (n; mm) of the run that a move belongs to, `ratio` (n), `move_class` (n), `loads`
    float64[n, k, 3] (`motor_loads`), `curves` float64[k, pieces, 3] (`Drives`), `advance` float64[classes, 2] of
    ADVANCE (mm/s of filament; infinity for no limit) and DELAY p (s; 0 where none). Of the block, index 0 for `begin`:
    `paces` 1/v and `sluggish` 1/a, read and lowered. `cruise_cause`, `ramp_cause` (n) are changed where a tie holds:
    `first_drive_cause` + place among the k drives, or `advance_cause`. Scratch: `tied` int64[end − begin], `lines`
    float64[k + 2, 4], `pieces` int64[k]. No move may be stuck (`motor_loads.stuck_moves`).
    """
    count = find_tied(ratio, move_class, advance, curves, loads, begin, end, paces, sluggish, tied)
    lower_tied(
        run_length,
        ratio,
        move_class,
        advance,
        curves,
        loads,
        begin,
        first_drive_cause,
        advance_cause,
        paces,
        sluggish,
        cruise_cause,
        ramp_cause,
        tied,
        count,
        lines,
        pieces,
    )
