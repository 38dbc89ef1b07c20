"""How a ladder is found: all limits at their reach, what nothing hangs on put back, the rest lowered, then rungs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.jobs.timing import TimedJob, each
from kinematics.machine import Machine
from kinematics.machine.kinds import PART
from kinematics.studies.knobs import variant_of
from kinematics.studies.reach import COST_SORT, Raisable
from kinematics.studies.rung_order import MOST_RUNGS_IN_ALL_ORDERS, best_order, linked_groups

State = tuple[float, ...]  # the number of each limit, in their order

NOTHING_HANGS = 1e-3  # of the whole saving: what is lost without a limit that is put back
PUT_BACK_MOST = 0.01  # of the whole saving: what all that is put back may lose together
KEPT = 0.95  # of the whole saving that is left at the end
KEPT_BY_RUNGS = 0.8  # of it that is left without the line of small steps
SMALL_SAVING = 0.01  # of the time: a step that saves less is a small one
SHARES = (0.25, 0.5, 0.75)  # of the way to its reach: where a limit is tried
LEVELS = 24  # of what each limit may lose, from all that may be lost downwards
LEAST_LEVEL = 1e-3  # of that
PART_HOLDS = 0.02  # of what a step without the part brings: closer to it counts as there
STEPS_TO_THE_PART = 8
MOST_PLANS = 250  # where jobs have to be planned one by one


USUAL_PLANS = 150  # about as many as a ladder takes
NEARLY_DONE = 0.95


class Climbed(NamedTuple):
    """A ladder by its states: after each rung, and at the `end`, small steps included; `times` before the first rung
    and after each (s), and `end_s` at the end.

    `left_out` the time at the end without one limit, by its place; `left_out_rungs` without each rung; `reach_s` with
    everything at its reach; `small_count` steps that are too small to stand alone.
    """

    states: tuple[State, ...]
    times: tuple[float, ...]
    end: State
    end_s: float
    small_count: int
    left_out: Mapping[int, float]
    left_out_rungs: tuple[float, ...]
    reach_s: float
    climb: Climb

    def stopped_at(self, until_s: float) -> Climbed:
        """The same ladder up to the first rung with which a time is met; as it is where none meets it."""
        place = next((i for i, total in enumerate(self.times) if total <= until_s), None)
        return self if place is None else self.stopped_after(place)

    def stopped_after(self, place: int) -> Climbed:
        """The same ladder up to a rung (0: before the first)."""
        end = self.states[place - 1] if place else self.climb.now
        climb = self.climb
        left_out = climb.left_out(end)
        rungs = _left_out_rungs(climb, self.states[:place], end)
        return self._replace(
            states=self.states[:place],
            times=self.times[: place + 1],
            end=end,
            end_s=self.times[place],
            small_count=0,
            left_out=left_out,
            left_out_rungs=rungs,
        )


class Climb:
    """The times of states of a machine, each planned once; `now` all limits as they are, `plans` how many there were.

    `pins` are settings that every raised state has beside what it raises.
    """

    def __init__(
        self,
        jobs: WeightedJobs,
        machine: Machine,
        raisables: Sequence[Raisable],
        pins: Mapping[str, Any],
        hear: Callable[[float], None] = lambda _: None,
    ) -> None:
        """`hear` is told about which share of the plans is done."""
        self._hear = hear
        self.jobs, self.machine, self.raisables, self.pins = jobs, machine, tuple(raisables), dict(pins)
        self.now: State = tuple(one.number for one in raisables)
        self.reach: State = tuple(one.reach for one in raisables)
        self.plans = 0
        self._known: dict[State, float] = {}

    def settings(self, state: Sequence[float]) -> dict[str, Any]:
        """The settings of a state: none for the machine as it is."""
        raised = [(one, number) for one, number in zip(self.raisables, state, strict=True) if number != one.number]
        if not raised:
            return {}
        found = dict(self.pins)
        for one, number in raised:
            found |= one.settings(number)
        return found

    def variant(self, state: Sequence[float]) -> Variant:
        """The machine in a state, and the keys that win over what jobs state."""
        return variant_of(self.machine, self.settings(state), "the ladder")

    def times(self, states: Sequence[State]) -> list[float]:
        """The time of all jobs in each of many states (s)."""
        new = [state for state in dict.fromkeys(states) if state not in self._known]
        if new:
            self.plans += len(new)
            totals = self.jobs.weighted([self.variant(state) for state in new])
            self._known.update(zip(new, totals.tolist(), strict=True))
            self._hear(min(self.plans / USUAL_PLANS, NEARLY_DONE))
        return [self._known[state] for state in states]

    def plans_are_single(self, state: State) -> bool:
        """Whether jobs in a state are planned one by one: no batch serves what ties speed to acceleration."""
        return any(each(self.jobs.prepared, _is_planned_singly, *self.variant(state)))

    def without(self, state: State, left_out: Sequence[int] | frozenset[int]) -> State:
        """A state with some limits as they are now."""
        return tuple(self.now[k] if k in left_out else number for k, number in enumerate(state))

    def raised_in(self, state: State) -> list[int]:
        """The places of the limits that a state raises."""
        return [k for k, number in enumerate(state) if number != self.now[k]]

    def left_out(self, state: State) -> dict[int, float]:
        """The time without each of the limits that a state raises (s), by their places."""
        raised = self.raised_in(state)
        return dict(zip(raised, self.times([self.without(state, (k,)) for k in raised]), strict=True))


def _is_planned_singly(job: TimedJob, machine: Machine, varied: frozenset[str]) -> bool:
    return job.is_planned_singly(machine, varied)


class _Step(NamedTuple):
    """Limits of one rung with the numbers that they are raised to, and the place of the step that must come before."""

    numbers: Mapping[int, float]
    after: int | None = None


def unclimbed(climb: Climb) -> Climbed:
    """No step at all: the time now, and with everything at its reach."""
    now_s, reach_s = climb.times([climb.now, climb.reach])
    return Climbed((), (now_s,), climb.now, now_s, 0, {}, (), reach_s, climb)


def planned_ladder(climb: Climb) -> Climbed:
    """The ladder of a machine and jobs (see `ladder.ladder_of`)."""
    now_s, reach_s = climb.times([climb.now, climb.reach])
    saving = now_s - reach_s
    if saving < SMALL_SAVING * now_s:
        return unclimbed(climb)
    end = lowered(climb, put_back(climb, saving), saving)
    steps = split_steps(climb, end, groups_of(climb, end, saving), now_s)
    return _ordered(climb, end, steps, now_s, saving, reach_s)


def put_back(climb: Climb, saving: float) -> State:
    """Everything at its reach but for what nothing hangs on, which is put back: together, or one after the other where
    all of it together would be missed.
    """
    (reach_s,) = climb.times([climb.reach])
    losses = {k: total - reach_s for k, total in climb.left_out(climb.reach).items()}
    idle = sorted((k for k, lost in losses.items() if lost < NOTHING_HANGS * saving), key=lambda k: losses[k])
    most = reach_s + PUT_BACK_MOST * saving
    state = climb.without(climb.reach, idle)
    if climb.times([state])[0] <= most:
        return state
    state = climb.reach
    for k in idle:
        tried = climb.without(state, (k,))
        if climb.times([tried])[0] <= most:
            state = tried
    return state


def lowered(climb: Climb, state: State, saving: float) -> State:
    """The limits of a state lowered together over round numbers while 95 % of the saving is left.

    Each is tried by itself on its way, all others at their reach; then all go down to where each by itself would lose
    so much, the most that leaves enough. No limit has its turn before another, so that no order is in the answer.
    """
    raised = climb.raised_in(state)
    now_s, full_s = climb.times([climb.now, state])
    tried = [(*state[:k], climb.raisables[k].at(share), *state[k + 1 :]) for k in raised for share in SHARES]
    found = iter(climb.times(tried))
    without = climb.left_out(state)
    curves = {k: [without[k] - full_s, *(next(found) - full_s for _ in SHARES), 0.0] for k in raised}
    allowed = now_s - KEPT * saving
    spare = max(0.0, allowed - full_s)
    levels = [spare * LEAST_LEVEL ** (step / (LEVELS - 1)) for step in range(LEVELS)]
    states = [_at_level(climb, state, curves, level) for level in levels]
    return next((one for one, total in zip(states, climb.times(states), strict=True) if total <= allowed), state)


def _at_level(climb: Climb, state: State, curves: Mapping[int, Sequence[float]], level: float) -> State:
    """Every limit as low as it may be before it alone loses so much (s): straight lines between what was tried."""
    shares = (0.0, *SHARES, 1.0)
    numbers = list(state)
    for k, losses in curves.items():
        share = 1.0
        for low in reversed(range(len(SHARES) + 1)):
            if losses[low] > level:
                falls = losses[low] - losses[low + 1]
                part = (losses[low] - level) / falls if falls > 0.0 else 1.0
                share = shares[low] + min(1.0, part) * (shares[low + 1] - shares[low])
                break
        else:
            share = 0.0
        one = climb.raisables[k]
        numbers[k] = one.at(max(share, 1e-6))
    return tuple(numbers)


def groups_of(climb: Climb, end: State, saving: float) -> list[tuple[int, ...]]:
    """The limits of the end in groups that belong together; what quality may cost is one group."""
    raised = climb.raised_in(end)
    (end_s,) = climb.times([end])
    cost = tuple(k for k in raised if climb.raisables[k].sort == COST_SORT)
    others = [k for k in raised if climb.raisables[k].sort != COST_SORT]

    def losses(sets: Sequence[frozenset[int]]) -> list[float]:
        states = [climb.without(end, frozenset(others[i] for i in one)) for one in sets]
        return [total - end_s for total in climb.times(states)]

    groups, _ = linked_groups([climb.raisables[k].sort for k in others], losses, saving)
    found = [tuple(others[i] for i in members) for members in groups]
    return [*found, cost] if cost else found


def split_steps(climb: Climb, end: State, groups: Sequence[tuple[int, ...]], now_s: float) -> list[_Step]:
    """A step a group; of one that needs a part and something else, first the rest to where the part holds, if that is
    worth a step, then the part with what is left of the rest: that one goes on where the first ends.
    """
    steps: list[_Step] = []
    for members in groups:
        numbers = {k: end[k] for k in members}
        parts = [k for k in members if climb.raisables[k].kind == PART]
        rest = [k for k in members if k not in parts]
        if parts and rest:
            without, held = climb.times([climb.without(end, members), climb.without(end, parts)])
            if without - held >= SMALL_SAVING * now_s:
                first = _to_the_part(climb, end, rest, parts, without, held)
                steps.append(_Step(first))
                later = {k: end[k] for k in members if first.get(k) != end[k]}
                goes_on = any(k in first for k in later)
                steps.append(_Step(later, len(steps) - 1 if goes_on else None))
                continue
        steps.append(_Step(numbers))
    return steps


def _to_the_part(
    climb: Climb, end: State, rest: Sequence[int], parts: Sequence[int], without: float, held: float
) -> dict[int, float]:
    """The least numbers of some limits with which the time is as good as it gets while the parts are as they are."""
    held_state = climb.without(end, parts)
    choices = []
    for step in range(1, STEPS_TO_THE_PART + 1):
        numbers = {}
        for k in rest:
            one = climb.raisables[k]
            full = end[k] / one.number
            numbers[k] = one._replace(reach=end[k]).at(step / STEPS_TO_THE_PART) if full != 1.0 else end[k]
        choices.append(numbers)
    states = [tuple(numbers.get(k, number) for k, number in enumerate(held_state)) for numbers in choices]
    enough = held + PART_HOLDS * (without - held)
    return next(one for one, total in zip(choices, climb.times(states), strict=True) if total <= enough)


def _ordered(climb: Climb, end: State, steps: Sequence[_Step], now_s: float, saving: float, reach_s: float) -> Climbed:
    """The steps in their best order, small ones apart."""

    def state_of(chosen: Sequence[int]) -> State:
        numbers = list(climb.now)
        for place in chosen:  # what must come before comes before
            for k, number in steps[place].numbers.items():
                numbers[k] = number
        return tuple(numbers)

    def total_of(chosen: Sequence[int]) -> float:
        return climb.times([state_of(chosen)])[0]

    enough = now_s - KEPT_BY_RUNGS * saving
    kept, in_all_orders = _worth_ordering(climb, state_of, steps, now_s, enough)
    while True:
        places = {place: i for i, place in enumerate(kept)}
        after = [None if (first := steps[place].after) is None else places[first] for place in kept]

        def times(masks: Sequence[int], kept: Sequence[int] = kept) -> list[float]:
            return climb.times([state_of([one for i, one in enumerate(kept) if mask >> i & 1]) for mask in masks])

        order, totals = best_order(len(kept), after, times, in_all_orders)
        saved = {kept[i]: totals[n] - totals[n + 1] for n, i in enumerate(order)}
        needed = {steps[place].after for place in kept}
        small = sorted(
            (place for place in kept if saved[place] < SMALL_SAVING * now_s and place not in needed),
            key=lambda place: saved[place],
        )
        less = next(
            (
                [one for one in kept if one != place]
                for place in small
                if total_of([one for one in kept if one != place]) <= enough
            ),
            None,
        )
        if less is None:
            break
        kept = less
    states, chosen = [], []
    for i in order:
        chosen.append(kept[i])
        states.append(state_of(sorted(chosen)))
    (end_s,) = climb.times([end])
    rungs = _left_out_rungs(climb, states, end)
    count = len(steps) - len(kept)
    return Climbed(tuple(states), totals, end, end_s, count, climb.left_out(end), rungs, reach_s, climb)


def _worth_ordering(
    climb: Climb, state_of: Any, steps: Sequence[_Step], now_s: float, enough: float
) -> tuple[list[int], bool]:
    """The steps without those that save next to nothing, first or last, and whether all orders can be tried."""
    everything = list(range(len(steps)))

    def with_first(place: int) -> list[int]:
        first = steps[place].after
        return [place] if first is None else [first, place]

    def without(place: int) -> list[int]:
        return [one for one in everything if one != place and steps[one].after != place]

    alone = climb.times([state_of(with_first(place)) for place in everything])
    end_s = climb.times([state_of(everything)])[0]
    missing = climb.times([state_of(without(place)) for place in everything])
    worth = [max(now_s - first, last - end_s) for first, last in zip(alone, missing, strict=True)]
    needed = {steps[place].after for place in everything}
    by_worth = sorted(everything, key=lambda place: -worth[place])
    kept = [place for place in everything if worth[place] >= SMALL_SAVING * now_s or place in needed]
    for place in by_worth:
        if climb.times([state_of(sorted(kept))])[0] <= enough:
            break
        if place not in kept:
            kept.append(place)
    kept.sort()
    one_by_one = climb.plans_are_single(state_of(everything))
    fits = not one_by_one or climb.plans + 2 ** len(kept) <= MOST_PLANS
    return kept, fits and len(kept) <= MOST_RUNGS_IN_ALL_ORDERS


def _left_out_rungs(climb: Climb, states: Sequence[State], end: State) -> tuple[float, ...]:
    """The time at the end without each rung (s): its limits as they were before it."""
    found = []
    before = climb.now
    for state in states:
        changed = [k for k, number in enumerate(state) if number != before[k]]
        found.append(tuple(before[k] if k in changed else number for k, number in enumerate(end)))
        before = state
    return tuple(climb.times(found))
