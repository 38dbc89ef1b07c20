"""The time of a job under many machines at once, batches where they serve, single plans where they do not; and jobs
that are timed together, each as often as it is printed.

What no limit of motion changes of them, and which share of the visible path a change of limits prints otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.job import Job
from kinematics.gcode.moves import KIND_NAMES, PRINT, WAITS
from kinematics.jobs.asked import FlowAsked, Seen, look_hangs_on
from kinematics.jobs.prepared import LaidOut, PreparedJob
from kinematics.jobs.stops import stopped_under
from kinematics.jobs.timing import (
    COOLING_CAUSE,
    DWELL_CAUSE,
    Ask,
    Reals,
    TimedJob,
    Timing,
    clock_of,
    each,
    main_cause,
    summed,
    time_job,
    time_jobs,
    totals_later,
)
from kinematics.limits import columns as by
from kinematics.limits.combine import PARTS_OF_LIMITS, LimitTable
from kinematics.limits.flow import filament_area, flow_at
from kinematics.machine import Machine
from kinematics.planner.batch import WORKERS, BatchFeatures, batch_begun, batch_features
from kinematics.planner.features import Features


class Variant(NamedTuple):
    """A machine and the keys that a study varies on it."""

    machine: Machine
    varied: frozenset[str]


class _Group(NamedTuple):
    """Variants that share all but limits: their places among all, what their plans are made of but for that, the first
    one's machine, and their limits (float64[variants, classes, LIMITS]).
    """

    places: NDArray[np.int64]
    laid_out: LaidOut
    machine: Machine
    limits: Reals


class ManyTimes:
    """A job's times under any number of machines; what batches need of its features is made once for each kind.

    Machines that read the job or see its corners otherwise are timed apart, and what only they need is not kept: memory
    grows with the job and with the machines, not with their product. Of machines that differ in nothing but limits all
    else is asked once.
    """

    def __init__(self, prepared: PreparedJob, workers: int = WORKERS) -> None:
        self._prepared = prepared
        self._workers = workers
        self._features: list[tuple[Features, BatchFeatures | None]] = []
        self._reading: object = None  # of the first machine, kept

    def totals(self, variants: Sequence[Variant]) -> Reals:
        """The total time under each variant (s), stops and cooling included, as `timing.time_job` has it.

        Raises InputError where the job cannot be read.
        """
        return self.totals_later(variants)()

    def totals_later(self, variants: Sequence[Variant]) -> Callable[[], Reals]:
        """The way to `totals`; a batch over the reading that is kept is set to work at once, where machines differ in
        nothing but limits: of others each takes room that goes before the next one's turn.
        """
        totals = np.empty(len(variants))
        same: dict[object, list[int]] = {}  # but for limits
        for place, (machine, varied) in enumerate(variants):
            base, _, changes = machine.turned
            beside = frozenset((part, of_part) for part, of_part in changes.items() if part not in PARTS_OF_LIMITS)
            same.setdefault((id(base), beside, look_hangs_on(machine), varied), []).append(place)
        alike: dict[tuple[object, object], list[list[int]]] = {}
        for places in same.values():
            machine = variants[places[0]].machine
            reading = self._prepared.reading_of(machine)
            if self._reading is None:
                self._prepared.read(machine)  # standard input gives its content once
                self._reading = reading
            motion = machine.motion
            corners = (motion.curve_rule, motion.curve_window_mm, motion.short_run_mm)
            alike.setdefault((reading, corners), []).append(places)

        def begin(reading: object, groups: Sequence[Sequence[int]]) -> Callable[[], None]:
            many = self if reading == self._reading else ManyTimes(self._prepared.anew(), self._workers)
            return many._begun(variants, groups, totals)

        turns: list[Callable[[], Callable[[], None]]] = [
            partial(begin, reading, groups) for (reading, _), groups in alike.items()
        ]
        if len(same) == 1 and all(reading == self._reading for reading, _ in alike):
            begun = begin(self._reading, [*same.values()])
            turns = [lambda: begun]

        def finished() -> Reals:
            for turn in turns:
                turn()()
            return totals

        return finished

    def _begun(self, variants: Sequence[Variant], same: Sequence[Sequence[int]], totals: Reals) -> Callable[[], None]:
        """Set batches of variants to work that read the job alike; what is returned writes their times.

        `same` places of those that share all but limits.
        """
        batches: dict[tuple[int, int | None, bool], list[_Group]] = {}
        single: list[int] = []
        for places in same:
            machine, varied = variants[places[0]]
            limits = self._prepared.limits_of_many([variants[place].machine for place in places], varied)
            single += np.array(places)[limits.planned_singly].tolist()
            for those in limits.alike:
                laid_out = self._prepared.laid_out(*variants[places[those[0]]])
                cooled = bool(machine.cooling.shortest_layer_s) and laid_out.job.layers > 0
                group = _Group(np.array(places)[those], laid_out, machine, limits.values[those])
                key = id(laid_out.features), machine.motion.lookahead_moves, cooled
                batches.setdefault(key, []).append(group)
        begun = [
            self._batch_begun(groups, lookahead, cooled, totals) for (_, lookahead, cooled), groups in batches.items()
        ]

        def finish() -> None:
            if single:  # planning lets other threads run, so that both cores are of use
                with ThreadPoolExecutor(self._workers) as pool:
                    totals[single] = list(pool.map(lambda place: self._timed_singly(variants[place]), single))
            for one in begun:
                one()

        return finish

    def _timed_singly(self, variant: Variant) -> float:
        return time_job(self._prepared, *variant, passing=True).total

    def _batch_features(self, laid_out: LaidOut) -> BatchFeatures:
        others = [one for one in self._features if one[0] is not laid_out.features]
        known = [one for one in self._features if one[0] is laid_out.features]
        if known and known[0][1] is not None:
            return known[0][1]
        made = batch_features(laid_out.features, laid_out.job.moves.layer)
        # Kept once they are asked for again: an estimate asks once, perhaps each of thousands of jobs.
        self._features = [*others[-1:], (laid_out.features, made if known else None)]
        return made

    def _batch_begun(
        self, groups: Sequence[_Group], lookahead: int | None, cooled: bool, totals: Reals
    ) -> Callable[[], None]:
        """Set a batch of groups to work that share features and lookahead; what is returned writes their times."""
        job = groups[0].laid_out.job
        waits = _last_wait(job)
        marks = job.events.move[:waits]
        begun = batch_begun(
            self._batch_features(groups[0].laid_out),
            np.concatenate([group.limits for group in groups]),
            lookahead,
            job.layers if cooled else 0,
            marks,
            self._workers,
        )

        def finish() -> None:
            times, first = begun(), 0
            after = np.append(job.moves.layer[: int(marks.max(initial=0)) + 1], job.layers + 1)[marks]
            for group in groups:
                those = slice(first, first + group.places.size)
                first = those.stop
                cooling = np.zeros((job.layers + 1, group.places.size))
                if cooled:
                    shortest = group.machine.cooling.shortest_layer_s or 0.0
                    np.maximum(0.0, shortest - times.layers[1:, those], out=cooling[1:])
                clocks = np.zeros((job.events.kind.size, group.places.size))
                clocks[:waits] = clock_of(times.passed[:, those], after, cooling)
                stopped = stopped_under(job.events, group.machine, clocks, job.facts)
                totals[group.places] = times.motion[those] + stopped + cooling.sum(axis=0)

        return finish


def _last_wait(job: Job) -> int:
    """How many events there are up to the last wait: nobody asks what time it is after that."""
    waits = np.flatnonzero(np.isin(job.events.kind, WAITS))
    return int(waits[-1]) + 1 if waits.size else 0


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
            half = len(variants) // 2
            return np.concatenate([self.weighted_or_never(variants[:half]), self.weighted_or_never(variants[half:])])

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
        for kind, spent in {DWELL_CAUSE: one.stops.dwell, **one.stops.seconds}.items()
        if spent > 0.0
    )
    layers = jobs.sum_of(timing.facts.layers for timing in timings)
    cooling = jobs.sum_of(timing.cooling for timing in timings)
    fixed = math.fsum(by_kind.values())
    shortest = reach.cooling.shortest_layer_s if machine.cooling.shortest_layer_s else None
    waiting = layers * (shortest or 0.0)
    parts = {**by_kind, COOLING_CAUSE: waiting}
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
