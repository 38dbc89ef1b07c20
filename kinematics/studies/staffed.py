"""When people are there: staffed hours of the week as spans of time, weekends and summer time included."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, timezone, tzinfo

from kinematics.machine import Economy
from kinematics.machine.kinds import MINUTES_A_DAY, Shift, shift_of

NO_ZONE = timezone.utc  # noqa: UP017 a clock that is never put forward or back: its wall time is what people mean
A_DAY = timedelta(days=1)
DAYS_AT_A_TIME = 28
DAYS_LOOKED_AT = 56  # for the longest span


class Staff:
    """Spans of staffed time, as seconds of the POSIX clock (s since 1970, no jumps).

    `shifts` hold on the wall clock of `zone`: a shift over the night in which clocks are put forward is an hour
    shorter, one over the night in which they are put back an hour longer. No shifts: at all hours. Holidays are not
    modelled.
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

    def _span_at(self, moment: float) -> int:
        """The number of the span that holds a moment, or of the next one; the last second of a span is not in it."""
        while not self.always and (len(self._ends) < 2 or self._ends[-1] <= moment):
            self._extend()
        number = bisect_right(self._ends, moment)
        while number >= len(self._ends) - 1 and not self.always:
            self._extend()  # what follows could still touch the last one
        return number

    def next_open(self, moment: float) -> float:
        """The first moment from this one on at which somebody is there."""
        return max(moment, self._starts[self._span_at(moment)])

    def is_open(self, moment: float) -> bool:
        """Whether somebody is there."""
        return self._starts[self._span_at(moment)] <= moment

    def open_until(self, moment: float) -> float:
        """When the staffed span ends that holds a moment or comes next."""
        return self._ends[self._span_at(moment)]

    def after_work(self, moment: float, seconds: float) -> float:
        """When work is done that takes so many seconds (s) of staffed time, begun as soon as somebody is there; what
        is left at closing goes on at the next opening.
        """
        number = self._span_at(moment)
        now = max(moment, self._starts[number])
        while self._ends[number] - now < seconds:
            seconds -= self._ends[number] - now
            now = self._starts[self._span_at(self._ends[number])]
            number += 1
        return now + seconds

    def staffed_between(self, begins: float, ends: float) -> float:
        """Seconds between two moments in which somebody is there."""
        total, moment = 0.0, begins
        while moment < ends:
            number = self._span_at(moment)
            start, end = max(moment, self._starts[number]), min(ends, self._ends[number])
            total += max(end - start, 0.0)
            moment = max(end, self._ends[number])
        return total

    def spans_between(self, begins: float, ends: float) -> list[tuple[float, float]]:
        """The staffed spans between two moments, cut off at them."""
        found, moment = [], begins
        while (start := self.next_open(moment)) < ends:
            moment = self.open_until(start)
            found.append((start, min(moment, ends)))
        return found

    def longest_span(self, since: float) -> float:
        """The longest staffed time at a stretch (s) of the coming weeks; infinity at all hours."""
        if self.always:
            return math.inf
        spans = self.spans_between(since - 86400.0, since + DAYS_LOOKED_AT * 86400.0)
        return max(end - start for start, end in spans[1:-1] or spans)


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


def staff_of(economy: Economy, since: float) -> Staff:
    """The staffed hours of an economy, asked about from a moment on (s)."""
    shifts = None if economy.staffed is None else [shift_of(text) for text in economy.staffed]
    return Staff(shifts, zone_of(economy), since)
