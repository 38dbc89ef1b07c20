"""StopTimes: dwells, heaters side by side, homing, pauses, tool changes, and stops whose length nobody gave."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode import moves as tool_path
from kinematics.gcode.job import JobFacts
from kinematics.gcode.moves import Events
from kinematics.machine import Machine

Reals = NDArray[np.float64]

NOZZLE, BED = "nozzle", "bed"
# Words of the groups of stops, as they are shown.
HEATING_STOP, HOMING_STOP, PAUSE_STOP, TOOL_STOP, PROBING_STOP = "heating", "homing", "pause", "tool change", "probing"
START_UP_STOP, LAYER_STOP, RETRACTION_STOP = "start-up", "layer changes", "retraction pauses"

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
    tool_path.PAUSE: (PAUSE_STOP, "stops.pause_s"),
    tool_path.HOMING: (HOMING_STOP, "stops.homing_s"),
    tool_path.PROBING: (PROBING_STOP, "stops.probing_s"),
    tool_path.TOOL_CHANGE: (TOOL_STOP, "stops.tool_change_s"),
}


class UnknownStop(NamedTuple):
    """A stop whose length nobody gave: its line and what it is, with the keys that would tell."""

    line: int
    what: str


class StopTimes(NamedTuple):
    """`dwell` seconds of dwells; `seconds` of every other stop by group (heating, homing, …); `unknown` the rest;
    `before_moves` those of all stops of known length that stand before the first move.
    """

    dwell: float
    seconds: dict[str, float]
    unknown: tuple[UnknownStop, ...]
    before_moves: float = 0.0

    @property
    def total(self) -> float:
        """Seconds of all stops of known length, dwells apart."""
        return math.fsum(self.seconds.values())


LONGEST = 7 * 86_400.0  # s: no printer stands still for longer and prints on
TOO_LONG = "more than seven days, which no print takes: its length counts as not known"


class _Heater:
    """One heater, warming steadily towards its target from the moment it is told; times are numbers or arrays of them.

    A lower target is taken as reached at once: how fast a part of the machine cools down nobody gave. Nothing gets
    colder than the room.
    """

    def __init__(self, rate: float | None, ambient: float | None) -> None:
        self.rate = rate
        self.ambient = ambient
        self.target: Any = ambient
        self.since: Any = 0.0
        self.start: Any = ambient

    def temperature(self, clock: Any) -> Any:
        """Temperature at a time (°C); None while it is not known."""
        if self.rate is None or self.start is None:
            return None
        return np.minimum(self.target, self.start + self.rate * (clock - self.since))

    def tell(self, target: float, clock: Any) -> None:
        """Set the target (°C) at a time (s)."""
        target = target if self.ambient is None else max(target, self.ambient)
        now = self.temperature(clock)
        self.start = None if now is None else np.minimum(now, target)
        self.target, self.since = target, clock

    def wait(self, clock: Any) -> Any:
        """Seconds until the target is reached, which it is then; None where that is not known."""
        now = self.temperature(clock)
        self.start, self.since = self.target, clock
        return None if now is None else np.maximum(0.0, (self.target - now) / self.rate)


class _Stop(NamedTuple):
    """A stop: the index of its event, its group (none for a dwell), its length (s; a number, or one for each clock that
    hangs on it), and what it is where nobody gave that (NaN then)."""

    event: int
    group: str
    length: Any
    unknown: str = ""


def _each_stop(events: Events, machine: Machine, clock_at: Reals) -> Iterator[_Stop]:
    """The stops of a job in order; `clock_at` as in `stops_of`, or float64[m, clocks] of several clocks."""
    known = machine.stops
    lengths = {name: getattr(known, key.split(".")[1]) for name, key in _TIMED.values()}
    rates = {NOZZLE: known.nozzle_heating_c_per_s, BED: known.bed_heating_c_per_s}
    heaters: dict[tuple[str, int], _Heater] = {}
    stopped: Any = 0.0
    for i in range(events.kind.size):
        kind, value = int(events.kind[i]), float(events.value[i])
        unknown = ""
        length: Any
        if kind == tool_path.FINISH:  # the moves before it are done; nothing else is waited for
            continue
        if kind == tool_path.DWELL:
            group, length = "", value
        elif kind == tool_path.RETRACTION:
            group, length = "", math.nan
            unknown = "retraction by the controller: retraction.length_mm is not given"
        elif kind in _TIMED:
            group, key = _TIMED[kind]
            given = lengths[group]
            length = math.nan if given is None else given
            unknown = f"{group}: {key} is not given" if given is None else ""
        else:
            name, clock = _HEATERS[kind], clock_at[i] + stopped
            heater = heaters.setdefault((name, int(events.tool[i])), _Heater(rates[name], known.ambient_c))
            now = heater.temperature(clock) if kind in _BOTH_WAYS else None
            cooler = False if now is None else value < now
            if not math.isnan(value):
                heater.tell(value, clock)
            if kind in _TARGETS:
                continue
            group, length = HEATING_STOP, heater.wait(clock)
            if length is None:
                missing = [f"stops.{name}_heating_c_per_s"] if rates[name] is None else []
                missing += ["stops.ambient_c"] if known.ambient_c is None else []
                goal = "" if math.isnan(value) else f" to {value:g} °C"
                length, unknown = math.nan, f"heating the {name}{goal}: {' and '.join(missing)} not given"
            elif np.any(cooler):
                length = np.where(cooler, math.nan, length)
                unknown = f"cooling the {name} down to {value:g} °C: nobody gives how fast"
        too_long = length > LONGEST
        if too_long.any() if isinstance(too_long, np.ndarray) else too_long:
            unknown = unknown or f"{group or 'a dwell'} of {TOO_LONG}"
            length = np.where(too_long, math.nan, length)
        stopped = stopped + _known(length)
        yield _Stop(i, group, length, unknown)


def _known(length: Any) -> Any:
    """The length of a stop, 0 where nobody gave it."""
    if isinstance(length, np.ndarray):
        return np.nan_to_num(length)
    return 0.0 if math.isnan(length) else length


def beside_moves(machine: Machine, facts: JobFacts) -> dict[str, float]:
    """Seconds by group that pass beside moves and events: from the start to the first move, at every layer and at every
    retraction; what the machine does not tell is left out.

    They stand outside the layers, so that a shortest layer time does not swallow them, and heaters that warm up
    meanwhile gain nothing by them.
    """
    known = machine.stops
    layers, retractions = float(facts.layers), float(facts.retractions)
    each = ((START_UP_STOP, known.startup_s, 1.0), (LAYER_STOP, known.each_layer_s, layers))
    found = (*each, (RETRACTION_STOP, known.each_retraction_s, retractions))
    return {group: length * times for group, length, times in found if length is not None and times > 0.0}


def stops_of(events: Events, machine: Machine, clock_at: Reals, facts: JobFacts) -> StopTimes:
    """The stops of a job in order, and what passes beside its moves. `clock_at` (m) is the time of motion, dwells left
    out, before each event (s).
    """
    seconds = beside_moves(machine, facts)
    unknown: list[UnknownStop] = []
    dwell = 0.0
    before = seconds.get(START_UP_STOP, 0.0)
    if events.kind.size and not np.any((events.kind != tool_path.DWELL) | (events.value > LONGEST)):
        before += float(events.value[events.move == 0].sum())
        return StopTimes(float(events.value.sum()), seconds, (), before)
    for stop in _each_stop(events, machine, clock_at):
        length = float(stop.length)
        if not stop.unknown and events.move[stop.event] == 0:
            before += length
        if stop.unknown:
            unknown.append(UnknownStop(int(events.line[stop.event]), stop.unknown))
        elif stop.group:
            seconds[stop.group] = seconds.get(stop.group, 0.0) + length
        else:
            dwell += length
    return StopTimes(dwell, seconds, tuple(unknown), before)


def stopped_under(events: Events, machine: Machine, clocks: Reals, facts: JobFacts) -> Reals:
    """Seconds of all stops of known length, dwells included, under each of several clocks (float64[m, clocks], as
    `clock_at` of `stops_of`).
    """
    beside = math.fsum(beside_moves(machine, facts).values())
    lengths = (_known(stop.length) for stop in _each_stop(events, machine, clocks))
    return sum(lengths, np.full(clocks.shape[1], beside))


def pauses_before(moves: int, events: Events, machine: Machine, clock_at: Reals) -> Reals:
    """How long motion stands still before each of so many `moves` (s): its stops of known length, 0 for others.

    float64[moves]; `clock_at` as in `stops_of`. StopTimes after the last move are before none.
    """
    pauses = np.zeros(moves + 1)
    for stop in _each_stop(events, machine, clock_at):
        if not stop.unknown:
            pauses[events.move[stop.event]] += float(stop.length)
    return pauses[:-1]
