"""Jobs that are timed together under many machines, each as often as it is printed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from kinematics.errors import InputError
from kinematics.gcode.moves import PRINT
from kinematics.limits import columns as by
from kinematics.limits.combine import limits_of
from kinematics.limits.flow import filament_area, flow_at
from kinematics.machine import Machine
from kinematics.studies.asked import FlowAsked, Seen, look_hangs_on
from kinematics.studies.causes import main_cause, summed
from kinematics.studies.many import Variant
from kinematics.studies.timing import Ask, TimedJob, Timing, each, time_jobs, totals_later, totals_of


def _finite(limits: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
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
        self._asked: dict[object, list[Seen[FlowAsked]]] = {}

    def totals(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
        """The time of each job under each variant (float64[jobs, variants], s)."""
        asks = [Ask(*variant) for variant in variants]
        return totals_of(self.prepared, asks)

    def totals_later(
        self, variants: Sequence[Variant]
    ) -> Callable[[], np.ndarray[tuple[int, int], np.dtype[np.float64]]]:
        """The way to `totals`: jobs that are elsewhere set to work at once."""
        return totals_later(self.prepared, [Ask(*variant) for variant in variants])

    def share_of_flow(self, variant: Variant) -> float:
        """The fastest flow that the commanded speeds of any job ask for, as a share of what the hotend melts.

        0 where the machine file does not say how much that is.
        """
        machine, share = variant.machine, 0.0
        key = look_hangs_on(machine)
        if key not in self._asked:
            self._asked[key] = each(self.prepared, _flow_asked, machine)
        for sums, table, file_limits in self._asked[key]:
            limits = limits_of(machine, table, file_limits, variant.varied).values
            fastest, most = sums.of_classes(len(table))
            by_file = limits[:, by.SPEED_SHARE] > 0.0
            speeds = np.where(by_file, fastest * limits[:, by.SPEED_SHARE], most * _finite(limits))
            melted = [flow_at(machine.hotend.max_flow_mm3_s, member.nozzle).most for member in table]
            printing = np.array([member.kind == PRINT for member in table])
            flows = np.where(printing, speeds * filament_area(machine), 0.0) / np.array(melted)
            share = max(share, float(flows.max(initial=0.0)))
        return share

    def weighted(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """The time of all jobs under each variant (s), each as often as it is printed."""
        return np.asarray(self.weights @ self.totals(variants))

    def weighted_or_never(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
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
