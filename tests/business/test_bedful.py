"""How many copies at a time: weeks of one printer against the simulated shop, by hand, and what failures take."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.business.bedful import bedful_of
from kinematics.business.economics import failed_share, failing, part_cost, prints_per_part
from kinematics.business.floor import FAILED, HANDS, FloorOrder, Station, simulate
from kinematics.business.staffed import NO_ZONE, Staff
from kinematics.business.weeks import A_DAY, A_MONDAY, A_WEEK, station_of_week, weeks_of
from kinematics.jobs.copies import CopiedJob
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine, load_machine
from kinematics.machine.kinds import shift_of
from kinematics.reports.bedful_screen import bedful_head, parts_reasons

SAMPLES = Path(__file__).resolve().parents[2] / "sample_gcode"
HOUR = 3600.0
MINUTE = 60.0
OFFICE = ("Mon-Fri 08:00-16:00",)


def station(*shifts: str, turnaround: float = 0.0, unattended: bool = True) -> Station:
    staff = Staff([shift_of(text) for text in shifts] or None, NO_ZONE, A_MONDAY)
    return Station("", staff, unattended, turnaround)


def rate_in_shop(where: Station, seconds: float, copies: int = 1) -> tuple[float, float]:
    """Prints a week in the shop's own simulation, of one printer, a person and an endless order, by counting whole
    weeks; and how far off one print more or less makes it.
    """
    prints = min(6000, math.ceil(12 * A_WEEK / (seconds + where.turnaround)))
    fuller = ((seconds,) * (copies - 1),)
    order = FloorOrder(A_MONDAY, math.inf, copies * prints, "", (seconds,), (0.0,), copies, fuller)
    done = np.array(simulate([where], [order], 1, A_MONDAY).done[0])
    assert done.size == copies * prints
    begin = A_MONDAY + 3 * A_WEEK
    weeks = math.floor((done[-1] - begin) / A_WEEK)
    inside = np.sum((done > begin) & (done <= begin + weeks * A_WEEK)) / copies
    return float(inside) / weeks, 1.01 / weeks


SHIFTS = [OFFICE, ("Mon-Sun 06:00-14:00",), ("Mon-Fri 08:00-12:00", "Mon-Fri 13:00-17:30", "Sat 09:00-12:30"), ()]


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(SHIFTS),
    st.floats(0.5, 60.0),
    st.floats(0.0, 40.0),
    st.booleans(),
    st.integers(1, 5),
)
def test_weeks_are_those_of_the_shop_with_an_endless_order(
    shifts: tuple[str, ...], hours: float, minutes: float, unattended: bool, copies: int
) -> None:
    where = station(*shifts, turnaround=minutes * MINUTE, unattended=unattended)
    seconds = hours * HOUR
    found = weeks_of(where, seconds)
    if found.prints_per_day == 0.0:
        assert seconds + where.turnaround > where.staff.longest_span
        return
    rate, off = rate_in_shop(where, seconds, copies)
    assert rate == pytest.approx(found.prints_per_day * 7.0, abs=2.0 * off)


@pytest.mark.parametrize(
    ("hours", "a_week", "nights"),
    [
        # 15.8 h from 08:06 are ready at 23:54 and wait; off at 08:06. On Friday's the weekend waits too.
        (15.8, 5.0, 1.0),
        # 23.8 h are ready at 07:54 the next day.
        (23.8, 5.0, 1.0),
        # 47.8 h go into two nights: Monday to Wednesday, Wednesday to Friday, and the weekend is one time of its own.
        (47.8, 3.0, 5.0 / 3.0),
        # 7.8 h: 08:06 to 15:54, off by 16:00 sharp, when the next is begun: ready in the night. Two a day.
        (7.8, 10.0, 0.5),
    ],
)
def test_nights_by_hand(hours: float, a_week: float, nights: float) -> None:
    where = station(*OFFICE, turnaround=6 * MINUTE)
    found = weeks_of(where, hours * HOUR)
    assert found.prints_per_day * 7.0 == pytest.approx(a_week)
    assert found.nights == pytest.approx(nights)
    rate, off = rate_in_shop(where, hours * HOUR)
    assert rate == pytest.approx(a_week, abs=off)


def test_a_print_that_lasts_the_night_and_one_that_is_ready_too_early() -> None:
    # From 08:06 to 08:00 is 23 h 54 min, of which the 16 hours of the night; 7 h 54 min end with the day.
    lasts = weeks_of(station(*OFFICE, turnaround=6 * MINUTE), 23.9 * HOUR)
    assert lasts.night_share == pytest.approx(1.0)
    assert lasts.prints_per_day * 7.0 == pytest.approx(5.0)
    # Begun on Friday it waits from Saturday 08:00 to Monday 08:00, and not at all in the week.
    assert lasts.wait_s == pytest.approx(48 * HOUR / 5)
    short = weeks_of(station(*OFFICE, turnaround=6 * MINUTE), 12.0 * HOUR)  # 08:06 to 20:06
    assert short.night_share == pytest.approx((4 * HOUR + 6 * MINUTE) / (16 * HOUR))


def test_what_is_ready_too_late_to_be_taken_off_waits_for_the_morning() -> None:
    # 7 h 51 min from 08:06 are ready at 15:57: six minutes are not left. 16 h 03 min four nights, and the weekend.
    found = weeks_of(station(*OFFICE, turnaround=6 * MINUTE), 7.85 * HOUR)
    assert found.wait_s == pytest.approx((4 * 16.05 + 64.05) / 5 * HOUR)


def test_a_weekend_by_hand() -> None:
    # 60 h: Monday 08:00 to Wednesday 20:00, off on Thursday; Thursday 08:06 to Saturday 20:06, off on Monday.
    found = weeks_of(station(*OFFICE, turnaround=6 * MINUTE), 60 * HOUR)
    assert found.prints_per_day * 7.0 == pytest.approx(2.0)


@pytest.mark.parametrize(("hours", "a_week"), [(7.9, 5.0), (3.9, 10.0), (3.91, 5.0), (7.91, 0.0)])
def test_closing_time_by_hand(hours: float, a_week: float) -> None:
    """Attended only, 8 hours a day with 6 minutes for each part."""
    found = weeks_of(station(*OFFICE, turnaround=6 * MINUTE, unattended=False), hours * HOUR)
    assert found.prints_per_day * 7.0 == pytest.approx(a_week)


def test_at_all_hours_nothing_waits() -> None:
    found = weeks_of(station(turnaround=HOUR), 5 * HOUR)
    assert (found.prints_per_day, found.waiting_share, found.night_share) == (pytest.approx(4.0), 0.0, None)


# ---- failures ------------------------------------------------------------------------------------------------------


def test_failures_by_the_hour_add_to_those_a_print() -> None:
    assert failing(0.04, 0.0, 1e5) == 0.04
    assert failing(0.0, 0.01, HOUR) == pytest.approx(0.01)
    assert failing(0.0, 0.01, 10 * HOUR) == pytest.approx(1 - 0.99**10)
    assert failing(0.04, 0.01, 2 * HOUR) == pytest.approx(1 - 0.96 * 0.99**2)
    economy = Machine(economy={"failed_share": 0.04, "failed_share_per_hour": 0.01}).economy
    assert prints_per_part(economy, 2 * HOUR) == pytest.approx(1 / (0.96 * 0.99**2))
    assert math.isfinite(prints_per_part(economy, 1e9))


def test_good_parts_by_expectation_and_by_simulation() -> None:
    """Twelve in four hours, of which a bedful is lost 4 % of the time and 2 % more in each hour."""
    share = failing(0.04, 0.02, 4 * HOUR)
    where = station(turnaround=6 * MINUTE)._replace(failed_share=0.04, failed_share_per_hour=0.02)
    prints = 6000
    order = FloorOrder(0.0, math.inf, 12 * prints, "", (HOUR,), (0.0,), 12, ((4 * HOUR,) * 11,))
    run = simulate([where], [order], 1, 0.0, (3,))
    failed = sum(bar.what == FAILED for bar in run.bars)
    made = sum(bar.what == HANDS for bar in run.bars)
    off = math.sqrt(share * (1.0 - share) / made)
    assert failed / made == pytest.approx(share, abs=4.0 * off)
    assert all(bar.copies == 12 for bar in run.bars)
    rate = 12 * prints / run.done[0][-1] * A_DAY
    expected = 12 * (1.0 - share) * weeks_of(where, 4 * HOUR).prints_per_day
    assert rate == pytest.approx(expected, rel=4.0 * off / (1.0 - share) + 1e-3)


# ---- a job ---------------------------------------------------------------------------------------------------------


def bench(**more: object) -> Machine:
    known = load_machine(SAMPLES / "shop" / "bench.toml")
    return known.with_settings({key.replace("__", "."): value for key, value in more.items()})


@pytest.fixture(scope="module")
def bracket() -> PreparedJob:
    return PreparedJob(str(SAMPLES / "bracket.gcode"))


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"economy__unattended": False},
        {"economy__staffed": ["Mon-Sun 00:00-24:00"]},
        {"economy__failed_share_per_hour": 0.1, "economy__staffed": ["Mon-Sun 00:00-24:00"]},
        {"economy__staffed": ["Mon-Fri 08:00-12:00", "Sat 10:00-14:00"], "economy__turnaround_min": 15.0},
    ],
)
def test_the_best_number_against_brute_force_by_the_shop(bracket: PreparedJob, more: dict[str, object]) -> None:
    """Every number of copies in the simulated shop with an endless order; its best is ours, but for equals."""
    known = bench(**more)
    found = bedful_of(CopiedJob(bracket), known)
    where = station_of_week(known.economy)
    rates = []
    for row in found.rows:
        if row.weeks.prints_per_day == 0.0:
            rates.append(0.0)
            continue
        rate, off = rate_in_shop(where, row.total_s, row.copies)
        assert rate == pytest.approx(row.weeks.prints_per_day * 7.0, abs=2.0 * off)
        good = row.copies * (1.0 - failed_share(known.economy, row.total_s))
        rates.append(good * rate / 7.0)
        assert row.parts_per_day == pytest.approx(rates[-1], abs=2.0 * good * off / 7.0)
    assert found.by_parts is not None
    assert max(rates) == pytest.approx(rates[found.by_parts.copies - 1], rel=0.02)


def test_a_row_by_hand(bracket: PreparedJob) -> None:
    known = bench()
    row = bedful_of(CopiedJob(bracket), known).rows[5]
    cost = part_cost(known, row.total_s, row.filament_g).total
    assert row.part_cost == pytest.approx(cost / 6)
    # 9,736.69 s; 39.91 g at 22 EUR a kg; 120 W at .30 EUR; .60 EUR an hour; 6 min at 18 EUR an hour; 4 % fail.
    hours = row.total_s / HOUR
    once = row.filament_g * 0.022 + hours * (0.12 * 0.30 + 0.60) + 0.1 * 18.0
    assert row.lost_cost == pytest.approx(once)
    assert cost == pytest.approx(once / 0.96)


def test_failures_by_the_hour_make_fewer_copies_best(bracket: PreparedJob) -> None:
    always = {"economy__staffed": ["Mon-Sun 00:00-24:00"]}
    few = bedful_of(CopiedJob(bracket), bench(**always, economy__failed_share_per_hour=0.25))
    many = bedful_of(CopiedJob(bracket), bench(**always))
    assert many.by_parts.copies == many.by_cost.copies == 12
    assert few.by_parts.copies < 12
    assert few.by_cost.copies < 12
    assert "what fails" in parts_reasons(few, few.by_parts)[-1]
    assert any("prints that fail" in line for line in bedful_head(few))


def test_reasons_in_words(bracket: PreparedJob) -> None:
    said = "\n".join(bedful_head(bedful_of(CopiedJob(bracket), bench())))
    assert "8 take 3 h 36 min, and 15 prints a week are off the bed; of 9, which take 4 h 03 min, it is 10" in said
    never = bedful_of(CopiedJob(bracket), bench(economy__staffed=["Mon 08:00-08:20"], economy__unattended=False))
    assert never.by_parts is None
    assert "none ends while people are there" in "\n".join(bedful_head(never))
    night = bedful_of(
        CopiedJob(bracket), bench(economy__staffed=["Mon-Sun 08:00-08:30"], machine__bed_mm=[400, 500, 235])
    )
    assert night.most_fit > 52
    assert f"{night.by_parts.copies} last from closing to opening" in "\n".join(bedful_head(night))


def test_nothing_of_the_cost_is_given(bracket: PreparedJob) -> None:
    found = bedful_of(CopiedJob(bracket), load_machine("middling"))
    assert found.by_cost is None or found.by_cost.part_cost > 0.0
    assert found.costs_not_given
