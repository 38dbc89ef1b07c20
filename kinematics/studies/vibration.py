"""From modes to the filters that print jobs soonest: the whole answer on vibration."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.machine import Machine
from kinematics.notebook import NotebookTable
from kinematics.studies.filter_choice import FilterChoice, choose_filters
from kinematics.studies.filter_options import AxisOption, budgets_of, option_of, widened
from kinematics.studies.prepared import PreparedJob
from kinematics.studies.settings_to_type import KICK, TypedSettings, settings_to_type
from kinematics.studies.vibration_modes import Agreement, AxisFinding, agreements, modes_known
from kinematics.vibration.filters import Filter, spread_of
from kinematics.vibration.modes import FittedMode
from kinematics.vibration.recording import Recording
from kinematics.vibration.ringing import acceleration_by_ringing
from kinematics.vibration.rounding import acceleration_by_rounding
from kinematics.vibration.tailored import bands_of, tailored_to_budgets

if TYPE_CHECKING:
    import pandas

Cell = str | float | int | bool | None


class OwnFilter(NamedTuple):
    """A filter of one's own for an axis: what it takes of the budgets, the best named type beside it, and how much less
    it spreads (σ² as a share of that one's).
    """

    option: AxisOption
    named: AxisOption
    spread_share: float

    @property
    def gained_mm_s2(self) -> float:
        """How much more acceleration it takes (mm/s²)."""
        return self.option.acceleration - self.named.acceleration


@dataclass(frozen=True, repr=False)
class VibrationStudy(NotebookTable):
    """The modes of a machine, the filters for them, and what to set.

    `own` filters of one's own with `own_choice`, the jobs under them (empty and None unless asked for); `typed` the one
    acceleration and corner setting for a controller (None without jobs).
    """

    machine: Machine
    jobs: tuple[str, ...]
    findings: tuple[AxisFinding, ...]
    agreements: tuple[Agreement, ...]
    choice: FilterChoice
    own: tuple[OwnFilter, ...]
    own_choice: FilterChoice | None
    typed: TypedSettings | None

    @property
    def settings(self) -> dict[str, Any]:
        """The keys of a machine file that say all of this: modes, filters, accelerations."""
        settings: dict[str, Any] = {}
        for option in self.choice.best.options:
            settings |= option.settings
        for finding in self.findings:
            settings[f"vibration.{finding.axis}.modes"] = [mode_row(mode) for mode in finding.modes]
        for axis, acceleration in self.axis_limits.items():
            settings[f"axes.{axis}.max_acceleration_mm_s2"] = acceleration
        settings["motion.print_acceleration_mm_s2"] = rounded_down(self.choice.accelerations.print)
        budgets = self.choice.budgets
        if not budgets.told or self.choice.ringing_budget < budgets.ringing:
            settings["quality.rounding_budget_mm"] = budgets.rounding
            settings["quality.ringing_budget_mm"] = rounded_down(self.choice.ringing_budget)
        return {key: value for key, value in settings.items() if self.machine.value_of(key) != value}

    @property
    def axis_limits(self) -> dict[str, float]:
        """The limit to set for the acceleration of each axis (mm/s²), never above one that the machine file has."""
        found = {}
        for axis, acceleration in self.choice.accelerations.axes.items():
            now = getattr(self.machine.axes, axis).max_acceleration_mm_s2
            if math.isfinite(acceleration) or now is not None:
                found[axis] = rounded_down(acceleration) if now is None else min(now, rounded_down(acceleration))
        return found

    def to_frame(self) -> pandas.DataFrame:
        """One row a type of filter and axis, best first, columns as in `filter_rows`."""
        import pandas

        return pandas.DataFrame(filter_rows(self.choice))

    def __repr__(self) -> str:
        modes = ", ".join(f"{one.axis} {mode.frequency:.1f} Hz" for one in self.findings for mode in one.modes)
        return f"<Vibration of {self.machine.name}: {modes}; best: {self.choice.best.words}>"


def mode_row(mode: FittedMode) -> dict[str, float]:
    """A mode as a machine file has it: the greater side of its interval is its uncertainty."""
    share = max(mode.frequency_high / mode.frequency - 1.0, 1.0 - mode.frequency_low / mode.frequency)
    return {
        "frequency_hz": float(f"{mode.frequency:.5g}"),
        "damping_ratio": float(f"{mode.damping:.3g}"),
        "frequency_uncertainty_share": float(f"{share:.2g}"),
    }


def filter_rows(choice: FilterChoice) -> list[dict[str, Cell]]:
    """One row a type of filter and axis, the quickest of each axis first."""
    return [
        {
            "axis": one.axis,
            "filter": one.filter.name,
            "frequency_hz": None if one.filter.name == "none" else one.frequency,
            "residual_share": one.residual,
            "rounding_limit_mm_s2": finite(one.rounding_limit),
            "ringing_limit_mm_s2": finite(one.ringing_limit),
            "acceleration_mm_s2": finite(one.acceleration),
            "corner_change_mm_s": finite(one.corner_change),
            "variance_s2": spread_of(one.filter).variance,
            "mean_deviation_s": spread_of(one.filter).mean_deviation,
            "held_by": one.held_by,
            "total_s": total,
        }
        for one, total in zip(choice.by_axis, choice.totals_by_axis, strict=True)
    ]


def rounded_down(value: float) -> float:
    """A number with three digits, as one types it, never above what it was."""
    if not 0.0 < value < math.inf:
        return value
    unit = 10.0 ** (math.floor(math.log10(value)) - 2)
    return float(f"{math.floor(value / unit) * unit:.6g}")


def finite(value: float) -> float | None:
    """A number, None for no bound."""
    return value if value < float("inf") else None


def vibration_of(
    machine: Machine,
    recordings: Sequence[Recording] = (),
    ripples: Sequence[tuple[str, FittedMode]] = (),
    jobs: Sequence[PreparedJob] = (),
    names: Sequence[str] = (),
    weights: Sequence[float] | None = None,
    counted: str = KICK,
    own: bool = False,
    least_uncertainty: float = 0.0,
    hear: Callable[[float], None] = lambda _: None,
) -> VibrationStudy:
    """The modes of a machine, the filters with which jobs print soonest inside its budgets, and what to set.

    Modes by recordings, else by ripples, else by the machine file, their frequencies off by `least_uncertainty` at
    least. `own` looks for filters of one's own as well; `hear` is told about how far the choice is. Raises InputError
    where no mode is known.
    """
    findings = [
        one._replace(modes=widened(one.modes, least_uncertainty)) for one in modes_known(machine, recordings, ripples)
    ]
    modes = {one.axis: one.modes for one in findings}
    choice = choose_filters(machine, modes, jobs, weights, counted, hear=hear)
    of_own: tuple[OwnFilter, ...] = ()
    own_choice = None
    if own:
        of_own = tuple(_own(option, modes[option.axis], choice) for option in choice.best.options)
        further = [one.option for one in of_own]
        own_choice = choose_filters(machine, modes, jobs, weights, counted, (), further)
    typed = None
    if jobs:
        settings: dict[str, Any] = {
            "quality.rounding_budget_mm": choice.budgets.rounding,
            "quality.ringing_budget_mm": choice.budgets.ringing,
        }
        for option in choice.best.options:
            settings |= option.settings
        typed = settings_to_type(machine.with_settings(settings, "filter choice"), jobs, weights, counted)
    return VibrationStudy(
        machine,
        tuple(names),
        tuple(findings),
        tuple(agreements(machine, findings)),
        choice,
        of_own,
        own_choice,
        typed,
    )


def _own(best: AxisOption, modes: Sequence[FittedMode], choice: FilterChoice) -> OwnFilter:
    """The filter of one's own with which an axis takes most, beside the named type that takes most."""
    budgets = budgets_of(choice.machine)
    named = max((one for one in choice.by_axis if one.axis == best.axis), key=lambda one: one.acceleration)

    def acceleration_of(command_filter: Filter) -> tuple[float, float]:
        worst = option_of(best.axis, command_filter, best.frequency, best.damping, modes, budgets).modes
        return (
            acceleration_by_rounding(command_filter, budgets.rounding, budgets.split),
            acceleration_by_ringing(command_filter, worst, budgets.ringing),
        )

    made = tailored_to_budgets(bands_of(modes), acceleration_of)
    option = option_of(best.axis, made, modes[0].frequency, modes[0].damping, modes, budgets)
    spread = spread_of(named.filter).variance
    return OwnFilter(option, named, spread_of(made).variance / spread if spread > 0.0 else 1.0)
