"""A sweep as a curve of one knob or a map of two, with what stops it and where more stops paying."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from kinematics.errors import InputError
from kinematics.reports.marks import (
    A_MOMENT,
    WORD_GAP,
    TimeScale,
    boxed,
    plain_axis,
    plain_number,
    rail,
    room_of,
    time_scale,
)
from kinematics.reports.style import (
    HAIR_WIDTH,
    HATCHES,
    SMALL_SIZE,
    STROKE_WIDTH,
    DrawingLook,
    Headline,
    LegendKey,
    figure_with,
    fitted,
    width_of,
)
from kinematics.studies.knobs import is_logarithmic, unit_of_knob
from kinematics.studies.sweep import recommended, rows_of_all_jobs
from kinematics.wording import duration_text, quantity_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kinematics.studies.knees import Knee
    from kinematics.studies.knobs import Knob
    from kinematics.studies.sweep import Sweep, SweepRow

RAIL = 0.95  # share of the height where the words above a curve stand
HEADROOM, FOOTROOM = 0.30, 0.16  # of the span of times, above and below a curve


def check_knobs_drawn(knobs: Sequence[Knob]) -> None:
    """Refuse knobs that make neither a curve nor a map before any work is done."""
    if len(knobs) > 2:
        raise InputError.at("--picture", f"{len(knobs)} knobs", "one for a curve, two for a map")


def sweep_drawing(sweep: Sweep) -> Callable[[Axes, DrawingLook], Headline]:
    """The curve of one knob, or the map of two."""
    return (lambda axes, look: _curve(axes, look, sweep)) if len(sweep.knobs) == 1 else _map_drawing(sweep)


def about_sweep(sweep: Sweep) -> str:
    """What was swept, on which machine."""
    names = list(dict.fromkeys(PurePath(row.job).name for row in sweep.rows))
    jobs = names[-1] if len(names) > 1 else names[0]
    return f"{jobs} on {sweep.machine.name}"


def _with_unit(value: float, unit: str) -> str:
    return f"{quantity_text(value)} {unit}".rstrip()


def _axis_name(sweep: Sweep, place: int) -> str:
    knob = sweep.knobs[place]
    unit = unit_of_knob(sweep.machine, knob.name)
    return f"{knob.name} ({unit})" if unit else knob.name


# ---- one knob ------------------------------------------------------------------------------------------------------


def _last_within(rows: Sequence[SweepRow]) -> SweepRow | None:
    """The last row before a cap stops the knob; None where none does, or all are stopped."""
    for row, following in pairwise(rows):
        if row.within_caps is not False and following.within_caps is False:
            return row
    return None


def curve_finding(sweep: Sweep, knee: Knee, unit: str) -> str:
    """What the curve of a knob shows: where a cap stops it, what is left to win, where more stops paying."""
    rows = rows_of_all_jobs(sweep)
    last, now = _last_within(rows), knee.now
    if last is not None and not knee.down:
        stopper = ", ".join(next(row.stopped_by for row in rows if row.within_caps is False))
        most = _with_unit(last.point[0], unit) if unit else f"{knee.knob} {quantity_text(last.point[0])}"
        told = f"Beyond {most} {stopper} stops it"
        if now is None:
            return told
        if now.start >= last.point[0]:
            return f"{told}; it is set to {_with_unit(now.start, unit)} now"
        left = now.total_s - last.total_s
        return f"{told}; {'there is ' + duration_text(left) if left > A_MOMENT else 'there is nothing'} left to win"
    gain = now or knee.swept
    turned = "Less" if knee.down else "More"
    if gain.saves_s <= A_MOMENT:
        return f"{turned} {knee.knob} saves nothing: {knee.floor_cause} holds the job"
    share = gain.shares[1]
    return (
        f"{turned} {knee.knob} saves {duration_text(gain.saves_s)} at most; "
        f"{share.share:.0%} of that by about {_with_unit(share.about, unit)}"
    )


def _curve(axes: Axes, look: DrawingLook, sweep: Sweep) -> Headline:
    rows, knee = rows_of_all_jobs(sweep), sweep.knees[0]
    unit = unit_of_knob(sweep.machine, sweep.knobs[0].name)
    values = [row.point[0] for row in rows]
    shown = [row.total_s for row in rows] + [knee.floor_s]
    scale = time_scale(max(shown))
    low, high = min(shown) / scale.seconds, max(shown) / scale.seconds
    span = max(high - low, 0.02 * high)
    bottom, top = low - FOOTROOM * span, high + HEADROOM * span
    wide = values[-1] > values[0]
    side = (values[0], values[-1]) if wide else (values[0] - 0.5, values[0] + 0.5)
    plain_axis(axes, "x", *side, wide and is_logarithmic(values))
    plain_axis(axes, "y", bottom, top, False)
    axes.grid(color=look.grid, linewidth=HAIR_WIDTH)
    edge = _hatch_beyond(axes, look, rows, side)
    if all(row.interval_s is not None for row in rows):
        low_s, high_s = ([getattr(row.interval_s, end) / scale.seconds for row in rows] for end in ("low", "high"))
        axes.fill_between(values, low_s, high_s, color=look.fills[4], linewidth=0.0, zorder=1.2)
    times = [row.total_s / scale.seconds for row in rows]
    axes.plot(values, times, color=look.tones[0], linewidth=STROKE_WIDTH, marker="o", markersize=2.6, zorder=3)
    floor = knee.floor_s / scale.seconds
    axes.plot(side, [floor, floor], color=look.tones[1], linewidth=1.1, linestyle=(0, (5, 3)), zorder=2.5)
    axes.set_xlabel(_axis_name(sweep, 0))
    axes.set_ylabel(f"time ({scale.name})")
    marks: list[tuple[float, str]] = []
    if knee.now is not None and values[0] <= knee.now.start <= values[-1]:
        marks.append((knee.now.start, f"now {quantity_text(knee.now.start)}"))
    told = {one.about: one for one in knee.swept.shares if not one.beyond and side[0] <= one.value <= side[1]}
    marks += [(one.value, f"{one.share:.0%} won by {quantity_text(one.about)}") for one in told.values()]
    above = rail(axes, look, marks, RAIL)
    words = f"no less than {duration_text(knee.floor_s)} however far: {knee.floor_cause}"
    stopped = ", ".join(next((row.stopped_by for row in rows if row.within_caps is False), ()))

    def place() -> None:
        above()
        room, _ = room_of(axes)
        axes.annotate(
            fitted(words, room - 3 * WORD_GAP, SMALL_SIZE),
            (side[0], floor),
            xytext=(WORD_GAP, -WORD_GAP),
            textcoords="offset points",
            va="top",
            size=SMALL_SIZE,
            color=look.ink,
            bbox=boxed(look),
            zorder=4,
        )
        if edge is not None:
            _name_hatched(axes, look, f"beyond: {stopped}", edge)

    return Headline(curve_finding(sweep, knee, unit), about_sweep(sweep), (), place)


def _hatch_beyond(axes: Axes, look: DrawingLook, rows: Sequence[SweepRow], side: tuple[float, float]) -> float | None:
    """Hatch the part of a curve beyond the caps; where it begins, None where nothing is beyond."""
    beyond = [row.point[0] for row in rows if row.within_caps is False]
    if not beyond:
        return None
    inside = [row.point[0] for row in rows if row.within_caps is not False and row.point[0] < beyond[0]]
    begin = inside[-1] if inside else side[0]
    axes.axvspan(begin, side[1], facecolor="none", edgecolor=look.fills[6], hatch=HATCHES[0], linewidth=0.0, zorder=1)
    axes.axvline(begin, color=look.tones[1], linewidth=1.1, zorder=2)
    return begin


def _name_hatched(axes: Axes, look: DrawingLook, words: str, begin: float) -> None:
    """Words within a hatched part, under the row at the top; to the left of it where they do not fit."""
    room, _ = room_of(axes)
    inverse = axes.transAxes.inverted()
    edge = float(inverse.transform(axes.transData.transform((begin, axes.get_ylim()[0])))[0])
    inside = (1.0 - edge) * room - 2.0 * WORD_GAP
    text = fitted(words, max(inside, edge * room - 2.0 * WORD_GAP), SMALL_SIZE)
    fits = width_of(text, SMALL_SIZE) <= inside
    axes.text(
        edge + (WORD_GAP if fits else -WORD_GAP) / room,
        RAIL - 0.17,
        text,
        transform=axes.transAxes,
        ha="left" if fits else "right",
        va="center",
        size=SMALL_SIZE,
        color=look.ink,
        bbox=boxed(look),
        zorder=4,
    )


# ---- two knobs -----------------------------------------------------------------------------------------------------


def map_finding(sweep: Sweep) -> str:
    """What the map shows: the gentlest setting that brings nearly all, or why there is none."""
    rows = rows_of_all_jobs(sweep)
    gentle = recommended(sweep)
    if gentle is not None:
        told = " with ".join(
            f"{knob.name} {quantity_text(value)}" for knob, value in zip(sweep.knobs, gentle.point, strict=True)
        )
        now = sweep.present_total_s
        less = (
            ""
            if now is None or now - gentle.total_s < 1.0
            else f", {duration_text(now - gentle.total_s)} less than now"
        )
        return f"{told[:1].upper()}{told[1:]} is enough: {duration_text(gentle.total_s)}{less}"
    if all(row.within_caps is False for row in rows):
        return "Every setting here asks for more than a cap allows"
    return "Nothing within the caps is faster than the machine is now"


def _map_drawing(sweep: Sweep) -> Callable[[Axes, DrawingLook], Headline]:
    rows = rows_of_all_jobs(sweep)
    xs, ys = sorted({row.point[0] for row in rows}), sorted({row.point[1] for row in rows})
    if len(xs) * len(ys) != len(rows) or len(xs) < 2 or len(ys) < 2:
        raise InputError.at("--picture", "points that make no grid", "a map needs a grid of two values or more each")
    return lambda axes, look: _map(axes, look, sweep, xs, ys)


def _levels(low: float, high: float, count: int) -> list[float]:
    """Round numbers that part times into so many steps or fewer, from below the least to above the most."""
    import numpy as np
    from matplotlib.ticker import MaxNLocator

    found = MaxNLocator(count, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return [float(value) for value in np.unique(found)]


def _map(axes: Axes, look: DrawingLook, sweep: Sweep, xs: Sequence[float], ys: Sequence[float]) -> Headline:
    import numpy as np
    from matplotlib.colors import ListedColormap

    rows = rows_of_all_jobs(sweep)
    table = {row.point: row for row in rows}
    scale = time_scale(max(row.total_s for row in rows))
    times = np.array([[table[x, y].total_s / scale.seconds for x in xs] for y in ys])
    plain_axis(axes, "x", xs[0], xs[-1], is_logarithmic(xs))
    plain_axis(axes, "y", ys[0], ys[-1], is_logarithmic(ys))
    axes.set_xlabel(_axis_name(sweep, 0))
    axes.set_ylabel(_axis_name(sweep, 1))
    if times.max() - times.min() < 1e-6 * times.max():
        axes.set_facecolor(look.fills[0])
    else:
        levels = _levels(float(times.min()), float(times.max()), len(look.fills))
        steps = len(levels) - 1
        fills = [look.fills[round(i * (len(look.fills) - 1) / max(steps - 1, 1))] for i in range(steps)]
        filled = axes.contourf(xs, ys, times, levels=levels, cmap=ListedColormap(fills), zorder=1)
        axes.contour(xs, ys, times, levels=levels, colors=look.faint, linewidths=HAIR_WIDTH, zorder=1.5)
        _scale_beside(axes, look, filled, levels, scale)
    keys = []
    reasons = list(dict.fromkeys(row.stopped_by for row in rows if row.within_caps is False))
    for reason, hatch in zip(reasons, HATCHES, strict=False):
        inside = np.array([[table[x, y].stopped_by == reason and bool(reason) for x in xs] for y in ys], float)
        hatched = axes.contourf(xs, ys, inside, levels=[0.5, 1.5], colors="none", hatches=[hatch], zorder=2)
        hatched.set_edgecolor(look.ink)
        hatched.set_linewidth(0.0)
        axes.contour(xs, ys, inside, levels=[0.5], colors=look.tones[1], linewidths=1.1, zorder=2.2)
        keys.append(LegendKey(f"beyond: {', '.join(reason)}", look.ink, hatch))
    marks: list[tuple[float, float, str, str]] = []
    starts = [None if knee.now is None else knee.now.start for knee in sweep.knees]
    if starts[0] is not None and starts[1] is not None:
        if xs[0] <= starts[0] <= xs[-1] and ys[0] <= starts[1] <= ys[-1]:
            marks.append((starts[0], starts[1], "o", "now"))
    if (gentle := recommended(sweep)) is not None:
        marks.append((gentle.point[0], gentle.point[1], "D", "enough"))
    for x, y, marker, _ in marks:
        style: Any = {"color": look.paper, "markeredgecolor": look.ink, "markeredgewidth": 1.4}
        axes.plot([x], [y], marker=marker, markersize=8, clip_on=False, zorder=4, linestyle="none", **style)
    place = _marks_named(axes, look, marks)
    about = f"{about_sweep(sweep)}; filled by time, lighter is shorter"
    return Headline(map_finding(sweep), about, tuple(keys), place)


def _scale_beside(axes: Axes, look: DrawingLook, filled: Any, levels: Sequence[float], scale: TimeScale) -> None:
    bar = figure_with(axes).colorbar(filled, ax=axes, ticks=levels, aspect=28, pad=0.02, format=plain_number)
    bar.set_label(f"time ({scale.name})", color=look.ink, size=SMALL_SIZE + 1.0)
    bar.ax.tick_params(colors=look.rule, labelcolor=look.ink, labelsize=SMALL_SIZE, width=HAIR_WIDTH, length=3.0)
    bar.outline.set_edgecolor(look.rule)
    bar.outline.set_linewidth(HAIR_WIDTH)


def _marks_named(axes: Axes, look: DrawingLook, marks: Sequence[tuple[float, float, str, str]]) -> Callable[[], None]:
    """Words beside marks, inside the axes; of two, the upper one has them above and the lower one below."""

    def place() -> None:
        room, high = room_of(axes)
        inverse = axes.transAxes.inverted()
        spots = [inverse.transform(axes.transData.transform((x, y))) for x, y, *_ in marks]
        for number, ((_, _, _, words), (x, y)) in enumerate(zip(marks, spots, strict=True)):
            others = [spot for i, spot in enumerate(spots) if i != number]
            is_upper = all(y > spot[1] or (y == spot[1] and number == 0) for spot in others)
            above = (is_upper and y * high < high - 26.0) or y * high < 26.0
            left = x * room > room - width_of(words, SMALL_SIZE) - 4.0 * WORD_GAP
            axes.annotate(
                words,
                (x, y),
                xycoords="axes fraction",
                xytext=(-8.0 if left else 8.0, 9.0 if above else -9.0),
                textcoords="offset points",
                ha="right" if left else "left",
                va="bottom" if above else "top",
                size=SMALL_SIZE,
                color=look.ink,
                bbox=boxed(look),
                zorder=5,
            )

    return place
