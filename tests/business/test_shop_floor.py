"""The simulated shop against queueing theory, and by hand: nights, weekends, hands, spools, failures."""

from __future__ import annotations

import itertools
import math
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from kinematics.business.floor import FAILED, HANDS, PRINTING, SPOOL, WAITING, Bar, FloorOrder, Run, Station, simulate
from kinematics.business.staffed import Staff
from kinematics.machine.kinds import shift_of

VIENNA = ZoneInfo("Europe/Vienna")
ALWAYS = Staff(None)
HOUR = 3600.0
STANDARD_ERRORS = 4.0  # a true mean is farther off once in 16,000 times


def erlang_c(printers: int, load: float) -> float:
    """Share of jobs that have to wait in M/M/c: `load` in erlangs (A. K. Erlang 1917, from memory)."""
    terms = [load**k / math.factorial(k) for k in range(printers)]
    last = load**printers / math.factorial(printers) * printers / (printers - load)
    return last / (math.fsum(terms) + last)


def test_the_formula_gives_the_known_numbers() -> None:
    # 3 printers, .4 jobs an hour of 6 h each; 1 printer waits with probability of its load.
    assert erlang_c(3, 2.4) == pytest.approx(0.6471910, abs=1e-6)
    assert erlang_c(1, 0.8) == pytest.approx(0.8, abs=1e-6)


def batch_means(values: np.ndarray, batches: int = 25) -> tuple[float, float]:
    """Mean of a correlated series and its standard error, from means of long batches (Law & Kelton, from memory)."""
    means = np.array([batch.mean() for batch in np.array_split(values, batches)])
    return float(means.mean()), float(means.std(ddof=1) / math.sqrt(batches))


@pytest.mark.parametrize(("printers", "rate", "hours"), [(3, 0.4, 6.0), (1, 0.5, 1.2), (2, 1.0, 1.5)])
def test_random_arrivals_wait_as_long_as_queueing_theory_says(printers: int, rate: float, hours: float) -> None:
    draw = np.random.default_rng(1)
    count = 20_000
    arrives = np.cumsum(draw.exponential(1 / rate, count)) * HOUR
    prints = draw.exponential(hours, count) * HOUR
    stations = [Station(f"p{i}", ALWAYS) for i in range(printers)]
    orders = [
        FloorOrder(a, math.inf, 1, "", (s,) * printers, (0.0,) * printers)
        for a, s in zip(arrives.tolist(), prints.tolist(), strict=True)
    ]
    run = simulate(stations, orders, printers, 0.0)
    in_shop = (np.array([moments[0] for moments in run.done]) - arrives) / HOUR
    waited = in_shop - prints / HOUR
    load = rate * hours
    waits = erlang_c(printers, load)
    mean_wait = waits / (printers / hours - rate)  # W_q = P(wait)/(c·µ − λ)
    settled = slice(2000, None)
    for seen, expected in (
        ((waited[settled] > 1e-9).astype(float), waits),
        (waited[settled], mean_wait),
        (in_shop[settled], mean_wait + hours),
    ):
        mean, error = batch_means(seen)
        assert abs(mean - expected) < STANDARD_ERRORS * error
        assert error < 0.25 * expected  # a wide error would prove nothing
    # L = λ·W (Little 1961), L counted on the floor itself.
    ends = np.array([moments[0] for moments in run.done])
    moments = np.linspace(arrives[0], arrives[-1], 4001)[:-1]
    there = np.searchsorted(np.sort(arrives), moments, "right") - np.searchsorted(np.sort(ends), moments, "right")
    mean, error = batch_means(there.astype(float))
    seen_rate = count / (arrives[-1] - arrives[0]) * HOUR
    assert abs(mean - seen_rate * in_shop.mean()) < STANDARD_ERRORS * error


def at(text: str) -> float:
    """A moment by the clock on the wall in Vienna."""
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()


def day_shift(since: str = "2026-03-02") -> Staff:
    """Monday to Friday, eight to four, in Vienna."""
    return Staff([shift_of("Mon-Fri 08:00-16:00")], VIENNA, at(since))


def order(hours: float, quantity: int = 1, due: float = math.inf, **more: Any) -> FloorOrder:
    """Pieces that one printer, or two alike, may print."""
    printers = more.pop("printers", 1)
    given = {"arrives": 0.0, "material": "", "grams": (0.0,) * printers, **more}
    return FloorOrder(due=due, quantity=quantity, seconds=(hours * HOUR,) * printers, **given)


def done(run: Run, number: int = 0) -> list[str]:
    """When the pieces of an order were taken off, by the clock on the wall."""
    return [datetime.fromtimestamp(moment, VIENNA).strftime("%a %d %H:%M") for moment in run.done[number]]


def bars(run: Run, what: str) -> list[Bar]:
    """The bars of one kind."""
    return [bar for bar in run.bars if bar.what == what]


def test_a_print_that_ends_at_night_waits_for_morning() -> None:
    # 7 h and 6 min of hands: Monday 15:06; the next ends at 22:06 and is taken off from eight on.
    station = Station("one", day_shift(), turnaround=360.0)
    run = simulate([station], [order(7.0, 3)], 1, at("2026-03-02 08:00"))
    assert done(run) == ["Mon 02 15:06", "Tue 03 08:06", "Tue 03 15:12"]
    (night,) = bars(run, WAITING)
    assert (night.begins, night.ends) == (at("2026-03-02 22:06"), at("2026-03-03 08:00"))


def test_faster_prints_bring_nothing_while_people_are_away() -> None:
    slow, fast = (
        simulate([Station("one", day_shift(), turnaround=360.0)], [order(hours, 5)], 1, at("2026-03-02 08:00"))
        for hours in (15.0, 9.0)
    )
    assert done(slow) == done(fast)


def test_over_the_weekend_one_print_is_made() -> None:
    run = simulate([Station("one", day_shift())], [order(5.0, 3)], 1, at("2026-03-06 12:00"))
    # Friday 12 to 17 is taken off on Monday.
    assert done(run) == ["Mon 09 08:00", "Mon 09 13:00", "Tue 10 08:00"]


def test_without_unattended_running_only_what_is_ready_by_closing_is_started() -> None:
    station = Station("one", day_shift(), unattended=False)
    orders = [order(5.0, 2), order(2.0, 1)]
    run = simulate([station], orders, 1, at("2026-03-02 08:00"))
    assert done(run) == ["Mon 02 13:00", "Tue 03 13:00"]
    assert done(run, 1) == ["Mon 02 15:00"]  # fills what the five hours leave


def test_what_could_not_be_taken_off_before_closing_is_not_started_unattended() -> None:
    # 3 h 57 min and 6 min of hands: the second would be off the bed at 16:06.
    station = Station("one", day_shift(), unattended=False, turnaround=360.0)
    run = simulate([station], [order(3.95, 2)], 1, at("2026-03-02 08:00"))
    assert done(run) == ["Mon 02 12:03", "Tue 03 12:03"]


def test_hands_that_are_free_at_closing_begin_in_the_morning() -> None:
    stations = [Station(f"p{i}", day_shift(), turnaround=1800.0) for i in range(3)]
    run = simulate(stations, [order(7.0, 3, printers=3)], 1, at("2026-03-02 08:00"))
    assert [bar.begins for bar in bars(run, HANDS)] == [
        at("2026-03-02 15:00"), at("2026-03-02 15:30"), at("2026-03-03 08:00"),
    ]  # fmt: skip


def test_a_night_shift_loses_an_hour_when_clocks_go_forward() -> None:
    night = Staff([shift_of("Sat 22:00-06:00")], VIENNA, at("2026-03-28"))
    station = Station("one", night, unattended=False, turnaround=360.0)
    run = simulate([station], [order(3.4, 3)], 1, at("2026-03-28 20:00"))
    # Seven hours: two of three and a half. The third waits a week.
    assert done(run) == ["Sun 29 01:30", "Sun 29 06:00", "Sun 05 01:30"]


def test_due_dates_come_first_and_then_the_order_of_the_list() -> None:
    orders = [order(1.0), order(1.0, due=at("2026-03-05")), order(1.0, due=at("2026-03-04")), order(1.0)]
    run = simulate([Station("one", ALWAYS)], orders, 1, at("2026-03-02 08:00"))
    assert [moments[0] - at("2026-03-02 08:00") for moments in run.done] == [3 * HOUR, 2 * HOUR, HOUR, 4 * HOUR]


def test_one_pair_of_hands_serves_one_printer_at_a_time() -> None:
    stations = [Station(f"p{i}", ALWAYS, turnaround=1800.0) for i in range(2)]
    run = simulate(stations, [order(1.0, 4, printers=2)], 1, 0.0)
    assert run.done[0] == (1.5 * HOUR, 2 * HOUR, 3 * HOUR, 3.5 * HOUR)
    both = simulate(stations, [order(1.0, 4, printers=2)], 2, 0.0)
    assert both.done[0] == (1.5 * HOUR, 1.5 * HOUR, 3 * HOUR, 3 * HOUR)
    assert not bars(both, WAITING)


def test_spools_are_changed_for_another_material_and_when_they_run_out() -> None:
    station = Station("one", ALWAYS, spool_change=600.0, spool=100.0)
    orders = [order(1.0, 3, material="black", grams=(40.0,)), order(1.0, 1, material="white", grams=(40.0,))]
    run = simulate([station], orders, 1, 0.0)
    assert [(bar.order, bar.begins) for bar in bars(run, SPOOL)] == [(0, 2 * HOUR), (1, 3 * HOUR + 600)]
    assert run.done[1] == (4 * HOUR + 1200,)
    plain = simulate([station], [order(1.0, 2, material="black"), order(1.0, 1)], 1, 0.0)
    assert not bars(plain, SPOOL)


def test_a_printer_is_used_from_when_it_is_free() -> None:
    stations = [Station("one", ALWAYS, free_from=5 * HOUR), Station("two", ALWAYS)]
    run = simulate(stations, [order(2.0, 5, printers=2)], 2, 0.0)
    assert [bar.begins / HOUR for bar in run.bars if bar.station == 0] == [5.0]
    late = simulate(stations, [order(1.0, arrives=3 * HOUR, printers=2)], 1, 0.0)
    assert late.done[0] == (4 * HOUR,)


def test_what_fails_is_printed_again() -> None:
    station = Station("one", ALWAYS, failed_share=0.3, turnaround=60.0)
    run = simulate([station], [order(1.0, 2000)], 1, 0.0, (3,))
    failed, good = len(bars(run, FAILED)), len(bars(run, PRINTING))
    assert good == len(run.done[0]) == 2000
    # Prints a good one takes: 1/(1 − f), with variance f/(1 − f)².
    error = math.sqrt(0.3) / 0.7 / math.sqrt(2000)
    assert abs((failed + good) / good - 1 / 0.7) < STANDARD_ERRORS * error
    assert len(bars(run, HANDS)) == failed + good
    assert simulate([station], [order(1.0, 50)], 1, 0.0, (3,)) == simulate([station], [order(1.0, 50)], 1, 0.0, (3,))
    assert simulate([station], [order(1.0, 50)], 1, 0.0, (4,)) != simulate([station], [order(1.0, 50)], 1, 0.0, (3,))


def test_no_printer_does_two_things_at_once_and_no_time_is_lost() -> None:
    staff = day_shift()
    stations = [
        Station("a", staff, turnaround=300.0, spool_change=240.0, spool=50.0, failed_share=0.1),
        Station("b", staff, unattended=False, turnaround=300.0, failed_share=0.1),
    ]
    orders = [order(3.0, 6, material=m, printers=2, grams=(20.0, 20.0)) for m in ("black", "white", "")]
    run = simulate(stations, orders, 1, at("2026-03-27 09:00"), (9,))
    for number in range(2):
        mine = sorted((bar for bar in run.bars if bar.station == number), key=lambda bar: (bar.begins, bar.ends))
        for one, after in itertools.pairwise(mine):
            assert after.begins >= one.ends - 1e-6
    hands = sorted((bar for bar in run.bars if bar.what in (HANDS, SPOOL)), key=lambda bar: bar.begins)
    for one, after in itertools.pairwise(hands):
        assert after.begins >= one.ends - 1e-6
    for bar in hands:
        assert staff.staffed_between(bar.begins, bar.ends) == pytest.approx(240.0 if bar.what == SPOOL else 300.0)
    for bar in run.bars:
        if bar.what in (PRINTING, FAILED):
            assert staff.is_open(bar.begins)
            assert bar.ends - bar.begins == pytest.approx(3 * HOUR)
            if bar.station == 1:
                assert staff.staffed_between(bar.begins, bar.ends) == pytest.approx(3 * HOUR)
