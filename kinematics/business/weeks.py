"""One printer that always has another print of the same length to do: how its weeks go."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from kinematics.business.floor import Station
from kinematics.business.staffed import NO_ZONE, SAME_MOMENT, Staff, staff_of
from kinematics.machine import Economy

A_DAY = 86_400.0  # s
A_WEEK = 7.0 * A_DAY
MOST_PRINTS = 20_000  # that are followed until weeks repeat
MOST_WEEKS = 520
A_MONDAY = 4.0 * A_DAY  # 1970-01-05 00:00


class Weeks(NamedTuple):
    """How weeks go on, on average: `prints_per_day`; shares of the time that it prints, that a finished print waits for
    people, and that hands are at work; `night_share` the share of the nights in which it prints (times without people
    of less than a day, or all of them where there are none such; None where somebody always is there); `wait_s` for
    how long a finished print waits; `nights` how many times people go home during a print.
    """

    prints_per_day: float
    printing_share: float
    waiting_share: float
    hands_share: float
    night_share: float | None
    wait_s: float
    nights: float


NEVER = Weeks(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def station_of_week(economy: Economy) -> Station:
    """A printer in ordinary weeks; what is not given counts as nothing."""
    return Station(
        name="",
        staff=staff_of(economy, A_MONDAY, NO_ZONE),  # no clock is put forward or back
        unattended=economy.unattended,
        turnaround=60.0 * (economy.turnaround_min or 0.0),
    )


def weeks_of(station: Station, seconds: float) -> Weeks:
    """How the weeks of one printer go that begins a print of so many seconds whenever it is free and somebody is there.

    A finished print is taken off as soon as somebody is there for long enough, then the next is begun; where nothing
    runs unattended, only if it is off the bed before people leave. So it goes until a print begins at the same moment
    of the week as an earlier one: from then on all weeks repeat, and the numbers are those between the two; where that
    never comes, those of all that was followed (`MOST_WEEKS`). They are the ones of `floor.simulate` with an endless
    order, a single printer and a person for it alone.
    """
    staff, turnaround = station.staff, station.turnaround
    needed = seconds + turnaround
    if staff.always:
        return Weeks(A_DAY / needed, seconds / needed, 0.0, turnaround / needed, None, 0.0, 0.0)
    if math.isinf(station.next_start(A_MONDAY, seconds)):
        return NEVER
    free = A_MONDAY
    begun: list[float] = []
    sums: list[tuple[float, float, int]] = []  # ready, waited, times that people went home meanwhile
    seen: dict[int, int] = {}
    since = 0
    while len(begun) < MOST_PRINTS and free < A_MONDAY + MOST_WEEKS * A_WEEK:
        begins = station.next_start(free, seconds)
        of_week = round((begins % A_WEEK) / SAME_MOMENT)
        begun.append(begins)
        if of_week in seen:
            since = seen[of_week]
            break
        seen[of_week] = len(begun) - 1
        ready = begins + seconds
        off = staff.work_begins(ready, turnaround)
        sums.append((ready, off - ready, _closings(staff, begins, ready)))
        free = staff.after_work(off, turnaround)
    prints = len(begun) - 1 - since
    period = begun[-1] - begun[since]
    followed = sums[since:]
    waited = math.fsum(one[1] for one in followed)
    return Weeks(
        prints / period * A_DAY,
        prints * seconds / period,
        waited / period,
        prints * turnaround / period,
        _share_of_nights(staff, begun[since:-1], [one[0] for one in followed]),
        waited / prints,
        sum(one[2] for one in followed) / prints,
    )


def _closings(staff: Staff, begins: float, ready: float) -> int:
    """How many times people go home while a print runs."""
    count, closes = 0, staff.open_until(begins)
    while closes < ready - SAME_MOMENT:
        count += 1
        closes = staff.open_until(staff.opening_after(closes))
    return count


def _share_of_nights(staff: Staff, begun: Sequence[float], ready: Sequence[float]) -> float | None:
    """The share of the nights from the first print on that lie within prints."""
    spans = staff.spans_between(begun[0], max(ready[-1], staff.opening_after(begun[-1])) + SAME_MOMENT)
    gaps = [(end, start) for (_, end), (start, _) in pairwise(spans)]
    nights = [gap for gap in gaps if gap[1] - gap[0] < A_DAY] or gaps
    if not nights:
        return None
    printed = 0.0
    for closes, opens in nights:
        first = max(0, bisect_right(begun, closes) - 1)
        last = bisect_right(begun, opens)
        within = zip(begun[first:last], ready[first:last], strict=True)
        printed += math.fsum(max(0.0, min(opens, end) - max(closes, start)) for start, end in within)
    return printed / math.fsum(opens - closes for closes, opens in nights)
