"""The pair of speed and acceleration by trying speeds: a grid over all of them, and finer grids about the best.

Curves are points to be drawn through, not lines with slopes, and at every speed the acceleration is simply the least
that anything admits; nothing is known here of convexity, of crossings or of the order of the pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

NO_END = 1e12  # mm/s, and mm: stands for infinity
GRID = 4000
ZOOMS = 14
PLACES = 6  # local bests that are looked at more closely


@dataclass(frozen=True)
class NaiveDrive:
    """A motor's force (N) at points of its speed (mm/s, the first at 0), and what the move asks of it (t, N, share)."""

    speeds: tuple[float, ...]
    forces: tuple[float, ...]
    mass: float
    friction: float
    share: float


@dataclass(frozen=True)
class NaiveTie:
    """One move: run (mm), ceilings (mm/s, mm/s²), drives, v + delay·a <= advance."""

    length: float
    fastest: float
    steepest: float
    drives: tuple[NaiveDrive, ...] = ()
    advance: float = np.inf
    delay: float = 0.0


def admitted_acceleration(tie: NaiveTie, speed: Reals) -> Reals:
    """The largest acceleration (mm/s²) admitted at each speed; below 0 where the speed itself is not admitted."""
    least = np.full(speed.shape, tie.steepest)
    for drive in tie.drives:
        force = np.interp(speed * drive.share, drive.speeds, drive.forces, right=-np.inf)
        # All speeds up to this one are run through with the same acceleration; curves given here never rise.
        least = np.minimum(least, (force - drive.friction) / drive.mass)
    if tie.delay > 0.0:
        least = np.minimum(least, (tie.advance - speed) / tie.delay)
    return least


def times_from_stop_to_stop(tie: NaiveTie, speed: Reals) -> Reals:
    """Time (s) of the run at each speed with the acceleration admitted there: up, along, down again, by distances."""
    with np.errstate(all="ignore"):
        a = admitted_acceleration(tie, speed)
        reached = np.minimum(speed, np.sqrt(np.maximum(a, 0.0) * tie.length))
        ramp = reached * reached / (2.0 * a)
        time = 2.0 * reached / a + (tie.length - 2.0 * ramp) / reached
        return np.where(a > 0.0, time, np.inf)


def shortest_time(tie: NaiveTie) -> float:
    """The shortest time from stop to stop (s) over all speeds."""
    ends = [drive.speeds[-1] / drive.share for drive in tie.drives if drive.share > 0.0]
    top = min(tie.fastest, NO_END, tie.advance if tie.delay > 0.0 else NO_END, *ends)
    speed = np.unique(np.concatenate([np.linspace(0.0, top, GRID)[1:], np.geomspace(top * 1e-8, top, GRID)]))
    kinks = [np.array(drive.speeds[1:]) / drive.share for drive in tie.drives if drive.share > 0.0]
    speed = np.unique(np.concatenate([speed, *(one[one <= top] for one in kinks)]))
    time = times_from_stop_to_stop(tie, speed)
    best = float(time.min())
    padded = np.concatenate([[np.inf], time, [np.inf]])
    valleys = np.flatnonzero((time <= padded[:-2]) & (time <= padded[2:]) & np.isfinite(time))
    for place in valleys[np.argsort(time[valleys])[:PLACES]]:
        low, high = speed[max(place - 1, 0)], speed[min(place + 1, speed.size - 1)]
        for _ in range(ZOOMS):
            finer = np.linspace(low, high, 41)
            finer_time = times_from_stop_to_stop(tie, finer)
            middle = int(np.argmin(finer_time))
            best = min(best, float(finer_time[middle]))
            low, high = finer[max(middle - 1, 0)], finer[min(middle + 1, 40)]
    return best
