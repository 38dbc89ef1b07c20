"""What measured times may tell of a machine: a few named parameters, each with bounds and a weak prior, and how a job's
time answers to them: planned at a few dozen places, interpolated between them.

Start-up, layers and retractions add seconds by count, which needs no plan. Accelerations and corners do: a job is timed
at a grid of Chebyshev nodes, all of them in batches, and the logarithm of its time is the polynomial through them. The
command rate, which batches cannot do, multiplies the time: it is planned for a few rates with the rest in the middle of
the grid. Where that is not exact enough the grid is laid closer around the place that matters (`fitting`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.polynomial import chebyshev
from scipy.interpolate import PchipInterpolator

from kinematics.gcode.job import JobFacts
from kinematics.jobs.timing import Ask, Reals, TimedJob
from kinematics.limits.combine import EVERY_KIND, limits_of
from kinematics.machine import Machine
from kinematics.machine.rules import CORNER_KEYS
from kinematics.toml.files import dotted_name

# How a parameter is counted: a limit by the logarithm of its factor on what the machine file says, an overhead by its
# seconds, a command rate by the seconds that one move takes to send.
LIMIT_PARAMETER, OVERHEAD_PARAMETER, RATE_PARAMETER = "limit", "overhead", "rate"
FITTED_PRINT, FITTED_TRAVEL, FITTED_CORNER, FITTED_COMMANDS, FITTED_START_UP, FITTED_LAYER, FITTED_RETRACTION = (
    "print acceleration",
    "travel acceleration",
    "corners",
    "command rate",
    "start-up",
    "time per layer",
    "time per retraction",
)
FITTED_LIMITS = (FITTED_PRINT, FITTED_TRAVEL, FITTED_CORNER)
OVERHEADS = (FITTED_START_UP, FITTED_LAYER, FITTED_RETRACTION)
_PRINT_KEY, _TRAVEL_KEY = "motion.print_acceleration_mm_s2", "motion.travel_acceleration_mm_s2"
RATE_KEY = "controller.moves_per_s"
OVERHEAD_KEYS = {
    FITTED_START_UP: "stops.startup_s",
    FITTED_LAYER: "stops.each_layer_s",
    FITTED_RETRACTION: "stops.each_retraction_s",
}
# Weak priors: one standard deviation (of a limit, of the logarithm of its factor; of the others in s), and the most
# that is looked at. Common practice, no source: a number that somebody put into a machine file is rarely off by more
# than three times, a start-up rarely takes ten minutes.
PRIORS = {
    FITTED_PRINT: (0.6, math.log(6.0)),
    FITTED_TRAVEL: (0.6, math.log(6.0)),
    FITTED_CORNER: (0.8, math.log(8.0)),
    FITTED_COMMANDS: (0.0015, 0.02),
    FITTED_START_UP: (180.0, 3600.0),
    FITTED_LAYER: (0.6, 10.0),
    FITTED_RETRACTION: (0.1, 2.0),
}


class Parameter(NamedTuple):
    """One parameter: its name, how it is counted, the keys that it sets, what these hold now (None: nothing).

    `base` where the machine file puts it, in its own coordinate; `spread` the standard deviation of its prior; `least`
    and `most` its bounds.
    """

    name: str
    kind: str
    keys: tuple[str, ...]
    held: tuple[float | None, ...]
    base: float
    spread: float
    least: float
    most: float

    def settings(self, place: float) -> dict[str, float | None]:
        """The values of its keys at a place in its own coordinate; None takes a key out."""
        if self.kind == LIMIT_PARAMETER:
            factor = math.exp(place)
            return {key: value * factor for key, value in zip(self.keys, self.held, strict=True) if value is not None}
        if self.kind == RATE_PARAMETER:
            return {self.keys[0]: 1.0 / place if place > 0.0 else None}
        return {self.keys[0]: place}

    def value(self, place: float) -> float | None:
        """The value of its first key at a place; None for a command rate that holds nothing back."""
        return self.settings(place)[self.keys[0]]


def parameters_of(machine: Machine) -> tuple[Parameter, ...]:
    """All parameters of a machine: the likely values of its file stand at the middle of the priors."""
    labels = [dotted_name(("motion", "by_label", name)) for name in machine.motion.by_label]
    keys = {
        FITTED_PRINT: [_PRINT_KEY, *(f"{at}.print_acceleration_mm_s2" for at in ("motion.by_kind.print", *labels))],
        FITTED_TRAVEL: [_TRAVEL_KEY, *(f"{at}.travel_acceleration_mm_s2" for at in ("motion.by_kind.travel", *labels))],
        FITTED_CORNER: list(CORNER_KEYS),
    }
    found = []
    for name in FITTED_LIMITS:
        given = [(key, value) for key in keys[name] if (value := machine.value_of(key)) is not None]
        spread, most = PRIORS[name]
        names, held = zip(*given, strict=True)
        found.append(Parameter(name, LIMIT_PARAMETER, names, held, 0.0, spread, -most, most))
    rate = machine.controller.moves_per_s
    spread, most = PRIORS[FITTED_COMMANDS]
    found.append(
        Parameter(FITTED_COMMANDS, RATE_PARAMETER, (RATE_KEY,), (rate,), 1.0 / rate if rate else 0.0, spread, 0.0, most)
    )
    for name, key in OVERHEAD_KEYS.items():
        value = machine.value_of(key)
        spread, most = PRIORS[name]
        found.append(Parameter(name, OVERHEAD_PARAMETER, (key,), (value,), value or 0.0, spread, 0.0, most))
    return tuple(found)


def settings_at(parameters: Sequence[Parameter], place: Reals) -> dict[str, float | None]:
    """The values of all keys at a place, one coordinate a parameter."""
    return {key: value for one, at in zip(parameters, place, strict=True) for key, value in one.settings(at).items()}


NODES = 5  # along each limit over all that may be; a kink between nodes bends the polynomial by a per cent of the time
NODES_CLOSE = 4  # along each limit over a box that has been narrowed
NODES_TIED = 4  # at most where every node takes a plan of its own
RATES_PLANNED = 6  # command rates that are planned


class Box(NamedTuple):
    """The places that a grid spans: `least` and `most` of every parameter (their own coordinates)."""

    least: Reals
    most: Reals

    @property
    def middle(self) -> Reals:
        """Half way between."""
        return 0.5 * (self.least + self.most)


class Surface(NamedTuple):
    """A job on a machine over a box: `coefficients` float64[nodes, nodes, nodes] of the logarithm of its seconds beside
    overheads; `rates` float64[RATES_PLANNED] seconds a move, and `slowed` the logarithm of what each multiplies the
    time by; `before` seconds before the first move beside overheads.
    """

    coefficients: Reals
    rates: Reals
    slowed: Reals
    before: float
    facts: JobFacts


class Grid(NamedTuple):
    """The machines under which jobs are timed to know them over a box: `asks` one at every node of the limits, one for
    each of `rates` with limits in the middle, and that middle itself; `nodes` along each limit (from -1 to 1); `bare`
    without overheads.
    """

    asks: tuple[Ask, ...]
    nodes: Reals
    rates: Reals
    bare: Ask


def whole_box(parameters: Sequence[Parameter]) -> Box:
    """All that may be looked at."""
    return Box(np.array([one.least for one in parameters]), np.array([one.most for one in parameters]))


def grid_of(machine: Machine, box: Box, nodes: int) -> Grid:
    """The machines of a box around one machine: its own values stand at 0, or where its file puts them."""
    parameters = parameters_of(machine)
    bare = machine.with_settings(dict.fromkeys(OVERHEAD_KEYS.values()), "fit")
    limits = [k for k, one in enumerate(parameters) if one.kind == LIMIT_PARAMETER]
    (rate,) = (k for k, one in enumerate(parameters) if one.kind == RATE_PARAMETER)
    tied = limits_of(bare, EVERY_KIND).ties
    at = chebyshev.chebpts1(min(nodes, NODES_TIED) if tied else nodes)
    columns = [box.middle[k] + 0.5 * (box.most[k] - box.least[k]) * at for k in limits]
    places = np.stack(np.meshgrid(*columns, indexing="ij"), axis=-1).reshape(-1, len(limits))
    turned = [parameters[k] for k in limits]
    machines = [bare.with_settings(settings_at(turned, place), "fit") for place in places]
    middle = bare.with_settings(settings_at(turned, box.middle[limits]), "fit")
    rates = box.least[rate] + (box.most[rate] - box.least[rate]) * (np.arange(RATES_PLANNED) / (RATES_PLANNED - 1)) ** 2
    machines += [middle.with_settings(parameters[rate].settings(float(seconds)), "fit") for seconds in rates]
    return Grid(tuple(Ask(one) for one in (*machines, middle)), at, rates, Ask(bare, passing=True, total_only=True))


def surface_of(job: TimedJob, grid: Grid) -> Surface:
    """Plan a job over a grid. Raises InputError where it cannot be read."""
    job.foresee([grid.bare])
    totals = job.totals(grid.asks)
    count = len(grid.asks) - RATES_PLANNED - 1
    values = np.log(totals[:count])
    size = grid.nodes.size
    transform = np.linalg.inv(chebyshev.chebvander(grid.nodes, size - 1))
    coefficients = np.einsum("ai,bj,ck,ijk->abc", transform, transform, transform, values.reshape(size, size, size))
    timing = job.timed(grid.bare)
    slowed = np.log(totals[count:-1] / totals[-1])
    return Surface(coefficients, grid.rates, slowed, timing.stops.before_moves, timing.facts)


def surface_over(job: TimedJob, machine: Machine, box: Box, nodes: int) -> Surface:
    """Plan a job over a box around a machine, so many nodes along each limit."""
    ends = tuple(box.least.tolist()), tuple(box.most.tolist())
    return surface_of(job, _kept_grid(machine, ends, nodes))


@lru_cache(maxsize=8)
def _kept_grid(machine: Machine, ends: tuple[tuple[float, ...], tuple[float, ...]], nodes: int) -> Grid:
    """The grid of one machine and box, which all of its jobs are planned over."""
    return grid_of(machine, Box(*(np.array(end) for end in ends)), nodes)


class Responses:
    """Prints as functions of the parameters: which surface each is on, and whether its clock ran from the start."""

    def __init__(
        self,
        parameters: Sequence[Parameter],
        box: Box,
        surfaces: Sequence[Surface],
        of_print: Sequence[int],
        from_start: Sequence[bool],
    ) -> None:
        self.parameters = tuple(parameters)
        self.box = box
        self.surfaces = tuple(surfaces)
        self.of_print = np.array(of_print, np.int64)
        self.from_start = np.array(from_start, bool)
        nodes = max(one.coefficients.shape[0] for one in surfaces)
        self._tensor = np.stack([_padded(one.coefficients, nodes) for one in surfaces])
        self._derivative = chebyshev.chebder(np.eye(nodes))
        self._slowed = PchipInterpolator(surfaces[0].rates, np.stack([one.slowed for one in surfaces], axis=1))
        self._slowing = self._slowed.derivative()
        self._limits = [k for k, one in enumerate(parameters) if one.kind == LIMIT_PARAMETER]
        (self._rate,) = (k for k, one in enumerate(parameters) if one.kind == RATE_PARAMETER)
        self._overheads = [next(k for k, one in enumerate(parameters) if one.name == name) for name in OVERHEADS]
        facts = [surfaces[i].facts for i in of_print]
        counts = [(float(start), one.layers, one.retractions) for start, one in zip(from_start, facts, strict=True)]
        self._counts = np.array(counts, float).reshape(-1, len(OVERHEADS))
        self._before = np.where(self.from_start, 0.0, [surfaces[i].before for i in of_print])

    def seconds(self, place: Reals) -> tuple[Reals, Reals]:
        """The time of each print (s), and how it changes with each parameter: float64[prints], [prints, parameters]."""
        middle, half = self.box.middle[self._limits], 0.5 * (self.box.most - self.box.least)[self._limits]
        scaled = (place[self._limits] - middle) / half
        bases = chebyshev.chebvander(scaled, self._tensor.shape[1] - 1)
        slopes = chebyshev.chebvander(scaled, self._tensor.shape[1] - 2) @ self._derivative / half[:, np.newaxis]
        motion = np.exp(np.einsum("sabc,a,b,c->s", self._tensor, *bases) + self._slowed(place[self._rate]))
        changes = np.empty((motion.size, len(self._limits)))
        for axis in range(len(self._limits)):
            at = [slopes[other] if other == axis else bases[other] for other in range(len(self._limits))]
            changes[:, axis] = motion * np.einsum("sabc,a,b,c->s", self._tensor, *at)
        jacobian = np.empty((self.of_print.size, place.size))
        jacobian[:, self._limits] = changes[self.of_print]
        jacobian[:, self._rate] = (motion * self._slowing(place[self._rate]))[self.of_print]
        jacobian[:, self._overheads] = self._counts
        return motion[self.of_print] - self._before + self._counts @ place[self._overheads], jacobian


def _padded(coefficients: Reals, nodes: int) -> Reals:
    """Coefficients with zeros up to so many of them along every axis."""
    return np.pad(coefficients, [(0, nodes - size) for size in coefficients.shape])
