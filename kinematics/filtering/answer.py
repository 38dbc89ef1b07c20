"""From modes to the filters that print jobs soonest: the whole answer on vibration.

Modes come from recordings, from ripples on a printed wall, or from the machine file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from kinematics.errors import InputError, Notice
from kinematics.filtering.choice import FilterChoice, choose_filters
from kinematics.filtering.options import AxisOption, budgets_of, known_modes, option_of, settings_with, widened
from kinematics.filtering.settings_to_type import KICK, TypedSettings, settings_to_type
from kinematics.jobs.prepared import PreparedJob
from kinematics.limits.vibration import AXES
from kinematics.machine import Machine
from kinematics.notebook import NotebookTable, frame_of
from kinematics.vibration.filters import Filter, spread_of
from kinematics.vibration.modes import NORMAL, FittedMode, beside_strongest, fitted
from kinematics.vibration.recorded_modes import NOT_TOLD, SAME_MODE, modes_of_record
from kinematics.vibration.recording import Recording, swapped_notice
from kinematics.vibration.ringing import acceleration_by_ringing
from kinematics.vibration.rounding import acceleration_by_rounding
from kinematics.vibration.spectrum import Piece, Spectrum, even_pieces, spectrum_of
from kinematics.vibration.tailored import bands_of, tailored_to_budgets

if TYPE_CHECKING:
    import pandas


SEEN_IN = 0.5  # of the recordings of an axis: a mode that fewer show is left out, and said so
COUPLED = 0.3  # of the shaken axis's swing: an axis that moves so much is told
APART = 1.6  # times: cross-checks that differ by more are told
CALIPER = 0.1  # mm: how far off the length over some ripples is read (common practice, no source)
RIPPLE_DAMPING = (
    0.08,
    0.02,
    0.2,
)  # of which a wall tells nothing: usual, least and greatest (common practice, no source)
FROM_RECORDING, FROM_RIPPLE, FROM_FILE = "recording", "ripple", "machine file"
_RIPPLE = re.compile(r"\s*([a-z])\s*=\s*([\d.]+)\s*(?:/\s*(\d+))?\s*@\s*([\d.]+)\s*")


class ModeChecks(NamedTuple):
    """What else tells a mode's damping: half power in the spectrum, the logarithmic decrement of the record's own
    echo; None where they cannot. `others` how much each other axis swings with it, as a share of the shaken one.
    """

    half_power: float | None
    decrement: float | None
    others: Mapping[str, float]


class AxisFinding(NamedTuple):
    """What is known of one axis: where from, its modes with checks (none but from recordings), the kinds of shake, the
    spectrum (None but from recordings), and what is doubtful.
    """

    axis: str
    source: str
    modes: tuple[FittedMode, ...]
    checks: tuple[ModeChecks, ...]
    kinds: tuple[str, ...]
    spectrum: Spectrum | None
    notices: tuple[Notice, ...]


class Agreement(NamedTuple):
    """A mode that was found beside the machine file's nearest one (Hz); `within` where it lies inside what the file
    says of its uncertainty, `off` by how much of its frequency it is away.
    """

    axis: str
    found: float
    of_file: float
    off: float
    within: bool


def ripple_of(text: str) -> tuple[str, FittedMode]:
    """The axis and the mode of `x=2.6@120` (mm between ripples at mm/s), or `x=13/5@120` (mm over five of them).

    Spacing = speed/frequency (common practice, no source), a caliper's uncertainty on the length; a wall tells nothing
    of damping. Raises InputError for what says none.
    """
    allowed = "AXIS=SPACING@SPEED, such as x=2.6@120, or x=13/5@120 for 13 mm over 5 ripples"
    told = _RIPPLE.fullmatch(text)
    if told is None or told[1] not in AXES:
        raise InputError.at("--ripple", f"can't read {text!r}", allowed)
    try:
        length, count, speed = float(told[2]), int(told[3] or 1), float(told[4])
    except ValueError:
        length, count, speed = 0.0, 1, 0.0
    if not (length > 2.0 * CALIPER and count > 0 and speed > 0.0):
        raise InputError.at("--ripple", f"{text!r} is no spacing and speed", allowed)
    damping, least, most = RIPPLE_DAMPING
    return told[1], FittedMode(*frequency_of_ripples(length, count, speed), damping, least, most)


def frequency_of_ripples(length: float, count: int, speed: float) -> tuple[float, float, float]:
    """The frequency that ripples on a wall tell, and between what it lies (Hz): speed/spacing (common practice, no
    source), of `count` ripples over a `length` (mm, above a caliper's uncertainty) at a `speed` (mm/s).
    """
    return speed * count / length, speed * count / (length + CALIPER), speed * count / (length - CALIPER)


def modes_of_recordings(recordings: Sequence[Recording]) -> list[AxisFinding]:
    """The modes of each axis of which there are recordings; several of one axis are pooled."""
    found = []
    swapped = swapped_notice(recordings)
    for axis in AXES:
        of_axis = [one for one in recordings if one.axis == axis]
        if of_axis:
            finding = _finding(axis, of_axis)
            found.append(finding._replace(notices=(*finding.notices, *([swapped] if swapped else []))))
            swapped = None
    return found


def _finding(axis: str, recordings: Sequence[Recording]) -> AxisFinding:
    notices = [
        replace(notice, text=f"{PurePath(one.name).name}: {notice.text}")
        for one in recordings
        for notice in one.notices
    ]
    kinds, of_each, pieces = [], [], []
    for one in recordings:
        made = even_pieces(one.times, one.shaken, one.sampling)
        if not made:
            raise InputError.at(one.name, "so many samples are lost that no second of it is whole", "a whole record")
        shown = modes_of_record(made)
        kinds.append(shown.kind)
        of_each.append(shown.modes)
        pieces.append(made)
        if not shown.modes:
            text = f"{PurePath(one.name).name}: nothing of {axis} stands out of the noise; shake harder, or longer"
            notices.append(Notice(None, 1, text))
    modes, left_out = pooled(of_each)
    if left_out:
        where = ", ".join(f"{mode.frequency:.1f} Hz" for mode in left_out)
        notices.append(Notice(None, len(left_out), f"modes of {axis} that few of its recordings show: {where}"))
    for mode in modes:
        share = 0.5 * math.log(mode.damping_high / mode.damping_low)
        if share > NOT_TOLD:
            text = (
                f"the damping of {axis} at {mode.frequency:.1f} Hz cannot be told better than {share:.0%}: a longer "
                "record or a rising shake tells more"
            )
            notices.append(Notice(None, 1, text))
    best = max(range(len(pieces)), key=lambda k: sum(piece.seconds for piece in pieces[k]))
    same_rate = [piece for made in pieces for piece in made if piece.rate == pieces[best][0].rate]
    spectrum = spectrum_of(same_rate, kinds[best])
    others = _others(recordings[best], kinds[best])
    checks = tuple(_checked(mode, spectrum, pieces[best], others) for mode in modes)
    for mode, check in zip(modes, checks, strict=True):
        notices += _doubts(axis, mode, check)
    return AxisFinding(axis, FROM_RECORDING, modes, checks, tuple(kinds), spectrum, tuple(notices))


def pooled(of_each: Sequence[Sequence[FittedMode]]) -> tuple[tuple[FittedMode, ...], tuple[FittedMode, ...]]:
    """Modes of several recordings taken together, and those that too few of them show.

    Logarithms are averaged, each weighing as the square of its standard error; where recordings differ by more than
    their errors the interval is wider by that (R. Birge, Phys. Rev. 40:207-227, 1932).
    """
    groups: list[dict[int, FittedMode]] = []  # by the number of the recording
    for number, modes in enumerate(of_each):
        for mode in modes:
            for group in groups:
                other = next(iter(group.values()))
                width = 2.0 * max(mode.damping, other.damping) * other.frequency
                if number not in group and abs(mode.frequency - other.frequency) < SAME_MODE * width:
                    group[number] = mode
                    break
            else:
                groups.append({number: mode})
    shown = sum(bool(modes) for modes in of_each)
    kept = [_together([*group.values()]) for group in groups if len(group) >= SEEN_IN * shown]
    left = [_together([*group.values()]) for group in groups if len(group) < SEEN_IN * shown]
    heights = [mode._replace(strength=mode.strength * 2.0 * mode.damping) for mode in kept]
    return beside_strongest(heights), tuple(left)


def _together(modes: Sequence[FittedMode]) -> FittedMode:
    frequency, error = _weighted([(one.frequency, one.frequency_low, one.frequency_high) for one in modes])
    damping, damping_error = _weighted([(one.damping, one.damping_low, one.damping_high) for one in modes])
    return fitted(frequency, error, damping, damping_error, float(np.mean([one.strength for one in modes])))


def _weighted(numbers: Sequence[tuple[float, float, float]]) -> tuple[float, float]:
    """The weighted mean of some numbers with the ends of their intervals, and the standard error of its logarithm."""
    logarithms = np.log([value for value, _, _ in numbers])
    errors = np.array([max(math.log(high / low) / (2.0 * NORMAL), 1e-9) for _, low, high in numbers])
    weights = errors**-2 / (errors**-2).sum()
    mean = float(weights @ logarithms)
    error = float((errors**-2).sum() ** -0.5)
    if len(numbers) > 1:
        error *= max(1.0, math.sqrt(float((((logarithms - mean) / errors) ** 2).sum()) / (len(numbers) - 1)))
    return math.exp(mean), error


def _others(recording: Recording, kind: str) -> dict[str, Spectrum]:
    """Spectra of the axes that were not shaken."""
    return {
        name: spectrum_of(even_pieces(recording.times, values, recording.sampling), kind)
        for name, values in recording.accelerations.items()
        if name != recording.axis and values.std() > 0.0
    }


def _band_power(spectrum: Spectrum, mode: FittedMode) -> float:
    near = np.abs(spectrum.frequency - mode.frequency) <= max(mode.damping * mode.frequency, spectrum.frequency[1])
    return float(spectrum.power[near].mean())


def _checked(
    mode: FittedMode, spectrum: Spectrum, pieces: Sequence[Piece], others: Mapping[str, Spectrum]
) -> ModeChecks:
    own = _band_power(spectrum, mode)
    moved = {name: math.sqrt(_band_power(one, mode) / own) for name, one in others.items()} if own > 0.0 else {}
    return ModeChecks(half_power_damping(spectrum, mode.frequency), echo_damping(pieces, mode), moved)


def half_power_damping(spectrum: Spectrum, frequency: float) -> float | None:
    """Half the width of a peak at half its power, as a share of its frequency; None where the bins are too coarse for
    it, or the power does not fall so far on both sides.
    """
    step = float(spectrum.frequency[1])
    near = np.flatnonzero(np.abs(spectrum.frequency - frequency) <= max(0.1 * frequency, 2.0 * step))
    top = int(near[np.argmax(spectrum.power[near])])
    half = 0.5 * float(spectrum.power[top])
    ends = []
    for side in (-1, 1):
        place = top
        while 0 < place < spectrum.power.size - 1 and spectrum.power[place] > half:
            place += side
        if spectrum.power[place] > half:
            return None
        inside, outside = float(spectrum.power[place - side]), float(spectrum.power[place])
        ends.append(place - side * (half - outside) / (inside - outside))
    width = (ends[1] - ends[0]) * step
    return width / (2.0 * frequency) if width >= 4.0 * step else None


ECHO_BAND = 4.0  # half-power widths about a mode that its echo is taken from
ECHO_FROM, ECHO_TO = 0.8, 0.3  # of its first height between which its fall is looked at


def echo_damping(pieces: Sequence[Piece], mode: FittedMode) -> float | None:
    """The damping by the logarithmic decrement of a record's echo (its autocovariance in a band about the mode)."""
    piece = max(pieces, key=lambda one: one.seconds)
    transform = np.fft.rfft(piece.values - piece.values.mean())
    frequency = np.fft.rfftfreq(piece.values.size, 1.0 / piece.rate)
    half = ECHO_BAND * max(mode.damping * mode.frequency, 0.5)
    weights = np.exp(-0.5 * ((frequency - mode.frequency) / half) ** 4)
    echo = np.abs(np.fft.ifft(np.abs(transform) ** 2 * weights, piece.values.size))
    echo = echo[: echo.size // 2] / echo[0]
    first, last = int(np.argmax(echo < ECHO_FROM)), int(np.argmax(echo < ECHO_TO))
    if last - first < 4:
        return None
    time = np.arange(first, last) / piece.rate
    slope = float(np.polyfit(time, np.log(echo[first:last]), 1)[0])
    return -slope / (2.0 * math.pi * mode.frequency)


def _doubts(axis: str, mode: FittedMode, check: ModeChecks) -> Iterable[Notice]:
    for name, share in check.others.items():
        if share > COUPLED:
            text = f"at {mode.frequency:.1f} Hz {name} swings {share:.0%} as much as {axis}, which was shaken"
            yield Notice(None, 1, text)
    told = [value for value in (check.half_power, check.decrement) if value is not None]
    if len(told) == 2 and all(max(value / mode.damping, mode.damping / value) > APART for value in told):
        ways = f"{told[0]:.3f} by half power and {told[1]:.3f} by the decrement"
        yield Notice(None, 1, f"damping of {axis} at {mode.frequency:.1f} Hz: {mode.damping:.3f} fitted, but {ways}")


def modes_known(
    machine: Machine, recordings: Sequence[Recording] = (), ripples: Sequence[tuple[str, FittedMode]] = ()
) -> list[AxisFinding]:
    """What is known of each axis: by recordings, else by ripples, else by the machine file."""
    found = {one.axis: one for one in modes_of_recordings(recordings)}
    for axis in AXES:
        of_axis = [[mode] for name, mode in ripples if name == axis]
        if of_axis and axis not in found:
            modes, apart = pooled(of_axis)
            found[axis] = AxisFinding(axis, FROM_RIPPLE, (*modes, *apart), (), (), None, ())
    for axis, modes in known_modes(machine).items():
        if axis not in found or not found[axis].modes:
            guessed = [one for one in getattr(machine.vibration, axis).modes if not one.frequency_uncertainty_share]
            text = f"vibration.{axis}.modes: how far off the frequency may be is not said; taken as 10 %"
            notices = (Notice(None, len(guessed), text, "modes"),) if guessed else ()
            found[axis] = AxisFinding(axis, FROM_FILE, modes, (), (), None, notices)
    return [found[axis] for axis in AXES if axis in found]


def agreements(machine: Machine, findings: Sequence[AxisFinding]) -> list[Agreement]:
    """Each mode that was measured beside the nearest one that the machine file has for its axis."""
    of_file = known_modes(machine)
    rows = []
    for one in findings:
        if one.source == FROM_FILE:
            continue
        for mode in one.modes:
            if known := of_file.get(one.axis, ()):
                nearest = min(known, key=lambda other: abs(math.log(other.frequency / mode.frequency)))
                within = nearest.frequency_low <= mode.frequency <= nearest.frequency_high
                off = mode.frequency / nearest.frequency - 1.0
                rows.append(Agreement(one.axis, mode.frequency, nearest.frequency, off, within))
    return rows


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
        settings = {key: value for option in self.choice.best.options for key, value in option.settings.items()}
        settings |= {f"vibration.{one.axis}.modes": [mode_row(mode) for mode in one.modes] for one in self.findings}
        settings |= {f"axes.{axis}.max_acceleration_mm_s2": most for axis, most in self.axis_limits.items()}
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
        return frame_of(filter_rows(self.choice))

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
        settings = settings_with(choice.best.options, choice.budgets.rounding, choice.budgets.ringing)
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
