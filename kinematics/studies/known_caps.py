"""What is known about how far a limit may go: every cap with its number, and how that comes about.

Formulas are written with the machine's numbers in them, so that a reader can follow them by hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps.drive import END, FORCE, SLOPE, Drives
from kinematics.caps.flow import FLOW_KEY, flow_at, hangs_on_temperature
from kinematics.caps.motor_drives import jacobians, motor_drives, torque_key
from kinematics.caps.vibration import RINGING_KEY, ROUNDING_KEY, axis_quality, filter_of_axis
from kinematics.machine import Machine
from kinematics.machine.mechanisms import EXTRUDER, LinearDelta, mechanism_of
from kinematics.planner.ceilings import RAMP_SHARE
from kinematics.planner.ties import FRICTION, MASS, SHARE, motor_loads

Reals = NDArray[np.float64]
AXES = ("x", "y", "z")
LEAST = 1e-12  # shares of a direction, masses: less stands for none


class Cap(NamedTuple):
    """One cap of a limit: its number in the limit's unit, the key that it hangs on, its words, and its formula."""

    value: float
    key: str
    what: str
    formula: str


class Known(NamedTuple):
    """The caps of a limit that are known, and the keys without which others are not."""

    caps: tuple[Cap, ...]
    missing: tuple[str, ...]

    @property
    def lowest(self) -> Cap | None:
        """The cap that stops the limit first; None where none is known."""
        return min(self.caps, key=lambda cap: cap.value, default=None)


def _number(value: float) -> str:
    return f"{value:.4g}"


class MachineCaps:
    """The caps of one machine; its drives are made once. Raises InputError where they, or a filter, cannot be made."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.mechanism = mechanism_of(machine)
        self.drives: Drives | None = motor_drives(machine)
        self._jacobian = jacobians(self.mechanism, np.zeros((3, 1)))

    def acceleration(self, direction: Sequence[float], speed: float) -> Known:
        """Caps of the acceleration along a unit direction (x, y, z) at a speed (mm/s) of the tool, in mm/s²."""
        caps: list[Cap] = []
        missing: list[str] = []
        for axis, share in zip(AXES, direction, strict=True):
            if abs(share) > LEAST and axis != "z":
                self._quality(axis, abs(share), caps, missing)
        self._motors(np.array([*direction, 0.0]), speed, caps, missing)
        return Known(tuple(caps), tuple(dict.fromkeys(missing)))

    def extruder_acceleration(self, speed: float) -> Known:
        """Caps of the acceleration of the filament at its speed (mm/s), in mm/s²."""
        caps: list[Cap] = []
        missing: list[str] = []
        self._motors(np.array([0.0, 0.0, 0.0, 1.0]), speed, caps, missing)
        return Known(tuple(caps), tuple(missing))

    def speed(self, direction: Sequence[float]) -> Known:
        """Caps of the speed along a unit direction (x, y, z), in mm/s."""
        return self._speeds(np.array([*direction, 0.0]))

    def extruder_speed(self) -> Known:
        """Caps of the speed of the filament, printing or not, in mm/s."""
        return self._speeds(np.array([0.0, 0.0, 0.0, 1.0]))

    def flow(self, nozzle: float | None) -> Known:
        """Caps of what is printed each second at a temperature of the nozzle (°C), in mm³/s."""
        most = flow_at(self.machine.hotend.max_flow_mm3_s, nozzle).most
        if most == math.inf:
            return Known((), (FLOW_KEY,))
        at = "" if nozzle is None or not hangs_on_temperature(self.machine) else f" at {nozzle:g} °C"
        return Known((Cap(most, FLOW_KEY, "hotend flow", f"Q{at} = {_number(most)} mm³/s"),), ())

    def corner_speed(self, first: str, second: str) -> Known:
        """Caps of the speed through a right angle from one axis into another, in mm/s."""
        quality = self.machine.quality
        caps: list[Cap] = []
        missing: list[str] = []
        squares = 0.0
        parts = []
        for axis in (first, second):
            vibration = getattr(self.machine.vibration, axis)
            found = axis_quality(self.machine, axis)
            if vibration.filter is None:
                missing.append(f"vibration.{axis}.filter")
            elif quality.rounding_budget_mm is None:
                missing.append(ROUNDING_KEY)
            elif found.corner_rounding < math.inf:
                spread = (1.0 - quality.rounding_split) * quality.rounding_budget_mm / found.corner_rounding
                squares += spread * spread
                parts.append(f"({_number(1e3 * spread)} ms)²")
            if not vibration.modes:
                missing.append(f"vibration.{axis}.modes")
            elif quality.ringing_budget_mm is None:
                missing.append(RINGING_KEY)
            elif found.step_ringing < math.inf:
                worst = quality.ringing_budget_mm / found.step_ringing
                formula = f"ρ/max(V/ω) = {_number(quality.ringing_budget_mm)} mm / {_number(1e3 * worst)} ms"
                formula += f" = {_number(found.step_ringing)} mm/s on {axis}"
                caps.append(Cap(found.step_ringing, RINGING_KEY, f"ringing, {axis} axis", formula))
        if parts and quality.rounding_budget_mm is not None:
            value = (1.0 - quality.rounding_split) * quality.rounding_budget_mm / math.sqrt(squares)
            share = f"(1 − {quality.rounding_split:g})·{_number(quality.rounding_budget_mm)} mm"
            formula = f"(1 − q)ε/√Σ(M/2)² = {share} / √({' + '.join(parts)}) = {_number(value)} mm/s"
            caps.append(Cap(value, ROUNDING_KEY, "rounding", formula))
        return Known(tuple(caps), tuple(dict.fromkeys(missing)))

    # ---- parts

    def _quality(self, axis: str, share: float, caps: list[Cap], missing: list[str]) -> None:
        """Rounding and ringing of one axis, of which the direction has a share."""
        quality, vibration = self.machine.quality, getattr(self.machine.vibration, axis)
        found = axis_quality(self.machine, axis)
        per_share = "" if share == 1.0 else f" / {_number(share)}"
        if vibration.filter is None:
            missing.append(f"vibration.{axis}.filter")
        elif quality.rounding_budget_mm is None:
            missing.append(ROUNDING_KEY)
        elif found.ramp_rounding < math.inf:
            name, frequency, damping = filter_of_axis(vibration, axis)
            variance = 2.0 * quality.rounding_split * quality.rounding_budget_mm / found.ramp_rounding
            value = found.ramp_rounding / share
            formula = (
                f"2qε/σ² = 2·{quality.rounding_split:g}·{_number(quality.rounding_budget_mm)} mm / "
                f"{_number(1e6 * variance)}e-6 s²{per_share} = {_number(value)} mm/s²"
                f" ({name} at {_number(frequency)} Hz, damping {damping:g})"
            )
            caps.append(Cap(value, ROUNDING_KEY, f"rounding, {axis} axis", formula))
        if not vibration.modes:
            missing.append(f"vibration.{axis}.modes")
        elif quality.ringing_budget_mm is None:
            missing.append(RINGING_KEY)
        elif found.ramp_ringing < math.inf:
            worst = quality.ringing_budget_mm / (2.0 * found.ramp_ringing)
            value = found.ramp_ringing / share
            formula = (
                f"ρ/(2·max(V/ω²)) = {_number(quality.ringing_budget_mm)} mm / (2·{_number(1e6 * worst)}e-6 s²)"
                f"{per_share} = {_number(value)} mm/s²"
            )
            caps.append(Cap(value, RINGING_KEY, f"ringing, {axis} axis", formula))

    def _turning(self, direction: Reals) -> list[tuple[str, float]]:
        """The motors that turn for a direction (x, y, z, filament), with their speed at unit tool speed."""
        speeds = np.abs(self._jacobian[0] @ direction[:3])
        named = [*zip(self.mechanism.motors, speeds.tolist(), strict=True), (EXTRUDER, abs(float(direction[3])))]
        return [(name, share) for name, share in named if share > LEAST]

    def _motors(self, direction: Reals, speed: float, caps: list[Cap], missing: list[str]) -> None:
        """What the motors admit: their limits of acceleration, and their drives at a speed of the tool."""
        drives = self.drives
        loads = None if drives is None else motor_loads(drives, direction[:, None], self._jacobian)[0]
        for name, share in self._turning(direction):
            motor = self.machine.motors.get(name)
            if motor is not None and motor.max_acceleration_mm_s2 is not None:
                key = f"motors.{name}.max_acceleration_mm_s2"
                part = RAMP_SHARE if isinstance(self.mechanism, LinearDelta) else 1.0  # the rest is for steady speed
                value = part * motor.max_acceleration_mm_s2 / share
                factor = "" if part == 1.0 else f"{part:g}·"
                formula = f"{factor}B/|j| = {factor}{_number(motor.max_acceleration_mm_s2)} mm/s² / {_number(share)}"
                caps.append(Cap(value, key, f"motor {name}", f"{formula} = {_number(value)} mm/s²"))
            if drives is None or name not in drives.names or loads is None:
                missing += self._missing_of(name)
                continue
            k = drives.names.index(name)
            mass, friction, at = loads[k, MASS], loads[k, FRICTION], loads[k, SHARE] * speed
            piece = int(np.argmax(at <= drives.curves[k, :, END]))
            force = float(drives.curves[k, piece, FORCE] - drives.curves[k, piece, SLOPE] * at)
            value = max(0.0, (force - friction) / max(mass, LEAST))
            formula = (
                f"(F − friction)/mass = ({_number(force)} N at {_number(at)} mm/s − {_number(friction)} N)"
                f" / {_number(1e3 * mass)} kg = {_number(value)} mm/s²"
            )
            caps.append(Cap(value, torque_key(name), f"drive of motor {name}", formula))

    def _missing_of(self, name: str) -> list[str]:
        """The keys without which a motor's drive is not known."""
        motor = self.machine.motors.get(name)
        if motor is None or motor.torque_nm is None:
            return [torque_key(name)]
        return list(self.drives.missing) if self.drives is not None else []

    def _speeds(self, direction: Reals) -> Known:
        caps: list[Cap] = []
        missing: list[str] = []
        for name, share in self._turning(direction):
            motor = self.machine.motors.get(name)
            if motor is not None and motor.max_speed_mm_s is not None:
                value = motor.max_speed_mm_s / share
                formula = f"W/|j| = {_number(motor.max_speed_mm_s)} mm/s / {_number(share)} = {_number(value)} mm/s"
                caps.append(Cap(value, f"motors.{name}.max_speed_mm_s", f"motor {name}", formula))
            fastest = None if self.drives is None else self.drives.fastest.get(name)
            if fastest is None:
                missing.append(torque_key(name))
                continue
            formula = f"last row of the torque curve, {_number(fastest)} mm/s / {_number(share)}"
            caps.append(
                Cap(
                    fastest / share,
                    torque_key(name),
                    f"top speed of motor {name}",
                    f"{formula} = {_number(fastest / share)} mm/s",
                )
            )
        return Known(tuple(caps), tuple(missing))
