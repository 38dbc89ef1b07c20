"""The time of a job under many machines at once: batches where they serve, single plans where they do not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.job import Job
from kinematics.gcode.moves import WAITS
from kinematics.limits.combine import Limits
from kinematics.machine import Machine
from kinematics.planner.batch import WORKERS, BatchFeatures, batch_features, batch_times
from kinematics.planner.features import Features
from kinematics.studies.prepared import LaidOut, PreparedJob
from kinematics.studies.stops import stops_of
from kinematics.studies.timing import clock_of, time_job

Reals = NDArray[np.float64]


class Variant(NamedTuple):
    """A machine and the keys that a study varies on it."""

    machine: Machine
    varied: frozenset[str]


class _Group(NamedTuple):
    """Variants that share features and lookahead: their places among all, and their limits."""

    places: list[int]
    limits: list[Limits]
    laid_out: LaidOut


class ManyTimes:
    """A job's times under any number of machines; what batches need of its features is made once for each kind.

    Machines that read the job or see its corners otherwise are timed apart, and what only they need is not kept: memory
    grows with the job and with the machines, not with their product.
    """

    def __init__(self, prepared: PreparedJob, workers: int = WORKERS) -> None:
        self._prepared = prepared
        self._workers = workers
        self._features: list[tuple[Features, BatchFeatures]] = []
        self._reading: object = None  # of the first machine, kept

    def totals(self, variants: Sequence[Variant]) -> Reals:
        """The total time under each variant (s), stops and cooling included, as `timing.time_job` has it.

        Raises InputError where the job cannot be read.
        """
        totals = np.empty(len(variants))
        alike: dict[tuple[object, object], list[int]] = {}
        for place, (machine, _) in enumerate(variants):
            reading = self._prepared.reading_of(machine)
            if self._reading is None:
                self._prepared.read(machine)  # standard input gives its content once
                self._reading = reading
            motion = machine.motion
            corners = (motion.curve_rule, motion.curve_window_mm, motion.short_run_mm)
            alike.setdefault((reading, corners), []).append(place)
        for (reading, _), places in alike.items():
            many = self if reading == self._reading else ManyTimes(self._prepared.anew(), self._workers)
            totals[places] = many._totals_alike([variants[place] for place in places])
        return totals

    def _totals_alike(self, variants: Sequence[Variant]) -> Reals:
        totals = np.empty(len(variants))
        groups: dict[tuple[int, int | None, bool], _Group] = {}
        single: list[int] = []
        for place, (machine, varied) in enumerate(variants):
            if self._prepared.is_planned_singly(machine, varied):
                single.append(place)
                continue
            laid_out = self._prepared.laid_out(machine, varied)
            limits = laid_out.limits
            cooled = bool(machine.cooling.shortest_layer_s) and laid_out.job.layers > 0
            key = (id(laid_out.features), limits.lookahead, cooled)
            group = groups.setdefault(key, _Group([], [], laid_out))
            group.places.append(place)
            group.limits.append(limits)
        # Planning lets other threads run, so that both cores are of use.
        with ThreadPoolExecutor(self._workers) as pool:
            totals[single] = list(pool.map(lambda place: self._timed_singly(variants[place]), single))
        for (_, lookahead, cooled), group in groups.items():
            machines = [variants[place].machine for place in group.places]
            totals[group.places] = self._timed(group, machines, lookahead, cooled)
        return totals

    def _timed_singly(self, variant: Variant) -> float:
        return time_job(self._prepared, *variant, passing=True).total

    def _batch_features(self, laid_out: LaidOut) -> BatchFeatures:
        for features, made in self._features:
            if features is laid_out.features:
                return made
        made = batch_features(laid_out.features, laid_out.job.moves.layer)
        self._features = [*self._features[-1:], (laid_out.features, made)]
        return made

    def _timed(self, group: _Group, machines: Sequence[Machine], lookahead: int | None, cooled: bool) -> Reals:
        job = group.laid_out.job
        waits = _last_wait(job)
        marks = job.events.move[:waits]
        times = batch_times(
            self._batch_features(group.laid_out),
            [limits.values for limits in group.limits],
            lookahead,
            job.layers if cooled else 0,
            marks,
            self._workers,
        )
        after = np.append(job.moves.layer, job.layers + 1)[marks]
        totals = np.empty(len(machines))
        for i, machine in enumerate(machines):
            cooling = np.zeros(job.layers + 1)
            if cooled:
                cooling = np.maximum(0.0, (machine.cooling.shortest_layer_s or 0.0) - times.layers[:, i])
                cooling[0] = 0.0
            clock = np.zeros(job.events.kind.size)
            clock[:waits] = clock_of(times.passed[:, i], after, cooling)
            stops = stops_of(job.events, machine, clock, job.facts)
            totals[i] = times.motion[i] + stops.dwell + stops.total + math.fsum(cooling)
        return totals


def _last_wait(job: Job) -> int:
    """How many events there are up to the last wait: nobody asks what time it is after that."""
    waits = np.flatnonzero(np.isin(job.events.kind, WAITS))
    return int(waits[-1]) + 1 if waits.size else 0
