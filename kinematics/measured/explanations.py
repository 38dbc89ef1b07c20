"""What could explain the one print that was timed: every parameter by itself, in the order of likelihood; and which of
the user's jobs to time next: the one after which the widest interval would be the narrowest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from kinematics.jobs.timing import Reals
from kinematics.measured.fitting import USUAL_SPREAD, Solution
from kinematics.measured.parameters import (
    FITTED_COMMANDS,
    FITTED_CORNER,
    FITTED_LAYER,
    FITTED_PRINT,
    FITTED_RETRACTION,
    FITTED_START_UP,
    FITTED_TRAVEL,
    LIMIT_PARAMETER,
    Parameter,
    Responses,
)
from kinematics.measured.stopwatch import SPREADS_OF_95

# What a maker can do to find out which it is.
TESTS: Mapping[str, str] = {
    FITTED_START_UP: "look at the clock at the first move of the next print as well",
    FITTED_PRINT: "time a job of long straight lines: it should come out right",
    FITTED_TRAVEL: "time a job that hardly travels, such as a vase: it should come out right",
    FITTED_CORNER: "time a round part with few corners: it should come out right",
    FITTED_COMMANDS: "time the same part with coarser curves, or with arcs: it should come out right",
    FITTED_LAYER: "time a job of few layers: it should come out right",
    FITTED_RETRACTION: "time a job that hardly retracts: it should come out right",
}
LEAST_SHARE = 1e-3  # of the time: what changes less by a parameter over all of its prior does not hang on it


class Explanation(NamedTuple):
    """One parameter that would explain the time: its name and key, its value now and then (None: holds nothing back),
    how likely it is among all of them (their shares and that of chance sum to 1), and the test that would tell.

    `reaches_s` the time at the end of what is looked at, where it does not explain all (None where it does).
    """

    name: str
    key: str
    before: float | None
    value: float | None
    likely_share: float
    reaches_s: float | None
    test: str


class Explanations(NamedTuple):
    """All of them, the likeliest first, and how likely it is that nothing but chance is behind it."""

    found: tuple[Explanation, ...]
    chance_share: float


def explanations_of(responses: Responses, measured: float) -> Explanations:
    """What would explain the time of the first print, each parameter alone.

    How likely one is: the density of its prior at the value that it would need, times how much of that value one second
    more stands for (the evidence by Laplace's approximation: D. MacKay, Information Theory, Inference, and Learning
    Algorithms, 2003, chapter 28, from memory). Chance is the density of the usual spread at the difference.
    """
    base = np.array([one.base for one in responses.parameters])

    def rest(value: float, k: int) -> float:
        place = base.copy()
        place[k] = value
        return float(np.log(responses.seconds(place)[0][0] / measured))

    now = rest(float(base[0]), 0)
    chance = math.exp(-0.5 * (now / USUAL_SPREAD) ** 2) / USUAL_SPREAD
    weighed: list[tuple[float, Explanation]] = []
    for k, one in enumerate(responses.parameters):
        ends = [end for end in (one.least, one.most) if abs(rest(end, k) - now) > LEAST_SHARE]
        nearer = [end for end in ends if abs(rest(end, k)) < abs(now) or rest(end, k) * now < 0.0]
        if not nearer:
            continue
        end = min(nearer, key=lambda value: rest(value, k) * math.copysign(1.0, now))
        if rest(end, k) * now > 0.0:
            reaches = measured * math.exp(rest(end, k))
            weighed.append((0.0, _explanation(one, end, reaches)))
            continue
        needed = float(brentq(rest, one.base, end, (k,), xtol=1e-9 * abs(end - one.base)))
        step = 1e-4 * (end - one.base)
        slope = abs(rest(needed + step, k) - rest(needed - step, k)) / abs(2.0 * step)
        sides = (
            1.0 if one.kind == LIMIT_PARAMETER or one.base > 0.0 else 2.0
        )  # of an overhead that is 0 so far: only upwards
        density = sides * math.exp(-0.5 * ((needed - one.base) / one.spread) ** 2) / one.spread
        weight = density / max(slope, 1e-9)
        weighed.append((weight, _explanation(one, needed, None)))
    whole = chance + sum(weight for weight, _ in weighed)
    weighed.sort(key=lambda pair: (-pair[0], pair[1].reaches_s is not None))
    found = tuple(one._replace(likely_share=weight / whole) for weight, one in weighed)
    return Explanations(found, chance / whole)


def _explanation(one: Parameter, place: float, reaches: float | None) -> Explanation:
    return Explanation(one.name, one.keys[0], one.value(one.base), one.value(place), 0.0, reaches, TESTS[one.name])


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
    reach = math.exp(SPREADS_OF_95 * math.sqrt(float(slopes[job] @ covariance @ slopes[job])))
    return NextPrint(job, k, tried[job, k], float(seconds[job]) / reach, float(seconds[job]) * reach)


def _left(covariance: Reals, slope: Reals, spread: float, k: int) -> float:
    """How much of the width of one interval is left after one more print."""
    moved = covariance @ slope
    told = float(moved[k] ** 2 / (spread**2 + slope @ moved))
    return math.sqrt(max(1.0 - told / float(covariance[k, k]), 0.0))
