"""What the slow twin of the planner is told: moves and limits, one by one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from .turns import Vector

UNLIMITED: Vector = (math.inf, math.inf, math.inf)


@dataclass(frozen=True)
class NaiveMove:
    """One move: displacement, filament fed (mm), commanded speed (mm/s, infinite if none), kind, layer, rest before."""

    dx: float = 0.0
    dy: float = 0.0
    dz: float = 0.0
    de: float = 0.0
    speed: float = math.inf
    kind: str = "print"  # "print", "travel", "filament"
    layer: int = 1
    stop_before: bool = False
    nozzle: float | None = None  # °C that the job asks for
    size: float = 20.0  # bytes in the file

    @property
    def displacement(self) -> Vector:
        """Where the tool goes, seen from where it was (mm)."""
        return (self.dx, self.dy, self.dz)


@dataclass(frozen=True)
class NaiveMotor:
    """A motor's torque (Nm, falling) against rev/min, travel a revolution (mm), inertia (kg·m²), usable share."""

    torque: tuple[tuple[float, float], ...]
    mm_per_rev: float
    inertia: float
    usable: float


@dataclass(frozen=True)
class NaiveCaps:
    """What lowers limits beside the limits themselves; nothing does where it is left out."""

    filters: Mapping[str, tuple[int, float, float]] = field(default_factory=dict)  # by axis: impulses, Hz, damping
    modes: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)  # by axis: Hz, damping
    rounding_budget: float = math.inf  # mm
    rounding_split: float = 0.5
    ringing_budget: float = math.inf  # mm
    moves_per_s: float = math.inf
    bytes_per_s: float = math.inf
    flow_table: tuple[tuple[float, float], ...] = ()  # °C, mm³/s; stands for max_flow where it has rows
    pressure_advance: float = 0.0  # s
    motors: Mapping[str, NaiveMotor] = field(default_factory=dict)
    masses: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # kg, along x, y, z, e
    frictions: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # N


@dataclass(frozen=True)
class NaiveLimits:
    """All that the planner is told about the machine; what is left out is the machine file's default or no limit."""

    axis_speed: Vector = UNLIMITED
    axis_acceleration: Vector = UNLIMITED
    extruder_speed: float = math.inf  # mm/s of filament
    extruder_acceleration: float = math.inf
    print_acceleration: float = 600.0
    travel_acceleration: float = 800.0
    filament_acceleration: float = 800.0
    max_flow: float = math.inf  # mm³/s
    filament_area: float = math.pi * 1.75**2 / 4  # mm²
    speed_cap: float = math.inf
    feed_override: Mapping[str, float] = field(default_factory=dict)  # by kind; 1 where a kind is left out
    replaced_speed: Mapping[str, float] | None = None  # by kind, stands for the file's F
    first_layers_count: int = 0
    keep_commanded_speed: bool = False
    corner_rule: str = "junction deviation"  # or "axis steps"
    junction_deviation: float = 0.05  # mm
    speed_step: Vector = UNLIMITED  # mm/s, for "axis steps"
    extruder_step: float = math.inf  # mm/s of filament
    curve_rule: bool = True
    short_run: float = 0.05  # mm
    curve_window: float = 0.25  # mm
    lookahead: int | None = None
    mechanism: str = "cartesian"  # or "crossed-belt", "linear-delta"
    motor_speed: Mapping[str, float] = field(default_factory=dict)  # by motor (mm/s); no limit where one is left out
    motor_acceleration: Mapping[str, float] = field(default_factory=dict)
    arm: float = 250.0  # mm, of a linear delta
    tower_radius: float = 125.0
    tower_angles: Vector = (210.0, 330.0, 90.0)  # degrees
    start: Vector = (0.0, 0.0, 0.0)  # where the first move starts (mm)
    caps: NaiveCaps = field(default_factory=NaiveCaps)
