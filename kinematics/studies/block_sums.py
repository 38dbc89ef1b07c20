"""What is kept of a job in blocks: its classes of moves, and under each machine the sums over all blocks."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.caps import columns as by
from kinematics.caps.classes import MoveClass, classify, refuse_too_many
from kinematics.caps.combine import limits_of
from kinematics.gcode.job import JobFacts
from kinematics.gcode.moves import Events
from kinematics.gcode.portions import Portion
from kinematics.planner.layers import lengthened
from kinematics.planner.path_sums import FILAMENT_SPEED, PATH, PATH_SUMS, PRINTED, SPEED
from kinematics.planner.plan import hang_on_turns
from kinematics.studies.block_plan import BlockSums, Terms
from kinematics.studies.prepared import corner_settings, rules_deviation
from kinematics.studies.timing import Ask, PathSums, Timing, clock_of, timing_from


class Way(NamedTuple):
    """How a machine tells moves apart: number of first layers, by label, by the limits that the job states."""

    first_layers: int
    labelled: bool
    stated: bool


class Classing:
    """Classes of moves under one way, numbered as they come up."""

    def __init__(self, way: Way) -> None:
        self._way = way
        self._ranks: dict[tuple[int, ...], int] = {}
        self._conditions: dict[tuple[tuple[str, float], ...], int] = {}
        self.table: list[MoveClass] = []

    def numbers(self, portion: Portion) -> NDArray[np.uint16]:
        """The number of the class of every move of the next portion."""
        conditions = portion.conditions if self._way.stated else None
        labels = portion.labels if self._way.labelled else None
        if conditions is not None:
            for stated in conditions.table:
                self._conditions.setdefault(tuple(sorted(stated.items())), len(self._conditions))
        names = {} if labels is None else {name: number for number, name in enumerate(labels.names)}
        first_layers = self._way.first_layers if portion.has_layers else 0
        classes = classify(portion.moves, first_layers, conditions, labels)
        own = np.empty(len(classes.table), np.uint16)
        for i, member in enumerate(classes.table):
            condition = self._conditions.get(tuple(sorted(member.stated.items())), 0)
            rank = (names.get(member.label, 0), condition, int(member.first_layers), member.kind)
            if rank not in self._ranks:
                self._ranks[rank] = len(self.table)
                self.table.append(member)
                refuse_too_many(len(self.table))
            own[i] = self._ranks[rank]
        if np.array_equal(own, np.arange(own.size)):
            return classes.of_move
        return own[classes.of_move]

    def order(self) -> list[int]:
        """The numbers of the classes in the order in which `classify` would give them for the whole job."""
        return [number for _, number in sorted(self._ranks.items())]


class TiesError(Exception):
    """A limit stated in the job ties speed and acceleration together, which takes every move at hand."""


class DeviationError(Exception):
    """Junction deviation turned out to rule part of a job under this ask, so that short runs count from the start."""

    def __init__(self, ask: Ask) -> None:
        super().__init__(ask)
        self.ask = ask


def _longer(array: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """At least `size` entries, those behind the old ones 0."""
    if array.shape[0] >= size:
        return array
    return np.concatenate([array, np.zeros((max(size, 2 * array.shape[0]) - array.shape[0], *array.shape[1:]))])


class Lane:
    """The sums of a job under one machine.

    `way` is the number of the `classing`; `by_deviation` says that junction deviation is known to rule part of the job.
    """

    def __init__(self, ask: Ask, way: int, classing: Classing, file_limits: str, by_deviation: bool) -> None:
        self._ask = ask
        self._way = way
        self._classing = classing
        self._file_limits = file_limits
        self._by_deviation = by_deviation
        self._limits = np.empty((0, by.LIMITS))
        self._in_place = np.empty((0, by.LIMITS)) if any(factor == math.inf for _, factor in ask.scaled) else None
        self._terms: Terms | None = None
        self._unbounded = False
        self._seconds = np.zeros((0, by.CAUSES))
        self._motion = 0.0
        self._layers, self._layer_moves = np.zeros(1), np.zeros(1)
        self._path = np.zeros(PATH_SUMS)
        self._line: int | None = None
        self._passed: list[NDArray[np.float64]] = []

    def terms(self) -> Terms:
        """What a block with the classes so far is planned under. Raises DeviationError, TiesError."""
        known, table = self._limits.shape[0], self._classing.table
        machine = self._ask.machine
        if self._terms is not None and known == len(table):
            return self._terms
        if known < len(table):
            scaled = dict(self._ask.scaled)
            limits = limits_of(machine, table[known:], self._file_limits, self._ask.varied, scaled)
            if limits.ties:
                raise TiesError
            values = limits.values
            if rules_deviation(values) and not self._by_deviation:
                if known:
                    raise DeviationError(self._ask)
                self._by_deviation = True
            self._limits = np.concatenate([self._limits, values])
            if self._in_place is not None:
                whole = limits_of(machine, table[known:], self._file_limits, self._ask.varied).values
                self._in_place = np.concatenate([self._in_place, whole])
        turns = hang_on_turns(self._limits if self._in_place is None else self._in_place)
        corners = corner_settings(machine, self._by_deviation, turns)
        lookahead, sums_path = machine.motion.lookahead_moves, not self._ask.passing
        total_only = self._ask.total_only
        self._terms = Terms(self._way, corners, self._limits, lookahead, sums_path, total_only, self._in_place)
        return self._terms

    def add(self, sums: BlockSums) -> None:
        """Add the sums of the next block."""
        classes = sums.seconds.shape[0]
        self._seconds = _longer(self._seconds, classes)
        if not self._ask.total_only:  # of which some blocks tell causes, and some do not
            self._seconds[:classes] += sums.seconds
        self._unbounded |= sums.unbounded
        self._passed.append(self._motion + sums.passed)
        self._motion += sums.motion
        first, last = int(sums.layer[0]), int(sums.layer[-1]) + 1
        # Layers never go down, so there is none between them where there are as many as numbers.
        layers = slice(first, last) if last - first == sums.layer.size else sums.layer
        self._layers = _longer(self._layers, last)
        self._layers[layers] += sums.layer_seconds
        if self._ask.passing:
            return
        self._layer_moves = _longer(self._layer_moves, last)
        self._layer_moves[layers] += sums.layer_moves
        if sums.path[FILAMENT_SPEED] > self._path[FILAMENT_SPEED]:
            self._line = sums.line
        self._path[: PRINTED + 1] += sums.path[: PRINTED + 1]
        self._path[FILAMENT_SPEED:] = np.maximum(self._path[FILAMENT_SPEED:], sums.path[FILAMENT_SPEED:])

    def timing(self, facts: JobFacts, events: Events, asked: NDArray[np.int64], after: NDArray[np.int64]) -> Timing:
        """The timing of the whole job; `asked` the events whose clock counts, `after` the layer after each of them."""
        machine, order = self._ask.machine, self._classing.order()
        table = tuple(self._classing.table[i] for i in order)
        layers = lengthened(_longer(self._layers, facts.layers + 1)[: facts.layers + 1], self._shortest_layer)
        passed = np.concatenate([*self._passed, np.full(asked.size, self._motion)])[: asked.size]
        clock = np.zeros(events.kind.size)
        clock[asked] = clock_of(passed, after, layers.cooling)
        return timing_from(
            facts,
            machine,
            table,
            limits_of(machine, table, self._file_limits, self._ask.varied, dict(self._ask.scaled)),
            _longer(self._seconds, len(order))[order],
            layers,
            events,
            clock,
            self._motion,
            None,
            None if self._ask.passing else self._path_sums(facts.layers),
        )._replace(unbounded=self._unbounded)

    @property
    def _shortest_layer(self) -> float:
        return self._ask.machine.cooling.shortest_layer_s or 0.0

    def _path_sums(self, layers: int) -> PathSums:
        moves = _longer(self._layer_moves, layers + 1)[: layers + 1].astype(np.int64)
        sums = self._path
        return PathSums(
            float(sums[PATH]), float(sums[PRINTED]), float(sums[FILAMENT_SPEED]), self._line, float(sums[SPEED]), moves
        )
