"""The hotend's cap: how much melts in a second."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from kinematics.machine import Machine

FLOW_KEY = "hotend.max_flow_mm3_s"
FlowTable = tuple[tuple[float, float], ...]


class Flow(NamedTuple):
    """The most that melts (mm³/s; infinity for no limit), and whether the table had no row for it and was held."""

    most: float
    held: bool


def filament_area(machine: Machine) -> float:
    """Cross-section of the filament (mm²): A = π d²/4."""
    return math.pi * machine.filament.diameter_mm**2 / 4.0


def filament_mass(machine: Machine, length: float) -> float | None:
    """Mass of a length of filament (mm) in g; None without its density."""
    density = machine.filament.density_g_cm3
    return None if density is None else length * filament_area(machine) * density / 1000.0


def flow_at(limit: float | FlowTable | None, temperature: float | None = None) -> Flow:
    """The most that melts at a temperature of the nozzle (°C; None where none is told).

    `limit` (mm³/s) or rows of (°C, mm³/s) with rising °C: linear between them, held at the first below it and at the
    last above it. A nozzle of which no temperature is told counts as one below the table. The temperature is the one
    that the job asks for; how fast the melt follows it is not modelled.
    """
    if limit is None:
        return Flow(math.inf, False)
    if isinstance(limit, (int, float)):
        return Flow(limit, False)
    temperatures, flows = zip(*limit, strict=True)
    at = -math.inf if temperature is None else temperature
    held = not temperatures[0] <= at <= temperatures[-1]
    return Flow(float(np.interp(at, temperatures, flows)), held)


def filament_speed_by_flow(machine: Machine, temperature: float | None = None) -> float:
    """Speed of the filament that the hotend's flow allows (mm/s): Q_max/A; infinity where no flow is given.

    `temperature` of the nozzle (°C) as in `flow_at`.
    """
    return flow_at(machine.hotend.max_flow_mm3_s, temperature).most / filament_area(machine)


def hangs_on_temperature(machine: Machine) -> bool:
    """Whether the hotend's flow is a table against the nozzle's temperature."""
    return isinstance(machine.hotend.max_flow_mm3_s, tuple)
