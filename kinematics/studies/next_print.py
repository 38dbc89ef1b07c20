"""Which of the user's jobs to time next: the one after which the widest interval would be the narrowest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.studies.fitting import Solution
from kinematics.studies.responses import Responses
from kinematics.studies.stopwatch import NORMAL

Reals = NDArray[np.float64]

WORTH_A_PRINT = 0.99  # of the width of the interval that must be left at most for a print to be worth its time


class NextPrint(NamedTuple):
    """A job that would tell more: its number, the number of the parameter whose interval is widest now, how much of its
    width would be left, and the times between which it lies as far as is known (s).
    """

    job: int
    parameter: int
    left_share: float
    low_s: float
    high_s: float


def next_print(solution: Solution, prior: Reals, jobs: Responses, stated: Sequence[int]) -> NextPrint | None:
    """The job that narrows the widest interval most; None where none narrows it by a hundredth.

    `prior` the spreads of all parameters before any print; `stated` the parameters of which intervals are stated: the
    widest is that of the greatest standard deviation against its prior's. Where none is stated, any parameter may be
    the one of which a job would tell most. A print whose logarithm of time changes by g with the
    parameters takes Σ to Σ − Σg·gᵀΣ/(σ² + gᵀΣg), whatever its time will be (D. Lindley, Annals of Mathematical
    Statistics 27(4), 1956, on what an experiment tells; the formula for one more row of a linear model, from memory).
    """
    covariance = solution.covariance
    deviations = np.sqrt(np.diag(covariance))
    seconds, jacobian = jobs.seconds(solution.place)
    slopes = jacobian / seconds[:, np.newaxis]
    widest = [max(stated, key=lambda one: deviations[one] / prior[one])] if stated else range(prior.size)
    tried = {(j, k): _left(covariance, slope, solution.spread, k) for j, slope in enumerate(slopes) for k in widest}
    job, k = min(tried, key=tried.__getitem__)
    if tried[job, k] > WORTH_A_PRINT:
        return None
    reach = math.exp(NORMAL * math.sqrt(float(slopes[job] @ covariance @ slopes[job])))
    return NextPrint(job, k, tried[job, k], float(seconds[job]) / reach, float(seconds[job]) * reach)


def _left(covariance: Reals, slope: Reals, spread: float, k: int) -> float:
    """How much of the width of one interval is left after one more print."""
    moved = covariance @ slope
    told = float(moved[k] ** 2 / (spread**2 + slope @ moved))
    return math.sqrt(max(1.0 - told / float(covariance[k, k]), 0.0))
