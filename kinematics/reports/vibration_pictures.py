"""Pictures of vibration: spectrum and modes, what each filter leaves, a corner as printed, time against budgets."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.filtering.options import filter_words
from kinematics.outputs import refuse_to_overwrite, write_whole
from kinematics.reports.bar_pictures import bare, jobs_text
from kinematics.reports.marks import plain_axis, rail, time_scale
from kinematics.reports.style import (
    HAIR_WIDTH,
    LIGHT,
    SMALL_SIZE,
    STROKE_WIDTH,
    DrawingLook,
    Headline,
    LegendKey,
    check_kind,
    folded,
    save,
    sheet,
)
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from kinematics.filtering.answer import AxisFinding, VibrationStudy
    from kinematics.filtering.options import AxisOption
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.vibration.modes import FittedMode

PARTS = ("spectrum", "filters", "corner", "time")
TRIED = 14  # accelerations of the curve of time
ACROSS = 4  # panels of filters in a row
PANEL, AROUND = 1.75, 1.5  # inches: how high a panel is, and what stands around all of them
TITLE_ROOM = 118.0  # points for the title of a panel
RAIL, HEADROOM = 0.93, 1.35  # share of the height where marks are named, and how much higher that makes the axes


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
    for part, figure in vibration_figures(found, jobs, weights).items():
        name = part_of(path, part)
        write_whole(name, lambda file, figure=figure: save(figure, file), force, known)  # type: ignore[misc]
        yield name


def vibration_figures(
    found: VibrationStudy, jobs: Sequence[PreparedJob], weights: Sequence[float], look: DrawingLook = LIGHT
) -> dict[str, Figure]:
    """Every picture there is something to draw for, by the part of its name."""
    figures = {"filters": _filters(found, look)}
    recorded = [one for one in found.findings if one.spectrum is not None]
    if recorded:
        figures["spectrum"] = _spectra(found, recorded, look)
    if jobs:
        figures["time"] = sheet(_time_drawing(found, jobs, weights), 4.6, look)
        if found.choice.rounding:
            figures["corner"] = sheet(_corner_drawing(found, jobs), 6.4, look)
    return dict(sorted(figures.items()))


def _band(axes: Axes, look: DrawingLook, mode: FittedMode) -> None:
    """A mode as an upright line, and its interval as a band, behind everything."""
    axes.axvline(mode.frequency, color=look.faint, linewidth=1.0, linestyle=":", zorder=1.5)
    axes.axvspan(
        mode.frequency_low,
        mode.frequency_high,
        facecolor=look.fills[2],
        edgecolor=look.fills[6],
        hatch="////",
        linewidth=0.0,
        zorder=1,
    )


def _band_keys(look: DrawingLook) -> tuple[LegendKey, LegendKey]:
    return LegendKey("mode", look.faint, line=":"), LegendKey("where it may lie (95 %)", look.fills[6], "////")


def _spectra(found: VibrationStudy, findings: Sequence[AxisFinding], look: DrawingLook) -> Figure:
    """The power of each recorded axis against frequency, its modes as bands of their intervals."""

    def draw(given: Any, look: DrawingLook) -> Headline:
        rows = given if len(findings) > 1 else [given]
        places = []
        for axes, one in zip(rows, findings, strict=True):
            spectrum = one.spectrum
            assert spectrum is not None  # only such are drawn
            top = max(1.6 * max((mode.frequency for mode in one.modes), default=100.0), 60.0)
            shown = (spectrum.frequency >= 5.0) & (spectrum.frequency <= top)
            power = spectrum.power[shown]
            for mode in one.modes:
                _band(axes, look, mode)
            axes.plot(spectrum.frequency[shown], power, color=look.tones[0], linewidth=1.1, zorder=2)
            axes.set_yscale("log")
            axes.set_ylim(float(power.min()) * 0.7, float(power.max()) * 30.0)
            axes.set_xlim(5.0, top)
            axes.grid(color=look.grid, linewidth=HAIR_WIDTH)
            axes.set_ylabel(f"{one.axis}: power")
            axes.tick_params(axis="y", which="both", left=False, labelleft=False)
            marks = [
                (mode.frequency, f"{mode.frequency:.4g} Hz, damping {mode.damping:.2g}")
                for mode in sorted(one.modes, key=lambda mode: mode.frequency)
            ]
            places.append(rail(axes, look, marks, RAIL))
        rows[-1].set_xlabel("frequency (Hz)")
        told = [
            f"{one.axis} swings at {' and '.join(f'{mode.frequency:.4g}' for mode in one.modes)} Hz"
            for one in findings
            if one.modes
        ]
        about = f"{found.machine.name}, shaken; power of the acceleration, each line of the grid the same factor"
        keys = (LegendKey("recorded", look.tones[0], line="-"), *_band_keys(look))

        def place_marks() -> None:
            for place in places:
                place()

        return Headline("; ".join(told), about, keys, place_marks)

    return sheet(draw, 2.7 * len(findings) + 1.3, look, grid=(len(findings), 1))


def _filters(found: VibrationStudy, look: DrawingLook) -> Figure:
    """One small panel a filter, what it leaves against frequency, the mode's interval as a band; quickest first."""
    choice = found.choice
    own = [one.option for one in found.own]
    panels: list[tuple[AxisFinding, AxisOption, float | None] | None] = []
    for finding in found.findings:
        pairs = zip(choice.by_axis, choice.totals_by_axis, strict=True)
        options = [(finding, one, total) for one, total in pairs if one.axis == finding.axis]
        options += [(finding, one, None) for one in own if one.axis == finding.axis]
        panels += [*options, *[None] * (-len(options) % ACROSS)]
    rows = len(panels) // ACROSS

    def draw(given: Any, look: DrawingLook) -> Headline:
        for number, (axes, panel) in enumerate(zip(given, panels, strict=True)):
            if panel is None:
                axes.set_axis_off()
                continue
            finding, option, total = panel
            _panel(axes, look, option, finding)
            words = f"{finding.axis}: {filter_words(option)}"
            title = [*folded(words, TITLE_ROOM, SMALL_SIZE, most=2), "" if total is None else duration_text(total)]
            axes.set_title("\n".join(title), size=SMALL_SIZE, color=look.ink, loc="left")
            if number % ACROSS == 0:
                axes.set_ylabel("left (%)", size=SMALL_SIZE)
            axes.set_xlabel("Hz", size=SMALL_SIZE)
        chosen = " and ".join(f"{filter_words(one)} on {one.axis}" for one in choice.best.options)
        jobs = f"{jobs_text(found.jobs)} on " if found.jobs else ""
        timed = ", with the time of the jobs" if found.jobs else ""
        about = (
            f"{jobs}{found.machine.name}; what each filter leaves of a swing, the best one of each axis first{timed}"
        )
        return Headline(
            f"Best: {chosen}", about, (LegendKey("ringing left", look.tones[0], line="-"), *_band_keys(look))
        )

    return sheet(draw, PANEL * rows + AROUND, look, grid=(rows, ACROSS), sharey=True)


def _panel(axes: Axes, look: DrawingLook, option: AxisOption, finding: AxisFinding) -> None:
    from kinematics.vibration.residual import residual

    low = 0.6 * min(mode.frequency_low for mode in finding.modes)
    high = 1.5 * max(mode.frequency_high for mode in finding.modes)
    frequencies = np.linspace(low, high, 300)
    left = 100.0 * residual(option.filter, 2.0 * math.pi * frequencies, option.modes[0].damping)
    for mode in finding.modes:
        _band(axes, look, mode)
    axes.plot(frequencies, left, color=look.tones[0], linewidth=STROKE_WIDTH, zorder=2)
    axes.set_ylim(0.0, 105.0)
    axes.set_xlim(low, high)


def _corner_drawing(found: VibrationStudy, jobs: Sequence[PreparedJob]) -> Callable[[Axes, DrawingLook], Headline]:
    """The place of a job that is rounded most, drawn and as the chosen filters print it."""
    from kinematics.filtering.choice import timing_with
    from kinematics.filtering.part_quality import worst_corner

    rounding = max(found.choice.rounding, key=lambda one: one.worst_mm)
    number = found.choice.rounding.index(rounding)
    corner = worst_corner(timing_with(found.choice, jobs[number]), rounding.line)

    def draw(axes: Axes, look: DrawingLook) -> Headline:
        axes.plot(*corner.drawn, color=look.fills[7], linewidth=4.0, solid_capstyle="butt", zorder=2)
        axes.plot(*corner.printed, color=look.ink, linewidth=1.3, linestyle="--", zorder=3)
        axes.set_aspect("equal", adjustable="datalim")
        axes.grid(color=look.grid, linewidth=HAIR_WIDTH)
        axes.set_xlabel("X (mm)")
        axes.set_ylabel("Y (mm)")
        finding = f"{quantity_text(rounding.worst_mm)} mm off the drawn path at worst, in line {corner.line}"
        keys = (LegendKey("drawn", look.fills[7], line="-"), LegendKey("printed", look.ink, line="--"))
        return Headline(finding, f"{bare(rounding.job)} with {found.choice.best.words}", keys)

    return draw


def _time_drawing(
    found: VibrationStudy, jobs: Sequence[PreparedJob], weights: Sequence[float]
) -> Callable[[Axes, DrawingLook], Headline]:
    """The time of the jobs against print acceleration, and where the budgets of each axis end."""
    from kinematics.filtering.choice import times_by_acceleration

    choice = found.choice
    marks = sorted(
        (value, f"{one.axis}: {what}")
        for one in choice.best.options
        for what, value in (("rounding", one.rounding_limit), ("ringing", one.ringing_limit))
        if math.isfinite(value)
    )
    ends = [value for value, _ in marks] or [1000.0]
    accelerations = np.geomspace(0.25 * min(ends), 2.0 * max(ends), TRIED).tolist()
    times = times_by_acceleration(choice, jobs, weights, accelerations)

    def draw(axes: Axes, look: DrawingLook) -> Headline:
        scale = time_scale(max(times))
        spent = [time / scale.seconds for time in times]
        low, high = min(spent), max(spent)
        plain_axis(axes, "x", accelerations[0], accelerations[-1], True)
        plain_axis(axes, "y", low - 0.05 * (high - low), low + HEADROOM * max(high - low, 1e-3 * high), False)
        axes.grid(color=look.grid, linewidth=HAIR_WIDTH)
        axes.plot(
            accelerations, spent, color=look.tones[0], linewidth=STROKE_WIDTH, marker="o", markersize=3.5, zorder=3
        )
        keys = [LegendKey("time of the jobs, no budget held", look.tones[0], line="-")]
        print_at = choice.accelerations.print
        if math.isfinite(print_at):
            at = float(np.interp(math.log(print_at), np.log(accelerations), spent))
            axes.plot([print_at], [at], color=look.ink, marker="s", markersize=8.0, linestyle="none", zorder=4)
            words = f"print acceleration to set: {quantity_text(print_at)} mm/s²"
            keys.append(LegendKey(words, look.ink, mark="s"))
        axes.set_xlabel("print acceleration (mm/s²)")
        axes.set_ylabel(f"time ({scale.name})")
        about = f"{jobs_text(found.jobs)} with {choice.best.words}; upright lines: where a budget ends"
        return Headline(
            _time_finding(accelerations, times, print_at), about, tuple(keys), rail(axes, look, marks, RAIL)
        )

    return draw


def _time_finding(accelerations: Sequence[float], times: Sequence[float], print_at: float) -> str:
    """What the budgets cost, in a sentence."""
    if not math.isfinite(print_at):
        return "No budget holds print acceleration"
    at = float(np.interp(math.log(print_at), np.log(accelerations), times))
    more = at - times[-1]
    told = f"The budgets take {quantity_text(print_at)} mm/s²"
    if more < 0.001 * at:
        return f"{told}; more would save nothing"
    return f"{told}; {quantity_text(accelerations[-1])} would save {duration_text(more)} more ({share_text(more / at)})"
