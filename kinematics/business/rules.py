"""Which rule serves a shop best? Each is simulated: fewest orders late, then most parts a day."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from kinematics.business.floor import FILLINGS, ONE, RULES, Run, simulate
from kinematics.business.plan import ShopPlan
from kinematics.business.sums import RunSums, moments_of, sums_of

SAME_RATE = 1e-9  # share of parts a day below which two rules are alike: the one that stands first in RULES is taken


class Given(NamedTuple):
    """What every simulation of a shop shares: people, when it starts (s), and the chance and number of runs; `hear` is
    told which share of the run under way is done, 1 at its end.
    """

    people: int
    start: float
    seed: int
    runs: int
    hear: Callable[[float], None] = lambda _: None


class RuleSums(NamedTuple):
    """What a rule comes to: orders that are late and parts a day (mean over the runs), and when everything is done (s,
    in the middle one of them).
    """

    rule: str
    late_orders: float
    parts_per_day: float
    finished_s: float


class Served(NamedTuple):
    """A shop under a rule: `sums` run by run, the first run, and what each rule that was tried comes to; how many
    copies of orders that leave it open are printed at a time, and what each such way comes to under its best rule.
    `cut_short` whether that was interrupted, and more runs, rules or ways were to be tried.
    """

    rule: str
    sums: tuple[RunSums, ...]
    first: Run
    tried: tuple[RuleSums, ...]
    filling: str = ONE
    filled: tuple[tuple[str, RuleSums], ...] = ()
    cut_short: bool = False


def runs_of(plan: ShopPlan, given: Given) -> int:
    """How many runs a plan is simulated for under a rule: a single one where nothing is left to chance."""
    return given.runs if any(station.may_fail for station in plan.stations) else 1


def under_rule(plan: ShopPlan, given: Given, rule: str, filling: str = ONE, keeps: bool = False) -> Served:
    """Simulate a plan under one rule and filling; interrupted, `keeps` says that the runs that are done will do."""
    pieces = sum(order.quantity for order in plan.wanted)

    def run_of(number: int) -> Run:
        found = simulate(
            plan.stations,
            plan.wanted,
            given.people,
            given.start,
            (given.seed, number),
            rule,
            filling,
            lambda done: given.hear(done / pieces),
        )
        given.hear(1.0)
        return found

    first = run_of(0)
    sums = [sums_of(first, plan, given.start)]  # of each run alone: bars of a year's runs are many
    cut_short = False
    try:
        for number in range(1, runs_of(plan, given)):
            sums.append(sums_of(run_of(number), plan, given.start))
    except KeyboardInterrupt:
        if not keeps:
            raise
        cut_short = True
    return Served(rule, tuple(sums), first, (_told(rule, sums),), filling, cut_short=cut_short)


def _told(rule: str, sums: Sequence[RunSums]) -> RuleSums:
    late = float(np.mean([one.late_orders for one in sums]))
    rate = float(np.mean([one.parts_per_day for one in sums]))
    return RuleSums(rule, late, rate, moments_of(np.array([one.finished for one in sums])).middle)


def is_better(other: RuleSums, one: RuleSums) -> bool:
    """Whether fewer orders are late, or as many and more parts are made a day."""
    more = other.parts_per_day > one.parts_per_day * (1.0 + SAME_RATE)
    return other.late_orders < one.late_orders or (other.late_orders == one.late_orders and more)


def _best_rule(plan: ShopPlan, given: Given, filling: str, keeps: bool = False) -> Served:
    """A plan under every rule, with the same draws of failures, and the best kept; `keeps` as in `under_rule`."""
    first, *others = RULES
    best = under_rule(plan, given, first, filling, keeps)
    tried, cut_short = list(best.tried), best.cut_short
    try:
        for rule in [] if cut_short else others:
            other = under_rule(plan, given, rule, filling)
            tried += other.tried
            if is_better(other.tried[0], best.tried[0]):
                best = other
    except KeyboardInterrupt:
        if not keeps:
            raise
        cut_short = True
    return best._replace(tried=tuple(tried), cut_short=cut_short)


def told_of(served: Served) -> RuleSums:
    """What the rule comes to under which a shop is served."""
    return next(one for one in served.tried if one.rule == served.rule)


def best_filling(of_each: Sequence[Served]) -> Served:
    """The best of a plan under several fillings, the first among equals; with what each comes to."""
    best = of_each[0]
    for other in of_each[1:]:
        if is_better(told_of(other), told_of(best)):
            best = other
    return best._replace(filled=tuple((one.filling, told_of(one)) for one in of_each))


def under_best_rule(plan: ShopPlan, given: Given, keeps: bool = False) -> Served:
    """Simulate a plan under every rule, where orders leave the number of copies open with each way to fill the bed, and
    keep the best; `keeps` as in `under_rule`.
    """
    if all(order.copies > 0 for order in plan.wanted):
        return _best_rule(plan, given, ONE, keeps)
    one, *fillings = FILLINGS
    found = [_best_rule(plan, given, one, keeps)]
    cut_short = found[0].cut_short
    try:
        for filling in [] if cut_short else fillings:
            found.append(_best_rule(plan, given, filling))
    except KeyboardInterrupt:
        if not keeps:
            raise
        cut_short = True
    return best_filling(found)._replace(cut_short=cut_short)
