"""The staircase of a ladder: the time after each step, kinds of step told by hatch and colour."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

from kinematics.machine.kinds import KINDS_OF_STEPS, OPEN, PART, PREPARED, QUALITY, SETTING, SHOWS
from kinematics.reports.lettering import NAME, TITLE, lettered
from kinematics.reports.pictures import MINUTE, figure_of, save_figure
from kinematics.wording import duration_text

if TYPE_CHECKING:
    from kinematics.studies.ladder import Ladder

# Told by hatch where there is no colour; colours that most people tell apart (M. Okabe, K. Ito, Color Universal Design,
# 2008).
LOOKS = {
    SETTING: ("#56B4E9", "//"),
    OPEN: ("#0072B2", "\\\\"),
    SHOWS: ("#E69F00", ".."),
    PREPARED: ("#009E73", "--"),
    PART: ("#CC79A7", "xx"),
    QUALITY: ("#D55E00", "++"),
}
NOW_LOOK, SMALL_LOOK = ("0.85", ""), ("0.95", "")
NAME_WIDTH = 20  # letters of a line under a step
MOST_NAMED = 3  # limits of a step


def draw_staircase(ladder: Ladder, path: Path) -> None:
    """The staircase to a .png or .svg file: a bar a step, as high as the time after it, what it saves on top."""
    steps = [("as it is", ladder.total_s, 0.0, "now")]
    for rung in ladder.rungs:
        names = [one.what for one in rung.raised]
        more = [f"and {len(names) - MOST_NAMED} more"] if len(names) > MOST_NAMED else []
        steps.append(("\n".join([*names[:MOST_NAMED], *more]), rung.total_s, rung.saved_s, rung.kind))
    if ladder.small is not None:
        steps.append((f"{ladder.small.steps} small steps", ladder.small.total_s, ladder.small.saved_s, "small steps"))
    figure = figure_of(max(6.0, 1.6 * len(steps) + 1.5), 5.2)
    axes = figure.subplots()
    for place, (_, total, saved, kind) in enumerate(steps):
        colour, hatch = LOOKS.get(kind, SMALL_LOOK if kind == "small steps" else NOW_LOOK)
        axes.bar(place, total / MINUTE, width=0.8, facecolor="0.93", edgecolor="black", linewidth=0.8)
        if saved > 0.0:
            look = {"facecolor": colour, "edgecolor": "black", "hatch": hatch, "linewidth": 0.8}
            axes.bar(place, saved / MINUTE, bottom=total / MINUTE, width=0.8, **look)
        axes.annotate(
            duration_text(total), (place, total / MINUTE), xytext=(0, -3), textcoords="offset points", ha="center",
            va="top", fontsize=8,
        )  # fmt: skip
    for kind in (*KINDS_OF_STEPS, "small steps"):
        if any(kind == other for _, _, _, other in steps):
            colour, hatch = LOOKS.get(kind, SMALL_LOOK)
            axes.bar(0, 0, facecolor=colour, edgecolor="black", hatch=hatch, label=kind)
    if ladder.fixed.floor_s > 0.0:
        floor = ladder.fixed.floor_s / MINUTE
        axes.axhline(floor, color="black", linestyle=":", linewidth=1.0, label="no limit takes it below")
    if ladder.until_s is not None:
        axes.axhline(ladder.until_s / MINUTE, color="black", linestyle="--", linewidth=1.0, label="asked for")
    names = ["\n".join(fill(lettered(line, NAME), NAME_WIDTH) for line in name.splitlines()) for name, _, _, _ in steps]
    axes.set_xticks(range(len(steps)), names, fontsize=8)
    axes.set_ylabel("time after each step (min)")
    axes.set_title(lettered(f"{_jobs(ladder)} on {ladder.machine.name}", TITLE))
    axes.set_ylim(0.0, 1.05 * ladder.total_s / MINUTE)
    axes.legend(fontsize="small", loc="upper right", framealpha=1.0, title="saved by this kind of step")
    save_figure(figure, path)


def _jobs(ladder: Ladder) -> str:
    names = [Path(job).name for job in ladder.jobs]
    return names[0] if len(names) == 1 else f"{len(names)} jobs"
