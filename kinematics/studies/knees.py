"""Where does one knob stop paying? From the easy end of a sweep on, and from what the machine has now."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.jobs.timing import Reals
from kinematics.machine import Machine
from kinematics.studies.knobs import (
    HowFar,
    Knob,
    KnobRange,
    Scale,
    Search,
    answered,
    first_met,
    in_step,
    narrowing,
    present_value,
    put_otherwise,
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


class _Turn(NamedTuple):
    """How a knob is turned: what it may be, whether less of it makes jobs shorter, and how its range is cut."""

    knob: Knob
    allowed: KnobRange
    down: bool
    scale: Scale

    def further(self, value: float, share: float) -> float:
        """A value turned a share further; of whole numbers one."""
        if self.allowed.whole:
            return self.allowed.taken(value - 1.0 if self.down else value + 1.0)
        return value / share if self.down else value * share

    def gain(self, start: float, total: float, looked: Sequence[float], took: Reals) -> Search[float, float, Gain]:
        """What turning further than `start`, which takes `total` (s), brings, of ordered values, easy ones first, and
        their times (s).
        """
        places = [k for k, value in enumerate(looked) if (value < start if self.down else value > start)]
        values = [start, *(looked[k] for k in places)]
        totals = [total, *(float(took[k]) for k in places)]
        saves = total - min(totals)
        if saves <= FALLS * total:
            return Gain(start, total, 0.0, ())
        shares = yield from in_step([self._share(share, values, totals) for share in SHARES])
        return Gain(start, total, saves, tuple(shares))

    def _share(self, share: float, values: Sequence[float], totals: Sequence[float]) -> Search[float, float, Share]:
        goal = (totals[0] - share * (totals[0] - min(totals))) * (1.0 + FALLS)
        search = narrowing(first_met(values, [total <= goal for total in totals]), self.scale)
        found = (yield from put_otherwise(search, float, lambda total: bool(total <= goal))).met
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


def _allowed(machine: Machine, knob: Knob, known: Sequence[float]) -> KnobRange:
    """What a machine takes for a knob, among it all values that are known."""
    allowed = range_of(machine, knob.name, knob.values[-1])
    return allowed._replace(least=min(allowed.least, *known), most=max(allowed.most, *known))


def _knee(jobs: WeightedJobs, machine: Machine, knob: Knob) -> Search[Variant, float, Knee]:
    """The search for one knee; asks for times (s), infinite where nothing moves."""
    present = present_value(machine, knob.name)
    known = [*knob.values, *([] if present is None else [present])]
    allowed = _allowed(machine, knob, known)

    def variant(value: float) -> Variant:
        return variant_of(machine, {knob.name: allowed.taken(value)})

    return put_otherwise(_knee_along(jobs, knob, present, known, allowed, variant), variant, float)


def _knee_along(
    jobs: WeightedJobs,
    knob: Knob,
    present: float | None,
    known: Sequence[float],
    allowed: KnobRange,
    variant: Callable[[float], Variant],
) -> Search[float, float, Knee]:
    """The same, asked for at values of the knob; `present` what the machine has, `known` that and the knob's values."""
    ends = _lifted(known, allowed)
    at_ends = yield [*ends, *known]
    at_values, at_present = at_ends[2 : 2 + len(knob.values)], at_ends[-1]
    down = at_ends[0] < at_ends[1]
    by_ratio = min(known) >= 0.0
    turned = _Turn(knob, allowed, down, Scale(by_ratio, CLOSE if by_ratio else 1e-6, allowed.whole))
    start, total = (knob.values[-1], at_values[-1]) if down else (knob.values[0], at_values[0])
    if total == math.inf:
        jobs.weighted([variant(start)])  # what cannot move says so
    easy, lifted = (max(known), ends[0]) if down else (min(known), ends[1])
    values = spread(easy, lifted, LOOKS, turned.scale)
    looked = np.array((yield [*values, *(turned.further(value, ONE_PERCENT) for value in knob.values)]))
    further, totals = looked[len(values) :], looked[: len(values)]
    moving = int(np.flatnonzero(np.isfinite(totals))[-1]) + 1
    values, totals = values[:moving], totals[:moving]
    gains = [turned.gain(start, total, values, totals)]
    if present is not None and at_present < math.inf:
        gains.append(turned.gain(present, at_present, values, totals))
    swept, *now = yield from in_step(gains)
    steps = 0.01 * np.array(knob.values) if allowed.whole else 1.0
    with np.errstate(invalid="ignore"):  # of two times that are endless
        saved = np.nan_to_num(steps * (np.array(at_values) - further), posinf=0.0, neginf=0.0)
    floor, floor_cause = float(totals[-1]), jobs.main_cause(variant(values[-1]))
    least = int(totals.argmin())
    turning = None
    if floor > totals[least] * (1.0 + FALLS):
        turning = Turning(float(values[least]), float(totals[least]), floor_cause)
    curve = tuple(zip(knob.values, saved.tolist(), strict=True))
    return Knee(knob.name, down, swept, now[0] if now else None, floor, floor_cause, curve, turning)


def knees_of(
    jobs: WeightedJobs, machine: Machine, knobs: Sequence[Knob], hear: Callable[[float], None] = lambda _: None
) -> list[Knee]:
    """Where each knob stops paying, all others as the machine has them; `hear` is told about how far the search is.

    Which way one is turned the times at both ends of its range tell. From the easy end of the sweep, and from what the
    machine has now, the least turns that bring 80, 90 and 95 % of all that turning further can bring are looked for at
    200 values up to the knob as good as lifted, and narrowed down. Along its values the time is also taken 1 % further
    (of whole numbers at the next one, and 1 % of that). All knobs are asked about together, round by round. Raises
    InputError where an easy end does not move.
    """
    far = HowFar(hear)

    def times(variants: Sequence[Variant]) -> list[float]:
        found: list[float] = jobs.weighted_or_never(variants).tolist()
        far.asked(len(variants) // len(knobs))
        return found

    return answered(in_step([_knee(jobs, machine, knob) for knob in knobs]), times)
