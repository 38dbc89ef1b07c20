"""Measured times held against estimates: bias, spread, prints that stand apart, units that were mixed up, drift."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import Finding
from kinematics.machine import Machine
from kinematics.studies.timing import TimedJob
from kinematics.wording import duration_text

Reals = NDArray[np.float64]

FURTHEST = 8.0  # times the estimate, or so much less: no limit that a machine may have explains that
NEARLY = 2.0  # a time in another unit that comes so near to the estimate was probably meant in that unit
APART = 5.0  # spreads from the others at which a print stands apart
LEAST_APART = 0.08  # share of the time below which none does
LATEST = 10  # prints that are held against all before them
EARLIER = 3  # prints that there must be before them
SURE = 2.6  # standard errors from which on a difference is no chance (one in a hundred)
WORTH_TELLING = 0.01  # share of the time below which a drift is of no use to anybody
NORMAL = 1.96  # standard deviations to either side that hold 95 %


class Measured(NamedTuple):
    """A print and its time: the job as it was named and to be timed, the machine with the print's material, seconds,
    whether the clock ran from the start (heating and homing included) rather than from the first move, where the time
    stands (`file:line`, or the argument), and the day (ISO, empty where nobody said).
    """

    name: str
    job: TimedJob
    machine: Machine
    seconds: float
    from_start: bool
    place: str
    day: str = ""


class Errors(NamedTuple):
    """How far off estimates are: by how much prints take longer on average (`bias_share`), and how far single ones
    scatter about that (`spread_share`, one standard deviation); both are logarithms, which are shares where small.
    """

    bias_share: float
    spread_share: float

    @property
    def off_share(self) -> float:
        """How far off a print is, usually: the root of the mean square."""
        return math.hypot(self.bias_share, self.spread_share)

    @property
    def within_share(self) -> float:
        """How far off 95 % of prints are at most."""
        return abs(self.bias_share) + NORMAL * self.spread_share


class Drift(NamedTuple):
    """By how much the last prints take longer than all before them did, against the same estimates, as a share; how
    many there are of each; and the standard error of that.
    """

    change_share: float
    latest: int
    earlier: int
    error_share: float


def errors_of(logs: Reals) -> Errors:
    """The errors of prints, ln measured − ln estimated."""
    spread = float(np.std(logs, ddof=1)) if logs.size > 1 else 0.0
    return Errors(float(np.mean(logs)), spread)


def stand_apart(logs: Reals, spread: float) -> list[bool]:
    """Which prints are too far from what the others foretell to be chance; `logs` their differences in logarithms."""
    return [bool(abs(one) > max(APART * spread, LEAST_APART)) for one in logs]


def unusable(print_: Measured, estimate: float) -> Finding | None:
    """What is wrong with a time that cannot be that of the job; None where it can. A unit is asked for, not guessed."""
    ratio = print_.seconds / estimate
    if 1.0 / FURTHEST <= ratio <= FURTHEST:
        return None
    found = f"{duration_text(print_.seconds)} for {print_.name}, of which the estimate is {duration_text(estimate)}"
    units = ((60.0, "were these hours, not minutes?"), (1.0 / 60.0, "were these seconds, not minutes?"))
    meant = next((asks for factor, asks in units if 1.0 / NEARLY <= ratio * factor <= NEARLY), "")
    return Finding(print_.place, found, "the time of this job", meant or "was another file printed, or did it stop?")


def drift_of(logs: Sequence[float]) -> Drift | None:
    """Whether the last ten prints take longer, or less, than all before them; None where that may be chance.

    `logs` ln measured − ln fitted, in the order of the days, prints that stand apart left out. The difference of two
    means is held against its standard error (Welch, Biometrika 34(1/2), 1947, from memory).
    """
    latest, earlier = np.array(logs[-LATEST:]), np.array(logs[:-LATEST])
    if earlier.size < EARLIER:
        return None
    change = float(latest.mean() - earlier.mean())
    error = math.sqrt(float(latest.var(ddof=1)) / latest.size + float(earlier.var(ddof=1)) / earlier.size)
    if abs(change) < max(SURE * error, WORTH_TELLING):
        return None
    return Drift(change, latest.size, earlier.size, error)
