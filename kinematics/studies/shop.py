"""How many parts a day, and by when? Orders on a list of printers, simulated again and again."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.caps.class_limits import NOTHING_VARIED
from kinematics.errors import Finding, InputError
from kinematics.machine import Machine, resolved_keys
from kinematics.studies.shop_files import Order, Printer
from kinematics.studies.shop_floor import Run, Station, simulate
from kinematics.studies.shop_plan import Clock, Plan, plan_of
from kinematics.studies.shop_sums import (
    Interval,
    Moments,
    OrderSums,
    RunSums,
    Use,
    interval_of,
    moments_of,
    order_sums,
    sums_of,
    uses_of,
)
from kinematics.studies.staffed import Staff

if TYPE_CHECKING:
    import pandas

AS_IT_IS = "as it is"
THIRD_SHORTER, PEOPLE_ALWAYS, SECOND = "all prints a third shorter", "people at all hours", "a second {}"
SHORTER = 2.0 / 3.0  # of a print's time: half as fast again, one step that a maker would try
PRINTING_HOLDS, HANDS_HOLD, ONE_MACHINE_HOLDS, NOTHING_HOLDS = "printing", "hands", "machine", "nothing"
WORTH_SAYING = 0.01  # share of parts a day below which a trial brings nothing
NEARLY_ALL = 0.9  # of what faster printing everywhere brings, from one more of a printer: that one is the bottleneck


class Variant(NamedTuple):
    """A change to try in the shop: its name, the settings of each printer's machine (none: as it is), and whether its
    keys win over limits stated in jobs.
    """

    name: str
    settings: tuple[Mapping[str, Any], ...]
    wins: bool


class Trial(NamedTuple):
    """A shop with one limit lifted: its name, and how many more parts a day (share)."""

    name: str
    more: float


class Bottleneck(NamedTuple):
    """What holds the shop back (printing, hands, machine, nothing), which printer where it is one, and the trials."""

    what: str
    printer: str
    trials: tuple[Trial, ...]


class Effect(NamedTuple):
    """What a change brings: `shorter` the time that it takes off a print (share, over all pieces), `parts_per_day`,
    `more` parts a day (share, run by run), `late` hours of all orders together, `use` of the printers.
    """

    name: str
    shorter: float
    parts_per_day: Interval
    more: Interval
    late: Interval
    use: tuple[Use, ...]

    @property
    def could_bring(self) -> float:
        """How many more parts a day shorter prints would bring if printing were all that takes time (share)."""
        return 1.0 / (1.0 - self.shorter) - 1.0 if self.shorter < 1.0 else math.inf


@dataclass(frozen=True, repr=False)
class Shop:
    """A shop's orders, simulated: moments in s since 1970, shares of the time from `start` until the last part is done.

    `runs` how many runs (one where nothing is left to chance); `first_run` the first of them; intervals hold the middle
    nine tenths of the runs. `cannot` what was left out, with its place; `doubtful` what was planned and is odd.
    """

    printers: tuple[Printer, ...]
    orders: tuple[Order, ...]
    start: float
    zone: tzinfo
    people: int
    seed: int
    runs: int
    parts: int
    parts_per_day: Interval
    finished: Moments
    late: Interval
    use: tuple[Use, ...]
    of_orders: tuple[OrderSums, ...]
    bottleneck: Bottleneck
    effects: tuple[Effect, ...]
    cannot: tuple[Finding, ...]
    doubtful: tuple[Finding, ...]
    plan: Plan
    first_run: Run

    def to_frame(self) -> pandas.DataFrame:
        """One row an order: pieces, when it is done, lateness, and what a part costs."""
        import pandas

        return pandas.DataFrame([one.row(order) for order, one in zip(self.orders, self.of_orders, strict=True)])

    def __repr__(self) -> str:
        held = self.bottleneck.printer or self.bottleneck.what
        return f"<Shop: {self.parts} parts, {self.parts_per_day.mean:.1f} a day, held back by {held}>"

    def _repr_html_(self) -> str:
        from kinematics.notebook import html_of_frame

        return html_of_frame(repr(self), self.to_frame())


class _Settings(NamedTuple):
    """What every simulation of a shop shares."""

    people: int
    start: float
    seed: int
    runs: int


def _simulated(plan: Plan, given: _Settings, people: int | None = None) -> list[Run]:
    chance = any(station.failed_share > 0.0 for station in plan.stations)
    hands = given.people if people is None else people
    return [
        simulate(plan.stations, plan.wanted, hands, given.start, (given.seed, number))
        for number in range(given.runs if chance else 1)
    ]


def _rates(sums: Sequence[RunSums]) -> np.ndarray:
    return np.array([one.parts_per_day for one in sums])


def _more(before: Sequence[RunSums], after: Sequence[RunSums]) -> Interval:
    """How many more parts a day, run by run: the same draws of failures are in both."""
    count = max(len(before), len(after))
    return interval_of(np.resize(_rates(after), count) / np.resize(_rates(before), count) - 1.0)


def shop_of(
    orders: Sequence[Order],
    printers: Sequence[Printer],
    clock: Clock,
    start: float,
    zone: tzinfo,
    variants: Sequence[Variant] = (),
    people: int = 1,
    seed: int = 0,
    runs: int = 20,
    left_out: Sequence[Finding] = (),
    tell: Callable[[str], None] = lambda _: None,
) -> Shop:
    """Simulate orders on printers from `start` (s) on, and what changes would bring; `left_out` rows of the tables that
    could not be read.

    See `shop_floor.Floor` for the rules. Chance is in failures alone: the times are estimates, and how far they are off
    is not in the intervals. Raises InputError where nothing can be planned, or a variant cannot be.
    """
    machines = [printer.machine for printer in printers]
    nothing = [NOTHING_VARIED] * len(printers)
    tell("timing the jobs")
    plan = plan_of(orders, printers, machines, clock, start, nothing)
    cannot = tuple(sorted([*left_out, *plan.cannot], key=_by_line))
    if not plan.orders:
        raise InputError(*(cannot or [Finding("orders", "there is nothing to print", "a row an order")]))
    given = _Settings(people, start, seed, runs)
    tell("simulating the shop")
    first = _simulated(plan, given)
    sums = [sums_of(run, plan, start) for run in first]
    effects = []
    for variant in variants:
        tell(f"simulating {variant.name}")
        effects.append(_effect(variant, plan, printers, clock, given, sums))
    tell("looking for the bottleneck")
    return Shop(
        printers=tuple(printers),
        orders=plan.orders,
        start=start,
        zone=zone,
        people=people,
        seed=seed,
        runs=len(first),
        parts=sum(order.quantity for order in plan.orders),
        parts_per_day=interval_of(_rates(sums)),
        finished=moments_of(np.array([one.finished for one in sums])),
        late=interval_of(np.array([one.late for one in sums])),
        use=uses_of(sums, plan),
        of_orders=order_sums(sums, plan),
        bottleneck=_bottleneck(plan, given, sums),
        effects=tuple(effects),
        cannot=cannot,
        doubtful=tuple(_due_before(plan.orders, start)),
        plan=plan,
        first_run=first[0],
    )


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


def _effect(
    variant: Variant,
    plan: Plan,
    printers: Sequence[Printer],
    clock: Clock,
    given: _Settings,
    before: Sequence[RunSums],
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
    after = [sums_of(run, changed, given.start) for run in _simulated(changed, given)]
    return Effect(
        name=variant.name,
        shorter=1.0 - _print_time(changed) / _print_time(plan),
        parts_per_day=interval_of(_rates(after)),
        more=_more(before, after),
        late=interval_of(np.array([one.late for one in after])),
        use=uses_of(after, changed),
    )


def _print_time(plan: Plan) -> float:
    """Time of printing every piece once (s), on the average of the printers that can."""
    total = 0.0
    for wanted in plan.wanted:
        able = [seconds for seconds in wanted.seconds if seconds < math.inf]
        total += wanted.quantity * math.fsum(able) / len(able)
    return total


def _bottleneck(plan: Plan, given: _Settings, before: Sequence[RunSums]) -> Bottleneck:
    """Lift one limit after the other, and see which brings most parts a day."""

    def brings(changed: Plan, people: int | None = None) -> float:
        return _more(before, [sums_of(run, changed, given.start) for run in _simulated(changed, given, people)]).mean

    shorter = [one._replace(seconds=tuple(SHORTER * seconds for seconds in one.seconds)) for one in plan.wanted]
    present = [station._replace(staff=Staff(None), unattended=True) for station in plan.stations]
    faster = Trial(THIRD_SHORTER, brings(plan._replace(wanted=tuple(shorter))))
    hands = Trial(PEOPLE_ALWAYS, brings(plan._replace(stations=tuple(present)), len(present)))
    seconds_of: list[tuple[Trial, Station]] = []
    if len(plan.stations) > 1:
        for i, station in enumerate(plan.stations):
            doubled = brings(_with_a_second(plan, i))
            seconds_of.append((Trial(SECOND.format(station.name), doubled), station))
    trials = (faster, hands, *(trial for trial, _ in seconds_of))
    best = max(seconds_of, key=lambda pair: pair[0].more, default=None)
    if max(trial.more for trial in trials) < WORTH_SAYING:
        return Bottleneck(NOTHING_HOLDS, "", trials)
    if hands.more > faster.more and (best is None or hands.more > best[0].more):
        return Bottleneck(HANDS_HOLD, "", trials)
    if best is not None:
        others = max((trial.more for trial, _ in seconds_of if trial is not best[0]), default=0.0)
        if best[0].more >= NEARLY_ALL * faster.more and best[0].more >= 2.0 * others:
            return Bottleneck(ONE_MACHINE_HOLDS, best[1].name, trials)
    return Bottleneck(PRINTING_HOLDS, "", trials)


def _with_a_second(plan: Plan, number: int) -> Plan:
    """The plan with one more printer like one of its own."""
    station = plan.stations[number]
    return plan._replace(
        stations=(*plan.stations, station._replace(name=SECOND.format(station.name))),
        wanted=tuple(
            one._replace(seconds=(*one.seconds, one.seconds[number]), grams=(*one.grams, one.grams[number]))
            for one in plan.wanted
        ),
        machines=tuple((*own, own[number]) for own in plan.machines),
    )
