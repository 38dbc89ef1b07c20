"""Pictures of studies, drawn without a screen and readable without colour: the same data give the same bytes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from kinematics.errors import InputError
from kinematics.reports.lettering import NAME, TITLE, lettered
from kinematics.studies.trade_offs import recommended, rows_of_all_jobs
from kinematics.wording import duration_text, quantity_text

if TYPE_CHECKING:
    from kinematics.machine import Machine
    from kinematics.studies.knobs import Knob
    from kinematics.studies.sweep import Sweep, SweepRow
    from kinematics.studies.worth import Worth

KINDS = (".png", ".svg")
HATCHES = ("///", "\\\\\\", "...", "xxx", "---", "+++")
MINUTE = 60.0
SALT = "kinematics"  # fixed, so that the names inside an SVG stay the same


def check_kind(path: Path) -> None:
    """Refuse a kind of file in which nothing can be drawn. Raises InputError."""
    if path.suffix not in KINDS:
        raise InputError.at("--picture", f"can't draw a picture that ends in {path.suffix!r}", "FILE.png or FILE.svg")


def check_picture(path: Path, knobs: Sequence[Knob]) -> None:
    """Refuse what cannot be drawn before any work is done."""
    check_kind(path)
    if len(knobs) > 2:
        raise InputError.at("--picture", f"{len(knobs)} knobs", "one for a curve, two for a map")


def figure_of(width: float, height: float) -> Any:
    """An empty figure of a width and height (inches)."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def save_figure(figure: Any, path: Path) -> None:
    """A figure to a file, the same bytes for the same data."""
    import matplotlib as mpl

    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": SALT}):
        metadata = {"Date": None} if path.suffix == ".svg" else {"Software": None}
        figure.savefig(path, dpi=150, metadata=metadata)


def draw_sweep(sweep: Sweep, path: Path) -> None:
    """The curve of one knob, or the map of two, to a .png or .svg file."""
    figure = figure_of(7.5, 5.0)
    axes = figure.subplots()
    if len(sweep.knobs) == 1:
        _draw_curve(axes, sweep)
    else:
        _draw_map(axes, sweep)
    save_figure(figure, path)


def _scale(values: Sequence[float]) -> str:
    """The scale of an axis: that in which the values are evenly spaced."""
    from kinematics.studies.knobs import is_logarithmic

    return "log" if is_logarithmic(values) else "linear"


def _draw_curve(axes: Any, sweep: Sweep) -> None:
    rows, knee = rows_of_all_jobs(sweep), sweep.knees[0]
    axes.set_xscale(_scale(sweep.knobs[0].values))
    values = [row.point[0] for row in rows]
    minutes = [row.total_s / MINUTE for row in rows]
    axes.plot(values, minutes, color="black", marker="o", markersize=3, linewidth=1.2, label="time")
    _shade_beyond(axes, rows)
    axes.axhline(knee.floor_s / MINUTE, color="0.3", linestyle=":", label=f"floor: {lettered(knee.floor_cause, NAME)}")
    for one in knee.swept.shares:
        if not one.beyond:
            axes.axvline(one.value, color="0.5", linewidth=0.8, linestyle="--")
            place = (one.value, 1.0)
            axes.annotate(f"{one.share:.0%}", place, xycoords=("data", "axes fraction"), rotation=90, va="top")
    if knee.now is not None and values[0] <= knee.now.start <= values[-1]:
        axes.axvline(knee.now.start, color="black", linewidth=1.0, label=f"now: {quantity_text(knee.now.start)}")
    axes.set_xlabel(_axis_name(sweep, 0))
    axes.set_ylabel("time (min)")
    axes.set_title(_title(rows, sweep.machine))
    axes.legend(fontsize="small", framealpha=1.0)


def _title(rows: Sequence[SweepRow], machine: Machine) -> str:
    """Which job on which machine."""
    job, name = PurePath(rows[0].job).name, PurePath(machine.name).name
    return lettered(f"{job} on {name}", TITLE)


def _shade_beyond(axes: Any, rows: Sequence[SweepRow]) -> None:
    """Hatch the part of a curve that is beyond the caps, and name what stops it."""
    beyond = [row for row in rows if row.within_caps is False]
    if not beyond:
        return
    inside = [row.point[0] for row in rows if row.within_caps is not False and row.point[0] < beyond[0].point[0]]
    begin = 0.5 * (inside[-1] + beyond[0].point[0]) if inside else beyond[0].point[0]
    label = "beyond the caps: " + lettered(", ".join(beyond[0].stopped_by), NAME)
    axes.axvspan(begin, rows[-1].point[0], facecolor="none", edgecolor="0.6", hatch="///", linewidth=0.0, label=label)


def _axis_name(sweep: Sweep, place: int) -> str:
    from kinematics.studies.knobs import unit_of_knob

    knob = sweep.knobs[place]
    unit = unit_of_knob(sweep.machine, knob.name)
    name = lettered(knob.name, TITLE)
    return f"{name} ({unit})" if unit else name


def _draw_map(axes: Any, sweep: Sweep) -> None:
    import numpy as np
    from matplotlib.patches import Rectangle

    rows = rows_of_all_jobs(sweep)
    xs, ys = sorted({row.point[0] for row in rows}), sorted({row.point[1] for row in rows})
    if len(xs) * len(ys) != len(rows) or len(xs) < 2 or len(ys) < 2:
        raise InputError.at("--picture", "points that make no grid", "a map needs a grid of two values or more each")
    table = {row.point: row for row in rows}
    minutes = np.array([[table[x, y].total_s / MINUTE for x in xs] for y in ys])
    lines = axes.contour(xs, ys, minutes, levels=12, colors="black", linewidths=0.9)
    axes.clabel(lines, fmt="%.4g min", fontsize=7)
    reasons = list(dict.fromkeys(row.stopped_by for row in rows if row.within_caps is False))
    for reason, hatch in zip(reasons, HATCHES, strict=False):
        inside = np.array([[table[x, y].stopped_by == reason and bool(reason) for x in xs] for y in ys], float)
        axes.contourf(xs, ys, inside, levels=[0.5, 1.5], colors="none", hatches=[hatch])
        label = f"beyond: {lettered(', '.join(reason), NAME)}"
        axes.add_patch(Rectangle((xs[0], ys[0]), 0.0, 0.0, fill=False, hatch=hatch, label=label))
    now = [None if knee.now is None else knee.now.start for knee in sweep.knees]
    if all(at is not None and of[0] <= at <= of[-1] for at, of in zip(now, (xs, ys), strict=True)):
        _mark(axes, now, "x", "now")  # elsewhere it would shrink the map to make room
    if (gentle := recommended(sweep)) is not None:
        _mark(axes, gentle.point, "s", "recommended")
    axes.set_xlabel(_axis_name(sweep, 0))
    axes.set_ylabel(_axis_name(sweep, 1))
    axes.set_title(_title(rows, sweep.machine))
    axes.set_xscale(_scale(xs))
    axes.set_yscale(_scale(ys))
    axes.set_xlim(xs[0], xs[-1])
    axes.set_ylim(ys[0], ys[-1])
    axes.legend(fontsize="small", loc="upper right", framealpha=1.0)


def _mark(axes: Any, place: Sequence[float | None], marker: str, label: str) -> None:
    look = {"color": "black", "marker": marker, "linestyle": "none", "markersize": 8, "label": label}
    axes.plot([place[0]], [place[1]], clip_on=False, **look)


def draw_worth(worths: Sequence[Worth], total: float, path: Path) -> None:
    """What each limit is worth as bars: seconds that 1 % more of it buys, and the time without it, to a file."""
    shown = [worth for worth in worths if worth.one_percent_s > 0.0][:12]
    figure = figure_of(7.5, 1.2 + 0.4 * max(1, len(shown)))
    axes = figure.subplots()
    places = range(len(shown))
    axes.barh(places, [worth.one_percent_s for worth in shown], facecolor="0.8", edgecolor="black", hatch="//")
    for place, worth in zip(places, shown, strict=True):
        without = (
            "unbounded without it" if worth.if_lifted_s is None else f"{duration_text(worth.if_lifted_s)} without it"
        )
        axes.annotate(f" {worth.one_percent_s:.3g} s; {without}", (worth.one_percent_s, place), va="center", fontsize=8)
    axes.set_yticks(list(places), [lettered(worth.what, NAME) for worth in shown])
    axes.invert_yaxis()
    axes.set_xlabel(f"1 % buys (s), of {duration_text(total)}")
    axes.margins(x=0.45)
    save_figure(figure, path)
