"""Filters for one axis: what each takes of a rounding and a ringing budget over all modes within their intervals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from kinematics.limits.vibration import AXES
from kinematics.machine import Machine
from kinematics.vibration.filters import HIGHEST_DAMPING, OWN, Filter, filter_named
from kinematics.vibration.modes import FittedMode
from kinematics.vibration.residual import Mode, worst_residual
from kinematics.vibration.ringing import acceleration_by_ringing, speed_change_by_ringing
from kinematics.vibration.rounding import acceleration_by_rounding, half_spread

ModesByAxis = Mapping[str, tuple[FittedMode, ...]]

USUAL_UNCERTAINTY = 0.1  # of a frequency of which nobody says how far off it may be (common practice, no source)
USUAL_ROUNDING, USUAL_RINGING = 0.10, 0.02  # mm, where the machine file names no budgets (common practice, no source)
FREQUENCIES = 41  # that a type is tried at
BELOW, ABOVE = 0.75, 1.45  # times the lowest and the highest frequency of the modes
KEPT = 4  # frequencies of a type that are looked at in pairs: none of them beaten by another in everything


class Budgets(NamedTuple):
    """What rounding and ringing may cost (mm), the share of rounding that ramps have, and whether the machine file says
    so."""

    rounding: float
    ringing: float
    split: float
    told: bool


class AxisOption(NamedTuple):
    """A filter on one axis: its type, `frequency` (Hz) and `damping` that it is made for; each mode of the axis as it
    rings most within its intervals; what of a mode it leaves at worst (`residual`); the accelerations (mm/s²) that the
    budgets take along the axis, and the sudden changes of its speed (mm/s).
    """

    axis: str
    filter: Filter
    frequency: float
    damping: float
    modes: tuple[Mode, ...]
    residual: float
    rounding_limit: float
    ringing_limit: float
    corner_rounding: float
    corner_ringing: float

    @property
    def acceleration(self) -> float:
        """What both budgets take (mm/s²)."""
        return min(self.rounding_limit, self.ringing_limit)

    @property
    def corner_change(self) -> float:
        """The change of speed that both budgets take at a corner (mm/s)."""
        return min(self.corner_rounding, self.corner_ringing)

    @property
    def held_by(self) -> str:
        """Which budget stops it first."""
        return "rounding" if self.rounding_limit <= self.ringing_limit else "ringing"

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a machine file that say so."""
        key = f"vibration.{self.axis}."
        own = self.filter.name == OWN
        rows = [[time, share] for time, share in zip(self.filter.times, self.filter.amplitudes, strict=True)]
        return {
            f"{key}filter": self.filter.name,
            f"{key}filter_frequency_hz": None if own or self.filter.name == "none" else self.frequency,
            f"{key}filter_damping_ratio": None if own or self.filter.name == "none" else self.damping,
            f"{key}filter_impulses": rows if own else None,
            f"{key}modes": [
                {
                    "frequency_hz": one.frequency,
                    "damping_ratio": one.damping,
                    "frequency_uncertainty_share": one.uncertainty,
                }
                for one in self.modes
            ],
        }


def settings_with(options: Iterable[AxisOption], rounding: float, ringing: float) -> dict[str, Any]:
    """The keys of a machine file with a filter on each axis and both budgets (mm)."""
    budgets = {"quality.rounding_budget_mm": rounding, "quality.ringing_budget_mm": ringing}
    return budgets | {key: value for one in options for key, value in one.settings.items()}


def filter_words(option: AxisOption) -> str:
    """A filter as it is told: its type and its frequency."""
    if option.filter.name == "none":
        return "no filter"
    if option.filter.name == OWN:
        return "own filter"
    return f"{option.filter.name} {option.frequency:.1f} Hz"


def known_modes(machine: Machine) -> dict[str, tuple[FittedMode, ...]]:
    """The modes of a machine file, by axis; one without uncertainty is taken with a tenth."""
    return {
        axis: tuple(
            mode_within(one.frequency_hz, one.damping_ratio, one.frequency_uncertainty_share or USUAL_UNCERTAINTY)
            for one in modes
        )
        for axis in AXES
        if (modes := getattr(machine.vibration, axis).modes)
    }


def mode_within(frequency: float, damping: float, uncertainty: float) -> FittedMode:
    """A mode of which the damping is taken as it is, and the frequency may be off by a share."""
    return FittedMode(
        frequency, frequency * (1.0 - uncertainty), frequency * (1.0 + uncertainty), damping, damping, damping
    )


def widened(modes: Sequence[FittedMode], least: float) -> tuple[FittedMode, ...]:
    """Modes whose frequencies may be off by a share at least."""
    return tuple(
        one._replace(
            frequency_low=min(one.frequency_low, one.frequency * (1.0 - least)),
            frequency_high=max(one.frequency_high, one.frequency * (1.0 + least)),
        )
        for one in modes
    )


def budgets_of(machine: Machine) -> Budgets:
    """The budgets of a machine file, or usual ones where it names none."""
    quality = machine.quality
    rounding, ringing = quality.rounding_budget_mm, quality.ringing_budget_mm
    told = rounding is not None and ringing is not None
    return Budgets(rounding or USUAL_ROUNDING, ringing or USUAL_RINGING, quality.rounding_split, told)


def at_worst(command_filter: Filter, mode: FittedMode) -> Mode:
    """A mode as a filter leaves most of it: over its frequencies, with that damping of its interval which is worst."""
    share = max(mode.frequency_high / mode.frequency - 1.0, 1.0 - mode.frequency_low / mode.frequency)
    dampings = dict.fromkeys((mode.damping_low, mode.damping, mode.damping_high))
    tried = [Mode(mode.frequency, min(damping, 0.99), min(share, 0.99)) for damping in dampings]
    return max(tried, key=lambda one: worst_residual(command_filter, one, 2))


def option_of(
    axis: str, command_filter: Filter, frequency: float, damping: float, modes: Sequence[FittedMode], budgets: Budgets
) -> AxisOption:
    """What a filter takes of an axis's budgets over all of its modes within their intervals."""
    worst = tuple(at_worst(command_filter, mode) for mode in modes)
    spread = half_spread(command_filter)
    left = max((worst_residual(command_filter, mode, 2) * _angular(mode, -1.0) ** 2 for mode in worst), default=0.0)
    return AxisOption(
        axis,
        command_filter,
        frequency,
        damping,
        worst,
        left,
        acceleration_by_rounding(command_filter, budgets.rounding, budgets.split),
        acceleration_by_ringing(command_filter, worst, budgets.ringing),
        (1.0 - budgets.split) * budgets.rounding / spread if spread > 0.0 else math.inf,
        speed_change_by_ringing(command_filter, worst, budgets.ringing),
    )


def _angular(mode: Mode, side: float) -> float:
    return 2.0 * math.pi * mode.frequency * (1.0 + side * mode.uncertainty)


def options_on(axis: str, modes: Sequence[FittedMode], budgets: Budgets, names: Sequence[str]) -> list[AxisOption]:
    """The filters of some types on one axis at design frequencies about its modes; of each type those that no other
    one of it beats in ramps and at corners alike.
    """
    damping = float(f"{max(modes, key=lambda one: one.strength).damping:.3g}")
    low, high = BELOW * min(one.frequency_low for one in modes), ABOVE * max(one.frequency_high for one in modes)
    ladder = [*np.geomspace(low, high, FREQUENCIES).tolist(), *(one.frequency for one in modes)]
    ladder = sorted({as_typed(frequency) for frequency in ladder})
    found = []
    for name in names:
        if damping > HIGHEST_DAMPING.get(name, 1.0):
            continue
        frequencies = ladder if name != "none" else [modes[0].frequency]
        options = [
            option_of(axis, filter_named(name, frequency, damping), frequency, damping, modes, budgets)
            for frequency in frequencies
        ]
        found += _unbeaten(options)
    return found


def as_typed(number: float) -> float:
    """A number with four digits, as one types it."""
    return float(f"{number:.4g}")


def _unbeaten(options: Sequence[AxisOption]) -> list[AxisOption]:
    """Options that none other beats in both acceleration and change of speed, no more than `KEPT` of them."""
    kept = [
        one
        for one in options
        if not any(
            other.acceleration >= one.acceleration
            and other.corner_change >= one.corner_change
            and (other.acceleration, other.corner_change) != (one.acceleration, one.corner_change)
            for other in options
        )
    ]
    kept.sort(key=lambda one: one.acceleration)
    if len(kept) <= KEPT:
        return kept
    places = np.linspace(0, len(kept) - 1, KEPT).round().astype(int)
    return [kept[place] for place in places.tolist()]
