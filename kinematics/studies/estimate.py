"""How long does it take, and where does the time go?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError, Notice
from kinematics.gcode.job import Extent, StatedLimit
from kinematics.gcode.moves import KIND_NAMES, PRINT
from kinematics.jobs.stops import UnknownStop
from kinematics.jobs.timing import (
    Ask,
    Cause,
    CopiesMade,
    Planned,
    TimedJob,
    Timing,
    cause_name,
    causes_in,
    foresee,
    path_sums,
    time_job,
)
from kinematics.limits import columns as by
from kinematics.limits.flow import filament_area, filament_mass
from kinematics.machine import BUILTIN_NAMES, Machine, load_machine
from kinematics.machine.model import DEFAULT
from kinematics.notebook import NotebookTable, drawn_by, frame_of
from kinematics.studies.intervals import DRAWING, USUAL_SAMPLING, Interval, SampledTimes, Sampling, interval_of
from kinematics.studies.worth import Change, Worth, changes_asked, changes_that_save, worth_of_keys

if TYPE_CHECKING:
    import pandas
    from matplotlib.axes import Axes

STAND_IN = "middling"  # the built-in machine that stands in where none is given

# What holds where neither the machine file nor the job says it: never without a word.
ASSUMED = (
    "motion.print_acceleration_mm_s2",
    "motion.travel_acceleration_mm_s2",
    "retraction.acceleration_mm_s2",
)

Tell = Callable[..., None]  # of a step's name, and of the share of it that is done


class LabelsOfJob(NamedTuple):
    """The labels of a job that the machine's limits by label were held against.

    `names` in the order of their first comment; `told` whether the dialect's patterns told them, or counting found them
    under `key`; `unknown` labels of the machine that the job does not have.
    """

    names: tuple[str, ...]
    told: bool
    key: str | None
    unknown: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class JobEstimate:
    """One job under one machine: times in s, lengths in mm, flow in mm³/s, speed in mm/s, mass in g.

    `copies` of a print of several (None: of one);
    `assumed` keys and values of accelerations that held although neither the machine file nor the job gives them.
    """

    file: str
    total_s: float
    motion_s: float
    dwell_s: float
    stops_by_kind_s: dict[str, float]
    cooling_s: float
    moves: int
    layers: int
    path_mm: float
    printed_path_mm: float
    filament_mm: float
    filament_g: float | None
    bounding_box_mm: Extent | None
    peak_flow_mm3_s: float
    peak_flow_line: int | None
    peak_speed_mm_s: float
    unknown_stops: tuple[UnknownStop, ...]
    causes: tuple[Cause, ...]
    notices: tuple[Notice, ...]
    stated: tuple[StatedLimit, ...]
    assumed: tuple[tuple[str, float], ...]
    timing: Timing = field(compare=False)
    worth: tuple[Worth, ...] = ()
    labels: LabelsOfJob | None = None
    interval_s: Interval | None = None
    copies: CopiesMade | None = None

    def layers_frame(self) -> pandas.DataFrame:
        """One row a layer: layer, height_mm, moves, motion_s, cooling_s, total_s."""
        return frame_of(layer_rows(self))

    def moves_frame(self) -> pandas.DataFrame:
        """One row a move: speeds, acceleration, flow, time and causes."""
        return moves_frame(self.timing.whole_plan())

    def plot(self, axes: Axes | None = None, layer: int | None = None, by: str = "speed") -> Axes:
        """Draw a layer's path from above, by "speed" or by what "binds"; left out, the layer at half time.

        Raises InputError for a layer that there is not, and for a job whose moves are not kept.
        """
        if by not in ("speed", "binds"):
            raise InputError.at("by=", repr(by), '"speed" or "binds"')
        return drawn_by("plot_path", self, axes, layer, by)

    def __repr__(self) -> str:
        from kinematics.wording import duration_text

        return f"<JobEstimate {self.file}: {duration_text(self.total_s)}, mostly {self.causes[0].cause}>"


class Span(NamedTuple):
    """The total under one built-in machine (s), and its estimate of each job where those were asked for."""

    machine: str
    total_s: float
    jobs: tuple[JobEstimate, ...] = ()


@dataclass(frozen=True, repr=False)
class Estimate(NotebookTable):
    """Jobs under one machine; `span` holds the totals under every built-in machine where no machine was given: then
    the machine is the one that stands in. `heeds_limits` says whether limits stated in the jobs have a say.

    `interval_s` of the total, and how it was drawn, where the machine has ranges; the total itself is that of the
    likely values. It may lie outside where the likely value of a range is near one of its ends.
    """

    machine: Machine
    jobs: tuple[JobEstimate, ...]
    total_s: float
    changes: tuple[Change, ...]
    span: tuple[Span, ...] = ()
    interval_s: Interval | None = None
    sampling: Sampling | None = None
    heeds_limits: bool = True

    def to_frame(self) -> pandas.DataFrame:
        """One row a job: times by part, moves, layers, filament and the main cause; low_s and high_s of intervals."""
        return frame_of([job_row(job) for job in self.jobs])

    def __repr__(self) -> str:
        from kinematics.wording import duration_text

        jobs = "; ".join(f"{job.file} {duration_text(job.total_s)}" for job in self.jobs)
        return f"<Estimate on {self.machine.name}: {jobs}>"


def job_row(job: JobEstimate) -> dict[str, str | float | int]:
    """A job's row in a table: times by part, moves, layers, filament and the main cause; its interval first."""
    row: dict[str, str | float | int] = {}
    if job.interval_s is not None:
        row = {"low_s": job.interval_s.low, "high_s": job.interval_s.high}
    return row | {
        "file": job.file,
        "total_s": job.total_s,
        "motion_s": job.motion_s,
        "dwell_s": job.dwell_s,
        "stops_s": math.fsum(job.stops_by_kind_s.values()),
        "cooling_s": job.cooling_s,
        "moves": job.moves,
        "layers": job.layers,
        "filament_mm": job.filament_mm,
        "main_cause": job.causes[0].cause,
    }


def layer_rows(job: JobEstimate) -> list[dict[str, float | int | None]]:
    """One row a layer, 0 (before the first printing move) to the last."""
    layers, counts = job.timing.layers, path_sums(job.timing).layer_moves
    return [
        {
            "layer": i,
            "moves": int(counts[i]),
            "motion_s": float(layers.motion[i]),
            "cooling_s": float(layers.cooling[i]),
            "total_s": float(layers.motion[i] + layers.cooling[i]),
        }
        for i in range(job.layers + 1)
    ]


def job_estimate(timing: Timing, machine: Machine, worth: tuple[Worth, ...] = ()) -> JobEstimate:
    """A job's estimate from its timing, and what each limit is worth where that was asked for."""
    facts, path = timing.facts, path_sums(timing)
    total = timing.total
    area = filament_area(machine)
    return JobEstimate(
        file=facts.name,
        total_s=total,
        motion_s=timing.motion,
        dwell_s=timing.stops.dwell,
        stops_by_kind_s=timing.stops.seconds,
        cooling_s=timing.cooling,
        moves=facts.moves,
        layers=facts.layers,
        path_mm=path.path,
        printed_path_mm=path.printed,
        filament_mm=facts.filament,
        filament_g=filament_mass(machine, facts.filament),
        bounding_box_mm=facts.extent,
        peak_flow_mm3_s=path.filament_speed * area,
        peak_flow_line=path.line,
        peak_speed_mm_s=path.speed,
        unknown_stops=timing.stops.unknown,
        causes=causes_in(timing.by_cause, total),
        notices=facts.notices,
        stated=facts.stated,
        assumed=_assumed(timing, machine),
        timing=timing,
        worth=worth,
        labels=_labels(timing, machine),
        copies=timing.copies,
    )


def _assumed(timing: Timing, machine: Machine) -> tuple[tuple[str, float], ...]:
    """The accelerations that hold for some move although nothing gives them."""
    held = {timing.limits.origins[row, by.PATH_RAMP] for row in range(len(timing.table))}
    return tuple((key, machine.value_of(key)) for key in ASSUMED if key in held and machine.origin_of(key) == DEFAULT)


def _labels(timing: Timing, machine: Machine) -> LabelsOfJob | None:
    """The labels where limits of the machine hang on them; None where none does."""
    if not machine.motion.by_label:
        return None
    labels = timing.facts.labels
    if timing.gist is not None:
        labels = timing.gist.labels
    elif timing.planned is not None:
        labels = timing.planned.job.labels.of_job
    if labels is None:
        return None
    unknown = tuple(name for name in machine.motion.by_label if name not in labels.names)
    return LabelsOfJob(*labels, unknown)


def _weighed(
    prepared: Sequence[TimedJob], machine: Machine, timings: Sequence[Timing]
) -> list[Callable[[], tuple[Worth, ...]]]:
    """The ways to what each limit is worth to each job, timed as they are."""
    return [
        job.later(worth_of_keys, machine, sorted(timing.limits.keys), timing.total)
        for job, timing in zip(prepared, timings, strict=True)
    ]


def _span_of_each(prepared: Sequence[TimedJob], name: str, machine: Machine, worth: bool) -> Span:
    """The total under a built-in machine with the estimate of each job."""
    timings = [time_job(job, machine) for job in prepared]
    weighed = _weighed(prepared, machine, timings) if worth else [tuple] * len(timings)
    jobs = [job_estimate(timing, machine, worths()) for timing, worths in zip(timings, weighed, strict=True)]
    return Span(name, sum(one.total_s for one in jobs), tuple(jobs))


def estimate_prepared(
    prepared: Sequence[TimedJob],
    machine: Machine | None,
    changes: bool = True,
    tell: Tell = lambda *_: None,
    worth: bool = False,
    sampling: Sampling = USUAL_SAMPLING,
    each: bool = False,
    found: Callable[[JobEstimate], None] = lambda _: None,
) -> Estimate:
    """Estimate jobs that are already prepared; `tell` is called with the name of each step before it begins.

    `changes` asks for changes that would save time, `worth` for what each limit is worth; `sampling` says how intervals
    are drawn where the machine has ranges. Where no machine is given, `each` asks for the estimate under every built-in
    one, not for its total alone. `found` hears of each job in its turn as soon as all is known that its row tells.
    """
    builtin = () if machine is not None else tuple(load_machine(name) for name in BUILTIN_NAMES)
    chosen = machine or load_machine(STAND_IN)
    asks = [Ask(chosen), *(Ask(other, passing=not each, total_only=not each) for other in builtin)]
    foresee(prepared, asks, partial(changes_asked, chosen) if changes else None)
    spans = []
    for name, other in zip(BUILTIN_NAMES, builtin, strict=False):
        tell(f"timing on {name}")
        if each:
            spans.append(_span_of_each(prepared, name, other, worth))
            continue
        spans.append(Span(name, sum(time_job(job, other, passing=True, total_only=True).total for job in prepared)))
    timings, jobs = [], []
    for job in prepared:
        tell("reading and timing")
        timings.append(time_job(job, chosen))
        jobs.append(job_estimate(timings[-1], chosen))
        if not chosen.ranges:
            found(jobs[-1])
    sampled: SampledTimes | None = None
    if chosen.ranges:
        tell(DRAWING)
        sampled = SampledTimes(prepared, chosen, sampling, partial(tell, DRAWING), True)
    changed: list[Change] = []
    if changes:
        tell("trying one change at a time")
        changed = changes_that_save(prepared, chosen, timings, sampled)
    for place, worths in enumerate(_weighed(prepared, chosen, timings) if worth else []):
        tell("weighing each limit")
        jobs[place] = replace(jobs[place], worth=worths())
    total = sum(job.total_s for job in jobs)
    heeds = any(job.heeds_file_limits for job in prepared)
    estimate = Estimate(chosen, tuple(jobs), total, tuple(changed), tuple(spans), heeds_limits=heeds)
    if sampled is None:
        return estimate
    totals = sampled.as_it_is
    known = tuple(replace(job, interval_s=interval_of(row)) for job, row in zip(jobs, totals, strict=True))
    for one in known:
        found(one)
    return replace(estimate, jobs=known, interval_s=interval_of(totals.sum(axis=0)), sampling=sampled.sampling)


def moves_frame(planned: Planned) -> pandas.DataFrame:
    """One row a move of the file, in its order; the flow is that at the move's peak speed.

    Of a move that is planned in pieces: first and last speed, greatest speed and flow, least acceleration, and the
    causes of the pieces that cruise and ramp longest.
    """
    import pandas

    moves, features, plan = planned.job.moves, planned.features, planned.plan
    flow = np.where(moves.kind == PRINT, features.ratio * plan.speed_peak * filament_area(planned.machine), 0.0)
    classes, limits = planned.classes, planned.limits
    names = [
        cause_name(classes.table, limits, row, code) for row in range(len(classes.table)) for code in range(by.CAUSES)
    ]
    categories = list(dict.fromkeys(names))
    codes = np.array([categories.index(name) for name in names])
    row = classes.of_move.astype(np.int64) * by.CAUSES
    frame = pandas.DataFrame(
        {
            "line": moves.line,
            "kind": pandas.Categorical.from_codes(moves.kind, list(KIND_NAMES)),
            "layer": moves.layer,
            "label": pandas.Categorical.from_codes(planned.job.labels.of_move, list(planned.job.labels.names)),
            "length_mm": features.length,
            "v_in_mm_s": plan.speed_in,
            "v_peak_mm_s": plan.speed_peak,
            "v_out_mm_s": plan.speed_out,
            "a_mm_s2": plan.acceleration,
            "flow_mm3_s": flow,
            "t_s": plan.duration,
            "cruise_cause": pandas.Categorical.from_codes(codes[row + plan.cruise_cause], categories),
            "ramp_cause": pandas.Categorical.from_codes(codes[row + plan.ramp_cause], categories),
        }
    )
    first = planned.first_pieces
    return frame if isinstance(first, slice) else _joined(frame, first, planned)


def _joined(pieces: pandas.DataFrame, first: NDArray[np.int64], planned: Planned) -> pandas.DataFrame:
    """The rows of pieces as one row a move; `first` (m) the first piece of each."""
    frame = pieces.iloc[first].reset_index(drop=True)
    for column in ("length_mm", "t_s"):
        frame[column] = np.add.reduceat(pieces[column].to_numpy(), first)
    for column in ("v_peak_mm_s", "flow_mm3_s"):
        frame[column] = np.maximum.reduceat(pieces[column].to_numpy(), first)
    frame["a_mm_s2"] = np.minimum.reduceat(pieces["a_mm_s2"].to_numpy(), first)
    frame["v_out_mm_s"] = pieces["v_out_mm_s"].to_numpy()[np.append(first[1:], len(pieces)) - 1]
    plan = planned.plan
    for column, seconds in (("cruise_cause", plan.cruising), ("ramp_cause", plan.rising + plan.falling)):
        order = np.lexsort((-seconds, planned.whole))  # the longest of each move comes first
        frame[column] = pieces[column].iloc[order[first]].reset_index(drop=True)
    return frame
