"""What the hotend melts: a number, or a table against the temperature of the nozzle."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.limits.flow import Flow, filament_area, filament_mass, filament_speed_by_flow, flow_at
from kinematics.machine import Machine

ROUNDING = 1e-12  # relative
TABLE = ((200.0, 9.0), (220.0, 12.0), (250.0, 13.5))


def naive_flow(table: tuple[tuple[float, float], ...], temperature: float) -> float:
    """The flow by the share of each of the two rows around a temperature."""
    below = [row for row in table if row[0] <= temperature]
    above = [row for row in table if row[0] >= temperature]
    if not below or not above:
        return (above or below)[0 if above else -1][1]
    (t0, q0), (t1, q1) = below[-1], above[0]
    return q0 if t0 == t1 else q0 * (t1 - temperature) / (t1 - t0) + q1 * (temperature - t0) / (t1 - t0)


@pytest.mark.parametrize(
    ("temperature", "most", "held"),
    [
        (200.0, 9.0, False),
        (205.0, 9.75, False),  # by hand: a quarter of the way from 9 to 12
        (220.0, 12.0, False),
        (240.0, 13.0, False),
        (250.0, 13.5, False),
        (199.9, 9.0, True),
        (260.0, 13.5, True),
        (None, 9.0, True),
    ],
)
def test_a_table_is_linear_between_its_rows_and_held_at_its_ends(
    temperature: float | None, most: float, held: bool
) -> None:
    found = flow_at(TABLE, temperature)
    assert found.most == pytest.approx(most, rel=ROUNDING)
    assert found.held is held


def test_a_number_holds_at_any_temperature_and_nothing_is_no_limit() -> None:
    assert flow_at(11.0) == flow_at(11.0, 300.0) == Flow(11.0, False)
    assert flow_at(None, 200.0) == Flow(math.inf, False)


@settings(deadline=None)
@given(
    st.dictionaries(st.floats(-50.0, 400.0), st.floats(0.1, 50.0), min_size=1, max_size=5),
    st.floats(-100.0, 500.0),
)
def test_the_flow_is_that_of_the_rows_around_it(rows: dict[float, float], temperature: float) -> None:
    table = tuple(sorted(rows.items()))
    found = flow_at(table, temperature)
    assert found.most == pytest.approx(naive_flow(table, temperature), rel=1e-9)
    assert min(rows.values()) * (1.0 - ROUNDING) <= found.most <= max(rows.values()) * (1.0 + ROUNDING)
    assert found.held == (not table[0][0] <= temperature <= table[-1][0])


def test_the_speed_of_the_filament_is_flow_over_area() -> None:
    machine = Machine().with_settings({"flow": [[200, 9], [220, 12]]})
    assert filament_area(machine) == pytest.approx(2.4052819, abs=1e-6)  # a circle of 1.75 mm, by hand
    assert filament_speed_by_flow(machine, 210.0) == pytest.approx(10.5 / 2.405281875, rel=1e-9)
    assert filament_speed_by_flow(machine) == pytest.approx(9.0 / 2.405281875, rel=1e-9)
    assert filament_speed_by_flow(Machine()) == math.inf


def test_filament_weighs_length_times_area_times_density() -> None:
    """By hand: 2 m of 1.75 mm at 1.24 g/cm³ are 2000·2.4052819 mm³ = 4.8105638 cm³, 5.965099 g."""
    machine = Machine().with_settings({"filament.density_g_cm3": 1.24, "filament.diameter_mm": 1.75}, "test")
    assert filament_mass(machine, 2000.0) == pytest.approx(5.965099, abs=1e-6)
    assert filament_mass(Machine(), 2000.0) is None


def test_a_nozzle_without_a_temperature_counts_as_one_below_any_table() -> None:
    table = ((-20.0, 4.0), (220.0, 12.0))
    assert flow_at(table) == (4.0, True)
    assert flow_at(table, 100.0) == (8.0, False)
    assert flow_at(table, 230.0) == (12.0, True)
