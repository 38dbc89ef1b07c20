"""Drives that a machine file tells: belt force by hand, crossed belts, factors, and what is left out."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.moves import TRAVEL
from kinematics.limits import columns as by
from kinematics.limits.classes import MoveClass
from kinematics.limits.combine import limits_of
from kinematics.limits.drive import jacobians, motor_drives
from kinematics.machine import Machine
from kinematics.machine.mechanisms import CrossedBelt, LinearDelta
from kinematics.studies.estimate import moves_frame
from tests.jobs.conftest import bench, straight, time_of

ROUNDING = 1e-9  # relative
# A pulley of 20 teeth and 2 mm pitch: 40 mm a revolution, radius 20·2/2π = 6.366 mm, F = T/r (statics of a pulley).
PULLEY = 40.0


def motor(name: str, torque: object = ((0.0, 0.4), (600.0, 0.4)), inertia: float = 0.0) -> dict[str, Any]:
    """The keys of one motor with half of its torque usable."""
    return {
        f"motors.{name}.torque_nm": torque,
        f"motors.{name}.mm_per_rev": PULLEY,
        f"motors.{name}.rotor_inertia_kg_m2": inertia,
        f"motors.{name}.usable_torque_share": 0.5,
    }


MASSES = {
    **{f"axes.{axis}.moving_mass_kg": mass for axis, mass in zip("xyze", (0.5, 1.0, 2.0, 0.0), strict=True)},
    **{f"axes.{axis}.friction_n": friction for axis, friction in zip("xyze", (3.0, 4.0, 0.0, 0.0), strict=True)},
}
BELTS = bench(machine__mechanism="crossed-belt").with_settings({**MASSES, **motor("a"), **motor("b")})
FORCE = 0.5 * 0.4 / (PULLEY / math.tau * 1e-3)  # 31.416 N


def peak_of(text: str, machine: Machine) -> tuple[float, float]:
    """Speed and acceleration of the only move of a job."""
    planned = time_of(text, machine.with_settings({"motion.travel_acceleration_mm_s2": 1e7})).planned
    assert planned is not None
    return float(planned.plan.speed_peak[0]), float(planned.plan.acceleration[0])


def test_nothing_is_known_without_a_torque_curve() -> None:
    assert motor_drives(Machine()) is None
    assert motor_drives(bench(motors__x__max_speed_mm_s=9.0)) is None


def test_a_crossed_belt_by_hand() -> None:
    """Along x both belts carry half of 0.5 kg: a = (31.416 − 1.5)/0.25 kg; on a diagonal one belt pulls alone.

    There u = (1, 1)/√2: F_a = (m_x + m_y)·a/(2√2) + (3 + 4)/2, F_b = (m_x − m_y)·a/(2√2) (virtual work, F = J⁻ᵀ·f; J.
    Craig, Introduction to Robotics, ch. 5, from memory).
    """
    speed, ramp = peak_of("G1 X200 F6000", BELTS)
    assert speed == 100.0
    assert ramp == pytest.approx((FORCE - 1.5) / 0.25 * 1000.0, rel=ROUNDING)
    speed, ramp = peak_of("G1 X200 Y200 F6000", BELTS)
    assert ramp == pytest.approx((FORCE - 3.5) / (1.5 / (2.0 * math.sqrt(2.0))) * 1000.0, rel=ROUNDING)
    # Rotors move with their belts, by √2 on the diagonal: 5.4e-6·(2π/0.04)² = 0.13324 kg.
    with_rotors = BELTS.with_settings({**motor("a", inertia=5.4e-6), **motor("b", inertia=5.4e-6)})
    rotor = 5.4e-6 * (math.tau / 0.04) ** 2
    expected = (FORCE - 3.5) / (1.5 / (2.0 * math.sqrt(2.0)) + math.sqrt(2.0) * rotor) * 1000.0
    assert peak_of("G1 X200 Y200 F6000", with_rotors)[1] == pytest.approx(expected, rel=ROUNDING)


def test_no_belt_runs_beyond_the_end_of_its_curve() -> None:
    """600 rev/min of 40 mm are 400 mm/s of a belt: 400 along x, 282.8 on the diagonal."""
    assert peak_of("G1 X900 F60000", BELTS)[0] == pytest.approx(400.0, rel=ROUNDING)
    assert peak_of("G1 X900 Y900 F60000", BELTS)[0] == pytest.approx(400.0 / math.sqrt(2.0), rel=ROUNDING)


def test_the_time_of_a_straight_is_that_of_its_force() -> None:
    """T = L/v + v/a with a = (31.416 − 1.5)/0.25 kg = 119.7 m/s²."""
    free = BELTS.with_settings({"motion.travel_acceleration_mm_s2": 1e7})
    found = time_of("G1 X200 F6000", free)
    assert found.total == pytest.approx(straight(200.0, 100.0, (FORCE - 1.5) * 4000.0), rel=ROUNDING)
    assert {"drive of motor a", "drive of motor b"} & set(found.by_cause)  # both pull alike, and one is named


@pytest.mark.parametrize("name", ["a", "b"])
def test_factors_are_on_the_torque_and_lifted_is_no_drive(name: str) -> None:
    key = f"motors.{name}.torque_nm"
    scaled = motor_drives(BELTS, {key: 1.5})
    stronger = motor_drives(BELTS.with_settings({key: [[0.0, 0.6], [600.0, 0.6]]}))
    assert scaled is not None
    assert stronger is not None
    assert scaled.curves == pytest.approx(stronger.curves, rel=1e-15)
    assert scaled.fastest == stronger.fastest == {"a": 400.0, "b": 400.0}
    lifted = motor_drives(BELTS, {key: math.inf})
    assert lifted is not None
    assert lifted.names == tuple({"a", "b"} - {name})
    assert name not in lifted.fastest
    table = [MoveClass(TRAVEL, False)]
    assert limits_of(BELTS, table, scaled={key: 1.5}).values[0, by.MOTOR_1_MOST] == 400.0
    both = limits_of(BELTS, table, scaled={"motors.a.torque_nm": math.inf, "motors.b.torque_nm": math.inf})
    assert both.drives is None
    assert not both.ties
    assert math.isinf(both.values[0, by.MOTOR_1_MOST])
    assert {"motors.a.torque_nm", "motors.b.torque_nm"} <= limits_of(BELTS, table).keys


def test_a_curve_without_the_rest_bounds_speed_alone() -> None:
    """Mass unknown: nothing is guessed; the end of the curve is known all the same."""
    machine = bench(**{key.replace(".", "__"): value for key, value in motor("x").items()})
    drives = motor_drives(machine)
    assert drives is not None
    assert drives.names == ()
    assert drives.missing == ("axes.x.moving_mass_kg", "axes.x.friction_n")
    limits = limits_of(machine, [MoveClass(TRAVEL, False)])
    assert limits.drives is None
    assert limits.values[0, by.X_MOST] == 400.0
    found = time_of("G1 X900 F60000", machine)
    assert "top speed of motor x" in found.by_cause


def test_the_table_of_moves_names_drives_with_fewer_motors_than_there_may_be() -> None:
    frame = moves_frame(time_of("G1 X200 F6000", BELTS).whole_plan())
    assert frame["ramp_cause"].tolist() == ["short travels: acceleration"]


def test_a_motor_that_cannot_move_its_axes_is_refused() -> None:
    weak = BELTS.with_settings(motor("a", [[0.0, 0.01], [600.0, 0.01]]))
    with pytest.raises(InputError, match=r"at rest motor a may be asked for 0\.7854 N, and 3\.5 N of friction hold it"):
        time_of("G1 X200 F6000", weak)


def test_the_motors_of_a_mechanism_against_differences_of_places() -> None:
    """J by small steps of the tool."""
    delta = LinearDelta(250.0, 125.0, (math.radians(210.0), math.radians(330.0), math.radians(90.0)))
    places = np.array([[0.0, 30.0], [0.0, -20.0], [10.0, 0.0]])
    for mechanism in (CrossedBelt(), delta):
        found = jacobians(mechanism, places)
        for i in range(2):
            for axis in range(3):
                step = np.zeros((3, 1))
                step[axis] = 1e-4
                place = places[:, [i]]
                ahead, behind = (mechanism_places(mechanism, place + sign * step) for sign in (1.0, -1.0))
                assert found[i][:, axis] == pytest.approx((ahead - behind) / 2e-4, abs=1e-7)


def mechanism_places(mechanism: CrossedBelt | LinearDelta, place: Any) -> Any:
    """Where the motors stand with the tool at one place."""
    return mechanism.positions(place)[:, 0]


def test_where_an_arm_is_too_short_a_job_is_timed_without_drives() -> None:
    """No NaN gets into the plan."""
    machine = bench().with_settings(
        {
            "machine.mechanism": "linear-delta",
            "machine.delta": {"arm_mm": 250.0, "tower_radius_mm": 125.0},
            **MASSES,
            **motor("t1"),
            **motor("t2"),
            **motor("e", inertia=5.4e-6),
        }
    )
    found = time_of("M83\nG1 X50 E2 F6000\nG1 X300 E9\nG1 X310 E1\nG1 X50\nG1 X0 E2", machine)
    assert math.isfinite(found.total)
    assert math.fsum(found.by_cause.values()) == pytest.approx(found.total, rel=ROUNDING)
