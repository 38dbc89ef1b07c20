"""A shop's first run as a picture: what every printer did when; of long runs, what its days were filled with.

And of prints of one copy to as many as fit: parts a day, and what a part costs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from kinematics.business.floor import FAILED, HANDS, PRINTING, SPOOL, SPOOL_WAITING, WAITING
from kinematics.reports.bar_pictures import bare
from kinematics.reports.marks import boxed, plain_axis, room_of
from kinematics.reports.shop import counted, moment_text
from kinematics.reports.style import (
    HAIR_WIDTH,
    LIGHT,
    SMALL_SIZE,
    STROKE_WIDTH,
    DrawingLook,
    Headline,
    LegendKey,
    fitted,
    in_text,
    shaped,
    sheet,
    width_of,
)
from kinematics.wording import quantity_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from kinematics.business.bedful import Bedful
    from kinematics.business.runs import Shop
    from kinematics.business.staffed import Staff


# Words, hatch, and which of the look's tones each kind of bar has (None: filled lightly).
LOOKS: dict[str, tuple[str, str, int | None]] = {
    PRINTING: ("printing", "", None),
    FAILED: ("print that fails", "xxxx", 1),
    WAITING: ("finished, waiting for people", "....", 2),
    HANDS: ("taken off, next one started", "", 0),
    SPOOL: ("spool change", "////", 0),
    SPOOL_WAITING: ("waiting for a spool change", "\\\\\\\\", 2),
}
BAND = (PRINTING, WAITING)  # what the days of a long run are told to be filled with, the rest is idle
AS_BAND = {FAILED: PRINTING, SPOOL: WAITING, SPOOL_WAITING: WAITING, HANDS: WAITING}
ROW = 0.78  # of the height of a printer's line
STRETCH_ENDS = 4 * 3600.0  # s without a print
LONG = 21.0  # days from which days are drawn, not prints
DAY = 86400.0  # s
SHOP_WIDTH, ROW_HEIGHT = 10.5, 0.62  # inches
PRINTER_ROOM = 110.0  # points for a printer's name


def gantt_figure(shop: Shop, look: DrawingLook = LIGHT) -> Figure:
    """The first run as a figure: a line a printer."""
    return sheet(lambda axes, one: draw_shop(axes, one, shop), height_of_gantt(shop), look, SHOP_WIDTH)


def height_of_gantt(shop: Shop) -> float:
    """Inches for a figure of so many printers."""
    return 1.75 + ROW_HEIGHT * len(shop.plan.stations)


def draw_shop(axes: Axes, look: DrawingLook, shop: Shop) -> Headline:
    """What every printer does when; of a long run, how its days are filled."""
    end = max((bar.ends for bar in shop.first_run.bars), default=shop.start_s + DAY)
    head = _days_filled(axes, look, shop, end) if (end - shop.start_s) / DAY > LONG else _prints(axes, look, shop, end)
    stations = shop.plan.stations
    axes.set_yticks(
        range(len(stations)), [fitted(station.name, PRINTER_ROOM, SMALL_SIZE) for station in stations], size=SMALL_SIZE
    )
    axes.tick_params(axis="y", length=0.0)
    axes.set_ylim(len(stations) - 0.5, -0.5)
    axes.set_xlim(_days(shop.start_s), _days(end))
    _clock_axis(axes, look, shop, end)
    return head


def _headline(shop: Shop) -> str:
    rate = f"{quantity_text(shop.parts_per_day.mean)} parts a day" if shop.parts >= 10 else counted(shop.parts, "part")
    return f"{rate}; all done by {moment_text(shop, shop.finished_s.middle)}"


def _clock_axis(axes: Axes, look: DrawingLook, shop: Shop, end: float) -> None:
    """Days and hours by the wall clock, their words never over each other."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(tz=shop.zone, minticks=3, maxticks=9)
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, tz=shop.zone, show_offset=False)
    formatter.formats = ["%Y", "%b", "%a %d", "%H:%M", "%H:%M", "%H:%M"]
    formatter.zero_formats = ["", "%b %Y", "%d %b", "%a %d", "%H:%M", "%H:%M"]
    axes.xaxis.set_major_formatter(formatter)
    axes.grid(axis="x", color=look.grid, linewidth=HAIR_WIDTH)


# ---- prints, one by one --------------------------------------------------------------------------------------------


def _prints(axes: Axes, look: DrawingLook, shop: Shop, end: float) -> Headline:
    stations = shop.plan.stations
    away = [_shade_away(axes, look, line, station.staff, shop.start_s, end) for line, station in enumerate(stations)]
    for bar in shop.first_run.bars:
        begins, width = _days(bar.begins), _days(bar.ends) - _days(bar.begins)
        axes.barh(bar.station, width, left=begins, height=ROW, linewidth=0.4, zorder=2, **paint_of(look, bar.what))
    seen = {bar.what for bar in shop.first_run.bars}
    keys = [_key(look, what) for what in LOOKS if what in seen]
    if any(away):
        keys.append(LegendKey("nobody there", look.grid))
    stretches = _stretches(shop)
    numbered = _numbered(shop, stretches, end)
    names = ", ".join(f"{order + 1} {shop.orders[order].name}" for order in sorted(numbered))
    about = f"first run of {counted(shop.parts, 'part')} on {counted(len(stations), 'printer')}; {shop.rule}"
    head = f"{about}; {names}" if names else about

    def place() -> None:
        scale = room_of(axes)[0] / max(_days(end) - _days(shop.start_s), 1e-9)
        for station, order, first, until in stretches:
            room = (_days(until) - _days(first)) * scale - 6.0
            words = str(order + 1) if order in numbered else in_text(shaped(shop.orders[order].name))
            if width_of(words, SMALL_SIZE) <= room:
                middle = 0.5 * (_days(first) + _days(until))
                text: dict[str, Any] = {
                    "ha": "center",
                    "va": "center",
                    "size": SMALL_SIZE,
                    "color": look.ink,
                    "bbox": boxed(look),
                }
                axes.text(middle, station, words, zorder=4, **text)

    return Headline(_headline(shop), head, tuple(keys), place)


def paint_of(look: DrawingLook, what: str) -> dict[str, Any]:
    """How a bar of what a printer does is filled and hatched."""
    _, hatch, tone = LOOKS[what]
    if tone is None:
        return {"facecolor": look.fills[5], "edgecolor": look.tones[0]}
    if not hatch:
        return {"facecolor": look.tones[tone], "edgecolor": look.tones[tone]}
    return {"facecolor": look.paper, "edgecolor": look.tones[tone], "hatch": hatch}


def _key(look: DrawingLook, what: str) -> LegendKey:
    words, hatch, tone = LOOKS[what]
    return LegendKey(words, look.fills[5] if tone is None else look.tones[tone], hatch)


def _numbered(shop: Shop, stretches: list[tuple[int, int, float, float]], end: float) -> set[int]:
    """The orders whose names do not fit into the widest of their stretches, and have their numbers there instead."""
    scale = (SHOP_WIDTH - 2.2) * 72.0 / max(_days(end) - _days(shop.start_s), 1e-9)
    widest: dict[int, float] = {}
    for _, order, first, until in stretches:
        widest[order] = max(widest.get(order, 0.0), (_days(until) - _days(first)) * scale)
    return {
        order
        for order, room in widest.items()
        if width_of(in_text(shaped(shop.orders[order].name)), SMALL_SIZE) > room - 6.0
    }


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


def _shade_away(axes: Axes, look: DrawingLook, line: int, staff: Staff, begins: float, ends: float) -> bool:
    """Shade a printer's line where nobody is there; whether anything is shaded."""
    spans = staff.spans_between(begins, ends)
    edges = [begins, *(edge for span in spans for edge in span), ends]
    gaps = [(left, right) for left, right in zip(edges[::2], edges[1::2], strict=True) if right > left]
    for left, right in gaps:
        axes.barh(line, _days(right - left), left=_days(left), height=1.0, color=look.grid, linewidth=0, zorder=1)
    return bool(gaps)


# ---- days ----------------------------------------------------------------------------------------------------------


def _days_filled(axes: Axes, look: DrawingLook, shop: Shop, end: float) -> Headline:
    """Of each day and printer the share of its 24 hours that is spent printing, and on top of it waiting for people."""
    import numpy as np

    filled = day_shares(shop, end)
    days = filled.shape[2]
    first = _days(shop.start_s)
    edges = np.minimum(first + np.arange(days + 1), _days(end))
    for line in range(len(shop.plan.stations)):
        foot = line + ROW / 2.0
        axes.plot([edges[0], edges[-1]], [foot, foot], color=look.rule, linewidth=HAIR_WIDTH, zorder=3)
        printing, waiting = filled[0, line], filled[0, line] + filled[1, line]
        tops = foot - ROW * printing
        axes.stairs(tops, edges, baseline=foot, fill=True, color=look.tones[0], linewidth=0.0, zorder=2)
        axes.stairs(
            foot - ROW * waiting,
            edges,
            baseline=tops,
            fill=True,
            color=look.fills[4],
            linewidth=0.0,
            zorder=1.8,
        )
    keys = (
        LegendKey("share of the day spent printing", look.tones[0]),
        LegendKey("waiting for people, or in their hands", look.fills[4]),
    )
    used = [float(filled[0, line].mean()) for line in range(len(shop.plan.stations))]
    span = (
        f"{share_text(min(used))} to {share_text(max(used))}"
        if share_text(min(used)) != share_text(max(used))
        else share_text(used[0])
    )
    finding = f"{_headline(shop)}; printers print {span} of the time"
    about = f"first run of {counted(shop.parts, 'part')}, a column a day, 24 hours high; {shop.rule}"
    return Headline(finding, about, keys)


def day_shares(shop: Shop, end: float) -> Any:
    """What days from the start on are filled with: float64[2, printers, days], shares spent printing and waiting."""
    import numpy as np

    days = max(1, int(np.ceil((end - shop.start_s) / DAY)))
    filled = np.zeros((len(BAND), len(shop.plan.stations), days))
    for bar in shop.first_run.bars:
        row = BAND.index(AS_BAND.get(bar.what, bar.what))
        begin, ends = (bar.begins - shop.start_s) / DAY, (bar.ends - shop.start_s) / DAY
        for day in range(max(int(begin), 0), min(int(np.ceil(ends)), days)):
            filled[row, bar.station, day] += max(0.0, min(ends, day + 1.0) - max(begin, float(day)))
    return filled


def _days(moment: float) -> float:
    """A moment (s since 1970) as the picture counts: days since 1970."""
    return moment / DAY


PARTS_HEIGHT = 4.8  # inches


def bedful_figure(found: Bedful, look: DrawingLook = LIGHT) -> Figure:
    """Both panels as a figure."""
    return sheet(lambda axes, one: draw_bedful(axes, one, found), PARTS_HEIGHT, look, grid=(2, 1), height_ratios=(2, 1))


def bedful_finding(found: Bedful) -> str:
    """Which number of copies brings most."""
    best = found.by_parts
    if best is None:
        return "No print ends while people are there"
    first = found.rows[0].parts_per_day
    more = f", {quantity_text(first)} one by one" if best.copies > 1 else ""
    return f"{best.copies} at a time bring most: {quantity_text(best.parts_per_day)} good parts a day{more}"


def draw_parts(axes: Axes, look: DrawingLook, found: Bedful) -> Headline:
    """Good parts a day of every number of copies."""
    copies, parts = [row.copies for row in found.rows], [row.parts_per_day for row in found.rows]
    plain_axis(axes, "x", 0.5, copies[-1] + 0.5, False)
    plain_axis(axes, "y", 0.0, 1.3 * (max(parts) or 1.0), False)
    axes.grid(axis="y", color=look.grid, linewidth=HAIR_WIDTH)
    axes.plot(copies, parts, color=look.tones[0], linewidth=STROKE_WIDTH, marker="o", markersize=3.0, zorder=3)
    axes.set_ylabel("good parts a day")
    axes.set_xlabel("copies at a time")
    told: dict[int, list[str]] = {}
    for best, words in ((found.by_parts, "most parts"), (found.by_cost, "cheapest part")):
        if best is not None:
            told.setdefault(best.copies, []).append(words)
    values = {row.copies: row.parts_per_day for row in found.rows}
    marks = [(number, values[number], " and ".join(words)) for number, words in told.items()]
    for number, value, _ in marks:
        paper: dict[str, Any] = {"color": look.paper, "markeredgecolor": look.tones[1], "markeredgewidth": 1.6}
        axes.plot([number], [value], marker="o", markersize=8, linestyle="none", zorder=4, **paper)
    about = f"{bare(found.job)} on {found.machine.name}; {found.most_fit} fit on the bed"
    return Headline(bedful_finding(found), about, (), _named(axes, look, marks))


def _named(axes: Axes, look: DrawingLook, marks: list[tuple[int, float, str]]) -> Callable[[], None]:
    """Words at marks: one above its mark, another below, both inside the axes."""

    def place() -> None:
        room, _ = room_of(axes)
        inverse = axes.transAxes.inverted()
        highest = max((value for _, value, _ in marks), default=0.0)
        for number, (copies, value, words) in enumerate(marks):
            x, y = (float(one) for one in inverse.transform(axes.transData.transform((copies, value))))
            above = value == highest and not any(one[1] == highest for one in marks[:number])
            half = 0.5 * width_of(words, SMALL_SIZE) + 4.0
            middle = min(max(x * room, half), room - half)
            axes.annotate(
                words,
                (middle / room, y),
                xycoords="axes fraction",
                xytext=(0.0, 8.0 if above else -8.0),
                textcoords="offset points",
                ha="center",
                va="bottom" if above else "top",
                size=SMALL_SIZE,
                color=look.ink,
                bbox=boxed(look),
                zorder=5,
            )

    return place


def draw_bedful(axes: Any, look: DrawingLook, found: Bedful) -> Headline:
    """Good parts a day above, and below the nights that a print goes into and the share of nights with printing."""
    above, below = axes
    head = draw_parts(above, look, found)
    above.set_xlabel("")
    copies = [row.copies for row in found.rows]
    nights = [row.weeks.nights for row in found.rows]
    shares = [row.weeks.night_share or 0.0 for row in found.rows]
    plain_axis(below, "x", 0.5, copies[-1] + 0.5, False)
    plain_axis(below, "y", 0.0, 1.15 * max(1.0, *nights), False)
    below.grid(axis="y", color=look.grid, linewidth=HAIR_WIDTH)
    below.bar(copies, shares, width=0.7, color=look.fills[5], linewidth=0.0, zorder=2)
    below.step(copies, nights, where="mid", color=look.tones[1], linewidth=STROKE_WIDTH, zorder=3)
    below.set_xlabel("copies at a time")
    below.set_ylabel("nights")
    keys = (
        LegendKey("nights that a print goes into", look.tones[1], "", "-"),
        LegendKey("share of all nights spent printing", look.fills[5]),
    )
    return head._replace(keys=keys)
