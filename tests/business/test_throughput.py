"""Prints a day of one printer: hand cases, and the simulated floor with an endless order."""

from __future__ import annotations

import math
from random import Random
from typing import Any

import pytest

from kinematics.business.floor import FloorOrder, Station, simulate
from kinematics.business.staffed import Staff
from kinematics.business.weeks import A_MONDAY, A_WEEK, longest_print, throughput_of
from kinematics.machine import Economy, Machine
from kinematics.machine.kinds import shift_of

MINUTE, HOUR = 60.0, 3600.0


def economy(**keys: Any) -> Economy:
    """An [economy] of a few keys."""
    return Machine(economy=keys).economy


def test_a_shift_holds_whole_prints() -> None:
    # Eight hours: five prints of 1 h 30 min with 6 min of hands are 8 h, and end exactly at closing.
    hours = economy(staffed=["Mon-Fri 08:00-16:00"], turnaround_min=6.0)
    found = throughput_of(hours, 1.5 * HOUR)
    assert (found.period, found.prints, found.prints_a_day) == ("shift", 5, 5.0)
    assert throughput_of(hours, 1.5 * HOUR + 1.0).prints == 4
    # A sixth fits where print and hands take 1 h 20 min.
    assert found.one_more_s == 74.0 * MINUTE
    assert throughput_of(hours, 74.0 * MINUTE).prints == 6
    assert throughput_of(hours, 74.0 * MINUTE + 1.0).prints == 5


def test_nothing_fits_into_the_day() -> None:
    found = throughput_of(economy(staffed=["Mon-Fri 08:00-16:00"], turnaround_min=6.0), 9.0 * HOUR)
    assert (found.prints, found.prints_a_day) == (0, 0.0)
    assert found.one_more_s == 7.9 * HOUR
    # Done two minutes before closing, but there are six minutes of hands: it is not begun.
    almost = throughput_of(economy(staffed=["Mon-Fri 08:00-16:00"], turnaround_min=6.0), 8.0 * HOUR - 120.0)
    assert (almost.prints, almost.prints_a_day) == (0, 0.0)


def test_around_the_clock_without_an_economy() -> None:
    found = throughput_of(economy(), 50.0 * MINUTE)
    assert (found.period, found.prints, found.told, found.turnaround_s) == ("day", 24, False, 600.0)
    assert found.one_more_s == math.floor(86_400.0 / 25.0 - 600.0)
    told = throughput_of(economy(turnaround_min=0.0), 50.0 * MINUTE)
    assert (told.prints, told.told) == (28, True)


def test_shifts_of_several_lengths_are_counted_by_the_week() -> None:
    hours = economy(staffed=["Mon-Fri 08:00-16:00", "Sat 09:00-12:00"], turnaround_min=0.0)
    found = throughput_of(hours, 2.0 * HOUR)
    assert (found.period, found.prints) == ("week", 5 * 4 + 1)
    assert found.prints_a_day == pytest.approx(21 / 6)


def test_prints_go_on_at_night_and_over_the_weekend() -> None:
    # Unattended, nine hours a print: one while people are there from Monday to Friday, one that ends in the night.
    hours = economy(staffed=["Mon-Fri 08:00-18:00"], turnaround_min=0.0, unattended=True)
    found = throughput_of(hours, 9.0 * HOUR)
    assert (found.period, found.prints) == ("week", 10)
    # Of eleven hours a print no second one is begun on the same day, and each waits for the next opening.
    assert throughput_of(hours, 11.0 * HOUR).prints == 5
    # Begun on Mon 08:00, Tue 14:00, Thu 08:00, Fri 14:00; the last one waits from Sat 20:00 until Monday.
    assert throughput_of(hours, 30.0 * HOUR).prints == 4


def test_a_turnaround_that_no_gap_holds_waits_for_the_next_opening() -> None:
    # A print of four hours is ready at noon and at four: the half hour of hands does not fit in before closing.
    hours = economy(staffed=["Mon-Fri 08:00-16:00"], turnaround_min=30.0, unattended=True)
    found = throughput_of(hours, 4.0 * HOUR)
    # Taken off at 12:30, ready at 16:30, taken off the next morning until 08:30, ready at 12:30 …
    assert found.prints == 10
    assert throughput_of(hours, 7.75 * HOUR).prints == 5


@pytest.mark.parametrize("seed", range(40))
def test_the_floor_with_an_endless_order(seed: int) -> None:
    rng = Random(f"throughput {seed}")
    shifts = rng.choice(
        [["Mon-Fri 08:00-16:00"], ["Mon-Sat 06:00-22:00"], ["Mon-Fri 08:00-12:00", "Mon-Fri 13:00-17:00"],
         ["Mon-Thu 22:00-06:00", "Sat 10:00-15:30"], None]
    )  # fmt: skip
    minutes, unattended = rng.choice([0.0, 5.0, 25.0, 90.0]), rng.random() < 0.5
    keys = {"turnaround_min": minutes, "unattended": unattended} | ({} if shifts is None else {"staffed": shifts})
    seconds = rng.uniform(0.3, 14.0) * HOUR
    found = throughput_of(economy(**keys), seconds)
    staff = Staff(None if shifts is None else [shift_of(text) for text in shifts], since=A_MONDAY)
    station = Station("one", staff, unattended, MINUTE * minutes)
    if not station.is_off_in_time(seconds, staff.longest_span):
        assert found.prints == 0
        return
    pieces = int(6.0 * A_WEEK / (seconds + MINUTE * minutes)) + 2
    order = FloorOrder(A_MONDAY, math.inf, pieces, "", (seconds,), (0.0,))
    (done,) = simulate([station], [order], 1, A_MONDAY).done
    begins = A_MONDAY + A_WEEK
    if shifts is None:
        days = {
            int((moment - begins - 1e-3) // 86_400.0) for moment in done if begins < moment <= begins + 2.0 * A_WEEK
        }
        inside = [moment for moment in done if begins < moment <= begins + 2.0 * A_WEEK]
        assert abs(len(inside) / len(days) - found.prints_a_day) <= 2.0 / len(days)
        return
    weeks = 4 if unattended else 1
    counted = sum(begins < moment <= begins + weeks * A_WEEK for moment in done) / weeks
    periods = len(staff.spans_between(begins, begins + A_WEEK)) if found.period == "shift" else 1
    assert found.prints == int(counted / periods + 1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_one_more_fits_and_a_second_later_none_does(seed: int) -> None:
    rng = Random(f"one more {seed}")
    hours = economy(
        staffed=rng.choice([["Mon-Fri 08:00-16:00"], ["Mon-Fri 07:00-19:30", "Sat 08:00-12:00"]]),
        turnaround_min=rng.choice([0.0, 7.0, 20.0]),
        unattended=rng.random() < 0.5,
    )
    found = throughput_of(hours, rng.uniform(0.3, 7.0) * HOUR)
    assert found.one_more_s is not None
    assert found.one_more_s < found.print_s
    assert throughput_of(hours, found.one_more_s).prints >= found.prints + 1
    assert throughput_of(hours, found.one_more_s + 1.0).prints <= found.prints


def test_the_longest_print_of_so_many_a_day() -> None:
    hours = economy(staffed=["Mon-Fri 08:00-16:00"], turnaround_min=6.0)
    assert longest_print(hours, 6.0) == 74.0 * MINUTE
    assert longest_print(hours, 90.0) is None  # the hands alone take nine hours
    assert longest_print(economy(), 24.0) == 50.0 * MINUTE
