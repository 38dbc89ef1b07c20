"""Which rule serves a shop best? Each is simulated: fewest orders late, then most parts a day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kinematics.business.floor import RULES, Run, simulate
from kinematics.business.plan import ShopPlan
from kinematics.business.sums import RunSums, moments_of, sums_of

SAME_RATE = 1e-9  # share of parts a day below which two rules are alike: the one that stands first in RULES is taken


class Given(NamedTuple):
    """What every simulation of a shop shares: people, when it starts (s), and the chance and number of runs."""

    people: int
    start: float
    seed: int
    runs: int


class RuleSums(NamedTuple):
    """What a rule comes to: orders that are late and parts a day (mean over the runs), and when everything is done (s,
    in the middle one of them).
    """

    rule: str
    late_orders: float
    parts_per_day: float
    finished_s: float


class Served(NamedTuple):
    """A shop under a rule: `sums` run by run, the first run, and what each rule that was tried comes to."""

    rule: str
    sums: tuple[RunSums, ...]
    first: Run
    tried: tuple[RuleSums, ...]


def under_rule(plan: ShopPlan, given: Given, rule: str) -> Served:
    """Simulate a plan under one rule; a single run where nothing is left to chance."""
    chance = any(station.failed_share > 0.0 for station in plan.stations)

    def run_of(number: int) -> Run:
        return simulate(plan.stations, plan.wanted, given.people, given.start, (given.seed, number), rule)

    first = run_of(0)
    sums = [sums_of(first, plan, given.start)]  # of each run alone: bars of a year's runs are many
    sums += [sums_of(run_of(number), plan, given.start) for number in range(1, given.runs if chance else 1)]
    return Served(rule, tuple(sums), first, (_told(rule, sums),))


def _told(rule: str, sums: Sequence[RunSums]) -> RuleSums:
    late = float(np.mean([one.late_orders for one in sums]))
    rate = float(np.mean([one.parts_per_day for one in sums]))
    return RuleSums(rule, late, rate, moments_of(np.array([one.finished for one in sums])).middle)


def under_best_rule(plan: ShopPlan, given: Given) -> Served:
    """Simulate a plan under every rule, with the same draws of failures, and keep the best."""
    best, *others = [under_rule(plan, given, rule) for rule in RULES]
    tried = [best.tried[0], *(other.tried[0] for other in others)]
    for other in others:
        (mine,), (told,) = best.tried, other.tried
        fewer = told.late_orders < mine.late_orders
        more = told.parts_per_day > mine.parts_per_day * (1.0 + SAME_RATE)
        if fewer or (told.late_orders == mine.late_orders and more):
            best = other
    return best._replace(tried=tuple(tried))
