"""Parts a day against copies, with the nights that a print lasts as steps; readable without colour."""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from kinematics.reports.lettering import TITLE, lettered
from kinematics.reports.pictures import figure_of, save_figure
from kinematics.wording import quantity_text

if TYPE_CHECKING:
    from kinematics.business.bedful import Bedful


def draw_bedful(found: Bedful, path: Path) -> None:
    """The parts a day of every number of copies, and below how much of the nights they print, to a file."""
    figure = figure_of(7.5, 5.5)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    copies = [row.copies for row in found.rows]
    above.plot(
        copies, [row.parts_per_day for row in found.rows], color="black", marker="o", markersize=3.5, linewidth=0.8
    )
    for best, words, marker in ((found.by_parts, "most parts a day", "s"), (found.by_cost, "cheapest part", "D")):
        if best is not None:
            label = f"{words}: {best.copies} at a time, {quantity_text(best.parts_per_day)} a day"
            above.plot(
                [best.copies], [best.parts_per_day], marker, color="black", markersize=9, mfc="none", label=label
            )
    above.set_ylim(0.0, 1.1 * max(row.parts_per_day for row in found.rows) or 1.0)
    above.set_ylabel("good parts a day")
    above.set_title(lettered(f"{PurePath(found.job).name} on {PurePath(found.machine.name).name}", TITLE))
    above.legend(fontsize="small", framealpha=1.0, loc="lower right")
    nights = [row.weeks.nights for row in found.rows]
    below.step(copies, nights, where="mid", color="black", linewidth=1.0, label="nights that a print goes into")
    shares = [row.weeks.night_share or 0.0 for row in found.rows]
    below.bar(
        copies, shares, width=0.7, facecolor="0.85", edgecolor="black", hatch="//", label="share of nights printing"
    )
    below.set_ylim(0.0, max(1.05, 1.05 * max(nights)))
    below.set_xlabel("copies at a time")
    below.set_ylabel("nights")
    below.legend(fontsize="small", framealpha=1.0, loc="upper left")
    for axes in (above, below):
        axes.grid(axis="y", color="0.85", linewidth=0.6)
        axes.set_axisbelow(True)
    save_figure(figure, path)
