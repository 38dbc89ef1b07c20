"""How far off were the estimates, and which limits does the machine really have?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from kinematics.errors import Finding, InputError
from kinematics.jobs.timing import Ask, TimedJob
from kinematics.machine import Machine, Range
from kinematics.measured.explanations import Explanations, explanations_of, next_print
from kinematics.measured.fitting import ENOUGH, Fitting, Solution
from kinematics.measured.parameters import (
    LIMIT_PARAMETER,
    NODES,
    NODES_CLOSE,
    OVERHEAD_PARAMETER,
    RATE_PARAMETER,
    Box,
    Parameter,
    Responses,
    Surface,
    parameters_of,
    settings_at,
    surface_over,
    whole_box,
)
from kinematics.measured.stopwatch import Drift, Errors, Measured, drift_of, errors_of, stand_apart, unusable
from kinematics.notebook import NotebookTable
from kinematics.studies.intervals import INSIDE
from kinematics.wording import share_text

if TYPE_CHECKING:
    import pandas

Reals = NDArray[np.float64]
Tell = Callable[[str], None]

FEWEST = 2  # prints of which parameters are chosen: of a single one everything could be the reason
REACH = 4.0  # standard deviations to either side that a narrowed box holds
LEAST_REACH = 0.25  # of a limit, as a logarithm
LEAST_RATES = 0.002  # s a move up to which a narrowed box holds command rates
EXACT = 0.002  # share of the time by which interpolation may be off where it matters
MOST_BOXES = 4
TOLD = 0.6  # of the spread of its prior: a parameter that is known no better was not told
SPARE = 3  # prints more than parameters that it takes to tell any
TOGETHER = 0.9  # correlation from which on two parameters are only told together
LEAST_VALUE = 1e-4  # share of the spread of its prior below which an overhead is none
STEPS = 8  # of the way from the machine file to the fit, along which an error is shared out
OPEN = 20.0  # how many times the likely value stands for a rate without an upper end


class FittedParameter(NamedTuple):
    """One parameter after the fit: its value before and now (None: it holds nothing back), the ends of its interval
    (`high` None: no end), whether the prints asked for it (`chosen`), and whether they tell it (`told`).

    `could_be` names what would explain the prints as well in its place; `ranges` what goes into the machine file.
    """

    name: str
    key: str
    before: float | None
    value: float | None
    low: float | None
    high: float | None
    chosen: bool
    told: bool
    could_be: tuple[str, ...]
    ranges: dict[str, Range]


class FittedPrint(NamedTuple):
    """One print (s): measured, estimated from the machine file, and fitted with the ends of what 95 % of such prints
    take; `left_out_share` how far off it would be foretold by the others; `apart` whether it was named as standing
    apart; `parts_s` what the difference of measured and estimated is made of.
    """

    job: str
    place: str
    day: str
    measured_s: float
    estimated_s: float
    fitted_s: float
    low_s: float
    high_s: float
    left_out_share: float
    apart: bool
    parts_s: dict[str, float]


class WouldTell(NamedTuple):
    """The job to time next: of which parameter it tells most, how much of the width of that interval would be left, and
    the times between which it lies as far as is known (s).
    """

    job: str
    parameter: str
    left_share: float
    low_s: float
    high_s: float


@dataclass(frozen=True, repr=False)
class Fit(NotebookTable):
    """Measured prints held against a machine, and what they tell of it.

    `before` the errors of the estimates, `after` those of prints that were foretold by a fit to the others; prints that
    stand apart are in neither. `spread_share` one standard deviation of prints about the fit. `keys` and `covariance`
    (of the logarithms of these) as `[checked]` has them. `together` pairs of parameters that are only told together.
    Of a single print `explanations` says what could be behind it. `left_out` findings about prints that could not be
    used. `cut_short` whether Ctrl-C came before the jobs were planned again about what was found: then times and ends
    of intervals are those of a coarser net of plans.
    """

    machine: Machine
    prints: tuple[FittedPrint, ...]
    parameters: tuple[FittedParameter, ...]
    before: Errors
    after: Errors
    spread_share: float
    keys: tuple[str, ...]
    covariance: tuple[tuple[float, ...], ...]
    together: tuple[tuple[str, str], ...]
    next_print: WouldTell | None
    drift: Drift | None
    explanations: Explanations | None
    left_out: tuple[Finding, ...]
    cut_short: bool = False

    @property
    def settings(self) -> dict[str, Range]:
        """The fitted values as ranges, by dotted key."""
        return {key: one for parameter in self.parameters if parameter.chosen for key, one in parameter.ranges.items()}

    def checked(self, day: str) -> dict[str, object]:
        """The section `[checked]` of a machine file with these settings."""
        used = sum(not one.apart for one in self.prints)
        table: dict[str, object] = {
            "date": day,
            "prints": used,
            "bias_share": _rounded(self.after.bias_share, 4),
            "spread_share": _rounded(self.after.spread_share, 4),
        }
        if self.keys:
            rows = [[_rounded(one, 8) for one in row] for row in self.covariance]
            table |= {"keys": list(self.keys), "covariance": rows}
        return table

    def fitted_machine(self, day: str) -> Machine:
        """The machine with the fitted values as ranges, and with what they were held against."""
        checked = {f"checked.{key}": value for key, value in self.checked(day).items()}
        return self.machine.with_settings({**self.settings, **checked}, "fit")

    def to_frame(self) -> pandas.DataFrame:
        """One row a print: job, measured_s, estimated_s, fitted_s, low_s, high_s, left_out_share, apart."""
        import pandas

        rows = [{name: value for name, value in one._asdict().items() if name != "parts_s"} for one in self.prints]
        return pandas.DataFrame(rows)

    def parameters_frame(self) -> pandas.DataFrame:
        """One row a parameter: name, key, before, value, low, high, chosen, told."""
        import pandas

        names = ("name", "key", "before", "value", "low", "high", "chosen", "told")
        return pandas.DataFrame([{name: getattr(one, name) for name in names} for one in self.parameters])

    def __repr__(self) -> str:
        chosen = ", ".join(f"{one.name} {one.value:.4g}" for one in self.parameters if one.chosen and one.value)
        change = f"off by {share_text(self.before.off_share)} before, {share_text(self.after.off_share)} after"
        count = f"{len(self.prints)} print{'s' if len(self.prints) != 1 else ''}"
        return f"<Fit of {self.machine.name} to {count}: {change}{'; ' if chosen else ''}{chosen}>"


def _rounded(value: float, digits: int) -> float:
    return round(float(value), digits) + 0.0


class _Jobs:
    """Jobs on their machines, planned over whatever box is asked for; those that are alike once."""

    def __init__(self, jobs: Sequence[tuple[TimedJob, Machine]], tell: Tell) -> None:
        self._pairs: list[tuple[TimedJob, Machine]] = []
        self.places: list[int] = []
        self._tell = tell
        for job, machine in jobs:
            place = next((i for i, one in enumerate(self._pairs) if one[0] is job and one[1] == machine), None)
            if place is None:
                place = len(self._pairs)
                self._pairs.append((job, machine))
            self.places.append(place)

    def surfaces(self, box: Box, nodes: int) -> list[Surface]:
        """Every job over a box."""
        later = [job.later(surface_over, machine, box, nodes) for job, machine in self._pairs]
        found = []
        for answer in later:
            self._tell("planning under many machines")
            found.append(answer())
        return found

    def seconds(self, place: Reals | None) -> Reals:
        """The time of every job from the start and from the first move (s), planned: float64[jobs, 2].

        At a place of the parameters, or as the machines are.
        """
        later = []
        for job, machine in self._pairs:
            if place is not None:
                machine = machine.with_settings(settings_at(parameters_of(machine), place), "fit")
            later.append(job.later(_seconds_of, Ask(machine, passing=True, total_only=True)))
        return np.array([answer() for answer in later])


def _seconds_of(job: TimedJob, ask: Ask) -> tuple[float, float]:
    """The time of a job from the start and from the first move (s)."""
    timing = job.timed(ask)
    return timing.total, timing.total - timing.stops.before_moves


def fit_prints(
    measured: Sequence[Measured],
    machine: Machine,
    candidates: Sequence[tuple[str, TimedJob]] = (),
    left_out: Sequence[Finding] = (),
    tell: Tell = lambda _: None,
) -> Fit:
    """Hold measured prints against a machine, and fit what they tell of it.

    `candidates` jobs that could be timed next, beside those that were; `left_out` what was found wrong before. `tell`
    is called with the name of each step before it begins. Interrupted once there is a fit, it is told as it is. Raises
    InputError where no print is left.
    """
    parameters = parameters_of(machine)
    more = [(job, machine) for _, job in candidates]
    jobs = _Jobs([*((one.job, one.machine) for one in measured), *more], tell)
    present = jobs.seconds(None)
    findings, used, estimates, places = list(left_out), [], [], []
    for one, place in zip(measured, jobs.places, strict=False):
        estimate = float(present[place, 0 if one.from_start else 1])
        wrong = unusable(one, estimate)
        if wrong is not None:
            findings.append(wrong)
            continue
        used.append(one)
        estimates.append(estimate)
        places.append(place)
    if not used:
        raise InputError(*(findings or [Finding("fit", "no measured print", "JOB=1h52m, or a table of them")]))
    times, starts = np.array([one.seconds for one in used]), [one.from_start for one in used]
    box = whole_box(parameters)
    surfaces = jobs.surfaces(box, NODES)
    tell("fitting")
    wide = Fitting(Responses(parameters, box, surfaces, places, starts), times)
    every = range(len(parameters))
    chosen = wide.chosen(every, wide.solve(every)) if len(used) >= FEWEST else []
    closest = _solved(wide, chosen, box, surfaces)
    fitted = closest.foretold if chosen else np.array(estimates)
    cut_short = False
    try:
        for _ in range(MOST_BOXES if chosen else 0):
            box = _narrowed(parameters, closest.fit, closest.held)
            surfaces = jobs.surfaces(box, NODES_CLOSE)
            fitting = Fitting(Responses(parameters, box, surfaces, places, starts), times)
            closer = _solved(fitting, chosen, box, surfaces)
            planned = jobs.seconds(closer.fit.place)[places, [0 if one else 1 for one in starts]]
            closest, fitted = closer, planned
            if np.max(np.abs(np.log(fitted / closest.foretold))) < EXACT:
                break
    except KeyboardInterrupt:
        cut_short = True
    fitting, fit, held, box, surfaces = closest
    left = fitting.left_out(fit)
    apart = stand_apart(left, fit.spread)
    parts = _parts(wide.responses, fit.place, fitted - np.array(estimates))
    reach = float(student.ppf(0.5 + INSIDE / 2.0, held.freedom)) * _deviations_of_prints(fitting.responses, held)
    prints = tuple(
        FittedPrint(
            job=one.name,
            place=one.place,
            day=one.day,
            measured_s=one.seconds,
            estimated_s=estimates[i],
            fitted_s=float(fitted[i]),
            low_s=float(fitted[i] * math.exp(-reach[i])),
            high_s=float(fitted[i] * math.exp(reach[i])),
            left_out_share=float(left[i]),
            apart=apart[i],
            parts_s={parameters[k].name: float(parts[i, k]) for k in chosen},
        )
        for i, one in enumerate(used)
    )
    kept = np.array([not one for one in apart]) if not all(apart) else np.ones(len(used), bool)
    logs = np.log(times / np.array(estimates))
    order = [i for i in range(len(used)) if kept[i]]
    if all(one.day for one in used):
        order.sort(key=lambda i: used[i].day)
    keys, covariance = _covariance(parameters, fit, held, chosen)
    return Fit(
        machine=machine,
        prints=prints,
        parameters=_fitted_parameters(parameters, fitting, fit, held, chosen),
        before=errors_of(logs[kept]),
        after=errors_of(left[kept]),
        spread_share=fit.spread,
        keys=keys,
        covariance=covariance,
        together=_together(parameters, held, chosen),
        next_print=_would_tell(parameters, box, surfaces, jobs.places, [*measured, *candidates], held, chosen),
        drift=drift_of([float(fit.residuals[i]) for i in order]),
        explanations=explanations_of(wide.responses, float(times[0])) if len(used) < FEWEST else None,
        left_out=tuple(findings),
        cut_short=cut_short,
    )


class _Solved(NamedTuple):
    """A fit and one with the other parameters held, over the surfaces of a box."""

    fitting: Fitting
    fit: Solution
    held: Solution
    box: Box
    surfaces: list[Surface]

    @property
    def foretold(self) -> Reals:
        """What each print takes under the fit, between the places that were planned (s)."""
        return self.fitting.responses.seconds(self.fit.place)[0]


def _solved(fitting: Fitting, chosen: Sequence[int], box: Box, surfaces: list[Surface]) -> _Solved:
    fit = fitting.solve(chosen)
    return _Solved(fitting, fit, fitting.with_others_held(chosen, fit), box, surfaces)


def _narrowed(parameters: Sequence[Parameter], fit: Solution, held: Solution) -> Box:
    """The box in which the fit and the ends of its intervals lie."""
    quantile = float(student.ppf(0.5 + INSIDE / 2.0, held.freedom))
    reach = REACH * quantile * np.sqrt(np.diag(held.covariance))
    floors = {LIMIT_PARAMETER: LEAST_REACH, RATE_PARAMETER: LEAST_RATES}
    reach = np.maximum(reach, [floors.get(one.kind, one.spread) for one in parameters])
    least = np.minimum(fit.place, held.place) - reach
    most = np.maximum(fit.place, held.place) + reach
    whole = whole_box(parameters)
    return Box(np.maximum(least, whole.least), np.minimum(most, whole.most))


def _deviations_of_prints(responses: Responses, held: Solution) -> Reals:
    """The standard deviation of the logarithm of what each print may take: that of the fit, and its own."""
    seconds, jacobian = responses.seconds(held.place)
    slopes = jacobian / seconds[:, np.newaxis]
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", slopes, held.covariance, slopes) + held.spread**2))


def _parts(responses: Responses, place: Reals, wholes: Reals) -> Reals:
    """How many seconds each parameter brings to each print between the machine file and the fit: [prints, parameters].

    Shared out along the straight way from one to the other, ∫ ∂T/∂x_k dx_k (R. Aumann, L. Shapley, Values of Non-Atomic
    Games, 1974, from memory), so that they sum to the whole whatever the order; what interpolation leaves of planned
    `wholes` (s) goes to the limits in proportion.
    """
    base = np.array([one.base for one in responses.parameters])
    nodes, weights = np.polynomial.legendre.leggauss(STEPS)
    whole = np.zeros((responses.of_print.size, base.size))
    for node, weight in zip(0.5 * (nodes + 1.0), 0.5 * weights, strict=True):
        whole += weight * responses.seconds(base + node * (place - base))[1]
    parts = np.asarray(whole * (place - base))
    limits = [k for k, one in enumerate(responses.parameters) if one.kind != OVERHEAD_PARAMETER]
    shares = np.abs(parts[:, limits])
    sums = shares.sum(axis=1, keepdims=True)
    missing = (wholes - parts.sum(axis=1))[:, np.newaxis]
    parts[:, limits] += missing * np.divide(shares, sums, out=np.zeros_like(shares), where=sums > 0.0)
    return parts


def _logarithms(parameters: Sequence[Parameter], fit: Solution, held: Solution) -> Reals:
    """By what deviations of the coordinates are multiplied to be those of the logarithms of the values.

    Of an overhead that may nearly be nothing the logarithm is that of a log-normal number with the same mean and the
    same deviation.
    """
    factors = np.ones(len(parameters))
    deviations = np.sqrt(np.diag(held.covariance))
    for k, one in enumerate(parameters):
        if one.kind != LIMIT_PARAMETER and fit.place[k] > 0.0:
            relative = float(deviations[k] / fit.place[k])
            factors[k] = (
                math.sqrt(math.log1p(relative**2)) / deviations[k] * (-1.0 if one.kind == RATE_PARAMETER else 1.0)
            )
    return factors


def _covariance(
    parameters: Sequence[Parameter], fit: Solution, held: Solution, chosen: Sequence[int]
) -> tuple[tuple[str, ...], tuple[tuple[float, ...], ...]]:
    """The keys that the chosen parameters set, and the covariance of their logarithms."""
    moved = [k for k in chosen if not _is_nothing(parameters[k], fit.place[k])]
    pairs = [(key, k) for k in moved for key in parameters[k].settings(float(fit.place[k]))]
    factors = _logarithms(parameters, fit, held)
    logs = held.covariance * np.outer(factors, factors)
    rows = tuple(tuple(float(logs[k, j]) for _, j in pairs) for _, k in pairs)
    return tuple(key for key, _ in pairs), rows


def _is_nothing(parameter: Parameter, place: float) -> bool:
    return parameter.kind != LIMIT_PARAMETER and place < LEAST_VALUE * parameter.spread


def _fitted_parameters(
    parameters: Sequence[Parameter], fitting: Fitting, fit: Solution, held: Solution, chosen: Sequence[int]
) -> tuple[FittedParameter, ...]:
    """Every parameter; those that were chosen first, in the order in which they helped."""
    found = []
    deviations = np.sqrt(np.diag(held.covariance))
    foretold = fitting.foretold(fit, fit.spread)
    for k in [*chosen, *(k for k in range(len(parameters)) if k not in chosen)]:
        one = parameters[k]
        before = one.value(one.base)
        if k not in chosen or _is_nothing(one, float(fit.place[k])):
            found.append(FittedParameter(one.name, one.keys[0], before, before, None, None, False, False, (), {}))
            continue
        others = [j for j in range(len(parameters)) if j not in chosen]
        swapped = {j: fitting.solve([j if i == k else i for i in chosen]) for j in others}
        enough = foretold + ENOUGH
        could_be = tuple(parameters[j].name for j in others if fitting.foretold(swapped[j], fit.spread) < enough)
        at = float(fit.place[k])
        ends = fitting.interval(held, k)
        low, high = min(ends[0], at), max(ends[1], at)
        values = [one.value(end) for end in ((high, low) if one.kind == RATE_PARAMETER else (low, high))]
        spare = fitting.prints - len(chosen) >= SPARE
        told = spare and bool(deviations[k] < TOLD * one.spread) and not could_be
        ranges = _ranges(one, low, at, high)
        found.append(
            FittedParameter(
                one.name, one.keys[0], before, one.value(at), values[0], values[1], True, told, could_be, ranges
            )
        )
    return tuple(found)


def _ranges(parameter: Parameter, low: float, at: float, high: float) -> dict[str, Range]:
    """The values of a parameter's keys as ranges, as the machine file takes them."""
    if parameter.kind == RATE_PARAMETER:
        low, high = high, max(low, at / OPEN)
    ends = [parameter.settings(place) for place in (low, at, high)]
    digits = [{key: float(f"{value:.5g}") for key, value in one.items() if value is not None} for one in ends]
    return {key: Range(*(one[key] for one in digits)) for key in digits[1]}


def _together(parameters: Sequence[Parameter], held: Solution, chosen: Sequence[int]) -> tuple[tuple[str, str], ...]:
    deviations = np.sqrt(np.diag(held.covariance))
    correlation = held.covariance / np.outer(deviations, deviations)
    pairs = [(k, j) for i, k in enumerate(chosen) for j in chosen[i + 1 :] if abs(correlation[k, j]) > TOGETHER]
    return tuple((parameters[k].name, parameters[j].name) for k, j in pairs)


def _would_tell(
    parameters: Sequence[Parameter],
    box: Box,
    surfaces: Sequence[Surface],
    places: Sequence[int],
    named: Sequence[Measured | tuple[str, TimedJob]],
    held: Solution,
    chosen: Sequence[int],
) -> WouldTell | None:
    """The job to time next, of those that were and those that could be."""
    names: dict[int, str] = {}
    for place, one in zip(places, named, strict=True):
        names.setdefault(place, one.name if isinstance(one, Measured) else one[0])
    responses = Responses(parameters, box, surfaces, list(names), [True] * len(names))
    found = next_print(held, np.array([one.spread for one in parameters]), responses, chosen)
    if found is None:
        return None
    name = list(names.values())[found.job]
    return WouldTell(name, parameters[found.parameter].name, found.left_share, found.low_s, found.high_s)
