"""One job under one machine: all of its seconds, and what they were spent under."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from kinematics.caps.combine import NOTHING_VARIED
from kinematics.gcode.moves import PRINT, WAITS
from kinematics.machine import Machine
from kinematics.planner.layers import LayerTimes, layer_times
from kinematics.studies import causes
from kinematics.studies.prepared import Planned, PreparedJob
from kinematics.studies.stops import Stops, stops_of


class Timing(NamedTuple):
    """A job's time (s): motion, dwells, stops of known length, what the shortest layer time adds; and all by cause."""

    planned: Planned
    layers: LayerTimes
    stops: Stops
    motion: float
    cooling: float
    by_cause: dict[str, float]

    @property
    def total(self) -> float:
        """Everything together (s)."""
        return self.motion + self.stops.dwell + self.stops.total + self.cooling


def _clock(planned: Planned, layers: LayerTimes) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Time of motion and added cooling before every event (s)."""
    events, moves = planned.job.events, planned.job.moves
    clock = np.zeros(events.kind.size)
    waits = np.flatnonzero(np.isin(events.kind, WAITS))
    if waits.size == 0:
        return clock
    # Nobody asks what time it is after the last wait.
    asked = slice(0, int(waits[-1]) + 1)
    before = events.move[asked]
    last = int(before.max())
    passed = np.concatenate([[0.0], np.cumsum(planned.plan.duration[:last])])[before]
    added = np.concatenate([[0.0], np.cumsum(layers.cooling)])
    after = np.append(moves.layer[: last + 1], planned.job.layers + 1)[before]
    clock[asked] = passed + added[after]
    return clock


def time_job(
    prepared: PreparedJob, machine: Machine, varied: frozenset[str] = NOTHING_VARIED, passing: bool = False
) -> Timing:
    """Time a job under a machine; `varied` names the keys that a study varies, which win over limits stated in the job.

    The plan of a `passing` timing is written over by the next passing one; its sums stay. Raises InputError where the
    job cannot be read.
    """
    planned = prepared.planned(machine, varied, passing)
    shortest = machine.cooling.shortest_layer_s or 0.0
    layers = layer_times(planned.job.moves.layer, planned.plan.duration, planned.job.layers, shortest)
    stops = stops_of(planned.job.events, machine, _clock(planned, layers))
    by_cause = causes.motion_causes(planned.classes, planned.limits, planned.plan.seconds)
    cooling = math.fsum(layers.cooling)
    if stops.dwell > 0.0:
        by_cause[causes.DWELL] = stops.dwell
    for group, seconds in stops.seconds.items():
        if seconds > 0.0:
            by_cause[group] = seconds
    if cooling > 0.0:
        by_cause[causes.COOLING] = cooling
    return Timing(planned, layers, stops, float(planned.plan.duration.sum()), cooling, by_cause)


class PeakFlow(NamedTuple):
    """The fastest flow of a job: mm³/s, and the line of its move (None where nothing is printed)."""

    flow: float
    line: int | None


def peak_flow(planned: Planned, area: float) -> PeakFlow:
    """The most that is melted at any moment: A·r·v_peak over printing moves (`area` A of the filament, mm²)."""
    moves, features = planned.job.moves, planned.features
    flow = np.where(moves.kind == PRINT, features.ratio * planned.plan.speed_peak, 0.0)
    i = int(flow.argmax())
    return PeakFlow(float(flow[i]) * area, int(moves.line[i])) if flow[i] > 0.0 else PeakFlow(0.0, None)
