"""Which one print acceleration and which one corner setting keep a whole job inside both budgets?

A plan holds budgets corner by corner, and no controller does. So here jobs are planned as the controller does it, with
budgets off, and what then comes of the filters is held against the budgets by convolution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import command_that_sets
from kinematics.gcode.dialects import Dialect
from kinematics.jobs.timing import TimedJob, Timing, time_job, weighted_total
from kinematics.jobs.whole_jobs import by_one_kick_mm, ringing_of_timing, rounding_of_timing, swings
from kinematics.limits.vibration import AXES, axis_quality, rounds
from kinematics.machine import Machine
from kinematics.machine.rules import JUNCTION_KEY, SPEED_STEP_KEY

PRINT_KEY, TRAVEL_KEY = "motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2"
CORNERS_TRIED = (1.0, 0.5, 2.0, 0.25)  # times what is set now: corner settings that are tried
CLOSER = (0.7, 1.4)  # times the best of them
NARROWINGS = 6  # of the acceleration that a corner setting leaves
LEAST, MOST = 50.0, 50_000.0  # mm/s²
LIFTED_RAMP = 1e6  # mm/s²: no limit on print acceleration but the budgets
USEFUL = 1.0005  # times the time with the most acceleration: what reaches that is as good
HALVINGS = 9
A_LITTLE = 1.0 + 1e-9
KICK, JOB = "kick", "job"
NO_BUDGETS: Mapping[str, Any] = {"quality.rounding_budget_mm": None, "quality.ringing_budget_mm": None}


@dataclass(frozen=True)
class TypedSettings:
    """What to set on the controller so that whole jobs stay inside both budgets, and what it brings.

    `settings` by key; `total_s` the time of all jobs with them, `planned_s` with the budgets held corner by corner in
    their place;
    `rounding_mm` the worst rounding, `ringing_mm` the worst swing that counts (None where no filter rounds, no mode is
    known); `inside` False where nothing that was tried keeps to the budgets.
    """

    settings: Mapping[str, Any]
    total_s: float
    planned_s: float
    rounding_mm: float | None
    ringing_mm: float | None
    inside: bool


class _TypedTrial:
    """Jobs under one pair of settings after the other, budgets off."""

    def __init__(
        self,
        jobs: Sequence[TimedJob],
        weights: Sequence[float],
        machine: Machine,
        counted: str,
        varied: frozenset[str],
    ) -> None:
        self.jobs, self.weights, self.counted, self.varied = jobs, weights, counted, varied
        self.rounding, self.ringing = machine.quality.rounding_budget_mm, machine.quality.ringing_budget_mm
        self.rounds = rounds(machine)
        self.swings = swings(machine)
        self.machine = machine.with_settings(NO_BUDGETS, "settings to type in")

    def timings(self, settings: Mapping[str, Any], passing: bool = False) -> list[Timing]:
        """Every job planned as the controller does it."""
        machine = self.machine.with_settings(settings, "settings to type in")
        varied = self.varied.union(_varied(settings))
        return [time_job(job, machine, varied, passing=passing) for job in self.jobs]

    def ringing_of(self, timings: Sequence[Timing]) -> float | None:
        """The worst swing that counts: of one kick, or of a whole job (mm)."""
        if not self.swings:
            return None
        if self.counted == JOB:
            return max((axis.left_mm for one in timings for axis in ringing_of_timing(one).axes), default=0.0)
        return max(by_one_kick_mm(one) for one in timings)

    def rounding_of(self, timings: Sequence[Timing]) -> float | None:
        """The worst rounding (mm)."""
        return max(rounding_of_timing(one).worst_mm for one in timings) if self.rounds else None

    def excess(self, settings: Mapping[str, Any]) -> float:
        """How much of the budget that is strained most all jobs use, as a share: 1 and less keeps to both."""
        timings = self.timings(settings)
        swing = self.ringing_of(timings) if self.ringing is not None else None
        strained = 0.0 if swing is None or self.ringing is None else swing / self.ringing
        if strained > A_LITTLE or self.rounding is None:
            return strained
        return max(strained, (self.rounding_of(timings) or 0.0) / self.rounding)

    def quick_total(self, settings: Mapping[str, Any]) -> float:
        """The time of all jobs (s), nothing else of them."""
        return weighted_total(self.timings(settings, passing=True), self.weights)


def has_budgets(machine: Machine) -> bool:
    """Whether a machine has a budget, and a filter or a mode that uses it up."""
    quality = machine.quality
    rings = quality.ringing_budget_mm is not None and swings(machine)
    return rings or (quality.rounding_budget_mm is not None and rounds(machine))


def _varied(settings: Mapping[str, Any]) -> list[str]:
    return [f"{SPEED_STEP_KEY}.{axis}" for axis in "xyz"] + [*settings] if SPEED_STEP_KEY in settings else [*settings]


def _corner(machine: Machine, factor: float) -> dict[str, Any]:
    """The machine's own corner setting times a factor, three digits of it."""
    step = machine.motion.speed_step_mm_s
    if step is not None:
        told = {axis: getattr(step, axis) for axis in "xyz"}
        return {SPEED_STEP_KEY: {axis: _digits(value * factor) for axis, value in told.items() if value is not None}}
    deviation = machine.motion.junction_deviation_mm
    return {} if deviation is None else {JUNCTION_KEY: _digits(deviation * factor)}


def _digits(value: float) -> float:
    """A number with two digits, as one types it; rounded down, so that nothing is promised that does not hold."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1) if value > 0.0 else 1.0
    return round(math.floor(value / unit + 1e-9) * unit, 6)


def settings_to_type(
    machine: Machine,
    jobs: Sequence[TimedJob],
    weights: Sequence[float] | None = None,
    counted: str = KICK,
    travel: float | None = None,
    varied: frozenset[str] = frozenset(),
) -> TypedSettings:
    """The print acceleration and the corner setting with which jobs finish soonest inside the machine's budgets.

    Travel is no quicker than ringing takes in any direction (or `travel`, mm/s²). `counted` is "kick", or "job" for the
    swing that a whole job leaves; `varied` further keys that win over what jobs state. Raises InputError without jobs,
    and where neither budget is given.
    """
    if not jobs:
        raise InputError.at("settings to type in", "no job", "one job or more")
    quality = machine.quality
    if quality.rounding_budget_mm is None and quality.ringing_budget_mm is None:
        raise InputError.at(machine.name, "no budget", "quality.rounding_budget_mm or quality.ringing_budget_mm")
    shares = [1.0] * len(jobs) if weights is None else weights
    trial = _TypedTrial(jobs, shares, machine, counted, varied)
    rings = min(axis_quality(machine, axis).ramp_ringing for axis in AXES)
    most_travel = min(machine.motion.travel_acceleration_mm_s2, rings if travel is None else travel)
    fixed: dict[str, Any] = {TRAVEL_KEY: _digits(most_travel)} if most_travel < math.inf else {}
    found: dict[float, tuple[float, dict[str, Any]]] = {}

    def best_with(factor: float) -> float:
        """The time with a corner setting and the most acceleration that it leaves; infinite where none keeps."""
        others = {**fixed, **_corner(machine, factor)}
        soonest = min((time for time, _ in found.values()), default=math.inf)
        acceleration = _most_acceleration(trial, others, soonest)
        if acceleration is None:
            return math.inf
        settings = {PRINT_KEY: acceleration, **others}
        found[factor] = trial.quick_total(settings), settings
        return found[factor][0]

    times = {factor: best_with(factor) for factor in (CORNERS_TRIED if _corner(machine, 1.0) else (1.0,))}
    best = min(times, key=lambda factor: times[factor])
    if math.isfinite(times[best]) and len(times) > 1:
        for factor in CLOSER:
            times[best * factor] = best_with(best * factor)
        best = min(times, key=lambda factor: times[factor])
    lifted = machine.with_settings({PRINT_KEY: LIFTED_RAMP}, "settings to type in")
    planned = weighted_total([time_job(job, lifted, varied | {PRINT_KEY}, passing=True) for job in jobs], shares)
    inside = math.isfinite(times[best])
    settings = found[best][1] if inside else {PRINT_KEY: LEAST, **_corner(machine, CORNERS_TRIED[0]), **fixed}
    timings = trial.timings(settings)
    total = weighted_total(timings, shares)
    return TypedSettings(settings, total, planned, trial.rounding_of(timings), trial.ringing_of(timings), inside)


def _most_acceleration(trial: _TypedTrial, others: Mapping[str, Any], soonest: float) -> float | None:
    """The most print acceleration (mm/s²) that keeps to the budgets beside other settings, and is of use; None where
    none keeps, and where even budgets apart the jobs would take longer than `soonest` (s).
    """
    whole = trial.quick_total({PRINT_KEY: MOST, **others})
    if whole >= soonest:
        return None
    low, high = LEAST, MOST
    for _ in range(HALVINGS):
        middle = math.sqrt(low * high)
        if trial.quick_total({PRINT_KEY: middle, **others}) <= whole * USEFUL:
            high = middle
        else:
            low = middle
    tried = _digits(high)
    kept, low, high = None, LEAST, tried
    for _ in range(NARROWINGS):
        excess = trial.excess({PRINT_KEY: tried, **others})
        if excess <= A_LITTLE:
            kept, low = tried, tried
            if tried >= high:
                break
        else:
            high = tried
        # Ramps strain a budget as the acceleration does, corners as its root: the square is inside for both.
        guess = tried / excess**2 if excess > A_LITTLE else math.sqrt(low * high)
        tried = _digits(guess if low < guess < high else math.sqrt(low * high))
        if not low < tried < high:
            break
    return kept


WRITTEN = {PRINT_KEY: "print acceleration", JUNCTION_KEY: "junction deviation", TRAVEL_KEY: "travel acceleration"}


def commands_for(settings: Mapping[str, Any], dialect: Dialect) -> list[str]:
    """The lines that set these on the user's controller, in the words of the dialect's `[[write]]` rows; what the table
    has no row for is left out. Raises InputError where it has none for print acceleration.
    """
    known = {row.means for row in dialect.writes}
    told = {means: settings[key] for key, means in WRITTEN.items() if key in settings}
    told |= {f"{axis} step": value for axis, value in settings.get(SPEED_STEP_KEY, {}).items()}
    return [
        command_that_sets(dialect, means, float(value))
        for means, value in told.items()
        if means in known or means == WRITTEN[PRINT_KEY]
    ]
