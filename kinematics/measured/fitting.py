"""Which limits and overheads explain measured times best: robust least squares under weak priors, and how sure that is.

A measured time m of a print with the planned time T(x) leaves r = ln m − ln T(x). What is minimised is twice the
negative logarithm of the posterior density, Q(x) = Σ (ν + 1)·ln(1 + r²/(ν σ²)) + Σ ((x_k − b_k)/τ_k)²: residuals of
Student's t with ν degrees of freedom, so that one wrong time in ten hardly counts (K. Lange, R. Little, J. Taylor,
Journal of the American Statistical Association 84(408), 1989, from memory), and a normal prior of each parameter about
the machine file. The interval of a parameter is where Q, all others free, exceeds its least value by no more than the
square of Student's t at 97.5 % (the profile likelihood, with the quantile that an unknown σ asks for).

Which parameters are moved is chosen by leaving prints out. Those that are not stay where the machine file puts them,
and yet nobody knows that they are right: intervals are those of a fit in which they may move as well, under a tighter
prior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student

from kinematics.measured.parameters import Responses
from kinematics.studies.intervals import INSIDE

Reals = NDArray[np.float64]

TAILS = 5.0  # ν: degrees of freedom of the residuals; the fewer, the less a wrong time counts
USUAL_SPREAD = 0.025  # of times about a right estimate, where too few prints tell it (common practice, no source)
PRIOR_PRINTS = 2.0  # how many prints that is worth
LEAST_SPREAD = 0.002  # a stopwatch is no better
ROUNDS = 4  # of spread and fit in turn
HELD = 0.5  # of the spread of its prior has a parameter that the prints do not ask for
ENOUGH = 0.6  # by how much leaving one out must improve, in units of ln likelihood, for a parameter to be chosen
WIDE = 4.0 * USUAL_SPREAD  # the spread to begin with
LEAST_SCALE = 0.01  # a spread below which prints are not said to be foretold badly
MOST_LEVERAGE = 0.95
STEPS = 30  # of a search for the end of an interval
CLOSE = 0.005  # share of the quantile by which an end may be off


class Solution(NamedTuple):
    """A fit: `free` the numbers of the parameters that it moved and `prior` the spreads of all; `place` the parameters,
    `spread` of the residuals (σ), `cost` Q, `freedom` degrees of the t of intervals, `residuals` ln measured − ln
    fitted of every print, `hessian` half the second derivatives of Q over the free ones.
    """

    free: tuple[int, ...]
    prior: Reals
    place: Reals
    spread: float
    cost: float
    freedom: float
    residuals: Reals
    hessian: Reals

    @property
    def covariance(self) -> Reals:
        """Of the free parameters, in their own coordinates."""
        return np.asarray(np.linalg.inv(self.hessian))


class Fitting:
    """Measured times held against responses: fits with some parameters free, the rest where the machine file is."""

    def __init__(self, responses: Responses, measured: Reals) -> None:
        """`measured` times of the prints (s)."""
        self.responses = responses
        self._logs = np.log(measured)
        self.base = np.array([one.base for one in responses.parameters])
        self.prior = np.array([one.spread for one in responses.parameters])
        self._every = np.ones(self._logs.size, bool)

    @property
    def prints(self) -> int:
        """How many there are."""
        return int(self._logs.size)

    def residuals(self, place: Reals) -> Reals:
        """The logarithm of measured times less that of fitted ones."""
        seconds, _ = self.responses.seconds(place)
        return np.asarray(self._logs - np.log(seconds))

    def minimum(
        self, free: Sequence[int], prior: Reals, start: Reals, spread: float, used: NDArray[np.bool_]
    ) -> tuple[Reals, float]:
        """The place of least Q from a start, and Q there; only prints that are `used` count."""
        chosen = list(free)
        if not chosen:
            return start, _cost(self.residuals(start)[used] / spread)
        scale, base = prior[chosen], self.base[chosen]
        n = int(used.sum())

        def place_of(steps: Reals) -> Reals:
            place = start.copy()
            place[chosen] = base + scale * steps
            return place

        def rows(steps: Reals) -> Reals:
            return np.concatenate([self.residuals(place_of(steps))[used] / spread, steps])

        def slopes(steps: Reals) -> Reals:
            seconds, jacobian = self.responses.seconds(place_of(steps))
            falling = -jacobian[:, chosen] / seconds[:, np.newaxis] * (scale / spread)
            return np.vstack([falling[used], np.eye(len(chosen))])

        def weighed(squares: Reals) -> Reals:
            data = squares[:n] / TAILS
            loss = np.stack([squares, np.ones_like(squares), np.zeros_like(squares)])
            loss[0, :n], loss[1, :n] = (TAILS + 1.0) * np.log1p(data), (TAILS + 1.0) / TAILS / (1.0 + data)
            loss[2, :n] = -(TAILS + 1.0) / TAILS**2 / (1.0 + data) ** 2
            return loss

        box = self.responses.box
        least, most = (box.least[chosen] - base) / scale, (box.most[chosen] - base) / scale
        margin = 1e-6 * (most - least)
        begin = np.clip((start[chosen] - base) / scale, least + margin, most - margin)
        found = least_squares(rows, begin, slopes, (least, most), loss=weighed, xtol=1e-7, ftol=1e-8, gtol=1e-8)
        return place_of(found.x), 2.0 * float(found.cost)

    def _slopes(self, free: Sequence[int], place: Reals, spread: float) -> Reals:
        """How ln fitted changes with the free parameters, in units of the spread: float64[prints, free]."""
        seconds, jacobian = self.responses.seconds(place)
        return np.asarray(jacobian[:, list(free)] / seconds[:, np.newaxis] / spread)

    def _hessian(self, free: Sequence[int], prior: Reals, place: Reals, spread: float) -> tuple[Reals, float]:
        """Half the second derivatives of Q over the free parameters (Gauss and Newton's), and how many of these the
        prints decide rather than the priors.
        """
        rows = self._slopes(free, place, spread)
        told = rows.T @ (rows * _weights(self.residuals(place) / spread)[:, np.newaxis])
        whole = told + np.diag(prior[list(free)] ** -2.0)
        return whole, float(np.trace(np.linalg.solve(whole, told))) if len(free) else 0.0

    def _spread(self, residuals: Reals, before: float, decided: float) -> float:
        """The spread of residuals, each with the weight that it has under the one before; some prints are spent on
        parameters, and a usual spread is worth a few more.
        """
        squares = float(_weights(residuals / before) @ residuals**2) + PRIOR_PRINTS * USUAL_SPREAD**2
        left = max(residuals.size - decided, 0.0) + PRIOR_PRINTS
        return max(math.sqrt(squares / left), LEAST_SPREAD)

    def solve(self, free: Sequence[int], prior: Reals | None = None, start: Solution | None = None) -> Solution:
        """The fit with some parameters free: spread and parameters in turn, the spread from wide to narrow."""
        prior = self.prior if prior is None else prior
        place, spread = (self.base.copy(), WIDE) if start is None else (start.place, start.spread)
        cost, decided = 0.0, 0.0
        for _ in range(ROUNDS if start is None else ROUNDS - 2):
            place, cost = self.minimum(free, prior, place, spread, self._every)
            _, decided = self._hessian(free, prior, place, spread)
            spread = self._spread(self.residuals(place), spread, decided)
        place, cost = self.minimum(free, prior, place, spread, self._every)
        hessian, decided = self._hessian(free, prior, place, spread)
        freedom = max(self.prints - decided, 0.0) + PRIOR_PRINTS
        return Solution(tuple(free), prior, place, spread, cost, freedom, self.residuals(place), hessian)

    def with_others_held(self, chosen: Sequence[int], start: Solution) -> Solution:
        """The fit of which intervals are told: all parameters may move, those that were not chosen under a tighter
        prior.
        """
        every = range(self.prior.size)
        tight = np.array([self.prior[k] if k in chosen else HELD * self.prior[k] for k in every])
        return self.solve(every, tight, start)

    def left_out(self, solution: Solution) -> Reals:
        """The logarithm of each measured time less that of a fit to the other prints."""
        found = np.empty(self.prints)
        for i in range(self.prints):
            used = np.arange(self.prints) != i
            place, _ = self.minimum(solution.free, solution.prior, solution.place, solution.spread, used)
            found[i] = self.residuals(place)[i]
        return found

    def nearly_left_out(self, solution: Solution) -> Reals:
        """What `left_out` would find, by one step of Gauss and Newton from the fit to all: r/(1 − h), h the leverage of
        each print (R. Cook, S. Weisberg, Residuals and Influence in Regression, 1982, from memory).
        """
        if not solution.free:
            return solution.residuals
        rows = self._slopes(solution.free, solution.place, solution.spread)
        leverage = np.einsum("ij,jk,ik->i", rows, solution.covariance, rows)
        leverage *= _weights(solution.residuals / solution.spread)
        return np.asarray(solution.residuals / (1.0 - np.minimum(leverage, MOST_LEVERAGE)))

    def interval(self, solution: Solution, k: int) -> tuple[float, float]:
        """The ends of the interval of one free parameter, in its own coordinate; no further than the box."""
        others = [one for one in solution.free if one != k]
        place = solution.free.index(k)
        quantile = float(student.ppf(0.5 + INSIDE / 2.0, solution.freedom))
        step = quantile * math.sqrt(solution.covariance[place, place])
        ends = (self.responses.box.least[k], self.responses.box.most[k])
        low, high = (self._end(solution, k, others, quantile, sign * step, float(ends[sign > 0])) for sign in (-1, 1))
        return low, high

    def _end(
        self, solution: Solution, k: int, others: Sequence[int], quantile: float, step: float, bound: float
    ) -> float:
        """Where on one side the root of Q's rise reaches a quantile: step by step, then by false position (that root is
        nearly straight).
        """
        at, start = float(solution.place[k]), solution.place
        inside, outside = (at, 0.0), None
        for _ in range(STEPS):
            if outside is None:
                value = inside[0] + step * max(1.0 - inside[1] / quantile, 0.1)
                value = min(value, bound) if step > 0.0 else max(value, bound)
            else:
                share = (quantile - inside[1]) / (outside[1] - inside[1])
                value = inside[0] + min(max(share, 0.02), 0.98) * (outside[0] - inside[0])
            place = start.copy()
            place[k] = value
            place, cost = self.minimum(others, solution.prior, place, solution.spread, self._every)
            cost += ((value - self.base[k]) / solution.prior[k]) ** 2
            risen = math.sqrt(max(cost - solution.cost, 0.0))
            if abs(risen - quantile) < CLOSE * quantile:
                return value
            if risen > quantile:
                outside = (value, risen)
            elif value == bound:
                return bound
            else:
                inside, start = (value, risen), place
        return inside[0]

    def chosen(self, candidates: Sequence[int], full: Solution) -> list[int]:
        """The parameters that leaving one print out after the other asks for, the one that helps most first."""
        scale = max(full.spread, LEAST_SCALE)
        solution = self.solve(())
        best = self.foretold(solution, scale)
        while left := [k for k in candidates if k not in solution.free]:
            tried = {k: self.solve((*solution.free, k), start=solution) for k in left}
            k = min(tried, key=lambda one: self.foretold(tried[one], scale))
            now = self.foretold(tried[k], scale)
            if now > best - ENOUGH:
                break
            best, solution = now, tried[k]
        return list(solution.free)

    def foretold(self, solution: Solution, scale: float) -> float:
        """How badly prints were foretold by the others: minus the logarithm of their likelihood."""
        return 0.5 * _cost(self.nearly_left_out(solution) / scale)


def _weights(scaled: Reals) -> Reals:
    """How much each residual counts, in units of the spread."""
    return np.asarray((TAILS + 1.0) / (TAILS + scaled**2))


def _cost(scaled: Reals) -> float:
    """What residuals add to Q."""
    return float((TAILS + 1.0) * np.log1p(scaled**2 / TAILS).sum())
