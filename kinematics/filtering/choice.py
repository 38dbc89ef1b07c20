"""With which vibration filters do jobs print soonest inside a rounding and a ringing budget?

Every type of filter on each axis, at a range of design frequencies; the pair of axes chosen together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, NamedTuple

import numpy as np

from kinematics.errors import InputError
from kinematics.filtering.options import (
    AxisOption,
    Budgets,
    ModesByAxis,
    as_typed,
    budgets_of,
    filter_words,
    option_of,
    options_on,
    settings_with,
)
from kinematics.filtering.part_quality import PartQuality, part_quality
from kinematics.filtering.settings_to_type import JOB, KICK, LIFTED_RAMP, NO_BUDGETS, PRINT_KEY
from kinematics.jobs.prepared import PreparedJob
from kinematics.jobs.timing import Ask, Reals, Timing, time_job, weighted_total
from kinematics.jobs.whole_jobs import Ringing, Rounding, ringing_of_timing, rounding_of_timing
from kinematics.limits import columns as by
from kinematics.limits.vibration import AXES, filter_made, filter_of_axis
from kinematics.machine import Machine
from kinematics.planner.batch import batch_features, batch_times
from kinematics.vibration.filters import FILTER_NAMES, OWN, filter_named, spread_of

BEHIND = 0.08  # of the best time: pairs further behind by the quick look are not timed in full
MOST_TIMED = 60
REFINED = 3  # pairs of which frequencies are looked at more finely
FINE_STEPS = (0.03, 0.01)
NO_SLOWER = 2e-4  # of a time: pairs that differ by less are put in order by how little they round
HALVINGS = 7
DIRECTIONS = 181
NOTHING_SEEN = 0.001  # mm: less than a micrometer can see


class PairRow(NamedTuple):
    """A filter on each axis of which modes are known, and the time of the jobs under both budgets (s; None without
    jobs)."""

    options: tuple[AxisOption, ...]
    total_s: float | None

    @property
    def words(self) -> str:
        """Both filters in short."""
        return ", ".join(f"{one.axis} {filter_words(one)}" for one in self.options)


Pair = tuple[AxisOption, ...]


class Accelerations(NamedTuple):
    """What is to be set with a pair of filters (mm/s²): the `print` acceleration that goes with the limits of the
    `axes`, and the one `without` any limits of axes: that of the least favourable direction.
    """

    print: float
    axes: Mapping[str, float]
    without: float


@dataclass(frozen=True)
class FilterChoice:
    """The pairs of filters, best first, and what is said of the best one.

    `present` the machine's own filters timed in the same way (None where it has none that can be); `ringing`,
    `rounding` and `quality` of each job under the best pair; `ringing_budget` (mm) what a single kick may leave: less
    than the budget where the swing of the whole job counts.
    """

    machine: Machine
    modes: ModesByAxis
    budgets: Budgets
    counted: str
    rows: tuple[PairRow, ...]
    by_axis: tuple[AxisOption, ...]
    totals_by_axis: tuple[float | None, ...]
    present: PairRow | None
    accelerations: Accelerations
    ringing: tuple[Ringing, ...]
    rounding: tuple[Rounding, ...]
    quality: tuple[PartQuality, ...]
    ringing_budget: float

    @property
    def best(self) -> PairRow:
        """The pair with which the jobs finish soonest."""
        return self.rows[0]


USUAL_PLANS = 60  # of each job, or so
NEARLY_DONE = 0.95


class _TimedPairs:
    """Jobs timed under pairs of filters, each as often as it is printed."""

    def __init__(
        self,
        jobs: Sequence[PreparedJob],
        weights: Sequence[float],
        machine: Machine,
        budgets: Budgets,
        hear: Callable[[float], None] = lambda _: None,
    ) -> None:
        """`hear` is told about which share of the plans is done."""
        self.jobs, self.weights, self.budgets = jobs, weights, budgets
        self._hear, self._plans = hear, 0
        self.free = machine.with_settings({PRINT_KEY: LIFTED_RAMP}, "filter choice")
        self.bare = self.free.with_settings(NO_BUDGETS, "filter choice")
        self.varied = frozenset({PRINT_KEY})
        self._totals: dict[tuple[Pair, float | None], float] = {}
        self.floor = weighted_total([time_job(job, self.bare, self.varied, passing=True) for job in jobs], self.weights)

    def machine_of(self, options: Sequence[AxisOption], ringing: float | None = None) -> Machine:
        """The machine with a filter on each axis and both budgets, print acceleration lifted."""
        kick = self.budgets.ringing if ringing is None else ringing
        return self.free.with_settings(settings_with(options, self.budgets.rounding, kick), "filter choice")

    def timings(
        self, options: Sequence[AxisOption], ringing: float | None = None, passing: bool = False
    ) -> list[Timing]:
        """Every job timed in full under a pair."""
        machine = self.machine_of(options, ringing)
        self._plans += 1
        self._hear(min(self._plans / USUAL_PLANS, NEARLY_DONE))
        return [time_job(job, machine, self.varied, passing=passing) for job in self.jobs]

    def total(self, options: Sequence[AxisOption], ringing: float | None = None) -> float:
        """The time of all jobs under a pair (s)."""
        key = (tuple(options), ringing)
        if key not in self._totals:
            self._totals[key] = weighted_total(self.timings(options, ringing, passing=True), self.weights)
        return self._totals[key]

    def quickly(self, pairs: Sequence[tuple[AxisOption, ...]]) -> Reals:
        """The time of motion under many pairs (s), each axis held by itself: good for putting pairs in order."""
        totals = np.zeros(len(pairs))
        for job, weight in zip(self.jobs, self.weights, strict=True):
            laid_out = job.laid_out(self.bare, self.varied)
            features = batch_features(laid_out.features, laid_out.job.moves.layer)
            values = laid_out.limits.values
            tables = [_held(values, pair) for pair in pairs]
            totals += weight * batch_times(features, tables, laid_out.limits.lookahead).motion
        return totals


_RAMPS = {"x": by.X_RAMP, "y": by.Y_RAMP}
_STEPS = {"x": by.X_STEP, "y": by.Y_STEP}


def _held(values: Reals, pair: Sequence[AxisOption]) -> Reals:
    table = values.copy()
    for one in pair:
        for column, most in ((_RAMPS[one.axis], one.acceleration), (_STEPS[one.axis], one.corner_change)):
            table[:, column] = np.minimum(table[:, column], most)
    return table


def _best_of_types(
    pairs: Sequence[tuple[AxisOption, ...]], times: Reals
) -> Iterator[tuple[float, tuple[AxisOption, ...]]]:
    """The quickest pair of each combination of types, quickest first."""
    best: dict[tuple[str, ...], tuple[float, Pair]] = {}
    for pair, time in zip(pairs, times.tolist(), strict=True):
        types = tuple(one.filter.name for one in pair)
        if types not in best or time < best[types][0]:
            best[types] = time, pair
    yield from sorted(best.values(), key=lambda one: one[0])


def _refined(jobs: _TimedPairs, row: PairRow, modes: ModesByAxis) -> PairRow:
    """A pair with its design frequencies moved in ever smaller steps as long as the jobs print sooner."""
    options, total = row.options, row.total_s
    assert total is not None  # only pairs that were timed are refined
    for step in FINE_STEPS if total > jobs.floor * (1.0 + 0.5 * NO_SLOWER) else ():
        for place, option in enumerate(options):
            if option.filter.name in ("none", OWN):
                continue
            for factor in (1.0 + step, 1.0 - step):
                while True:
                    now = options[place]
                    frequency = as_typed(now.frequency * factor)
                    moved = filter_named(now.filter.name, frequency, now.damping)
                    tried = option_of(now.axis, moved, frequency, now.damping, modes[now.axis], jobs.budgets)
                    pair = (*options[:place], tried, *options[place + 1 :])
                    time = jobs.total(pair)
                    if time >= total * (1.0 - 1e-6):
                        break
                    options, total = pair, time
    return PairRow(options, total)


def accelerations_with(options: Sequence[AxisOption], budgets: Budgets) -> Accelerations:
    """The accelerations that go with a pair of filters.

    In a direction u rounding takes 2qε/√Σ(u_k σ_k²)² and ringing what each axis may over |u_k|. Limits of axes make a
    box of that, whose corner may round too much: they are lowered alike until it does not. The print acceleration is
    what the box takes at its corner, so that it holds nobody back.
    """
    variances = [spread_of(one.filter).variance for one in options]
    angles = np.linspace(0.0, 0.5 * math.pi, DIRECTIONS)
    shares = {"x": np.cos(angles), "y": np.sin(angles)}
    box = np.full(DIRECTIONS, math.inf)
    allowed = np.full(DIRECTIONS, math.inf)
    rounded = np.zeros(DIRECTIONS)
    with np.errstate(divide="ignore", invalid="ignore"):
        for one, variance in zip(options, variances, strict=True):
            share = shares[one.axis]
            box = np.minimum(box, one.acceleration / share)
            allowed = np.minimum(allowed, one.ringing_limit / share)
            rounded += (share * variance) ** 2
        allowed = np.minimum(allowed, 2.0 * budgets.split * budgets.rounding / np.sqrt(rounded))
        ratio = np.where(np.isfinite(box), allowed / box, 1.0)
    lowered = min(1.0, float(np.nanmin(ratio)))
    axes = {one.axis: lowered * one.acceleration for one in options}
    corner = math.hypot(*axes.values()) if len(axes) > 1 else min(axes.values(), default=math.inf)
    return Accelerations(corner, axes, float(allowed.min()))


def _within_job_budget(jobs: _TimedPairs, row: PairRow) -> tuple[PairRow, float]:
    """A pair so that the swing a whole job leaves stays within the budget, and what one kick may leave then (mm)."""
    budget = jobs.budgets.ringing

    def left(ringing: float) -> tuple[float, float]:
        timings = jobs.timings(row.options, ringing)
        swings = [axis.left_mm for one in timings for axis in ringing_of_timing(one).axes]
        return max(swings, default=0.0), weighted_total(timings, jobs.weights)

    swing, total = left(budget)
    if swing <= budget:
        return row._replace(total_s=total), budget
    low, high = budget * min(0.5, 0.5 * budget / swing), budget
    while (found := left(low))[0] > budget and low > 1e-3 * budget:
        high, low = low, 0.5 * low
    total = found[1]
    for _ in range(HALVINGS):
        middle = math.sqrt(low * high)
        swing, time = left(middle)
        if swing <= budget:
            low, total = middle, time
        else:
            high = middle
    return row._replace(total_s=total), low


def choose_filters(
    machine: Machine,
    modes: ModesByAxis,
    jobs: Sequence[PreparedJob] = (),
    weights: Sequence[float] | None = None,
    counted: str = KICK,
    names: Sequence[str] = FILTER_NAMES,
    further: Sequence[AxisOption] = (),
    hear: Callable[[float], None] = lambda _: None,
) -> FilterChoice:
    """The filters of a machine's axes, the pair with which jobs print soonest inside both budgets first.

    Print acceleration is lifted: what the budgets take is to be set. Without jobs those come first that take the most
    acceleration. `further` options, such as a filter of one's own, are tried beside the named types. `counted` is
    "kick", or "job" for the swing of the whole job; `hear` is told about which share of the plans is done. Raises
    InputError where no mode is known, or a job cannot be read.
    """
    budgets = budgets_of(machine)
    known = {axis: modes[axis] for axis in AXES if modes.get(axis)}
    if not known:
        keys = " or ".join(f"vibration.{axis}.modes" for axis in AXES)
        raise InputError.at(machine.name, "no mode of any axis is known", f"a recording (--x FILE), or {keys}")
    options = {axis: options_on(axis, found, budgets, names) for axis, found in known.items()}
    for one in further:
        options[one.axis].append(one)
    if not jobs:
        return _without_jobs(machine, known, budgets, options)
    timed = _TimedPairs(jobs, [1.0] * len(jobs) if weights is None else weights, machine, budgets, hear)
    pairs = list(product(*options.values()))
    quick = list(_best_of_types(pairs, timed.quickly(pairs)))
    near = [pair for time, pair in quick if time <= quick[0][0] * (1.0 + BEHIND)][:MOST_TIMED]
    rows = _in_order([PairRow(pair, timed.total(pair)) for pair in near])
    rows = _in_order([*(_refined(timed, row, known) for row in rows[:REFINED]), *rows[REFINED:]])
    ringing_budget = budgets.ringing
    if counted == JOB:
        within = sorted((_within_job_budget(timed, row) for row in rows[:REFINED]), key=lambda one: _time(one[0]))
        rows = [row for row, _ in within]
        ringing_budget = within[0][1]
    best = rows[0]
    by_axis = _one_axis_at_a_time(rows, options, timed)
    timings = timed.timings(best.options, ringing_budget)
    rounds = any(len(one.filter.times) > 1 for one in best.options)
    return FilterChoice(
        machine,
        known,
        budgets,
        counted,
        tuple(rows),
        tuple(option for option, _ in by_axis),
        tuple(total for _, total in by_axis),
        _present(machine, known, timed),
        accelerations_with(_with_ringing(best.options, ringing_budget / budgets.ringing), budgets),
        tuple(ringing_of_timing(one) for one in timings),
        tuple(rounding_of_timing(one) for one in timings) if rounds else (),
        tuple(part_quality(one) for one in timings),
        ringing_budget,
    )


def _in_order(rows: Sequence[PairRow]) -> list[PairRow]:
    """Rows quickest first; of those that are as quick as the quickest the one first that rounds least."""
    soonest = min(map(_time, rows))
    alike = soonest * (1.0 + NO_SLOWER)

    def rank(row: PairRow) -> tuple[float, float]:
        time = _time(row)
        spread = math.fsum(spread_of(one.filter).variance for one in row.options)
        return (soonest, spread) if time <= alike else (time, 0.0)

    return sorted(rows, key=rank)


def _time(row: PairRow) -> float:
    return math.inf if row.total_s is None else row.total_s


def _with_ringing(options: Sequence[AxisOption], share: float) -> list[AxisOption]:
    """Options with only a share of the ringing budget."""
    return [
        one._replace(ringing_limit=one.ringing_limit * share, corner_ringing=one.corner_ringing * share)
        for one in options
    ]


def _without_jobs(
    machine: Machine, known: ModesByAxis, budgets: Budgets, options: Mapping[str, list[AxisOption]]
) -> FilterChoice:
    ranked = {
        axis: sorted(
            _best_by_type(found, lambda one: -one.acceleration), key=lambda one: (-one.acceleration, -one.corner_change)
        )
        for axis, found in options.items()
    }
    best = tuple(found[0] for found in ranked.values())
    by_axis = tuple(one for found in ranked.values() for one in found)
    nothing = (None,) * len(by_axis)
    row = PairRow(best, None)
    with_them = accelerations_with(best, budgets)
    return FilterChoice(
        machine, known, budgets, KICK, (row,), by_axis, nothing, None, with_them, (), (), (), budgets.ringing
    )


def _best_by_type(options: Sequence[AxisOption], cost: Any) -> list[AxisOption]:
    best: dict[str, AxisOption] = {}
    for one in options:
        if one.filter.name not in best or cost(one) < cost(best[one.filter.name]):
            best[one.filter.name] = one
    return list(best.values())


def _one_axis_at_a_time(
    rows: Sequence[PairRow], options: Mapping[str, list[AxisOption]], jobs: _TimedPairs
) -> list[tuple[AxisOption, float]]:
    """Each type on one axis with what suits it best on the other; quickest first on each axis."""
    found: list[tuple[AxisOption, float]] = []
    best = rows[0]
    for place, chosen in enumerate(best.options):
        of_type: dict[str, tuple[AxisOption, float]] = {}
        for row in rows:
            of_type.setdefault(row.options[place].filter.name, (row.options[place], _time(row)))
        left = [one for one in options[chosen.axis] if one.filter.name not in of_type]
        pairs = [(*best.options[:place], one, *best.options[place + 1 :]) for one in left]
        if pairs:
            for _, pair in _best_of_types(pairs, jobs.quickly(pairs)):
                of_type[pair[place].filter.name] = pair[place], jobs.total(pair)
        found += sorted(of_type.values(), key=lambda one: one[1])
    return found


def _present(machine: Machine, known: ModesByAxis, jobs: _TimedPairs) -> PairRow | None:
    """The machine's own filters, timed as the others are."""
    options = []
    for axis, modes in known.items():
        vibration = getattr(machine.vibration, axis)
        now = vibration.filter
        if now is None:
            command_filter, frequency, damping = filter_named("none", 1.0, 0.0), modes[0].frequency, modes[0].damping
        else:
            command_filter = filter_made(vibration, axis)
            _, frequency, damping = filter_of_axis(vibration, axis) if now != OWN else ("", modes[0].frequency, 0.0)
        options.append(option_of(axis, command_filter, frequency, damping, modes, jobs.budgets))
    return PairRow(tuple(options), jobs.total(options))


def timing_with(choice: FilterChoice, job: PreparedJob) -> Timing:
    """A job timed under the best pair of a choice, every move of it."""
    timed = _TimedPairs([job], [1.0], choice.machine, choice.budgets)
    return timed.timings(choice.best.options, choice.ringing_budget)[0]


def times_by_acceleration(
    choice: FilterChoice, jobs: Sequence[PreparedJob], weights: Sequence[float], accelerations: Sequence[float]
) -> list[float]:
    """The time of all jobs (s) at each print acceleration (mm/s²), no budget held."""
    bare = choice.machine.with_settings(NO_BUDGETS, "filter choice")
    asks = [
        Ask(bare.with_settings({PRINT_KEY: value}, "filter choice"), frozenset({PRINT_KEY}), total_only=True)
        for value in accelerations
    ]
    totals = np.array([job.totals(asks) for job in jobs])
    return [float(time) for time in np.asarray(weights) @ totals]
