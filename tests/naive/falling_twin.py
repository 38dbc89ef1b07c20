"""Acceleration that falls with speed, in the phase plane: every move a fine grid of speeds, added up with numpy.

Curves are points to be drawn through, and at every speed the acceleration is simply the least that anything admits;
nothing is known here of pieces, of where one takes over from the other, or of ramps in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

NO_END = 1e12  # mm/s: stands for infinity
GRID = 3000
LEFT = 0.1  # share of a drive's acceleration at rest with which its speed ends
HALVINGS = 200


@dataclass(frozen=True)
class NaiveDrive:
    """A motor's force (N) at points of its speed (mm/s, the first at 0), and what the move asks of it.

    `mass` (t) along the move, `friction` (N), `share` its speed at unit tool speed, `pull` F_c·κ (t/mm) of a curve.
    """

    speeds: tuple[float, ...]
    forces: tuple[float, ...]
    mass: float
    friction: float
    share: float
    pull: float = 0.0


@dataclass(frozen=True)
class NaiveTie:
    """One move: ceilings (mm/s, mm/s²), drives, v + delay·a <= advance."""

    fastest: float
    steepest: float
    drives: tuple[NaiveDrive, ...] = ()
    advance: float = np.inf
    delay: float = 0.0


def spare_force(drive: NaiveDrive, speed: Reals, on_curve: bool) -> Reals:
    """What a drive has left at a tool speed (N); below 0 where it has nothing."""
    force = np.interp(speed * drive.share, drive.speeds, drive.forces, right=-np.inf)
    return np.asarray(force - drive.friction - (drive.pull * speed**2 if on_curve else 0.0))


def admitted_acceleration(tie: NaiveTie, speed: Reals, on_curve: bool = True) -> Reals:
    """The largest acceleration (mm/s²) admitted at each speed; on a curve, less what the curve itself takes."""
    least = np.full(speed.shape, tie.steepest)
    for drive in tie.drives:
        spare = spare_force(drive, speed, on_curve)
        free = np.where(spare >= 0.0, np.inf, -np.inf)  # a motor with nothing to move
        least = np.minimum(least, spare / drive.mass if drive.mass > 0.0 else free)
    if tie.delay > 0.0:
        least = np.minimum(least, (tie.advance - speed) / tie.delay)
    return least


def last_with(holds: Callable[[float], bool], top: float) -> float:
    """The largest speed up to `top` (mm/s) at which something holds that holds at all lower ones, by halving."""
    if holds(top):
        return top
    low, high = 0.0, top
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def is_tied(tie: NaiveTie) -> bool:
    """Whether the move may not take both of its ceilings."""
    at = np.array([min(tie.fastest, NO_END)])
    return bool(admitted_acceleration(tie, at)[0] < tie.steepest) or end_of_speed(tie) < tie.fastest


@lru_cache(maxsize=100_000)
def end_of_speed(tie: NaiveTie) -> float:
    """Where a tenth of what a drive gives at rest is left, where a curve ends, or the extruder's own speed (mm/s)."""

    def holds(speed: float) -> bool:
        for drive in tie.drives:
            at_rest = float(spare_force(drive, np.zeros(1), False)[0])
            if float(spare_force(drive, np.array([speed]), True)[0]) < LEFT * at_rest:
                return False
        return tie.delay == 0.0 or speed <= tie.advance

    top = min(tie.fastest, NO_END)
    while top > 1.0 and not holds(top / 2.0):  # halving by distance is fine from here on
        top /= 2.0
    found = last_with(holds, top)
    return tie.fastest if found == NO_END else found


def corner_speed(tie: NaiveTie, radius: float, top: float) -> float:
    """The largest speed (mm/s) with v² <= a(v)·R, the whole of what is admitted pulling round the corner."""
    return last_with(lambda v: bool(v * v <= admitted_acceleration(tie, np.array([v]), False)[0] * radius), top)


class Ramp(NamedTuple):
    """From rest up: speeds (mm/s), and the path (mm) and time (s) that it takes to reach each."""

    speed: Reals
    path: Reals
    time: Reals


@lru_cache(maxsize=4096)
def ramp_of(tie: NaiveTie, top: float) -> Ramp:
    """The ramp of a move from rest to just below `top`: trapezoids under v/a and 1/a over a grid of speeds.

    The grid is closer towards rest and towards the top, where little may be left, and has all points of the curves.
    """
    low, near = np.geomspace(top * 1e-8, top, GRID)[:-1], top * (1.0 - np.geomspace(1e-11, 1.0, GRID))
    points = [speed / drive.share for drive in tie.drives if drive.share > 0.0 for speed in drive.speeds]
    speed = np.unique(
        np.concatenate([[0.0], low, near, np.linspace(0.0, top, GRID)[:-1], [p for p in points if p < top]])
    )
    middle = 0.5 * (speed[1:] + speed[:-1])
    slow, mid, fast = (1.0 / admitted_acceleration(tie, at) for at in (speed[:-1], middle, speed[1:]))
    step = np.diff(speed) / 6.0  # Simpson's rule
    path = np.cumsum(step * (speed[:-1] * slow + 4.0 * middle * mid + speed[1:] * fast))
    time = np.cumsum(step * (slow + 4.0 * mid + fast))
    return Ramp(speed, np.append(0.0, path), np.append(0.0, time))


def reached_from(tie: NaiveTie, top: float, slow: float, length: float) -> float:
    """The speed (mm/s) at the end of a ramp of `length` (mm) from `slow`; at most `top`."""
    if slow >= top:
        return slow
    ramp = ramp_of(tie, top)
    begin = float(np.interp(slow, ramp.speed, ramp.path))
    if begin + length >= ramp.path[-1]:
        return top
    return speed_at(ramp, begin + length)


def speed_at(ramp: Ramp, path: float) -> float:
    """The speed (mm/s) at a place of a ramp: linear in v² between two speeds of the grid."""
    return math.sqrt(float(np.interp(path, ramp.path, ramp.speed**2)))


def parts_of(tie: NaiveTie, top: float, v_in: float, v_out: float, length: float) -> tuple[float, float, float, float]:
    """Peak speed (mm/s) and the seconds of rising, cruising and falling of a move."""
    ramp = ramp_of(tie, top)

    def at(speed: float, column: Reals) -> float:
        """Of the square of the speed, which the path of a ramp is nearly proportional to."""
        return float(np.interp(speed, ramp.speed, column))

    ends = at(v_in, ramp.path) + at(v_out, ramp.path)
    # Both ramps run up from rest to the peak, less what lies before their ends.
    peak_path = min(0.5 * (length + ends), float(ramp.path[-1]))
    peak = max(v_in, v_out, speed_at(ramp, peak_path))
    rise, fall = (at(peak, ramp.time) - at(speed, ramp.time) for speed in (v_in, v_out))
    left = length - (2.0 * at(peak, ramp.path) - ends)
    return peak, rise, max(0.0, left) / peak, fall
