"""One layer of a job from above, as it is and with a setting beside it, drawn by the server as an image."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from kinematics.jobs.timing import Timing
from kinematics.page.answers import causes_rows
from kinematics.page.explorer import Explorer
from kinematics.page.knobs import changed_machine
from kinematics.page.shelf import ShelfJob
from kinematics.reports.path_pictures import (
    SHADED_BY_CAUSE,
    SHADED_BY_SPEED,
    Colouring,
    DrawnPath,
    draw_above,
    path_of,
    speed_steps,
)
from kinematics.reports.style import DARK, LIGHT, SMALL_SIZE, DrawingLook, Headline, LegendKey, figure_kept, sheet
from kinematics.wording import duration_text, quantity_text, share_text

ACROSS = 3.6  # inches that one layer is wide
LOWEST, TALLEST = 0.35, 1.35  # of its width: how high it may be
AROUND = 0.75  # inches for letters above and below a layer
KEYS = 0.75  # inches for the key at the foot
MARGINS = 0.6


def middle_layer(timing: Timing) -> int:
    """The layer under way when half of the time of all layers is over; 0 where there are none."""
    spent = timing.layers.motion[1:] + timing.layers.cooling[1:]
    if not spent.size:
        return 0
    passed = np.cumsum(spent)
    return int(np.searchsorted(passed, 0.5 * passed[-1])) + 1


def ranked_causes(before: Sequence[Timing], after: Sequence[Timing], layers: Sequence[DrawnPath]) -> list[str]:
    """What binds the paths, in the order of the page's table; so every picture of a setting has the same colours."""
    bound = {name for one in layers for name, _ in one.causes}
    listed = [str(row["cause"]) for row in causes_rows(before, after)]
    return [*(name for name in listed if name in bound), *sorted(bound - {*listed})]


def shaded(path: DrawnPath, how: str, look: DrawingLook, ranked: Sequence[str], steps: Sequence[float]) -> Colouring:
    """Moves by speed, in given steps, or by what binds them, in the order of `ranked`."""
    if how == SHADED_BY_SPEED:
        number = np.searchsorted(np.array(steps[1:-1]), path.speed, side="right")
        keys = [
            LegendKey(f"{quantity_text(low)} to {quantity_text(high)} mm/s", colour, "", "-")
            for low, high, colour in zip(steps, steps[1:], look.speeds, strict=False)
        ]
        return Colouring(number, look.speeds[: len(keys)], tuple(keys), "")
    own = ranked[: len(look.tones)] if len(ranked) <= len(look.tones) else ranked[: len(look.tones) - 1]
    place = {name: i for i, name in enumerate(own)}
    numbers = np.array([place.get(name, len(own)) for name, _ in path.causes], np.int64)
    names = [*own, *(["everything else"] if len(ranked) > len(own) else [])]
    keys = [LegendKey(name, colour, "", "-") for name, colour in zip(names, look.tones, strict=False)]
    number = numbers[path.binds] if numbers.size else np.empty(0, np.int64)
    return Colouring(number, look.tones[: len(names)], tuple(keys), "")


def layer_document(
    explorer: Explorer,
    job: ShelfJob,
    settings: Mapping[str, Any],
    layer: int | None,
    how: str,
    dark: bool,
    stacked: bool,
) -> dict[str, Any]:
    """The image of one layer with the words for it; `stacked` where there is no room for two beside each other.

    A layer beyond the last is the last one.
    """
    machine = changed_machine(explorer.machine, settings)
    (before,), (after,) = explorer.planned([job], explorer.machine), explorer.planned([job], machine)
    layers = after.facts.layers
    number = middle_layer(before) if layer is None else min(max(layer, 0), layers)
    paths = [path_of(one.whole_plan(), number) for one in (before, after)]
    changed = machine != explorer.machine
    shown = paths if changed else paths[:1]
    look = DARK if dark else LIGHT
    ranked = ranked_causes([before], [after], paths)
    steps = speed_steps(np.concatenate([one.speed for one in paths]), len(look.speeds))
    shades = [shaded(one, how, look, ranked, steps) for one in shown]
    titles = ["as it is", "with this setting"] if changed else [""]

    def draw(axes: Any, look: DrawingLook) -> Headline:
        for one, path, shade, title in zip(axes if len(shown) > 1 else [axes], shown, shades, titles, strict=True):
            draw_above(one, path, shade)
            one.tick_params(labelsize=SMALL_SIZE - 1.0)
            one.set_title(
                f"{title}: {duration_text(float(path.seconds.sum()))}" if title else "",
                size=SMALL_SIZE,
                color=look.ink,
                loc="left",
            )
        return Headline("", "", shades[0].keys)

    ratio = _ratio(paths[0])
    count = len(shown)
    grid = (count, 1) if stacked else (1, count)
    width = MARGINS + ACROSS * grid[1]
    height = (ACROSS * ratio + AROUND) * grid[0] + KEYS + (KEYS if stacked else 0.0)
    figure = sheet(draw, height, look, width, grid, titled=False)
    held = io.BytesIO()
    figure_kept(figure, held, ".png")
    size = figure.get_size_inches()
    return {
        "layer": number,
        "layers": layers,
        "finding": _finding(paths, changed, how),
        "image": "data:image/png;base64," + base64.b64encode(held.getvalue()).decode(),
        "width": round(96 * size[0]),
        "height": round(96 * size[1]),
        "colours": {name: min(place, len(look.tones) - 1) for place, name in enumerate(ranked)}
        if how == SHADED_BY_CAUSE
        else {},
    }


def _ratio(path: DrawnPath) -> float:
    """How high a layer is, of its width."""
    part = path.ends[:, :, path.printed] if path.printed.any() else path.ends
    across, high = (float(np.ptp(part[:, axis])) if part.size else 1.0 for axis in (0, 1))
    return min(max(high / max(across, 1e-9), LOWEST), TALLEST)


def _finding(paths: Sequence[DrawnPath], changed: bool, how: str) -> str:
    """What the image shows, in a sentence."""
    if how == SHADED_BY_SPEED:
        told = [_middle_speed(one) for one in paths]
        words = f"Half of the time this layer moves at less than {quantity_text(told[0])} mm/s"
        return f"{words} as it is, {quantity_text(told[1])} mm/s with this setting" if changed else words
    told_causes = [_main_cause(one) for one in paths]
    if not changed or told_causes[0] == told_causes[1]:
        return f"Most of this layer is held by {told_causes[1]}"
    return f"Most of this layer is held by {told_causes[0]} as it is, by {told_causes[1]} with this setting"


def _main_cause(path: DrawnPath) -> str:
    total = sum(spent for _, spent in path.causes)
    return f"{path.causes[0][0]} ({share_text(path.causes[0][1] / total)})" if total > 0.0 else "nothing"


def _middle_speed(path: DrawnPath) -> float:
    """The speed that half of the time of a path lies below (mm/s)."""
    if not path.speed.size:
        return 0.0
    order = np.argsort(path.speed)
    passed = np.cumsum(path.seconds[order])
    return float(path.speed[order[min(np.searchsorted(passed, 0.5 * passed[-1]), order.size - 1)]])
