"""Stops: dwells, heaters side by side, homing, pauses, tool changes, and stops whose length nobody gave."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import moves as tool_path
from kinematics.gcode.moves import Events
from kinematics.machine import Machine

NOZZLE, BED = "nozzle", "bed"
# Words of the groups of stops, as they are shown.
HEATING, HOMING, PAUSE, TOOL_CHANGE, PROBING = "heating", "homing", "pause", "tool change", "probing"

_HEATERS = {
    tool_path.NOZZLE_TARGET: NOZZLE,
    tool_path.NOZZLE_WAIT: NOZZLE,
    tool_path.NOZZLE_WAIT_BOTH_WAYS: NOZZLE,
    tool_path.BED_TARGET: BED,
    tool_path.BED_WAIT: BED,
    tool_path.BED_WAIT_BOTH_WAYS: BED,
}
_TARGETS = (tool_path.NOZZLE_TARGET, tool_path.BED_TARGET)
_BOTH_WAYS = (tool_path.NOZZLE_WAIT_BOTH_WAYS, tool_path.BED_WAIT_BOTH_WAYS)
_TIMED = {
    tool_path.PAUSE: (PAUSE, "stops.pause_s"),
    tool_path.HOMING: (HOMING, "stops.homing_s"),
    tool_path.PROBING: (PROBING, "stops.probing_s"),
    tool_path.TOOL_CHANGE: (TOOL_CHANGE, "stops.tool_change_s"),
}


class UnknownStop(NamedTuple):
    """A stop whose length nobody gave: its line and what it is, with the keys that would tell."""

    line: int
    what: str


class Stops(NamedTuple):
    """`dwell` seconds of dwells; `seconds` of every other stop by group (heating, homing, …); `unknown` the rest."""

    dwell: float
    seconds: dict[str, float]
    unknown: tuple[UnknownStop, ...]

    @property
    def total(self) -> float:
        """Seconds of all stops of known length, dwells apart."""
        return math.fsum(self.seconds.values())


class _Heater:
    """One heater, warming steadily towards its target from the moment it is told.

    A lower target is taken as reached at once: how fast a part of the machine cools down nobody gave.
    """

    def __init__(self, rate: float | None, ambient: float | None) -> None:
        self.rate = rate
        self.target = ambient if ambient is not None else math.nan
        self.since = 0.0
        self.start = self.target

    def temperature(self, clock: float) -> float:
        """Temperature at a time (°C); NaN while it is not known."""
        if self.rate is None or math.isnan(self.start):
            return math.nan
        return min(self.target, self.start + self.rate * (clock - self.since))

    def tell(self, target: float, clock: float) -> None:
        """Set the target (°C) at a time (s)."""
        self.start = min(self.temperature(clock), target) if not math.isnan(self.temperature(clock)) else math.nan
        self.target = target
        self.since = clock

    def wait(self, clock: float) -> float:
        """Seconds until the target is reached; NaN where that is not known."""
        now = self.temperature(clock)
        if math.isnan(now) or self.rate is None:
            return math.nan
        return max(0.0, (self.target - now) / self.rate)

    def arrived(self, clock: float) -> None:
        """The target is reached now, however long that took."""
        self.start = self.target
        self.since = clock


def stops_of(events: Events, machine: Machine, clock_at: NDArray[np.float64]) -> Stops:
    """The stops of a job in order. `clock_at` (m) is the time of motion, dwells left out, before each event (s)."""
    known = machine.stops
    lengths = {name: getattr(known, key.split(".")[1]) for name, key in _TIMED.values()}
    rates = {NOZZLE: known.nozzle_heating_c_per_s, BED: known.bed_heating_c_per_s}
    heaters: dict[tuple[str, int], _Heater] = {}
    seconds: dict[str, float] = {}
    unknown: list[UnknownStop] = []
    dwell = 0.0
    stopped = 0.0
    if events.kind.size and not np.any(events.kind != tool_path.DWELL):
        return Stops(float(events.value.sum()), {}, ())
    for i in range(events.kind.size):
        kind, value, line = int(events.kind[i]), float(events.value[i]), int(events.line[i])
        clock = float(clock_at[i]) + dwell + stopped
        if kind == tool_path.DWELL:
            dwell += value
            continue
        if kind == tool_path.FINISH:  # the moves before it are done; nothing else is waited for
            continue
        if kind == tool_path.RETRACTION:
            unknown.append(UnknownStop(line, "retraction by the controller: retraction.length_mm is not given"))
            continue
        if kind in _TIMED:
            group, key = _TIMED[kind]
            length = lengths[group]
            if length is None:
                unknown.append(UnknownStop(line, f"{group}: {key} is not given"))
                continue
        else:
            name = _HEATERS[kind]
            heater = heaters.setdefault((name, int(events.tool[i])), _Heater(rates[name], known.ambient_c))
            cooler = kind in _BOTH_WAYS and value < heater.temperature(clock)
            if not math.isnan(value):
                heater.tell(value, clock)
            if kind in _TARGETS:
                continue
            group, length = HEATING, heater.wait(clock)
            heater.arrived(clock)
            if math.isnan(length):
                missing = [f"stops.{name}_heating_c_per_s"] if rates[name] is None else []
                missing += ["stops.ambient_c"] if known.ambient_c is None else []
                goal = "" if math.isnan(value) else f" to {value:g} °C"
                unknown.append(UnknownStop(line, f"heating the {name}{goal}: {' and '.join(missing)} not given"))
                continue
            if cooler:
                unknown.append(UnknownStop(line, f"cooling the {name} down to {value:g} °C: nobody gives how fast"))
                continue
        seconds[group] = seconds.get(group, 0.0) + length
        stopped += length
    return Stops(dwell, seconds, tuple(unknown))
