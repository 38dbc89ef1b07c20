"""How does time fall as limits rise, where does it stop paying, and which part is within the caps?

Of several knobs the best trade-offs: what time costs in acceleration, rounding and ringing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.jobs.many import Variant, WeightedJobs
from kinematics.jobs.timing import ALL_JOBS, JobHere
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.limits.flow import FLOW_KEY
from kinematics.limits.vibration import AXES, filter_made, modes_of
from kinematics.machine import Machine, resolved_keys
from kinematics.machine.keys import THE_AXES, THE_CORNERS, THE_EXTRUDER, THE_JOB, THE_PATH, THE_RATES
from kinematics.notebook import NotebookTable, frame_of
from kinematics.studies.caps import cap_rows
from kinematics.studies.held_by import HeldBy, held_under
from kinematics.studies.intervals import USUAL_SAMPLING, Interval, Sampling, drawn_totals, interval_of
from kinematics.studies.knees import FALLS, Knee
from kinematics.studies.knobs import Knob, asked_where_it_differs, settings_of, variant_of

if TYPE_CHECKING:
    import pandas


AHEAD = 8  # chunks of which jobs that are elsewhere are asked for the times before the first one is there
ROWS_AT_ONCE = 64  # candidates at a time: a row is told as soon as its chunk is done
COMMANDED_KEYS = ("feed_override", "commanded_speed_mm_s")  # ends of keys that change what is commanded


class SweepRow(NamedTuple):
    """One candidate and one job: `point` the knobs' values, total time (s), whether the known caps take it (None: not
    known), and what stops it; `interval_s` of the time where ranges are left that no knob turns.
    """

    point: tuple[float, ...]
    job: str
    total_s: float
    within_caps: bool | None
    stopped_by: tuple[str, ...]
    interval_s: Interval | None = None


@dataclass(frozen=True, repr=False)
class Sweep(NotebookTable):
    """The rows of a sweep, and where each knob stops paying with the likely values of all ranges; `sampling` says how
    intervals were drawn, None where no ranges are left; `present_total_s` the time with the machine as it is (s), of
    all jobs or of the only one (None: not asked for). `held` tells of each knob that raises a limit whether its highest
    value is reached, all knobs at theirs.
    """

    machine: Machine
    knobs: tuple[Knob, ...]
    rows: tuple[SweepRow, ...]
    knees: tuple[Knee, ...]
    sampling: Sampling | None = None
    present_total_s: float | None = None
    held: tuple[HeldBy, ...] = ()

    def to_frame(self) -> pandas.DataFrame:
        """One row a candidate and job: a column a knob, job, total_s, (low_s, high_s,) within_caps, stopped_by."""
        return frame_of([row_dict(self.knobs, row) for row in self.rows])

    def __repr__(self) -> str:
        return f"<Sweep of {', '.join(knob.name for knob in self.knobs)} on {self.machine.name}: {len(self.rows)} rows>"


def held_at_the_end(jobs: WeightedJobs, machine: Machine, knobs: Sequence[Knob]) -> tuple[HeldBy, ...]:
    """What holds in place of a knob's highest value, with all knobs at theirs."""
    settings = settings_of(knobs, [knob.values[-1] for knob in knobs])
    return held_under(jobs.prepared, jobs.weights.tolist(), machine, settings)


def row_dict(knobs: Sequence[Knob], row: SweepRow) -> dict[str, object]:
    """A row with a key for each knob, as tables and documents have it."""
    return {
        **settings_of(knobs, row.point),
        "job": row.job,
        "total_s": row.total_s,
        **({} if row.interval_s is None else {"low_s": row.interval_s.low, "high_s": row.interval_s.high}),
        "within_caps": row.within_caps,
        "stopped_by": list(row.stopped_by),
    }


class _Judged(NamedTuple):
    """What stops a candidate, what is judged of it, and whether every cap of that is known."""

    stopped: tuple[str, ...]
    judged: bool
    known: bool

    def with_more(self, other: _Judged) -> tuple[bool | None, tuple[str, ...]]:
        """Whether a candidate is within the known caps, by two things that are judged of it, and what stops it."""
        if stopped := tuple(dict.fromkeys(self.stopped + other.stopped)):
            return False, stopped
        return (True if (self.judged or other.judged) and self.known and other.known else None), ()


def _by_caps(variant: Variant) -> _Judged:
    """The limits that a candidate turns against the known caps of its machine."""
    rows = [row for row in cap_rows(variant.machine, limits=variant.varied) if row.asked is not None]
    stopped = tuple(row.stopped_by for row in rows if row.within_caps is False)
    return _Judged(stopped, bool(rows), all(row.within_caps for row in rows))


def _by_flow(jobs: WeightedJobs, variant: Variant) -> _Judged:
    """What the commanded speeds that a candidate turns ask of the hotend."""
    if not any(key == FLOW_KEY or key.endswith(COMMANDED_KEYS) for key in variant.varied):
        return _Judged((), False, True)
    share = jobs.share_of_flow(variant)
    return _Judged(("hotend flow",) if share > 1.0 + FALLS else (), True, share > 0.0)


def ranges_left(machine: Machine, knobs: Sequence[Knob]) -> bool:
    """Whether a machine has ranges that no knob turns."""
    return bool(machine.ranges.keys() - resolved_keys({knob.name: knob.values[0] for knob in knobs}, machine))


def _intervals(
    variant: Variant, jobs: WeightedJobs, sampling: Sampling, hear: Callable[[float], None]
) -> list[Interval | None]:
    """The interval of each job and of all together, None throughout where the candidate has no ranges.

    `hear` is told which share of the draws is done.
    """
    if not variant.machine.ranges:
        return [None] * (len(jobs.names) + 1)
    drawn = drawn_totals(jobs.prepared, *variant, sampling, hear)
    return [*(interval_of(times) for times in drawn), interval_of(jobs.weights @ drawn)]


def present_total_of(jobs: WeightedJobs, machine: Machine) -> float:
    """The time with the machine as it is (s), as the last row of a candidate has it: of all jobs, or of the only one.

    Infinite where the machine does not move.
    """
    total = float(jobs.weighted_or_never([Variant(machine, NOTHING_VARIED)])[0])
    return total if len(jobs.names) > 1 else total / float(jobs.weights[0])


def sweep_rows(
    jobs: WeightedJobs,
    machine: Machine,
    knobs: Sequence[Knob],
    points: Sequence[tuple[float, ...]],
    tell: Callable[[float], None] = lambda _: None,
    sampling: Sampling = USUAL_SAMPLING,
) -> Iterator[list[SweepRow]]:
    """The rows of points of a sweep, a chunk of candidates at a time, in order; `tell` hears how many are done, and
    parts of one that is timed on many draws.

    A candidate has a row for each job, and one for all of them together where there are several. `sampling` says how
    intervals are drawn where ranges are left: of every candidate on the same draws.
    """
    at_a_time = ROWS_AT_ONCE if not points or not ranges_left(machine, knobs) else 1  # each is then timed on many draws
    by_caps = asked_where_it_differs(_by_caps, machine, knobs, (THE_JOB,))
    by_flow = asked_where_it_differs(
        partial(_by_flow, jobs), machine, knobs, (THE_PATH, THE_AXES, THE_CORNERS, THE_RATES)
    )
    begun = _begun(jobs, machine, knobs, [points[i : i + at_a_time] for i in range(0, len(points), at_a_time)])
    first = 0
    for chosen, variants, answer in begun:
        totals = answer()
        rows = []
        for k, point in enumerate(chosen):
            within, stopped = by_caps(point).with_more(by_flow(point))
            before = first + k
            known = _intervals(variants[k], jobs, sampling, lambda share, before=before: tell(before + share))  # type: ignore[misc]
            rows += [
                SweepRow(point, name, float(total), within, stopped, interval)
                for name, total, interval in zip(jobs.names, totals[:, k], known[:-1], strict=True)
            ]
            if len(jobs.names) > 1:
                rows.append(SweepRow(point, ALL_JOBS, float(jobs.weights @ totals[:, k]), within, stopped, known[-1]))
        first += len(chosen)
        tell(first)
        yield rows


def _begun(
    jobs: WeightedJobs, machine: Machine, knobs: Sequence[Knob], chunks: Sequence[Sequence[tuple[float, ...]]]
) -> Iterator[tuple[Sequence[tuple[float, ...]], list[Variant], Callable[[], Any]]]:
    """Each chunk of points with its variants and the way to their totals; jobs work on the next chunk, those that are
    elsewhere on a few more, while one is waited for.
    """
    most = 1 if all(isinstance(job, JobHere) for job in jobs.prepared) else AHEAD
    ahead: deque[tuple[Sequence[tuple[float, ...]], list[Variant], Callable[[], Any]]] = deque()
    for chosen in chunks:
        variants = [variant_of(machine, settings_of(knobs, point)) for point in chosen]
        ahead.append((chosen, variants, jobs.totals_later(variants)))
        if len(ahead) > most:
            yield ahead.popleft()
    yield from ahead


WORTH_HAVING = 0.90  # share of what the settings that were tried can bring
TRADED_ACCELERATION, TRADED_ROUNDING, TRADED_RINGING = "acceleration_mm_s2", "rounding_mm", "ringing_mm"


class TradeOff(NamedTuple):
    """A row of a sweep that no other one beats in time and in every cost at once; `costs` by name."""

    row: SweepRow
    costs: Mapping[str, float]


def costs_of(machine: Machine) -> dict[str, float]:
    """What printing moves may cost at most under a machine's limits.

    The acceleration of printing moves (mm/s²), and where the machine file tells filters and modes, how far they lead or
    trail their drawn path (a·σ²/2, mm) and what a single ramp leaves an axis swinging by (2a·Σ max V/ω², mm), each on
    the axis on which it is worst. What corners cost beside is not counted here.
    """
    from kinematics.vibration.ringing import acceleration_by_ringing
    from kinematics.vibration.rounding import lead

    along = machine.motion.print_acceleration_mm_s2
    rounding, ringing = 0.0, 0.0
    known = {TRADED_ACCELERATION: along}
    for axis in AXES:
        vibration = getattr(machine.vibration, axis)
        most = getattr(machine.axes, axis).max_acceleration_mm_s2
        acceleration = along if most is None else min(along, most)
        if vibration.filter is not None:
            rounding = max(rounding, lead(filter_made(vibration, axis), acceleration))
            known[TRADED_ROUNDING] = rounding
        if vibration.modes:
            admitted = acceleration_by_ringing(filter_made(vibration, axis), modes_of(vibration), 1.0)
            ringing = max(ringing, acceleration / admitted if admitted < math.inf else 0.0)
            known[TRADED_RINGING] = ringing
    return known


def best_trade_offs(rows: Sequence[SweepRow], costs: Mapping[str, Sequence[float]]) -> list[int]:
    """The rows that no other row beats in time and in every cost at once, by rising time.

    `costs` a number a row for each thing that should be small: acceleration, rounding, ringing.
    """
    table = np.column_stack([[row.total_s for row in rows], *(np.asarray(cost, np.float64) for cost in costs.values())])
    order = np.lexsort(table.T[::-1])
    kept: list[int] = []
    while order.size:  # the first of them nothing beats that is left
        first = int(order[0])
        kept.append(first)
        beaten = (table[first] <= table[order]).all(axis=1) & (table[first] < table[order]).any(axis=1)
        order = order[1:][~beaten[1:]]
    return kept


def rows_of_all_jobs(sweep: Sweep) -> list[SweepRow]:
    """One row a candidate: of all jobs together, which come last, or of the only job."""
    last = sweep.rows[-1].job
    return [row for row in sweep.rows if row.job == last]


def recommended(sweep: Sweep) -> SweepRow | None:
    """The gentlest row that no known cap refuses, that is no slower than the machine as it is, and that brings 90 % of
    what such rows bring.

    What they bring is the time between the slowest and the quickest row that no cap refuses; gentlest is the least
    acceleration of printing moves, then the least values of the knobs in their order. None where every row is refused
    or slower than the machine is now.
    """
    rows = [row for row in rows_of_all_jobs(sweep) if row.within_caps is not False]
    if not rows:
        return None
    slowest, quickest = max(row.total_s for row in rows), min(row.total_s for row in rows)
    most = slowest - WORTH_HAVING * (slowest - quickest)
    if sweep.present_total_s is not None:
        most = min(most, sweep.present_total_s * (1.0 + FALLS))
        if quickest > most:
            return None

    acceleration = asked_where_it_differs(
        lambda variant: variant.machine.motion.print_acceleration_mm_s2,
        sweep.machine,
        sweep.knobs,
        (THE_JOB, THE_AXES, THE_EXTRUDER, THE_CORNERS, THE_RATES),
    )
    gentle = (row for row in rows if row.total_s <= max(most, quickest))
    return min(gentle, key=lambda row: (acceleration(row.point), *row.point))


def trade_offs_of(sweep: Sweep) -> tuple[TradeOff, ...]:
    """The best trade-offs among the rows of a sweep of several knobs, of all jobs together, by rising time.

    Of rows that are equal in time and in all costs the first counts.
    """
    rows = rows_of_all_jobs(sweep)
    costs_at = asked_where_it_differs(
        lambda variant: costs_of(variant.machine),
        sweep.machine,
        sweep.knobs,
        (THE_JOB, THE_EXTRUDER, THE_RATES),
    )
    each = [costs_at(row.point) for row in rows]
    costs = {name: [one[name] for one in each] for name in each[0]}
    found: dict[tuple[float, ...], TradeOff] = {}
    for i in best_trade_offs(rows, costs):
        found.setdefault((rows[i].total_s, *each[i].values()), TradeOff(rows[i], each[i]))
    return tuple(found.values())
