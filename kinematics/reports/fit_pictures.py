"""Measured prints as a picture of two panels: measured against estimated, and what each print's error is made of.

And measured prints against estimates, and filters against each other, as rows of bars.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from kinematics.filtering.options import filter_words
from kinematics.reports.bar_pictures import MOST_BARS, bare, jobs_text
from kinematics.reports.fit_screen import errors_text
from kinematics.reports.marks import NAME_ROOM, OneBar, TimeScale, bars, boxed, plain_axis, room_of, time_scale
from kinematics.reports.style import (
    HAIR_WIDTH,
    HATCHES,
    LIGHT,
    SMALL_SIZE,
    STROKE_WIDTH,
    DrawingLook,
    Headline,
    LegendKey,
    fitted,
    sheet,
)
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from kinematics.filtering.answer import VibrationStudy
    from kinematics.measured.fit import Fit, FittedPrint


UNEXPLAINED = "unexplained"
MOST_ROWS = 40
FAR = 8.0  # times: from there on times stand on a logarithmic scale
ROW, AROUND, SQUARE = 0.3, 2.9, 3.6  # inches: a print in the lower panel, around both panels, the upper panel
BESIDE = 2.0  # times as long as any other: a bar that runs out of the picture


def fit_figure(fit: Fit, look: DrawingLook = LIGHT) -> Figure:
    """Both panels, one below the other."""
    rows = ROW * max(min(len(fit.prints), MOST_ROWS), 2)
    return sheet(
        lambda axes, one: _draw(axes, one, fit), SQUARE + rows + AROUND, look, grid=(2, 1), height_ratios=(SQUARE, rows)
    )


def _draw(axes: Any, look: DrawingLook, fit: Fit) -> Headline:
    upper, lower = axes
    keys = [LegendKey("above:", ""), *_draw_times(upper, look, fit)]
    more, place = _draw_parts(lower, look, fit)
    used = sum(not one.apart for one in fit.prints)
    finding = errors_text(fit.before, used)
    if any(one.chosen for one in fit.parameters):
        finding += f"; foretold by a fit to the others, 95 % are within {share_text(fit.after.within_share)}"
    about = f"{len(fit.prints)} prints on {fit.machine.name}"
    apart = [bare(one.job) for one in fit.prints if one.apart]
    about += f"; {jobs_text(apart)} stand{'s' if len(apart) == 1 else ''} apart" if apart else ""
    return Headline(finding[:1].upper() + finding[1:], about, (*keys, LegendKey("below:", ""), *more), place)


def _draw_times(axes: Axes, look: DrawingLook, fit: Fit) -> list[LegendKey]:
    """Measured against estimated, before and after, with the line on which both are the same; its key."""
    scale = time_scale(max(max(one.measured_s, one.estimated_s) for one in fit.prints))

    def column(name: str) -> list[float]:
        return [getattr(one, name) / scale.seconds for one in fit.prints]

    measured, estimated = column("measured_s"), column("estimated_s")
    low, high = 0.85 * min(*measured, *estimated), 1.15 * max(*measured, *estimated)
    far = max(measured) > FAR * min(measured)
    plain_axis(axes, "x", low, high, far)
    plain_axis(axes, "y", low, high, far)
    axes.grid(color=look.grid, linewidth=HAIR_WIDTH)
    axes.plot([low, high], [low, high], color=look.rule, linewidth=STROKE_WIDTH, zorder=2)
    axes.plot(
        estimated, measured, color=look.tones[1], linestyle="none", marker="o", markerfacecolor=look.paper, zorder=3
    )
    keys = [
        LegendKey("stopwatch as estimated", look.rule, line="-"),
        LegendKey("machine file as it is", look.tones[1], mark="o", hollow=True),
    ]
    if any(one.chosen for one in fit.parameters):
        after = column("fitted_s")
        ends = [
            (here - below, above - here)
            for here, below, above in zip(after, column("low_s"), column("high_s"), strict=True)
        ]
        error = [list(side) for side in zip(*ends, strict=True)]
        axes.errorbar(
            after, measured, xerr=error, color=look.tones[0], marker="s", markersize=4.0, linestyle="none",
            elinewidth=1.0, capsize=2.5, zorder=4,
        )  # fmt: skip
        keys.append(LegendKey("fitted, and where 95 % lie", look.tones[0], mark="s"))
    apart = [(x, y) for x, y, one in zip(estimated, measured, fit.prints, strict=True) if one.apart]
    if apart:
        axes.plot(*zip(*apart, strict=True), color=look.ink, marker="x", markersize=9.0, linestyle="none", zorder=5)
        keys.append(LegendKey("stands apart", look.ink, mark="x"))
    axes.set_xlabel(f"estimated ({scale.name})")
    axes.set_ylabel(f"stopwatch ({scale.name})")
    return keys


def _draw_parts(axes: Axes, look: DrawingLook, fit: Fit) -> tuple[list[LegendKey], Any]:
    """Bars of what lies between estimate and stopwatch, print by print: what lengthens to the right, the rest left; the
    key, and what places the words once the room is known.
    """
    shown = fit.prints[:MOST_ROWS]
    off = [one.measured_s - one.estimated_s for one in shown]
    scale = time_scale(max(map(abs, off), default=0.0))
    rows = [{**one.parts_s, UNEXPLAINED: one.measured_s - one.estimated_s - sum(one.parts_s.values())} for one in shown]
    right, left = [0.0] * len(shown), [0.0] * len(shown)
    keys = []
    for number, name in enumerate([*(one.name for one in fit.parameters if one.chosen), UNEXPLAINED]):
        widths = [row.get(name, 0.0) / scale.seconds for row in rows]
        starts = [(right if width >= 0.0 else left)[i] for i, width in enumerate(widths)]
        for i, width in enumerate(widths):
            (right if width >= 0.0 else left)[i] += width
        tone = look.rule if name == UNEXPLAINED else look.tones[number % len(look.tones)]
        hatch = HATCHES[number // len(look.tones)] if name != UNEXPLAINED and number >= len(look.tones) else ""
        paint: dict[str, Any] = (
            {"facecolor": look.paper, "edgecolor": tone, "hatch": hatch} if hatch else {"color": tone}
        )
        axes.barh(range(len(shown)), widths, left=starts, height=0.62, linewidth=HAIR_WIDTH, zorder=2, **paint)
        keys.append(LegendKey(name, tone, hatch))
    axes.axvline(0.0, color=look.ink, linewidth=1.0, zorder=3)
    marks = [one / scale.seconds for one in off]
    for colour, wide in ((look.paper, 4.4), (look.ink, 1.8)):
        tick: dict[str, Any] = {"marker": "|", "markersize": 14.0, "markeredgewidth": wide}
        axes.plot(marks, range(len(shown)), color=colour, linestyle="none", zorder=4, **tick)
    keys.append(LegendKey("stopwatch", look.ink, mark="|"))
    axes.set_yticks(range(len(shown)), [fitted(bare(one.job), NAME_ROOM, SMALL_SIZE) for one in shown], size=SMALL_SIZE)
    axes.tick_params(axis="y", length=0.0)
    axes.spines["left"].set_visible(False)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_xlabel(f"longer than estimated ({scale.name})")
    axes.grid(axis="x", color=look.grid, linewidth=HAIR_WIDTH)
    ends = [*right, *left, *marks]
    low, high = min(0.0, *ends), max(0.0, *ends)
    room = 0.06 * (high - low) or 1.0
    plain_axis(axes, "x", low - room, high + room, False)
    return keys, lambda: _run_out(axes, look, shown, scale)


def _run_out(axes: Axes, look: DrawingLook, shown: tuple[FittedPrint, ...], scale: TimeScale) -> None:
    """Let a print that stands apart run out of the picture where it would press all others together."""
    off = [(one.measured_s - one.estimated_s) / scale.seconds for one in shown]
    usual = [value for value, one in zip(off, shown, strict=True) if not one.apart]
    beyond = [i for i, one in enumerate(shown) if one.apart and usual and abs(off[i]) > BESIDE * max(map(abs, usual))]
    if not beyond:
        return
    low, high = min(0.0, *usual), max(0.0, *usual)
    room = 0.3 * (high - low)
    first, last = axes.get_xlim()
    first = low - room if any(off[i] < 0.0 for i in beyond) else first
    last = high + room if any(off[i] > 0.0 for i in beyond) else last
    plain_axis(axes, "x", first, last, False)
    share = 5.0 / room_of(axes)[0]
    for i in beyond:
        words = f"{off[i]:.0f} {scale.name} →" if off[i] > 0.0 else f"← {-off[i]:.0f} {scale.name}"
        place, side = (1.0 - share, "right") if off[i] > 0.0 else (share, "left")
        axes.text(
            place, i, words, transform=axes.get_yaxis_transform(), size=SMALL_SIZE, color=look.ink, ha=side,
            va="center", bbox=boxed(look), zorder=5,
        )  # fmt: skip


def draw_measured(axes: Axes, look: DrawingLook, fit: Fit) -> Headline:
    """What the stopwatch said of each print, and a mark where the estimate lies."""
    prints = fit.prints[:MOST_BARS]
    scale = time_scale(max(max(one.measured_s, one.estimated_s) for one in prints))
    rows = []
    for one in prints:
        off = one.measured_s / one.estimated_s - 1.0
        more = "more" if off >= 0.0 else "less"
        words = f"{duration_text(one.measured_s)} · {share_text(abs(off))} {more} than estimated"
        estimate = one.estimated_s / scale.seconds
        tone = look.tones[4] if one.apart else look.tones[0]
        rows.append(OneBar(bare(one.job), one.measured_s / scale.seconds, words, tone, ends=(estimate, estimate)))
    place = bars(axes, look, rows, f"time by the stopwatch ({scale.name})")
    used = [one for one in fit.prints if not one.apart]
    told = errors_text(fit.before, len(used))
    about = f"{len(fit.prints)} prints on {fit.machine.name}; the upright mark is the estimate"
    keys = (LegendKey("by the stopwatch", look.tones[0]), LegendKey("stands apart", look.tones[4]))
    apart = any(one.apart for one in prints)
    return Headline(told[:1].upper() + told[1:], about, keys if apart else (), place)


def draw_filters(axes: Axes, look: DrawingLook, found: VibrationStudy) -> Headline:
    """The acceleration that each filter of an axis takes, and the time of the jobs with it."""
    choice = found.choice
    pairs = list(zip(choice.by_axis, choice.totals_by_axis, strict=True))[:MOST_BARS]
    most = max((one.acceleration for one, _ in pairs if math.isfinite(one.acceleration)), default=1.0)
    best = {(one.axis, filter_words(one)) for one in choice.best.options}
    rows = []
    for one, total in pairs:
        is_bound = math.isfinite(one.acceleration)
        words = f"{quantity_text(one.acceleration)} mm/s²" if is_bound else "any acceleration"
        words += "" if total is None else f" · {duration_text(total)}"
        tone = look.tones[0] if (one.axis, filter_words(one)) in best else look.rule
        rows.append(OneBar(f"{one.axis}: {filter_words(one)}", one.acceleration if is_bound else most, words, tone))
    place = bars(axes, look, rows, "acceleration that the budgets take (mm/s²)")
    chosen = " and ".join(f"{filter_words(one)} on {one.axis}" for one in choice.best.options)
    jobs = f"{jobs_text(found.jobs)} on " if found.jobs else ""
    return Headline(f"Best: {chosen}", f"{jobs}{found.machine.name}; the best pair is dark", (), place)
