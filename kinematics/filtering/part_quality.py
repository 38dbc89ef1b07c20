"""How do rounding and ringing lie along what a job prints: half of it, most of it, the worst, in which layer; and what
do filters make of a corner?
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.gcode.moves import PRINT
from kinematics.jobs.stops import pauses_before
from kinematics.jobs.timing import Planned, Reals, TimedJob, Timing, each, event_clock, time_job
from kinematics.jobs.whole_jobs import motion_of_axis, rounding_of_timing, swings
from kinematics.limits.class_limits import NOTHING_VARIED
from kinematics.limits.vibration import AXES, filter_made, filters_of, rounds
from kinematics.machine import Machine
from kinematics.studies.compare import AS_IT_IS, Comparison
from kinematics.vibration.exposure import SEGMENTS_A_MOVE
from kinematics.vibration.filters import Filter, spread_of
from kinematics.vibration.ringing_along import ringing_along

MOST = 0.95  # of the printed length


class AlongPath(NamedTuple):
    """Distances (mm) along what is printed: half of its length stays below the median, 95 % below `most_mm`; the worst,
    its line in the file and its layer.
    """

    median_mm: float
    most_mm: float
    worst_mm: float
    line: int
    layer: int


class PartQuality(NamedTuple):
    """What may be seen on a part: how far filters round it, how far the tool swings over it; None where no filter
    rounds, where no mode is known.
    """

    rounding: AlongPath | None
    ringing: AlongPath | None


def part_quality(timing: Timing) -> PartQuality:
    """Rounding and ringing along the printed path of a job that has been timed, and whose plan was kept.

    Ringing as `vibration.ringing_along` has it at the start of each part of a move, modes of an axis added up, both
    axes at right angles, at the frequencies as they are told. Raises InputError for a job in blocks.
    """
    planned = timing.whole_plan()
    machine = planned.machine
    rounding = None
    if rounds(machine):
        found = rounding_of_timing(timing)
        layer = int(planned.job.moves.layer[np.argmax(planned.job.moves.line == found.line)])
        rounding = AlongPath(found.median_mm, found.most_mm, found.worst_mm, found.line, layer)
    if not swings(machine) or not len(planned.job):
        return PartQuality(rounding, None)
    return PartQuality(rounding, _ringing(timing))


def _ringing(timing: Timing) -> AlongPath | None:
    planned = timing.whole_plan()
    job, plan = planned.job, planned.plan
    pause = pauses_before(len(job), job.events, planned.machine, event_clock(planned, timing.layers))
    squares = np.zeros(SEGMENTS_A_MOVE * len(job))
    for axis in AXES:
        vibration = getattr(planned.machine.vibration, axis)
        if vibration.modes:
            motion, command_filter = motion_of_axis(planned, axis, pause), filter_made(vibration, axis)
            swings = [
                ringing_along(motion, command_filter, mode.frequency_hz, mode.damping_ratio) for mode in vibration.modes
            ]
            squares += np.sum(swings, axis=0) ** 2
    swing = np.sqrt(squares)
    lengths = np.zeros((len(job), SEGMENTS_A_MOVE))
    lengths[:, 1] = 0.5 * (plan.speed_in + plan.speed_peak) * plan.rising
    lengths[:, 2] = plan.speed_peak * plan.cruising
    lengths[:, 3] = 0.5 * (plan.speed_peak + plan.speed_out) * plan.falling
    lengths[job.moves.kind != PRINT] = 0.0
    printed = lengths.ravel() > 0.0
    if not printed.any():
        return None
    return _along(swing[printed], lengths.ravel()[printed], np.flatnonzero(printed) // SEGMENTS_A_MOVE, timing)


def _along(distances: Reals, lengths: Reals, move: NDArray[np.int64], timing: Timing) -> AlongPath:
    moves = timing.whole_plan().job.moves
    order = np.argsort(distances)
    share = np.cumsum(lengths[order])
    median, most = (float(distances[order[np.searchsorted(share, part * share[-1])]]) for part in (0.5, MOST))
    worst = int(np.argmax(distances))
    at = int(move[worst])
    return AlongPath(median, most, float(distances[worst]), int(moves.line[at]), int(moves.layer[at]))


def qualities_of(comparison: Comparison, jobs: Sequence[TimedJob]) -> dict[tuple[str, str], PartQuality]:
    """The quality of each job under the machine as it is and each candidate, by candidate and job; empty where no
    machine has filters or modes. Moves of jobs are kept in memory.
    """
    machines = {AS_IT_IS: (comparison.machine, NOTHING_VARIED)}
    for one in comparison.candidates:
        machines[one.name] = comparison.machine.changed(one.set, f"candidate {one.name}")
    if not any(rounds(one) or swings(one) for one, _ in machines.values()):
        return {}
    names = list(dict.fromkeys(row.job for row in comparison.rows))
    found = each(jobs, _qualities_of_job, tuple(machines.values()))
    return {
        (name, job): qualities[place]
        for place, name in enumerate(machines)
        for job, qualities in zip(names, found, strict=True)
    }


def _qualities_of_job(job: TimedJob, machines: Sequence[tuple[Machine, frozenset[str]]]) -> list[PartQuality]:
    whole = job.with_moves()
    return [part_quality(time_job(whole, machine, varied)) for machine, varied in machines]


def quality_row(quality: PartQuality) -> dict[str, float | int | None]:
    """The numbers by name, as columns of a table of candidates."""
    columns = {"median_mm": "median_mm", "most_mm": "most_mm", "worst_mm": "worst_mm", "worst_layer": "layer"}
    return {
        f"{name}_{column}": getattr(along, field, None)  # None of what is not known
        for name, along in (("rounding", quality.rounding), ("ringing", quality.ringing))
        for column, field in columns.items()
    }


AROUND = 400  # moves on either side that are followed
SAMPLES = 24  # of each move
REACH = 2.5  # mm of path on either side that is shown


class DrawnCorner(NamedTuple):
    """The path near a corner, drawn and printed (x, y in mm, float64[points]), and the line of the file."""

    drawn: tuple[Reals, Reals]
    printed: tuple[Reals, Reals]
    line: int


def worst_corner(timing: Timing, line: int) -> DrawnCorner:
    """The path about the first move of a line under the filters of the machine that it was timed under.

    Each axis is the sum of its copies, delayed by the times of its filter less their mean. Raises InputError for a job
    in blocks, whose moves are not kept.
    """
    planned = timing.whole_plan()
    lines = planned.job.moves.line
    move = int(np.argmax(lines == line))
    first, last = max(0, move - AROUND), min(len(planned.job), move + AROUND)
    time, places = _samples(planned, first, last)
    here = float(time[(move - first) * SAMPLES])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(places[0]), np.diff(places[1])))])
    at = float(np.interp(here, time, way))
    shown = np.abs(way - at) <= REACH
    begin, end = float(time[shown][0]), float(time[shown][-1])
    moments = np.linspace(begin, end, 2000)
    drawn = tuple(np.interp(moments, time, axis) for axis in places)
    printed = tuple(
        _filtered(moments, time, axis, one) for axis, one in zip(places, filters_of(planned.machine), strict=True)
    )
    return DrawnCorner((drawn[0], drawn[1]), (printed[0], printed[1]), line)


def _filtered(moments: Reals, time: Reals, places: Reals, command_filter: Filter | None) -> Reals:
    if command_filter is None:
        return np.asarray(np.interp(moments, time, places), np.float64)
    mean = spread_of(command_filter).delay
    pairs = zip(command_filter.amplitudes, command_filter.times, strict=True)
    found = sum(share * np.interp(moments - (at - mean), time, places) for share, at in pairs)
    return np.asarray(found, np.float64)


def _samples(planned: Planned, first: int, last: int) -> tuple[Reals, tuple[Reals, Reals]]:
    """Times (s) and places (mm) of moves from `first` to before `last`, so many samples a move."""
    moves, plan = planned.job.moves, planned.plan
    part = slice(first, last)
    rising, cruising, falling = plan.rising[part], plan.cruising[part], plan.falling[part]
    whole = rising + cruising + falling
    share = np.arange(SAMPLES) / SAMPLES
    inside = whole[:, None] * share
    entry, peak, leave = plan.speed_in[part], plan.speed_peak[part], plan.speed_out[part]
    with np.errstate(divide="ignore", invalid="ignore"):
        up = np.where(rising > 0.0, (peak - entry) / rising, 0.0)
        down = np.where(falling > 0.0, (peak - leave) / falling, 0.0)
    one = np.minimum(inside, rising[:, None])
    two = np.clip(inside - rising[:, None], 0.0, cruising[:, None])
    three = np.clip(inside - (rising + cruising)[:, None], 0.0, None)
    way = entry[:, None] * one + 0.5 * up[:, None] * one**2 + peak[:, None] * (two + three)
    way -= 0.5 * down[:, None] * three**2
    length = planned.features.length[part]
    gone = way / np.where(length > 0.0, length, 1.0)[:, None]
    starts = np.concatenate([[0.0], np.cumsum(whole)])
    time = (starts[:-1, None] + inside).ravel()
    places = []
    for steps in (moves.dx, moves.dy):
        origin = float(steps[:first].sum()) + np.concatenate([[0.0], np.cumsum(steps[part])])
        places.append(np.append((origin[:-1, None] + steps[part][:, None] * gone).ravel(), origin[-1]))
    return np.append(time, starts[-1]), (places[0], places[1])
