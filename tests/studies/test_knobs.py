"""Values of knobs as a person would type them, and what a machine takes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from kinematics.machine import load_machine
from kinematics.studies.knobs import KnobRange, outwards, range_of, typed, unit_of_knob

# Written out by hand: what a person would type between 1 and 10.
LADDER = [
    *(round(1.0 + 0.1 * k, 1) for k in range(10)),
    *(round(2.0 + 0.2 * k, 1) for k in range(15)),
    *(round(5.0 + 0.5 * k, 1) for k in range(10)),
]


@pytest.mark.parametrize(
    ("value", "up", "down"),
    [
        (768.0, 800.0, 750.0),
        (1010.0, 1100.0, 1000.0),
        (1243.0, 1300.0, 1200.0),
        (2010.0, 2200.0, 2000.0),
        (4900.0, 5000.0, 4800.0),
        (9600.0, 10000.0, 9500.0),
        (0.0213, 0.022, 0.02),
        (0.3, 0.3, 0.3),
        (7.0, 7.0, 7.0),
        (1.96, 2.0, 1.9),
        (0.0, 0.0, 0.0),
        (-3.3, -3.3, -3.3),
    ],
)
def test_typed_values_by_hand(value: float, up: float, down: float) -> None:
    assert (typed(value, up=True), typed(value, up=False)) == (up, down)


@seed(30)
@settings(max_examples=300, deadline=None)
@given(st.floats(1e-9, 1e9).map(lambda value: float(f"{value:.6g}")))
def test_typed_values_against_the_ladder_written_out(value: float) -> None:
    ladder = [float(f"{step}e{exponent}") for exponent in range(-10, 10) for step in LADDER] + [1e10]
    up, down = typed(value, up=True), typed(value, up=False)
    assert up == min(step for step in ladder if step >= value * (1.0 - 1e-9))
    assert down == max(step for step in ladder if step <= value * (1.0 + 1e-9))
    assert value / 1.1000001 <= down <= up <= value * 1.1000001
    assert typed(up, up=True) == typed(up, up=False) == up
    assert math.isclose(float(f"{up:.2g}"), up)


@pytest.mark.parametrize(
    ("value", "digits", "up", "down"),
    [
        (1984.17, 4, 1985.0, 1984.0),
        (1.54154, 4, 1.542, 1.541),
        (123456.0, 2, 130000.0, 120000.0),
        (0.0618, 4, 0.0618, 0.0618),
        (-1.54154, 4, -1.541, -1.542),
        (9999.6, 4, 10000.0, 9999.0),
        (0.0, 4, 0.0, 0.0),
    ],
)
def test_fewer_digits_by_hand(value: float, digits: int, up: float, down: float) -> None:
    assert (outwards(value, digits, up=True), outwards(value, digits, up=False)) == (up, down)


@pytest.mark.parametrize(
    ("name", "known", "expected"),
    [
        ("acceleration", 1500.0, KnobRange(1e-9, 1e9, False)),
        ("cooling.shortest_layer_s", 8.0, KnobRange(0.0, 1e9, False)),
        ("motors.x.usable_torque_share", 0.5, KnobRange(1e-9, 1.0, False)),
        ("motion.lookahead_moves", 32.0, KnobRange(1.0, 1e9, True)),
    ],
)
def test_what_a_machine_takes(name: str, known: float, expected: KnobRange) -> None:
    assert range_of(load_machine("middling"), name, known) == expected


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("acceleration", "mm/s²"),
        ("speed", ""),
        ("corner", "mm"),
        ("flow", "mm³/s"),
        ("cooling.shortest_layer_s", "s"),
        ("motion.speed_step_mm_s.z", "mm/s"),
        ("motion.lookahead_moves", ""),
    ],
)
def test_units_of_knobs(name: str, unit: str) -> None:
    assert unit_of_knob(load_machine("middling"), name) == unit
