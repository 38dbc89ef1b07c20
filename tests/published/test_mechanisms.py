"""Crossed belts and linear deltas against published and hand-computed numbers.

Belts: A = x + y, B = x − y, the matrix of university courses on such drives (one course page read; E. Ida, F. Nanetti,
G. Mottola, Machines 10:542, 2022, abstract read). With equal belts' limits the tool's speed is 1 : 0.70711 : 1 at 0°,
45° and 90°, and 1/(cos 30° + sin 30°) = 0.73205 at 30°.

Delta: carriage = z + √(L² − (x − X)² − (y − Y)²) (R. L. Williams II, The Delta Parallel Robot: Kinematics Solutions,
Ohio University, 2015, abstract read; the formula from the page of a delta project). The numbers below, towers at 210°,
330° and 90°, R = 125 mm, L = 250 mm, were computed from it beforehand, their Jacobian by finite differences.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.machine.mechanisms import Cartesian, CrossedBelt, LinearDelta

PRINTED = 5e-6  # mm, of five decimals
FOUR_DECIMALS = 5.1e-5
DIFFERENCES = 1e-6  # relative, of finite differences

DELTA = LinearDelta(250.0, 125.0, (math.radians(210.0), math.radians(330.0), math.radians(90.0)))

# Tool place; carriages (mm); tool speed at a unit limit of every carriage, along 0°, 45° and 90°.
DELTA_TABLE = [
    ((0.0, 0.0, 0.0), (216.50635, 216.50635, 216.50635), (2.0000, 1.7932, 1.7321)),
    ((60.0, 0.0, 10.0), (184.02477, 247.20325, 218.02644), (1.0343, 1.0665, 1.6642)),
    ((0.0, 80.0, 0.0), (174.57090, 174.57090, 245.91665), (1.6126, 0.9846, 1.2251)),
]


def along(degrees: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A direction in the plane."""
    return np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees)), 0.0])


@pytest.mark.parametrize(("place", "carriages", "speeds"), DELTA_TABLE)
def test_carriages_and_speeds_of_a_delta(
    place: tuple[float, ...], carriages: tuple[float, ...], speeds: tuple[float, ...]
) -> None:
    at = np.array(place)
    assert DELTA.positions(at) == pytest.approx(np.array(carriages), abs=PRINTED)
    for degrees, speed in zip((0.0, 45.0, 90.0), speeds, strict=True):
        fastest = np.abs(DELTA.motor_speeds(along(degrees), at)).max()
        assert 1.0 / fastest == pytest.approx(speed, abs=FOUR_DECIMALS)


@pytest.mark.parametrize("mechanism", [Cartesian(), CrossedBelt(), DELTA])
@pytest.mark.parametrize("place", [place for place, *_ in DELTA_TABLE])
@pytest.mark.parametrize("direction", [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (0.6, -0.48, 0.64)])
def test_the_jacobian_is_the_derivative_of_the_positions(
    mechanism: Cartesian | CrossedBelt | LinearDelta, place: tuple[float, ...], direction: tuple[float, ...]
) -> None:
    at, u, step = np.array(place), np.array(direction), 1e-4
    difference = (mechanism.positions(at + step * u) - mechanism.positions(at - step * u)) / (2.0 * step)
    assert mechanism.motor_speeds(u, at) == pytest.approx(difference, rel=DIFFERENCES, abs=DIFFERENCES)


@pytest.mark.parametrize(("degrees", "speed"), [(0, 1.0), (30, 0.73205), (45, 0.70711), (90, 1.0), (135, 0.70711)])
def test_speeds_of_a_crossed_belt(degrees: float, speed: float) -> None:
    fastest = np.abs(CrossedBelt().motor_speeds(along(degrees), np.zeros(3))).max()
    assert 1.0 / fastest == pytest.approx(speed, abs=PRINTED)


def test_belts_at_a_place() -> None:
    """[A; B] = [[1, 1], [1, −1]]·[x; y] by hand."""
    assert CrossedBelt().positions(np.array([30.0, 10.0, 5.0])).tolist() == [40.0, 20.0, 5.0]


def test_reach() -> None:
    """The tower at (0, 125) reaches 250 mm down its own ray: 125 mm beyond the middle."""
    far = np.array([[0.0, 0.0, 0.0], [-124.9, -125.1, 0.0], [0.0, 0.0, 0.0]])
    assert DELTA.reaches(far).tolist() == [True, False, True]
    assert np.isnan(DELTA.positions(far)[2, 1])
