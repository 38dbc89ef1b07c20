"""When the time that layers need to cool rules a job, so that faster limits bring no more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kinematics.machine import Machine
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.timing import Timing, time_job

RULED = 0.5  # share of the motion in layers that wait, from which a job counts as ruled by cooling
LARGEST_FACTOR = 64.0  # beyond it nobody looks
CLOSE = 1.005  # ratio at which the search for the factor ends
ACCELERATIONS = ("motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2")
SPEED = "the job"


class CoolingRule(NamedTuple):
    """What the shortest layer time does to jobs.

    `shortest` (s) as the machine file has it; `added` seconds; `layers` that are lengthened, of `all_layers`; the share
    `ruled` of the motion in layers that wait; the factors on all accelerations, and on the commanded speeds, from which
    more than half of the motion is in such layers (None: never).
    """

    shortest: float
    added: float
    layers: int
    all_layers: int
    ruled: float
    by_acceleration: float | None
    by_speed: float | None


def _ruled(timings: Sequence[Timing]) -> float:
    """The share of the motion that lies in layers which wait to cool."""
    waiting = sum(float(timing.layers.motion[timing.layers.cooling > 0.0].sum()) for timing in timings)
    motion = sum(float(timing.layers.motion.sum()) for timing in timings)
    return waiting / motion if motion > 0.0 else 0.0


def _factor(prepared: Sequence[PreparedJob], machine: Machine, keys: Sequence[str], now: float) -> float | None:
    """The least factor on some limits from which cooling rules; the share of waiting layers only grows with it."""

    def rules(factor: float) -> bool:
        scaled = tuple((key, factor) for key in keys)
        return _ruled([time_job(job, machine, passing=True, scaled=scaled) for job in prepared]) > RULED

    if now > RULED:
        return 1.0
    if not rules(LARGEST_FACTOR):
        return None
    low, high = 1.0, LARGEST_FACTOR
    while high / low > CLOSE:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if rules(middle) else (middle, high)
    return high


def cooling_rule(prepared: Sequence[PreparedJob], machine: Machine, timings: Sequence[Timing]) -> CoolingRule | None:
    """What the shortest layer time does to jobs, and the limits at which they become ruled by it.

    None where the machine file gives no shortest layer time.
    """
    shortest = machine.cooling.shortest_layer_s
    if not shortest:
        return None
    cooling = np.concatenate([timing.layers.cooling[1:] for timing in timings])
    now = _ruled(timings)
    return CoolingRule(
        shortest,
        float(cooling.sum()),
        int((cooling > 0.0).sum()),
        int(cooling.size),
        now,
        _factor(prepared, machine, ACCELERATIONS, now),
        _factor(prepared, machine, (SPEED,), now),
    )
