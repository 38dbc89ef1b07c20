"""Pictures of vibration: spectrum and modes, what each filter leaves, a corner as printed, time against budgets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.outputs import refuse_to_overwrite, write_whole
from kinematics.reports.lettering import TITLE, lettered
from kinematics.reports.style import blank, check_kind, save
from kinematics.studies.filter_options import filter_words
from kinematics.wording import duration_text, quantity_text

if TYPE_CHECKING:
    from kinematics.studies.filter_options import AxisOption
    from kinematics.studies.prepared import PreparedJob
    from kinematics.studies.vibration import VibrationStudy
    from kinematics.studies.vibration_modes import AxisFinding

PARTS = ("spectrum", "filters", "corner", "time")
MINUTE = 60.0
TRIED = 14  # accelerations of the curve of time
BAND = {"facecolor": "0.85", "edgecolor": "0.45", "hatch": "///", "linewidth": 0.0}


def check_pictures(path: Path, force: bool, read: Iterable[str]) -> None:
    """Refuse what cannot be drawn or written before any work is done."""
    check_kind(path, "--pictures")
    for part in PARTS:
        refuse_to_overwrite(part_of(path, part), force, read)


def part_of(path: Path, part: str) -> Path:
    """The file of one picture: shake.png has shake-filters.png."""
    return path.with_name(f"{path.stem}-{part}{path.suffix}")


def draw_vibration(
    found: VibrationStudy,
    jobs: Sequence[PreparedJob],
    weights: Sequence[float],
    path: Path,
    force: bool,
    read: Iterable[str],
) -> Iterator[Path]:
    """Draw what there is to draw, and yield the file of each picture."""
    known = list(read)
    drawings = {"filters": _filters(found)}
    if any(one.spectrum is not None for one in found.findings):
        drawings["spectrum"] = _spectra([one for one in found.findings if one.spectrum is not None])
    if jobs:
        drawings["time"] = _time(found, jobs, weights)
        if found.choice.rounding:
            drawings["corner"] = _corner(found, jobs)
    for part, figure in sorted(drawings.items()):
        name = part_of(path, part)
        write_whole(name, lambda file, figure=figure: save(figure, file), force, known)  # type: ignore[misc]
        yield name


def _spectra(findings: Sequence[AxisFinding]) -> Any:
    """The power of each recorded axis against frequency, its modes as bands of their intervals."""
    figure = blank(7.5, 3.2 * len(findings))
    rows = figure.subplots(len(findings), 1, squeeze=False)[:, 0]
    for axes, one in zip(rows, findings, strict=True):
        spectrum = one.spectrum
        assert spectrum is not None  # only such are drawn
        top = 1.6 * max((mode.frequency for mode in one.modes), default=100.0)
        shown = (spectrum.frequency >= 5.0) & (spectrum.frequency <= max(top, 60.0))
        axes.semilogy(spectrum.frequency[shown], spectrum.power[shown], color="black", linewidth=1.0)
        axes.margins(x=0.0)
        for mode in one.modes:
            axes.axvspan(mode.frequency_low, mode.frequency_high, **BAND)
            axes.axvline(mode.frequency, color="black", linestyle="--", linewidth=0.9)
            interval = f"{mode.frequency_low:.4g} to {mode.frequency_high:.4g} Hz"
            note = f"{mode.frequency:.4g} Hz, damping {mode.damping:.2g}\n{interval}"
            place = (mode.frequency, 0.03)
            axes.annotate(
                note,
                place,
                xycoords=("data", "axes fraction"),
                xytext=(4, 0),
                textcoords="offset points",
                fontsize=8,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
            )
        axes.set_ylabel(f"{one.axis}: power ((mm/s²)²/Hz)")
        axes.set_title(f"{one.axis} axis shaken: modes, and where they may lie (95 %)", fontsize=10, loc="left")
    rows[-1].set_xlabel("frequency (Hz)")
    return figure


def _filters(found: VibrationStudy) -> Any:
    """One small panel a filter, what it leaves against frequency, the mode's interval as a band; quickest first."""
    choice = found.choice
    own = [one.option for one in found.own]
    by_axis = {
        finding.axis: [
            *(
                (one, total)
                for one, total in zip(choice.by_axis, choice.totals_by_axis, strict=True)
                if one.axis == finding.axis
            ),
            *((one, None) for one in own if one.axis == finding.axis),
        ]
        for finding in found.findings
    }
    across = max(len(options) for options in by_axis.values())
    figure = blank(1.9 * across, 2.1 * len(by_axis) + 0.4)
    rows = figure.subplots(len(by_axis), across, squeeze=False, sharey=True)
    for row, finding in zip(rows, found.findings, strict=True):
        options = by_axis[finding.axis]
        low = 0.6 * min(mode.frequency_low for mode in finding.modes)
        high = 1.5 * max(mode.frequency_high for mode in finding.modes)
        for place, axes in enumerate(row):
            if place >= len(options):
                axes.set_axis_off()
                continue
            option, total = options[place]
            _panel(axes, option, finding, low, high)
            time = "" if total is None else f"\n{duration_text(total)}"
            axes.set_title(f"{finding.axis}: {filter_words(option)}{time}", fontsize=8, loc="left")
        row[0].set_ylabel("ringing left (%)", fontsize=8)
    figure.supxlabel("true frequency of the axis (Hz)", fontsize=9)
    return figure


def _panel(axes: Any, option: AxisOption, finding: AxisFinding, low: float, high: float) -> None:
    from kinematics.vibration.residual import residual

    frequencies = np.linspace(low, high, 300)
    damping = option.modes[0].damping
    left = 100.0 * residual(option.filter, 2.0 * math.pi * frequencies, damping)
    for mode in finding.modes:
        axes.axvspan(mode.frequency_low, mode.frequency_high, **BAND)
    axes.plot(frequencies, left, color="black", linewidth=1.3)
    axes.set_ylim(0.0, 105.0)
    axes.set_xlim(low, high)
    axes.tick_params(labelsize=7)


def _corner(found: VibrationStudy, jobs: Sequence[PreparedJob]) -> Any:
    """The place of a job that is rounded most, drawn and as the chosen filters print it."""
    from kinematics.studies.drawn_corner import worst_corner
    from kinematics.studies.filter_choice import timing_with

    rounding = max(found.choice.rounding, key=lambda one: one.worst_mm)
    number = found.choice.rounding.index(rounding)
    corner = worst_corner(timing_with(found.choice, jobs[number]), rounding.line)
    figure = blank(6.0, 6.0)
    axes = figure.subplots()
    axes.plot(*corner.drawn, color="0.55", linewidth=3.0, label="drawn")
    axes.plot(*corner.printed, color="black", linewidth=1.2, linestyle="--", label="printed")
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel("x (mm)")
    axes.set_ylabel("y (mm)")
    head = f"{Path(rounding.job).name}, line {corner.line}: {quantity_text(rounding.worst_mm)} mm off at worst"
    axes.set_title(f"{lettered(head, TITLE)}\nwith {found.choice.best.words}", fontsize=10, loc="left")
    axes.legend(framealpha=1.0)
    return figure


def _time(found: VibrationStudy, jobs: Sequence[PreparedJob], weights: Sequence[float]) -> Any:
    """The time of the jobs against print acceleration, and where the budgets of each axis end."""
    from kinematics.studies.filter_choice import times_by_acceleration

    choice = found.choice
    marks = [
        (value, f"{one.axis}: {what} budget")
        for one in choice.best.options
        for what, value in (("rounding", one.rounding_limit), ("ringing", one.ringing_limit))
        if math.isfinite(value)
    ]
    ends = [value for value, _ in marks] or [1000.0]
    accelerations = np.geomspace(0.25 * min(ends), 2.0 * max(ends), TRIED).tolist()
    times = times_by_acceleration(choice, jobs, weights, accelerations)
    figure = blank(7.5, 4.5)
    axes = figure.subplots()
    axes.set_xscale("log")
    minutes = [time / MINUTE for time in times]
    axes.plot(accelerations, minutes, color="black", marker="o", markersize=3, linewidth=1.2)
    for (value, words), style in zip(sorted(marks), ("--", ":", "-.", (0, (1, 3))), strict=False):
        axes.axvline(
            value, color="0.25", linestyle=style, linewidth=1.1, label=f"{words}, {quantity_text(value)} mm/s²"
        )
    print_at = choice.accelerations.print
    if math.isfinite(print_at):
        at = float(np.interp(math.log(print_at), np.log(accelerations), minutes))
        axes.plot(
            [print_at],
            [at],
            color="black",
            marker="s",
            markersize=8,
            linestyle="none",
            label="print acceleration to set",
        )
    axes.set_xlabel("print acceleration (mm/s²), no budget held")
    axes.set_ylabel("time of the jobs (min)")
    axes.set_title(lettered(f"with {choice.best.words}", TITLE), fontsize=10, loc="left")
    axes.legend(fontsize="small", framealpha=1.0)
    return figure
