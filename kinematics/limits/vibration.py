"""What the filter rounds off and what it leaves ringing: the accelerations and changes of speed that quality allows."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from kinematics.errors import InputError
from kinematics.machine import Machine
from kinematics.machine.keys import AxisVibration
from kinematics.vibration.filters import OWN

if TYPE_CHECKING:
    from kinematics.vibration.filters import Filter
    from kinematics.vibration.residual import Mode

AXES = ("x", "y")
ROUNDING_KEY, RINGING_KEY = "quality.rounding_budget_mm", "quality.ringing_budget_mm"


class AxisQuality(NamedTuple):
    """What an axis may take within the budgets; infinity where nothing bounds it or a budget is not given.

    `ramp_rounding`, `ramp_ringing` accelerations (mm/s²); `corner_rounding` the change of speed of this axis alone
    whose rounding uses up what corners may (mm/s); `step_ringing` sudden change of speed (mm/s). Of a step of
    acceleration at the same instant as a sudden change of speed (mm/s²), twice `ramp_ringing`: `swing` where the two
    swing a quarter of a period apart, `swing_added` where they add up.
    """

    ramp_rounding: float = math.inf
    ramp_ringing: float = math.inf
    corner_rounding: float = math.inf
    step_ringing: float = math.inf
    swing: float = math.inf
    swing_added: float = math.inf


NOTHING_BOUND = AxisQuality()


def modes_of(vibration: AxisVibration) -> list[Mode]:
    """The modes of an axis that the machine file has."""
    from kinematics.vibration.residual import Mode

    return [Mode(one.frequency_hz, one.damping_ratio, one.frequency_uncertainty_share) for one in vibration.modes or ()]


def filter_of_axis(vibration: AxisVibration, axis: str) -> tuple[str, float, float]:
    """Name, frequency (Hz) and damping ratio of an axis's filter: the first mode's where the file leaves them out.

    Raises InputError where a filter is named and no frequency is known.
    """
    name = vibration.filter or "none"
    frequency, damping = vibration.filter_frequency_hz, vibration.filter_damping_ratio
    if frequency is None and not vibration.modes and name not in ("none", OWN):
        key = f"vibration.{axis}.filter"
        found = f'"{name}" is named without a frequency'
        raise InputError.at(key, found, f"vibration.{axis}.filter_frequency_hz, or a mode of the axis")
    mode = vibration.modes[0] if vibration.modes else None
    else_frequency, else_damping = (1.0, 0.0) if mode is None else (mode.frequency_hz, mode.damping_ratio)
    return name, else_frequency if frequency is None else frequency, else_damping if damping is None else damping


def filter_made(vibration: AxisVibration, axis: str) -> Filter:
    """The filter of an axis, one impulse where it has none.

    Raises InputError where it cannot be made: no frequency is known, or of one's own no impulses are.
    """
    from kinematics.vibration.filters import Filter, filter_named

    if vibration.filter != OWN:
        return filter_named(*filter_of_axis(vibration, axis))
    rows = vibration.filter_impulses
    if rows is None:
        key = f"vibration.{axis}.filter"
        raise InputError.at(key, f'"{OWN}" is named without impulses', f"vibration.{axis}.filter_impulses")
    whole = math.fsum(share for _, share in rows)
    return Filter(OWN, tuple(time for time, _ in rows), tuple(share / whole for _, share in rows))


class RoundingShares(NamedTuple):
    """What a rounding budget leaves (mm): `corners` their share of it, `ramps` twice theirs; infinity for no bound."""

    corners: float = math.inf
    ramps: float = math.inf


Filters = tuple["Filter | None", "Filter | None"]


@lru_cache(maxsize=256)
def _filters(*vibrations: AxisVibration) -> Filters:
    x, y = (None if one.filter is None else filter_made(one, axis) for one, axis in zip(vibrations, AXES, strict=True))
    return x, y


def filters_of(machine: Machine) -> Filters:
    """The filters of x and y, None where an axis has none; equal machines are given the same ones.

    Raises InputError where a filter cannot be made.
    """
    return _filters(machine.vibration.x, machine.vibration.y)


def rounds(machine: Machine) -> bool:
    """Whether a filter of the machine takes more than one place of the path together."""
    return any(one is not None and len(one.times) > 1 for one in filters_of(machine))


def rounding_of(machine: Machine) -> RoundingShares:
    """What the rounding budget ε leaves for corners, (1 − q)ε, and for ramps, 2qε; nothing where no filter rounds.

    Of the path as a whole: a distance, not a number an axis. Raises InputError where a filter cannot be made.
    """
    from kinematics.vibration.rounding import check_budget

    quality = machine.quality
    if quality.rounding_budget_mm is None or not rounds(machine):
        return RoundingShares()
    check_budget(quality.rounding_budget_mm, quality.rounding_split)
    corners = (1.0 - quality.rounding_split) * quality.rounding_budget_mm
    return RoundingShares(corners, 2.0 * quality.rounding_split * quality.rounding_budget_mm)


@lru_cache(maxsize=1024)
def _quality(
    vibration: AxisVibration, axis: str, rounding: float | None, split: float, ringing: float | None
) -> AxisQuality:
    from kinematics.vibration.ringing import acceleration_by_ringing, speed_change_by_ringing, swing_apart
    from kinematics.vibration.rounding import acceleration_by_rounding, half_spread

    command_filter = filter_made(vibration, axis)
    found = NOTHING_BOUND
    if rounding is not None and vibration.filter is not None:
        spread = half_spread(command_filter)
        found = found._replace(
            ramp_rounding=acceleration_by_rounding(command_filter, rounding, split),
            corner_rounding=(1.0 - split) * rounding / spread if spread > 0.0 else math.inf,
        )
    if ringing is not None and vibration.modes:
        modes = modes_of(vibration)
        ramp = acceleration_by_ringing(command_filter, modes, ringing)
        apart = swing_apart(modes)
        found = found._replace(
            ramp_ringing=ramp,
            step_ringing=speed_change_by_ringing(command_filter, modes, ringing),
            swing=2.0 * ramp if apart else math.inf,
            swing_added=math.inf if apart else 2.0 * ramp,
        )
    return found


def axis_quality(machine: Machine, axis: str) -> AxisQuality:
    """What one axis, x or y, may take within the machine's budgets; everything is proportional to its budget.

    a <= 2qε/σ² and, through corners, v·√Σ(w_k M_k/2)² <= (1 − q)ε; a <= ρ/(2·Σ max V/ω²), Δv <= ρ/Σ max V/ω, and
    both at one instant together (`vibration.rounding`, `vibration.ringing`). Raises InputError where the filter cannot
    be made.
    """
    vibration: AxisVibration = getattr(machine.vibration, axis)
    if vibration.filter is None and not vibration.modes:
        return NOTHING_BOUND
    quality = machine.quality
    return _quality(vibration, axis, quality.rounding_budget_mm, quality.rounding_split, quality.ringing_budget_mm)
