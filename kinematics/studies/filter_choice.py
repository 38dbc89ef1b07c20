"""With which vibration filters do jobs print soonest inside a rounding and a ringing budget?

Every type of filter on each axis, at a range of design frequencies; the pair of axes chosen together.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.limits import columns as by
from kinematics.limits.vibration import AXES, OWN
from kinematics.machine import Machine
from kinematics.planner.batch import batch_features, batch_times
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.ringing import Ringing, ringing_of_timing
from kinematics.studies.rounding import Rounding, rounding_of_timing
from kinematics.studies.timing import Timing, time_job
from kinematics.vibration.filters import FILTER_NAMES, HIGHEST_DAMPING, Filter, filter_named, spread_of
from kinematics.vibration.modes import FittedMode
from kinematics.vibration.residual import Mode, worst_residual
from kinematics.vibration.ringing import acceleration_by_ringing, speed_change_by_ringing
from kinematics.vibration.rounding import acceleration_by_rounding, half_spread

Reals = NDArray[np.float64]
ModesByAxis = Mapping[str, tuple[FittedMode, ...]]

USUAL_UNCERTAINTY = 0.1  # of a frequency of which nobody says how far off it may be (common practice, no source)
USUAL_ROUNDING, USUAL_RINGING = 0.10, 0.02  # mm, where the machine file names no budgets (common practice, no source)
FREQUENCIES = 41  # that a type is tried at
BELOW, ABOVE = 0.75, 1.45  # times the lowest and the highest frequency of the modes
KEPT = 4  # frequencies of a type that are looked at in pairs: none of them beaten by another in everything
BEHIND = 0.08  # of the best time: pairs further behind by the quick look are not timed in full
MOST_TIMED = 60
REFINED = 3  # pairs of which frequencies are looked at more finely
FINE_STEPS = (0.03, 0.01)
NO_SLOWER = 2e-4  # of a time: pairs that differ by less are put in order by how little they round
LIFTED = 1e6  # mm/s²: no limit of the file's own on print acceleration
KEY = "motion.print_acceleration_mm_s2"
KICK, JOB = "kick", "job"
HALVINGS = 7
DIRECTIONS = 181
NOTHING_SEEN = 0.001  # mm: less than a micrometer can see


class Budgets(NamedTuple):
    """What rounding and ringing may cost (mm), the share of rounding that ramps have, and whether the machine file says
    so."""

    rounding: float
    ringing: float
    split: float
    told: bool


class AxisOption(NamedTuple):
    """A filter on one axis: its type, `frequency` (Hz) and `damping` that it is made for; each mode of the axis as it
    rings most within its intervals; what of a mode it leaves at worst (`residual`); the accelerations (mm/s²) that the
    budgets take along the axis, and the sudden changes of its speed (mm/s).
    """

    axis: str
    filter: Filter
    frequency: float
    damping: float
    modes: tuple[Mode, ...]
    residual: float
    rounding_limit: float
    ringing_limit: float
    corner_rounding: float
    corner_ringing: float

    @property
    def acceleration(self) -> float:
        """What both budgets take (mm/s²)."""
        return min(self.rounding_limit, self.ringing_limit)

    @property
    def corner_change(self) -> float:
        """The change of speed that both budgets take at a corner (mm/s)."""
        return min(self.corner_rounding, self.corner_ringing)

    @property
    def held_by(self) -> str:
        """Which budget stops it first."""
        return "rounding" if self.rounding_limit <= self.ringing_limit else "ringing"

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a machine file that say so."""
        key = f"vibration.{self.axis}."
        own = self.filter.name == OWN
        rows = [[time, share] for time, share in zip(self.filter.times, self.filter.amplitudes, strict=True)]
        return {
            f"{key}filter": self.filter.name,
            f"{key}filter_frequency_hz": None if own or self.filter.name == "none" else self.frequency,
            f"{key}filter_damping_ratio": None if own or self.filter.name == "none" else self.damping,
            f"{key}filter_impulses": rows if own else None,
            f"{key}modes": [
                {
                    "frequency_hz": one.frequency,
                    "damping_ratio": one.damping,
                    "frequency_uncertainty_share": one.uncertainty,
                }
                for one in self.modes
            ],
        }


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


def filter_words(option: AxisOption) -> str:
    """A filter as it is told: its type and its frequency."""
    if option.filter.name == "none":
        return "no filter"
    if option.filter.name == OWN:
        return "own filter"
    return f"{option.filter.name} {option.frequency:.1f} Hz"


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
    `rounding` of each job under the best pair; `ringing_budget` (mm) what a single kick may leave: less than the budget
    where the swing of the whole job counts.
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
    ringing_budget: float

    @property
    def best(self) -> PairRow:
        """The pair with which the jobs finish soonest."""
        return self.rows[0]


def known_modes(machine: Machine) -> dict[str, tuple[FittedMode, ...]]:
    """The modes of a machine file, by axis; one without uncertainty is taken with a tenth."""
    found = {}
    for axis in AXES:
        modes = getattr(machine.vibration, axis).modes
        if modes:
            found[axis] = tuple(
                mode_within(one.frequency_hz, one.damping_ratio, one.frequency_uncertainty_share or USUAL_UNCERTAINTY)
                for one in modes
            )
    return found


def mode_within(frequency: float, damping: float, uncertainty: float) -> FittedMode:
    """A mode of which the damping is taken as it is, and the frequency may be off by a share."""
    return FittedMode(
        frequency, frequency * (1.0 - uncertainty), frequency * (1.0 + uncertainty), damping, damping, damping
    )


def widened(modes: Sequence[FittedMode], least: float) -> tuple[FittedMode, ...]:
    """Modes whose frequencies may be off by a share at least."""
    return tuple(
        one._replace(
            frequency_low=min(one.frequency_low, one.frequency * (1.0 - least)),
            frequency_high=max(one.frequency_high, one.frequency * (1.0 + least)),
        )
        for one in modes
    )


def budgets_of(machine: Machine) -> Budgets:
    """The budgets of a machine file, or usual ones where it names none."""
    quality = machine.quality
    rounding, ringing = quality.rounding_budget_mm, quality.ringing_budget_mm
    told = rounding is not None and ringing is not None
    return Budgets(rounding or USUAL_ROUNDING, ringing or USUAL_RINGING, quality.rounding_split, told)


def at_worst(command_filter: Filter, mode: FittedMode) -> Mode:
    """A mode as a filter leaves most of it: over its frequencies, with that damping of its interval which is worst."""
    share = max(mode.frequency_high / mode.frequency - 1.0, 1.0 - mode.frequency_low / mode.frequency)
    dampings = dict.fromkeys((mode.damping_low, mode.damping, mode.damping_high))
    tried = [Mode(mode.frequency, min(damping, 0.99), min(share, 0.99)) for damping in dampings]
    return max(tried, key=lambda one: worst_residual(command_filter, one, 2))


def option_of(
    axis: str, command_filter: Filter, frequency: float, damping: float, modes: Sequence[FittedMode], budgets: Budgets
) -> AxisOption:
    """What a filter takes of an axis's budgets over all of its modes within their intervals."""
    worst = tuple(at_worst(command_filter, mode) for mode in modes)
    spread = half_spread(command_filter)
    left = max((worst_residual(command_filter, mode, 2) * _angular(mode, -1.0) ** 2 for mode in worst), default=0.0)
    return AxisOption(
        axis,
        command_filter,
        frequency,
        damping,
        worst,
        left,
        acceleration_by_rounding(command_filter, budgets.rounding, budgets.split),
        acceleration_by_ringing(command_filter, worst, budgets.ringing),
        (1.0 - budgets.split) * budgets.rounding / spread if spread > 0.0 else math.inf,
        speed_change_by_ringing(command_filter, worst, budgets.ringing),
    )


def _angular(mode: Mode, side: float) -> float:
    return 2.0 * math.pi * mode.frequency * (1.0 + side * mode.uncertainty)


def options_on(axis: str, modes: Sequence[FittedMode], budgets: Budgets, names: Sequence[str]) -> list[AxisOption]:
    """The filters of some types on one axis at design frequencies about its modes; of each type those that no other
    one of it beats in ramps and at corners alike.
    """
    damping = max(modes, key=lambda one: one.strength).damping
    low, high = BELOW * min(one.frequency_low for one in modes), ABOVE * max(one.frequency_high for one in modes)
    ladder = [*np.geomspace(low, high, FREQUENCIES).tolist(), *(one.frequency for one in modes)]
    found = []
    for name in names:
        if damping > HIGHEST_DAMPING.get(name, 1.0):
            continue
        frequencies = sorted(ladder) if name != "none" else [modes[0].frequency]
        options = [
            option_of(axis, filter_named(name, frequency, damping), frequency, damping, modes, budgets)
            for frequency in frequencies
        ]
        found += _unbeaten(options)
    return found


def _unbeaten(options: Sequence[AxisOption]) -> list[AxisOption]:
    """Options that none other beats in both acceleration and change of speed, no more than `KEPT` of them."""
    kept = [
        one
        for one in options
        if not any(
            other.acceleration >= one.acceleration
            and other.corner_change >= one.corner_change
            and (other.acceleration, other.corner_change) != (one.acceleration, one.corner_change)
            for other in options
        )
    ]
    kept.sort(key=lambda one: one.acceleration)
    if len(kept) <= KEPT:
        return kept
    places = np.linspace(0, len(kept) - 1, KEPT).round().astype(int)
    return [kept[place] for place in places.tolist()]


class _Jobs:
    """Jobs timed under pairs of filters, each as often as it is printed."""

    def __init__(
        self, jobs: Sequence[PreparedJob], weights: Sequence[float], machine: Machine, budgets: Budgets
    ) -> None:
        self.jobs, self.weights, self.budgets = jobs, weights, budgets
        free: dict[str, Any] = {KEY: LIFTED}
        self.free = machine.with_settings(free, "filter choice")
        bare: dict[str, Any] = {"quality.rounding_budget_mm": None, "quality.ringing_budget_mm": None}
        self.bare = self.free.with_settings(bare, "filter choice")
        self.varied = frozenset({KEY})
        self._totals: dict[tuple[Pair, float | None], float] = {}
        self.floor = self.sum_of([time_job(job, self.bare, self.varied, passing=True) for job in jobs])

    def machine_of(self, options: Sequence[AxisOption], ringing: float | None = None) -> Machine:
        """The machine with a filter on each axis and both budgets, print acceleration lifted."""
        settings: dict[str, Any] = {
            "quality.rounding_budget_mm": self.budgets.rounding,
            "quality.ringing_budget_mm": self.budgets.ringing if ringing is None else ringing,
        }
        for one in options:
            settings |= one.settings
        return self.free.with_settings(settings, "filter choice")

    def timings(
        self, options: Sequence[AxisOption], ringing: float | None = None, passing: bool = False
    ) -> list[Timing]:
        """Every job timed in full under a pair."""
        machine = self.machine_of(options, ringing)
        return [time_job(job, machine, self.varied, passing=passing) for job in self.jobs]

    def total(self, options: Sequence[AxisOption], ringing: float | None = None) -> float:
        """The time of all jobs under a pair (s)."""
        key = (tuple(options), ringing)
        if key not in self._totals:
            self._totals[key] = self.sum_of(self.timings(options, ringing, passing=True))
        return self._totals[key]

    def sum_of(self, timings: Sequence[Timing]) -> float:
        """The time of all jobs, each as often as it is printed (s)."""
        return math.fsum(weight * one.total for weight, one in zip(self.weights, timings, strict=True))

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


def _refined(jobs: _Jobs, row: PairRow, modes: ModesByAxis) -> PairRow:
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
                    frequency = now.frequency * factor
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

    In a direction u rounding takes 2qε/√Σ(u_k σ_k²)² and ringing what each axis may over |u_k|. Limits of axes alone
    make a box of that, whose corners may round too much: the print acceleration cuts them off.
    """
    axes = {one.axis: one.acceleration for one in options}
    variances = [spread_of(one.filter).variance for one in options]
    angles = np.linspace(0.0, 0.5 * math.pi, DIRECTIONS)
    shares = {"x": np.cos(angles), "y": np.sin(angles)}
    box = np.full(DIRECTIONS, math.inf)
    allowed = np.full(DIRECTIONS, math.inf)
    rounded = np.zeros(DIRECTIONS)
    with np.errstate(divide="ignore"):
        for one, variance in zip(options, variances, strict=True):
            share = shares[one.axis]
            box = np.minimum(box, one.acceleration / share)
            allowed = np.minimum(allowed, one.ringing_limit / share)
            rounded += (share * variance) ** 2
        allowed = np.minimum(allowed, 2.0 * budgets.split * budgets.rounding / np.sqrt(rounded))
    cut = allowed < box * (1.0 - 1e-9)
    most = float(allowed[cut].min()) if cut.any() else math.inf
    known = box[np.isfinite(box)]
    highest = float(known.max()) if len(options) > 1 and known.size else max(axes.values(), default=math.inf)
    return Accelerations(min(most, highest), axes, float(allowed.min()))


def _within_job_budget(jobs: _Jobs, row: PairRow) -> tuple[PairRow, float]:
    """A pair so that the swing a whole job leaves stays within the budget, and what one kick may leave then (mm)."""
    budget = jobs.budgets.ringing

    def left(ringing: float) -> tuple[float, float]:
        timings = jobs.timings(row.options, ringing)
        swings = [axis.left_mm for one in timings for axis in ringing_of_timing(one).axes]
        return max(swings, default=0.0), jobs.sum_of(timings)

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
) -> FilterChoice:
    """The filters of a machine's axes, the pair with which jobs print soonest inside both budgets first.

    Print acceleration is lifted: what the budgets take is to be set. Without jobs those come first that take the most
    acceleration. `further` options, such as a filter of one's own, are tried beside the named types. `counted` is
    "kick", or "job" for the swing of the whole job. Raises InputError where no mode is known, or a job cannot be read.
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
    timed = _Jobs(jobs, [1.0] * len(jobs) if weights is None else weights, machine, budgets)
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
        ringing_budget,
    )


def _in_order(rows: Sequence[PairRow]) -> list[PairRow]:
    """Rows quickest first; of those that are as quick as the quickest the one first that rounds least."""
    soonest = min(map(_time, rows))
    alike = soonest * (1.0 + NO_SLOWER)

    def rank(row: PairRow) -> tuple[float, float]:
        time = _time(row)
        return (soonest, _spread(row.options)) if time <= alike else (time, 0.0)

    return sorted(rows, key=rank)


def _spread(options: Sequence[AxisOption]) -> float:
    return math.fsum(spread_of(one.filter).variance for one in options)


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
        machine, known, budgets, KICK, (row,), by_axis, nothing, None, with_them, (), (), budgets.ringing
    )


def _best_by_type(options: Sequence[AxisOption], cost: Any) -> list[AxisOption]:
    best: dict[str, AxisOption] = {}
    for one in options:
        if one.filter.name not in best or cost(one) < cost(best[one.filter.name]):
            best[one.filter.name] = one
    return list(best.values())


def _one_axis_at_a_time(
    rows: Sequence[PairRow], options: Mapping[str, list[AxisOption]], jobs: _Jobs
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


def _present(machine: Machine, known: ModesByAxis, jobs: _Jobs) -> PairRow | None:
    """The machine's own filters, timed as the others are."""
    from kinematics.limits.vibration import filter_made, filter_of_axis

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
