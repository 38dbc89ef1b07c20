"""What is measured on proof prints, against hand cases and against chance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.proofs.plan import Bands
from kinematics.proofs.reading import (
    Weights,
    by_height,
    by_rate,
    by_ripple,
    by_weights,
    flow_settings,
    weights_from,
)
from kinematics.proofs.writing import Header

HEADER = Header(
    "acceleration", ("motion.print_acceleration_mm_s2",), "mm/s²", Bands(1000.0, 500.0, 5, 0.4, 5.0), 210.0, 60.0
)


def test_a_setting_that_rises_evenly_by_hand() -> None:
    """0.004 a millimetre, measured at 9 mm: 0.036, known to 0.0004 (common practice, no source)."""
    found = by_rate("filament.pressure_advance_s", "s", 0.004, 9.0)
    assert found.value == pytest.approx(0.036)
    assert (found.low, found.high) == (pytest.approx(0.0356), pytest.approx(0.0364))
    assert by_rate("filament.pressure_advance_s", "s", 0.004, 9.0, start=0.01).value == pytest.approx(0.046)


@pytest.mark.parametrize(
    ("height", "value", "low", "high", "safe"),
    [
        (3.0, 1000.0, 1000.0, 1000.0, None),
        (12.9, 2000.0, 2000.0, 2000.0, 1500.0),
        (10.42, 2000.0, 1500.0, 2000.0, 1500.0),  # the rib at 10.4 mm is within the uncertainty
        (10.35, 1500.0, 1500.0, 2000.0, 1000.0),
        (25.4, 3000.0, 2500.0 + 500.0, 3000.0, 2500.0),
    ],
)
def test_heights_tell_bands(height: float, value: float, low: float, high: float, safe: float | None) -> None:
    found = by_height(HEADER, height)
    assert (found.value, found.low, found.high, found.recommended) == (value, low, high, safe)


def test_ends_of_a_height_against_chance() -> None:
    """Heights that are off by up to 0.1 mm never give a band outside the ends, and reach both."""
    rng = np.random.default_rng(3)
    for height in rng.uniform(1.0, 25.0, 40):
        found = by_height(HEADER, float(height))
        drawn = [by_height(HEADER, float(one)).value for one in height + rng.uniform(-0.1, 0.1, 400)]
        assert min(drawn) >= found.low
        assert max(drawn) <= found.high
        assert {found.low, found.high} <= {*drawn, found.value} or found.high - found.low <= 500.0


@pytest.mark.parametrize("height", [0.0, -1.0, 26.0])
def test_heights_outside_the_print_are_told(height: float) -> None:
    with pytest.raises(InputError, match="is not on the print"):
        by_height(HEADER, height)


def test_nothing_that_rises_is_told() -> None:
    with pytest.raises(InputError, match="a step of 0"):
        by_rate("filament.pressure_advance_s", "s", 0.0, 9.0)
    with pytest.raises(InputError, match="no setting that rises with height"):
        by_height(HEADER._replace(kind="flow"), 9.0)


def test_ripples_by_hand() -> None:
    """120 mm/s and 3.1 mm between ripples: 38.7 Hz; over four of them the caliper's 0.1 mm counts a quarter."""
    found = by_ripple(3.1, 120.0)
    assert found.frequency == pytest.approx(120.0 / 3.1)
    assert (found.low, found.high) == (pytest.approx(120.0 / 3.2), pytest.approx(40.0))
    assert by_ripple(3.1, 120.0, ripples=4).high == pytest.approx(120.0 / 3.075)
    with pytest.raises(InputError, match="several ripples"):
        by_ripple(0.08, 120.0)


def pieces(short: float, noise: float, seed: int, nozzle: float | None = None) -> Weights:
    """Weights of 12 flows: level up to 70 % of the flow at which 5 % are missing, then falling."""
    rng = np.random.default_rng(seed)
    flow = np.linspace(4.0, 18.0, 12)
    bend = 0.7 * short
    weight = (
        1.8 * (1.0 - 0.05 * np.maximum(0.0, flow - bend) / (short - bend)) * (1.0 + noise * rng.standard_normal(12))
    )
    return Weights(tuple(flow), tuple(weight), (nozzle,) * 12, tuple(range(2, 14)))


def test_weights_without_noise_tell_the_flow() -> None:
    (found,) = by_weights(pieces(12.0, 0.0, 1), "w.csv")
    assert found.value == pytest.approx(12.0, rel=1e-6)


def test_intervals_of_weights_hold_the_truth() -> None:
    """A fit of three numbers to twelve weights: its interval of 95 % holds the truth in 88 to 100 % of 200 tries."""
    held = 0
    for seed in range(200):
        (found,) = by_weights(pieces(12.0, 0.004, seed), "w.csv")
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 12.0 <= found.high
    assert held >= 0.88 * 200


def test_temperatures_become_a_table() -> None:
    cool, warm = pieces(9.0, 0.0, 1, 200.0), pieces(13.0, 0.0, 1, 220.0)
    both = Weights(*(one + other for one, other in zip(cool, warm, strict=True)))
    readings = by_weights(both, "w.csv")
    assert [one.nozzle for one in readings] == [200.0, 220.0]
    assert flow_settings(readings, "w.csv") == {
        "hotend.max_flow_mm3_s": [[200.0, pytest.approx(9.0, rel=0.01)], [220.0, pytest.approx(13.0, rel=0.01)]]
    }


def test_weights_that_never_fall_short_are_told() -> None:
    readings = by_weights(pieces(40.0, 0.001, 1), "w.csv")
    assert readings[0].value is None
    with pytest.raises(InputError, match="the hotend's end was not found"):
        flow_settings(readings, "w.csv")


def test_weights_that_rise_are_told() -> None:
    level = pieces(40.0, 0.0, 1)
    with pytest.raises(InputError, match="weigh more the faster"):
        by_weights(level._replace(weight=tuple(1.5 + 0.05 * i for i in range(12))), "w.csv")


def test_every_row_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    path.write_text("flow_mm3_s,weight_g\n4,1.8\nfast,1.8\n6,0\n")
    with pytest.raises(InputError, match=r"(?s)w\.csv:3: flow_mm3_s is 'fast'.*w\.csv:4: weight_g is '0'"):
        weights_from(str(path))
    path.write_text("flow,weight_g\n4,1.8\n")
    with pytest.raises(InputError, match=r"w\.csv:1: no column flow_mm3_s"):
        weights_from(str(path))
    with pytest.raises(InputError, match="cannot be read"):
        weights_from(str(tmp_path / "none.csv"))
    path.write_text("flow_mm3_s,weight_g\n4,1.8\n6,1.8\n")
    with pytest.raises(InputError, match="2 different flows"):
        by_weights(weights_from(str(path)), "w.csv")
