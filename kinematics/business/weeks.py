"""One printer that always has another print of the same length to do: how its weeks go, how many prints a day it makes,
and how short a print must be for one more: prints come whole.
"""

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


WARMING_UP, COUNTED = 1, 4  # weeks; where prints run on while nobody is there one week need not be like another
USUAL_TURNAROUND = 600.0  # s, where no [economy] says one. Common practice, no source
LONGEST_PRINT = COUNTED * A_WEEK
BY_SHIFT, BY_DAY, BY_WEEK = "shift", "day", "week"
KEYS = ("staffed", "unattended", "turnaround_min")


class Throughput(NamedTuple):
    """Whole prints of one printer in a `period` (shift, day or week), and on an average day on which people are there.

    `print_s` the time of one print, `turnaround_s` between two, `told` whether an [economy] says when and how prints
    are changed (else around the clock, with the usual turnaround). `one_more_s` the longest print, in whole seconds,
    with which one more fits into the period; None where none does, however short.
    """

    print_s: float
    period: str
    prints: int
    prints_a_day: float
    turnaround_s: float
    told: bool
    one_more_s: float | None


class _Week:
    """One printer with an endless order: the rules are those of the shop floor (`floor.Station`, `staffed.Staff`)."""

    def __init__(self, economy: Economy) -> None:
        self.told = any(name in dict(economy.given()) for name in KEYS)
        station = station_of_week(economy)
        self.station = station if self.told else station._replace(turnaround=USUAL_TURNAROUND)
        staff = station.staff
        spans = [] if staff.always else staff.spans_between(A_MONDAY + A_WEEK, A_MONDAY + 2.0 * A_WEEK)
        lengths = [end - begin for begin, end in spans]
        self.days = 7 if staff.always else len({int(begin // A_DAY) for begin, _ in spans})
        alike = bool(lengths) and max(lengths) - min(lengths) <= SAME_MOMENT
        if staff.always:
            self.period, self.periods = BY_DAY, 7.0
        elif alike and not economy.unattended:
            self.period, self.periods = BY_SHIFT, float(len(spans))
        else:
            self.period, self.periods = BY_WEEK, 1.0

    def per_week(self, seconds: float, enough: float = math.inf) -> float:
        """Prints of so many seconds that are taken off in a week, in the long run; counting stops at what is enough."""
        station = self.station
        if station.staff.always:
            return 7.0 * ((A_DAY + SAME_MOMENT) // (seconds + station.turnaround))
        weeks = COUNTED if station.unattended else 1
        begins = A_MONDAY + WARMING_UP * A_WEEK
        ends = begins + weeks * A_WEEK
        moment, taken_off = A_MONDAY, 0
        while taken_off < enough * weeks:
            start = station.next_start(moment, seconds)
            if start >= ends:
                break
            # Prints that begin and are taken off before people leave follow one another: many at a time.
            border = min(station.staff.open_until(start), begins if start < begins else ends)
            together = math.floor((border - start + SAME_MOMENT) / (seconds + station.turnaround))
            if together > 1:
                moment = start + together * (seconds + station.turnaround)
                taken_off += together if start >= begins else 0
                continue
            moment = station.free_again(start + seconds)
            if moment > ends + SAME_MOMENT:
                break
            taken_off += moment > begins + SAME_MOMENT
        return taken_off / weeks

    def prints(self, seconds: float, enough: float = math.inf) -> int:
        """Whole prints in a period."""
        return int(self.per_week(seconds, enough * self.periods) / self.periods + 1e-9)

    def longest(self, prints_a_week: float) -> float | None:
        """The longest print, in whole seconds, of which so many are made in a week; None where even one of a second is
        too long.
        """
        low, high = 1.0, LONGEST_PRINT
        if self.per_week(low, prints_a_week) < prints_a_week:
            return None
        while high - low > 1.0:
            middle = float(math.floor(0.5 * (low + high)))
            if self.per_week(middle, prints_a_week) >= prints_a_week:
                low = middle
            else:
                high = middle
        return low


def throughput_of(economy: Economy, print_s: float) -> Throughput:
    """How many prints of so many seconds one printer makes, from staffed hours, turnaround and unattended running.

    Failed prints and changes of the spool are not counted: `kinematics shop` has them.
    """
    week = _Week(economy)
    prints = week.prints(print_s)
    always = week.station.staff.always
    a_day = A_DAY / (print_s + week.station.turnaround) if always else week.per_week(print_s) / week.days
    one_more = week.longest((prints + 1) * week.periods)
    return Throughput(print_s, week.period, prints, a_day, week.station.turnaround, week.told, one_more)


def longest_print(economy: Economy, prints_a_day: float) -> float | None:
    """The longest print (s) of which one printer makes so many on a day on which people are there, on average; None
    where it makes fewer, however short they are.
    """
    week = _Week(economy)
    return week.longest(prints_a_day * week.days)
