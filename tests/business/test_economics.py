"""Costs and investments against values worked by hand and the documentation of numpy-financial."""

from __future__ import annotations

import math

import numpy_financial
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.business.economics import (
    costs_not_given,
    machine_hour_cost,
    part_cost,
    payback,
    wear_per_hour,
)
from kinematics.limits.flow import filament_mass
from kinematics.machine import Machine

SIX_PLACES = 1e-6
AS_DOCUMENTED = 5e-6  # the documentation prints five digits
HALF_A_CENT = 0.005
MONEY = st.floats(0.01, 1e5)


def machine_with(**economy: object) -> Machine:
    """A machine of which only the economy is known."""
    return Machine().with_settings({f"economy.{key}": value for key, value in economy.items()})


@pytest.mark.parametrize(
    ("flows", "rate", "tolerance"),
    [
        # numpy-financial 1.0, documentation of irr, section Examples
        ([-100, 39, 59, 55, 20], 0.28095, AS_DOCUMENTED),
        ([-100, 0, 0, 74], -0.0955, 5e-5),
        ([-100, 100, 0, -7], -0.0833, 5e-5),
        ([-250000, 100000, 150000, 200000, 250000, 300000], 0.5672303, AS_DOCUMENTED),
    ],
)
def test_the_library_that_is_installed_gives_what_its_documentation_says(
    flows: list[float], rate: float, tolerance: float
) -> None:
    assert numpy_financial.irr(flows) == pytest.approx(rate, abs=tolerance)


def test_an_upgrade_over_four_years() -> None:
    # By hand: 500/200 years; -500 + 200·(1 − 1.08^-4)/0.08; the rate by bisection of the same sum.
    found = payback(500.0, 200.0 / 12.0, 4, 0.08)
    assert found.months / 12.0 == pytest.approx(2.5, abs=SIX_PLACES)
    assert found.npv == pytest.approx(162.425368, abs=SIX_PLACES)
    assert found.irr == pytest.approx(0.21862268, abs=SIX_PLACES)


def test_a_few_minutes_of_three_hundred_jobs() -> None:
    # 300 jobs a month, 20 -> 16 min, .90 an hour: 20 hours, 18 a month; 500/18 months.
    machine = machine_with(machine_cost_per_hour=0.9)
    saving = 300 * (part_cost(machine, 20 * 60.0, None).total - part_cost(machine, 16 * 60.0, None).total)
    assert saving == pytest.approx(18.0, abs=SIX_PLACES)
    assert payback(500.0, saving, 3, None).months == pytest.approx(27.777778, abs=SIX_PLACES)


def test_a_machine_hour_from_its_price() -> None:
    # 900 over 3 years of 3000 h: .100; 150 a year: .050; .12 kW at .30: .036
    machine = machine_with(
        machine_price=900, machine_years=3, machine_hours_per_year=3000, upkeep_per_year=150, power_w=120,
        price_per_kwh=0.3,
    )  # fmt: skip
    assert machine_hour_cost(machine.economy) == pytest.approx(0.186, abs=SIX_PLACES)
    told = machine.with_settings({"economy.machine_cost_per_hour": 0.6})
    assert machine_hour_cost(told.economy) == pytest.approx(0.636, abs=SIX_PLACES)
    assert wear_per_hour(machine_with(machine_price=900).economy) is None


def test_a_part_by_hand() -> None:
    # Two hours, 50 g, every fifth print fails: 1.25 prints a part.
    machine = machine_with(
        failed_share=0.2, machine_cost_per_hour=0.6, labour_cost_per_hour=18, turnaround_min=6, power_w=120,
        price_per_kwh=0.3,
    ).with_settings({"filament.price_per_kg": 22})  # fmt: skip
    cost = part_cost(machine, 7200.0, 50.0)
    assert cost.filament == pytest.approx(1.25 * 0.05 * 22, abs=SIX_PLACES)
    assert cost.energy == pytest.approx(1.25 * 2 * 0.036, abs=SIX_PLACES)
    assert cost.machine == pytest.approx(1.25 * 2 * 0.6, abs=SIX_PLACES)
    assert cost.labour == pytest.approx(1.25 * 0.1 * 18, abs=SIX_PLACES)
    assert cost.total == pytest.approx(1.375 + 0.09 + 1.5 + 2.25, abs=SIX_PLACES)


def test_what_is_not_given_is_named() -> None:
    assert "economy.machine_cost_per_hour" in costs_not_given(Machine())
    known = machine_with(machine_price=900, machine_years=3, machine_hours_per_year=3000)
    assert "economy.machine_cost_per_hour" not in costs_not_given(known)
    assert "economy.power_w" in costs_not_given(known)
    assert filament_mass(Machine(), 1000.0) is None
    # A metre of 1.75 mm at 1.24 g/cm³: π/4·1.75²·1000/1000·1.24 g
    dense = Machine().with_settings({"filament.density_g_cm3": 1.24})
    assert filament_mass(dense, 1000.0) == pytest.approx(2.982550, abs=SIX_PLACES)


@given(MONEY, MONEY, st.integers(1, 20), st.floats(-0.5, 1.0))
def test_npv_is_the_sum_of_discounted_savings_and_nothing_at_the_rate_of_return(
    investment: float, saving: float, years: int, rate: float
) -> None:
    found = payback(investment, saving, years, rate)
    by_hand = -investment + math.fsum(12 * saving / (1 + rate) ** year for year in range(1, years + 1))
    assert found.npv == pytest.approx(by_hand, rel=1e-9, abs=HALF_A_CENT)
    assert found.months == pytest.approx(investment / saving)
    if found.irr is not None:
        left = payback(investment, saving, years, found.irr).npv
        assert left == pytest.approx(0.0, abs=1e-6 * (investment + 12 * years * saving))
        assert (found.irr > 0) == (12 * years * saving > investment) or abs(found.irr) < SIX_PLACES


def test_what_never_pays() -> None:
    assert payback(100.0, 0.0, 3, 0.05) == (math.inf, -100.0, None)
    assert payback(100.0, -1.0, 3, None) == (math.inf, None, None)
    assert payback(0.0, -1.0, 3, None) == (math.inf, None, None)
    assert payback(0.0, 0.0, 3, None) == (0.0, None, None)
    assert payback(0.0, 5.0, 3, 0.0) == (0.0, 180.0, None)
