"""Which upgrade pays, and when? Each alone, together, and in the order that returns the money soonest."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.business.economics import Payback, costs_not_given, part_cost, payback, prints_per_part
from kinematics.errors import Finding, InputError, Notice
from kinematics.jobs.timing import Ask, Cause, TimedJob, Timing, causes_in, foresee, summed, time_job
from kinematics.limits.flow import filament_mass
from kinematics.machine import Machine, Upgrade, resolved_keys
from kinematics.notebook import NotebookTable
from kinematics.studies.intervals import (
    DRAWING,
    USUAL_SAMPLING,
    Interval,
    SampledTimes,
    Sampling,
    drawn_machines,
    interval_of,
)

if TYPE_CHECKING:
    import pandas

MOST_SETS = 256  # sets of upgrades that are timed; beyond, the largest sets are left out
WORTH_ADDING = 0.001  # share of a set's saving that each member of a useful combination must bring
LEAST_SAVING = 1e-4  # share of what a month costs below which nothing is saved
PRINTS_PER_MONTH = 30.0  # where nobody says: one a day (an assumption, told as such)
JOINT = " + "
NO_OPTION = frozenset[int]()


class JobTimes(NamedTuple):
    """A job, good prints of it a month, and its time before and after (s)."""

    job: str
    per_month: float
    before_s: float
    after_s: float


@dataclass(frozen=True, repr=False)
class Option:
    """One upgrade or several together, on all jobs.

    `saved_s` over one print of each job (s) and its share; `saved_per_month_s` over a month's prints (s) and its share,
    prints that fail included as they are in `saving`;
    `price`, `fitting_hours`, `investment` the price and the labour of fitting; `saving` a month, in money; `causes`
    what the month's time is spent under with the upgrade, longest first; `useful` whether each member of a
    combination brings something; `pays_from` good prints a month, of the same mix, from which the saving returns the
    investment within the service years (infinity: at no number); `known` what draws from the machine's ranges say of
    saving and payback (None where it has none).
    """

    upgrades: tuple[str, ...]
    jobs: tuple[JobTimes, ...]
    saved_s: float
    saved_share: float
    saved_per_month_s: float
    saved_share_per_month: float
    price: float
    fitting_hours: float
    investment: float
    saving: float
    payback: Payback
    causes: tuple[Cause, ...]
    useful: bool
    pays_from: float
    known: KnownSaving | None = None

    @property
    def name(self) -> str:
        """The upgrades' names, joined."""
        return JOINT.join(self.upgrades)

    def pays_within(self, years: float) -> bool:
        """Whether the money is back within some years."""
        return self.payback.months <= 12.0 * years

    def __repr__(self) -> str:
        return f"<Option {self.name}: saves {self.saving:.2f} a month, pays in {self.payback.months:.1f} months>"


class Step(NamedTuple):
    """One step of the best order: what is added, what that costs, what it saves more a month, months until it pays.

    Steps pay later and later: what paid sooner on top of another would have been taken together with it.
    """

    upgrades: tuple[str, ...]
    investment: float
    saving: float
    months: float

    def pays_within(self, years: float) -> bool:
        """Whether the money is back within some years."""
        return self.months <= 12.0 * years


@dataclass(frozen=True, repr=False)
class Upgrades(NotebookTable):
    """The upgrades of a machine on a month's jobs.

    `alone` one option an upgrade, payback first; `together` the useful combinations, payback first; `order` which to
    make first, then next; `by_budget` for each rising investment the option that saves most for no more; `causes` what
    the month's time is spent under as it is; `cost` of the month's prints as it is; `not_combined` pairs of which one
    takes back what the other sets; `sizes` how many upgrades the largest sets that were tried hold; `sets` how many
    sets were timed, of `cut_short_of` where Ctrl-C came (None: it did not); `held` by upgrade the commands in the jobs
    that state a limit which it changes, and which hold; `sampling` how what is `known` was drawn (None: nothing is).
    """

    machine: Machine
    prints: tuple[tuple[str, float], ...]
    alone: tuple[Option, ...]
    together: tuple[Option, ...]
    order: tuple[Step, ...]
    by_budget: tuple[Option, ...]
    causes: tuple[Cause, ...]
    cost: float
    not_combined: tuple[tuple[str, str], ...]
    sizes: int
    sets: int
    held: Mapping[str, int]
    costs_not_given: tuple[str, ...]
    notices: Mapping[str, tuple[Notice, ...]]
    sampling: Sampling | None = None
    cut_short_of: int | None = None

    def to_frame(self) -> pandas.DataFrame:
        """One row an upgrade and useful combination: time saved, price, saving, payback, npv, irr."""
        import pandas

        return pandas.DataFrame([option_row(option) for option in (*self.alone, *self.together)])

    def __repr__(self) -> str:
        return f"<Upgrades on {self.machine.name}: {'; '.join(map(repr, (*self.alone, *self.together)))}>"


def option_row(option: Option) -> dict[str, str | float | None]:
    """An option as plain data, names with their units; None where there is no number."""
    months = option.payback.months
    return {
        "upgrade": option.name,
        "saved_s": option.saved_s,
        "saved_share": option.saved_share,
        "saved_per_month_s": option.saved_per_month_s,
        "saved_share_per_month": option.saved_share_per_month,
        "price": option.price,
        "fitting_hours": option.fitting_hours,
        "investment": option.investment,
        "saving_per_month": option.saving,
        "payback_months": months if months < math.inf else None,
        "npv": option.payback.npv,
        "irr": option.payback.irr,
        "pays_from_prints_per_month": option.pays_from if option.pays_from < math.inf else None,
    }


class _Month(NamedTuple):
    """A month's prints on one machine: seconds of a print of each job, `total` seconds of all prints of the month, also
    by cause, those that fail included, and what they cost.
    """

    seconds: tuple[float, ...]
    total: float
    by_cause: dict[str, float]
    cost: float

    @property
    def causes(self) -> tuple[Cause, ...]:
        return causes_in(self.by_cause, math.fsum(self.by_cause.values()) or 1.0)


def _month(timings: Sequence[Timing], machine: Machine, prints: Sequence[float]) -> _Month:
    made = [prints_per_part(machine.economy, one.total) * count for one, count in zip(timings, prints, strict=True)]
    each = list(zip(timings, made, strict=True))
    by_cause = summed((cause, count * spent) for one, count in each for cause, spent in one.by_cause.items())
    parts = [part_cost(machine, one.total, filament_mass(machine, one.facts.filament)).total for one in timings]
    cost = math.fsum(count * one for count, one in zip(prints, parts, strict=True))
    total = math.fsum(count * one.total for one, count in each)
    return _Month(tuple(one.total for one in timings), total, by_cause, cost)


def _machines(machine: Machine, upgrades: Sequence[Upgrade]) -> list[Machine]:
    """The machine with each upgrade alone. Raises InputError with every finding."""
    findings: list[Finding] = []
    found = []
    for upgrade in upgrades:
        try:
            found.append(machine.with_settings(upgrade.set, f"upgrade {upgrade.name}"))
        except InputError as error:
            findings += error.findings
    if findings:
        raise InputError(*findings)
    return found


def _clashes(alone: Sequence[Machine], upgrades: Sequence[Upgrade]) -> set[frozenset[int]]:
    """Pairs of upgrades that cannot be made together: which comes last decides, or no machine takes both."""
    clashes = set()
    for i, j in combinations(range(len(upgrades)), 2):
        try:
            apart = alone[i].with_settings(upgrades[j].set) != alone[j].with_settings(upgrades[i].set)
        except InputError:
            apart = True
        if apart:
            clashes.add(frozenset((i, j)))
    return clashes


def _sets(count: int, clashes: set[frozenset[int]]) -> list[frozenset[int]]:
    """Every set of upgrades without a clash, by growing size, whole sizes only, as long as there are few enough."""
    found: list[frozenset[int]] = []
    for size in range(1, count + 1):
        chosen = (frozenset(members) for members in combinations(range(count), size))
        more = [one for one in chosen if not any(clash <= one for clash in clashes)]
        if size > 1 and len(found) + len(more) > MOST_SETS:
            break
        found += more
    return found


def upgrades_prepared(
    prepared: Sequence[TimedJob],
    machine: Machine,
    prints: Sequence[float],
    tell: Callable[..., None] = lambda *_: None,
    sampling: Sampling = USUAL_SAMPLING,
) -> Upgrades:
    """Weigh the upgrades of a machine on jobs of which each is printed well so many times a month (`prints`).

    Saved time is the difference of two estimates: limits stated in the jobs hold as they do there. A month saves the
    difference of what its prints cost (`economics.part_cost`); the investment is the price and the labour of fitting.
    Not modelled: that a saved hour is worth its cost only where the printer has something else to print. Interrupted
    once every upgrade alone is timed, or while draws are made, it is told of what is done. Raises InputError where the
    machine has no upgrades.
    """
    upgrades = machine.upgrades
    if not upgrades:
        allowed = "[[upgrade]] blocks with name, price, fitting_hours and set"
        raise InputError.at(machine.source or "upgrades", "the machine has no upgrades", allowed)
    if not math.fsum(prints) > 0.0:
        raise InputError.at("--per-month", "nothing is printed", "a number above 0 for at least one job")
    alone = _machines(machine, upgrades)
    clashes = _clashes(alone, upgrades)
    sets = _sets(len(upgrades), clashes)
    machines = {NO_OPTION: machine}
    for chosen in sets:
        last = max(chosen)
        machines[chosen] = machines[chosen - {last}].with_settings(upgrades[last].set, f"upgrade {upgrades[last].name}")
    foresee(prepared, [Ask(other, passing=True) for other in machines.values()])
    months: dict[frozenset[int], _Month] = {}
    first: list[Timing] = []
    cut_short_of = None
    try:
        for chosen, other in machines.items():
            tell("timing " + (JOINT.join(upgrades[i].name for i in sorted(chosen)) or "as it is"))
            timings = [time_job(job, other, passing=True) for job in prepared]
            months[chosen] = _month(timings, other, prints)
            first = first or timings
    except KeyboardInterrupt:
        if len(months) <= len(upgrades):
            raise
        cut_short_of, sets = len(sets), [chosen for chosen in sets if chosen in months]
    names = [timing.facts.name for timing in first]
    options = {chosen: _option(chosen, upgrades, machine, months, names, prints) for chosen in sets}

    def ranked(found: Sequence[Option]) -> tuple[Option, ...]:
        return tuple(sorted(found, key=lambda option: (option.payback.months, -option.saving)))

    least = LEAST_SAVING * months[NO_OPTION].cost
    held = {
        upgrade.name: lines
        for upgrade in upgrades
        if (lines := _statements_held(prepared, first, resolved_keys(upgrade.set, machine)))
    }
    shown = [chosen for chosen, option in options.items() if len(chosen) == 1 or option.useful]
    ranged = any(machines[chosen].ranges for chosen in (NO_OPTION, *shown)) and cut_short_of is None
    if ranged:
        try:
            tell(DRAWING)
            filament = [timing.facts.filament for timing in first]
            draws = PaybackDraws(prepared, machine, prints, filament, sampling, partial(tell, DRAWING))
            for chosen in shown:
                option = options[chosen]
                tell(f"{DRAWING}: {option.name}")
                known = draws.of(machines[chosen], option.price, option.fitting_hours)
                options[chosen] = replace(option, known=known)
            sampling = draws.sampling
        except KeyboardInterrupt:  # before there were enough of them
            cut_short_of, ranged = len(sets), any(option.known is not None for option in options.values())
    together = [options[chosen] for chosen in shown if len(chosen) > 1]
    return Upgrades(
        machine=machine,
        prints=tuple(zip(names, prints, strict=True)),
        alone=ranked([options[frozenset((i,))] for i in range(len(upgrades))]),
        together=ranked(together),
        order=_best_order(options, upgrades, least),
        by_budget=_by_budget(list(options.values()), least),
        causes=months[NO_OPTION].causes,
        cost=months[NO_OPTION].cost,
        not_combined=tuple(
            (upgrades[i].name, upgrades[j].name) for i, j in sorted(tuple(sorted(clash)) for clash in clashes)
        ),
        sizes=max(len(chosen) for chosen in sets),
        sets=len(sets),
        held=held,
        costs_not_given=tuple(costs_not_given(machine)),
        notices={timing.facts.name: timing.facts.notices for timing in first},
        sampling=sampling if ranged else None,
        cut_short_of=cut_short_of,
    )


def _statements_held(prepared: Sequence[TimedJob], timings: Sequence[Timing], keys: frozenset[str]) -> int:
    pairs = zip(prepared, timings, strict=True)
    return sum(timing.facts.silenced_by(keys) for job, timing in pairs if job.heeds_file_limits)


def _option(
    chosen: frozenset[int],
    upgrades: Sequence[Upgrade],
    machine: Machine,
    months: Mapping[frozenset[int], _Month],
    names: Sequence[str],
    prints: Sequence[float],
) -> Option:
    economy = machine.economy
    before, after = months[NO_OPTION], months[chosen]
    members = [upgrades[i] for i in sorted(chosen)]
    price = math.fsum(member.price for member in members)
    hours = math.fsum(member.fitting_hours for member in members)
    investment = price + hours * (economy.labour_cost_per_hour or 0.0)
    saving = before.cost - after.cost
    jobs = tuple(JobTimes(*row) for row in zip(names, prints, before.seconds, after.seconds, strict=True))
    once = math.fsum(job.before_s for job in jobs)
    saved = math.fsum(job.before_s - job.after_s for job in jobs)
    saved_month = before.total - after.total
    least_added = min(months[chosen - {i}].cost - after.cost for i in chosen)
    to_return = 12.0 * economy.service_years * saving
    return Option(
        upgrades=tuple(member.name for member in members),
        jobs=jobs,
        saved_s=saved,
        saved_share=saved / once if once > 0.0 else 0.0,
        saved_per_month_s=saved_month,
        saved_share_per_month=saved_month / before.total if before.total > 0.0 else 0.0,
        price=price,
        fitting_hours=hours,
        investment=investment,
        saving=saving,
        payback=payback(investment, saving, economy.service_years, economy.discount_rate),
        causes=after.causes,
        useful=least_added > max(WORTH_ADDING * saving, LEAST_SAVING * before.cost),
        pays_from=math.fsum(prints) * investment / to_return if to_return > 0.0 else math.inf,
    )


def _best_order(
    options: Mapping[frozenset[int], Option], upgrades: Sequence[Upgrade], least: float
) -> tuple[Step, ...]:
    """Step by step what pays for itself soonest on top of what is there: one upgrade, or several that only bring
    something together; until nothing saves more than `least` a month.
    """
    done = NO_OPTION
    steps: list[Step] = []
    while True:
        spent = options[done].investment if done else 0.0
        saved = options[done].saving if done else 0.0
        best: tuple[float, int, frozenset[int]] | None = None
        for chosen, option in options.items():
            more = option.saving - saved
            if not done < chosen or more <= max(least, WORTH_ADDING * option.saving):
                continue
            rank = ((option.investment - spent) / more, len(chosen), chosen)
            if best is None or rank[:2] < best[:2]:
                best = rank
        if best is None:
            return tuple(steps)
        option = options[best[2]]
        added = tuple(upgrades[i].name for i in sorted(best[2] - done))
        steps.append(Step(added, option.investment - spent, option.saving - saved, best[0]))
        done = best[2]


def _by_budget(options: Sequence[Option], least: float) -> tuple[Option, ...]:
    """For each rising investment the option that saves more than every cheaper one."""
    found: list[Option] = []
    for option in sorted(options, key=lambda one: (one.investment, -one.saving, len(one.upgrades))):
        if option.saving > max(chain([least], (one.saving for one in found))):
            found.append(option)
    return tuple(found)


Reals = NDArray[np.float64]


class KnownSaving(NamedTuple):
    """What 95 % of the draws say of an upgrade: its saving a month, and the months until it pays (infinity: never)."""

    saving: Interval
    months: Interval


class PaybackDraws:
    """The month's cost under draws from the ranges of a machine and of its upgraded ones.

    A range of both machines is drawn alike for both, so that what they share does not widen what sets them apart.
    `prints` good prints a month of each job, `filament` what each feeds (mm).
    """

    def __init__(
        self,
        prepared: Sequence[TimedJob],
        machine: Machine,
        prints: Sequence[float],
        filament: Sequence[float],
        sampling: Sampling,
        hear: Callable[[float], None] = lambda _: None,
    ) -> None:
        self._prints, self._filament = prints, filament
        self._machine = machine
        self._times = SampledTimes(prepared, machine, sampling, hear, keeps=True)
        self._before = self._costs(machine, self._times.as_it_is)

    @property
    def sampling(self) -> Sampling:
        """The draws that were made: fewer than were asked for where Ctrl-C came."""
        return self._times.sampling

    def _costs(self, machine: Machine, times: Reals) -> Reals:
        """What a month's prints cost under each draw (float64[draws])."""
        drawn = drawn_machines(machine, self.sampling)
        costs = np.zeros(self.sampling.draws)
        for i in range(self.sampling.draws):
            one = drawn[i if len(drawn) > 1 else 0]
            for seconds, count, filament in zip(times[:, i].tolist(), self._prints, self._filament, strict=True):
                costs[i] += count * part_cost(one, seconds, filament_mass(one, filament)).total
        return costs

    def of(self, upgraded: Machine, price: float, fitting_hours: float) -> KnownSaving | None:
        """What the draws say of an upgraded machine; None where neither machine has ranges.

        Raises InputError where values drawn together make no machine.
        """
        if not (self._machine.ranges or upgraded.ranges):
            return None
        after = self._costs(upgraded, self._times.totals(upgraded))
        saving = self._before[: after.size] - after
        drawn = drawn_machines(self._machine, self.sampling)
        labour = np.array([one.economy.labour_cost_per_hour or 0.0 for one in drawn])
        investment = np.broadcast_to(price + fitting_hours * labour, saving.shape)
        # Shares of the investment that come back each month: 0 and below are as good as never, and quantiles of them
        # need no infinity.
        returned = np.divide(saving, investment, out=np.where(saving < 0.0, -1.0, 1.0), where=investment > 0.0)
        slow, quick = interval_of(returned)
        if not investment.any():
            quick, slow = (np.inf if quick > 0.0 else quick), (np.inf if slow > 0.0 else slow)
        months = Interval(*(1.0 / rate if rate > 0.0 else np.inf for rate in (quick, slow)))
        return KnownSaving(interval_of(saving), months)
