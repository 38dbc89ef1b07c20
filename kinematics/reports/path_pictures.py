"""The path of a job from above and from the side, coloured by speed or by what binds: never by what a line is for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import InputError
from kinematics.gcode.cutting import start_places
from kinematics.gcode.moves import FILAMENT, PRINT
from kinematics.jobs.timing import cause_name, summed
from kinematics.limits import columns as by
from kinematics.reports.bar_pictures import bare
from kinematics.reports.marks import room_of
from kinematics.reports.style import SMALL_SIZE, DrawingLook, Headline, LegendKey
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kinematics.jobs.timing import Planned
    from kinematics.studies.estimate import JobEstimate

SHADED_BY_SPEED, SHADED_BY_CAUSE = "speed", "binds"
LINE_WIDTH = 0.7  # points
SIDE_CELLS = 420  # across a picture from the side
MOST_ROWS = 700  # up it
LOWEST, TALLEST = 0.3, 1.3  # of its width: how high a view may be


class DrawnPath(NamedTuple):
    """The moves of a job along their path: `ends` float64[2, 3, n] where each begins and ends (mm), `layer`, `printed`,
    `seconds` and mean `speed` (mm/s) of each, and what binds it: a number of `causes`, which come by falling time.
    """

    ends: NDArray[np.float64]
    layer: NDArray[np.int32]
    printed: NDArray[np.bool_]
    seconds: NDArray[np.float64]
    speed: NDArray[np.float64]
    binds: NDArray[np.int64]
    causes: tuple[tuple[str, float], ...]

    def part(self, chosen: NDArray[np.bool_]) -> DrawnPath:
        """Some of the moves."""
        return DrawnPath(
            self.ends[:, :, chosen],
            self.layer[chosen],
            self.printed[chosen],
            self.seconds[chosen],
            self.speed[chosen],
            self.binds[chosen],
            self.causes,
        )


def path_of(planned: Planned, layer: int | None = None) -> DrawnPath:
    """The path of a planned job, or of one layer of it, move by move, without what the extruder does alone.

    A move is bound by what bounds its cruising or its ramps, whichever takes longer.
    """
    moves, plan, classes = planned.job.moves, planned.plan, planned.classes
    chosen = moves.kind != FILAMENT
    if layer is not None:
        chosen &= moves.layer == layer
    starts = start_places(planned.job)[:, chosen]
    steps = np.stack([moves.dx[chosen], moves.dy[chosen], moves.dz[chosen]])
    seconds, cruising = plan.duration[chosen], plan.cruising[chosen]
    ramps = plan.rising[chosen] + plan.falling[chosen]
    code = np.where(ramps > cruising, plan.ramp_cause[chosen], plan.cruise_cause[chosen]).astype(np.int64)
    pairs = classes.of_move[chosen].astype(np.int64) * by.CAUSES + code
    seen, number = np.unique(pairs, return_inverse=True)
    names = [cause_name(classes.table, planned.limits, int(pair) // by.CAUSES, int(pair) % by.CAUSES) for pair in seen]
    spent = summed(zip(names, np.bincount(number, seconds, seen.size).tolist(), strict=True))
    causes = tuple(sorted(spent.items(), key=lambda item: -item[1]))
    rank = {name: i for i, (name, _) in enumerate(causes)}
    binds = np.array([rank[name] for name in names], np.int64)[number] if names else np.empty(0, np.int64)
    length = np.sqrt((steps * steps).sum(axis=0))
    speed = np.divide(length, seconds, out=np.zeros_like(length), where=seconds > 0.0)
    ends = np.stack([starts, starts + steps])
    return DrawnPath(ends, moves.layer[chosen], (moves.kind == PRINT)[chosen], seconds, speed, binds, causes)


def chosen_layer(path: DrawnPath, told: int | None, layers: int, option: str = "--layer") -> int:
    """The layer that is drawn from above: the one that was told, else the one under way when half of the time is over.

    Raises InputError where the job has no such layer.
    """
    if told is None:
        passed = np.cumsum(np.bincount(path.layer, path.seconds, layers + 1)[1:])
        return int(np.searchsorted(passed, 0.5 * passed[-1])) + 1 if layers else 0
    if not 0 <= told <= layers:
        allowed = f"1 to {layers:,}" if layers else "0, all there is: the job has no layers"
        raise InputError.at(option, f"there is no layer {told:,}", allowed)
    return told


class Colouring(NamedTuple):
    """A colour for each move: `number` of one of `colours`, the `keys` in their order, and what they show."""

    number: NDArray[np.int64]
    colours: tuple[str, ...]
    keys: tuple[LegendKey, ...]
    finding: str

    def part(self, chosen: NDArray[np.bool_]) -> Colouring:
        """The colours of some of the moves."""
        return self._replace(number=self.number[chosen])


def coloured(path: DrawnPath, how: str, look: DrawingLook) -> Colouring:
    """Moves coloured by speed, from slow to fast, or by what binds them, what takes most time first."""
    total = float(path.seconds.sum()) or 1.0
    if how == SHADED_BY_SPEED:
        steps = speed_steps(path.speed, len(look.speeds))
        number = np.searchsorted(np.array(steps[1:-1]), path.speed, side="right")
        keys = [
            LegendKey(f"{quantity_text(low)} to {quantity_text(high)} mm/s", colour, "", "-")
            for low, high, colour in zip(steps, steps[1:], look.speeds, strict=False)
        ]
        order = np.argsort(path.speed)
        passed = np.cumsum(path.seconds[order])
        middle = float(path.speed[order[np.searchsorted(passed, 0.5 * passed[-1])]]) if order.size else 0.0
        finding = f"Half of the time it moves at less than {quantity_text(middle)} mm/s"
        return Colouring(number, look.speeds[: len(keys)], tuple(keys), finding)
    spent = np.bincount(path.binds, path.seconds, len(path.causes))
    most = [int(i) for i in np.argsort(-spent) if spent[i] > 0.0]
    own = most[: len(look.tones)] if len(most) <= len(look.tones) else most[: len(look.tones) - 1]
    rest = len(own)
    number = np.full(path.binds.size, rest, np.int64)
    for place, cause in enumerate(own):
        number[path.binds == cause] = place
    colours = look.tones[: rest + (1 if len(most) > rest else 0)]
    keys = [
        LegendKey(f"{path.causes[cause][0]} {share_text(spent[cause] / total)}", colour, "", "-")
        for cause, colour in zip(own, colours, strict=False)
    ]
    if len(most) > rest:
        others = share_text(sum(float(spent[cause]) for cause in most[rest:]) / total)
        keys.append(LegendKey(f"everything else {others}", colours[rest], "", "-"))
    finding = f"Most of it is held by {path.causes[most[0]][0]}" if most else "Nothing moves here"
    return Colouring(number, colours, tuple(keys), finding)


def speed_steps(speed: NDArray[np.float64], count: int) -> list[float]:
    """Round speeds (mm/s) that part those of a path into so many steps or fewer."""
    from matplotlib.ticker import MaxNLocator

    most = float(speed.max(initial=1.0))
    found = [float(value) for value in MaxNLocator(count, steps=[1, 2, 2.5, 5, 10]).tick_values(0.0, most)]
    return found if len(found) - 1 <= count else [*found[:count], found[-1]]


def draw_above(axes: Axes, part: DrawnPath, shades: Colouring) -> None:
    """One layer from above: what is printed as lines, travels as hairs."""
    from matplotlib.collections import LineCollection

    lines = part.ends[:, :2, :].transpose(2, 0, 1)
    for printed, width, alpha in ((False, 0.35, 0.5), (True, LINE_WIDTH, 1.0)):
        chosen = part.printed == printed
        colours = [shades.colours[i] for i in shades.number[chosen]]
        axes.add_collection(
            LineCollection(lines[chosen], colors=colours, linewidths=width, alpha=alpha, rasterized=True, zorder=2)
        )
    drawn = part.ends[:, :, part.printed] if part.printed.any() else part.ends
    _frame(axes, drawn[:, 0], drawn[:, 1], "X (mm)", "Y (mm)")
    axes.set_aspect("equal", adjustable="box")


def draw_side(axes: Axes, part: DrawnPath, shades: Colouring) -> None:
    """All that is printed from the front: of each place across and up, the colour under which most time is spent."""
    from matplotlib.colors import ListedColormap

    if not part.seconds.size:
        return
    edges = _cells(part.ends[:, 0], SIDE_CELLS)
    begins, ends = part.ends[:, 0]
    pieces = np.ceil(np.abs(ends - begins) / (edges[1] - edges[0])).astype(np.int64) + 1
    of_move = np.repeat(np.arange(pieces.size), pieces)
    place = (np.arange(of_move.size) - np.repeat(np.cumsum(pieces) - pieces, pieces) + 0.5) / pieces[of_move]
    x = begins[of_move] + place * (ends - begins)[of_move]
    z = np.maximum(part.ends[0, 2], part.ends[1, 2])
    heights = np.unique(np.round(z, 3))
    levels = min(heights.size, MOST_ROWS)
    low, high = float(heights[0]), float(heights[-1])
    thick = (high - low) / (levels - 1) if levels > 1 else 0.2
    column = np.clip(np.searchsorted(edges, x, side="right") - 1, 0, SIDE_CELLS - 1)
    row = np.clip(np.round((z - low) / thick).astype(np.int64), 0, levels - 1)[of_move]
    table = np.zeros((len(shades.colours), levels, SIDE_CELLS))
    np.add.at(table, (shades.number[of_move], row, column), (part.seconds / pieces)[of_move])
    most = np.ma.masked_where(table.sum(axis=0) == 0.0, table.argmax(axis=0))
    axes.imshow(
        most,
        origin="lower",
        extent=(edges[0], edges[-1], low - thick, high),
        cmap=ListedColormap(shades.colours),
        vmin=-0.5,
        vmax=len(shades.colours) - 0.5,
        interpolation="nearest",
        zorder=2,
    )
    _frame(axes, part.ends[:, 0], np.array([low - thick, high]), "X (mm)", "Z (mm)")
    axes.set_aspect("equal", adjustable="box")


def _cells(values: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    low, high = float(values.min()), float(values.max())
    return np.linspace(low, high if high > low else low + 1.0, count + 1)


def _frame(axes: Axes, across: NDArray[np.float64], up: NDArray[np.float64], x: str, y: str) -> None:
    axes.set_xlabel(x, size=SMALL_SIZE)
    axes.set_ylabel(y, size=SMALL_SIZE)
    for which, values in (("x", across), ("y", up)):
        low, high = float(values.min(initial=np.inf)), float(values.max(initial=-np.inf))
        if low <= high:
            room = 0.04 * (high - low) or 1.0
            getattr(axes, f"set_{which}lim")(low - room, high + room)


def draw_views(axes: Any, look: DrawingLook, job: JobEstimate, path: DrawnPath, layer: int) -> Headline:
    """Four views on two rows of axes: from above and from the side, by speed and by what binds."""
    above, side = axes[:2], axes[2:]
    in_layer, printed = path.layer == layer, path.printed
    found = []
    for place, (how, words) in enumerate(((SHADED_BY_SPEED, "by speed"), (SHADED_BY_CAUSE, "by what binds"))):
        shades = coloured(path, how, look)
        draw_above(above[place], path.part(in_layer), shades.part(in_layer))
        draw_side(side[place], path.part(printed), shades.part(printed))
        above[place].set_title(f"layer {layer} from above, {words}", size=SMALL_SIZE, color=look.ink, loc="left")
        side[place].set_title(f"all layers from the side, {words}", size=SMALL_SIZE, color=look.ink, loc="left")
        found.append(shades)
    seconds = duration_text(float(path.seconds[in_layer].sum()))
    about = f"{bare(job.file)}; layer {layer} of {job.layers} is {seconds} in motion; hairlines are travels"
    keys = (LegendKey("by speed:", ""), *found[0].keys, LegendKey("by what binds:", ""), *found[1].keys)

    def thin_out() -> None:
        for one in (*above, *side):
            _few_ticks(one)

    return Headline(f"{found[1].finding}. {found[0].finding}", about, keys, thin_out)


def _few_ticks(axes: Axes) -> None:
    """No more ticks than there is room for their numbers."""
    from matplotlib.ticker import FixedLocator, MaxNLocator

    ends = (axes.get_xlim(), axes.get_ylim())
    for axis, room, (low, high), needed in zip(
        (axes.xaxis, axes.yaxis), room_of(axes), ends, (30.0, 16.0), strict=True
    ):
        count = min(8, int(room / needed))
        one = FixedLocator([float(f"{0.5 * (low + high):.2g}")])
        axis.set_major_locator(MaxNLocator(count, steps=[1, 2, 5, 10]) if count > 1 else one)


def heights_of_views(path: DrawnPath, layer: int, width: float) -> tuple[float, float]:
    """How high views from above and from the side are, `width` inches wide, in proportion."""
    found = []
    for up, chosen in ((1, (path.layer == layer) & path.printed), (2, path.printed)):
        part = path.ends[:, :, chosen] if chosen.any() else path.ends
        across, high = (float(np.ptp(part[:, axis])) if part.size else 1.0 for axis in (0, up))
        found.append(width * min(max(high / max(across, 1e-9), LOWEST), TALLEST))
    return found[0], found[1]


def draw_path(axes: Axes, look: DrawingLook, job: JobEstimate, layer: int | None, how: str) -> Headline:
    """One layer of a job from above, by speed or by what binds."""
    path = path_of(job.timing.whole_plan())
    number = chosen_layer(path, layer, job.layers, "layer=")
    part = path.part(path.layer == number)
    shades = coloured(part, how, look)
    draw_above(axes, part, shades)
    return Headline(shades.finding, f"{bare(job.file)}, layer {number} of {job.layers}", shades.keys)
