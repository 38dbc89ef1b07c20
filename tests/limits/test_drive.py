"""Torque curves to forces and accelerations: published and hand-computed values, drawn curves, and what is missing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.errors import InputError
from kinematics.limits.drive import (
    END,
    FORCE,
    KG_TO_T,
    SLOPE,
    Drives,
    Points,
    belt_force,
    curve_table,
    drives_of,
    falling_part,
    motor_speed,
    rotor_mass,
    usable_force,
)
from kinematics.machine.keys import Axis, Motor
from kinematics.toml.sections import replaced

ROUNDING = 1e-9  # relative
PULLEY = 40.0  # mm of belt a revolution: 20 teeth, 2 mm apart
TORQUE = ((0.0, 0.40), (600.0, 0.34), (1500.0, 0.18))
CARTESIAN = np.eye(3)
CROSSED = np.array([[0.5, 0.5, 0.0], [0.5, -0.5, 0.0], [0.0, 0.0, 1.0]])  # J⁻ᵀ of 1 1, 1 −1


def axes(*masses_and_frictions: tuple[float | None, float | None]) -> dict[str, Axis]:
    """The tool axes with what moves along each (kg) and its friction (N)."""
    return {
        name: Axis(moving_mass_kg=mass, friction_n=friction)
        for name, (mass, friction) in zip("xyze", masses_and_frictions, strict=True)
    }


def motor(torque: Points, mm_per_rev: float, inertia: float, share: float) -> Motor:
    """A motor of which all is known."""
    return Motor(torque_nm=torque, mm_per_rev=mm_per_rev, rotor_inertia_kg_m2=inertia, usable_torque_share=share)


AXES = axes((0.45, 4.0), (0.9, 6.0), (2.0, 10.0), (0.0, 20.0))
UNKNOWN = (None, None)
MOTOR = motor(TORQUE, PULLEY, 5.4e-6, 0.5)


def motors(**given: Motor) -> dict[str, Motor]:
    """The four motors of a machine, those not given without a word about them."""
    return {name: given.get(name, Motor()) for name in ("a", "b", "z", "e")}


def known(**given: Motor) -> Drives:
    """The drives of crossed belts."""
    return drives_of(motors(**given), AXES, CROSSED)


# ---- forces -----------------------------------------------------------------------------------------------------


def test_a_belt_pulls_torque_over_radius() -> None:
    """F = T/r: 20 teeth of 2 mm, r = 40/2π = 6.366198 mm, 0.3 N·m pull 47.1239 N, half a kilogram at 94248 mm/s²."""
    assert belt_force(0.3, PULLEY) == pytest.approx(0.3 / 6.366198e-3, rel=1e-6)
    assert belt_force(0.3, PULLEY) == pytest.approx(47.1239, abs=1e-4)
    assert belt_force(0.3, PULLEY) / (0.5 * KG_TO_T) == pytest.approx(94_248, abs=1.0)


def test_a_rotor_counts_as_a_mass_that_moves_along() -> None:
    """By hand: 5.4e-6 kg·m² on a radius of 6.366198 mm is 5.4e-6/6.366198e-3² = 0.13324 kg."""
    assert rotor_mass(5.4e-6, PULLEY) == pytest.approx(0.13324, abs=1e-5)


def test_the_speed_of_a_motor_is_revolutions_times_travel() -> None:
    """By hand: 12.5 rev/s = 750 rev/min at 40 mm a revolution are 500 mm/s."""
    assert motor_speed(750.0, PULLEY) == pytest.approx(500.0)


def test_usable_force_is_a_share_of_the_curve() -> None:
    curve = usable_force(TORQUE, PULLEY, 0.5)
    assert curve.speed == pytest.approx([0.0, 400.0, 1000.0])
    assert curve.force == pytest.approx([0.5 * 2.0 * math.pi * torque / 0.04 for torque in (0.40, 0.34, 0.18)])


def test_torque_is_held_before_the_first_point() -> None:
    curve = usable_force(((300.0, 0.3), (600.0, 0.2)), PULLEY, 1.0)
    assert curve.speed == pytest.approx([0.0, 200.0, 400.0])
    assert curve.force[0] == curve.force[1]


@dataclass(frozen=True)
class Case:
    """Points as drawn, and their running minimum."""

    drawn: tuple[tuple[float, float], ...]
    falling: tuple[tuple[float, float], ...]


@pytest.mark.parametrize(
    "case",
    [
        Case(((0, 5), (10, 3)), ((0, 5), (10, 3))),
        Case(((0, 5), (10, 8)), ((0, 5), (10, 5))),
        Case(((0, 5), (10, 9), (20, 1)), ((0, 5), (15, 5), (20, 1))),  # by hand: 9 falls to 5 half the way to 1
        Case(((0, 5), (10, 5), (20, 1)), ((0, 5), (10, 5), (20, 1))),
        Case(((0, 5), (10, 5), (20, 5)), ((0, 5), (20, 5))),
        Case(((0, 5), (10, 2), (20, 6), (30, 0)), ((0, 5), (10, 2), (20 + 40 / 6, 2), (30, 0))),
    ],
)
def test_a_rising_curve_counts_as_its_least_so_far(case: Case) -> None:
    found = falling_part(*zip(*case.drawn, strict=True))
    assert list(zip(found.speed, found.force, strict=True)) == [pytest.approx(point) for point in case.falling]


CURVES = st.lists(st.tuples(st.floats(0.1, 50.0), st.one_of(st.floats(0.0, 9.0), st.just(4.0))), min_size=1, max_size=7)


@settings(deadline=None)
@given(CURVES, st.floats(0.0, 9.0))
def test_the_running_minimum_is_that_of_many_small_steps(steps: list[tuple[float, float]], first: float) -> None:
    speed = [0.0, *np.cumsum([step for step, _ in steps])]
    force = [first, *(level for _, level in steps)]
    found = falling_part(speed, force)
    fine = np.unique(np.concatenate([np.linspace(0.0, speed[-1], 997), speed]))
    least = np.minimum.accumulate(np.interp(fine, speed, force))
    assert np.interp(fine, found.speed, found.force) == pytest.approx(least, rel=1e-6, abs=1e-9)
    assert (np.diff(found.speed) > 0.0).all()
    assert (np.diff(found.force) <= 0.0).all()
    assert found.speed[-1] == speed[-1]


@settings(deadline=None)
@given(st.lists(CURVES, min_size=1, max_size=3))
def test_the_table_says_what_the_curves_say(drawn: list[list[tuple[float, float]]]) -> None:
    curves = []
    for steps in drawn:
        speed = [0.0, *np.cumsum([step for step, _ in steps])]
        curves.append(falling_part(speed, [9.0, *(level for _, level in steps)]))
    table = curve_table(curves)
    for row, curve in zip(table, curves, strict=True):
        for speed in np.linspace(0.0, curve.speed[-1], 57):
            piece = next(piece for piece in row if speed <= piece[END])
            expected = np.interp(speed, curve.speed, curve.force)
            assert piece[FORCE] - piece[SLOPE] * speed == pytest.approx(expected, rel=ROUNDING, abs=1e-9)
        assert row[-1].tolist() == [math.inf, -math.inf, 0.0]
        assert (row[:, SLOPE] >= 0.0).all()


# ---- accelerations ----------------------------------------------------------------------------------------------


# ---- keys -------------------------------------------------------------------------------------------------------


def test_the_drives_of_crossed_belts() -> None:
    drives = known(a=MOTOR, b=MOTOR, e=motor(((300.0, 0.3),), 8.0, 4e-6, 0.4))
    assert drives.names == ("a", "b", "e")
    assert drives.motors.tolist() == [0, 1, 3]
    assert drives.curves.shape == (3, 3, 3)
    assert drives.masses == pytest.approx([0.45e-3, 0.9e-3, 2e-3, 0.0])
    assert drives.frictions == pytest.approx([4.0, 6.0, 10.0, 20.0])
    assert drives.rotors == pytest.approx(
        [KG_TO_T * rotor_mass(inertia, p) for inertia, p in [(5.4e-6, 40.0)] * 2 + [(4e-6, 8.0)]]
    )
    assert drives.fastest == pytest.approx({"a": 1000.0, "b": 1000.0, "e": 40.0})
    assert drives.missing == ()


def test_without_torque_curves_there_are_no_drives_and_nothing_is_missing() -> None:
    drives = known(a=replaced(MOTOR, ("torque_nm",), None))
    assert drives.names == ()
    assert drives.curves.shape == (0, 1, 3)
    assert drives.fastest == {}
    assert drives.missing == ()


def test_what_is_missing_is_told_and_never_guessed() -> None:
    bare = Motor(torque_nm=TORQUE)
    told = axes((0.45, None), (None, 6.0), UNKNOWN, UNKNOWN)
    drives = drives_of(motors(a=MOTOR, b=bare), told, CROSSED)
    assert drives.names == ()
    assert drives.missing == (
        "axes.x.friction_n",
        "axes.y.moving_mass_kg",
        "motors.b.mm_per_rev",
        "motors.b.rotor_inertia_kg_m2",
        "motors.b.usable_torque_share",
    )
    assert drives.fastest == {"a": pytest.approx(1000.0)}  # the end of its curve holds all the same


def test_on_cartesian_axes_a_motor_needs_its_own_axis_alone() -> None:
    told = axes((0.45, 4.0), UNKNOWN, UNKNOWN, UNKNOWN)
    assert drives_of(motors(a=MOTOR), told, CARTESIAN).names == ("a",)
    assert drives_of(motors(b=MOTOR), told, CARTESIAN).missing == (
        "axes.y.moving_mass_kg",
        "axes.y.friction_n",
    )


def test_a_drive_that_cannot_move_its_axes_is_refused() -> None:
    """By hand: 20 % of 0.04 N·m pull 1.257 N; on crossed belts (4 + 6)/2 N of friction fall on each motor."""
    weak = motor(((0.0, 0.04), (900.0, 0.02)), PULLEY, 5.4e-6, 0.2)
    with pytest.raises(InputError) as caught:
        known(a=weak, b=weak)
    assert [str(finding) for finding in caught.value.findings] == [
        f"motors.{name}.torque_nm: at rest motor {name} may be asked for 1.257 N, and 5 N of friction hold it;"
        " allowed: torque · usable_torque_share for more than the friction of axes.x.friction_n and axes.y.friction_n"
        for name in "ab"
    ]


def test_a_drive_without_any_mass_is_refused() -> None:
    with pytest.raises(InputError, match=r"motors\.e\.torque_nm: motor e moves no mass, and its rotor has no inertia"):
        known(e=motor(TORQUE, 8.0, 0.0, 0.4))
    assert known(e=motor(TORQUE, 8.0, 1e-7, 0.4)).names == ("e",)
