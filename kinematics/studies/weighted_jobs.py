"""Jobs that are timed together under many machines, each as often as it is printed.

What no limit of motion changes of them, and which share of the visible path a change of limits prints otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.moves import KIND_NAMES, PRINT
from kinematics.limits import columns as by
from kinematics.limits.combine import LimitTable
from kinematics.limits.flow import filament_area, flow_at
from kinematics.machine import Machine
from kinematics.studies.asked import FlowAsked, Seen, look_hangs_on
from kinematics.studies.many import Variant
from kinematics.studies.timing import (
    COOLING,
    DWELL,
    Ask,
    TimedJob,
    Timing,
    each,
    main_cause,
    summed,
    time_job,
    time_jobs,
    totals_later,
)


def _finite(limits: NDArray[np.float64]) -> NDArray[np.float64]:
    replaced = limits[:, by.SPEED_REPLACED]
    return np.asarray(np.where(np.isfinite(replaced), replaced, 0.0))


def _flow_asked(job: TimedJob, machine: Machine) -> Seen[FlowAsked]:
    return job.look_at(machine, FlowAsked)


class WeightedJobs:
    """Jobs that are timed together, each as often as it is printed."""

    def __init__(self, jobs: Sequence[TimedJob], names: Sequence[str], weights: Sequence[float]) -> None:
        self.prepared = tuple(jobs)
        self.names = tuple(names)
        self.weights = np.asarray(weights, np.float64)
        self._asked: dict[object, list[tuple[FlowAsked, LimitTable]]] = {}

    def totals(self, variants: Sequence[Variant]) -> NDArray[np.float64]:
        """The time of each job under each variant (float64[jobs, variants], s)."""
        return self.totals_later(variants)()

    def totals_later(self, variants: Sequence[Variant]) -> Callable[[], NDArray[np.float64]]:
        """The way to `totals`: jobs that are elsewhere set to work at once."""
        return totals_later(self.prepared, [Ask(*variant) for variant in variants])

    def share_of_flow(self, variant: Variant) -> float:
        """The fastest flow that the commanded speeds of any job ask for, as a share of what the hotend melts.

        0 where the machine file does not say how much that is.
        """
        machine, share = variant.machine, 0.0
        key = look_hangs_on(machine)
        if key not in self._asked:
            self._asked[key] = [
                (sums, LimitTable(table, mode)) for sums, table, mode in each(self.prepared, _flow_asked, machine)
            ]
        for sums, limit_table in self._asked[key]:
            table, limits = limit_table.table, limit_table.of(machine, variant.varied).values
            fastest, most = sums.of_classes(len(table))
            by_file = limits[:, by.SPEED_SHARE] > 0.0
            speeds = np.where(by_file, fastest * limits[:, by.SPEED_SHARE], most * _finite(limits))
            melted = [flow_at(machine.hotend.max_flow_mm3_s, member.nozzle).most for member in table]
            printing = np.array([member.kind == PRINT for member in table])
            flows = np.where(printing, speeds * filament_area(machine), 0.0) / np.array(melted)
            share = max(share, float(flows.max(initial=0.0)))
        return share

    def sum_of(self, values: Iterable[float]) -> float:
        """The sum of values, one a job, each as often as it is printed."""
        return math.fsum(weight * value for weight, value in zip(self.weights.tolist(), values, strict=True))

    def weighted(self, variants: Sequence[Variant]) -> NDArray[np.float64]:
        """The time of all jobs under each variant (s), each as often as it is printed."""
        return np.asarray(self.weights @ self.totals(variants))

    def weighted_or_never(self, variants: Sequence[Variant]) -> NDArray[np.float64]:
        """The same, infinite where a machine cannot move at all, as one whose motor is too weak for its friction."""
        try:
            return self.weighted(variants)
        except InputError:
            if len(variants) == 1:
                return np.array([math.inf])
            return np.concatenate([self.weighted_or_never([variant]) for variant in variants])

    def by_cause(self, timings: Sequence[Timing]) -> dict[str, float]:
        """Seconds of all jobs by cause, each job as often as it is printed."""
        each = zip(timings, self.weights.tolist(), strict=True)
        return summed((cause, weight * spent) for one, weight in each for cause, spent in one.by_cause.items())

    def main_cause(self, variant: Variant) -> str:
        """What most of the time of all jobs is spent under, with its share."""
        seconds = self.by_cause(time_jobs(self.prepared, *variant, passing=True))
        return main_cause(seconds, math.fsum(seconds.values()))


class Fixed(NamedTuple):
    """Seconds of all jobs, each as often as it is printed, that no limit of motion changes.

    `by_kind` heating, homing, dwell and the like; `layers` how many layers there are and `shortest_s` what each lasts
    at least (None: nothing is given), so that the jobs cannot fall below `floor_s`; `held_by` the longest part of that.
    `cooling_s` what layers wait now.
    """

    by_kind: Mapping[str, float]
    fixed_s: float
    layers: float
    shortest_s: float | None
    cooling_s: float
    floor_s: float
    held_by: str


def fixed_of(jobs: WeightedJobs, timings: Sequence[Timing], machine: Machine, reach: Machine) -> Fixed:
    """The fixed times of jobs as they are timed now; the shortest layer time is that of the machine at its `reach`."""
    by_kind = summed(
        (kind, weight * spent)
        for one, weight in zip(timings, jobs.weights.tolist(), strict=True)
        for kind, spent in {DWELL: one.stops.dwell, **one.stops.seconds}.items()
        if spent > 0.0
    )
    layers = jobs.sum_of(timing.facts.layers for timing in timings)
    cooling = jobs.sum_of(timing.cooling for timing in timings)
    fixed = math.fsum(by_kind.values())
    shortest = reach.cooling.shortest_layer_s if machine.cooling.shortest_layer_s else None
    waiting = layers * (shortest or 0.0)
    parts = {**by_kind, COOLING: waiting}
    held_by = max(parts, key=lambda kind: parts[kind]) if fixed + waiting > 0.0 else ""
    return Fixed(by_kind, fixed, layers, shortest, cooling, fixed + waiting, held_by)


OTHERWISE = 1e-3  # of a move's time: what is less is no change that anybody sees


def changed_shares(jobs: WeightedJobs, keep: Sequence[str], variants: Sequence[Variant]) -> list[float | None]:
    """The shares of the visible length that take another time under each variant but the first than under the one
    before; None for jobs whose moves are not kept.

    Visible are moves of the labels to `keep`, or without any such all that print.
    """
    labels = [name for name in keep if name not in KIND_NAMES]
    lengths = each(jobs.prepared, _changed_lengths, tuple(variants), labels)
    if any(of_job is None for of_job in lengths):
        return [None] * (len(variants) - 1)
    sums = np.tensordot(jobs.weights, np.array(lengths).reshape(len(lengths), -1, 2), 1)
    return [changed / length if length > 0.0 else 0.0 for changed, length in sums.tolist()]


def _changed_lengths(
    job: TimedJob, variants: Sequence[Variant], labels: Sequence[str]
) -> list[tuple[float, float]] | None:
    """Of each variant but the first, the visible length that takes another time than under the one before, and all of
    it (mm).
    """
    found: list[tuple[float, float]] = []
    before: NDArray[np.float64] | None = None
    for variant in variants:
        planned = time_job(job, *variant, passing=True).planned
        if planned is None:
            return None
        seen = planned.job.moves.kind == PRINT
        if labels:
            names = planned.job.labels.names
            codes = [code for code, name in enumerate(names) if name in labels]
            seen = seen & np.isin(planned.job.labels.of_move, codes)
        lengths, now = planned.features.length[seen], planned.plan.duration[seen]
        if before is not None:
            other = np.abs(now - before) > OTHERWISE * before if before.size == now.size else np.zeros(now.size, bool)
            found.append((float(lengths[other].sum()), float(lengths.sum())))
        before = now
    return found
