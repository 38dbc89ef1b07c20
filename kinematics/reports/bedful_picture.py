"""Parts a day against copies, with how much of the nights they print below."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from kinematics.reports.bar_pictures import bare
from kinematics.reports.marks import boxed, plain_axis, room_of
from kinematics.reports.style import HAIR, LIGHT, LINE, SMALL, DrawingLook, Headline, LegendKey, sheet, width_of
from kinematics.wording import quantity_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from kinematics.business.bedful import Bedful

HEIGHT = 4.8  # inches


def bedful_figure(found: Bedful, look: DrawingLook = LIGHT) -> Figure:
    """Both panels as a figure."""
    return sheet(lambda axes, one: draw_bedful(axes, one, found), HEIGHT, look, grid=(2, 1), height_ratios=(2, 1))


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
    axes.grid(axis="y", color=look.grid, linewidth=HAIR)
    axes.plot(copies, parts, color=look.tones[0], linewidth=LINE, marker="o", markersize=3.0, zorder=3)
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
            half = 0.5 * width_of(words, SMALL) + 4.0
            middle = min(max(x * room, half), room - half)
            axes.annotate(
                words,
                (middle / room, y),
                xycoords="axes fraction",
                xytext=(0.0, 8.0 if above else -8.0),
                textcoords="offset points",
                ha="center",
                va="bottom" if above else "top",
                size=SMALL,
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
    below.grid(axis="y", color=look.grid, linewidth=HAIR)
    below.bar(copies, shares, width=0.7, color=look.fills[5], linewidth=0.0, zorder=2)
    below.step(copies, nights, where="mid", color=look.tones[1], linewidth=LINE, zorder=3)
    below.set_xlabel("copies at a time")
    below.set_ylabel("nights")
    keys = (
        LegendKey("nights that a print goes into", look.tones[1], "", "-"),
        LegendKey("share of all nights spent printing", look.fills[5]),
    )
    return head._replace(keys=keys)
