"""The staircase of a ladder: the time that is left after each step, and what the step saves, by kind of step."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kinematics.machine.kinds import KINDS_OF_STEPS, PART, PREPARED, QUALITY, SETTING, SHOWS, UNCAPPED
from kinematics.reports.bar_pictures import jobs_text
from kinematics.reports.marks import A_MOMENT, NAME_ROOM, plain_axis, time_scale, words_behind
from kinematics.reports.style import HAIR_WIDTH, SMALL_SIZE, DrawingLook, Headline, LegendKey, folded
from kinematics.wording import duration_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kinematics.studies.ladder import Ladder

# Which of the look's tones and which hatch the savings of a kind of step have: told apart without colour as well.
KINDS: dict[str, tuple[int, str]] = {
    SETTING: (0, ""),
    UNCAPPED: (0, "////"),
    SHOWS: (2, "...."),
    PREPARED: (1, ""),
    PART: (3, "xxxx"),
    QUALITY: (4, "----"),
}
SMALL_STEPS = "small steps"
HEIGHT = 0.66  # of a row


def steps_of(ladder: Ladder) -> list[tuple[str, float, float, str]]:
    """Words, time after it, what it saves (s) and kind of each step, the machine as it is first."""
    steps = [("as it is", ladder.total_s, 0.0, "")]
    for number, rung in enumerate(ladder.rungs, 1):
        words = ", ".join(one.what for one in rung.raised)
        steps.append((f"{number} {words}", rung.total_s, rung.saved_s, rung.kind))
    if ladder.small is not None:
        steps.append((f"{ladder.small.steps} {SMALL_STEPS}", ladder.small.total_s, ladder.small.saved_s, SMALL_STEPS))
    return steps


def draw_ladder(axes: Axes, look: DrawingLook, ladder: Ladder) -> Headline:
    """Rows of bars: what is left after each step, and behind it what the step has saved."""
    steps = steps_of(ladder)
    scale = time_scale(ladder.total_s)
    for place, (_, total, saved, kind) in enumerate(steps):
        axes.barh(place, total / scale.seconds, height=HEIGHT, color=look.fills[4], linewidth=0.0, zorder=2)
        if saved > 0.0:
            left = total / scale.seconds
            axes.barh(place, saved / scale.seconds, left=left, height=HEIGHT, zorder=2, **_paint(look, kind))
    names = ["\n".join(folded(words, NAME_ROOM, SMALL_SIZE, most=2)) for words, *_ in steps]
    axes.set_yticks(range(len(steps)), names, size=SMALL_SIZE)
    axes.tick_params(axis="y", length=0.0)
    axes.spines["left"].set_visible(False)
    axes.set_ylim(len(steps) - 0.5, -0.5)
    axes.set_xlabel(f"time after each step ({scale.name})")
    axes.grid(axis="x", color=look.grid, linewidth=HAIR_WIDTH)
    longest = ladder.total_s / scale.seconds
    plain_axis(axes, "x", 0.0, 1.5 * longest, False)
    keys = [LegendKey("time left", look.fills[4])]
    for kind in (*KINDS_OF_STEPS, SMALL_STEPS):
        if any(kind == one[3] and one[2] > 0.0 for one in steps):
            tone, hatch = KINDS.get(kind, (4, ""))
            keys.append(LegendKey(f"saved: {kind}", look.tones[tone], hatch))
    for seconds, words, line in (
        (ladder.fixed.floor_s, "no limit takes it below", ":"),
        (ladder.until_s or 0.0, "asked for", "--"),
    ):
        if seconds > 0.0:
            axes.axvline(seconds / scale.seconds, color=look.ink, linewidth=1.1, linestyle=line, zorder=3)
            keys.append(LegendKey(f"{words}: {duration_text(seconds)}", look.ink, "", line))

    def place_words() -> None:
        told = [
            duration_text(total) + (f" · saves {duration_text(saved)}" if saved > 0.0 else "")
            for _, total, saved, _ in steps
        ]
        ends = [(total + saved) / scale.seconds for _, total, saved, _ in steps]
        words_behind(axes, look, ends, told, 0.0)

    return Headline(
        ladder_finding(ladder), f"{jobs_text(ladder.jobs)} on {ladder.machine.name}", tuple(keys), place_words
    )


def ladder_finding(ladder: Ladder) -> str:
    """How far the steps take the time, or that none does."""
    saved = ladder.total_s - ladder.end_s
    if saved <= A_MOMENT:
        return "No step makes it any shorter"
    count = len(ladder.rungs)
    steps = f"{count} step{'s' if count != 1 else ''}"
    told = f"{steps} take it from {duration_text(ladder.total_s)} to {duration_text(ladder.end_s)}"
    told += f" ({share_text(saved / ladder.total_s)} less)"
    return told + ("; that is not enough" if ladder.reached is False else "")


def _paint(look: DrawingLook, kind: str) -> dict[str, Any]:
    tone, hatch = KINDS.get(kind, (4, ""))
    if not hatch:
        return {"facecolor": look.tones[tone], "linewidth": 0.0}
    return {"facecolor": look.paper, "edgecolor": look.tones[tone], "hatch": hatch, "linewidth": HAIR_WIDTH}
