"""How does time fall as limits rise, where does it stop paying, and which part is within the caps?"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from kinematics.caps import columns as by
from kinematics.caps.flow import FLOW_KEY, filament_area, flow_at
from kinematics.gcode.moves import PRINT
from kinematics.machine import Machine, resolved_keys
from kinematics.planner.features import Features
from kinematics.studies.caps_table import caps_of
from kinematics.studies.causes import main_cause
from kinematics.studies.intervals import USUAL, Interval, Sampling, drawn_machines, interval_of
from kinematics.studies.knobs import Knob, present_value, range_of, settings_of, variant_of
from kinematics.studies.many import ManyTimes, Variant
from kinematics.studies.prepared import LaidOut, PreparedJob
from kinematics.studies.timing import time_job

if TYPE_CHECKING:
    import pandas

CHUNK = 64  # candidates at a time: a row is told as soon as its chunk is done
SHARES = (0.80, 0.90, 0.95)  # of what a knob can ever bring
LIFTED = 1e4  # times the largest value: as good as no limit
CLOSE = 1.0005  # ratio at which the search for a knee ends
ONE_PERCENT = 1.01
FALLS = 1e-9  # relative: less is rounding, not a time that grows
ALL_JOBS = "all jobs"
COMMANDED_KEYS = ("feed_override", "commanded_speed_mm_s")  # ends of keys that change what is commanded


class SweepRow(NamedTuple):
    """One candidate and one job: `point` the knobs' values, total time (s), whether the known caps take it (None: not
    known), and what stops it; `interval` of the time where ranges are left that no knob turns.
    """

    point: tuple[float, ...]
    job: str
    total: float
    within_caps: bool | None
    stopped_by: tuple[str, ...]
    interval: Interval | None = None


class Turning(NamedTuple):
    """Where more makes a job longer: the value with the shortest time, that time (s), and what holds beyond."""

    value: float
    total: float
    reason: str


class Knee(NamedTuple):
    """Where one knob stops paying, all others as they are.

    `low` the lowest value looked at and `base` its time (s); `floor` the time with the knob as good as lifted (s), and
    the cause that sets it; `knees` the least value that brings each share of what lies between; `present` the machine's
    own value (None where it gives none); `one_percent` seconds that 1 % more buys along `curve`, (value, seconds);
    `turning` where more makes the job longer.
    """

    knob: str
    low: float
    base: float
    floor: float
    floor_cause: str
    knees: tuple[tuple[float, float], ...]
    present: float | None
    curve: tuple[tuple[float, float], ...]
    turning: Turning | None


@dataclass(frozen=True, repr=False)
class Sweep:
    """The rows of a sweep, and where each knob stops paying with the likely values of all ranges; `sampling` says how
    intervals were drawn, None where no ranges are left.
    """

    machine: Machine
    knobs: tuple[Knob, ...]
    rows: tuple[SweepRow, ...]
    knees: tuple[Knee, ...]
    sampling: Sampling | None = None

    def to_frame(self) -> pandas.DataFrame:
        """One row a candidate and job: a column a knob, job, total_s, (low_s, high_s,) within_caps, stopped_by."""
        import pandas

        return pandas.DataFrame([row_dict(self.knobs, row) for row in self.rows])

    def __repr__(self) -> str:
        return f"<Sweep of {', '.join(knob.name for knob in self.knobs)} on {self.machine.name}: {len(self.rows)} rows>"


def row_dict(knobs: Sequence[Knob], row: SweepRow) -> dict[str, object]:
    """A row with a key for each knob, as tables and documents have it."""
    return {
        **settings_of(knobs, row.point),
        "job": row.job,
        "total_s": row.total,
        **({} if row.interval is None else {"low_s": row.interval.low, "high_s": row.interval.high}),
        "within_caps": row.within_caps,
        "stopped_by": list(row.stopped_by),
    }


def _finite(limits: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    replaced = limits[:, by.SPEED_REPLACED]
    return np.asarray(np.where(np.isfinite(replaced), replaced, 0.0))


class WeightedJobs:
    """Jobs that are timed together, each as often as it is printed."""

    def __init__(self, prepared: Sequence[PreparedJob], names: Sequence[str], weights: Sequence[float]) -> None:
        self.prepared = tuple(prepared)
        self.names = tuple(names)
        self.weights = np.asarray(weights, np.float64)
        self._many = [ManyTimes(job) for job in prepared]
        self._asked: list[tuple[Features, np.ndarray[tuple[int, int], np.dtype[np.float64]]]] = []

    def totals(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        """The time of each job under each variant (float64[jobs, variants], s)."""
        return np.stack([many.totals(variants) for many in self._many])

    def share_of_flow(self, variant: Variant) -> float:
        """The fastest flow that the commanded speeds of any job ask for, as a share of what the hotend melts.

        0 where the machine file does not say how much that is.
        """
        share = 0.0
        for prepared in self.prepared:
            laid_out = prepared.laid_out(*variant)
            asked = self._asked_of_class(laid_out)
            limits = laid_out.limits.values
            speeds = np.where(
                limits[:, by.SPEED_SHARE] > 0.0, asked[0] * limits[:, by.SPEED_SHARE], asked[1] * _finite(limits)
            )
            most = [
                flow_at(variant.machine.hotend.max_flow_mm3_s, member.nozzle).most for member in laid_out.classes.table
            ]
            printing = np.array([member.kind == PRINT for member in laid_out.classes.table])
            flows = np.where(printing, speeds * filament_area(variant.machine), 0.0) / np.array(most)
            share = max(share, float(flows.max(initial=0.0)))
        return share

    def _asked_of_class(self, laid_out: LaidOut) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        """Of each class the fastest commanded speed of filament (mm/s) and the most filament a path length."""
        for features, asked in self._asked:
            if features is laid_out.features:
                return asked
        features = laid_out.features
        asked = np.zeros((2, len(laid_out.classes.table)))
        with np.errstate(divide="ignore"):
            speeds = np.where(features.pace > 0.0, features.ratio / features.pace, 0.0)
        np.maximum.at(asked[0], features.move_class, speeds)
        np.maximum.at(asked[1], features.move_class, features.ratio)
        self._asked = [*self._asked[-len(self.prepared) :], (features, asked)]
        return asked

    def weighted(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """The time of all jobs under each variant (s), each as often as it is printed."""
        return np.asarray(self.weights @ self.totals(variants))


def _judged(variant: Variant, jobs: WeightedJobs) -> tuple[bool | None, tuple[str, ...]]:
    """Whether what a candidate turns is within the known caps of its machine, and what stops it.

    Judged are the limits that the candidate turns, and what its commanded speeds ask of the hotend.
    """
    rows = [row for row in caps_of(variant.machine).rows if row.limit in variant.varied and row.asked is not None]
    stopped = [row.stopped_by for row in rows if row.within_caps is False]
    melts = any(key == FLOW_KEY or key.endswith(COMMANDED_KEYS) for key in variant.varied)
    known = all(row.within_caps for row in rows)
    if melts:
        share = jobs.share_of_flow(variant)
        if share > 1.0 + FALLS:
            stopped.append("hotend flow")
        known = known and share > 0.0
    if stopped:
        return False, tuple(dict.fromkeys(stopped))
    return (True if (rows or melts) and known else None), ()


def ranges_left(machine: Machine, knobs: Sequence[Knob]) -> bool:
    """Whether a machine has ranges that no knob turns."""
    return bool(machine.ranges.keys() - resolved_keys({knob.name: knob.values[0] for knob in knobs}, machine))


def _intervals(variant: Variant, jobs: WeightedJobs, sampling: Sampling) -> list[Interval | None]:
    """The interval of each job and of all together, None throughout where the candidate has no ranges."""
    if not variant.machine.ranges:
        return [None] * (len(jobs.names) + 1)
    drawn = jobs.totals([Variant(machine, variant.varied) for machine in drawn_machines(variant.machine, sampling)])
    return [*(interval_of(times) for times in drawn), interval_of(jobs.weights @ drawn)]


def sweep_rows(
    jobs: WeightedJobs,
    machine: Machine,
    knobs: Sequence[Knob],
    points: Sequence[tuple[float, ...]],
    tell: Callable[[int], None] = lambda _: None,
    sampling: Sampling = USUAL,
) -> Iterator[list[SweepRow]]:
    """The rows of points of a sweep, a chunk of candidates at a time, in order; `tell` hears how many are done.

    A candidate has a row for each job, and one for all of them together where there are several. `sampling` says how
    intervals are drawn where ranges are left: of every candidate on the same draws.
    """
    at_a_time = CHUNK if not points or not ranges_left(machine, knobs) else 1  # each is then timed on many draws
    for first in range(0, len(points), at_a_time):
        chosen = points[first : first + at_a_time]
        variants = [variant_of(machine, settings_of(knobs, point)) for point in chosen]
        totals = jobs.totals(variants)
        rows = []
        for k, point in enumerate(chosen):
            within, stopped = _judged(variants[k], jobs)
            known = _intervals(variants[k], jobs, sampling)
            rows += [
                SweepRow(point, name, float(total), within, stopped, interval)
                for name, total, interval in zip(jobs.names, totals[:, k], known[:-1], strict=True)
            ]
            if len(jobs.names) > 1:
                rows.append(SweepRow(point, ALL_JOBS, float(jobs.weights @ totals[:, k]), within, stopped, known[-1]))
        tell(first + len(chosen))
        yield rows


def knee_of(jobs: WeightedJobs, machine: Machine, knob: Knob) -> Knee:
    """Where one knob stops paying, all others as the machine has them.

    Along its values the time is taken, and 1 % above each (of whole numbers at the next one, and 1 % of that); between
    the lowest value and the knob as good as lifted, the least values that bring 80, 90 and 95 % of what lies between
    are found among 200 values, and then by bisection.
    """
    present = present_value(machine, knob.name)
    low = knob.values[0]
    allowed = range_of(machine, knob.name, knob.values[-1])
    high = allowed.taken(max(knob.values[-1], present or 0.0) * LIFTED)

    def times(values: Sequence[float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return jobs.weighted([variant_of(machine, {knob.name: allowed.taken(float(value))}) for value in values])

    curve = times(knob.values)
    more = times([value + 1.0 if allowed.whole else value * ONE_PERCENT for value in knob.values])
    steps = 0.01 * np.array(knob.values) if allowed.whole else 1.0
    base, floor = (float(total) for total in times([low, high]))
    spread = np.geomspace(low, high, 200) if low > 0.0 else np.linspace(low, high, 200)
    if allowed.whole:
        spread = np.unique(np.round(spread))
    seen = times(spread.tolist())
    least = int(seen.argmin())
    turning = None
    if floor > seen[least] * (1.0 + FALLS):
        value = float(spread[least])
        beyond = variant_of(machine, {knob.name: high})
        timing = time_job(jobs.prepared[0], beyond.machine, beyond.varied, passing=True)
        turning = Turning(value, float(seen[least]), main_cause(timing.by_cause, timing.total))
    best = min(floor, float(seen.min()))
    knees = []
    for share in SHARES:
        goal = base - share * (base - best)
        knees.append((share, allowed.taken(_least_value(times, spread, seen, goal))))
    lifted = variant_of(machine, {knob.name: high})
    timing = time_job(jobs.prepared[0], lifted.machine, lifted.varied, passing=True)
    return Knee(
        knob.name,
        low,
        base,
        floor,
        main_cause(timing.by_cause, timing.total),
        tuple(knees),
        present,
        tuple(zip(knob.values, (steps * (curve - more)).tolist(), strict=True)),
        turning,
    )


def _least_value(
    times: Callable[[Sequence[float]], np.ndarray[tuple[int], np.dtype[np.float64]]],
    spread: np.ndarray[tuple[int], np.dtype[np.float64]],
    seen: np.ndarray[tuple[int], np.dtype[np.float64]],
    goal: float,
) -> float:
    """The least value whose time is the goal or less: bisected between the values that were seen on either side."""
    met = np.flatnonzero(seen <= goal * (1.0 + FALLS))
    first = int(met[0]) if met.size else spread.size - 1
    if first == 0:
        return float(spread[0])
    low, high = float(spread[first - 1]), float(spread[first])
    while high / max(low, 1e-300) > CLOSE and high - low > 1e-12:
        middle = math.sqrt(low * high) if low > 0.0 else 0.5 * high
        if times([middle])[0] <= goal * (1.0 + FALLS):
            high = middle
        else:
            low = middle
    return high
