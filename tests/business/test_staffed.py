"""Staffed hours by the calendar: weekends, nights, summer time; and against a walk minute by minute."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.business.staffed import Staff
from kinematics.machine.kinds import shift_of

VIENNA = ZoneInfo("Europe/Vienna")
HOUR = 3600.0
MINUTE = 60.0


def at(text: str) -> float:
    """A moment by the clock on the wall in Vienna."""
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()


def staff(*texts: str, since: str = "2026-03-02") -> Staff:
    """Staffed hours in Vienna."""
    return Staff([shift_of(text) for text in texts], VIENNA, at(since))


def test_a_weekend() -> None:
    people = staff("Mon-Fri 08:00-16:00")
    friday, monday = at("2026-03-06 16:00"), at("2026-03-09 08:00")
    assert people.next_open(at("2026-03-06 15:59")) == at("2026-03-06 15:59")
    # At closing they are still there, a second later no more.
    assert people.is_open(friday)
    assert people.next_open(friday) == friday
    assert not people.is_open(friday + 1.0)
    assert people.next_open(friday + 1.0) == monday
    assert people.opening_after(friday) == people.opening_after(at("2026-03-06 15:00")) == monday
    assert people.open_until(monday) == at("2026-03-09 16:00")
    # An hour of work begun half an hour before the weekend ends half an hour into Monday.
    assert people.after_work(at("2026-03-06 15:30"), HOUR) == at("2026-03-09 08:30")
    assert people.after_work(at("2026-03-07 12:00"), 20 * HOUR) == at("2026-03-11 12:00")
    assert people.staffed_between(at("2026-03-06 15:00"), at("2026-03-09 09:00")) == 2 * HOUR
    assert people.longest_span == 8 * HOUR


def test_work_that_ends_with_the_day_is_done_that_day() -> None:
    people = staff("Mon-Fri 08:00-16:00")
    assert people.after_work(at("2026-03-06 15:00"), HOUR) == at("2026-03-06 16:00")


@pytest.mark.parametrize(
    ("night", "hours"),
    [("2026-03-28", 7.0), ("2026-10-24", 9.0), ("2026-11-07", 8.0)],  # forward, back, an ordinary Saturday
)
def test_a_night_in_which_clocks_are_changed(night: str, hours: float) -> None:
    people = staff("Sat 22:00-06:00", since=night)
    begins = at(f"{night} 22:00")
    assert people.next_open(at(f"{night} 12:00")) == begins
    assert people.open_until(begins) - begins == hours * HOUR


def test_the_wall_clock_rules_before_and_after_the_change() -> None:
    people = staff("Mon-Fri 08:00-16:00")
    for day, utc in (("2026-03-27", 7), ("2026-03-30", 6), ("2026-10-23", 6), ("2026-10-26", 7)):
        opens = people.next_open(at(f"{day} 00:00"))
        assert datetime.fromtimestamp(opens, UTC).hour == utc
    # From Friday noon to Monday noon the weekend of March has 71 hours.
    assert at("2026-03-30 12:00") - at("2026-03-27 12:00") == 71 * HOUR
    assert people.staffed_between(at("2026-03-27 12:00"), at("2026-03-30 12:00")) == 8 * HOUR


def test_an_hour_that_does_not_exist_is_no_shift() -> None:
    people = staff("Sun 02:00-03:00", since="2026-03-23")
    assert people.next_open(at("2026-03-28 12:00")) == at("2026-04-05 02:00")


def test_the_longest_span_is_one_of_an_ordinary_week() -> None:
    # The night in which clocks are put back has nine hours: work of eight and a half does not wait for it.
    people = staff("Sat 22:00-06:00", since="2026-10-20")
    assert people.longest_span == 8 * HOUR
    assert people.work_begins(at("2026-10-31 23:00"), 8.5 * HOUR) == at("2026-10-31 23:00")
    # The one in which they are put forward has seven: work of seven and a half waits for the next.
    spring = staff("Sat 22:00-06:00", since="2026-03-25")
    assert spring.work_begins(at("2026-03-28 22:00"), 7.5 * HOUR) == at("2026-04-04 22:00")


def test_shifts_that_touch_are_one_span() -> None:
    people = staff("Mon 08:00-12:00", "Mon 12:00-16:00", "Mon 15:00-18:00", "Mon 22:00-06:00", "Tue 06:00-07:00")
    assert people.open_until(at("2026-03-02 08:00")) == at("2026-03-02 18:00")
    assert people.open_until(at("2026-03-02 23:00")) == at("2026-03-03 07:00")


@pytest.mark.parametrize("texts", [("Mon-Sun 00:00-24:00",), ("Mon-Sun 06:00-18:00", "Mon-Sun 18:00-06:00")])
def test_the_whole_week_is_at_all_hours(texts: tuple[str, ...]) -> None:
    people = staff(*texts)
    assert people.always
    assert people.after_work(at("2026-03-07 12:00"), HOUR) == at("2026-03-07 13:00")
    assert people.longest_span == math.inf
    assert not staff("Mon-Sun 00:00-23:59").always
    assert not staff("Mon-Sat 00:00-24:00").always


SHIFTS = st.lists(
    st.sampled_from(
        ["Mon-Fri 08:00-16:00", "Sat 22:00-06:00", "Sun 01:30-03:30", "Wed-Thu 12:00-12:00", "Fri 23:00-24:00"]
    ),
    min_size=1, max_size=4, unique=True,
)  # fmt: skip
MOMENTS = st.sampled_from(["2026-03-25 00:00", "2026-10-21 00:00", "2026-06-01 00:00"])


@settings(max_examples=40, deadline=None)
@given(SHIFTS, MOMENTS, st.integers(0, 8 * 24 * 60), st.integers(1, 30 * 60))
def test_against_a_walk_minute_by_minute(texts: list[str], since: str, ahead: int, work: int) -> None:
    begin = at(since) + ahead * MINUTE
    people = Staff([shift_of(text) for text in texts], VIENNA, begin)

    def there(moment: float) -> bool:
        wall = datetime.fromtimestamp(moment, VIENNA)
        minute = wall.hour * 60 + wall.minute
        for shift in map(shift_of, texts):
            if wall.weekday() in shift.days and shift.opens <= minute < shift.closes:
                return True
            if (wall.weekday() - 1) % 7 in shift.days and minute < shift.closes - 1440:
                return True
        return False

    moment, left, opened = begin, work, None
    while left > 0:
        if there(moment):
            opened = moment if opened is None else opened
            left -= 1
        moment += MINUTE
    closing = not there(begin) and there(begin - MINUTE)
    assert people.is_open(begin) == (there(begin) or closing)
    assert people.next_open(begin) == (begin if closing else opened)
    assert people.after_work(begin, work * MINUTE) == moment
    assert people.staffed_between(begin, moment) == work * MINUTE


@settings(max_examples=40, deadline=None)
@given(SHIFTS, MOMENTS, st.integers(0, 8 * 24 * 60), st.integers(1, 200))
def test_work_that_is_not_cut_against_a_walk(texts: list[str], since: str, ahead: int, work: int) -> None:
    begin = at(since) + ahead * MINUTE
    people = Staff([shift_of(text) for text in texts], VIENNA, begin)
    if work * MINUTE > people.longest_span:
        work = int(people.longest_span / MINUTE)
    moments = [begin + i * MINUTE for i in range(-60, 16 * 24 * 60)]  # a week may be an hour short
    # A minute is staffed where its middle is.
    staffed = [people.is_open(moment + 30.0) for moment in moments]
    run, fits = 0, [False] * len(moments)  # whether work that begins with a minute is done before people leave
    for i in reversed(range(len(moments))):
        run = run + 1 if staffed[i] else 0
        fits[i] = run >= work
    expected = next(moment for moment, fit in zip(moments, fits, strict=True) if moment >= begin and fit)
    assert people.work_begins(begin, work * MINUTE) == expected
    until = begin + 3 * 24 * 60 * MINUTE
    minutes = sum(begin <= moment < until and fit for moment, fit in zip(moments, fits, strict=True))
    # The last moment at which work may begin ends a minute that is not counted, one in each span.
    assert people.staffed_between(begin, until, work * MINUTE) <= minutes * MINUTE
    assert people.staffed_between(begin, until, work * MINUTE) >= minutes * MINUTE - 12 * MINUTE


def test_staffed_time_in_which_work_may_still_begin() -> None:
    # Two days of eight hours, of each the last ten minutes are too late; from ten on and until nine.
    people = staff("Mon-Fri 08:00-16:00")
    begins, ends = at("2026-03-02 10:00"), at("2026-03-04 09:00")
    assert people.staffed_between(begins, ends, 600.0) == (6 + 8 + 1) * HOUR - 2 * 600.0
    # Work that fits into no day begins on any, and none of it is too late.
    assert people.staffed_between(begins, ends, 9 * HOUR) == 15 * HOUR
    assert people.work_begins(at("2026-03-06 15:55"), 600.0) == at("2026-03-09 08:00")
    assert people.work_begins(at("2026-03-06 15:50"), 600.0) == at("2026-03-06 15:50")
    assert people.work_begins(at("2026-03-06 15:55"), 9 * HOUR) == at("2026-03-06 15:55")
    assert people.work_begins(at("2026-03-06 16:00"), 9 * HOUR) == at("2026-03-09 08:00")
    always = Staff(None)
    assert always.work_begins(begins, 1e6) == begins
    assert always.staffed_between(begins, ends, 600.0) == ends - begins
    assert always.spans_between(begins, ends) == [(begins, ends)]
    assert always.opening_after(begins) == math.inf
