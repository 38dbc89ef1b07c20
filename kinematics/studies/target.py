"""Which are the gentlest limits that meet a deadline?"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from kinematics.errors import InputError
from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine import Machine, resolved_keys
from kinematics.notebook import NotebookTable, frame_of
from kinematics.studies.held_by import HeldBy, held_under
from kinematics.studies.knobs import (
    HowFar,
    KnobRange,
    Scale,
    first_value,
    outwards,
    present_value,
    range_of,
    spread,
    typed,
    variant_of,
)
from kinematics.wording import duration_text

if TYPE_CHECKING:
    import pandas

GENTLEST, WILDEST = 0.1, 1e4  # of what the machine has now: between these each knob is turned
USELESS = 1e-3  # of the time: a knob that could save no more than this has come to its end
LOOKS = 160  # of the first look over the range of all knobs together
LOOKS_AT_ONE = 48  # over that of one knob
CLOSE = 1.0002  # ratio at which a search ends
DIGITS = 4  # of the answer, which is rounded outwards
GENTLER = 0.99
FURTHEST = 700.0  # logarithm of a factor that floating-point numbers still hold
OTHERS = ("speed", "acceleration", "flow", "corner", "motion.travel_acceleration_mm_s2", "cooling.shortest_layer_s")


class Turned(NamedTuple):
    """One knob of the answer: whether less of it is faster, what the machine has, what it is turned to, and what holds
    the jobs where turning it further is of no use (None: the deadline asks for no more).
    """

    knob: str
    down: bool
    before: float
    after: float
    held_by: str | None


class Other(NamedTuple):
    """A knob that was not to be turned, the time if it were lifted as well (s), and whether that would do."""

    knob: str
    total_s: float
    meets: bool


@dataclass(frozen=True, repr=False)
class Target(NotebookTable):
    """The gentlest limits for a deadline.

    `met` whether there are any; `within_s` the deadline (s); `total_s` the time under `settings` (s), those that meet
    it or else the furthest that are of use; `factor` on the present limits, each to the power of its weight;
    `gentler_total_s` the time with all of them 1 % gentler (s), which misses (None: the gentlest that are tried meet
    it); `present_total_s` as the machine is (s), and `without_stated_limits_s` the same without the limits that the
    jobs state for these knobs (s); `floor_s` the shortest time however far the knobs are turned (s); `turned` each
    knob; where the deadline cannot be met, `stopped_by` the cause that most of the time is spent under, and the
    `others` that would help, the best first.
    """

    met: bool
    within_s: float
    total_s: float
    settings: Mapping[str, float]
    factor: float
    gentler_total_s: float | None
    present_total_s: float
    without_stated_limits_s: float
    floor_s: float
    turned: tuple[Turned, ...]
    stopped_by: str | None
    others: tuple[Other, ...]
    held: tuple[HeldBy, ...] = ()

    def to_frame(self) -> pandas.DataFrame:
        """One row a knob: knob, turned (up or down), from, to, and held_by where turning it further is of no use."""
        return frame_of(turned_rows(self))

    def __repr__(self) -> str:
        found = ", ".join(f"{one.knob} {one.before:g} to {one.after:g}" for one in self.turned)
        words = "met" if self.met else f"missed, stopped by {self.stopped_by}"
        return f"<Target within {duration_text(self.within_s)}: {words}; {found}; {duration_text(self.total_s)}>"


def turned_rows(target: Target) -> list[dict[str, str | float | None]]:
    """One row a knob, as tables and documents have it."""
    return [
        {
            "knob": one.knob,
            "turned": "down" if one.down else "up",
            "from": one.before,
            "to": one.after,
            "held_by": one.held_by,
        }
        for one in target.turned
    ]


class _Turn(NamedTuple):
    """How one knob is turned: by factor^weight, upwards or `down`, between its gentlest value and its end."""

    name: str
    present: float
    weight: float
    down: bool
    allowed: KnobRange
    gentlest: float
    end: float

    def at(self, reach: float) -> float:
        """The value at the logarithm of a factor."""
        if reach >= self.reach_of(self.end):
            return self.end
        if reach <= self.reach_of(self.gentlest):
            return self.gentlest
        shift = self.weight * reach
        return self.allowed.taken(self.present * math.exp(-shift if self.down else shift))

    def reach_of(self, value: float) -> float:
        """The logarithm of the factor that turns the knob to a value."""
        ratio = self.present / value if self.down else value / self.present
        return math.log(ratio) / self.weight

    def gentler(self, value: float) -> float:
        """A value that is 1 % gentler; of whole numbers the next one."""
        if self.allowed.whole:
            return self.allowed.taken(value + 1.0 if self.down else value - 1.0)
        return value / GENTLER if self.down else value * GENTLER

    def rounded(self, value: float) -> float:
        """A value with fewer digits, no gentler; one that the machine has, or an end, as it is."""
        if value in (self.present, self.end, self.gentlest):
            return value
        return self.allowed.taken(outwards(value, DIGITS, up=not self.down))


def knobs_and_weights(machine: Machine, weights: Mapping[str, float]) -> dict[str, float]:
    """Knobs with their weights; one that stands for several keys, as `corner` for the speed steps of all axes, as each
    of these, so that every key is turned from its own value.

    Raises InputError where there is no such knob, the machine has nothing that could be turned, or two turn the same
    key.
    """
    found: dict[str, float] = {}
    seen: dict[str, str] = {}
    for name, weight in weights.items():
        machine.with_settings({name: 1.0}, "--turn")
        keys = sorted(resolved_keys({name: 1.0}, machine))
        for key in keys:
            if key in seen:
                raise InputError.at("--turn", f"{name} and {seen[key]} turn the same key, {key}", "each key once")
            seen[key] = name
        found |= dict.fromkeys(keys if len(keys) > 1 else [name], weight)
    present_values(machine, tuple(found))
    return found


def present_values(machine: Machine, names: Sequence[str]) -> dict[str, float]:
    """What the machine has for knobs now. Raises InputError where it has nothing that could be turned."""
    present: dict[str, float] = {}
    for name in names:
        value = present_value(machine, name)
        if value is None:
            found = f"the machine has no number for {name}, so there is nothing to turn"
            raise InputError.at("--turn", found, hint=f"give it one with --set {name}=…")
        if not value > 0.0:
            found = f"{name} is {value:g} now, and turning it means multiplying it"
            raise InputError.at("--turn", found, hint=f"give it another value with --set {name}=…")
        present[name] = value
    return present


class _Search:
    """The times of settings, each asked for once, and where each knob ends."""

    def __init__(self, jobs: WeightedJobs, machine: Machine, hear: Callable[[float], None]) -> None:
        self._jobs, self._machine = jobs, machine
        self._far = HowFar(hear)
        self._known: dict[tuple[tuple[str, float], ...], float] = {}

    def variant(self, settings: Mapping[str, float]) -> Variant:
        """The machine with settings; those of knobs win over limits stated in a job."""
        return variant_of(self._machine, dict(settings), "target")

    def times(self, many: Sequence[Mapping[str, float]]) -> list[float]:
        """The time of all jobs under each of many settings (s); infinite where nothing moves."""
        asked = [tuple(settings.items()) for settings in many]
        new = [one for one in dict.fromkeys(asked) if one not in self._known]
        if new:
            totals = self._jobs.weighted_or_never([self.variant(dict(one)) for one in new])
            self._known.update(zip(new, totals.tolist(), strict=True))
            self._far.asked(len(new))
        return [self._known[one] for one in asked]

    def turn(self, name: str, present: float, weight: float = 1.0) -> _Turn:
        """How a knob is turned: which way, the times far above and far below its present value tell."""
        allowed = range_of(self._machine, name, present)
        low, high = allowed.taken(present / WILDEST), allowed.taken(present * WILDEST)
        at_low, at_high = self.times([{name: low}, {name: high}])
        down = at_low < at_high
        gentlest = allowed.taken(present / GENTLEST if down else present * GENTLEST)
        return _Turn(name, present, weight, down, allowed, gentlest, low if down else high)

    def useful_end(self, turn: _Turn, settings: Mapping[str, float]) -> float:
        """The least turn of one knob, all others as in `settings`, from which on more of it saves next to nothing.

        As a person would type it; what the machine has now where turning it saves next to nothing at all.
        """
        scale = Scale(True, CLOSE, turn.allowed.whole)
        values = spread(turn.present, turn.end, LOOKS_AT_ONE, scale)

        def times(asked: Sequence[float]) -> list[float]:
            return self.times([{**settings, turn.name: turn.allowed.taken(value)} for value in asked])

        goal = min(times(values)) * (1.0 + USELESS)
        end = first_value(lambda asked: [total <= goal for total in times(asked)], values, scale)
        assert end is not None  # the least of the times meets its goal
        if end == turn.present:
            return end
        further = typed(end, up=not turn.down)
        return max(further, turn.end) if turn.down else min(further, turn.end)

    def with_ends(self, turns: Sequence[_Turn], reach: float) -> list[_Turn]:
        """Knobs that go no further than is of use with the others about where a reach puts them."""
        settings = {turn.name: turn.at(reach) for turn in turns}
        ended = []
        for turn in turns:
            ended.append(turn._replace(end=self.useful_end(turn, settings)))
            settings[turn.name] = ended[-1].at(reach)
        return ended

    def reaches(self, turns: Sequence[_Turn]) -> list[float]:
        """The logarithms of factors that are looked at: from all knobs at their gentlest to all at their ends."""
        low = min(turn.reach_of(turn.gentlest) for turn in turns)
        high = min(FURTHEST, max(turn.reach_of(turn.end) for turn in turns))
        return spread(low, high, LOOKS, Scale(False, 0.0))

    def along(self, turns: Sequence[_Turn], reaches: Sequence[float]) -> list[float]:
        """The times with all knobs together at some reaches (s)."""
        return self.times([{turn.name: turn.at(reach) for turn in turns} for reach in reaches])

    def least_reach(self, turns: Sequence[_Turn], goal: float) -> float | None:
        """The least logarithm of a factor with which all knobs together meet a goal (s); None where none does."""
        scale = Scale(False, math.log(CLOSE) / max(turn.weight for turn in turns))
        return first_value(
            lambda asked: [total <= goal for total in self.along(turns, asked)], self.reaches(turns), scale
        )

    def cause(self, settings: Mapping[str, float]) -> str:
        """What most of the time is spent under."""
        return self._jobs.main_cause(self.variant(settings))

    def held_by(self, turn: _Turn, wild: _Turn, settings: Mapping[str, float]) -> str | None:
        """What holds the jobs where a knob has come to its end; None where it has not, or the machine takes no more."""
        if settings[turn.name] != turn.end or turn.end == wild.end:
            return None
        return self.cause({**settings, turn.name: wild.end})

    def others(self, settings: Mapping[str, float], total: float, within: float) -> list[Other]:
        """What further knobs would bring beside settings that take `total` (s), each by itself, lifted altogether."""
        turned = resolved_keys(dict(settings), self._machine)
        found = []
        for name in OTHERS:
            present = present_value(self._machine, name)
            if not present or turned & resolved_keys({name: 1.0}, self._machine):
                continue
            lifted = self.times([{**settings, name: self.turn(name, present).end}])[0]
            if lifted < total * (1.0 - USELESS):
                found.append(Other(name, lifted, lifted * (1.0 + 2.0 * USELESS) <= within))
        return sorted(found, key=lambda other: other.total_s)


def target_of(
    jobs: WeightedJobs,
    machine: Machine,
    within: float,
    weights: Mapping[str, float],
    hear: Callable[[float], None] = lambda _: None,
) -> Target:
    """The gentlest limits with which jobs are done within a time (s); `hear` is told about how far the search is.

    `weights` knob -> weight: all knobs are turned together, each by factor^weight, so that one with twice the weight of
    another is turned twice as readily; `{"acceleration": 1}` is least acceleration. A knob is turned down where less of
    it makes jobs shorter. The least factor is looked for all over the range, since time may grow again where
    acceleration hangs on speed, and then narrowed down. No knob goes further than is of use: where lifting it
    altogether would save less than a thousandth of the time, it stays, the others make up for it, and what holds
    instead is named; and none is made gentler than a tenth of what the machine has. The answer is rounded outwards to
    four digits, and planned again, and so is one 1 % gentler.

    Raises InputError where the machine has no present value for a knob, or two of them turn the same key.
    """
    weights = knobs_and_weights(machine, weights)
    present = present_values(machine, tuple(weights))
    present_total = float(jobs.weighted([Variant(machine, NOTHING_VARIED)])[0])
    search = _Search(jobs, machine, hear)
    wild = [search.turn(name, present[name], weight) for name, weight in weights.items()]
    floor = min(search.along(wild, search.reaches(wild)))
    about = search.least_reach(wild, max(within, floor * (1.0 + USELESS)))
    assert about is not None  # the shortest time meets it
    turns = search.with_ends(wild, max(0.0, about)) if about > 0.0 or floor > within else wild
    reach = search.least_reach(turns, within)
    met = reach is not None
    if reach is None:
        reach = max(turn.reach_of(turn.end) for turn in turns)
    exact = {turn.name: turn.at(reach) for turn in turns}
    settings = {turn.name: turn.rounded(exact[turn.name]) for turn in turns}
    total = search.times([settings])[0]
    if met and total > within:  # where time grows again with more
        settings, total = exact, search.times([exact])[0]
    gentler = math.inf
    if met and any(settings[turn.name] != turn.gentlest for turn in turns):
        gentler = search.times([{turn.name: turn.gentler(settings[turn.name]) for turn in turns}])[0]
    return Target(
        met,
        within,
        total,
        settings,
        math.exp(min(reach, FURTHEST)),
        gentler if gentler < math.inf else None,
        present_total,
        float(jobs.weighted([Variant(machine, resolved_keys(present, machine))])[0]),
        floor,
        tuple(
            Turned(turn.name, turn.down, turn.present, settings[turn.name], search.held_by(turn, far, settings))
            for turn, far in zip(turns, wild, strict=True)
        ),
        None if met else search.cause(settings),
        () if met else tuple(search.others(settings, total, within)),
        held_under(jobs.prepared, jobs.weights.tolist(), machine, settings),
    )
