"""How long under each candidate, and what is saved?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import Finding, InputError, Notice
from kinematics.gcode.job import JobFacts
from kinematics.jobs.many import Variant
from kinematics.jobs.timing import ALL_JOBS, Ask, TimedJob, Timing, foresee, main_cause, summed, time_job
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.machine import Candidate, Machine, resolved_keys
from kinematics.notebook import NotebookTable
from kinematics.studies.held_by import HeldBy, held_by
from kinematics.studies.intervals import DRAWING, USUAL_SAMPLING, Interval, SampledTimes, Sampling, interval_of

if TYPE_CHECKING:
    import pandas

AS_IT_IS = "as it is"


class ComparisonRow(NamedTuple):
    """One candidate on one job: total and saved time (s), share saved, what most of its time is spent under.

    `interval_s` of the total and `saved_interval_s` of what is saved where any machine has ranges (None elsewhere).
    `saved_by_silencing_s` is what it saves alone that the job's own limits are silenced which the candidate varies, the
    machine's as it is in their place (s); the rest comes of the candidate's limits. `motion_s`, `dwell_s`, stops and
    `cooling_s` are the parts of the total.
    """

    candidate: str
    job: str
    total_s: float
    saved_s: float
    saved_share: float
    cause: str
    interval_s: Interval | None = None
    saved_interval_s: Interval | None = None
    saved_by_silencing_s: float = 0.0
    motion_s: float = 0.0
    dwell_s: float = 0.0
    stops_by_kind_s: Mapping[str, float] = MappingProxyType({})
    cooling_s: float = 0.0


@dataclass(frozen=True, repr=False)
class Comparison(NotebookTable):
    """Candidates against the machine as it is: `rows` candidate by candidate, job by job; `totals` over all jobs.

    `silenced` counts, by candidate, the commands in the jobs that state a limit which the candidate varies. `sampling`
    says how intervals were drawn, None where no machine has ranges. `held` tells by candidate, of each limit that it
    raises, in which share it rules, and what holds where it rules nowhere.
    """

    machine: Machine
    candidates: tuple[Candidate, ...]
    rows: tuple[ComparisonRow, ...]
    totals: tuple[ComparisonRow, ...]
    notices: dict[str, tuple[Notice, ...]]
    silenced: dict[str, int]
    sampling: Sampling | None = None
    held: Mapping[str, tuple[HeldBy, ...]] = field(default_factory=dict)

    def to_frame(self) -> pandas.DataFrame:
        """One row a candidate and job: candidate, job, total_s, saved_s, saved_share, cause.

        With intervals low_s, high_s, saved_low_s and saved_high_s as well.
        """
        import pandas

        return pandas.DataFrame([comparison_row(row) for row in self.rows])

    def __repr__(self) -> str:
        from kinematics.wording import duration_text

        rows = "; ".join(
            f"{row.candidate} {duration_text(row.total_s)} ({-row.saved_share:+.0%})" for row in self.totals
        )
        return f"<Comparison on {self.machine.name}: {rows}>"


def comparison_row(row: ComparisonRow) -> dict[str, str | float]:
    """A row of a table: candidate, job, total_s, saved_s, saved_share, cause; the ends of intervals behind it."""
    columns = {name: getattr(row, name) for name in ("candidate", "job", "total_s", "saved_s", "saved_share", "cause")}
    for name, interval in (("", row.interval_s), ("saved_", row.saved_interval_s)):
        if interval is not None:
            columns |= {f"{name}low_s": interval.low, f"{name}high_s": interval.high}
    return columns


def compare_prepared(
    prepared: Sequence[TimedJob],
    machine: Machine,
    candidates: Sequence[Candidate],
    tell: Callable[..., None] = lambda *_: None,
    sampling: Sampling = USUAL_SAMPLING,
    found: Callable[[ComparisonRow], None] = lambda _: None,
) -> Comparison:
    """Time jobs on a machine as it is and under each candidate. Raises InputError for a candidate that cannot be.

    `sampling` says how intervals are drawn where a machine has ranges; what is saved is told on the same draws. `found`
    hears of each row in its turn, as soon as it is known.
    """
    names = [AS_IT_IS, *(candidate.name for candidate in candidates)]
    twice = sorted({name for name in names if names.count(name) > 1})
    findings = [
        Finding("--candidate", f"the name {name!r} stands for two candidates", "each name once") for name in twice
    ]
    machines = [(AS_IT_IS, machine, NOTHING_VARIED)]
    for candidate in candidates:
        try:
            other = machine.with_settings(candidate.set, f"candidate {candidate.name}")
            machines.append((candidate.name, other, resolved_keys(candidate.set, machine)))
        except InputError as error:
            findings += error.findings
    if findings:
        raise InputError(*findings)
    asks = [Ask(other, varied, passing=True) for _, other, varied in machines]
    foresee(prepared, asks, partial(_silenced_by, machine, [varied for _, _, varied in machines[1:]]))
    has_ranges = any(other.ranges for _, other, _ in machines)
    rows, totals = [], []
    before: list[float] = []
    facts: list[JobFacts] = []
    notices: dict[str, tuple[Notice, ...]] = {}
    silenced: dict[str, int] = {}
    held: dict[str, tuple[HeldBy, ...]] = {}
    for name, other, varied in machines:
        timings: list[Timing] = []
        by_silencing = 0.0
        for number, job in enumerate(prepared):
            tell(f"timing {name}")
            silent = facts[number].silenced_by(varied) if facts[number:] and job.heeds_file_limits else 0
            alone = 0.0
            if silent:  # before the candidate, whose plan is looked at below
                silenced[name] = silenced.get(name, 0) + silent
                alone = before[number] - time_job(job, *_silenced_alone(machine, varied)).total
                by_silencing += alone
            timing = time_job(job, other, varied, passing=True)
            timings.append(timing)
            file = timing.facts.name
            if name == AS_IT_IS:
                before.append(timing.total)
                facts.append(timing.facts)
                notices[file] = timing.facts.notices
            rows.append(_row(name, file, [timing], before[number], alone))
            if not has_ranges:
                found(rows[-1])
        totals.append(_row(name, ALL_JOBS, timings, sum(before), by_silencing))
        if name != AS_IT_IS:
            held[name] = held_by(prepared, [1.0] * len(prepared), machine, Variant(other, varied), timings)
    comparison = Comparison(machine, tuple(candidates), tuple(rows), tuple(totals), notices, silenced, held=held)
    if not has_ranges:
        return comparison
    tell(f"{DRAWING}, {AS_IT_IS}")
    sampled = SampledTimes(prepared, machine, sampling, partial(tell, f"{DRAWING}, {AS_IT_IS}"), True)
    known = _with_intervals(comparison, machines, sampled, tell)
    for row in known.rows:
        found(row)
    return known


def _row(candidate: str, job: str, timings: Sequence[Timing], before: float, by_silencing: float) -> ComparisonRow:
    """What a candidate does to a job, or to all of them, that takes so long before (s)."""
    total = sum(one.total for one in timings)
    return ComparisonRow(
        candidate,
        job,
        total,
        before - total,
        (before - total) / before,
        main_cause(summed(pair for one in timings for pair in one.by_cause.items()), total),
        saved_by_silencing_s=by_silencing,
        motion_s=sum(one.motion for one in timings),
        dwell_s=sum(one.stops.dwell for one in timings),
        stops_by_kind_s=summed(pair for one in timings for pair in one.stops.seconds.items()),
        cooling_s=sum(one.cooling for one in timings),
    )


def _silenced_alone(machine: Machine, varied: frozenset[str]) -> Ask:
    """The machine as it is, with what the jobs state of some limits silenced."""
    return Ask(machine, varied, passing=True, total_only=True)


def _silenced_by(machine: Machine, each_varied: Sequence[frozenset[str]], timing: Timing) -> list[Ask]:
    """What will be asked once a job has been timed as it is: each set of its commands that a candidate silences."""
    return [_silenced_alone(machine, varied) for varied in each_varied if timing.facts.silenced_by(varied)]


def _with_intervals(
    comparison: Comparison,
    machines: Sequence[tuple[str, Machine, frozenset[str]]],
    sampled: SampledTimes,
    tell: Callable[..., None],
) -> Comparison:
    rows, totals = iter(comparison.rows), iter(comparison.totals)
    known_rows, known_totals = [], []
    drawn_of: dict[str, NDArray[np.float64]] = {}
    for name, machine, varied in machines:
        if name != AS_IT_IS:
            tell(step := f"{DRAWING}, {name}")
            drawn_of[name] = sampled.totals(machine, varied, partial(tell, step))
    before, done = sampled.as_it_is, sampled.sampling.draws
    for name, _, _ in machines:
        drawn = drawn_of.get(name, before)[:, :done]
        for times, first, row in zip(drawn, before, rows, strict=False):  # rows last: they go on with the next name
            known_rows.append(row._replace(interval_s=interval_of(times), saved_interval_s=interval_of(first - times)))
        whole = interval_of(drawn.sum(axis=0)), interval_of((before - drawn).sum(axis=0))
        known_totals.append(next(totals)._replace(interval_s=whole[0], saved_interval_s=whole[1]))
    return replace(comparison, rows=tuple(known_rows), totals=tuple(known_totals), sampling=sampled.sampling)
