"""How many prints a day one printer makes of a job, and how short a print must be for one more: prints come whole."""

from __future__ import annotations

import math
from typing import NamedTuple

from kinematics.business.staffed import SAME_MOMENT
from kinematics.business.weeks import A_DAY as DAY
from kinematics.business.weeks import A_MONDAY, station_of_week
from kinematics.business.weeks import A_WEEK as WEEK
from kinematics.machine import Economy

WARMING_UP, COUNTED = 1, 4  # weeks; where prints run on while nobody is there one week need not be like another
USUAL_TURNAROUND = 600.0  # s, where no [economy] says one. Common practice, no source
LONGEST_PRINT = COUNTED * WEEK
A_SHIFT, A_DAY, A_WEEK = "shift", "day", "week"
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
        spans = [] if staff.always else staff.spans_between(A_MONDAY + WEEK, A_MONDAY + 2.0 * WEEK)
        lengths = [end - begin for begin, end in spans]
        self.days = 7 if staff.always else len({int(begin // DAY) for begin, _ in spans})
        alike = bool(lengths) and max(lengths) - min(lengths) <= SAME_MOMENT
        if staff.always:
            self.period, self.periods = A_DAY, 7.0
        elif alike and not economy.unattended:
            self.period, self.periods = A_SHIFT, float(len(spans))
        else:
            self.period, self.periods = A_WEEK, 1.0

    def per_week(self, seconds: float, enough: float = math.inf) -> float:
        """Prints of so many seconds that are taken off in a week, in the long run; counting stops at what is enough."""
        station = self.station
        if station.staff.always:
            return 7.0 * ((DAY + SAME_MOMENT) // (seconds + station.turnaround))
        weeks = COUNTED if station.unattended else 1
        begins = A_MONDAY + WARMING_UP * WEEK
        ends = begins + weeks * WEEK
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
    a_day = DAY / (print_s + week.station.turnaround) if always else week.per_week(print_s) / week.days
    one_more = week.longest((prints + 1) * week.periods)
    return Throughput(print_s, week.period, prints, a_day, week.station.turnaround, week.told, one_more)


def longest_print(economy: Economy, prints_a_day: float) -> float | None:
    """The longest print (s) of which one printer makes so many on a day on which people are there, on average; None
    where it makes fewer, however short they are.
    """
    week = _Week(economy)
    return week.longest(prints_a_day * week.days)
