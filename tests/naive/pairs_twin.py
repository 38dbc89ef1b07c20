"""The pair of speed and acceleration by trying speeds: a grid over all of them, and finer grids about the best.

Curves are points to be drawn through, not lines with slopes, and at every speed the acceleration is simply the least
that anything admits; nothing is known here of convexity, of crossings or of the order of the pieces.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

NO_END = 1e12  # mm/s, and mm: stands for infinity
GRID = 4000
ZOOMS = 14
SAME = 4e-15  # share of a time: what rounding leaves of two equal ones
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
        spare = force - drive.friction
        free = np.where(spare >= 0.0, np.inf, -np.inf)  # a motor with nothing to move
        least = np.minimum(least, spare / drive.mass if drive.mass > 0.0 else free)
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


def speeds_to_try(tie: NaiveTie) -> Reals:
    """Speeds from next to nothing to the fastest, evenly spread and by ratio, and all at which a curve has a kink."""
    ends = [drive.speeds[-1] / drive.share for drive in tie.drives if drive.share > 0.0]
    top = min(tie.fastest, NO_END, tie.advance if tie.delay > 0.0 else NO_END, *ends)
    kinks = [np.array(drive.speeds[1:]) / drive.share for drive in tie.drives if drive.share > 0.0]
    even = [np.linspace(0.0, top, GRID)[1:], np.geomspace(top * 1e-8, top, GRID)]
    return np.asarray(np.unique(np.concatenate([*even, *(one[one <= top] for one in kinks)])))


def shortest(tie: NaiveTie) -> tuple[float, float]:
    """The shortest time from stop to stop (s) over all speeds, and a speed that takes it (mm/s)."""
    speed = speeds_to_try(tie)
    time = times_from_stop_to_stop(tie, speed)
    best = min(zip(time.tolist(), speed.tolist(), strict=True))
    padded = np.concatenate([[np.inf], time, [np.inf]])
    valleys = np.flatnonzero((time <= padded[:-2]) & (time <= padded[2:]) & np.isfinite(time))
    for place in valleys[np.argsort(time[valleys])[:PLACES]]:
        low, high = speed[max(place - 1, 0)], speed[min(place + 1, speed.size - 1)]
        for _ in range(ZOOMS):
            finer = np.linspace(low, high, 41)
            finer_time = times_from_stop_to_stop(tie, finer)
            middle = int(np.argmin(finer_time))
            best = min(best, (float(finer_time[middle]), float(finer[middle])))
            low, high = finer[max(middle - 1, 0)], finer[min(middle + 1, 40)]
    return best


def shortest_time(tie: NaiveTie) -> float:
    """The shortest time from stop to stop (s) over all speeds."""
    return shortest(tie)[0]


@lru_cache(maxsize=100_000)
def fastest_of_shortest(tie: NaiveTie) -> tuple[float, float]:
    """Speed (mm/s) and acceleration (mm/s²) with the shortest time from stop to stop; of equal times the faster.

    The speed is known to the root of `SAME`: about its minimum the time hardly changes.
    """
    least, speed = shortest(tie)
    tried = speeds_to_try(tie)
    as_short = times_from_stop_to_stop(tie, tried) <= least * (1.0 + SAME)
    speed = max(speed, float(tried[as_short].max(initial=0.0)))
    faster = tried[tried > speed]
    longer = float(faster[0]) if faster.size else speed
    for _ in range(60):
        middle = 0.5 * (speed + longer)
        if times_from_stop_to_stop(tie, np.array([middle]))[0] <= least * (1.0 + SAME):
            speed = middle
        else:
            longer = middle
    return speed, float(admitted_acceleration(tie, np.array([speed]))[0])
