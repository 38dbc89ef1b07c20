"""Which drawing a result has: the one place where results and pictures meet."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.reports import bar_pictures as by_bars
from kinematics.reports import marks, style
from kinematics.reports.fit_pictures import draw_filters, draw_measured
from kinematics.reports.shop_pictures import draw_parts, draw_shop, gantt_figure
from kinematics.reports.staircase import draw_ladder, steps_of
from kinematics.reports.sweep_pictures import sweep_drawing

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from kinematics.studies.estimate import JobEstimate

VIEW, AROUND_VIEWS = 3.0, 3.1  # inches: how wide one of four views of a path is, and what all need beside


class Picture(NamedTuple):
    """A drawing, and how high a figure of it is (inches)."""

    drawing: style.Drawing
    height: float


def _bars(
    draw: Callable[[Any, style.DrawingLook, Any], style.Headline], count: Callable[[Any], int]
) -> Callable[[Any], Picture]:
    """The picture of a result as rows of bars, as many as `count` says."""
    return lambda result: Picture(
        lambda axes, look: draw(axes, look, result), marks.height_of_bars(min(count(result), by_bars.MOST_BARS))
    )


# By the name of the result's class: the rooms of results know nothing of pictures, nor have to be loaded for this.
PICTURES: dict[str, Callable[[Any], Picture]] = {
    "Estimate": _bars(by_bars.draw_causes, lambda found: len(by_bars.causes_of(found.jobs))),
    "Comparison": _bars(by_bars.draw_comparison, lambda found: len(found.totals)),
    "Caps": _bars(by_bars.draw_caps, lambda found: max(1, len(by_bars.rows_with_caps(found)))),
    "Target": _bars(by_bars.draw_target, lambda found: len(found.turned)),
    "Upgrades": _bars(by_bars.draw_upgrades, lambda found: len(found.alone)),
    "Ringing": _bars(by_bars.draw_ringing, lambda found: len(found.axes)),
    "Rounding": _bars(by_bars.draw_rounding, lambda found: 3),
    "Ladder": _bars(draw_ladder, lambda found: len(steps_of(found))),
    "Fit": _bars(draw_measured, lambda found: len(found.prints)),
    "VibrationStudy": _bars(draw_filters, lambda found: len(found.choice.by_axis)),
    "Bedful": lambda found: Picture(lambda axes, look: draw_parts(axes, look, found), 4.0),
    "Bedfuls": lambda found: Picture(lambda axes, look: draw_parts(axes, look, found.jobs[0]), 4.0),
    "Sweep": lambda found: Picture(sweep_drawing(found), 4.8),
    "Shop": lambda found: Picture(lambda axes, look: draw_shop(axes, look, found), 4.0),
}


def picture_of(result: Any) -> Picture:
    """The picture of a result. Raises InputError where its numbers make none."""
    return PICTURES[type(result).__name__](result)


def plot_result(result: Any, axes: Axes | None) -> Axes:
    """Draw a result into axes, new ones where none are given."""
    picture = picture_of(result)
    return style.plot(picture.drawing, axes, picture.height)


def plot_path(job: JobEstimate, axes: Axes | None, layer: int | None, how: str) -> Axes:
    """Draw a layer of a job from above into axes, new ones where none are given."""
    from kinematics.reports.path_pictures import draw_path

    return style.plot(lambda one, look: draw_path(one, look, job, layer, how), axes, 6.0)


def figure_of(result: Any, look: style.DrawingLook = style.LIGHT) -> Figure:
    """The figure of a result."""
    if type(result).__name__ == "Shop":
        return gantt_figure(result, look)
    picture = picture_of(result)
    return style.sheet(picture.drawing, picture.height, look)


def worth_figure(job: JobEstimate, look: style.DrawingLook = style.LIGHT) -> Figure:
    """What each limit of a job is worth."""
    count = sum(worth.one_percent_s >= marks.A_MOMENT for worth in job.worth)
    height = marks.height_of_bars(min(count, by_bars.MOST_BARS))
    return style.sheet(lambda axes, one: by_bars.draw_worth(axes, one, job), height, look)


def layers_figure(job: JobEstimate, look: style.DrawingLook = style.LIGHT) -> Figure:
    """The time of every layer of a job."""
    return style.sheet(lambda axes, one: by_bars.draw_layers(axes, one, job), 3.6, look)


def path_figure(job: JobEstimate, layer: int | None, look: style.DrawingLook = style.LIGHT) -> Figure:
    """The path of a job, four views. Raises InputError for a layer that it does not have."""
    from kinematics.reports.path_pictures import chosen_layer, draw_views, heights_of_views, path_of

    path = path_of(job.timing.whole_plan())
    number = chosen_layer(path, layer, job.layers)
    ratios = heights_of_views(path, number, VIEW)
    return style.sheet(
        lambda axes, one: draw_views(axes, one, job, path, number),
        sum(ratios) + AROUND_VIEWS,
        look,
        grid=(2, 2),
        height_ratios=ratios,
    )
