"""Classes of moves: one small number for every distinct set of circumstances that limits may depend on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.compiled import compiled
from kinematics.errors import InputError
from kinematics.gcode.file_limits import Conditions
from kinematics.gcode.labels import Labels
from kinematics.gcode.moves import FILAMENT, KIND_NAMES, Moves, NozzleTargets

KIND_COUNT = len(KIND_NAMES)
MOST_CLASSES = 65_535
NOTHING_STATED: Mapping[str, float] = {}  # plain, so that results can be pickled; nobody writes to a Mapping


class MoveClass(NamedTuple):
    """What the moves of one class share: kind, whether of the first layers, label, limits that the file states, and the
    nozzle's temperature that it asks for (°C; None where it tells none, or nothing depends on it).
    """

    kind: int
    first_layers: bool
    label: str = ""
    stated: Mapping[str, float] = NOTHING_STATED
    nozzle: float | None = None


class Classes(NamedTuple):
    """`of_move` (n) the class of every move, `table` what each class stands for."""

    of_move: NDArray[np.uint16]
    table: tuple[MoveClass, ...]


@compiled
def code_moves(
    kind: NDArray[np.int8],
    layer: NDArray[np.int32],
    first_layers: int,
    more: NDArray[np.int64],
    code: NDArray[Any],
    occurs: NDArray[np.bool_],
) -> None:
    """Write the kind of every move to `code`, plus KIND_COUNT for those of the first layers, plus what `more` is told
    of it (n, or nothing); mark each code that occurs.
    """
    for i in range(kind.size):
        coded = kind[i] + (KIND_COUNT if layer[i] <= first_layers and first_layers > 0 else 0)
        if more.size > 0:
            coded += more[i]
        code[i] = coded
        occurs[coded] = True


def refuse_too_many(classes: int) -> None:
    """Raise InputError where a job has more classes than can be told apart."""
    if classes > MOST_CLASSES:
        found = f"{classes:,} different sets of stated limits and labels"
        raise InputError.at("the job", found, f"{MOST_CLASSES:,} at most", "--file-limits ignore leaves its limits out")


def classify(
    moves: Moves,
    first_layers: int,
    conditions: Conditions | None = None,
    labels: Labels | None = None,
    nozzle: NozzleTargets | None = None,
) -> Classes:
    """Give every move its class.

    `first_layers` is the number of layers that are kept apart (0: none); `conditions`, `labels` and `nozzle` are left
    out where no limit depends on them. Raises InputError where the job has too many classes.
    """
    stated = (NOTHING_STATED,) if conditions is None else conditions.table
    names = ("",) if labels is None else labels.names
    temperatures = (None,) if nozzle is None else nozzle.table
    shape = (KIND_COUNT, 2, len(stated), len(names), len(temperatures))
    size = math.prod(shape)
    more = np.zeros(0, np.int64)
    for place, told in enumerate((conditions, labels, nozzle), start=2):
        if told is not None and shape[place] > 1:
            more = (more if more.size else 0) + math.prod(shape[:place]) * told.of_move.astype(np.int64)
    code: NDArray[Any] = np.empty(moves.kind.size, np.uint16 if size <= MOST_CLASSES else np.int64)
    occurs = np.zeros(size, np.bool_)
    code_moves(moves.kind, moves.layer, first_layers, more, code, occurs)
    present = np.flatnonzero(occurs)
    refuse_too_many(present.size)
    number = np.zeros(size, np.uint16)
    number[present] = np.arange(present.size)
    table = (
        MoveClass(kind, bool(first), names[label], stated[condition], temperatures[temperature])
        for kind, first, condition, label, temperature in zip(
            *(places.tolist() for places in np.unravel_index(present, shape, order="F")), strict=True
        )
    )
    numbered_so = code.dtype == number.dtype and present[-1:].tolist() == [present.size - 1]
    return Classes(code if numbered_so else np.take(number, code, mode="clip"), tuple(table))


def is_path(member: MoveClass) -> bool:
    """Whether moves of this class have a path length."""
    return member.kind != FILAMENT


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

    def numbers(
        self, moves: Moves, has_layers: bool, conditions: Conditions | None, labels: Labels | None
    ) -> NDArray[np.uint16]:
        """The number of the class of every one of the next moves; `conditions`, `labels` of these, if they count.

        `has_layers` whether there are layers, of which the first may be kept apart.
        """
        conditions = conditions if self._way.stated else None
        labels = labels if self._way.labelled else None
        if conditions is not None:
            for stated in conditions.table:
                self._conditions.setdefault(tuple(sorted(stated.items())), len(self._conditions))
        names = {} if labels is None else {name: number for number, name in enumerate(labels.names)}
        classes = classify(moves, self._way.first_layers if has_layers else 0, conditions, labels)
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
