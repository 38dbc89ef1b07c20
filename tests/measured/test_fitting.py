"""The likelihood of a fit, its intervals and what is chosen, each by a second method."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq, minimize

from kinematics.measured.explanations import WORTH_A_PRINT, next_print
from kinematics.measured.fitting import HELD, INSIDE, TAILS, Fitting, Solution
from kinematics.measured.parameters import Responses
from tests.measured.fitted_machines import COUNT, NOISE, PARAMETERS, responses_of_all

SLOW = np.array([-0.7, 0.0, 0.0, 0.0, 90.0, 0.3, 0.0])


def prints(printed: list[int]) -> Responses:
    """Some prints of the jobs of the fitted machines."""
    known = responses_of_all()
    return Responses(PARAMETERS, known.box, known.surfaces, printed, [True] * len(printed))


@cache
def fitting(seed: int = 1, count: int = 14, wrong: float = 1.0) -> Fitting:
    """Prints on the slow machine, of which the third may be wrong by a factor."""
    chance = np.random.default_rng(seed)
    responses = prints([i % 14 for i in range(count)])
    times = responses.seconds(SLOW)[0] * np.exp(NOISE * chance.normal(size=count))
    times[2] *= wrong
    return Fitting(responses, times)


@cache
def solved(free: tuple[int, ...] = (0, 4, 5)) -> Solution:
    """Its fit with some parameters free."""
    return fitting().solve(free)


def density(place: np.ndarray, one: Solution, free: tuple[int, ...]) -> float:
    """Twice the negative logarithm of the posterior density, by scipy's distributions, with the constants left out."""
    scaled = fitting().residuals(place) / one.spread
    data = stats.t.logpdf(scaled, TAILS) - stats.t.logpdf(0.0, TAILS)
    steps = (place - fitting().base)[list(free)] / one.prior[list(free)]
    return float(-2.0 * data.sum() + (steps**2).sum())


def test_the_cost_is_that_of_the_distributions() -> None:
    one = solved()
    assert one.cost == pytest.approx(density(one.place, one, one.free), rel=1e-9)


def test_the_place_is_the_least_that_another_method_finds() -> None:
    one = solved()
    scale = one.prior[list(one.free)]

    def cost(steps: np.ndarray) -> float:
        place = fitting().base.copy()
        place[list(one.free)] += steps * scale
        return density(place, one, one.free) if np.all(place[3:] >= 0.0) else 1e9

    found = minimize(
        cost, np.full(3, 0.3), method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8, "maxiter": 5000}
    )
    assert one.cost == pytest.approx(found.fun, abs=1e-4)
    assert one.place[list(one.free)] == pytest.approx(found.x * scale, rel=2e-3)


def test_an_interval_ends_where_the_profile_reaches_the_quantile() -> None:
    one = solved((0, 4))
    low, high = fitting().interval(one, 0)
    quantile = stats.t.ppf(0.5 + INSIDE / 2.0, one.freedom)

    def profile(value: float) -> float:
        def cost(startup: float) -> float:
            place = fitting().base.copy()
            place[0], place[4] = value, startup
            return density(place, one, (0, 4))

        return float(minimize(lambda at: cost(abs(float(at[0]))), [one.place[4]], method="Nelder-Mead").fun)

    depth = one.cost + quantile**2
    assert low == pytest.approx(brentq(lambda at: profile(at) - depth, one.place[0] - 1.0, one.place[0]), abs=0.01)
    assert high == pytest.approx(brentq(lambda at: profile(at) - depth, one.place[0], one.place[0] + 1.0), abs=0.01)


def test_the_truth_is_found() -> None:
    one = solved()
    deviations = np.sqrt(np.diag(one.covariance))
    assert np.all(np.abs(one.place - SLOW)[list(one.free)] < 3.0 * deviations)
    assert 0.01 < one.spread < 0.035


def test_leaving_out_by_one_step_is_nearly_leaving_out() -> None:
    one = solved()
    assert fitting().nearly_left_out(one) == pytest.approx(fitting().left_out(one), abs=0.004)


def test_what_is_chosen_is_what_is_there() -> None:
    every = range(COUNT)
    chosen = fitting().chosen(every, fitting().solve(every))
    assert set(chosen) <= {0, 1, 4, 5}
    assert {0, 4} <= set(chosen)


def test_a_machine_that_is_as_its_file_says_is_left_alone() -> None:
    responses = prints(list(range(12)))
    times = responses.seconds(np.zeros(COUNT))[0] * np.exp(NOISE * np.random.default_rng(5).normal(size=12))
    right = Fitting(responses, times)
    assert right.chosen(range(COUNT), right.solve(range(COUNT))) == []


def test_a_wrong_time_hardly_counts() -> None:
    right, wrong = solved(), fitting(wrong=2.0).solve((0, 4, 5))
    low, high = fitting().interval(right, 0)
    assert low < wrong.place[0] < high
    assert wrong.residuals[2] == pytest.approx(np.log(2.0) + right.residuals[2], abs=0.02)


def test_parameters_that_were_not_chosen_widen_the_intervals_of_those_that_were() -> None:
    alone = solved((0, 4))
    held = fitting().with_others_held([0, 4], alone)
    narrow, wide = (fitting().interval(one, 0) for one in (alone, held))
    assert wide[1] - wide[0] > narrow[1] - narrow[0]
    assert held.prior[1] == HELD * fitting().prior[1]


def test_the_next_print_is_the_one_whose_row_narrows_most() -> None:
    """The formula of one more row against the whole matrix made anew."""
    held = fitting().with_others_held([0, 4], solved((0, 4)))
    jobs = prints(list(range(14)))
    found = next_print(held, fitting().prior, jobs, [0, 4])
    seconds, jacobian = jobs.seconds(held.place)
    deviations = np.sqrt(np.diag(held.covariance))
    k = max((0, 4), key=lambda one: deviations[one] / fitting().prior[one])
    left = []
    for slope in jacobian / seconds[:, np.newaxis]:
        more = np.linalg.inv(held.hessian + np.outer(slope, slope) / held.spread**2)
        left.append(float(np.sqrt(more[k, k])) / deviations[k])
    assert found is not None
    assert (found.parameter, found.job) == (k, int(np.argmin(left)))
    assert found.left_share == pytest.approx(min(left))
    assert found.low_s < seconds[found.job] < found.high_s


def test_no_print_is_proposed_where_none_tells_anything() -> None:
    held = fitting().with_others_held([0, 4], solved((0, 4)))
    sharp = held._replace(spread=10.0)
    assert next_print(sharp, fitting().prior, prints([0, 1]), [0, 4]) is None
    assert WORTH_A_PRINT < 1.0
