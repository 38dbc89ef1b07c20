"""What each motor has to move: against a balance of work, and published ratios of crossed belts."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from kinematics.limits.drive import Drives, drives_of
from kinematics.machine.keys import Axis, Motor
from kinematics.planner.ties import FRICTION, MASS, SHARE, motor_loads, worse_end

Reals = NDArray[np.float64]

ROUNDING = 1e-9  # relative
CARTESIAN = np.eye(3)[np.newaxis]
CROSSED = np.array([[[1.0, 1.0, 0.0], [1.0, -1.0, 0.0], [0.0, 0.0, 1.0]]])
TORQUE = ((0.0, 0.4), (1500.0, 0.2))
LIGHT_ROTOR = 1e-12  # kg·m²


def drives_under(
    jacobian: Reals, masses: tuple[float, ...], frictions: tuple[float, ...], rotor: float = LIGHT_ROTOR
) -> Drives:
    """Four motors alike on axes of these masses (kg) and frictions (N)."""
    axes = {
        name: Axis(moving_mass_kg=mass, friction_n=drag)
        for name, mass, drag in zip("xyze", masses, frictions, strict=True)
    }
    motor = Motor(torque_nm=TORQUE, mm_per_rev=40.0, rotor_inertia_kg_m2=rotor, usable_torque_share=1.0)
    return drives_of(dict.fromkeys("abce", motor), axes, np.linalg.inv(jacobian).T)


def directions(*degrees: float) -> Reals:
    """Unit directions in the plane, without filament."""
    turns = np.radians(degrees)
    return np.stack([np.cos(turns), np.sin(turns), np.zeros(turns.size), np.zeros(turns.size)])


def naive_loads(drives: Drives, direction: Reals, jacobian: Reals) -> list[tuple[float, float, float]]:
    """Per motor, forces that do the work of the tool's: each axis is pushed by itself, and the equations are solved."""
    speeds = jacobian @ direction[:3]
    rows = []
    pushed, dragged = np.zeros(3), np.zeros(3)
    for axis in range(3):
        unit = np.zeros(3)
        unit[axis] = 1.0  # motors that hold this axis against 1 N and every other against none
        pulls = np.linalg.solve(jacobian.T, unit)
        pushed += pulls * drives.masses[axis] * direction[axis]
        sign = 0.0 if abs(direction[axis]) < 1e-9 else math.copysign(1.0, direction[axis])
        dragged += pulls * drives.frictions[axis] * sign
    for place, motor in enumerate(drives.motors):
        if motor == 3:
            ratio = float(direction[3])
            rows.append(
                (
                    (drives.masses[3] + drives.rotors[place]) * abs(ratio),
                    drives.frictions[3] * (ratio != 0.0),
                    abs(ratio),
                )
            )
        else:
            force = pushed[motor] + drives.rotors[place] * speeds[motor]
            rows.append((abs(force), abs(dragged[motor]), abs(speeds[motor])))
    return rows


def random_jacobian(draw: random.Random) -> Reals:
    """A mechanism that is far from stuck: crossed, straight or skew."""
    while True:
        found = np.array([[draw.uniform(-1.5, 1.5) for _ in range(3)] for _ in range(3)])
        if abs(np.linalg.det(found)) > 0.3:
            return found


@settings(deadline=None)
@given(st.integers(0, 10**9))
def test_loads_balance_the_work_of_the_tool(seed: int) -> None:
    draw = random.Random(seed)
    jacobian = random_jacobian(draw)
    masses = tuple(draw.uniform(0.1, 3.0) for _ in range(4))
    frictions = tuple(draw.choice([0.0, draw.uniform(0.0, 3.0)]) for _ in range(4))
    drives = drives_under(jacobian, masses, frictions, draw.uniform(1e-7, 1e-5))
    moves = np.array([[draw.choice([0.0, draw.uniform(-1.0, 1.0)]) for _ in range(4)] for _ in range(5)]).T
    moves[2, :] += 0.1
    moves[:3] /= np.sqrt((moves[:3] ** 2).sum(axis=0))
    loads = motor_loads(drives, moves, jacobian[np.newaxis])
    for i in range(moves.shape[1]):
        assert loads[i] == pytest.approx(np.array(naive_loads(drives, moves[:, i], jacobian)), rel=ROUNDING, abs=1e-15)


def test_cartesian_motors_move_their_own_axes() -> None:
    drives = drives_under(CARTESIAN[0], (0.5, 1.0, 2.0, 0.1), (4.0, 6.0, 8.0, 9.0))
    loads = motor_loads(drives, np.array([[0.6, 0.0], [-0.8, 0.0], [0.0, 0.0], [0.03, -1.0]]), CARTESIAN)
    assert loads[0, :, MASS] == pytest.approx([0.3e-3, 0.8e-3, 0.0, 0.003e-3], rel=1e-6)
    assert loads[0, :, FRICTION].tolist() == [4.0, 6.0, 0.0, 9.0]
    assert loads[0, :, SHARE] == pytest.approx([0.6, 0.8, 0.0, 0.03])
    assert loads[1, :, SHARE].tolist() == [0.0, 0.0, 0.0, 1.0]


def test_crossed_belts_pull_two_to_root_two_to_two() -> None:
    """Equal motors pull the tool with 2 : √2 : 2 at 0°, 45°, 90°, for on a diagonal only one of them pulls (statics of
    x = (a + b)/2, y = (a − b)/2; E. Ida, F. Nanetti, G. Mottola, Machines 10:542, 2022, abstract); speeds 1 : 1/√2 : 1.
    """
    drives = drives_under(CROSSED[0], (1.0, 1.0, 1.0, 0.0), (0.0,) * 4)
    loads = motor_loads(drives, directions(0.0, 45.0, 90.0), CROSSED)
    force = 10.0
    tool_force = force / (loads[:, :2, MASS] / 1e-3).max(axis=1)  # of a mass of 1 kg
    assert tool_force == pytest.approx([2.0 * force, math.sqrt(2.0) * force, 2.0 * force], rel=1e-6)
    assert 1.0 / loads[:, :2, SHARE].max(axis=1) == pytest.approx([1.0, math.sqrt(0.5), 1.0], rel=ROUNDING)
    assert loads[1, 1] == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)


def test_crossed_belts_share_masses_and_friction() -> None:
    """By hand, m_x = 1, m_y = 3 kg, friction 4 and 6 N: along (0.6, 0.8) motor a moves (0.6 + 2.4)/2 kg against 5 N,
    motor b (0.6 − 2.4)/2 kg against (4 − 6)/2 N; along x each moves 0.5 kg against 2 N.
    """
    drives = drives_under(CROSSED[0], (1.0, 3.0, 1.0, 0.0), (4.0, 6.0, 0.0, 0.0))
    loads = motor_loads(drives, np.array([[0.6, 1.0], [0.8, 0.0], [0.0, 0.0], [0.0, 0.0]]), CROSSED)
    assert loads[0, :2] == pytest.approx(np.array([[1.5e-3, 5.0, 1.4], [0.9e-3, 1.0, 0.2]]), rel=1e-6)
    assert loads[1, :2] == pytest.approx(np.array([[0.5e-3, 2.0, 1.0], [0.5e-3, 2.0, 1.0]]), rel=1e-6)


def test_both_rotors_of_crossed_belts_turn_along_an_axis() -> None:
    """Along x both rotors go at the tool's speed, so the tool feels m + 2·m_rotor; at 45° one goes √2 as fast."""
    drives = drives_under(CROSSED[0], (1.0, 1.0, 1.0, 0.0), (0.0,) * 4, rotor=5.4e-6)
    rotor = drives.rotors[0]
    loads = motor_loads(drives, directions(0.0, 45.0), CROSSED)
    assert 2.0 * loads[0, 0, MASS] == pytest.approx(1e-3 + 2.0 * rotor, rel=ROUNDING)
    assert math.sqrt(2.0) * loads[1, 0, MASS] == pytest.approx(1e-3 + 2.0 * rotor, rel=ROUNDING)


def test_rounding_calls_up_no_friction() -> None:
    drives = drives_under(CROSSED[0], (1.0, 1.0, 1.0, 0.0), (4.0, 6.0, 0.0, 0.0))
    loads = motor_loads(drives, directions(0.0, 180.0, 90.0), CROSSED)  # the cosine of 90° is 6e-17
    assert loads[:, :2, FRICTION] == pytest.approx(np.array([[2.0, 2.0], [2.0, 2.0], [3.0, 3.0]]), rel=ROUNDING)


def test_one_matrix_a_move_is_as_good_as_one_for_all() -> None:
    drives = drives_under(CROSSED[0], (1.0, 3.0, 2.0, 0.1), (4.0, 6.0, 1.0, 1.0), rotor=5e-6)
    moves = directions(10.0, 100.0, 200.0)
    each = motor_loads(drives, moves, np.concatenate([CROSSED, CARTESIAN, CROSSED]))
    assert (each[[0, 2]] == motor_loads(drives, moves, CROSSED)[[0, 2]]).all()
    assert (each[1] == motor_loads(drives, moves, CARTESIAN)[1]).all()


def test_the_worse_end_is_the_worse_in_every_respect() -> None:
    one, other = np.array([[[1.0, 5.0, 0.2]]]), np.array([[[2.0, 4.0, 0.3]]])
    assert worse_end(one, other).tolist() == [[[2.0, 5.0, 0.3]]]
