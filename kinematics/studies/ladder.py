"""What must be raised so that jobs get faster, in which order, how far, and what does each step bring?"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.errors import Notice
from kinematics.jobs.many import Fixed, WeightedJobs, changed_shares, fixed_of
from kinematics.jobs.timing import Cause, Timing, causes_in, time_jobs
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine import Candidate, Machine
from kinematics.notebook import NotebookTable
from kinematics.studies.claim import Claim, ClaimAnswer, claim_answer
from kinematics.studies.climb import Climb, Climbed, planned_ladder, unclimbed
from kinematics.studies.intervals import Interval, SampledTimes, Sampling, interval_of
from kinematics.studies.reach import COST_SORT, USUAL_LADDER, LadderAsk, Raisable, gravest_kind, pins_of, raisables_of

if TYPE_CHECKING:
    import pandas


class RaisedLimit(NamedTuple):
    """One limit in a rung: `before` the keys and what held of each, `after` what they are set to; `number` and `to` the
    ones that stand for them, and `least` the lowest that held anywhere in the jobs; `source` where its reach is from.
    """

    what: str
    kind: str
    unit: str
    before: Mapping[str, Any]
    after: Mapping[str, Any]
    number: float
    to: float
    least: float
    source: str


class Alone(NamedTuple):
    """What a limit of a rung saves if it alone is raised, on the machine as it is (s)."""

    what: str
    saved_s: float


class Rung(NamedTuple):
    """One step: what is raised, of what `kind`, the time after it and what it saves (s), and what holds the jobs then.

    `settings` of this step alone; `alone` what its main limit saves by itself, where there are several; `silenced` how
    many more commands of the jobs no longer have a say; `left_out_s` the time at the end without this step (s);
    `seen_share` of the visible path that it changes (None: moves are not kept); `saved_interval` where the machine has
    ranges.
    """

    raised: tuple[RaisedLimit, ...]
    kind: str
    settings: Mapping[str, Any]
    total_s: float
    saved_s: float
    held_by: Cause
    alone: Alone | None
    silenced: int
    left_out_s: float
    seen_share: float | None
    saved_interval: Interval | None = None


class SmallSteps(NamedTuple):
    """Steps that save less than one per cent each, as one: what they raise, the time after all of them, and what they
    save together (s).
    """

    steps: int
    raised: tuple[RaisedLimit, ...]
    settings: Mapping[str, Any]
    total_s: float
    saved_s: float


class LeftOut(NamedTuple):
    """One limit of the end, and the time if it alone had not been raised (s)."""

    what: str
    keys: tuple[str, ...]
    total_s: float


@dataclass(frozen=True, repr=False)
class Ladder(NotebookTable):
    """What must be raised, step by step: times of all jobs together, each as often as it is printed (s).

    `total_s` and `motion_s` as the machine is; `fixed` what no limit of motion changes, and the floor; `rungs` in their
    order, `small` the steps below one per cent; `end_s` the time at the end and `reach_s` with everything at its reach;
    `left_out` what everything hangs on, the worst first; `left` what the last plan is spent under. `until_s` the time
    that was asked for, `reached` whether the end is there (None where nothing was asked for); `claim` what is to be
    said of somebody's word. `may_rise` everything that could be raised, with its reach; `plans` how often the jobs were
    planned; `quality_s` the time with everything at its reach and quality given up as well, where it was not allowed.
    `cut_short_of` of how many steps these are what Ctrl-C left (0: none was known yet; None: it did not come).
    """

    machine: Machine
    jobs: tuple[str, ...]
    prints: tuple[float, ...]
    wanted: LadderAsk
    total_s: float
    motion_s: float
    fixed: Fixed
    rungs: tuple[Rung, ...]
    small: SmallSteps | None
    end_s: float
    end_motion_s: float
    reach_s: float
    left_out: tuple[LeftOut, ...]
    left: tuple[Cause, ...]
    until_s: float | None
    reached: bool | None
    claim: ClaimAnswer | None
    may_rise: tuple[Raisable, ...]
    plans: int
    quality_s: float | None
    notices: dict[str, tuple[Notice, ...]]
    interval: Interval | None = None
    sampling: Sampling | None = None
    cut_short_of: int | None = None

    def settings_after(self, rung: int) -> dict[str, Any]:
        """The settings of the machine after a rung (0 the first), all steps before it included."""
        found: dict[str, Any] = {}
        for one in self.rungs[: rung + 1]:
            found |= one.settings
        return found

    @property
    def end_settings(self) -> dict[str, Any]:
        """The settings of the machine at the end, small steps included."""
        last = self.settings_after(len(self.rungs) - 1) if self.rungs else {}
        return last | dict(self.small.settings if self.small is not None else {})

    def candidates(self) -> list[Candidate]:
        """Each rung as a candidate with all the steps before it, named by its number and its main limit."""
        taken = {one.name for one in self.machine.candidates}
        found = []
        for place, rung in enumerate(self.rungs):
            name = f"step {place + 1}: {rung.raised[0].what}"
            while name in taken:
                name += " again"
            found.append(Candidate(name, self.settings_after(place)))
        return found

    def to_frame(self) -> pandas.DataFrame:
        """One row a rung: what, kind, total_s, saved_s, held_by, left_out_s."""
        import pandas

        columns = ["what", "kind", "total_s", "saved_s", "held_by", "left_out_s"]
        rows = []
        for rung in self.rungs:
            what = ", ".join(one.what for one in rung.raised)
            rows.append((what, rung.kind, rung.total_s, rung.saved_s, rung.held_by.cause, rung.left_out_s))
        return pandas.DataFrame(rows, columns=columns)

    def __repr__(self) -> str:
        from kinematics.wording import duration_text

        steps = len(self.rungs)
        told = (
            f"{duration_text(self.total_s)} to {duration_text(self.end_s)} in {steps} step{'' if steps == 1 else 's'}"
        )
        return f"<Ladder on {self.machine.name}: {told}>"


def ladder_of(
    jobs: WeightedJobs,
    machine: Machine,
    wanted: LadderAsk = USUAL_LADDER,
    until_s: float | None = None,
    claim: Claim | None = None,
    sampling: Sampling | None = None,
    tell: Callable[..., None] = lambda *_: None,
) -> Ladder:
    """Climb: everything that may be raised goes to its reach, what nothing hangs on is put back, the rest is lowered
    while 95 % of the saving is left; what belongs together is one rung, and the best order of the rungs is told.

    `until_s` the time at which to stop, `claim` what somebody says of such jobs. Every number comes from a plan.
    Interrupted, it is told up to the step that was looked at last; before steps are known, what all limits at their
    reach save: then nothing is said of `until_s` and `claim`.
    Raises InputError where a job cannot be read, or what is wanted names nothing.
    """
    tell("timing the machine as it is")
    present = _timed(jobs, machine, NOTHING_VARIED)
    raisables = raisables_of(machine, present, wanted)
    tell(step := "looking for what must be raised")
    climb = Climb(jobs, machine, raisables, pins_of(machine, present, wanted), partial(tell, step))
    plan = unclimbed(climb)
    cut_short_of = None
    try:
        plan = planned_ladder(climb)
        if until_s is not None:
            plan = plan.stopped_at(until_s)
    except KeyboardInterrupt:
        cut_short_of = len(plan.states)
    tell("looking at each step")
    sampled = None
    if machine.ranges and sampling is not None:
        sampled = SampledTimes(jobs.prepared, machine, sampling, keeps=True)
    rungs: list[Rung] = []
    last = present
    try:
        for rung, last_so_far in _looked_at(climb, plan, wanted, sampled):
            rungs.append(rung)
            last = last_so_far
    except KeyboardInterrupt:
        cut_short_of = len(plan.states)
        plan = plan.stopped_after(len(rungs))
    if cut_short_of is not None:
        until_s = claim = None
    small = None
    end_s = plan.times[-1]
    if plan.small_count:
        before = plan.states[-1] if plan.states else climb.now
        last = _timed(jobs, *climb.variant(plan.end))
        raised = _raised(climb, before, plan.end)
        small = SmallSteps(plan.small_count, raised, _settings(climb, before, plan.end), plan.end_s, end_s - plan.end_s)
        end_s = plan.end_s
    return Ladder(
        machine=machine,
        jobs=jobs.names,
        prints=tuple(jobs.weights.tolist()),
        wanted=wanted,
        total_s=plan.times[0],
        motion_s=_motion(jobs, present),
        fixed=fixed_of(jobs, present, machine, climb.variant(climb.reach).machine),
        rungs=tuple(rungs),
        small=small,
        end_s=end_s,
        end_motion_s=_motion(jobs, last),
        reach_s=plan.reach_s,
        left_out=tuple(
            LeftOut(climb.raisables[k].what, climb.raisables[k].keys, total)
            for k, total in sorted(plan.left_out.items(), key=lambda pair: -pair[1])
        ),
        left=tuple(causes_of(jobs, last)),
        until_s=until_s,
        reached=None if until_s is None else end_s <= until_s,
        claim=None if claim is None else claim_answer(claim, climb, plan, present),
        may_rise=tuple(raisables),
        plans=climb.plans,
        quality_s=None if cut_short_of is not None else _with_quality(jobs, machine, present, wanted),
        notices={timing.facts.name: timing.facts.notices for timing in present},
        interval=None if sampled is None else interval_of(jobs.weights @ sampled.as_it_is),
        sampling=None if sampled is None else sampled.sampling,
        cut_short_of=cut_short_of,
    )


def _looked_at(
    climb: Climb, plan: Climbed, wanted: LadderAsk, sampled: SampledTimes | None
) -> Iterator[tuple[Rung, list[Timing]]]:
    """The rungs of a ladder, each with how the jobs are timed after it."""
    jobs = climb.jobs
    variants = [climb.variant(state) for state in (climb.now, *plan.states)]
    seen = changed_shares(jobs, wanted.keep, variants)
    drawn = None if sampled is None else jobs.weights @ sampled.as_it_is
    varied: frozenset[str] = NOTHING_VARIED
    for place, state in enumerate(plan.states):
        variant = variants[place + 1]
        timings = _timed(jobs, *variant)
        before = plan.states[place - 1] if place else climb.now
        raised = _raised(climb, before, state)
        now = frozenset(key for one in raised for key in one.after)
        silenced = sum(
            timing.facts.silenced_by(varied | now) - timing.facts.silenced_by(varied)
            for timing, job in zip(timings, jobs.prepared, strict=True)
            if job.heeds_file_limits
        )
        varied |= now
        interval = None
        if sampled is not None and drawn is not None:
            after = jobs.weights @ sampled.totals(*variant)
            interval, drawn = interval_of(drawn[: after.size] - after), after
        rung = Rung(
            raised,
            gravest_kind(one.kind for one in raised),
            _settings(climb, before, state),
            plan.times[place + 1],
            plan.times[place] - plan.times[place + 1],
            causes_of(jobs, timings)[0],
            _alone(climb, plan, place),
            silenced,
            plan.left_out_rungs[place],
            seen[place],
            interval,
        )
        yield rung, timings


def _with_quality(jobs: WeightedJobs, machine: Machine, present: Sequence[Timing], wanted: LadderAsk) -> float | None:
    """The time with everything at its reach and quality given up as well (s); None where that was allowed, or does not
    differ.
    """
    more = [] if wanted.quality else raisables_of(machine, present, wanted._replace(quality=True))
    if not any(one.sort == COST_SORT for one in more):
        return None
    climb = Climb(jobs, machine, more, pins_of(machine, present, wanted))
    return climb.times([climb.reach])[0]


def _timed(jobs: WeightedJobs, machine: Machine, varied: frozenset[str]) -> list[Timing]:
    return time_jobs(jobs.prepared, machine, varied)


def _motion(jobs: WeightedJobs, timings: Sequence[Timing]) -> float:
    return math.fsum(weight * one.motion for weight, one in zip(jobs.weights.tolist(), timings, strict=True))


def causes_of(jobs: WeightedJobs, timings: Sequence[Timing]) -> list[Cause]:
    """What all jobs are spent under, most seconds first."""
    seconds = jobs.by_cause(timings)
    return list(causes_in(seconds, math.fsum(seconds.values())))


def _raised(climb: Climb, before: Sequence[float], after: Sequence[float]) -> tuple[RaisedLimit, ...]:
    """What differs between two states, those that lose most if they are left out first."""
    found = []
    for one, low, high in zip(climb.raisables, before, after, strict=True):
        if low != high:
            was = dict(one.before) if low == one.number else one.settings(low)
            least = one.least if low == one.number else low
            found.append(
                RaisedLimit(one.what, one.kind, one.unit, was, one.settings(high), low, high, least, one.source)
            )
    return tuple(found)


def _settings(climb: Climb, before: Sequence[float], after: Sequence[float]) -> dict[str, Any]:
    """The settings that a step adds: pins are said with the first one."""
    earlier = climb.settings(before)
    return {key: value for key, value in climb.settings(after).items() if earlier.get(key) != value}


def _alone(climb: Climb, plan: Climbed, place: int) -> Alone | None:
    """What the main limit of a rung brings by itself; None where it has only one, or goes on where another ended."""
    before = plan.states[place - 1] if place else climb.now
    changed = [k for k, (low, high) in enumerate(zip(before, plan.states[place], strict=True)) if low != high]
    if len(changed) < 2 or any(before[k] != climb.now[k] for k in changed):
        return None
    main = max(changed, key=lambda k: plan.left_out.get(k, 0.0))
    state = tuple(plan.states[place][k] if k == main else number for k, number in enumerate(climb.now))
    return Alone(climb.raisables[main].what, plan.times[0] - climb.times([state])[0])
