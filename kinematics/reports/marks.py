"""What drawings are made of: axes with plain numbers, rows of bars, words beside what they name."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.reports.style import (
    HAIR_WIDTH,
    POINTS_AN_INCH,
    SMALL_SIZE,
    TEXT_SIZE,
    DrawingLook,
    figure_with,
    fitted,
    width_of,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NAME_ROOM = 172.0  # points for the names of bars
BAR_ROOM = 0.34  # inches of height for a bar
STEPS = ((1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 5.0, 7.0), (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0))
FEWEST_TICKS = 4
A_MOMENT = 0.05  # s: less is not worth a word
WORD_GAP = 5.0  # points between a mark and its words


class OneBar(NamedTuple):
    """One bar: its name, how long it is, the words at its end, its colour or hatch; `ends` of an interval."""

    name: str
    value: float
    words: str
    colour: str
    hatch: str = ""
    ends: tuple[float, float] | None = None


class TimeScale(NamedTuple):
    """A unit of time that suits an axis: how many seconds it has, and its name."""

    seconds: float
    name: str


def time_scale(longest: float) -> TimeScale:
    """The unit in which times up to so many seconds are drawn."""
    if longest < 180.0:
        return TimeScale(1.0, "s")
    return TimeScale(60.0, "min") if longest < 4.0 * 3600.0 else TimeScale(3600.0, "h")


def plain_number(value: float, _place: Any = None) -> str:
    """A number of an axis as people write it: 1,000, 0.05."""
    if abs(value) < 1e-12:
        return "0"
    return f"{value:,.0f}" if abs(value) >= 1000.0 else f"{value:.4g}"


def plain_axis(axes: Axes, which: str, low: float, high: float, logarithmic: bool) -> None:
    """Scale an axis from `low` to `high`, its ticks in plain numbers."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

    axis = axes.xaxis if which == "x" else axes.yaxis
    if logarithmic:
        getattr(axes, f"set_{which}scale")("log")
        axis.set_major_locator(FixedLocator(log_ticks(low, high)))
        axis.set_minor_locator(NullLocator())
    else:
        axis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(FuncFormatter(plain_number))
    getattr(axes, f"set_{which}lim")(low, high)


def log_ticks(low: float, high: float) -> list[float]:
    """Round values between two, a few of them, at about equal ratios."""
    exponents = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    found: list[float] = []
    for steps in ((1.0,), *STEPS) if high / low > 1e4 else STEPS:
        found = [step * 10.0**power for power in exponents for step in steps]
        found = [value for value in found if low * (1.0 - 1e-9) <= value <= high * (1.0 + 1e-9)]
        if len(found) >= FEWEST_TICKS:
            break
    return found


def room_of(axes: Axes) -> tuple[float, float]:
    """Width and height of axes (points)."""
    box = axes.get_window_extent()
    scale = POINTS_AN_INCH / figure_with(axes).dpi
    return box.width * scale, box.height * scale


def spread(wanted: Sequence[float], widths: Sequence[float], low: float, high: float) -> list[float]:
    """Middles of labels in a row, as near as may be to where they are wanted, none over another nor past the ends."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    middles = list(wanted)
    end = low
    for i in order:
        middles[i] = max(wanted[i], end + widths[i] / 2.0)
        end = middles[i] + widths[i] / 2.0
    end = high
    for i in reversed(order):
        middles[i] = min(middles[i], end - widths[i] / 2.0)
        end = middles[i] - widths[i] / 2.0
    return middles


def rail(axes: Axes, look: DrawingLook, marks: Sequence[tuple[float, str]], height: float) -> Callable[[], None]:
    """Words in a row at the top of axes, each with a line down from it to the x that it names.

    `height` of the row's middle, as a share of the axes. Returned is what places them once the room is known; where
    they do not all fit, the last ones are left out.
    """

    def place() -> None:
        room, high = room_of(axes)
        shown = list(marks)
        while shown and sum(width_of(words, SMALL_SIZE) + 2 * WORD_GAP for _, words in shown) > room:
            shown.pop()
        widths = [width_of(words, SMALL_SIZE) + 2.0 * WORD_GAP for _, words in shown]
        inverse = axes.transAxes.inverted()
        xs = [float(inverse.transform(axes.transData.transform((x, axes.get_ylim()[0])))[0]) for x, _ in shown]
        middles = spread([x * room for x in xs], widths, 0.0, room)
        foot = height - 0.5 * SMALL_SIZE * 1.5 / high
        for (_, words), x, middle in zip(shown, xs, middles, strict=True):
            axes.plot(
                [x, x, middle / room],
                [0.0, foot - 0.05, foot],
                transform=axes.transAxes,
                color=look.rule,
                linewidth=HAIR_WIDTH,
                zorder=1.5,
            )
            axes.text(
                middle / room,
                height,
                words,
                transform=axes.transAxes,
                size=SMALL_SIZE,
                color=look.ink,
                ha="center",
                va="center",
                bbox=boxed(look),
                zorder=4,
            )

    return place


def boxed(look: DrawingLook) -> dict[str, Any]:
    """A patch of paper under words that lie on something."""
    return {"facecolor": look.paper, "edgecolor": "none", "pad": 1.8}


def bars(axes: Axes, look: DrawingLook, rows: Sequence[OneBar], what: str) -> Callable[[], None]:
    """Rows of bars, the first at the top, each with its name before and its words behind it; `what` they measure.

    Returned is what places the words once the room is known.
    """
    places = range(len(rows))
    for place, bar in zip(places, rows, strict=True):
        fill: dict[str, Any] = {"color": bar.colour}
        if bar.hatch:
            fill = {"facecolor": look.paper, "edgecolor": bar.colour, "hatch": bar.hatch}
        axes.barh(place, bar.value, height=0.62, linewidth=HAIR_WIDTH, zorder=2, **fill)
        if bar.ends is not None:
            for colour, wide in ((look.paper, 3.4), (look.ink, 1.2)):
                whisker: dict[str, Any] = {"linewidth": wide, "marker": "|", "markersize": 8, "markeredgewidth": wide}
                axes.plot(bar.ends, [place, place], color=colour, zorder=3, **whisker)
    names = [fitted(bar.name, NAME_ROOM, TEXT_SIZE) for bar in rows]
    axes.set_yticks(list(places), names, size=TEXT_SIZE)
    axes.tick_params(axis="y", length=0.0)
    axes.spines["left"].set_visible(False)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlabel(what)
    axes.grid(axis="x", color=look.grid, linewidth=HAIR_WIDTH)
    longest = max((max(bar.value, *(bar.ends or (0.0,))) for bar in rows), default=1.0) or 1.0
    plain_axis(axes, "x", 0.0, longest * 1.5, False)

    def place_words() -> None:
        room, _ = room_of(axes)
        ends = [max(bar.value, *(bar.ends or (0.0,))) for bar in rows]
        words_behind(axes, look, ends, [fitted(bar.words, 0.62 * room, SMALL_SIZE) for bar in rows], longest * 1.02)

    return place_words


def words_behind(axes: Axes, look: DrawingLook, ends: Sequence[float], words: Sequence[str], least: float) -> None:
    """Write words behind the ends of lying bars, and make the axis as long as they need, `least` at least."""
    room, _ = room_of(axes)
    shares = [1.0 - (width_of(text, SMALL_SIZE) + 2.0 * WORD_GAP) / room for text in words]
    most = max((end / share for end, share in zip(ends, shares, strict=True)), default=1.0) or 1.0
    plain_axis(axes, "x", 0.0, max(most, least), False)
    for place, (end, text) in enumerate(zip(ends, words, strict=True)):
        axes.annotate(
            text,
            (end, place),
            xytext=(WORD_GAP, 0.0),
            textcoords="offset points",
            size=SMALL_SIZE,
            color=look.ink,
            va="center",
            bbox=boxed(look),
            zorder=4,
        )


def height_of_bars(count: int) -> float:
    """Inches for a figure of so many bars."""
    return 1.45 + BAR_ROOM * max(count, 1)


def quiet(axes: Axes, look: DrawingLook, words: str) -> None:
    """Axes with nothing to draw but a sentence."""
    axes.set_axis_off()
    axes.text(0.0, 0.6, words, transform=axes.transAxes, size=TEXT_SIZE, color=look.ink)
