"""Who prints what: a case worked by hand for which each rule is best, and what no rule may break."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.business.floor import (
    AT_CLOSING,
    DUE_DATE,
    FAILED,
    HANDS,
    PRINTING,
    RULES,
    SAME_SPOOL,
    SCARCEST,
    SPOOL,
    SPOOL_WAITING,
    FloorOrder,
    Run,
    Station,
    simulate,
)
from kinematics.business.plan import ShopPlan
from kinematics.business.staffed import SAME_MOMENT, Staff
from kinematics.business.sums import Given, under_best_rule, under_rule
from kinematics.machine import Machine
from kinematics.machine.kinds import shift_of

VIENNA = ZoneInfo("Europe/Vienna")
ALWAYS = Staff(None)
HOUR = 3600.0
NEVER = math.inf


def at(text: str) -> float:
    """A moment by the clock on the wall in Vienna."""
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()


MONDAY = at("2026-03-02 08:00")
FRIDAY = at("2026-03-06 08:00")


def days() -> Staff:
    """Monday to Friday, eight to four, in Vienna."""
    return Staff([shift_of("Mon-Fri 08:00-16:00")], VIENNA, MONDAY)


def order(
    *hours: float, quantity: int = 1, due: float = math.inf, material: str = "", arrives: float = 0.0
) -> FloorOrder:
    """An order with the hours that a print takes on each printer, due so many hours after Monday morning."""
    seconds = tuple(HOUR * one for one in hours)
    return FloorOrder(MONDAY + HOUR * arrives, MONDAY + HOUR * due, quantity, material, seconds, (0.0,) * len(hours))


def plan(stations: Sequence[Station], *orders: FloorOrder) -> ShopPlan:
    """Printers and orders as a plan, without prices."""
    return ShopPlan(tuple(stations), (), orders, ((Machine(),) * len(stations),) * len(orders), ())


def best(stations: Sequence[Station], *orders: FloorOrder) -> tuple[str, dict[str, tuple[float, float]]]:
    """The best rule of a shop of one person, and what every rule comes to: orders late, hours until all is done."""
    found = under_best_rule(plan(stations, *orders), Given(1, MONDAY, 0, 1))
    return found.rule, {one.rule: (one.late_orders, (one.finished_s - MONDAY) / HOUR) for one in found.tried}


def done(run: Run) -> list[list[float]]:
    """Hours after Monday morning at which the pieces of each order are off the bed."""
    return [[(moment - MONDAY) / HOUR for moment in moments] for moments in run.done]


def test_due_date_first() -> None:
    # Big and small, two flexible pieces of 2 h due at 2 h, one of 6 h for the big one alone due at 8 h. Both printers
    # begin with the urgent pieces: 2 h, 2 h, then 8 h. With the scarce one first, the small one takes both: 4 h.
    stations = [Station("big", ALWAYS), Station("small", ALWAYS)]
    orders = order(6.0, NEVER, due=8.0), order(2.0, 2.0, quantity=2, due=2.0)
    rule, came_to = best(stations, *orders)
    assert rule == DUE_DATE
    assert came_to == {DUE_DATE: (0, 8), SCARCEST: (1, 6), SAME_SPOOL: (0, 8), AT_CLOSING: (0, 8)}


def test_scarcest_printer_first() -> None:
    # A flexible piece of 2 h is due first and would take the big printer from the 6 h that need it and are due at 7 h.
    stations = [Station("big", ALWAYS), Station("small", ALWAYS)]
    orders = order(2.0, 2.0, due=3.0), order(6.0, NEVER, due=7.0)
    rule, came_to = best(stations, *orders)
    assert rule == SCARCEST
    assert came_to == {DUE_DATE: (1, 8), SCARCEST: (0, 6), SAME_SPOOL: (1, 8), AT_CLOSING: (1, 8)}


def test_a_printer_that_can_print_less_takes_what_both_can() -> None:
    # Nothing needs the big printer yet; an hour on something does, for 3 h.
    stations = [Station("big", ALWAYS), Station("small", ALWAYS)]
    orders = order(2.0, 2.0), order(3.0, NEVER, arrives=1.0)
    assert done(simulate(stations, orders, 1, MONDAY, rule=SCARCEST)) == [[2.0], [4.0]]
    assert done(simulate(stations, orders, 1, MONDAY, rule=DUE_DATE)) == [[2.0], [5.0]]


def test_same_spool_first() -> None:
    # Two colours, four pieces of an hour each, half an hour to change a spool. Black first on both printers and then
    # white on both: 2 h, the two changes one after the other as there is one person, 2 h. A colour a printer: 4 h.
    stations = [Station(name, ALWAYS, spool_change=0.5 * HOUR) for name in ("one", "two")]
    orders = order(1.0, 1.0, quantity=4, material="black"), order(1.0, 1.0, quantity=4, material="white")
    rule, came_to = best(stations, *orders)
    assert rule == SAME_SPOOL
    # From 2 h on: a change until 2.5 and two whites until 4.5, one until 3 and two until 5.
    assert came_to == {DUE_DATE: (0, 5), SCARCEST: (0, 5), SAME_SPOOL: (0, 4), AT_CLOSING: (0, 5)}
    run = simulate(stations, orders, 1, MONDAY, rule=SAME_SPOOL)
    assert [bar.order for bar in run.bars if bar.station == 0] == [0, 0, 0, 0]
    assert [bar.order for bar in run.bars if bar.station == 1] == [1, 1, 1, 1]


def test_the_same_spool_comes_before_due_dates() -> None:
    # Black, white, black by due date: two changes. Both blacks first: one.
    station = [Station("one", ALWAYS, spool_change=0.5 * HOUR)]
    orders = [order(1.0, due=due, material=colour) for due, colour in ((2, "black"), (3, "white"), (6, "black"))]
    assert done(simulate(station, orders, 1, MONDAY, rule=SAME_SPOOL)) == [[1.0], [3.5], [2.0]]
    assert done(simulate(station, orders, 1, MONDAY, rule=DUE_DATE)) == [[1.0], [2.5], [4.0]]
    # Dates come first among the rules all the same: white at 2.5 h is what keeps everything on time here.
    rule, came_to = best(station, *orders)
    assert rule == DUE_DATE
    assert (came_to[DUE_DATE], came_to[SAME_SPOOL]) == ((0, 4), (1, 3.5))


def test_long_prints_at_closing() -> None:
    # Ten hours stand first in the list and would take Monday; four prints of two hours fill Tuesday to its end: 32 h.
    # Kept for closing, they are taken off on Tuesday morning: 24 h.
    station = [Station("one", days())]
    orders = order(10.0), order(2.0, quantity=4)
    rule, came_to = best(station, *orders)
    assert rule == AT_CLOSING
    assert came_to == {DUE_DATE: (0, 32), SCARCEST: (0, 32), SAME_SPOOL: (0, 32), AT_CLOSING: (0, 24)}
    run = simulate(station, orders, 1, MONDAY, rule=AT_CLOSING)
    assert done(run) == [[24.0], [2.0, 4.0, 6.0, 8.0]]


def test_at_closing_what_waits_least_is_taken() -> None:
    # At four: 10 h would wait 6 h for the morning, 15 h one, 17 h none (until nine); 30 h end at ten at night.
    station = [Station("one", days(), free_from=MONDAY + 8 * HOUR)]
    orders = [order(hours) for hours in (10.0, 15.0, 17.0, 30.0)]
    (first, *_) = simulate(station, orders, 1, MONDAY, rule=AT_CLOSING).bars
    assert (first.order, first.begins) == (2, MONDAY + 8 * HOUR)


def test_where_rules_are_alike_the_due_date_decides() -> None:
    rule, came_to = best([Station("one", ALWAYS)], order(1.0, quantity=3))
    assert rule == DUE_DATE
    assert set(came_to.values()) == {(0, 3)}


def test_no_step_begins_that_closing_would_cut_into() -> None:
    # Friday's print is done at 15:54; a change of ten minutes would end on Monday at 8:04. It begins on Monday.
    station = Station("one", days(), spool_change=600.0)
    black = FloorOrder(FRIDAY, math.inf, 1, "black", (7.9 * HOUR,), (0.0,))
    white = black._replace(material="white", seconds=(HOUR,), due=MONDAY + 300 * HOUR)
    run = simulate([station], [black._replace(due=0.0), white], 1, FRIDAY)
    (change,) = [bar for bar in run.bars if bar.what == SPOOL]
    assert (change.begins, change.ends) == (at("2026-03-09 08:00"), at("2026-03-09 08:10"))
    # With six minutes it ends with the day, and the print runs over the weekend.
    run = simulate([station._replace(spool_change=360.0)], [black._replace(due=0.0), white], 1, FRIDAY)
    (change,) = [bar for bar in run.bars if bar.what == SPOOL]
    assert (change.begins, change.ends) == (at("2026-03-06 15:54"), at("2026-03-06 16:00"))
    assert run.done[1] == (at("2026-03-09 08:00"),)


def test_where_a_change_no_longer_fits_what_needs_none_is_started() -> None:
    # Both are done at 15:45 and one person takes parts off for ten minutes each: the second is off on Monday. The first
    # wants white, ten minutes from 15:55 on, which is too late: black is started instead, on the spool that is on.
    stations = [Station(name, days(), turnaround=600.0, spool_change=600.0) for name in ("one", "two")]
    first = FloorOrder(FRIDAY, FRIDAY, 2, "black", (7.75 * HOUR,) * 2, (0.0, 0.0))
    white = first._replace(due=FRIDAY + HOUR, quantity=1, material="white", seconds=(HOUR, math.inf))
    black = white._replace(due=math.inf, material="black")
    run = simulate(stations, [first, white, black], 1, FRIDAY)
    begun = [(bar.order, bar.begins) for bar in run.bars if bar.station == 0 and bar.what == PRINTING]
    assert begun[1] == (2, at("2026-03-06 15:55"))
    assert [bar.begins for bar in run.bars if bar.what == SPOOL] == [at("2026-03-09 08:20")]


def test_a_spool_change_that_closing_overtakes_is_called_off() -> None:
    # The other printer's part is taken off from 15:40 to 15:52. At 15:46 white and black come in; the change to white
    # would have ended at 15:56, but hands are free at 15:52 only, and it would end at 16:02. So black is started.
    stations = [Station("one", days(), spool_change=600.0), Station("two", days(), turnaround=720.0)]
    early = FloorOrder(FRIDAY, math.inf, 1, "black", (HOUR, math.inf), (0.0, 0.0))
    busy = early._replace(seconds=(math.inf, 7 * HOUR + 2400.0))
    white = early._replace(arrives=at("2026-03-06 15:46"), due=FRIDAY, material="white")
    black = white._replace(due=FRIDAY + HOUR, material="black")
    run = simulate(stations, [early, busy, white, black], 1, FRIDAY)
    (waits,) = [bar for bar in run.bars if bar.what == SPOOL_WAITING]
    assert waits == (0, 2, SPOOL_WAITING, at("2026-03-06 15:46"), at("2026-03-06 15:52"), 1)
    assert [bar.begins for bar in run.bars if bar.order == 3 and bar.what == PRINTING] == [at("2026-03-06 15:52")]
    assert run.done[2:] == ((at("2026-03-09 09:10"),), (at("2026-03-09 08:00"),))


def test_minutes_before_closing_that_are_too_few_are_no_busy_hands() -> None:
    # Done at 15:55 on Friday, ten minutes to take it off: nobody has the time until Monday, and nobody is busy.
    station = Station("one", days(), turnaround=600.0)
    long = order(7.0 + 55.0 / 60.0)._replace(arrives=FRIDAY)
    found = under_rule(plan([station], long), Given(1, FRIDAY, 0, 1), DUE_DATE)
    printing, nobody, busy, hands = found.sums[0].use[0] * (found.sums[0].finished - FRIDAY)
    assert (printing, nobody, busy, hands) == pytest.approx((28500.0, 64 * HOUR + 300.0, 0.0, 600.0), abs=1e-3)


def test_what_ends_at_closing_is_taken_off() -> None:
    for hours, turnaround in ((8.0, 0.0), (7.9, 360.0)):
        station = Station("one", days(), turnaround=turnaround)
        one = FloorOrder(FRIDAY, math.inf, 2, "", (hours * HOUR,), (0.0,))
        run = simulate([station], [one], 1, FRIDAY)
        # The next is started as the first is taken off, and waits for Monday.
        assert run.done[0][0] == pytest.approx(at("2026-03-06 16:00"), abs=SAME_MOMENT)
        assert run.done[0][1] == pytest.approx(at("2026-03-09 08:00") + turnaround, abs=SAME_MOMENT)


def test_work_longer_than_every_day_goes_on_the_next_and_counts_as_work_alone() -> None:
    # Ten hours of hands in days of eight: Friday from noon, four hours, and Monday six.
    station = Station("one", days(), turnaround=10 * HOUR)
    run = simulate([station], [FloorOrder(FRIDAY, math.inf, 1, "", (4 * HOUR,), (0.0,))], 1, FRIDAY)
    assert [(bar.begins, bar.ends) for bar in run.bars if bar.what == HANDS] == [
        (at("2026-03-06 12:00"), at("2026-03-06 16:00")), (at("2026-03-09 08:00"), at("2026-03-09 14:00")),
    ]  # fmt: skip
    found = under_rule(plan([station], order(4.0)._replace(arrives=FRIDAY)), Given(1, FRIDAY, 0, 1), DUE_DATE)
    whole = 78.0  # hours from Friday morning to Monday two o'clock
    printing, nobody, busy, hands = found.sums[0].use[0]
    assert (printing, nobody, busy, hands) == pytest.approx((4 / whole, 64 / whole, 0.0, 10 / whole), abs=1e-9)


STAFF = st.sampled_from(
    [None, ["Mon-Fri 08:00-16:00"], ["Mon-Fri 08:00-12:00", "Mon-Fri 13:00-16:00"],
     ["Sat 22:00-06:00", "Wed 10:00-11:00"]]
)  # fmt: skip
MINUTES = st.sampled_from([0.0, 5.0, 6.0, 45.0])


@st.composite
def shops(draw: st.DrawFn) -> tuple[list[Station], list[FloorOrder], int, str]:
    """Printers, orders that at least one of them can print, people and a rule."""
    printers = draw(st.integers(1, 3))
    stations = []
    for i in range(printers):
        texts = draw(STAFF)
        staff = Staff(None if texts is None else [shift_of(text) for text in texts], VIENNA, MONDAY)
        stations.append(
            Station(
                f"p{i}", staff, draw(st.booleans()), 60 * draw(MINUTES), 60 * draw(MINUTES),
                draw(st.sampled_from([math.inf, 100.0])), draw(st.sampled_from([0.0, 0.3])),
                MONDAY + HOUR * draw(st.integers(0, 30)),
            )
        )  # fmt: skip
    orders = []
    for _ in range(draw(st.integers(1, 5))):
        hours = draw(st.lists(st.sampled_from([0.5, 2.0, 7.75, 8.0, 11.0]), min_size=printers, max_size=printers))
        seconds = [
            HOUR * one
            if station.unattended
            or HOUR * one + station.turnaround + station.spool_change <= station.staff.longest_span
            else math.inf
            for one, station in zip(hours, stations, strict=True)
        ]
        if min(seconds) == math.inf:
            stations[0] = stations[0]._replace(unattended=True)
            seconds[0] = HOUR * hours[0]
        kept = draw(st.integers(0, printers - 1))
        if seconds[kept] < math.inf and draw(st.booleans()):
            seconds = [one if i == kept else math.inf for i, one in enumerate(seconds)]
        due = MONDAY + HOUR * draw(st.sampled_from([5.0, 40.0, math.inf]))
        material = draw(st.sampled_from(["", "black", "white"]))
        arrives = MONDAY + HOUR * draw(st.sampled_from([0, 0, 7, 60]))
        grams = (draw(st.sampled_from([0.0, 30.0, 150.0])),) * printers
        orders.append(FloorOrder(arrives, due, draw(st.integers(1, 4)), material, tuple(seconds), grams))
    return stations, orders, draw(st.integers(1, 3)), draw(st.sampled_from(list(RULES)))


@settings(max_examples=150, deadline=None)
@given(shops())
def test_what_no_rule_may_break(shop: tuple[list[Station], list[FloorOrder], int, str]) -> None:
    stations, orders, people, rule = shop
    run = simulate(stations, orders, people, MONDAY, (5,), rule)
    # Every part is printed well once, and everything that failed is printed again.
    for number, one in enumerate(orders):
        assert len(run.done[number]) == one.quantity
        assert sum(bar.order == number and bar.what == PRINTING for bar in run.bars) == one.quantity
        assert list(run.done[number]) == sorted(run.done[number])
    prints = [bar for bar in run.bars if bar.what in (PRINTING, FAILED)]
    for bar in prints:
        one, station = orders[bar.order], stations[bar.station]
        assert bar.ends - bar.begins == pytest.approx(one.seconds[bar.station], abs=SAME_MOMENT)
        assert bar.begins >= max(one.arrives, station.free_from) - SAME_MOMENT
        assert station.staff.is_open(bar.begins)
        if not station.unattended:
            assert bar.ends + station.turnaround <= station.staff.open_until(bar.begins) + 2 * SAME_MOMENT
    # A printer does one thing at a time.
    for number in range(len(stations)):
        mine = sorted((bar for bar in run.bars if bar.station == number), key=lambda bar: (bar.begins, bar.ends))
        for before, after in itertools.pairwise(mine):
            assert after.begins >= before.ends - SAME_MOMENT
    # Nobody works outside staffed hours, no step is cut, and there are never more hands than people.
    work = [bar for bar in run.bars if bar.what in (HANDS, SPOOL)]
    for bar in work:
        station = stations[bar.station]
        seconds = station.spool_change if bar.what == SPOOL else station.turnaround
        assert bar.ends - bar.begins == pytest.approx(seconds, abs=SAME_MOMENT)
        assert station.staff.staffed_between(bar.begins, bar.ends) == pytest.approx(seconds, abs=2 * SAME_MOMENT)
    for bar in work:
        middle = (bar.begins + bar.ends) / 2.0
        assert sum(one.begins < middle < one.ends for one in work) <= people
    assert simulate(stations, orders, people, MONDAY, (5,), rule) == run
