"""The hotend's cap: how much melts in a second."""

from __future__ import annotations

import math

from kinematics.machine import Machine


def filament_area(machine: Machine) -> float:
    """Cross-section of the filament (mm²): A = π d²/4."""
    return math.pi * machine.filament.diameter_mm**2 / 4.0


def filament_speed_by_flow(machine: Machine) -> float:
    """Speed of the filament that the hotend's flow allows (mm/s): Q_max/A; infinity where no flow is given."""
    flow = machine.hotend.max_flow_mm3_s
    return math.inf if flow is None else flow / filament_area(machine)
