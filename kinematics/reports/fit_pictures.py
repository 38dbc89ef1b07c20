"""Measured prints as a picture: measured against estimated, and what each print's error is made of."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from kinematics.reports.lettering import NAME, TITLE, lettered
from kinematics.reports.style import HATCHES, blank

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from kinematics.studies.fit import Fit

UNEXPLAINED = "unexplained"
MINUTE = 60.0
GREYS = ("0.6", "0.85", "0.72", "0.95", "0.66", "0.9", "0.78")
MOST_NAMED = 25  # characters of a job's name
MOST_BARS = 40


def fit_figure(fit: Fit) -> Figure:
    """Both panels as a figure."""
    rows = min(len(fit.prints), MOST_BARS)
    figure: Figure = blank(12.0, max(5.0, 1.5 + 0.32 * rows))
    left, right = figure.subplots(1, 2)
    _draw_times(left, fit)
    _draw_parts(right, fit)
    figure.suptitle(lettered(f"{len(fit.prints)} prints on {PurePath(fit.machine.name).name}", TITLE))
    return figure


def _draw_times(axes: Any, fit: Fit) -> None:
    """Measured against estimated, before and after, with the line on which both are the same."""
    measured = [one.measured_s / MINUTE for one in fit.prints]
    estimated = [one.estimated_s / MINUTE for one in fit.prints]
    ends = [0.85 * min(*measured, *estimated), 1.15 * max(*measured, *estimated)]
    axes.plot(ends, ends, color="black", linewidth=0.8, label="stopwatch as estimated")
    axes.plot(estimated, measured, color="black", marker="o", fillstyle="none", linestyle="none", label="machine file")
    if any(one.chosen for one in fit.parameters):
        fitted = [one.fitted_s / MINUTE for one in fit.prints]
        low = [(one.fitted_s - one.low_s) / MINUTE for one in fit.prints]
        high = [(one.high_s - one.fitted_s) / MINUTE for one in fit.prints]
        axes.errorbar(
            fitted, measured, xerr=[low, high], color="black", marker="s", markersize=4, linestyle="none",
            elinewidth=0.8, capsize=2, label="fitted, with what 95 % take",
        )  # fmt: skip
    for one, minutes in zip(fit.prints, measured, strict=True):
        if one.apart:
            name = lettered(PurePath(one.job).name, NAME)
            axes.annotate(f" {name} stands apart", (one.estimated_s / MINUTE, minutes), fontsize=7, va="bottom")
    scale = "log" if max(measured) > 8.0 * min(measured) else "linear"
    axes.set_xscale(scale)
    axes.set_yscale(scale)
    if scale == "log":
        _plain_ticks(axes)
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)
    axes.set_xlabel("estimated (min)")
    axes.set_ylabel("stopwatch (min)")
    axes.set_title("Estimates against the stopwatch")
    axes.legend(fontsize="small", loc="upper left", framealpha=1.0)


def _leave_room(axes: Any, fit: Fit, totals: list[float]) -> None:
    """Let a print that stands apart run out of the picture where it would press all others together."""
    shown = [total for total, one in zip(totals, fit.prints, strict=False) if not one.apart]
    apart = [(i, total) for i, total in enumerate(totals) if total not in shown]
    if not apart or not shown or max(abs(total) for _, total in apart) < 2.0 * max(map(abs, shown)):
        return
    low, high = min(0.0, *shown), max(0.0, *shown)
    room = 0.3 * (high - low)
    axes.set_xlim(low - room, high + room)
    for i, total in apart:
        place, side = (high + room, "right") if total > 0.0 else (low - room, "left")
        words = f"{total:.0f} min →" if total > 0.0 else f"← {-total:.0f} min"
        axes.annotate(f" {words} ", (place, i), fontsize=8, ha=side, va="center")


def _plain_ticks(axes: Any) -> None:
    """Minutes at 1, 2, 5, 10, … as plain numbers."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())


def _draw_parts(axes: Any, fit: Fit) -> None:
    """Bars of what lies between estimate and stopwatch, print by print: what lengthens to the right, the rest left."""
    shown = fit.prints[:MOST_BARS]
    names = [one.name for one in fit.parameters if one.chosen]
    rows = [{**one.parts_s, UNEXPLAINED: one.measured_s - one.estimated_s - sum(one.parts_s.values())} for one in shown]
    places = range(len(shown))
    right, left = [0.0] * len(shown), [0.0] * len(shown)
    for number, name in enumerate([*names, UNEXPLAINED]):
        widths = [row.get(name, 0.0) / MINUTE for row in rows]
        starts = [(right if width >= 0.0 else left)[i] for i, width in enumerate(widths)]
        for i, width in enumerate(widths):
            (right if width >= 0.0 else left)[i] += width
        last = name == UNEXPLAINED
        axes.barh(
            places, widths, left=starts, facecolor="white" if last else GREYS[number % len(GREYS)], edgecolor="black",
            hatch="" if last else HATCHES[number % len(HATCHES)], linewidth=0.7, label=name,
        )  # fmt: skip
    totals = [(one.measured_s - one.estimated_s) / MINUTE for one in shown]
    axes.plot(totals, places, color="black", marker="|", markersize=14, linestyle="none", label="stopwatch")
    axes.axvline(0.0, color="black", linewidth=0.8)
    _leave_room(axes, fit, totals)
    axes.set_yticks(list(places), [lettered(PurePath(one.job).name, NAME) for one in shown], fontsize=8)
    axes.invert_yaxis()
    axes.set_xlabel("longer than estimated (min)")
    axes.set_title("What each print's error is made of")
    axes.legend(fontsize="small", framealpha=1.0)
