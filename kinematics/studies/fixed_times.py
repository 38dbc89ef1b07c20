"""What no limit of motion changes of jobs: heating, homing, dwells, and the shortest time of their layers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from kinematics.machine import Machine
from kinematics.studies.causes import COOLING, DWELL
from kinematics.studies.timing import Timing
from kinematics.studies.weighted_jobs import WeightedJobs


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
    by_kind: dict[str, float] = {}
    layers, cooling = 0.0, 0.0
    for timing, weight in zip(timings, jobs.weights.tolist(), strict=True):
        stops = {DWELL: timing.stops.dwell, **timing.stops.seconds}
        for kind, spent in stops.items():
            if spent > 0.0:
                by_kind[kind] = by_kind.get(kind, 0.0) + weight * spent
        layers += weight * timing.facts.layers
        cooling += weight * timing.cooling
    fixed = math.fsum(by_kind.values())
    shortest = reach.cooling.shortest_layer_s if machine.cooling.shortest_layer_s else None
    waiting = layers * (shortest or 0.0)
    parts = {**by_kind, COOLING: waiting}
    held_by = max(parts, key=lambda kind: parts[kind]) if fixed + waiting > 0.0 else ""
    return Fixed(by_kind, fixed, layers, shortest, cooling, fixed + waiting, held_by)
