"""What a simulated run comes to: parts a day, use of printers, lateness, and what parts cost; intervals of runs;
and which rule serves a shop best: fewest orders late, then most parts a day.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.business.economics import (
    COST_PARTS,
    SECONDS_AN_HOUR,
    WATTS_A_KILOWATT,
    energy_per_hour,
    not_counted,
    wear_per_hour,
)
from kinematics.business.floor import (
    FAILED,
    FILLINGS,
    HANDS,
    ONE,
    PRINTING,
    RULES,
    SPOOL,
    SPOOL_WAITING,
    WAITING,
    Run,
    simulate,
)
from kinematics.business.plan import ShopPlan
from kinematics.business.staffed import SAME_MOMENT
from kinematics.jobs.timing import Result

if TYPE_CHECKING:
    from kinematics.business.tables import Order


SECONDS_A_DAY = 86400.0
MIDDLE = (5.0, 95.0)  # per cent of the runs that an interval spans
# Columns of what was spent on an order.
ENERGY, ENERGY_COST, FILAMENT_COST, MACHINE_COST, LABOUR_COST = range(5)


class RunsInterval(NamedTuple):
    """Mean over the runs, and between what the middle nine tenths of them lie."""

    mean: float
    low: float
    high: float


class Moments(NamedTuple):
    """A moment (s) in the middle one of the runs, and between what the middle nine tenths of them lie."""

    middle: float
    low: float
    high: float


class Use(NamedTuple):
    """What a printer's time was spent on, as shares: printing (failed prints too), waiting for people while nobody is
    there (or not for long enough), or while hands are busy, hands at work on it, and nothing that it may print.
    """

    name: str
    printing: float
    nobody_there: float
    hands_busy: float
    hands: float
    idle: float


class RunSums(NamedTuple):
    """Sums of one run: `finished` when the last part is done (s), `parts_per_day`, `use` float64[stations, 4] shares as
    in `Use`, `done` when each order is (s), `late` hours that orders are late together, `late_orders` how many are,
    `spent` float64[orders, 5] kWh and costs.
    """

    finished: float
    parts_per_day: float
    use: NDArray[np.float64]
    done: NDArray[np.float64]
    late: float
    late_orders: int
    spent: NDArray[np.float64]


class OrderSums(NamedTuple):
    """What an order comes to: when it is done (s), hours late, in which share of the runs it is late, and for a part
    energy (kWh) and its cost, filament, machine and labour, prints that fail and spool changes included; `not_counted`
    the parts of the cost that are nothing only because a key or filament_g is not given.
    """

    done_s: Moments
    late_h: RunsInterval
    late_share: float
    energy_kwh: float
    energy_cost: float
    filament_cost: float
    machine_cost: float
    labour_cost: float
    not_counted: tuple[str, ...]

    @property
    def part_cost(self) -> float:
        """What a part costs."""
        return math.fsum((self.energy_cost, self.filament_cost, self.machine_cost, self.labour_cost))

    def row(self, order: Order) -> dict[str, Any]:
        """The same as plain data, with units in the names; moments in s since 1970; no lateness without a date."""
        no_date = order.due is None
        return {
            "order": order.name,
            "job": order.job,
            "quantity": order.quantity,
            "copies": order.copies or "auto",
            "done_s": self.done_s.middle,
            "late_h": None if no_date else self.late_h.mean,
            "late_low_h": None if no_date else self.late_h.low,
            "late_high_h": None if no_date else self.late_h.high,
            "late_share": None if no_date else self.late_share,
            "energy_kwh_per_part": self.energy_kwh,
            "energy_cost_per_part": self.energy_cost,
            "filament_cost_per_part": self.filament_cost,
            "machine_cost_per_part": self.machine_cost,
            "labour_cost_per_part": self.labour_cost,
            "cost_per_part": self.part_cost,
            "not_counted": list(self.not_counted),
        }


def interval_of(values: NDArray[np.float64]) -> RunsInterval:
    """Mean and the middle nine tenths of values, one a run."""
    low, high = np.percentile(values, MIDDLE)
    return RunsInterval(float(values.mean()), float(low), float(high))


def moments_of(values: NDArray[np.float64]) -> Moments:
    """Middle and bounds of moments, one a run: each a moment of some run, for a mean may lie where nobody is there."""
    low, middle, high = np.percentile(values, (MIDDLE[0], 50.0, MIDDLE[1]), method="nearest")
    return Moments(float(middle), float(low), float(high))


def sums_of(run: Run, plan: ShopPlan, start: float) -> RunSums:
    """The sums of a run that began at `start` (s)."""
    done = np.array([moments[-1] for moments in run.done])
    finished = float(done.max())
    parts = sum(len(moments) for moments in run.done)
    use = np.zeros((len(plan.stations), 4))
    spent = np.zeros((len(plan.wanted), 5))
    for bar in run.bars:
        seconds = bar.ends - bar.begins
        station = plan.stations[bar.station]
        machine = plan.machines[bar.order][bar.station]
        economy = machine.economy
        hours = seconds / SECONDS_AN_HOUR
        if bar.what in (PRINTING, FAILED):
            use[bar.station, 0] += seconds
            grams = bar.copies * plan.wanted[bar.order].grams[bar.station]
            spent[bar.order] += (
                hours * (economy.power_w or 0.0) / WATTS_A_KILOWATT,
                hours * energy_per_hour(economy),
                grams / 1000.0 * (machine.filament.price_per_kg or 0.0),
                hours * (wear_per_hour(economy) or 0.0),
                0.0,
            )
        elif bar.what in (WAITING, SPOOL_WAITING):
            work = station.turnaround if bar.what == WAITING else station.spool_change
            busy = station.staff.staffed_between(bar.begins, bar.ends, work)
            use[bar.station, 1:3] += (seconds - busy, busy)
        elif bar.what in (HANDS, SPOOL):
            use[bar.station, 3] += seconds
            spent[bar.order, LABOUR_COST] += hours * (economy.labour_cost_per_hour or 0.0)
    horizon = max(finished - start, 1e-9)
    due = np.array([one.due for one in plan.wanted])
    late = _hours_late(done, due)
    rate = parts / horizon * SECONDS_A_DAY
    return RunSums(finished, rate, use / horizon, done, float(late.sum()), int((late > 0.0).sum()), spent)


def _hours_late(done: NDArray[np.float64], due: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Hours by which moments are later than they should be; none for what is done as it is due."""
    return np.where(done > due + SAME_MOMENT, done - due, 0.0) / SECONDS_AN_HOUR


def uses_of(sums: Sequence[RunSums], plan: ShopPlan) -> tuple[Use, ...]:
    """The use of every printer, mean over the runs."""
    mean = np.mean([one.use for one in sums], axis=0)
    return tuple(
        Use(station.name, float(row[0]), float(row[1]), float(row[2]), float(row[3]), max(1.0 - float(row.sum()), 0.0))
        for station, row in zip(plan.stations, mean, strict=True)
    )


def order_sums(sums: Sequence[RunSums], plan: ShopPlan) -> tuple[OrderSums, ...]:
    """What every order comes to, over the runs."""
    found = []
    spent = np.mean([one.spent for one in sums], axis=0)
    for number, wanted in enumerate(plan.wanted):
        done = np.array([one.done[number] for one in sums])
        late = _hours_late(done, wanted.due)
        of_part = spent[number] / wanted.quantity
        found.append(
            OrderSums(
                done_s=moments_of(done),
                late_h=interval_of(late),
                late_share=float((late > 0.0).mean()),
                energy_kwh=float(of_part[ENERGY]),
                energy_cost=float(of_part[ENERGY_COST]),
                filament_cost=float(of_part[FILAMENT_COST]),
                machine_cost=float(of_part[MACHINE_COST]),
                labour_cost=float(of_part[LABOUR_COST]),
                not_counted=_not_counted(plan, number),
            )
        )
    return tuple(found)


def _not_counted(plan: ShopPlan, number: int) -> tuple[str, ...]:
    """The parts of an order's cost that some printer of it counts as nothing because they are not given."""
    order, missing = plan.orders[number], set[str]()
    for machine, seconds in zip(plan.machines[number], plan.wanted[number].seconds, strict=True):
        if seconds < math.inf:
            told = not_counted(machine)
            if order.grams is not None and machine.filament.price_per_kg is not None:
                told.pop("filament", None)  # told by the gram, so that no density is needed
            missing |= told.keys()
    if order.job is None and order.grams is None:
        missing.add("filament")
    return tuple(part for part in COST_PARTS if part in missing)


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


def _until_interrupted(work: Iterable[Result], keeps: bool) -> tuple[list[Result], bool]:
    """What some work brings, one after the other, and whether it was interrupted; only where it `keeps` what is done is
    that taken for an answer.
    """
    found: list[Result] = []
    try:
        for one in work:
            found.append(one)
    except KeyboardInterrupt:
        if not keeps:
            raise
        return found, True
    return found, False


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

    first = run_of(0)  # of the others their sums alone: bars of a year's runs are many
    others = (sums_of(run_of(number), plan, given.start) for number in range(1, runs_of(plan, given)))
    found, cut_short = _until_interrupted(others, keeps)
    sums = [sums_of(first, plan, given.start), *found]
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
    if best.cut_short:
        return best
    found, cut_short = _until_interrupted((under_rule(plan, given, rule, filling) for rule in others), keeps)
    tried = (best.tried[0], *(one.tried[0] for one in found))
    for other in found:
        if is_better(other.tried[0], best.tried[0]):
            best = other
    return best._replace(tried=tried, cut_short=cut_short)


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
    first = _best_rule(plan, given, one, keeps)
    others = () if first.cut_short else fillings
    found, cut_short = _until_interrupted((_best_rule(plan, given, filling) for filling in others), keeps)
    return best_filling([first, *found])._replace(cut_short=first.cut_short or cut_short)
