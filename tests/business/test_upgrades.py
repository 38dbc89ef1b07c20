"""Upgrades alone, together and in order: hand cases, and what no combination may break."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from kinematics.business.upgrades import Upgrades, upgrades_prepared
from kinematics.errors import InputError
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine import Machine, Upgrade
from kinematics.reports.documents import upgrades_document
from kinematics.reports.upgrades import upgrade_head, upgrade_notes, upgrade_rows, verdict_lines
from kinematics.studies.estimate import estimate_prepared
from kinematics.studies.intervals import Sampling
from tests.jobs.conftest import job_of

A_CENT = 0.01
SAME_SECONDS = 1e-9
# Sixty metres at 50 mm/s: twenty minutes, but for ramps of a few hundredths of a second.
LONG_LINE = "G1 X60000 E100 F3000\n"
# Corner after corner, two millimetres apart.
CORNERS = "".join(f"G1 X{i % 2 * 2} Y{i * 2} E{i * 0.01:.2f} F6000\n" for i in range(1, 200))
SAMPLE = CORNERS + "G1 X150 E30\nG1 X0 Y0 F9000\n" + CORNERS.replace("F6000", "F1500")


def machine_with(upgrades: list[Upgrade], **settings: object) -> Machine:
    """A machine with upgrades; two underscores stand for the dot of a key."""
    tables = {"upgrade": [{"name": one.name, "set": one.set, "price": one.price, "fitting_hours": one.fitting_hours}
                          for one in upgrades]}  # fmt: skip
    plain = Machine(**tables)
    return plain.with_settings({key.replace("__", "."): value for key, value in settings.items()})


def weighed(text: str, machine: Machine, per_month: float = 300.0) -> Upgrades:
    """The upgrades of a machine on one job."""
    return upgrades_prepared([PreparedJob(job_of(text))], machine, [per_month])


def total_of(text: str, machine: Machine, settings: Mapping[str, Any]) -> float:
    """What an estimate says of a job under settings."""
    return estimate_prepared([PreparedJob(job_of(text))], machine.with_settings(settings), changes=False).total_s


def test_four_minutes_of_three_hundred_jobs() -> None:
    # 20 -> 16 min, 300 a month, .90 an hour: 20 h and 18 a month; 500/18 = 27.78 months.
    machine = machine_with(
        [Upgrade("faster", {"motion.feed_override": 1.25}, price=500.0)],
        motion__print_acceleration_mm_s2=1e6, economy__machine_cost_per_hour=0.9,
    )  # fmt: skip
    (found,) = weighed(LONG_LINE, machine).alone
    assert found.saved_per_month_s == pytest.approx(300 * 240.0, abs=0.1)
    assert found.saving == pytest.approx(18.0, abs=1e-4)
    assert found.payback.months == pytest.approx(27.7778, abs=1e-3)
    # 36 months return 500 at 500/36 a month: 231.5 prints.
    assert found.pays_from == pytest.approx(300 * 500.0 / (36 * 18.0), abs=0.01)


def test_hours_and_money_both_hold_the_prints_that_fail() -> None:
    # Every fifth print fails: 375 prints for 300 good ones. 20 -> 16 min, .90 an hour: 25 h and 22.50 a month.
    machine = machine_with(
        [Upgrade("faster", {"motion.feed_override": 1.25}, price=500.0)],
        motion__print_acceleration_mm_s2=1e6, economy__machine_cost_per_hour=0.9, economy__failed_share=0.2,
    )  # fmt: skip
    found = weighed(LONG_LINE, machine)
    (option,) = found.alone
    assert option.saved_per_month_s == pytest.approx(375 * 240.0, abs=0.1)
    assert option.saved_share_per_month == pytest.approx(0.2, abs=1e-5)
    assert option.saving == pytest.approx(22.5, abs=1e-4)
    assert option.saving == pytest.approx(option.saved_per_month_s / 3600.0 * 0.9)
    assert option.jobs[0].per_month == 300.0
    assert math.fsum(cause.seconds for cause in found.causes) == pytest.approx(375 * 1200.0, abs=30.0)
    assert upgrade_head(found, False)[1:] == [
        "  a saved hour of the machine counts as 0.90, "
        "energy left out (economy.power_w, economy.price_per_kwh not given)",
        "  20% of prints fail and are printed again: hours and money include it",
    ]


def test_fewer_failures_save_hours_too() -> None:
    # From every fifth to every tenth: 375 - 333.3 prints of twenty minutes.
    machine = machine_with(
        [Upgrade("warm box", {"economy.failed_share": 0.1}, price=100.0)],
        motion__print_acceleration_mm_s2=1e6, economy__machine_cost_per_hour=0.9, economy__failed_share=0.2,
    )  # fmt: skip
    (option,) = weighed(LONG_LINE, machine).alone
    assert option.saved_s == 0.0
    assert option.saved_per_month_s == pytest.approx((300 / 0.8 - 300 / 0.9) * 1200.0, rel=1e-4)
    assert option.saving == pytest.approx(option.saved_per_month_s / 3600.0 * 0.9)


def test_the_order_tells_what_is_worth_doing_from_what_is_not() -> None:
    # 18 a month for 500 (27.8 months), and 14.40 more on top for 1000: 69 months, of 36.
    machine = machine_with(
        [
            Upgrade("faster", {"motion.feed_override": 1.25}, price=500.0),
            Upgrade("cheap hours", {"economy.machine_cost_per_hour": 0.72}, price=1000.0),
        ],
        motion__print_acceleration_mm_s2=1e6, economy__machine_cost_per_hour=0.9,
    )  # fmt: skip
    found = weighed(LONG_LINE, machine)
    lines = upgrade_notes(found, False)
    assert lines[:4] == [
        "worth doing within the 3-year service life, each on top of the ones before:",
        "  1. A faster: 500.00 in all, saves 18.00 a month more, pays back in 2.3 years",
        "not worth it within the 3-year service life:",
        "  2. B cheap hours: 1,000.00 in all, saves 14.40 a month more, pays back in 5.8 years",
    ]
    assert [step["within_service_life"] for step in upgrades_document(found, False)["best_order"]] == [True, False]
    longer = machine.with_settings({"economy.service_years": 6})
    assert not any("not worth it" in line for line in upgrade_notes(weighed(LONG_LINE, longer), False))
    # The other way round: nothing is worth doing, and the list says so from the first line on.
    assert upgrade_notes(weighed(LONG_LINE, machine, 3.0), False)[0] == "not worth it within the 3-year service life:"


def test_what_is_not_given_stands_beside_the_number_that_it_spoils() -> None:
    upgrades = [Upgrade("faster", {"speed": 2.0}, price=10.0, fitting_hours=2.0)]
    found = weighed(SAMPLE, machine_with(upgrades))
    assert upgrade_rows(found, False)[0][-2:] == ("unknown", "unknown")
    head, notes = upgrade_head(found, True), upgrade_notes(found, True)
    assert "  what a saved hour of the machine is worth is unknown: give economy.machine_cost_per_hour" in head
    assert "  prints that fail are left out (economy.failed_share not given)" in head
    assert notes[0] == "best order: unknown, as long as nobody says what an hour of the machine costs"
    assert not any("never" in line for line in notes)
    energy = weighed(SAMPLE, machine_with(upgrades, economy__power_w=1e5, economy__price_per_kwh=1.0))
    assert any("counts as 100.00, wear left out (economy.machine_cost" in line for line in upgrade_head(energy, True))
    assert "10.00 and 2 h of work left out (economy.labour_cost_per_hour not given)" in upgrade_notes(energy, True)[1]
    (cost,) = [line for line in upgrade_notes(energy, True) if line.startswith("as it is, a month's prints cost")]
    assert "without machine, labour, failed prints, filament (economy.machine_cost_per_hour, " in cost


def test_the_value_says_when_savings_count_and_what_it_needs() -> None:
    machine = machine_with([Upgrade("faster", {"speed": 2.0}, price=10.0)], economy__machine_cost_per_hour=1)
    told = "\n".join(upgrade_notes(weighed(SAMPLE, machine), True))
    assert "service life (economy.service_years): a year's saving counts at the end of that year" in told
    assert "\n  npv needs a discount rate: economy.discount_rate is not given\n" in told
    rated = machine.with_settings({"economy.discount_rate": 0.05})
    assert "\n  npv at 5.0% a year (economy.discount_rate)\n" in "\n".join(upgrade_notes(weighed(SAMPLE, rated), True))


def test_fitting_is_labour_and_labour_saved_is_money() -> None:
    machine = machine_with(
        [Upgrade("tray", {"economy.turnaround_min": 2}, fitting_hours=3.0)],
        economy__labour_cost_per_hour=18.0, economy__turnaround_min=6.0,
    )  # fmt: skip
    (found,) = weighed(LONG_LINE, machine, 100.0).alone
    assert found.investment == pytest.approx(54.0)
    assert found.saving == pytest.approx(100 * 4 / 60 * 18.0)  # 120 a month
    assert found.saved_s == 0.0
    assert "does nothing" not in " ".join(verdict_lines(found, weighed(LONG_LINE, machine, 100.0)))


def test_saved_seconds_are_the_difference_of_two_estimates() -> None:
    settings = {"acceleration": 4000, "corner": 0.2}
    machine = machine_with([Upgrade("one", settings), Upgrade("two", {"speed": 2.0})], economy__machine_cost_per_hour=1)
    found = weighed(SAMPLE, machine)
    both = {**settings, "speed": 2.0}
    for name, change in (("one", settings), ("two", {"speed": 2.0}), ("one + two", both)):
        (option,) = [option for option in (*found.alone, *found.together) if option.name == name]
        by_hand = total_of(SAMPLE, machine, {}) - total_of(SAMPLE, machine, change)
        assert option.saved_s == pytest.approx(by_hand, abs=SAME_SECONDS)
        assert option.saved_per_month_s == pytest.approx(300 * by_hand, abs=1e-6)


def test_limits_stated_in_the_job_hold_as_in_an_estimate_and_it_says_so() -> None:
    text = "M204 P500\n" + SAMPLE
    machine = machine_with([Upgrade("one", {"acceleration": 4000})], economy__machine_cost_per_hour=1)
    found = weighed(text, machine)
    assert found.alone[0].saved_s == total_of(text, machine, {}) - total_of(text, machine, {"acceleration": 4000})
    assert found.held == {"one": 1}
    assert any("--file-limits ignore" in line for line in upgrade_notes(found, False))


def test_a_melt_zone_does_nothing_for_a_job_that_corners_hold() -> None:
    machine = machine_with(
        [Upgrade("larger melt zone", {"flow": 22}, price=68)],
        hotend__max_flow_mm3_s=10,
        economy__machine_cost_per_hour=1,
    )
    found = weighed(CORNERS, machine)
    (option,) = found.alone
    assert option.saved_s == pytest.approx(0.0, abs=SAME_SECONDS)
    assert option.payback.months == math.inf
    assert found.causes[0].cause in ("corners", "short lines: acceleration")
    (line,) = verdict_lines(option, found)
    assert line.startswith(
        f"larger melt zone does nothing for these jobs: they are held back by {found.causes[0].cause} ("
    )
    assert found.order == ()
    assert found.by_budget == ()
    assert "none of them" in upgrade_notes(found, False)[0]


def test_two_that_only_bring_something_together_are_one_step() -> None:
    # The file asks for 50 mm/s, and the hotend melts just that: neither alone is any faster.
    flow = 100 / 60000 * 50 * math.pi * 1.75**2 / 4
    machine = machine_with(
        [Upgrade("melt", {"flow": 2 * flow}, price=60), Upgrade("prepared faster", {"speed": 2.0}, fitting_hours=1.0)],
        hotend__max_flow_mm3_s=flow, economy__machine_cost_per_hour=1, economy__labour_cost_per_hour=20,
    )  # fmt: skip
    found = weighed(LONG_LINE, machine)
    assert [step.upgrades for step in found.order] == [("melt", "prepared faster")]
    assert found.order[0].investment == pytest.approx(80.0)
    assert found.order[0].saving == pytest.approx(300 * 10 / 60, abs=A_CENT)
    assert "helps only together: melt + prepared faster" in verdict_lines(found.alone[0], found)[0]


def test_what_sets_the_same_thing_is_not_combined() -> None:
    machine = machine_with(
        [
            Upgrade("4000", {"acceleration": 4000}),
            Upgrade("6000", {"acceleration": 6000}),
            Upgrade("corner", {"corner": 1}),
        ],
        economy__machine_cost_per_hour=1,
    )
    found = weighed(SAMPLE, machine)
    assert found.not_combined == (("4000", "6000"),)
    assert all(not {"4000", "6000"} <= set(option.upgrades) for option in found.together)


@pytest.mark.parametrize("seed", range(8))
def test_no_budget_buys_less_together_than_alone(seed: int) -> None:
    draw = np.random.default_rng(seed)
    kinds = [
        {"acceleration": float(draw.uniform(300, 6000))},
        {"corner": float(draw.uniform(0.01, 0.5))},
        {"speed": float(draw.uniform(0.7, 2.0))},
        {"flow": float(draw.uniform(1.0, 30.0))},
        {"motion.travel_acceleration_mm_s2": float(draw.uniform(300, 6000))},
    ]
    upgrades = [Upgrade(f"u{i}", kind, price=float(draw.uniform(0, 300))) for i, kind in enumerate(kinds)]
    machine = machine_with(upgrades, hotend__max_flow_mm3_s=3.0, economy__machine_cost_per_hour=0.6)
    found = weighed(SAMPLE, machine)
    for single in found.alone:
        affordable = [option.saving for option in found.by_budget if option.investment <= single.investment]
        assert max(affordable, default=0.0) >= single.saving - 1e-4 * found.cost
    spent = [option.investment for option in found.by_budget]
    assert spent == sorted(spent)
    # Every step of the order adds; the last set is the best there is, but for what is not worth a step.
    assert all(step.saving > 0.0 for step in found.order)
    whole = math.fsum(step.saving for step in found.order)
    best = max((option.saving for option in found.by_budget), default=0.0)
    assert whole == pytest.approx(best, abs=2e-3 * best + 1e-4 * found.cost)
    months = [option.payback.months for option in found.alone]
    assert months == sorted(months)


def test_a_machine_without_upgrades_is_refused() -> None:
    with pytest.raises(InputError, match="no upgrades"):
        weighed(LONG_LINE, Machine())


def test_the_same_from_python() -> None:
    import kinematics

    machine = machine_with([Upgrade("one", {"speed": 2.0}, price=10)], economy__machine_cost_per_hour=1)
    found = kinematics.upgrades(job_of(SAMPLE), machine, per_month=300)
    assert found.alone == weighed(SAMPLE, machine).alone
    assert list(found.to_frame()["upgrade"]) == ["one"]
    assert repr(found).startswith("<Upgrades on unnamed: <Option one: saves ")
    assert kinematics.upgrades(job_of(SAMPLE), machine).prints[0][1] == 30.0
    with pytest.raises(InputError, match="2 numbers for 1 jobs"):
        kinematics.upgrades(job_of(SAMPLE), machine, [1, 2])


def ranged_machine() -> Machine:
    """A machine whose hour costs between half and twice what is likely."""
    return machine_with(
        [Upgrade("faster", {"motion.feed_override": 1.25}, price=500.0)],
        motion__print_acceleration_mm_s2=1e6,
        economy__machine_cost_per_hour={"low": 0.45, "likely": 0.9, "high": 1.8},
    )


def test_a_range_of_the_hours_cost_becomes_one_of_the_payback() -> None:
    # Twenty hours a month saved: the saving is twenty times the hour, and the payback 500 over that. Quantiles of the
    # triangular distribution by hand: 0.45 + √(0.025·1.35·0.45) and 1.8 − √(0.025·1.35·0.9).
    sampling = Sampling(draws=4000)  # so that a tail holds a hundred draws: its end is known to a part in a thousand
    found = upgrades_prepared([PreparedJob(job_of(LONG_LINE))], ranged_machine(), [300.0], sampling=sampling)
    assert found.sampling == sampling
    known = found.alone[0].known
    assert known is not None
    low, high = 0.45 + math.sqrt(0.025 * 1.35 * 0.45), 1.8 - math.sqrt(0.025 * 1.35 * 0.9)
    assert known.saving == pytest.approx((20.0 * low, 20.0 * high), rel=1e-3)
    assert known.months == pytest.approx((25.0 / high, 25.0 / low), rel=1e-3)
    assert known.months.low < found.alone[0].payback.months < known.months.high
    assert any("95 % of 4,000 draws" in line for line in upgrade_notes(found, detail=False))
    assert " to " in upgrade_rows(found, detail=False)[0][-1]


def test_a_payback_that_may_never_come_says_so() -> None:
    # The upgrade draws more power: where the hour costs little, it costs more than it saves.
    machine = machine_with(
        [Upgrade("faster", {"motion.feed_override": 1.25, "economy.power_w": 1000.0}, price=500.0)],
        motion__print_acceleration_mm_s2=1e6,
        economy__price_per_kwh=1.0,
        economy__machine_cost_per_hour={"low": 1.0, "likely": 5.0, "high": 9.0},
    )
    found = weighed(LONG_LINE, machine)
    known = found.alone[0].known
    assert known is not None
    assert known.saving.low < 0.0 < known.saving.high
    assert known.months.high == math.inf
    assert upgrade_rows(found, detail=False)[0][-1].endswith("to never)")
    (row,) = upgrades_document(found, assumed=False)["rows"]
    assert row["payback_interval_months"] == [known.months.low, None]


def test_without_ranges_nothing_is_drawn() -> None:
    found = weighed(LONG_LINE, machine_with([Upgrade("faster", {"motion.feed_override": 1.25}, price=500.0)]))
    assert found.sampling is None
    assert found.alone[0].known is None
    assert "draws" not in upgrades_document(found, assumed=False)
