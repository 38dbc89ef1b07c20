"""Where does one knob stop paying? From the easy end of a sweep on, and from what the machine has now."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from kinematics.jobs.many import WeightedJobs
from kinematics.jobs.timing import Reals
from kinematics.machine import Machine
from kinematics.studies.knobs import (
    HowFar,
    Knob,
    KnobRange,
    Scale,
    first_met,
    narrowed,
    present_value,
    range_of,
    spread,
    typed,
    variant_of,
)

SHARES = (0.80, 0.90, 0.95)  # of what a knob can bring
LIFTED = 1e4  # times the largest value: as good as no limit
LOOKS = 200  # over the range in which knees are looked for
CLOSE = 1.0005  # ratio at which the search for a knee ends
ONE_PERCENT = 1.01
FALLS = 1e-9  # relative: less is rounding, not a time that falls or grows


class Share(NamedTuple):
    """The least that a knob must be turned to bring a share of what it can.

    `about` the next value outwards that a person would type; `beyond` whether that takes more than the sweep has tried.
    """

    share: float
    value: float
    about: float
    beyond: bool


class Gain(NamedTuple):
    """What turning a knob further brings: from a value and its time on (s), so many seconds at most, and its shares."""

    start: float
    total_s: float
    saves_s: float
    shares: tuple[Share, ...]


class Turning(NamedTuple):
    """Where turning further makes a job longer: the value with the shortest time, that time (s), what holds beyond."""

    value: float
    total_s: float
    reason: str


class Knee(NamedTuple):
    """Where one knob stops paying, all others as they are.

    `down` whether less of it makes jobs shorter, as of a layer's shortest time; `swept` what it brings from the easy
    end of the sweep on, `now` from what the machine has (None where it gives nothing); `floor_s` the time with the knob
    as good as lifted (s) and the cause that sets it; `one_percent` along `curve`: (value, seconds that 1 % further
    saves); `turning` where further makes the job longer.
    """

    knob: str
    down: bool
    swept: Gain
    now: Gain | None
    floor_s: float
    floor_cause: str
    curve: tuple[tuple[float, float], ...]
    turning: Turning | None


class _Knob:
    """One knob of a machine, and the times that it brings."""

    def __init__(self, jobs: WeightedJobs, machine: Machine, knob: Knob, hear: Callable[[float], None]) -> None:
        self._jobs, self._machine, self.knob = jobs, machine, knob
        self._far = HowFar(hear)
        self.present = present_value(machine, knob.name)
        known = [*knob.values, *([] if self.present is None else [self.present])]
        allowed = range_of(machine, knob.name, knob.values[-1])
        self.allowed = allowed._replace(least=min(allowed.least, *known), most=max(allowed.most, *known))
        ends = _lifted(known, self.allowed)
        self.down = bool(np.less(*self.times(ends)))
        self.lifted = ends[0] if self.down else ends[1]
        self.easy = max(known) if self.down else min(known)
        self.scale = Scale(min(known) >= 0.0, CLOSE if min(known) >= 0.0 else 1e-6, self.allowed.whole)

    def times(self, values: Sequence[float]) -> Reals:
        """The time of all jobs with each value (s); infinite where nothing moves."""
        name, taken = self.knob.name, self.allowed.taken
        found = self._jobs.weighted_or_never([variant_of(self._machine, {name: taken(value)}) for value in values])
        self._far.asked(len(values))
        return found

    def further(self, value: float, share: float) -> float:
        """A value turned a share further; of whole numbers one."""
        if self.allowed.whole:
            return self.allowed.taken(value - 1.0 if self.down else value + 1.0)
        return value / share if self.down else value * share

    def gain(self, start: float, looked: Sequence[float], took: Reals) -> Gain:
        """What turning further than `start` brings, of ordered values, easy ones first, and their times (s)."""
        places = [k for k, value in enumerate(looked) if (value < start if self.down else value > start)]
        values = [start, *(looked[k] for k in places)]
        totals = [float(self.times([start])[0]), *(float(took[k]) for k in places)]
        saves = totals[0] - min(totals)
        if saves <= FALLS * totals[0]:
            return Gain(start, totals[0], 0.0, ())
        return Gain(start, totals[0], saves, tuple(self._share(share, values, totals) for share in SHARES))

    def _share(self, share: float, values: Sequence[float], totals: Sequence[float]) -> Share:
        goal = (totals[0] - share * (totals[0] - min(totals))) * (1.0 + FALLS)
        bracket = first_met(values, [total <= goal for total in totals])
        found = narrowed(lambda asked: [bool(total <= goal) for total in self.times(asked)], bracket, self.scale).met
        assert found is not None  # the least of the totals meets any share
        found = self.allowed.taken(found)
        about = self.allowed.taken(typed(found, up=not self.down))
        low, high = self.knob.values[0], self.knob.values[-1]
        beyond = found < low if self.down else found > high
        if not beyond:
            about = max(about, low) if self.down else min(about, high)
        return Share(share, found, about, beyond)


def _lifted(known: Sequence[float], allowed: KnobRange) -> tuple[float, float]:
    """The least and the most that a knob is turned to: as good as nothing, as good as lifted; never out of its range.

    Where negative values are tried nothing is lifted.
    """
    low, high = min(known), max(known)
    if low < 0.0 or high == 0.0:
        return low, high
    least = 0.0 if low == 0.0 else allowed.taken(low / LIFTED)
    return least, allowed.taken(high * LIFTED)


def knee_of(jobs: WeightedJobs, machine: Machine, knob: Knob, hear: Callable[[float], None] = lambda _: None) -> Knee:
    """Where one knob stops paying, all others as the machine has them; `hear` is told about how far the search is.

    Which way it is turned the times at both ends of its range tell. From the easy end of the sweep, and from what the
    machine has now, the least turns that bring 80, 90 and 95 % of all that turning further can bring are looked for at
    200 values up to the knob as good as lifted, and narrowed down. Along its values the time is also taken 1 % further
    (of whole numbers at the next one, and 1 % of that). Raises InputError where the easy end does not move.
    """
    turned = _Knob(jobs, machine, knob, hear)
    start = knob.values[-1] if turned.down else knob.values[0]
    jobs.weighted([variant_of(machine, {knob.name: start})])  # what cannot move says so
    values = spread(turned.easy, turned.lifted, LOOKS, turned.scale)
    totals = turned.times(values)
    moving = int(np.flatnonzero(np.isfinite(totals))[-1]) + 1
    values, totals = values[:moving], totals[:moving]
    present = turned.present
    movable = present is not None and np.isfinite(turned.times([present])[0])
    further = turned.times([turned.further(value, ONE_PERCENT) for value in knob.values])
    steps = 0.01 * np.array(knob.values) if turned.allowed.whole else 1.0
    saved = steps * (turned.times(knob.values) - further)
    lifted = variant_of(machine, {knob.name: turned.allowed.taken(values[-1])})
    floor, floor_cause = float(totals[-1]), jobs.main_cause(lifted)
    least = int(totals.argmin())
    turning = None
    if floor > totals[least] * (1.0 + FALLS):
        turning = Turning(float(values[least]), float(totals[least]), floor_cause)
    return Knee(
        knob.name,
        turned.down,
        turned.gain(start, values, totals),
        turned.gain(present, values, totals) if movable and present is not None else None,
        floor,
        floor_cause,
        tuple(zip(knob.values, np.nan_to_num(saved, posinf=0.0, neginf=0.0).tolist(), strict=True)),
        turning,
    )
