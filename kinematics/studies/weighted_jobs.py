"""Jobs that are timed together under many machines, each as often as it is printed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from kinematics.errors import InputError
from kinematics.gcode.moves import PRINT
from kinematics.limits import columns as by
from kinematics.limits.flow import filament_area, flow_at
from kinematics.planner.features import Features
from kinematics.studies.causes import main_cause
from kinematics.studies.many import ManyTimes, Variant
from kinematics.studies.prepared import LaidOut, PreparedJob
from kinematics.studies.timing import time_job


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

    def weighted_or_never(self, variants: Sequence[Variant]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """The same, infinite where a machine cannot move at all, as one whose motor is too weak for its friction."""
        try:
            return self.weighted(variants)
        except InputError:
            if len(variants) == 1:
                return np.array([math.inf])
            return np.concatenate([self.weighted_or_never([variant]) for variant in variants])

    def main_cause(self, variant: Variant) -> str:
        """What most of the time of all jobs is spent under, with its share."""
        seconds: dict[str, float] = {}
        for job, weight in zip(self.prepared, self.weights.tolist(), strict=True):
            timing = time_job(job, variant.machine, variant.varied, passing=True)
            for cause, spent in timing.by_cause.items():
                seconds[cause] = seconds.get(cause, 0.0) + weight * spent
        return main_cause(seconds, math.fsum(seconds.values()))
