"""How many parts a day, and by when? Orders on a list of printers, simulated again and again."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.business.floor import FILLINGS, FULL, NIGHT, RULES, FloorOrder, Run
from kinematics.business.plan import Clock, ShopPlan, plan_of
from kinematics.business.staffed import Staff
from kinematics.business.sums import (
    Given,
    Moments,
    OrderSums,
    RuleSums,
    RunsInterval,
    Served,
    Use,
    best_filling,
    interval_of,
    moments_of,
    order_sums,
    runs_of,
    under_best_rule,
    under_rule,
    uses_of,
)
from kinematics.business.tables import AUTO, Order, Printer
from kinematics.errors import Finding, InputError
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine import Machine, resolved_keys
from kinematics.notebook import NotebookTable, frame_of, html_of_frame

if TYPE_CHECKING:
    import pandas

SHORTER = 2.0 / 3.0  # of the time of a print, of a spool change: one step that a maker would try, alike for all
PRINTS_SHORTER, SPOOLS_QUICKER, TURNAROUNDS_QUICKER = (
    "prints a third shorter",
    "spool changes a third quicker",
    "parts off a third quicker",
)
FULLER = "fuller beds"
PEOPLE_ALWAYS, SECOND = "people at all hours", "a second {}"
NOT_LOOKED_FOR = "not looked for"
PRINTING_HOLDS, PEOPLE_HOLD, ONE_PRINTER_HOLDS, NOTHING_HOLDS = "printing", "people", "printer", "nothing"
SPOOLS_HOLD, TURNAROUNDS_HOLD = "spool changes", "taking parts off"
WORTH_SAYING = 0.01  # share of parts a day below which a trial brings nothing
NEARLY_ALL = 0.9  # of what faster printing everywhere brings, from one more of a printer: that one is the bottleneck


class ShopVariant(NamedTuple):
    """A change to try in the shop: its name, the settings of each printer's machine (none: as it is), and whether its
    keys win over limits stated in jobs.
    """

    name: str
    settings: tuple[Mapping[str, Any], ...]
    wins: bool


class Trial(NamedTuple):
    """A shop with one limit lifted: its name, how many more parts a day (share), and by how much sooner everything is
    done (s), mean over the runs.
    """

    name: str
    more: float
    sooner_s: float


MOST_STEPS = 4  # that are lifted to find the bottleneck, beside a second printer of each kind


class Bottleneck(NamedTuple):
    """What holds the shop back (printing, people, spool changes, taking parts off, printer, nothing), which printer
    where it is one, and the trials, all under the rule of the shop as it is.
    """

    what: str
    printer: str
    trials: tuple[Trial, ...]


class Effect(NamedTuple):
    """What a change brings, under the rule that then is best (`rule`): `shorter` the time that it takes off a print
    (share, over all pieces), `parts_per_day`, `more` parts a day (share, run by run), `sooner_s` everything is done (s,
    mean), `late_h` hours of all orders together, `use` of the printers.
    """

    name: str
    rule: str
    shorter: float
    parts_per_day: RunsInterval
    more: RunsInterval
    sooner_s: float
    late_h: RunsInterval
    use: tuple[Use, ...]

    @property
    def could_bring(self) -> float:
        """How many more parts a day shorter prints would bring if printing were all that takes time (share)."""
        return 1.0 / (1.0 - self.shorter) - 1.0 if self.shorter < 1.0 else math.inf


class FullerBeds(NamedTuple):
    """What more copies at a time bring where orders print one: `filling` how many (`floor.FILLINGS`), `most` the most
    that fit of each order (1 where it is as it was), and what comes of it under the shop's rule, as in `Effect`.
    """

    filling: str
    most: tuple[int, ...]
    parts_per_day: RunsInterval
    more: RunsInterval
    sooner_s: float
    late_h: RunsInterval
    use: tuple[Use, ...]


@dataclass(frozen=True, repr=False)
class Shop(NotebookTable):
    """A shop's orders, simulated: moments in s since 1970, shares of the time from `start_s` until the last part is
    done.

    `rule` who prints what (`shop_floor.RULES`), the best of the rules that were `tried`; `filling` how many copies of
    orders that leave it open are printed at a time, and what each way comes to (`filled`, empty where none does);
    `fuller` what more copies at a time would bring (None where no more than one fits). `runs` how many runs (one
    where nothing is left to chance); `first_run` the first of them; intervals hold the middle nine tenths of the runs.
    `cannot` what was left out, with its place; `doubtful` what was planned and is odd. `cut_short` whether that was
    interrupted: then it holds what was done by then, the shop as it is first.
    """

    printers: tuple[Printer, ...]
    orders: tuple[Order, ...]
    start_s: float
    zone: tzinfo
    people: int
    seed: int
    runs: int
    rule: str
    tried: tuple[RuleSums, ...]
    parts: int
    parts_per_day: RunsInterval
    finished_s: Moments
    late_h: RunsInterval
    use: tuple[Use, ...]
    of_orders: tuple[OrderSums, ...]
    bottleneck: Bottleneck
    effects: tuple[Effect, ...]
    cannot: tuple[Finding, ...]
    doubtful: tuple[Finding, ...]
    plan: ShopPlan
    first_run: Run
    filling: str = ""
    filled: tuple[tuple[str, RuleSums], ...] = ()
    fuller: FullerBeds | None = None
    cut_short: bool = False

    def to_frame(self) -> pandas.DataFrame:
        """One row an order: pieces, when it is done, lateness, and what a part costs."""
        return frame_of([one.row(order) for order, one in zip(self.orders, self.of_orders, strict=True)])

    def __repr__(self) -> str:
        held = self.bottleneck.printer or self.bottleneck.what
        return f"<Shop: {self.parts} parts, {self.parts_per_day.mean:.1f} a day, held back by {held}>"

    def _repr_html_(self) -> str:
        rows = self.to_frame()
        done = [datetime.fromtimestamp(moment, self.zone).strftime("%a %Y-%m-%d %H:%M") for moment in rows["done_s"]]
        return html_of_frame(repr(self), rows.assign(done_s=done).rename(columns={"done_s": "done"}))


def _rates(served: Served) -> np.ndarray:
    return np.array([one.parts_per_day for one in served.sums])


def _more(before: Served, after: Served) -> RunsInterval:
    """How many more parts a day, run by run: the same draws of failures are in both."""
    count = max(len(before.sums), len(after.sums))
    return interval_of(np.resize(_rates(after), count) / np.resize(_rates(before), count) - 1.0)


def _sooner(before: Served, after: Served) -> float:
    """By how much sooner everything is done (s), mean over the runs."""
    ends = [float(np.mean([one.finished for one in served.sums])) for served in (before, after)]
    return ends[0] - ends[1]


class OrderBook(NamedTuple):
    """Orders with all that it takes to simulate them: printers, the clock of their jobs, when the shop starts (s), and
    rows of the tables that could not be read.
    """

    orders: Sequence[Order]
    printers: Sequence[Printer]
    clock: Clock
    start: float
    zone: tzinfo
    left_out: Sequence[Finding]

    def shop(self, variants: Sequence[ShopVariant] = ()) -> Shop:
        """The shop simulated, and what changes would bring. Raises InputError as `shop_of` does."""
        return shop_of(self.orders, self.printers, self.clock, self.start, self.zone, variants, left_out=self.left_out)


def shop_of(
    orders: Sequence[Order],
    printers: Sequence[Printer],
    clock: Clock,
    start: float,
    zone: tzinfo,
    variants: Sequence[ShopVariant] = (),
    people: int = 1,
    seed: int = 0,
    runs: int = 20,
    left_out: Sequence[Finding] = (),
    tell: Callable[[str], None] = lambda _: None,
    hear: Callable[[float], None] = lambda _: None,
) -> Shop:
    """Simulate orders on printers from `start` (s) on, and what changes would bring; `left_out` rows of the tables that
    could not be read; `hear` is told about which share of all runs is done.

    Each rule of `shop_floor.RULES` is tried, on the shop as it is and on each change of it. Chance is in failures
    alone: the times are estimates, and how far they are off is not in the intervals. Interrupted after the first run,
    it returns what is done. Raises InputError where nothing can be planned, or a variant cannot be.
    """
    machines = [printer.machine for printer in printers]
    nothing = [NOTHING_VARIED] * len(printers)
    tell("timing the jobs")
    plan = plan_of(orders, printers, machines, clock, start, nothing)
    cannot = tuple(sorted([*left_out, *plan.cannot], key=_by_line))
    if not plan.orders:
        raise InputError(*(cannot or [Finding("orders", "there is nothing to print", "a row for each order")]))
    once = Given(people, start, seed, runs)
    trials = MOST_STEPS + (len(plan.stations) if len(plan.stations) > 1 else 0)
    ways = len(RULES) * (1 if all(order.copies > 0 for order in plan.wanted) else len(FILLINGS))
    given = once._replace(hear=_Runs(runs_of(plan, once) * (ways * (1 + len(variants)) + trials), hear).hear)
    tell("simulating the shop")
    served = under_best_rule(plan, given, keeps=True)
    sums, cut_short = served.sums, served.cut_short
    effects, fuller, bottleneck = [], None, Bottleneck(NOT_LOOKED_FOR, "", ())
    try:
        for variant in () if cut_short else variants:
            tell(f"simulating {variant.name}")
            effects.append(_effect(variant, plan, printers, clock, given, served))
        if not cut_short:
            tell("trying fuller beds")
            fuller = _fuller_beds(plan, printers, clock, given, served)
            tell("looking for the bottleneck")
            bottleneck = _bottleneck(plan, given, served, fuller)
    except KeyboardInterrupt:
        cut_short = True
    return Shop(
        printers=tuple(printers),
        orders=plan.orders,
        start_s=start,
        zone=zone,
        people=people,
        seed=seed,
        runs=len(sums),
        rule=served.rule,
        tried=served.tried,
        parts=sum(order.quantity for order in plan.orders),
        parts_per_day=interval_of(_rates(served)),
        finished_s=moments_of(np.array([one.finished for one in sums])),
        late_h=interval_of(np.array([one.late for one in sums])),
        use=uses_of(sums, plan),
        of_orders=order_sums(sums, plan),
        bottleneck=bottleneck,
        effects=tuple(effects),
        cannot=cannot,
        doubtful=(*_due_before(plan.orders, start), *plan.doubtful),
        plan=plan,
        first_run=served.first,
        filling=served.filling,
        filled=served.filled,
        fuller=fuller,
        cut_short=cut_short,
    )


class _Runs:
    """How far all runs of a shop are."""

    def __init__(self, expected: int, hear: Callable[[float], None]) -> None:
        self._expected, self._hear, self._done = expected, hear, 0

    def hear(self, share: float) -> None:
        """Take the share of the run under way that is done; 1 ends it."""
        self._hear(min(1.0, (self._done + share) / self._expected))
        self._done += share == 1.0


def _by_line(finding: Finding) -> tuple[str, int]:
    """Where a finding stands, for sorting."""
    file, _, line = finding.place.rpartition(":")
    return file, int(line) if line.isdecimal() else 0


def _due_before(orders: Sequence[Order], start: float) -> list[Finding]:
    return [
        Finding(order.place, f"{order.name} was due before the shop starts: planned all the same, and late")
        for order in orders
        if order.due is not None and order.due < start
    ]


def _fuller_beds(
    plan: ShopPlan, printers: Sequence[Printer], clock: Clock, given: Given, before: Served
) -> FullerBeds | None:
    """The shop with as many copies at a time as fit, and with what lasts the night, of every order that prints one."""
    orders = [
        order._replace(copies=AUTO) if order.copies == 1 and order.quantity > 1 and clock.keeps_moves(order) else order
        for order in plan.orders
    ]
    machines = [printer.machine for printer in printers]
    changed = plan_of(orders, printers, machines, clock, given.start, [NOTHING_VARIED] * len(printers))
    changed = changed._replace(stations=plan.stations)
    opened = [now.copies == AUTO != was.copies for now, was in zip(orders, plan.orders, strict=True)]
    if len(changed.wanted) != len(orders) or not any(
        wanted.fuller and any(wanted.fuller) for wanted, is_open in zip(changed.wanted, opened, strict=True) if is_open
    ):
        return None
    after = best_filling([under_rule(changed, given, before.rule, filling) for filling in (NIGHT, FULL)])
    most = [
        max(wanted.most(i) for i in range(len(printers))) if is_open else 1
        for wanted, is_open in zip(changed.wanted, opened, strict=True)
    ]
    return FullerBeds(
        filling=after.filling,
        most=tuple(most),
        parts_per_day=interval_of(_rates(after)),
        more=_more(before, after),
        sooner_s=_sooner(before, after),
        late_h=interval_of(np.array([one.late for one in after.sums])),
        use=uses_of(after.sums, changed),
    )


def _effect(
    variant: ShopVariant,
    plan: ShopPlan,
    printers: Sequence[Printer],
    clock: Clock,
    given: Given,
    before: Served,
) -> Effect:
    machines: list[Machine] = []
    varied: list[frozenset[str]] = []
    for printer, settings in zip(printers, variant.settings, strict=True):
        try:
            machines.append(printer.machine.with_settings(settings, variant.name))
        except InputError as error:
            raise InputError(
                *(
                    Finding(f"{variant.name}, {printer.name}", one.found, one.allowed, one.hint)
                    for one in error.findings
                )
            ) from None
        varied.append(resolved_keys(settings, printer.machine) if variant.wins else NOTHING_VARIED)
    changed = plan_of(plan.orders, printers, machines, clock, given.start, varied)
    if changed.cannot:
        raise InputError(
            *(Finding(f"{variant.name}, {one.place}", one.found, one.allowed, one.hint) for one in changed.cannot)
        )
    after = under_best_rule(changed, given)
    return Effect(
        name=variant.name,
        rule=after.rule,
        shorter=1.0 - _print_time(changed) / _print_time(plan),
        parts_per_day=interval_of(_rates(after)),
        more=_more(before, after),
        sooner_s=_sooner(before, after),
        late_h=interval_of(np.array([one.late for one in after.sums])),
        use=uses_of(after.sums, changed),
    )


def _print_time(plan: ShopPlan) -> float:
    """Time of printing every piece once (s), on the average of the printers that can; of several copies at a time that
    of one's share, one at a time where the order leaves it open.
    """
    total = 0.0
    for wanted in plan.wanted:
        at_once = [min(max(wanted.copies, 1), wanted.most(i)) for i in range(len(wanted.seconds))]
        shares = [wanted.time(i, copies) / copies for i, copies in enumerate(at_once)]
        able = [seconds for seconds in shares if seconds < math.inf]
        total += wanted.quantity * math.fsum(able) / len(able)
    return total


def _bottleneck(plan: ShopPlan, given: Given, before: Served, fuller: FullerBeds | None) -> Bottleneck:
    """Lift one limit after the other, and see which brings most parts a day; fuller beds lift none, and are told beside
    them.
    """

    def trial(name: str, changed: ShopPlan, people: int = given.people) -> Trial:
        after = under_rule(changed, given._replace(people=people), before.rule, before.filling)
        return Trial(name, _more(before, after).mean, _sooner(before, after))

    stations, wanted = plan.stations, plan.wanted
    shorter = plan._replace(wanted=tuple(map(_a_third_off, wanted)))
    steps = [(PRINTING_HOLDS, trial(PRINTS_SHORTER, shorter))]
    if any(station.spool_change > 0.0 for station in stations):
        quicker = tuple(one._replace(spool_change=SHORTER * one.spool_change) for one in stations)
        steps.append((SPOOLS_HOLD, trial(SPOOLS_QUICKER, plan._replace(stations=quicker))))
    if any(station.turnaround > 0.0 for station in stations):
        quicker = tuple(one._replace(turnaround=SHORTER * one.turnaround) for one in stations)
        steps.append((TURNAROUNDS_HOLD, trial(TURNAROUNDS_QUICKER, plan._replace(stations=quicker))))
    present = tuple(station._replace(staff=Staff(None), unattended=True) for station in stations)
    people = trial(PEOPLE_ALWAYS, plan._replace(stations=present), max(len(stations), given.people))
    seconds = [
        (station, trial(SECOND.format(station.name), _with_a_second(plan, number)))
        for number, station in enumerate(stations)
        if len(stations) > 1
    ]
    trials: tuple[Trial, ...] = (*(one for _, one in steps), people, *(one for _, one in seconds))
    lifted = trials
    if fuller is not None:
        trials = (*trials, Trial(f"{FULLER}: {fuller.filling}", fuller.more.mean, fuller.sooner_s))
    longest, step = max(steps, key=lambda pair: pair[1].more)
    if max(one.more for one in lifted) < WORTH_SAYING:
        return Bottleneck(NOTHING_HOLDS, "", trials)
    station, best = max(seconds, key=lambda pair: pair[1].more, default=(None, None))
    if people.more > max(step.more, 0.0 if best is None else best.more):
        return Bottleneck(PEOPLE_HOLD, "", trials)
    if station is not None and best is not None:
        others = max((one.more for _, one in seconds if one is not best), default=0.0)
        if best.more >= NEARLY_ALL * step.more and best.more >= 2.0 * others:
            return Bottleneck(ONE_PRINTER_HOLDS, station.name, trials)
    return Bottleneck(longest, "", trials)


def _a_third_off(wanted: FloorOrder) -> FloorOrder:
    """An order whose prints are a third shorter, of however many copies."""
    fuller = tuple(tuple(SHORTER * one for one in times) for times in wanted.fuller)
    return wanted._replace(seconds=tuple(SHORTER * one for one in wanted.seconds), fuller=fuller)


def _with_a_second(plan: ShopPlan, number: int) -> ShopPlan:
    """The plan with one more printer like one of its own."""
    station = plan.stations[number]
    return plan._replace(
        stations=(*plan.stations, station._replace(name=SECOND.format(station.name))),
        wanted=tuple(
            one._replace(
                seconds=(*one.seconds, one.seconds[number]),
                grams=(*one.grams, one.grams[number]),
                fuller=(*one.fuller, one.fuller[number]) if one.fuller else (),
            )
            for one in plan.wanted
        ),
        machines=tuple((*own, own[number]) for own in plan.machines),
    )
