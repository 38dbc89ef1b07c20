"""What a motor pulls at its speed: torque curves to forces, and which keys of a drive are not known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import Finding, InputError

Reals = NDArray[np.float64]
Points = Sequence[tuple[float, float]]

PATH_MOTORS = 3  # motors that move the tool; the extruder's comes behind them
KG_TO_T = 1e-3  # 1 N = 1 t·mm/s²: with masses in t, forces are in N and accelerations in mm/s²
END, FORCE, SLOPE = range(3)  # columns of a table of drives
FASTEST = 1e12  # mm/s: stands for no end of speed where a product with 0 must stay 0


class MotorKeys(NamedTuple):
    """What the machine file says of a motor, [motors.NAME]; None where it says nothing.

    `name` of the motor; torque against rev/min (Nm), linear between points, held before the first; `mm_per_rev` travel
    of the motor in one revolution (mm); inertia of the rotor (kg·m²); share of the torque that may be used (0 to 1).
    """

    name: str
    torque_nm: Points | None = None
    mm_per_rev: float | None = None
    rotor_inertia_kg_m2: float | None = None
    usable_torque_share: float | None = None


class AxisKeys(NamedTuple):
    """What the machine file says of a tool axis, [axes.NAME]: what moves along it (kg) and its friction (N)."""

    name: str
    moving_mass_kg: float | None = None
    friction_n: float | None = None


class ForceCurve(NamedTuple):
    """Force that a motor may be asked for: `speed` (n; mm/s, from 0, rising), `force` (n; N, never rising).

    Linear between points. Beyond the last point nothing is known, so the motor may not run faster.
    """

    speed: Reals
    force: Reals


class AccelerationCurve(NamedTuple):
    """Acceleration that a motor admits at the tool's speed: `speed` (n; mm/s), `acceleration` (n; mm/s², never rising).

    Linear between points; ends at the fastest speed, which is infinite where the motor stands still.
    """

    speed: Reals
    acceleration: Reals


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
    speeds, forces = [speed[0]], [force[0]]
    for i in range(1, len(speed)):
        level = forces[-1]
        if force[i] >= level:
            continue
        if force[i - 1] > level:  # it falls through the level on the way
            share = (force[i - 1] - level) / (force[i - 1] - force[i])
            crossing = speed[i - 1] + share * (speed[i] - speed[i - 1])
            if crossing < speed[i]:  # it rounds to that only where the fall below the level is rounding as well
                speeds.append(crossing)
                forces.append(level)
        elif speeds[-1] < speed[i - 1]:
            speeds.append(speed[i - 1])
            forces.append(level)
        speeds.append(speed[i])
        forces.append(force[i])
    if speeds[-1] < speed[-1]:
        speeds.append(speed[-1])
        forces.append(forces[-1])
    return ForceCurve(np.array(speeds), np.array(forces))


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


def acceleration_curve(curve: ForceCurve, mass: float, friction: float, share: float = 1.0) -> AccelerationCurve:
    """What a motor admits to a tool that moves in one direction, against the tool's speed.

    a(v) = (F(v·share) − friction)/mass with `mass` (t) and `friction` (N) as the motor feels them in that direction and
    `share` its speed at unit tool speed (see `planner.motor_loads`); cut off where nothing is left to accelerate with.
    """
    acceleration = (curve.force - friction) / mass
    if share == 0.0:
        return AccelerationCurve(np.array([0.0, math.inf]), np.repeat(acceleration[:1], 2))
    speed = curve.speed / share
    spent = np.flatnonzero(acceleration <= 0.0)
    if spent.size:
        i = int(spent[0])
        above, below = acceleration[i - 1], acceleration[i]
        zero = speed[i - 1] + above / (above - below) * (speed[i] - speed[i - 1])
        return AccelerationCurve(np.append(speed[:i], zero), np.append(acceleration[:i], 0.0))
    return AccelerationCurve(speed, acceleration)


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


def drives_of(motors: Sequence[MotorKeys], axes: Sequence[AxisKeys], shares: Reals) -> Drives:
    """The drives that the keys of a machine file tell, and the keys that are missing.

    `motors` the mechanism's in its order, PATH_MOTORS of them, and the extruder's; `axes` x, y, z, e; `shares`
    float64[PATH_MOTORS, 3] J⁻ᵀ, the share of a force on each tool axis that falls on each motor (at the centre of the
    bed where it depends on the place). A motor without torque curve has no drive. Where one is given, everything else
    about the motor and the axes that it moves must be known: a missing key is never guessed, and leaves the drive out.
    Raises InputError where a motor cannot move what hangs on it.
    """
    names: list[str] = []
    places: list[int] = []
    curves: list[ForceCurve] = []
    rotors: list[float] = []
    fastest: dict[str, float] = {}
    missing: dict[str, None] = {}
    findings: list[Finding] = []
    masses = np.array([KG_TO_T * (axis.moving_mass_kg or 0.0) for axis in axes])
    frictions = np.array([axis.friction_n or 0.0 for axis in axes])
    for place, motor in enumerate(motors):
        if motor.torque_nm is None:
            continue
        if motor.mm_per_rev is not None:
            fastest[motor.name] = motor_speed(motor.torque_nm[-1][0], motor.mm_per_rev)
        on_motor = np.zeros(len(axes))
        if place < PATH_MOTORS:
            on_motor[:PATH_MOTORS] = np.abs(shares[place])
        else:
            on_motor[PATH_MOTORS] = 1.0
        moved = [axis for axis, share in zip(axes, on_motor, strict=True) if share > 0.0]
        unknown = [f"motors.{motor.name}.{key}" for key in MotorKeys._fields[2:] if getattr(motor, key) is None]
        unknown += [f"axes.{axis.name}.{key}" for axis in moved for key in AxisKeys._fields[1:] if _lacks(axis, key)]
        if unknown:
            missing |= dict.fromkeys(unknown)
            continue
        assert motor.mm_per_rev is not None  # nothing is unknown
        assert motor.usable_torque_share is not None
        assert motor.rotor_inertia_kg_m2 is not None
        curve = usable_force(motor.torque_nm, motor.mm_per_rev, motor.usable_torque_share)
        rotor = KG_TO_T * rotor_mass(motor.rotor_inertia_kg_m2, motor.mm_per_rev)
        finding = _cannot_drive(motor, moved, curve, float(on_motor @ frictions), float(on_motor @ masses) + rotor)
        if finding is not None:
            findings.append(finding)
            continue
        names.append(motor.name)
        places.append(place)
        curves.append(curve)
        rotors.append(rotor)
    if findings:
        raise InputError(*findings)
    return Drives(
        tuple(names),
        np.array(places, np.int64),
        curve_table(curves),
        masses,
        frictions,
        np.array(rotors),
        fastest,
        tuple(missing),
    )


def _lacks(axis: AxisKeys, key: str) -> bool:
    return getattr(axis, key) is None


def _cannot_drive(
    motor: MotorKeys, moved: Sequence[AxisKeys], curve: ForceCurve, friction: float, mass: float
) -> Finding | None:
    """What keeps a motor from driving its axes; None where nothing does."""
    key = f"motors.{motor.name}.torque_nm"
    if mass <= 0.0:
        keys = " or ".join(f"axes.{axis.name}.moving_mass_kg" for axis in moved)
        found = f"motor {motor.name} moves no mass, and its rotor has no inertia"
        return Finding(key, found, f"{keys} or motors.{motor.name}.rotor_inertia_kg_m2 above 0")
    force = float(curve.force[0])
    if force <= friction:
        keys = " and ".join(f"axes.{axis.name}.friction_n" for axis in moved)
        found = f"at rest motor {motor.name} may be asked for {force:.4g} N, and {friction:.4g} N of friction hold it"
        return Finding(key, found, f"torque · usable_torque_share for more than the friction of {keys}")
    return None
