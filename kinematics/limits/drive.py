"""What a motor pulls at its speed: torque curves of a machine to forces, and which keys of a drive are not known."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import Finding, InputError
from kinematics.limits.class_limits import UNSCALED
from kinematics.machine import Machine
from kinematics.machine.keys import Axis, Motor
from kinematics.machine.mechanisms import EXTRUDER, Mechanism, mechanism_of
from kinematics.toml.sections import replaced

Reals = NDArray[np.float64]
Points = Sequence[tuple[float, float]]

PATH_MOTORS = 3  # motors that move the tool; the extruder's comes behind them
KG_TO_T = 1e-3  # 1 N = 1 t·mm/s²: with masses in t, forces are in N and accelerations in mm/s²
END, FORCE, SLOPE = range(3)  # columns of a table of drives
# What must be known of a motor with a torque curve, and of every axis that it moves.
MOTOR_KEYS = ("mm_per_rev", "rotor_inertia_kg_m2", "usable_torque_share")
AXIS_KEYS = ("moving_mass_kg", "friction_n")
FASTEST = 1e12  # mm/s: stands for no end of speed where a product with 0 must stay 0


class ForceCurve(NamedTuple):
    """Force that a motor may be asked for: `speed` (n; mm/s, from 0, rising), `force` (n; N, never rising).

    Linear between points. Beyond the last point nothing is known, so the motor may not run faster.
    """

    speed: Reals
    force: Reals


class Drives(NamedTuple):
    """The motors whose drive is known; k of them, in the order of the mechanism, the extruder's last.

    `names`; `motors` (k) place of each among the mechanism's motors (PATH_MOTORS for the extruder's); `curves`
    float64[k, pieces, 3] of END (mm/s), FORCE (N), SLOPE (N·s/mm): up to END a motor pulls FORCE − SLOPE·speed, and in
    the last piece, behind the end of its curve, nothing; `masses`, `frictions` (4) of the tool axes x, y, z, e (t, N);
    `rotors` (k) inertia of the rotors, seen as masses (t); `fastest` speed of each motor whose torque curve ends (mm/s)
    by name, also of motors of which more is not known; `missing` dotted keys without which a torque curve says nothing.
    """

    names: tuple[str, ...]
    motors: NDArray[np.int64]
    curves: Reals
    masses: Reals
    frictions: Reals
    rotors: Reals
    fastest: dict[str, float]
    missing: tuple[str, ...]


def motor_speed(revolutions_per_minute: float, mm_per_rev: float) -> float:
    """Speed of what a motor moves (mm/s): n/60·p."""
    return revolutions_per_minute / 60.0 * mm_per_rev


def belt_force(torque: float, mm_per_rev: float) -> float:
    """Force (N) of a torque (Nm) through belt, pinion or screw without losses: F = 2π·T/p, p in m a revolution.

    Virtual work over one revolution, F·p = T·2π; for a belt the same as T/r, r = teeth·pitch/2π.
    """
    return 2.0 * math.pi * torque / (mm_per_rev * 1e-3)


def rotor_mass(inertia: float, mm_per_rev: float) -> float:
    """Inertia of a rotor (kg·m²) seen through the ratio as a mass that moves along (kg): m = I·(2π/p)², p in m.

    Kinetic energies are equal: ½·I·ω² = ½·m·v² with ω = 2π·v/p.
    """
    return inertia * (2.0 * math.pi / (mm_per_rev * 1e-3)) ** 2


def falling_part(speed: Sequence[float], force: Sequence[float]) -> ForceCurve:
    """The running minimum of a piecewise-linear curve, `speed` (n) rising, `force` (n).

    A move speeds up with one acceleration through all speeds below its own, so what counts at a speed is the least
    force at any speed up to it: where a curve rises, the lower force of before holds.
    """
    speeds, forces = np.asarray(speed, np.float64), np.asarray(force, np.float64)
    level = np.minimum.accumulate(forces)
    # Points that lie below the level on which the curve has risen since: it falls through the level on the way.
    fallen = 1 + np.flatnonzero((forces[1:] < level[:-1]) & (level[:-1] < forces[:-1]))
    share = (forces[fallen - 1] - level[fallen - 1]) / (forces[fallen - 1] - forces[fallen])
    crossing = speeds[fallen - 1] + share * (speeds[fallen] - speeds[fallen - 1])
    apart = crossing < speeds[fallen]  # it rounds to that only where the fall below the level is rounding as well
    fallen = fallen[apart]
    speeds, forces = np.insert(speeds, fallen, crossing[apart]), np.insert(level, fallen, level[fallen - 1])
    is_corner = np.ones(speeds.size, np.bool_)
    is_corner[1:-1] = (forces[1:-1] < forces[:-2]) | (forces[2:] < forces[1:-1])
    return ForceCurve(speeds[is_corner], forces[is_corner])


def usable_force(torque_nm: Points, mm_per_rev: float, usable_torque_share: float) -> ForceCurve:
    """The force curve of a motor: points of (rev/min, Nm), rev/min rising, travel a revolution (mm), share (0 to 1).

    F(v) = share·2π·T/p at v = n/60·p; held before the first point, never rising (see `falling_part`). What the supply
    voltage does to the curve is not modelled: it is in the points or nowhere.
    """
    speed = [motor_speed(revolutions, mm_per_rev) for revolutions, _ in torque_nm]
    force = [usable_torque_share * belt_force(torque, mm_per_rev) for _, torque in torque_nm]
    if speed[0] > 0.0:
        speed, force = [0.0, *speed], [force[0], *force]
    return falling_part(speed, force)


def curve_table(curves: Sequence[ForceCurve]) -> Reals:
    """Force curves as a table float64[curves, pieces, 3] of END (mm/s), FORCE (N), SLOPE (N·s/mm).

    F(v) = FORCE − SLOPE·v up to END, pieces in the order of rising speed; the last piece has no end and no force, and
    stands as often as the longest curve has pieces more than this one.
    """
    pieces = max((curve.speed.size for curve in curves), default=1)
    table = np.empty((len(curves), pieces, 3))
    table[:, :, END], table[:, :, FORCE], table[:, :, SLOPE] = math.inf, -math.inf, 0.0
    for row, (speed, force) in zip(table, curves, strict=True):
        slope = (force[:-1] - force[1:]) / (speed[1:] - speed[:-1])
        here = row[: slope.size]
        here[:, END], here[:, FORCE], here[:, SLOPE] = speed[1:], force[:-1] + slope * speed[:-1], slope
    return table


def torque_key(motor: str) -> str:
    """The dotted key of a motor's torque curve."""
    return f"motors.{motor}.torque_nm"


def jacobians(mechanism: Mechanism, places: Reals) -> Reals:
    """J at places (float64[3, m], mm): the motors' speed at unit tool speed, float64[m, 3, 3]."""
    directions = np.eye(3)[:, :, None] * np.ones(places.shape[1])
    columns = [mechanism.motor_speeds(direction, places) for direction in directions]
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
    motors = dict.fromkeys((*mechanism.motors, EXTRUDER), Motor())
    for name, motor in machine.motors.items():
        factor = scaled.get(torque_key(name), 1.0)
        torque = tuple((speed, torque * factor) for speed, torque in motor.torque_nm or ())
        motors[name] = replaced(motor, ("torque_nm",), torque if torque and factor < math.inf else None)
    axes = {name: getattr(machine.axes, name) for name in "xyze"}
    return drives_of(motors, axes, np.linalg.inv(jacobians(mechanism, np.zeros((3, 1)))[0]).T)


def drives_of(motors: Mapping[str, Motor], axes: Mapping[str, Axis], shares: Reals) -> Drives:
    """The drives that the keys of a machine file tell, and the keys that are missing.

    `motors` the mechanism's in its order, PATH_MOTORS of them, and the extruder's; `axes` x, y, z, e; `shares`
    float64[PATH_MOTORS, 3] J⁻ᵀ, the share of a force on each tool axis that falls on each motor (at the centre of the
    bed where it depends on the place). A motor without torque curve has no drive. Where one is given, everything else
    about the motor and the axes that it moves must be known: a missing key is never guessed, and leaves the drive out.
    Raises InputError where a motor cannot move what hangs on it.
    """
    known: list[tuple[str, int, ForceCurve, float]] = []
    fastest: dict[str, float] = {}
    missing: dict[str, None] = {}
    findings: list[Finding] = []
    masses = np.array([KG_TO_T * (axis.moving_mass_kg or 0.0) for axis in axes.values()])
    frictions = np.array([axis.friction_n or 0.0 for axis in axes.values()])
    on_motors = np.eye(len(motors), len(axes))
    on_motors[:PATH_MOTORS, :PATH_MOTORS] = np.abs(shares)
    for place, (name, motor) in enumerate(motors.items()):
        if motor.torque_nm is None:
            continue
        if motor.mm_per_rev is not None:
            fastest[name] = motor_speed(motor.torque_nm[-1][0], motor.mm_per_rev)
        moved = [axis for axis, share in zip(axes, on_motors[place], strict=True) if share > 0.0]
        unknown = [f"motors.{name}.{key}" for key in MOTOR_KEYS if getattr(motor, key) is None]
        unknown += [f"axes.{axis}.{key}" for axis in moved for key in AXIS_KEYS if getattr(axes[axis], key) is None]
        if unknown:
            missing |= dict.fromkeys(unknown)
            continue
        per_rev, inertia, share = (getattr(motor, key) for key in MOTOR_KEYS)
        curve = usable_force(motor.torque_nm, per_rev, share)
        rotor = KG_TO_T * rotor_mass(inertia, per_rev)
        friction, mass = float(on_motors[place] @ frictions), float(on_motors[place] @ masses) + rotor
        findings += _what_keeps_from_driving(name, moved, float(curve.force[0]), friction, mass)
        known.append((name, place, curve, rotor))
    if findings:
        raise InputError(*findings)
    names, places, curves, rotors = zip(*known, strict=True) if known else ((),) * 4
    return Drives(
        names,
        np.array(places, np.int64),
        curve_table(curves),
        masses,
        frictions,
        np.array(rotors),
        fastest,
        tuple(missing),
    )


def _what_keeps_from_driving(
    motor: str, moved: Sequence[str], force: float, friction: float, mass: float
) -> Iterator[Finding]:
    """What keeps a motor from driving its axes, the first that does."""
    if mass <= 0.0:
        keys = " or ".join(f"axes.{axis}.moving_mass_kg" for axis in moved)
        found = f"motor {motor} moves no mass, and its rotor has no inertia"
        yield Finding(torque_key(motor), found, f"{keys} or motors.{motor}.rotor_inertia_kg_m2 above 0")
    elif force <= friction:
        keys = " and ".join(f"axes.{axis}.friction_n" for axis in moved)
        found = f"at rest motor {motor} may be asked for {force:.4g} N, and {friction:.4g} N of friction hold it"
        allowed = f"torque · usable_torque_share for more than the friction of {keys}"
        yield Finding(torque_key(motor), found, allowed)
