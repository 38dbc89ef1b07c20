"""A shop's first run as a picture: what every printer did when, readable without colour."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from kinematics.business.floor import FAILED, HANDS, PRINTING, SPOOL, SPOOL_WAITING, WAITING
from kinematics.reports.lettering import NAME, lettered
from kinematics.reports.shop import counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from kinematics.business.runs import Shop
    from kinematics.business.staffed import Staff

# Fill, hatch and words of each kind of bar: told apart by hatches and greys as well as by place.
LOOKS = {
    PRINTING: ("#cfe3f5", "", "printing"),
    FAILED: ("#ffffff", "xx", "print that fails"),
    WAITING: ("#f2f2f2", "....", "finished, waiting for people"),
    HANDS: ("#333333", "", "taken off, next one started"),
    SPOOL: ("#ffffff", "////", "spool change"),
    SPOOL_WAITING: ("#f2f2f2", "oo", "waiting for a spool change"),
}
AWAY = "#e4e4e4"
ROW = 0.8  # of the height of a printer's line
LETTERS_PER_INCH = 16.0  # at the size of the names
STRETCH_ENDS = 4 * 3600.0  # s without a print
LETTERS_PER_LINE = 150
MOST_LINES = 8  # of names above the picture
WIDTH, MARGIN = 12.0, 2.0  # inches


def gantt_figure(shop: Shop) -> Figure:
    """The first run as a figure: a line a printer, orders' names or numbers on prints, shaded while nobody is there."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    stations = shop.plan.stations
    figure = Figure(figsize=(WIDTH, 1.6 + 0.7 * len(stations)), layout="constrained")
    axes = figure.add_subplot()
    end = max(bar.ends for bar in shop.first_run.bars)
    inches_per_day = (WIDTH - MARGIN) / ((end - shop.start_s) / 86400.0)
    away = [_shade_away(axes, line, station.staff, shop.start_s, end) for line, station in enumerate(stations)]
    for bar in shop.first_run.bars:
        fill, hatch, _ = LOOKS[bar.what]
        begins, width = _days(bar.begins), _days(bar.ends) - _days(bar.begins)
        axes.barh(
            bar.station, width, left=begins, height=ROW, color=fill, hatch=hatch, edgecolor="black", linewidth=0.5
        )
    numbered: set[int] = set()
    for station_number, order, first, until in _stretches(shop):
        name, width = lettered(shop.orders[order].name, NAME), _days(until) - _days(first)
        letters = width * inches_per_day * LETTERS_PER_INCH
        if len(name) >= letters:
            name = str(order + 1)
            numbered.add(order)
        if len(name) < letters:
            box = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
            axes.text(_days(first) + width / 2.0, station_number, name, ha="center", va="center", fontsize=7, bbox=box)
    axes.set_yticks(range(len(stations)), [lettered(station.name, NAME) for station in stations])
    axes.invert_yaxis()
    locator = AutoDateLocator(tz=shop.zone)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=shop.zone))
    axes.set_xlim(_days(shop.start_s), _days(end))
    seen = {bar.what for bar in shop.first_run.bars}
    keys = [
        Patch(facecolor=fill, hatch=hatch, edgecolor="black", label=words)
        for what, (fill, hatch, words) in LOOKS.items()
        if what in seen
    ]
    if any(away):
        keys.append(Patch(facecolor=AWAY, label="nobody there"))
    figure.legend(handles=keys, loc="outside lower center", ncols=len(keys), fontsize=8, frameon=False)
    told = [f"{order + 1} {lettered(shop.orders[order].name, NAME)}" for order in sorted(numbered)]
    names = wrap(", ".join(told), LETTERS_PER_LINE)
    parts, printers = counted(shop.parts, "part"), counted(len(stations), "printer")
    title = f"{parts} on {printers}, first run; {shop.rule}"
    axes.set_title("\n".join([title, *names[:MOST_LINES], *(["…"] if len(names) > MOST_LINES else [])]), fontsize=9)
    return figure


def _stretches(shop: Shop) -> list[tuple[int, int, float, float]]:
    """Prints of one order one after the other on a printer, as (station, order, first begins, last ends); a night
    ends a stretch.
    """
    found: list[tuple[int, int, float, float]] = []
    for bar in sorted(shop.first_run.bars, key=lambda one: (one.station, one.begins)):
        if bar.what not in (PRINTING, FAILED):
            continue
        if found and found[-1][:2] == (bar.station, bar.order) and bar.begins - found[-1][3] < STRETCH_ENDS:
            found[-1] = (*found[-1][:3], bar.ends)
        else:
            found.append((bar.station, bar.order, bar.begins, bar.ends))
    return found


def _shade_away(axes: Any, line: int, staff: Staff, begins: float, ends: float) -> bool:
    """Shade a printer's line where nobody is there; whether anything is shaded."""
    spans = staff.spans_between(begins, ends)
    edges = [begins, *(edge for span in spans for edge in span), ends]
    gaps = [(left, right) for left, right in zip(edges[::2], edges[1::2], strict=True) if right > left]
    for left, right in gaps:
        axes.barh(line, _days(right - left), left=_days(left), height=1.0, color=AWAY, linewidth=0, zorder=0)
    return bool(gaps)


def _days(moment: float) -> float:
    """A moment (s since 1970) as the picture counts: days since 1970."""
    return moment / 86400.0


def write_gantt(shop: Shop, path: Path) -> None:
    """Write the picture; the ending of the path tells how (.png, .svg, .pdf)."""
    gantt_figure(shop).savefig(path, dpi=150)
