"""What budgets allow an axis, by hand, and which filter is taken where a file leaves its frequency or damping out."""

from __future__ import annotations

import math
from typing import Any

import pytest

from kinematics.errors import InputError
from kinematics.gcode.moves import PRINT
from kinematics.limits import columns as by
from kinematics.limits.classes import MoveClass
from kinematics.limits.combine import limits_of
from kinematics.limits.vibration import NOTHING_BOUND, axis_quality, filter_of_axis
from kinematics.machine import Machine

ROUNDING = 1e-12  # relative
MODE = {"frequency_hz": 50.0, "damping_ratio": 0.0}


def machine(**settings: Any) -> Machine:
    """A machine with what is told; two underscores stand for the dot of a key."""
    return Machine().with_settings({key.replace("__", "."): value for key, value in settings.items()})


def test_a_filter_is_that_of_the_first_mode_where_nothing_else_is_told() -> None:
    modes = [{"frequency_hz": 48.0, "damping_ratio": 0.07}, {"frequency_hz": 90.0, "damping_ratio": 0.2}]
    told = machine(vibration__x__filter="ZVD", vibration__x__modes=modes)
    assert filter_of_axis(told.vibration.x, "x") == ("ZVD", 48.0, 0.07)
    told = told.with_settings({"vibration.x.filter_frequency_hz": 51.0})
    assert filter_of_axis(told.vibration.x, "x") == ("ZVD", 51.0, 0.07)
    told = told.with_settings({"vibration.x.filter_damping_ratio": 0.0})
    assert filter_of_axis(told.vibration.x, "x") == ("ZVD", 51.0, 0.0)
    alone = machine(vibration__y__filter="ZV", vibration__y__filter_frequency_hz=33.0)
    assert filter_of_axis(alone.vibration.y, "y") == ("ZV", 33.0, 0.0)
    assert filter_of_axis(Machine().vibration.x, "x")[0] == "none"


def test_a_filter_without_a_frequency_is_refused() -> None:
    told = machine(vibration__y__filter="EI")
    with pytest.raises(InputError) as caught:
        axis_quality(told, "y")
    expected = (
        'vibration.y.filter: "EI" is named without a frequency; '
        "allowed: vibration.y.filter_frequency_hz, or a mode of the axis"
    )
    assert str(caught.value) == expected
    assert axis_quality(told, "x") == NOTHING_BOUND
    with pytest.raises(InputError):
        limits_of(told, [MoveClass(PRINT, False)])


def test_budgets_by_hand_with_a_filter() -> None:
    """ZV, undamped, 50 Hz: impulses of 1/2 at 0 and 10 ms: σ = 5 ms, M = 5 ms (N. Singer, W. Seering, 1990).

    ε = 0.1 mm: a = 2·0.5·0.1/25e-6 = 4000 mm/s²; corners Δv = 0.5·0.1/(5e-3/2) = 20 mm/s. It cancels its own mode, so
    nothing rings.
    """
    told = machine(vibration__x__filter="ZV", vibration__x__modes=[MODE], quality__rounding_budget_mm=0.1)
    found = axis_quality(told, "x")
    assert found.ramp_rounding == pytest.approx(4000.0, rel=ROUNDING)
    assert found.corner_rounding == pytest.approx(20.0, rel=ROUNDING)
    assert found.ramp_ringing == found.step_ringing == math.inf
    split = axis_quality(told.with_settings({"quality.rounding_split": 0.25}), "x")
    assert split.ramp_rounding == pytest.approx(2000.0, rel=ROUNDING)
    assert split.corner_rounding == pytest.approx(30.0, rel=ROUNDING)
    rings = axis_quality(told.with_settings({"quality.ringing_budget_mm": 0.02}), "x")
    assert min(rings.ramp_ringing, rings.step_ringing) > 1e12  # what rounding leaves of nothing


def test_budgets_by_hand_without_a_filter() -> None:
    """V = 1, ω = 100π: a = ρ·ω²/2 = 0.02·98696/2 = 986.96 mm/s², Δv = ρ·ω = 6.283 mm/s."""
    told = machine(vibration__x__modes=[MODE], quality__ringing_budget_mm=0.02, quality__rounding_budget_mm=0.1)
    found = axis_quality(told, "x")
    assert found.ramp_ringing == pytest.approx(0.01 * (100.0 * math.pi) ** 2, rel=ROUNDING)
    assert found.step_ringing == pytest.approx(2.0 * math.pi, rel=ROUNDING)
    assert found.ramp_rounding == found.corner_rounding == math.inf


@pytest.mark.parametrize("name", ["none", "ZV", "ZVD", "ZVDD", "EI", "two-hump-EI", "three-hump-EI"])
def test_everything_is_proportional_to_its_budget(name: str) -> None:
    mode = {"frequency_hz": 47.0, "damping_ratio": 0.08, "frequency_uncertainty_share": 0.15}
    told = machine(vibration__x__filter=name, vibration__x__filter_frequency_hz=50.0, vibration__x__modes=[mode])
    small, large = (
        axis_quality(
            told.with_settings({"quality.rounding_budget_mm": budget, "quality.ringing_budget_mm": budget}), "x"
        )
        for budget in (0.02, 0.06)
    )
    assert list(large) == pytest.approx([3.0 * value for value in small], rel=ROUNDING)
    assert math.isinf(small.ramp_rounding) == (name == "none")


def test_what_is_allowed_stands_in_the_table_with_its_key() -> None:
    """Lower than the axis's own: the budget's key; else the axis's."""
    told = machine(
        vibration__x__modes=[MODE],
        vibration__y__filter="ZV",
        vibration__y__filter_frequency_hz=50.0,
        quality__ringing_budget_mm=0.02,
        quality__rounding_budget_mm=0.1,
        axes__x__max_acceleration_mm_s2=5000.0,
        axes__y__max_acceleration_mm_s2=3000.0,
    )
    limits = limits_of(told, [MoveClass(PRINT, False)])
    (row,) = limits.values
    assert row[by.X_RAMP] == pytest.approx(0.01 * (100.0 * math.pi) ** 2)
    assert row[by.Y_RAMP] == 3000.0
    assert row[by.X_KICK] == pytest.approx(2.0 * math.pi)
    assert row[by.X_SWING] == pytest.approx(0.02 * (100.0 * math.pi) ** 2)
    assert math.isinf(row[by.X_SWING_ADDED])
    assert math.isinf(row[by.X_STEP])  # a budget permits no step
    assert row[by.ROUNDING] == pytest.approx(0.05)
    assert row[by.ROUNDING_RAMP] == pytest.approx(0.1)
    assert math.isinf(row[by.Y_KICK])
    origins = {column: key for (_, column), key in limits.origins.items()}
    assert origins[by.X_RAMP] == origins[by.X_KICK] == "quality.ringing_budget_mm"
    assert origins[by.Y_RAMP] == "axes.y.max_acceleration_mm_s2"
    assert origins[by.ROUNDING] == origins[by.ROUNDING_RAMP] == "quality.rounding_budget_mm"
    assert {"quality.ringing_budget_mm", "quality.rounding_budget_mm"} <= limits.keys
