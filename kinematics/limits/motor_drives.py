"""The drives of a machine: what its motors pull at their speed, as the machine file tells it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from kinematics.limits.class_limits import UNSCALED
from kinematics.limits.drive import AxisKeys, Drives, MotorKeys, drives_of
from kinematics.machine import Machine
from kinematics.machine.mechanisms import EXTRUDER, Mechanism, mechanism_of

Reals = NDArray[np.float64]


def torque_key(motor: str) -> str:
    """The dotted key of a motor's torque curve."""
    return f"motors.{motor}.torque_nm"


def jacobians(mechanism: Mechanism, places: Reals) -> Reals:
    """J at places (float64[3, m], mm): the motors' speed at unit tool speed, float64[m, 3, 3]."""
    columns = []
    for axis in range(3):
        direction = np.zeros_like(places)
        direction[axis] = 1.0
        columns.append(mechanism.motor_speeds(direction, places))
    return np.ascontiguousarray(np.stack(columns).transpose(2, 1, 0))


def motor_drives(machine: Machine, scaled: Mapping[str, float] = UNSCALED) -> Drives | None:
    """The drives that the machine file tells; None where it tells no torque curve.

    `scaled` factors on torques by the keys of their curves; a drive is lifted by infinity. The share of the axes'
    masses that falls on each motor is that at the middle of the bed. Raises InputError where a motor cannot move what
    hangs on it.
    """
    if not any(motor.torque_nm for motor in machine.motors.values()):
        return None
    mechanism = mechanism_of(machine)
    motors = []
    for name in (*mechanism.motors, EXTRUDER):
        motor = machine.motors.get(name)
        factor = scaled.get(torque_key(name), 1.0)
        if motor is None or motor.torque_nm is None or factor == math.inf:
            motors.append(MotorKeys(name))
            continue
        torque = tuple((speed, force * factor) for speed, force in motor.torque_nm)
        motors.append(MotorKeys(name, torque, motor.mm_per_rev, motor.rotor_inertia_kg_m2, motor.usable_torque_share))
    axes = [AxisKeys(name, *_mass_and_friction(machine, name)) for name in "xyze"]
    shares = np.linalg.inv(jacobians(mechanism, np.zeros((3, 1)))[0]).T
    return drives_of(motors, axes, shares)


def _mass_and_friction(machine: Machine, axis: str) -> tuple[float | None, float | None]:
    keys = getattr(machine.axes, axis)
    return keys.moving_mass_kg, keys.friction_n
