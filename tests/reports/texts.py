"""What stands in a figure, where, and on what: by the renderer's own boxes."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from tests.reports.colours import contrast

A_PIXEL = 1.0
LEGIBLE = 4.5


def _hidden(axes: Any) -> set[int]:
    """Tick labels that are not drawn, since their ticks lie outside the axes."""
    found: set[int] = set()
    for axis in (axes.xaxis, axes.yaxis):
        drawn = {id(label) for tick in axis._update_ticks() for label in (tick.label1, tick.label2)}
        every = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
        found |= {id(label) for tick in every for label in (tick.label1, tick.label2)} - drawn
    return found


def texts_of(figure: Figure) -> list[tuple[Text, Any]]:
    """Every text that is drawn, with its box (pixels)."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    hidden: set[int] = set()
    for axes in figure.axes:
        hidden |= _hidden(axes)
        if not axes.axison:
            hidden |= {id(one) for axis in (axes.xaxis, axes.yaxis) for one in axis.findobj(Text)}
    return [
        (text, text.get_window_extent(renderer))
        for text in figure.findobj(Text)
        if isinstance(text, Text) and text.get_visible() and text.get_text().strip() and id(text) not in hidden
    ]


def troubles(figure: Figure) -> list[str]:
    """Texts that overlap another or leave the canvas, or that are hard to read on what they lie on."""
    found = []
    texts = texts_of(figure)
    width, height = figure.get_size_inches() * figure.dpi
    for text, box in texts:
        if box.x0 < -A_PIXEL or box.y0 < -A_PIXEL or box.x1 > width + A_PIXEL or box.y1 > height + A_PIXEL:
            found.append(f"{text.get_text()!r} leaves the canvas: {box.extents.round(1)} of {width:.0f} x {height:.0f}")
        patch = text.get_bbox_patch()
        paper = patch.get_facecolor() if patch is not None else figure.get_facecolor()
        if contrast(text.get_color(), paper) < LEGIBLE:
            found.append(f"{text.get_text()!r} is hard to read: {text.get_color()} on {paper}")
    for (one, first), (other, second) in combinations(texts, 2):
        across = min(first.x1, second.x1) - max(first.x0, second.x0)
        up = min(first.y1, second.y1) - max(first.y0, second.y0)
        if across > A_PIXEL and up > A_PIXEL:
            found.append(f"{one.get_text()!r} and {other.get_text()!r} overlap by {across:.1f} x {up:.1f}")
    return found
