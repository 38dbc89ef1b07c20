"""A corner of a job, as it is drawn and as filters print it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.limits.vibration import filters_of
from kinematics.studies.timing import Planned, Timing
from kinematics.vibration.filters import Filter, spread_of

Reals = NDArray[np.float64]

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
