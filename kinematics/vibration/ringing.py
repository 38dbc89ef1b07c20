"""Ringing: what single kicks leave an axis swinging by, and the limits that keep each of them within a budget.

Amplitudes, not peak to peak, of the swing about the place where the tip would lag at rest; the curve through the peaks
of the dying swing, at its start. Whether the damping acts against the frame or within the axis makes no difference to
them. An axis with several modes swings at worst by the sum of theirs, each as if all of the motion excited it; the
limits hold that sum, and so each mode, within the budget.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from kinematics.errors import InputError
from kinematics.vibration.filters import Filter
from kinematics.vibration.residual import Mode, residual, worst_residual


def swing_after_acceleration(command_filter: Filter, frequency: float, damping: float, step: float) -> float:
    """Swing (mm) that a step of acceleration (mm/s²) leaves of a true mode of `frequency` (Hz): V·a/ω².

    The top of a short move is one step of twice its acceleration.
    """
    omega = 2.0 * math.pi * frequency
    return float(residual(command_filter, omega, damping)) * abs(step) / omega**2


def swing_after_speed_change(command_filter: Filter, frequency: float, damping: float, change: float) -> float:
    """Swing (mm) that a sudden change of speed (mm/s) of the axis leaves of a true mode of `frequency` (Hz): V·Δv/ω."""
    omega = 2.0 * math.pi * frequency
    return float(residual(command_filter, omega, damping)) * abs(change) / omega


def _worst_of_all(command_filter: Filter, modes: Sequence[Mode], budget: float, power: int) -> float:
    """Sum over the modes of the largest V/ω^power; raises InputError for a budget that is none."""
    if not budget > 0.0:
        raise InputError.at("ringing budget", f"{budget:g} mm", "above 0")
    return math.fsum(worst_residual(command_filter, mode, power) for mode in modes)


def acceleration_by_ringing(command_filter: Filter, modes: Sequence[Mode], budget: float) -> float:
    """The acceleration (mm/s²) that an axis may take within a ringing `budget` ρ (mm) for each kick: ρ/(2·Σ max V/ω²).

    The maximum over what each mode's frequency may be, the sum over the modes; half, since the top of a short move is a
    step of 2a. Infinite without modes. Raises InputError for a budget or mode that is none.
    """
    worst = _worst_of_all(command_filter, modes, budget, 2)
    return budget / (2.0 * worst) if worst > 0.0 else math.inf


def speed_change_by_ringing(command_filter: Filter, modes: Sequence[Mode], budget: float) -> float:
    """The sudden change of speed (mm/s) that an axis may take within a ringing `budget` ρ (mm): ρ/Σ max V/ω.

    As `acceleration_by_ringing`. Raises InputError for a budget or mode that is none.
    """
    worst = _worst_of_all(command_filter, modes, budget, 1)
    return budget / worst if worst > 0.0 else math.inf


def swing_apart(modes: Sequence[Mode]) -> bool:
    """Whether a step of acceleration and a sudden change of speed at one instant swing a quarter of a period apart.

    Those of one undamped mode do, by (Δa/ω²)² + (Δv/ω)² together. Damped they swing less than that apart, and of
    several modes each has its own: then it is the sum of both that is held.
    """
    return len(modes) == 1 and modes[0].damping == 0.0
