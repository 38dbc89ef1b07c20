"""When people are there: staffed hours of the week as spans of time, weekends and summer time included."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, timezone, tzinfo
from functools import cached_property

from kinematics.machine import Economy
from kinematics.machine.kinds import MINUTES_A_DAY, Shift, shift_of

NO_ZONE = timezone.utc  # noqa: UP017 a clock that is never put forward or back: its wall time is what people mean
A_DAY = timedelta(days=1)
DAYS_AT_A_TIME = 28
LOOKED_AT = 28 * 86400.0  # s, for the longest span
SAME_MOMENT = 1e-3  # s: sums of seconds since 1970 are off by less than a thousandth of that


class Staff:
    """Spans of staffed time, as seconds of the POSIX clock (s since 1970, no jumps).

    `shifts` hold on the wall clock of `zone`: a shift over the night in which clocks are put forward is an hour
    shorter, one over the night in which they are put back an hour longer. No shifts: at all hours. The moment of
    closing belongs to a span: a print that ends then is taken off. Holidays are not modelled.
    """

    def __init__(self, shifts: Sequence[Shift] | None, zone: tzinfo = NO_ZONE, since: float = 0.0) -> None:
        self._shifts = (
            None
            if shifts is None or _cover_the_week(shifts)
            else sorted(shifts, key=lambda shift: (shift.opens, shift.closes))
        )
        self._zone = zone
        self._starts: list[float] = []
        self._ends: list[float] = []
        self._day = datetime.fromtimestamp(since, zone).date() - 2 * A_DAY
        if self._shifts is None:
            self._starts, self._ends = [-math.inf], [math.inf]

    @property
    def always(self) -> bool:
        """Whether people are there at all hours."""
        return self._shifts is None

    def _wall(self, day: date, minutes: int) -> float:
        midnight = datetime.combine(day, time())
        return (midnight + timedelta(minutes=minutes)).replace(tzinfo=self._zone).timestamp()

    def _extend(self) -> None:
        """Add the spans of the days that follow; spans that touch become one."""
        for _ in range(DAYS_AT_A_TIME):
            for shift in self._shifts or ():
                if self._day.weekday() not in shift.days:
                    continue
                start, end = self._wall(self._day, shift.opens), self._wall(self._day, shift.closes)
                if self._ends and start <= self._ends[-1]:
                    self._ends[-1] = max(end, self._ends[-1])
                elif end > start:  # none is left of a shift in the hour that is skipped
                    self._starts.append(start)
                    self._ends.append(end)
            self._day += A_DAY

    def _reach(self, number: int) -> None:
        """Know the spans up to a number, and one more: what follows could still touch the last one."""
        while number >= len(self._ends) - 1 and not self.always:
            self._extend()

    def _span_at(self, moment: float) -> int:
        """The number of the span that holds a moment, or of the next one; the moment of closing is in the span."""
        while not self.always and (len(self._ends) < 2 or self._ends[-1] <= moment):
            self._extend()
        number = bisect_left(self._ends, moment - SAME_MOMENT)
        self._reach(number)
        return number

    def next_open(self, moment: float) -> float:
        """The first moment from this one on at which somebody is there."""
        return max(moment, self._starts[self._span_at(moment)])

    def is_open(self, moment: float) -> bool:
        """Whether somebody is there; at closing they still are."""
        return self._starts[self._span_at(moment)] <= moment

    def open_until(self, moment: float) -> float:
        """When the staffed span ends that holds a moment or comes next."""
        return self._ends[self._span_at(moment)]

    def opening_after(self, moment: float) -> float:
        """When the span begins that follows the one that holds a moment or comes next; infinity at all hours."""
        if self.always:
            return math.inf
        return self._starts[self._span_at(moment) + 1]

    def work_begins(self, moment: float, seconds: float) -> float:
        """The first moment from this one on at which work of so many seconds may begin: closing time does not cut into
        it. Work longer than every span begins as soon as somebody is there.
        """
        number = self._span_at(moment)
        needed = seconds if seconds <= self.longest_span else 2.0 * SAME_MOMENT
        while max(moment, self._starts[number]) + needed > self._ends[number] + SAME_MOMENT:
            number += 1
            self._reach(number)
        return max(moment, self._starts[number])

    def after_work(self, moment: float, seconds: float) -> float:
        """When work is done that takes so many seconds (s) of staffed time, begun as soon as somebody is there; what
        is left at closing goes on at the next opening.
        """
        number = self._span_at(moment)
        now = max(moment, self._starts[number])
        while self._ends[number] - now < seconds - SAME_MOMENT:
            seconds -= self._ends[number] - now
            number += 1
            self._reach(number)
            now = self._starts[number]
        return now + seconds

    def spans_between(self, begins: float, ends: float) -> list[tuple[float, float]]:
        """The staffed spans between two moments, cut off at them."""
        if self.always:
            return [(begins, ends)] if begins < ends else []
        found, number = [], self._span_at(begins)
        while self._starts[number] < ends:
            start, end = max(begins, self._starts[number]), min(ends, self._ends[number])
            if start < end:
                found.append((start, end))
            number += 1
            self._reach(number)
        return found

    def staffed_between(self, begins: float, ends: float, work: float = 0.0) -> float:
        """Seconds between two moments in which somebody is there; with `work` (s) those alone in which it could still
        begin (see `work_begins`).
        """
        total, moment = 0.0, begins
        while moment < ends:
            opens = self.work_begins(moment, work)
            closes = self.open_until(opens) - (work if work <= self.longest_span else 0.0)
            total += max(min(ends, closes) - opens, 0.0)
            moment = self.opening_after(opens)
        return total

    @cached_property
    def longest_span(self) -> float:
        """The longest staffed time at a stretch (s) of an ordinary week; infinity at all hours. A night that is longer
        once a year, as clocks are put back, is none to wait for.
        """
        if self._shifts is None:
            return math.inf
        spans = Staff(self._shifts).spans_between(0.0, LOOKED_AT)
        return max(end - start for start, end in spans[1:-1])


def _cover_the_week(shifts: Sequence[Shift]) -> bool:
    """Whether shifts leave no minute of the week out."""
    spans = sorted(
        (day * MINUTES_A_DAY + shift.opens, day * MINUTES_A_DAY + shift.closes)
        for shift in shifts
        for one in shift.days
        for day in (one - 7, one)  # Sunday's shift of the week before may reach into Monday
    )
    reached = 0
    for opens, closes in spans:
        if closes > 0 and opens <= reached:
            reached = max(reached, closes)
    return reached >= 7 * MINUTES_A_DAY


def zone_of(economy: Economy) -> tzinfo:
    """The time zone of an economy's staffed hours."""
    if economy.time_zone is None:
        return NO_ZONE
    from zoneinfo import ZoneInfo

    return ZoneInfo(economy.time_zone)


def staff_of(economy: Economy, since: float, zone: tzinfo | None = None) -> Staff:
    """The staffed hours of an economy, asked about from a moment on (s); by the clocks of another zone where told."""
    shifts = None if economy.staffed is None else [shift_of(text) for text in economy.staffed]
    return Staff(shifts, zone_of(economy) if zone is None else zone, since)
